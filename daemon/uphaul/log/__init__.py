"""The log: schema, the writer in its one thread, reader, retention, import and export of drives.

`LogWriter` records, `Log` (in `uphaul.log.reader`) reads; the fast reading library is loaded when it is first needed.
"""

from uphaul.log.record import LogHealth, TickRecord
from uphaul.log.recover import OpenDrive
from uphaul.log.writer import LogWriter

__all__ = ["LogHealth", "LogWriter", "OpenDrive", "TickRecord"]
