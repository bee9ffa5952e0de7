"""Drives go out as CSV, Parquet and MDF4 and come back to the same counts; other readers see what the log holds."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner, Result

from support.captures import driven, write
from support.config_files import DBC, RULES, SIGNALS, VEHICLE
from support.machine import tool
from uphaul.cli import main
from uphaul.log import LogWriter, claims
from uphaul.log.reader import Log
from uphaul.pipeline import Row, rejudge
from uphaul.signals import Block, EventKind, Quality

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "config"


def uphaul(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


def well(*arguments: object) -> str:
    done = uphaul(*arguments)
    assert done.exit_code == 0, done.output
    return done.output


def wrong(*arguments: object) -> str:
    done = uphaul(*arguments)
    assert done.exit_code == 2, done.output
    return done.output


def whole(log: Path, drive: int) -> Block:
    with Log.open(log) as file:
        (segment,) = file.segments(drive)
        (block,) = file.blocks(segment.id)
    return block


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A log with one drive, imported from a capture that begins without the slower messages."""
    folder = tmp_path_factory.mktemp("drive")
    capture = write(folder / "drive.blf", driven(200.0))
    well("import", capture, "--config", SAMPLE, "--log", folder / "vehicle.db")
    return folder / "vehicle.db"


def a_config(folder: Path, signals: str = SIGNALS) -> Path:
    """A small configuration in a folder."""
    folder.mkdir(exist_ok=True)
    texts = {"signals.toml": signals, "rules.toml": RULES, "vehicle.toml": VEHICLE, "small.dbc": DBC}
    for name, text in texts.items():
        (folder / name).write_text(text)
    return folder


# -- out and back -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["csv", "parquet", "mf4"])
def test_a_drive_comes_back_to_the_same_counts(kind: str, log: Path, tmp_path: Path) -> None:
    file = tmp_path / f"drive.{kind}"
    well("export", log, "--to", file)
    well("import", file, "--config", SAMPLE, "--log", tmp_path / "back.db")
    before, after = whole(log, 1), whole(tmp_path / "back.db", 1)
    assert after.t_ms.tolist() == before.t_ms.tolist()
    assert np.array_equal(after.values, before.values, equal_nan=True)
    assert np.isnan(before.values).any()
    assert after.tune.tolist() == before.tune.tolist()
    assert set(before.tune.tolist()) != {-1}


def test_parquet_keeps_why_values_are_unknown_and_what_people_did(log: Path, tmp_path: Path) -> None:
    well("export", log, "--to", tmp_path / "drive.parquet")
    well("import", tmp_path / "drive.parquet", "--config", SAMPLE, "--log", tmp_path / "back.db")
    before, after = whole(log, 1), whole(tmp_path / "back.db", 1)
    assert after.quality == before.quality
    assert [e.text for e in after.events][1:] == [e.text for e in before.events]


@pytest.mark.parametrize("kind", ["parquet", "mf4"])
def test_the_time_of_day_comes_along(kind: str, log: Path, tmp_path: Path) -> None:
    well("export", log, "--to", tmp_path / f"drive.{kind}")
    well("import", tmp_path / f"drive.{kind}", "--config", SAMPLE, "--log", tmp_path / "back.db")
    with Log.open(log) as a, Log.open(tmp_path / "back.db") as b:
        assert b.drives()[0].begun == a.drives()[0].begun == "2025-10-09T08:53:20.000Z"
        assert [(x.t_ms, x.utc, x.source) for x in b.anchors(1)] == [(0, "2025-10-09T08:53:20.000Z", "import")]


def test_only_the_named_signals_go_out_and_in_their_order(log: Path, tmp_path: Path) -> None:
    well("export", log, "--to", tmp_path / "some.csv", "--signals", "egt, rpm")
    head = (tmp_path / "some.csv").read_text().splitlines()[:2]
    assert head == ["t_s,tune,egt,rpm", "s,,degC,rpm"]


