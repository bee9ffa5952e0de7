"""Input that is wrong: every command says where and what would be right, with exit status 2 and no traceback."""

from __future__ import annotations

import json
import shutil
import socket
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from support.bus_vehicle import write_config
from support.daemon import Daemon, command, eventually, running
from uphaul.config import load
from uphaul.log import LogWriter, TickRecord

SOURCE = 'interface = "virtual"\nchannel = "nobody"'
CSV = "t_s,egt,rpm\ns,degC,rpm\n0,700,1800\n0.05,701,1810\n0.1,702,1820\n"
A_RULE = '[[rule]]\nname = "hot"\nkind = "threshold"\nsignal = "egt"\nabove = 600\naction = "ease"\n'


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a good configuration, log, CSV and rules in it, as the present directory."""
    monkeypatch.chdir(tmp_path)
    config = load(write_config(tmp_path / "config", SOURCE))
    writer = LogWriter(tmp_path / "good.db")
    writer.begin_drive(config, boot_id="boot", began_boot_ms=0)
    for i in range(2000):
        writer.tick(TickRecord(i * 50, -1, [7000 + i % 7] * len(config.signals)))
    writer.end_drive("over")
    assert writer.close(10)
    (tmp_path / "good.csv").write_text(CSV, encoding="utf-8")
    (tmp_path / "rules.toml").write_text(A_RULE, encoding="utf-8")
    (tmp_path / "a-file").write_text("not a folder\n", encoding="utf-8")
    return tmp_path


def test_what_is_made_wrong_below_is_right(place: Path) -> None:
    command("config", "check", "config")
    assert json.loads(command("replay", "good.db", "--json"))["ticks"] == 2000
    assert json.loads(command("replay", "good.csv", "--rules", "rules.toml", "--json"))["ticks"] == 3
    assert len(json.loads(command("drives", "good.db", "--json"))["drives"]) == 1


@dataclass(frozen=True)
class Wrong:
    """What is made wrong, by whom it is read, and what is said of it: every one of `told`."""

    make: Callable[[Path], object]
    arguments: tuple[str, ...]
    told: tuple[str, ...]


def nothing(folder: Path) -> None:
    pass


def config_file(name: str, old: str, new: str) -> Callable[[Path], object]:
    """Change one text of the configuration."""

    def make(folder: Path) -> None:
        path = folder / "config" / name
        text = path.read_text(encoding="utf-8")
        assert old in text
        path.write_text(text.replace(old, new, 1), encoding="utf-8")

    return make


def file(name: str, content: str | bytes) -> Callable[[Path], object]:
    """Write a file."""
    data = content.encode() if isinstance(content, str) else content
    return lambda folder: (folder / name).write_bytes(data)


def altered(statement: str) -> Callable[[Path], object]:
    """Make wrong.db, the good log after one statement."""

    def make(folder: Path) -> None:
        shutil.copy(folder / "good.db", folder / "wrong.db")
        db = sqlite3.connect(folder / "wrong.db", isolation_level=None)
        db.execute(statement)
        db.close()

    return make


def cut(share: float) -> Callable[[Path], object]:
    """Make wrong.db, the beginning of the good log."""

    def make(folder: Path) -> None:
        data = (folder / "good.db").read_bytes()
        (folder / "wrong.db").write_bytes(data[: int(len(data) * share)])

    return make


def rotten(folder: Path) -> None:
    data = bytearray((folder / "good.db").read_bytes())
    data[8192:] = b"\x5a" * (len(data) - 8192)
    (folder / "wrong.db").write_bytes(data)


def foreign(folder: Path) -> None:
    db = sqlite3.connect(folder / "wrong.db")
    with db:
        db.execute("CREATE TABLE recipe (name TEXT)")
    db.close()


def of_csv(old: str, new: str) -> Callable[[Path], object]:
    assert old in CSV
    return file("wrong.csv", CSV.replace(old, new, 1))


CHECK = ("config", "check", "config")
RUN = ("run", "--config", "config", "--log", "new.db")
REPLAY = ("replay", "wrong.db")
DRIVES = ("drives", "wrong.db")
REPLAY_CSV = ("replay", "wrong.csv", "--rules", "rules.toml")
NOT_A_LOG = ("wrong.db: ", "this is not a log (no SQLite database)")

CONFIGURATION = {
    "no TOML": (config_file("rules.toml", "[[rule]]", "[[rule]"), ("rules.toml: line 1, column ", "is not TOML")),
    "a key that is none": (
        config_file("signals.toml", "max_age_s", "max_ages_s"),
        ("signals.toml: signal.rpm.max_ages_s = 0.5", "no key of this table", "Did you mean 'max_age_s'?"),
    ),
    "a unit of another quantity": (
        config_file("signals.toml", 'unit = "degC"', 'unit = "kPa"'),
        ("signals.toml: signal.egt.unit = 'kPa'", "must be a unit of temperature", "degC"),
    ),
    "a unit that is none": (
        config_file("signals.toml", 'unit = "degC"', 'unit = "celsius"'),
        ("signals.toml: signal.egt.unit = 'celsius'", "must be a unit that is known"),
    ),
    "a field that the DBC lacks": (
        config_file("test.dbc", "SG_ Egt1 ", "SG_ Egt2 "),
        ("signals.toml: signal.egt.from.field = 'Egt1'", "a field of message EngineBox", "Did you mean 'Egt2'?"),
    ),
    "a message that the DBC lacks": (
        config_file("test.dbc", "EngineBox", "EngineBux"),
        ("signals.toml: signal.rpm.from.message = 'EngineBox'", "Did you mean 'EngineBux'?"),
    ),
    "a DBC that is none": (
        file("config/test.dbc", "BO_ what is this\n"),
        ("test.dbc", "must be a DBC that can be read"),
    ),
    "a DBC that is missing": (
        lambda folder: (folder / "config" / "test.dbc").unlink(),
        ("signals.toml: source.bus.dbc = 'test.dbc'", "a DBC file that is there"),
    ),
    "a file that is missing": (
        lambda folder: (folder / "config" / "rules.toml").unlink(),
        ("rules.toml", "is required and is not there"),
    ),
    "two faults at once": (
        lambda folder: (
            config_file("signals.toml", "tick_hz = 20", "tick_hz = 30")(folder),
            config_file("rules.toml", "deadband = 25", "deadband = -25")(folder),
        ),
        ("signals.toml: tick_hz = 30: must divide 1000", "rules.toml: rule[0].deadband = -25.0: must be "),
    ),
    "text of another encoding": (file("config/rules.toml", b"# \xff\xfe\n"), ("rules.toml", "UTF-8")),
}

CASES = {
    **{f"check: {name}": Wrong(make, CHECK, told) for name, (make, told) in CONFIGURATION.items()},
    **{f"run: {name}": Wrong(make, RUN, told) for name, (make, told) in CONFIGURATION.items()},
    "check: no directory": Wrong(nothing, ("config", "check", "nowhere"), ("nowhere",)),
    "check: a file instead": Wrong(nothing, ("config", "check", "a-file"), ("a-file",)),
    "run: no directory": Wrong(nothing, ("run", "--config", "nowhere"), ("--config", "'nowhere' does not exist")),
    "run: no scenario of that name": Wrong(
        lambda folder: write_demo(folder, "clmb"), RUN, ("scenario = 'clmb'", "must be a scenario's file or one of ")
    ),
    "run: a foreign file as log": Wrong(
        foreign,
        ("run", "--config", "config", "--log", "wrong.db"),
        ("wrong.db: this is a database of another program", "left untouched"),
    ),
    "run: a log from a newer version": Wrong(
        altered("PRAGMA user_version = 99"),
        ("run", "--config", "config", "--log", "wrong.db"),
        ("wrong.db: the log has schema version 99", "newer program"),
    ),
    "run: a log below a file": Wrong(
        nothing,
        ("run", "--config", "config", "--log", "a-file/new.db"),
        ("a-file/new.db: a-file is a file, not a folder",),
    ),
    "run: a folder as log": Wrong(
        nothing, ("run", "--config", "config", "--log", "config"), ("'config' is a directory",)
    ),
    "demo: no scenario of that name": Wrong(
        nothing,
        ("demo", "--scenario", "climb-het", "--log", "new.db", "--port", "0"),
        ("scenario = 'climb-het'", "must be a scenario's file or one of ", "Did you mean 'climb-heat'?"),
    ),
    "demo: a scenario with a fault": Wrong(
        file("mine.toml", "duration_s = 'long'\n"),
        ("demo", "--scenario", "./mine.toml", "--log", "new.db", "--port", "0"),
        ("mine.toml: duration_s = 'long'",),
    ),
    **{
        f"{arguments[0]}: {name}": Wrong(make, arguments, told)
        for arguments in (DRIVES, REPLAY)
        for name, make, told in (
            ("a log from a newer version", altered("PRAGMA user_version = 99"), ("wrong.db: ", "schema version 99")),
            ("a log cut in half", cut(0.5), ("wrong.db: the log is cut off: ", " bytes of ")),
            ("the first bytes of a log", cut(0.0002), NOT_A_LOG),
            ("a log full of rot", rotten, ("wrong.db: the log cannot be read (", "malformed")),
            ("a file of another program", foreign, ("wrong.db: this is a database of another program",)),
            ("an empty file", file("wrong.db", ""), ("wrong.db: the file is empty",)),
            ("a text", file("wrong.db", "t_s,egt\n" * 100), NOT_A_LOG),
            ("a short text", file("wrong.db", "hello\n"), NOT_A_LOG),
            ("no file", nothing, ("'wrong.db' does not exist",)),
        )
    },
    "replay: a drive that is not there": Wrong(
        nothing, ("replay", "good.db", "--drive", "9"), ("good.db: there is no drive 9; the log has: 1",)
    ),
    "replay: a log without drives": Wrong(
        altered("DELETE FROM drive"), REPLAY, ("wrong.db: the log has no drive yet",)
    ),
    "replay: a configuration in the log that is no JSON": Wrong(
        altered("UPDATE config SET files = '{'"), REPLAY, ("wrong.db: ", "cannot be read")
    ),
    "replay: a configuration in the log with a fault": Wrong(
        altered("UPDATE config SET files = json_set(files, '$.\"rules.toml\"', 'x = ')"),
        REPLAY,
        ("wrong.db drive 1: rules.toml: ", "is not TOML"),
    ),
    "replay: a state in the log that is none": Wrong(
        altered("UPDATE segment SET initial_state = '[[1, 2]]'"), REPLAY, ("wrong.db drive 1: the states",)
    ),
    "replay: a signal in the log that is none": Wrong(
        altered("UPDATE signal SET reduce = 'most'"), REPLAY, ("wrong.db: the log cannot be read", "most")
    ),
    "replay: a directory for a log": Wrong(
        nothing, ("replay", "good.db", "--config", "config"), ("--config is for a CSV",)
    ),
    "replay: a CSV without rules": Wrong(nothing, ("replay", "good.csv"), ("good.csv", "--rules FILE or --config DIR")),
    "replay: a drive of a CSV": Wrong(
        nothing, ("replay", "good.csv", "--rules", "rules.toml", "--drive", "1"), ("--drive 1: a CSV is one drive",)
    ),
    "replay: a directory that is not there": Wrong(
        nothing, ("replay", "good.csv", "--config", "nowhere"), ("--config", "'nowhere' does not exist")
    ),
    "replay: no rules file": Wrong(
        nothing, ("replay", "good.db", "--rules", "nowhere.toml"), ("--rules", "'nowhere.toml' does not exist")
    ),
    "replay: rules with a fault, on a log": Wrong(
        file("wrong.toml", A_RULE.replace("above", "abov")),
        ("replay", "good.db", "--rules", "wrong.toml"),
        ("wrong.toml: rule[0].abov = 600", "no key of kind threshold", "Did you mean 'above'?"),
    ),
    "replay: rules with a fault, on a CSV": Wrong(
        file("wrong.toml", A_RULE.replace("threshold", "treshold")),
        ("replay", "good.csv", "--rules", "wrong.toml"),
        ("wrong.toml: rule[0].kind = 'treshold'", "Did you mean 'threshold'?"),
    ),
    "replay: rules that are no TOML": Wrong(
        file("wrong.toml", "[[rule]\n"),
        ("replay", "good.db", "--rules", "wrong.toml"),
        ("wrong.toml: line 1, column 7: is not TOML",),
    ),
    "replay: rules that are no text": Wrong(
        file("wrong.toml", b"\xff\xfe\x00"), ("replay", "good.db", "--rules", "wrong.toml"), ("wrong.toml: ", "UTF-8")
    ),
    "CSV: a ragged row": Wrong(
        of_csv("0.05,701,1810", "0.05,701"), REPLAY_CSV, ("wrong.csv: line 4: 2 cells, but the header has 3",)
    ),
    "CSV: a number that is none": Wrong(
        of_csv("701", "7o1"), REPLAY_CSV, ("wrong.csv: line 4: column 'egt': '7o1' is no number", "empty for unknown")
    ),
    "CSV: no row of units": Wrong(
        of_csv("s,degC,rpm\n", ""), REPLAY_CSV, ("wrong.csv: line 2: column 't_s': no unit '0'", "the second row names")
    ),
    "CSV: a unit that is none": Wrong(
        of_csv("degC", "degc"), REPLAY_CSV, ("wrong.csv: line 2: column 'egt': no unit 'degc'", "did you mean 'degC'?")
    ),
    "CSV: a unit of another quantity": Wrong(
        of_csv("degC", "kPa"),
        ("replay", "wrong.csv", "--config", "config"),
        ("wrong.csv: line 2: column 'egt': 'kPa' cannot be converted to 'degC'",),
    ),
    "CSV: no time first": Wrong(
        of_csv("t_s,egt", "egt,t_s"), REPLAY_CSV, ("wrong.csv: line 1: the first column is 'egt'; it must be t_s",)
    ),
    "CSV: a time that goes back": Wrong(
        of_csv("0.1,", "0.05,"), REPLAY_CSV, ("wrong.csv: line 5: column 't_s': 0.05 s does not come after 0.05 s",)
    ),
    "CSV: a column twice": Wrong(of_csv("egt,rpm", "egt,egt"), REPLAY_CSV, ("wrong.csv: line 1: column 3 is 'egt'",)),
    "CSV: no ticks": Wrong(
        file("wrong.csv", "t_s,egt\ns,degC\n"), REPLAY_CSV, ("wrong.csv: line 3: the drive is empty",)
    ),
    "CSV: empty": Wrong(file("wrong.csv", ""), REPLAY_CSV, ("wrong.csv: the file is empty",)),
    "CSV: no text": Wrong(
        file("wrong.csv", bytes(range(128, 256))), REPLAY_CSV, ("wrong.csv: not a UTF-8 text file, so no CSV drive",)
    ),
}


def write_demo(folder: Path, scenario: str) -> None:
    (folder / "config" / "signals.toml").write_text(
        f'[source.demo]\nkind = "demo"\nscenario = "{scenario}"\n'
        '[signal.rpm]\nunit = "rpm"\nfrom = { source = "demo", channel = "rpm" }\n'
        '[signal.egt]\nunit = "degC"\nfrom = { source = "demo", channel = "egt" }\n'
        '[signal.map]\nunit = "kPa"\nfrom = { source = "demo", channel = "map" }\n',
        encoding="utf-8",
    )


@pytest.mark.parametrize("name", CASES)
def test_it_is_told_where_and_what_would_be_right(name: str, place: Path) -> None:
    case = CASES[name]
    case.make(place)
    said = command(*case.arguments, status=2)
    missing = [text for text in case.told if text not in said]
    assert missing == [], said
    assert len(said) < 2000  # every fault, and no more than that
    assert not (place / "new.db").exists() or case.arguments[0] == "run"


def test_every_line_about_wrong_rules_begins_alike(place: Path) -> None:
    faults = A_RULE.replace("above", "abov") + A_RULE.replace("threshold", "treshold").replace('"hot"', '"warm"')
    (place / "wrong.toml").write_text(faults, encoding="utf-8")
    lines = command("replay", "good.csv", "--rules", "wrong.toml", status=2).splitlines()
    assert [line.partition(" = ")[0] for line in lines] == [
        "uphaul: wrong.toml: rule[0].abov",
        "uphaul: wrong.toml: rule[1].kind",
    ]


def test_the_faults_of_a_configuration_can_be_read_by_a_program(place: Path) -> None:
    config_file("rules.toml", "on_delay_s", "on_dealy_s")(place)
    done = subprocess.run(
        [sys.executable, "-m", "uphaul", "config", "check", "config", "--json"],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.returncode == 2
    assert json.loads(done.stdout)["problems"][0]["nearest"] == "on_delay_s"


def test_the_folder_of_a_log_is_made(place: Path) -> None:
    daemon = Daemon(place / "config", place / "new" / "deep" / "vehicle.db")
    with running(daemon):
        assert daemon.end()[0] == 0
    assert (place / "new" / "deep" / "vehicle.db").is_file()


def test_where_no_log_can_be_made_the_daemon_judges_and_says_so(place: Path) -> None:
    """Alerts matter more than the log: the card of a vehicle may be read-only. /proc takes a file from nobody."""
    daemon = Daemon(place / "config", Path("/proc/uphaul/vehicle.db"))
    with running(daemon):
        eventually(lambda: daemon.status()["signals"], "the first tick")
        shown = daemon.status()["log"]
        assert daemon.end()[0] == 0
    assert shown["state"] == "not recording"
    assert "/proc/uphaul/vehicle.db: " in shown["problem"]
    assert any("nothing is recorded" in line for line in [*daemon.said, *daemon.rest()])


def test_where_the_page_has_no_port_the_daemon_judges_and_logs_and_says_so(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    manager.bind(str(place / "manager"))
    monkeypatch.setenv("NOTIFY_SOCKET", str(place / "manager"))
    told: list[str] = []

    def listen() -> None:
        while data := manager.recv(4096):
            told.extend(data.decode().splitlines())

    def told_to_the_manager(start: str) -> str:
        found: str = eventually(lambda: next((line for line in told if line.startswith(start)), ""), start)
        return found

    listening = threading.Thread(target=listen, daemon=True)
    listening.start()
    with manager, socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        write_config(place / "config", SOURCE, port=port)
        daemon = Daemon(place / "config", place / "new.db")
        with running(daemon):
            before = list(daemon.said)
            assert f"port = {port}: the page cannot be served" in told_to_the_manager("STATUS=no page: ")
            taken.close()
            daemon.wait_for(f"WARNING uphaul: the page on http://127.0.0.1:{port}/ is there now")
            assert told_to_the_manager("STATUS=page") == f"STATUS=page on http://127.0.0.1:{port}/"
            daemon.url = f"http://127.0.0.1:{port}/"
            eventually(lambda: daemon.status()["t_ms"], "ticks that are judged")
            assert daemon.end()[0] == 0
        manager.shutdown(socket.SHUT_RDWR)
        listening.join(10)
    assert before[0] == (
        f"WARNING uphaul: web: host = '127.0.0.1', port = {port}: the page cannot be served there (address already in "
        "use); name an address of this machine and a free port. Watching and logging go on without the page, and it "
        "is tried again."
    )
    assert before[-1].endswith("new.db, no page yet")


def test_the_demo_does_not_start_without_its_page(place: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = str(taken.getsockname()[1])
        said = command("demo", "--port", port, "--log", "new.db", status=2)
    assert f"port = {port}: the page cannot be served there (address already in use)" in said
