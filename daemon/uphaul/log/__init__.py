"""The log: schema, the writer in its one thread, reader, retention, import and export of drives.

`LogWriter` records, `Log` reads; the library for fast reading is loaded when it is first needed.
"""

from uphaul.log.info import Anchor, DriveInfo, LoggedCondition, SegmentInfo
from uphaul.log.reader import Log
from uphaul.log.record import LogHealth, TickRecord
from uphaul.log.recover import OpenDrive
from uphaul.log.writer import LogWriter

__all__ = [
    "Anchor",
    "DriveInfo",
    "Log",
    "LogHealth",
    "LogWriter",
    "LoggedCondition",
    "OpenDrive",
    "SegmentInfo",
    "TickRecord",
]