def test_what_cannot_be_exported_is_told(log: Path, tmp_path: Path) -> None:
    there = tmp_path / "there.csv"
    there.write_text("mine")
    assert "already" in wrong("export", log, "--to", there)
    assert there.read_text() == "mine"
    assert ".csv, .parquet, .mf4" in wrong("export", log, "--to", tmp_path / "drive.xlsx")
    assert "did you mean 'egt'" in wrong("export", log, "--to", tmp_path / "a.csv", "--signals", "egtt")
    assert "there is no drive 7" in wrong("export", log, "--to", tmp_path / "a.csv", "--drive", 7)
    assert list(tmp_path.iterdir()) == [there]
    well("export", log, "--to", there, "--force")
    assert there.read_text() != "mine"


# -- other readers ------------------------------------------------------------------------------------------------


def test_parquet_reads_the_same_by_another_library(log: Path, tmp_path: Path) -> None:
    well("export", log, "--to", tmp_path / "drive.parquet")
    block = whole(log, 1)
    names = ", ".join(f'"{s.name}"' for s in block.signals)
    with duckdb.connect() as db:
        rows = db.execute(f"SELECT t_ms, {names} FROM '{tmp_path / 'drive.parquet'}' ORDER BY t_ms").fetchnumpy()
        tunes = db.execute(f"SELECT DISTINCT tune FROM '{tmp_path / 'drive.parquet'}'").fetchall()
        ((told,),) = db.execute(
            f"SELECT decode(value) FROM parquet_kv_metadata('{tmp_path / 'drive.parquet'}') WHERE key = 'uphaul'"
        ).fetchall()
    assert np.array_equal(rows["t_ms"], block.t_ms)
    for i, signal in enumerate(block.signals):
        column = np.ma.filled(np.ma.asarray(rows[signal.name]).astype(float), np.nan)
        assert np.array_equal(column, block.values[:, i], equal_nan=True), signal.name
    assert {t for (t,) in tunes} >= {"tow"}
    assert json.loads(told)["drive"] == 1


_MDFREADER = """
import json, sys, warnings
warnings.simplefilter("ignore")
import mdfreader, numpy as np
file = mdfreader.Mdf(sys.argv[1])
found = {}
for name in sys.argv[2:]:
    values = np.ma.filled(np.ma.asarray(file.get_channel_data(name), dtype=float), np.nan)
    found[name] = [file.get_channel_unit(name), values.tolist(), file.get_channel_desc(name)]
master = file.get_channel_master(sys.argv[2])
print(json.dumps([found, np.asarray(file.get_channel_data(master)).tolist()]))
"""
"""In a process of its own: mdfreader is under the GPL."""


