"""What the daemon and the commands load: start-up and memory on a small board are spent on nothing that is not used."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]

HEAVY = {
    "IPython",
    "adbc_driver_sqlite",  # the reader's fast way; the daemon only reads short stretches
    "aiomqtt",  # who has no broker does not pay for it
    "asammdf",
    "bokeh",
    "cantera",
    "dask",
    "duckdb",
    "geopandas",
    "gpiod",  # an extra, for a panel or a line with pulses
    "h5py",
    "matplotlib",
    "numba",
    "obd",  # an extra, in a process of its own
    "paho",
    "pandas",
    "pint",
    "plotly",
    "polars",
    "pyarrow",
    "scipy",
    "setuptools",
    "sklearn",
    "sqlite_utils",
    "sympy",
    "torch",
    "xarray",
}
"""Libraries of the trade that cost tens of megabytes or tenths of a second each."""

_DAEMON = """
import json, sys
from pathlib import Path
from uphaul.cli import run
from uphaul.app import App
from uphaul.config import load
config = load(Path(sys.argv[1]))
app = App(config, None)
import can.interfaces.socketcan
print(json.dumps(sorted({name.partition(".")[0] for name in sys.modules})))
"""

_COMMAND = """
import json, sys
from uphaul.cli import main
try:
    main(sys.argv[1:], standalone_mode=False)
finally:
    print("\\n" + json.dumps(sorted({name.partition(".")[0] for name in sys.modules})))
"""


def loaded(script: str, *arguments: str, path: Path | None = None) -> set[str]:
    """The top-level modules of a process of its own that ran `script`, with further modules in `path`."""
    done = subprocess.run(
        [sys.executable, "-c", script, *arguments],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
        env=os.environ | ({} if path is None else {"PYTHONPATH": str(path)}),
    )
    assert done.returncode == 0, done.stderr
    return set(json.loads(done.stdout.splitlines()[-1]))


def a_log(path: Path) -> Path:
    from support.config_files import config_of
    from uphaul.log import LogWriter, TickRecord

    config = config_of()
    writer = LogWriter(path)
    writer.begin_drive(config, boot_id="boot", began_boot_ms=0)
    for i in range(40):
        writer.tick(TickRecord(i * 50, -1, [1] * len(config.signals)))
    writer.end_drive("over")
    assert writer.close(10)
    return path


def test_the_daemon_loads_no_heavy_library() -> None:
    modules = loaded(_DAEMON, str(ROOT / "config"))
    assert {"can", "cantools", "aiohttp", "numpy", "pydantic"} <= modules  # else this would test nothing
    assert modules & HEAVY == set()


def test_the_daemon_stays_lean_where_the_workshop_has_its_libraries(tmp_path: Path) -> None:
    (tmp_path / "asammdf.py").write_text("import fractions  # stands for all that the real one loads\n")
    alone = loaded("import json, sys, can; print(json.dumps(sorted(sys.modules)))", path=tmp_path)
    assert "asammdf" in alone  # else this would test nothing: python-can takes it wherever it is
    modules = loaded(_DAEMON, str(ROOT / "config"), path=tmp_path)
    assert "can" in modules
    assert modules & HEAVY == set()


def test_reading_commands_do_without_the_libraries_of_the_daemon(tmp_path: Path) -> None:
    path = str(a_log(tmp_path / "vehicle.db"))
    of_the_daemon = {"can", "cantools", "aiohttp", "aiomqtt", "paho", "asyncio"}
    drives = loaded(_COMMAND, "drives", path)
    assert drives & (HEAVY | of_the_daemon | {"pydantic"}) == set()
    replay = loaded(_COMMAND, "replay", path)
    assert "pydantic" in replay
    assert replay & (HEAVY | of_the_daemon) == set()


def test_a_drive_goes_out_as_csv_without_the_libraries_of_the_workshop(tmp_path: Path) -> None:
    export = loaded(_COMMAND, "export", str(a_log(tmp_path / "vehicle.db")), "--to", str(tmp_path / "drive.csv"))
    assert "numpy" in export
    assert export & (HEAVY | {"can", "cantools", "aiohttp"}) == set()


def test_help_loads_hardly_anything() -> None:
    modules = loaded(_COMMAND, "--help")
    assert modules & (HEAVY | {"numpy", "pydantic", "can", "cantools", "aiohttp", "asyncio"}) == set()
