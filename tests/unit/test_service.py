"""The service unit: systemd itself accepts it, it is closely confined, and the daemon can live under confinement."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from support.machine import tool

SYSTEMD = Path(__file__).resolve().parents[2] / "systemd"
UNIT = SYSTEMD / "uphaul.service"
MOST_EXPOSED = 2.0
"""On the scale of systemd-analyze security, where 10 is worst; a unit with no confinement gets 9.6."""


def setting(section: str, key: str) -> list[str]:
    """Every value that the unit gives to a key, in order; a unit may repeat one."""
    inside = UNIT.read_text().partition(f"[{section}]")[2].partition("\n[")[0]
    return re.findall(rf"^{key}=(.*)$", inside, re.MULTILINE)


@pytest.fixture
def board(tmp_path: Path) -> Path:
    """A file tree as on a board: systemd's own units, ours, and something to execute where the daemon belongs."""
    tool("systemd-analyze", "systemd")
    shutil.copytree("/usr/lib/systemd/system", tmp_path / "usr/lib/systemd/system", symlinks=True)
    units = tmp_path / "etc/systemd/system"
    units.mkdir(parents=True)
    shutil.copy(UNIT, units)
    program = tmp_path / setting("Service", "ExecStart")[0].split()[0].lstrip("/")
    program.parent.mkdir(parents=True)
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    return tmp_path


def verify(board: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [tool("systemd-analyze", "systemd"), "verify", f"--root={board}", "uphaul.service"],
        capture_output=True,
        text=True,
        check=False,
    )


def test_systemd_accepts_every_line(board: Path) -> None:
    run = verify(board)
    assert (run.returncode, run.stdout + run.stderr) == (0, "")


def test_a_misspelt_line_would_be_told(board: Path) -> None:
    unit = board / "etc/systemd/system/uphaul.service"
    unit.write_text(unit.read_text().replace("WatchdogSec=", "WatchdogSecs="))
    assert "Unknown key 'WatchdogSecs'" in verify(board).stderr


def test_it_is_closely_confined() -> None:
    run = subprocess.run(
        [
            tool("systemd-analyze", "systemd"),
            "security",
            "--offline=true",
            "--no-pager",
            f"--threshold={MOST_EXPOSED * 10:.0f}",
            UNIT,
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    found = re.search(r"Overall exposure level for uphaul\.service: ([0-9.]+)", run.stdout)
    assert found, run.stderr
    assert float(found[1]) <= MOST_EXPOSED
    assert run.returncode == 0


def test_the_user_and_its_groups_are_made(tmp_path: Path) -> None:
    target = tmp_path / "etc/sysusers.d"
    target.mkdir(parents=True)
    shutil.copy(SYSTEMD / "uphaul.sysusers", target / "uphaul.conf")
    subprocess.run([tool("systemd-sysusers", "systemd"), f"--root={tmp_path}"], check=True, capture_output=True)
    users = (tmp_path / "etc/passwd").read_text()
    groups = {line.split(":")[0]: line.split(":")[3] for line in (tmp_path / "etc/group").read_text().splitlines()}
    assert users.startswith(f"{setting('Service', 'User')[0]}:")
    assert groups["dialout"] == groups["gpio"] == groups["i2c"] == "uphaul"


def test_what_it_must_reach_is_not_shut_out() -> None:
    assert "AF_CAN" in setting("Service", "RestrictAddressFamilies")[0].split()
    allowed = {line.split()[0] for line in setting("Service", "DeviceAllow")}
    assert allowed >= {"char-ttyUSB", "char-ttyACM", "char-ttyAMA", "char-gpiochip", "char-i2c", "char-iio"}
    assert setting("Service", "PrivateDevices") == []  # yes would hide all of these
    assert setting("Service", "PrivateNetwork") == []  # yes would hide the CAN interfaces
    assert setting("Service", "ProcSubset") == []  # pid would hide the boot id


def installing(root: Path) -> str:
    """The commands of the README that put files in place, for a file tree at `root` instead of the machine's."""
    block = (SYSTEMD / "README.md").read_text().partition("```sh\n")[2].partition("```")[0]
    lines = [line for line in block.splitlines() if line.startswith(("install ", "mkdir ", "cp "))]
    commands = [re.split(r" && systemd-", line)[0] for line in lines]
    return "set -e\n" + "\n".join(re.sub(r"(?<= )/(etc|opt)/", rf"{root}/\1/", line) for line in commands)


def test_installing_twice_leaves_the_configuration_alone_and_puts_in_place_what_the_unit_names(tmp_path: Path) -> None:
    for folder in ("etc/sysusers.d", "etc/systemd/system", "opt/uphaul"):
        (tmp_path / folder).mkdir(parents=True)
    commands = installing(tmp_path)
    subprocess.run(["sh", "-c", commands], check=True, cwd=SYSTEMD.parent)
    own = tmp_path / "etc/uphaul/rules.toml"
    own.write_text("# the workshop's own\n")
    subprocess.run(["sh", "-c", commands], check=True, cwd=SYSTEMD.parent)
    assert own.read_text() == "# the workshop's own\n"
    assert not (tmp_path / "etc/uphaul/config").exists()
    documents = setting("Unit", "Documentation")[0].split()
    assert documents != []
    missing = [d for d in documents if not (tmp_path / d.removeprefix("file:/")).is_file()]
    assert missing == []
    assert (tmp_path / "etc/systemd/system/uphaul.service").is_file()


def test_a_daemon_that_stops_judging_or_ends_is_always_started_again() -> None:
    assert setting("Service", "Type") == ["notify"]
    assert setting("Service", "Restart") == ["always"]
    assert setting("Unit", "StartLimitIntervalSec") == ["0"]
    assert float(setting("Service", "WatchdogSec")[0]) <= 10


DENY_WRITE_EXECUTE = """
import ctypes, os, sys
PR_SET_MDWE, REFUSE_EXEC_GAIN = 65, 1  # prctl(2); what MemoryDenyWriteExecute=yes uses where the kernel has it
if ctypes.CDLL(None, use_errno=True).prctl(PR_SET_MDWE, REFUSE_EXEC_GAIN, 0, 0, 0):
    sys.exit("this kernel is older than 6.3")
os.execv(sys.executable, [sys.executable, "-c", sys.argv[1]])
"""
LIVE_UNDER_IT = """
import ctypes, importlib, mmap, pkgutil
assert ctypes.CDLL(None).prctl(66, 0, 0, 0, 0) == 1  # PR_GET_MDWE
try:
    mmap.mmap(-1, 4096, prot=mmap.PROT_READ | mmap.PROT_WRITE | mmap.PROT_EXEC)
except PermissionError:
    pass
else:
    raise SystemExit("memory can still be made writable and executable")
import aiohttp, aiomqtt, can, cantools, numpy, pydantic, sqlite3, uphaul
from can.interfaces import slcan, socketcan, socketcand
for module in pkgutil.walk_packages(uphaul.__path__, "uphaul."):
    if not module.name.endswith("__main__"):
        importlib.import_module(module.name)
numpy.linalg.lstsq(numpy.eye(3), numpy.ones(3))
sqlite3.connect(":memory:").create_function("twice", 1, lambda x: 2 * x)
print("alive")
"""


def test_the_daemon_and_its_libraries_need_no_writable_code() -> None:
    run = subprocess.run(
        [sys.executable, "-c", DENY_WRITE_EXECUTE, LIVE_UNDER_IT], capture_output=True, text=True, check=False
    )
    assert run.stdout.endswith("alive\n"), run.stderr