def test_mdf_reads_the_same_by_another_library(log: Path, tmp_path: Path) -> None:
    well("export", log, "--to", tmp_path / "drive.mf4")
    block = whole(log, 1)
    names = [s.name for s in block.signals]
    done = subprocess.run(
        [sys.executable, "-c", _MDFREADER, str(tmp_path / "drive.mf4"), *names],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    found, t_s = json.loads(done.stdout.splitlines()[-1])
    assert np.rint(np.array(t_s) * 1000).tolist() == block.t_ms.tolist()
    for i, signal in enumerate(block.signals):
        unit, values, meaning = found[signal.name]
        assert (unit or "", meaning or "") == (signal.unit, signal.meaning)
        assert np.array_equal(np.array(values, dtype=float), block.values[:, i], equal_nan=True), signal.name


def test_the_log_reads_the_same_in_the_sqlite_shell(log: Path) -> None:
    shell = tool("sqlite3", "sqlite3")
    block = whole(log, 1)
    out = subprocess.run(
        [shell, "-json", "-readonly", str(log), "SELECT t_s, tune, egt, boost FROM drive_1"],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    ).stdout
    rows = json.loads(out)
    column = {s.name: i for i, s in enumerate(block.signals)}
    assert [round(r["t_s"] * 1000) for r in rows] == block.t_ms.tolist()
    for name in ("egt", "boost"):
        values = [np.nan if r[name] is None else r[name] for r in rows]
        assert np.array_equal(values, block.values[:, column[name]], equal_nan=True)


# -- an imported drive --------------------------------------------------------------------------------------------


def test_an_imported_drive_says_so_and_replays_as_it_was_judged(log: Path) -> None:
    from uphaul.config import load

    config = load(SAMPLE)
    with Log.open(log) as file:
        (drive,) = file.drives()
        (segment,) = file.segments(1)
        logged = file.conditions(1)
        row = Row(segment.signals, config.rules, segment.tunes, gap_ms=segment.gap_ms, grid_ms=1000 // segment.tick_hz)
        again = rejudge(row, file.blocks(segment.id)).conditions
        first = file.events(1)[0]
    assert (drive.boot_id, drive.end_reason, drive.ended) == ("import", "imported", True)
    assert first.kind is EventKind.REMARK
    assert first.text.startswith("imported on 20")
    assert "from drive.blf (" in first.text
    assert "SHA-256 " in first.text
    assert logged
    assert [(c.t_ms, c.rule, c.active) for c in logged] == [
        (c.t_ms, config.rules[c.rule].name, c.active) for c in again
    ]


def test_counts_are_whole_numbers_in_the_file(log: Path) -> None:
    with sqlite3.connect(f"file:{log}?mode=ro", uri=True) as db:
        kinds = db.execute(
            "SELECT DISTINCT typeof(t_ms), typeof(tune), typeof(rpm), typeof(egt) FROM ticks_1"
        ).fetchall()
    db.close()
    assert set(kinds) <= {("integer", "integer", a, b) for a in ("integer", "null") for b in ("integer", "null")}


def test_a_failed_import_leaves_the_log_as_it_was(log: Path, tmp_path: Path) -> None:
    copy = tmp_path / "vehicle.db"
    copy.write_bytes(log.read_bytes())
    capture = tmp_path / "bad.csv"
    frames = list(driven(20.0))
    for f in frames[2000:]:
        f.timestamp -= 500.0
    write(capture, frames)
    assert "goes back" in wrong("import", capture, "--config", SAMPLE, "--log", copy)
    with Log.open(copy) as file:
        assert [d.id for d in file.drives()] == [1]
    assert "goes back" in wrong("import", capture, "--config", SAMPLE, "--log", tmp_path / "new.db")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["bad.csv", "vehicle.db"]


def test_nothing_is_imported_beside_a_daemon_and_its_open_drive_stays_open(tmp_path: Path) -> None:
    from support.config_files import config_of

    path, config = tmp_path / "vehicle.db", a_config(tmp_path / "config")
    (tmp_path / "d.csv").write_text("t_s,egt\ns,degC\n0,500\n0.05,501\n")
    writer = LogWriter(path)
    try:
        writer.begin_drive(config_of(), boot_id="b", began_boot_ms=0)
        assert "recording to this log" in wrong("import", tmp_path / "d.csv", "--config", config, "--log", path)
    finally:
        assert writer.close(10)
    well("import", tmp_path / "d.csv", "--config", config, "--log", path)
    with Log.open(path) as file:
        assert [(d.id, d.ended) for d in file.drives()] == [(1, False), (2, True)]
    assert not claims.lock_path(path).exists()


def test_a_foreign_or_damaged_file_is_no_log_to_import_into(tmp_path: Path) -> None:
    config = a_config(tmp_path / "config")
    (tmp_path / "d.csv").write_text("t_s,egt\ns,degC\n0,500\n")
    for name, content in (("empty.db", b""), ("text.db", b"no database at all" * 100)):
        (tmp_path / name).write_bytes(content)
        wrong("import", tmp_path / "d.csv", "--config", config, "--log", tmp_path / name)
        assert (tmp_path / name).read_bytes() == content
    other = sqlite3.connect(tmp_path / "other.db")
    other.execute("CREATE TABLE t (x)")
    other.close()
    assert "another program" in wrong("import", tmp_path / "d.csv", "--config", config, "--log", tmp_path / "other.db")


# -- tables from elsewhere ----------------------------------------------------------------------------------------


def imported(tmp_path: Path, file: Path, *options: object) -> tuple[Block, str]:
    path = tmp_path / "out.db"
    said = well("import", file, "--config", a_config(tmp_path / "config"), "--log", path, *options)
    return whole(path, 1), said


def refused(tmp_path: Path, file: Path, *options: object) -> str:
    return wrong("import", file, "--config", a_config(tmp_path / "config"), "--log", tmp_path / "out.db", *options)


def column(block: Block, name: str) -> list[float | None]:
    i = [s.name for s in block.signals].index(name)
    return [None if np.isnan(v) else v for v in block.values[:, i].tolist()]


def test_a_csv_in_other_units_is_converted_and_computed_signals_are_computed(tmp_path: Path) -> None:
    file = tmp_path / "d.csv"
    file.write_text("t_s,egt,map,baro,oddity\ns,degF,psi,hPa,V\n0,932,29.0,1000,1\n0.05,1000,,1000,1\n")
    block, said = imported(tmp_path, file)
    assert column(block, "egt") == [500.0, 537.75]
    assert column(block, "map") == [199.9, None]  # 29 psi: NIST SP 811, 6.894757 kPa each
    assert column(block, "boost") == [99.9, None]
    assert "not taken, as the configuration has no such signal: oddity" in said
    assert "not in the file, so unknown throughout: rpm" in said


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("t_s,egt\ns,kPa\n0,500\n", "'kPa' cannot be converted to 'degC'"),
        ("t_s,egt\ns,furlongs\n0,500\n", "no unit 'furlongs'"),
        ("t_s,egt\n0,500\n0.05,500\n", "line 2"),
        ("t_s,egt\ns,degC\n0,500\n0,501\n", "does not come after"),
        ("t_s,Egt\ns,degC\n0,500\n", "did you mean egt?"),
        ("time;egt\ns;degC\n0;500\n", "semicolons"),
    ],
)
def test_a_csv_that_cannot_be_told_for_sure_is_an_error(text: str, told: str, tmp_path: Path) -> None:
    (tmp_path / "d.csv").write_text(text)
    assert told in refused(tmp_path, tmp_path / "d.csv")
    assert not (tmp_path / "out.db").exists()


