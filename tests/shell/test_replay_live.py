"""``uphaul replay --live`` on a log that the demo made: the page moves, stands still, goes elsewhere, and says so."""

from __future__ import annotations

import json
import signal
import sys
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from support.daemon import Process, command, eventually
from support.event_stream import Reader
from support.logged_demo import log_demo

DRIVEN_MS = 160_000
RAISED_MS, LOST_MS = 81_100, 152_050
"""When two rules of the sample are raised, as the judge has it: see below."""
MOST_EVENTS = 100


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A drive of the invented vehicle with a probe that breaks; with the tune unknown the strictest limits apply."""
    path = tmp_path_factory.mktemp("drive") / "demo.db"
    log_demo(path, "egt-open", DRIVEN_MS / 1000, tune_told=False)
    return path


def fetch(url: str) -> dict[str, Any]:
    with urllib.request.urlopen(url + "status.json", timeout=5) as answer:
        found: dict[str, Any] = json.load(answer)
        return found


class Replay:
    """A replay that is served."""

    def __init__(self, process: Process) -> None:
        self.process = process
        self.url = process.wait_for("  page").split()[-1]
        process.wait_for("  to end")

    def status(self) -> dict[str, Any]:
        return fetch(self.url)

    def post(self, path: str, **body: object) -> tuple[int, dict[str, Any]]:
        headers = {"Content-Type": "application/json", "Origin": self.url.rstrip("/")}
        request = urllib.request.Request(self.url + path, json.dumps(body).encode(), headers)
        try:
            with urllib.request.urlopen(request, timeout=5) as answer:
                return answer.status, json.load(answer)
        except urllib.error.HTTPError as error:
            with error:
                return error.code, json.load(error)

    def play(self, **body: object) -> None:
        assert self.post("play", **body) == (200, {"done": True})

    def seek(self, t_ms: int) -> dict[str, Any]:
        """What is shown there."""
        self.play(do="seek", t_ms=t_ms)
        there: dict[str, Any] = eventually(
            lambda: shown if not (shown := self.status())["played"]["seeking"] else None, "the end of a seek"
        )
        return there


@contextmanager
def replayed(*arguments: str | Path) -> Iterator[Replay]:
    line = [sys.executable, "-m", "uphaul", "replay", *map(str, arguments), "--live"]
    process = Process(line, stream="stdout")
    try:
        yield Replay(process)
    finally:
        process.end(signal.SIGKILL)


class Stream:
    """The page's event stream."""

    def __init__(self, stream: Any) -> None:
        self._stream = stream
        self._reader = Reader()

    def until(self, met: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
        """The next event of which that is so, among so many as must do."""
        for _ in range(MOST_EVENTS):
            next(line for line in self._stream if self._reader.take(line))
            event = self._reader.status
            if met(event):
                return event
        raise TimeoutError(f"not in {MOST_EVENTS} events; the last: {event['played']}")

    def next(self) -> dict[str, Any]:
        """The next event."""
        return self.until(lambda e: True)


def rules_of(status: dict[str, Any]) -> set[str]:
    return {a["rule"] for a in status["alerts"]}


def test_the_event_stream_moves_stands_still_and_goes_elsewhere(log: Path) -> None:
    with (
        replayed(log, "--speed", "2") as replay,
        urllib.request.urlopen(replay.url + "events", timeout=20) as answer,
    ):
        stream = Stream(answer)
        first = stream.next()
        assert (first["replayed"], first["invented"], first["drive"]) == (True, True, 1)
        assert first["played"]["speed"] == 2
        assert first["notices"][0] == "Replay of drive 1 of demo.db, begun 2026-01-01 00:00:00 UTC"
        later = stream.until(lambda e: e["t_ms"] > first["t_ms"] + 500)
        assert later["played"]["t_ms"] == later["t_ms"]
        assert later["played"]["paused"] is False
        assert later["tick_age_s"] < 1

        replay.play(do="pause")
        paused = stream.until(lambda e: e["played"]["paused"])
        again = [stream.next() for _ in range(3)]
        assert {e["t_ms"] for e in again} == {paused["t_ms"]}
        assert {e["tick_age_s"] for e in again} == {0}
        assert again[0]["sent_ms"] < again[1]["sent_ms"] < again[2]["sent_ms"]

        replay.play(do="seek", t_ms=100_000)
        sought = stream.until(lambda e: e["t_ms"] == 100_000)
        assert (sought["played"]["paused"], rules_of(sought)) == (True, {"towing-on-stock-tune"})
        replay.play(do="seek", t_ms=60_000)
        back = stream.until(lambda e: e["t_ms"] == 60_000)
        assert (back["alerts"], back["sound"]) == ([], None)

        replay.play(do="speed", speed=50)
        replay.play(do="go")
        raised = stream.until(lambda e: e["sound"])
        assert (raised["sound"]["action"], rules_of(raised)) == ("note", {"towing-on-stock-tune"})
        assert raised["t_ms"] >= RAISED_MS
        end = stream.until(lambda e: e["played"]["paused"])
        assert end["t_ms"] == end["played"]["last_ms"] == DRIVEN_MS
        assert rules_of(end) == {"towing-on-stock-tune", "lost:egt"}


def test_what_is_shown_at_a_place_is_what_the_replay_tells_of_it(log: Path) -> None:
    told = json.loads(command("replay", str(log), "--json"))
    raised = {c["rule"]: round(c["raised_t_s"] * 1000) for c in told["conditions"]}
    assert raised == {"towing-on-stock-tune": RAISED_MS, "lost:egt": LOST_MS}
    with replayed(log) as replay:
        replay.play(do="pause")
        for rule, at_ms in reversed(raised.items()):
            before, at = replay.seek(at_ms - 50), replay.seek(at_ms)
            assert rule not in rules_of(before)
            (alert,) = [a for a in at["alerts"] if a["rule"] == rule]
            assert (alert["since_s"], alert["over"]) == (0, False)


def test_other_rules_can_be_tried_on_the_page(log: Path, tmp_path: Path) -> None:
    rules = tmp_path / "rules.toml"
    rules.write_text(
        '[[rule]]\nname = "spinning"\nkind = "threshold"\nsignal = "rpm"\naction = "note"\nsay = "It runs"\n'
        "above = 500\ndeadband = 10\non_delay_s = 0\noff_delay_s = 1\n",
        encoding="utf-8",
    )
    with replayed(log, "--rules", rules) as replay:
        shown = replay.seek(20_000)
    assert rules_of(shown) == {"spinning"}


def test_acting_is_off_and_the_page_is_for_this_machine_alone(log: Path) -> None:
    with replayed(log) as replay:
        assert replay.url.startswith("http://127.0.0.1:")
        assert replay.post("act", do="quiet")[0] == 409
        assert replay.status()["tunes"] == []


def test_a_csv_is_played_by_a_configuration_with_its_computed_signals(log: Path, tmp_path: Path) -> None:
    config = tmp_path / "config"
    config.mkdir()
    (config / "signals.toml").write_text(
        '[signal.map]\nunit = "kPa"\nrange = [0, 400]\n[signal.baro]\nunit = "kPa"\nrange = [50, 110]\n'
        '[computed.boost]\nunit = "kPa"\nformula = "gauge-pressure"\n'
        'inputs = { absolute = "map", barometric = "baro" }\n',
        encoding="utf-8",
    )
    (config / "rules.toml").write_text(
        '[[rule]]\nname = "boost-high"\nkind = "threshold"\nsignal = "boost"\naction = "ease"\nsay = "Less pedal"\n'
        "above = 150\ndeadband = 10\non_delay_s = 0\noff_delay_s = 1\n",
        encoding="utf-8",
    )
    drive = tmp_path / "drive.csv"
    rows = "".join(f"{s},{150 + s},100\n" for s in range(181))
    drive.write_text(f"t_s,map,baro\ns,kPa,kPa\n{rows}", encoding="utf-8")
    with replayed(drive, "--config", config, "--speed", "100") as replay:
        replay.play(do="pause")
        for s, raised in ((150, True), (90, False), (120, True), (100, False), (101, True)):
            shown = replay.seek(s * 1000)
            values = {v["name"]: v["value"] for v in shown["signals"]}
            assert values["boost"] == 50 + s
            assert ("boost-high" in rules_of(shown)) is raised
        assert replay.status()["notices"] == ["Replay of drive.csv"]


def test_ctrl_c_ends_it(log: Path) -> None:
    with replayed(log) as replay:
        status, took_s = replay.process.end(signal.SIGINT)
    assert status == 0
    assert took_s < 5


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--live", "--json"), "--json and --live exclude each other"),
        (("--speed", "2"), "--speed is for --live"),
        (("--port", "0"), "--port is for --live"),
        (("--live", "--drive", "9"), "there is no drive 9; the log has: 1"),
        (("--live", "--config", "."), "--config is for a CSV"),
        (("--live", "--speed", "500"), "500.0 is not in the range 0.1<=x<=100"),
    ],
)
def test_what_does_not_go_together_is_refused_in_words(log: Path, arguments: tuple[str, ...], words: str) -> None:
    assert words in command("replay", str(log), *arguments, status=2)


def test_a_csv_without_a_configuration_cannot_be_shown(tmp_path: Path) -> None:
    drive = tmp_path / "drive.csv"
    drive.write_text("t_s,egt\ns,degC\n0,700\n1,710\n", encoding="utf-8")
    said = command("replay", str(drive), "--live", status=2)
    assert "the page shows a CSV by a configuration: name it with --config DIR" in said


def test_a_port_that_is_taken_is_told(log: Path) -> None:
    with replayed(log) as replay:
        port = replay.url.rstrip("/").rpartition(":")[2]
        assert f"port = {port}: the page cannot be served there" in command(
            "replay", str(log), "--live", "--port", port, status=2
        )