def test_times_off_the_grid_are_kept_and_values_out_of_range_are_told(tmp_path: Path) -> None:
    file = tmp_path / "d.csv"
    file.write_text("t_s,tune,egt\ns,,degC\n-1,tow,500\n-0.967,tow,5000\n-0.9,race,501\n")
    block, said = imported(tmp_path, file)
    assert block.t_ms.tolist() == [0, 33, 100]
    assert column(block, "egt") == [500.0, None, 501.0]
    assert block.tune.tolist() == [1, 1, -1]
    assert [c.quality for c in block.quality if block.signals[c.signal].name == "egt"] == [
        Quality.ABOVE_RANGE,
        Quality.GOOD,
    ]
    for words in ("time begins at -1 s", "as unknown: egt (1)", "configuration lacks, taken as unknown: race"):
        assert words in said


def test_the_tune_can_be_named(tmp_path: Path) -> None:
    file = tmp_path / "d.csv"
    file.write_text("t_s,egt\ns,degC\n0,500\n0.05,501\n")
    block, said = imported(tmp_path, file, "--tune", "tow")
    assert block.tune.tolist() == [1, 1]
    assert "strictest limits" not in said
    (tmp_path / "out.db").unlink()
    block, said = imported(tmp_path, file)
    assert block.tune.tolist() == [-1, -1]
    assert "nothing tells the tune, so the strictest limits apply; name it with --tune: stock, tow" in said
    assert "stock, tow" in refused(tmp_path, file, "--tune", "race")
    assert "is for CAN captures" in refused(tmp_path, file, "--channel", "0")


def a_parquet(path: Path, times: Any = (0.0, 0.05), *, unit: str | None = "degC", values: Any = (500.0, None)) -> Path:
    fields = [
        pa.field("t_s", pa.float64()),
        pa.field("egt", pa.array(values).type, metadata={"unit": unit} if unit else None),
    ]
    pq.write_table(pa.table([pa.array(times, pa.float64()), pa.array(values)], schema=pa.schema(fields)), path)
    return path


def test_a_parquet_from_elsewhere_is_converted_by_its_units(tmp_path: Path) -> None:
    block, _ = imported(tmp_path, a_parquet(tmp_path / "d.parquet", unit="degF", values=(932, None)))
    assert column(block, "egt") == [500.0, None]


@pytest.mark.parametrize(
    ("make", "told"),
    [
        (lambda p: a_parquet(p, unit=None), "column 'egt' names no unit"),
        (lambda p: a_parquet(p, unit="furlongs"), "no unit 'furlongs' is known"),
        (lambda p: a_parquet(p, unit="kPa"), "'kPa', which cannot be converted to 'degC'"),
        (lambda p: a_parquet(p, values=("hot", "hot")), "holds no numbers"),
        (lambda p: a_parquet(p, times=(0.05, 0.0)), "row 2: 0 s does not come after 0.05 s"),
        (lambda p: a_parquet(p, times=(), values=()), "the drive is empty"),
        (lambda p: a_parquet(p, times=(0.05, None)), "every row needs a time"),
        (lambda p: pq.write_table(pa.table({"egt": [1.0]}), p), "no column of time"),
        (lambda p: p.write_bytes(b"PAR1 rubbish"), "no Parquet file that can be read"),
    ],
)
def test_a_parquet_that_cannot_be_told_for_sure_is_an_error(
    make: Callable[[Path], object], told: str, tmp_path: Path
) -> None:
    path = tmp_path / "d.parquet"
    make(path)
    assert told in refused(tmp_path, path)


def an_mdf(path: Path, *groups: list[tuple[str, str, list[float], list[Any]]]) -> Path:
    """Each group's channels as (name, unit, times in s, samples)."""
    from asammdf import MDF, Signal

    with MDF(version="4.10") as mdf:
        for group in groups:
            mdf.append([Signal(np.array(s), np.array(t), name=n, unit=u, encoding="utf-8") for n, u, t, s in group])
        mdf.save(path)
    return path


def test_channels_with_times_of_their_own_are_collected_on_the_grid(tmp_path: Path) -> None:
    slow = [("map", "bar", [0.0, 0.1], [2.0, 2.1])]
    quick = [("egt", "degC", [0.0, 0.02, 0.04, 0.06, 0.1], [500.0, 501.0, 502.0, 503.0, 504.0])]
    block, said = imported(tmp_path, an_mdf(tmp_path / "d.mf4", slow, quick))
    assert block.t_ms.tolist() == [0, 50, 100]
    assert column(block, "egt") == [500.0, 502.0, 504.0]
    assert column(block, "map") == [200.0, 200.0, 210.0]
    assert "times of their own" in said


@pytest.mark.parametrize(
    ("groups", "told"),
    [
        ([[("egt", "", [0.0], [500.0])]], "cannot be converted"),
        ([[("egt", "furlongs", [0.0], [500.0])]], "no unit 'furlongs' is known"),
        ([[("egt", "degC", [0.0], [500.0])], [("egt", "degC", [0.0], [400.0])]], "is there 2 times"),
        ([[("egt", "degC", [0.0], [b"hot"])]], "holds no numbers"),
        ([[("egtt", "degC", [0.0], [1.0])]], "did you mean egt?"),
        ([[("egt", "degC", [0.0, 0.0001], [1.0, 2.0])]], "fall on one millisecond"),
    ],
)
def test_an_mdf_that_cannot_be_told_for_sure_is_an_error(groups: Any, told: str, tmp_path: Path) -> None:
    assert told in refused(tmp_path, an_mdf(tmp_path / "d.mf4", *groups))


def test_a_log_is_not_imported_into_a_log(log: Path, tmp_path: Path) -> None:
    assert "is a log already" in refused(tmp_path, log)


def test_a_capture_in_mdf_is_decoded_like_any_other(tmp_path: Path) -> None:
    script = (
        "import sys; from pathlib import Path; sys.path.insert(0, sys.argv[1]); "
        "from support.captures import driven, write; write(Path(sys.argv[2]), driven(4.0))"
    )
    path = tmp_path / "drive.mf4"  # written by a process that loads python-can with asammdf
    subprocess.run(
        [sys.executable, "-c", "import can\n" + script, str(ROOT / "tests"), str(path)], check=True, timeout=120
    )
    plain = write(tmp_path / "drive.blf", driven(4.0))
    for file in (path, plain):
        well("import", file, "--config", SAMPLE, "--log", tmp_path / "out.db")
    a, b = whole(tmp_path / "out.db", 1), whole(tmp_path / "out.db", 2)
    assert a.t_ms.tolist() == b.t_ms.tolist()
    assert np.array_equal(a.values, b.values, equal_nan=True)
