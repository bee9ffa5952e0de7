"""What ``uphaul sensors`` reads and ``uphaul calibrate`` writes: on a folder of a converter's files, on the invented
vehicle, and as a page in a real browser.

Set $UPHAUL_PICTURES to a folder to keep the screenshots.
"""

from __future__ import annotations

import asyncio
import json
import os
import signal
import sys
import tomllib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from itertools import cycle
from pathlib import Path
from typing import Any

import aiohttp
import pytest
from click.testing import CliRunner
from playwright.async_api import ViewportSize, async_playwright, expect

from support.bus_vehicle import frames, write_config
from support.can_frames import parse
from support.collected import WITHIN_S
from support.iio_folder import REFUSES, IioFolder
from support.machine import tool
from support.slcan_peer import SlcanPeer
from uphaul.cli import main
from uphaul.clock import Clock
from uphaul.config import load
from uphaul.config.sample import demo_texts
from uphaul.config.spec import Config
from uphaul.sources.watch import InputRow, Watch

AT = "i2c-1/1-0049"

SIGNALS = """
[source.adc]
kind = "adc"
device = { i2c = "0x49" }
rate_hz = 100
full_scale_v = 6.144
folder = "FOLDER"
divider = { voltage3 = 2 }

[sensor.map400]
kind = "ratiometric"
unit = "kPa"
low_share = 0.1
low_value = 0
high_share = 0.9
high_value = 400

[sensor.ntc]
kind = "ntc"
curve = "ntc-2.5k-20c"
fixed_ohm = 1000

[signal.map]
unit = "kPa"
range = [0, 400]
from = { source = "adc", channel = "voltage0", sensor = "map400", supply = "voltage3" }

[signal.coolant]
unit = "degC"
range = [-40, 150]
from = { source = "adc", channel = "voltage1", sensor = "ntc", supply = "voltage3" }
"""
FILES = {
    "in_voltage_scale": "0.1875",  # mV a count: 6.144 V over 32,768 counts
    "in_voltage0_raw": "8000",  # 1.5 V
    "in_voltage1_raw": "13333",  # 2.5 V
    "in_voltage3_raw": "13333",  # 2.5 V behind the divider: 5.0 V
}


class Bench:
    """A converter's files and a configuration that reads them."""

    def __init__(self, root: Path) -> None:
        self.iio = IioFolder(root)
        self.iio.plug(AT, 0, FILES)
        self.folder = root / "config"
        self.folder.mkdir()
        (self.folder / "signals.toml").write_text(SIGNALS.replace("FOLDER", str(self.iio.folder)), encoding="utf-8")
        (self.folder / "rules.toml").write_text("", encoding="utf-8")

    @property
    def config(self) -> Config:
        return load(self.folder)


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo")
    for name, text in demo_texts("climb-heat", 1).items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def once(folder: Path, *more: str) -> str:
    done = CliRunner().invoke(main, ["sensors", "--config", str(folder), "--once", "0.5", *more])
    assert done.exit_code == 0, done.output
    return done.output


@asynccontextmanager
async def watching(config: Config) -> AsyncIterator[Watch]:
    watch = Watch(config, Clock())
    async with asyncio.timeout(WITHIN_S), watch.running():
        yield watch


async def until(watch: Watch, name: str, quality: str) -> InputRow:
    while True:
        row = next(r for r in watch.rows() if r.signal == name)
        if row.quality == quality:
            return row
        await watch.more()


# -------------------------------------------------------------------------------------------------- what is read


def test_counts_volts_supply_ohms_and_value_of_a_converter(bench: Bench) -> None:
    found = json.loads(once(bench.folder, "--json"))
    assert found["invented"] is False
    pressure, coolant = found["inputs"]
    assert (pressure["signal"], pressure["source"], pressure["channel"], pressure["sensor"]) == (
        "map", "adc", "voltage0", "map400",
    )  # fmt: skip
    assert (pressure["counts"], pressure["electrical_unit"], pressure["beside_unit"]) == (8000.0, "V", "V")
    assert pressure["electrical"] == pytest.approx(1.5)
    assert pressure["beside"] == pytest.approx(5.0, abs=1e-3)
    # by hand: 1.5 V of 5 V is 0.3, a quarter of the way from 0.1 to 0.9: 100 kPa
    assert (pressure["value"], pressure["quality"]) == (pytest.approx(100.0, abs=0.05), "good")
    assert (pressure["noise"], pressure["unknown"], pressure["calibrated"]) == (0.0, 0, False)
    assert pressure["readings"] > 5
    assert pressure["rate_hz"] > 0
    assert 0 <= pressure["age_s"] < 5
    assert pressure["ohms"] is None
    # by hand: half the supply, so as many ohms as the fixed resistor
    assert coolant["ohms"] == pytest.approx(1000.0, abs=1.0)
    # the table of `ntc-2.5k-20c`: 1175 ohm at 40 degC, 834 at 50
    assert 40.0 < coolant["value"] < 50.0


def test_the_table_of_a_converter(bench: Bench) -> None:
    bench.iio.set(AT, "in_voltage0_raw", "26000")
    lines = once(bench.folder).splitlines()
    assert lines[0].split() == ["signal", "from", "counts", "raw", "value", "quality", "age", "noise", "rate"]
    assert "26,000  4.875 V, beside 5 V" in lines[1]
    assert "–  short to supply (" in lines[1]
    assert "2.5 V, beside 5 V, 1000 ohm" in lines[2]
    assert "Invented" not in lines[0]


@pytest.mark.asyncio
async def test_a_fault_a_stale_reading_and_a_device_that_goes_and_returns(bench: Bench) -> None:
    async with watching(bench.config) as watch:
        await until(watch, "map", "good")
        bench.iio.set(AT, "in_voltage0_raw", "12")
        row = await until(watch, "map", "open circuit")
        assert (row.counts, row.value) == (12.0, None)
        assert row.unknown >= 1
        bench.iio.set(AT, "in_voltage0_raw", REFUSES)  # that one fails, the other goes on
        assert (await until(watch, "map", "stale")).value is None
        assert next(r for r in watch.rows() if r.signal == "coolant").quality == "good"
        bench.iio.unplug(AT)
        while not (problem := watch.rows()[0].problem):
            await asyncio.wait((asyncio.create_task(watch.more()),), timeout=0.01)
        assert "has gone" in problem
        bench.iio.plug(AT, 4, FILES)
        assert (await until(watch, "map", "good")).problem == ""


def test_a_device_that_was_never_there_is_named(bench: Bench) -> None:
    bench.iio.unplug(AT)
    lines = once(bench.folder).splitlines()
    assert "no reading yet" in lines[1]
    assert lines[3].startswith("source adc: waiting, ADC adc: ")


def test_the_invented_vehicle_is_read_and_marked(demo: Path) -> None:
    lines = once(demo).splitlines()
    assert lines[0] == "Invented demo data: no real vehicle"
    inputs = json.loads(once(demo, "--json"))["inputs"]
    assert [i["signal"] for i in inputs] == [i.signal for i in load(demo).inputs]
    assert {i["quality"] for i in inputs} == {"good"}
    assert all(i["counts"] is None for i in inputs)
    # as the model's own sensors have it: the boost sensor is noisier than the barometer
    noise = {i["signal"]: i["noise"] for i in inputs}
    assert noise["map"] > noise["baro"] > 0


@pytest.mark.asyncio
async def test_it_goes_on_until_it_is_told_to_end(demo: Path) -> None:
    process = await started("sensors", "--config", str(demo), "--json")
    assert process.stdout is not None
    async with asyncio.timeout(WITHIN_S):
        first, second = [json.loads(await process.stdout.readline()) for _ in range(2)]
        process.send_signal(signal.SIGINT)
        assert await process.wait() == 0
    assert second["inputs"][0]["readings"] > first["inputs"][0]["readings"] > 0


async def started(*arguments: str) -> asyncio.subprocess.Process:
    pipe = asyncio.subprocess.PIPE
    return await asyncio.create_subprocess_exec(
        sys.executable, "-m", "uphaul", *arguments, stdin=pipe, stdout=pipe, stderr=pipe
    )


# ------------------------------------------------------------------------------------------------- calibration


class Person:
    """At the terminal of ``uphaul calibrate map``, references at 100 and 300 kPa."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self.process = process

    async def hear(self, words: str) -> str:
        assert self.process.stdout is not None
        heard = b""
        while not heard.endswith(words.encode()):
            more = await self.process.stdout.read(1)
            assert more, f"ended after {heard!r}"
            heard += more
        return heard.decode()

    async def answer(self, text: str = "") -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(f"{text}\n".encode())
        await self.process.stdin.drain()


@asynccontextmanager
async def calibrating(bench: Bench, by: str) -> AsyncIterator[Person]:
    process = await started(
        *("calibrate", "--config", str(bench.folder), "map", "--low", "100", "--high", "300", "--seconds", "1"),
        *("--by", by, "--instrument", "pressure tester (invented)"),
    )
    try:
        async with asyncio.timeout(3 * WITHIN_S):
            yield Person(process)
    finally:
        if process.returncode is None:
            process.kill()
        await process.wait()


def entries(bench: Bench) -> list[dict[str, Any]]:
    text = (bench.folder / "calibration.toml").read_text(encoding="utf-8")
    found: list[dict[str, Any]] = tomllib.loads(text)["calibration"]
    return found


@pytest.mark.asyncio
async def test_two_points_are_read_kept_and_applied_and_history_stays(bench: Bench) -> None:
    maker = (bench.folder / "signals.toml").read_bytes()
    volts = {
        "8320": 106.0,
        "18880": 304.0,
    }  # 1.56 and 3.54 V of 5 V, in kPa as the maker has it (100 kPa/V - 50): by hand
    async with calibrating(bench, "A. Person (invented)") as person:
        for raw in volts:
            await person.hear("press Enter ")
            bench.iio.set(AT, "in_voltage0_raw", raw)
            await person.answer()
        assert "map: value = reading * 1.010" in await person.hear("[Y/n]: ")
        await person.answer("y")
        assert await person.process.wait() == 0
    (entry,) = entries(bench)
    assert [entry["low"]["reading"], entry["high"]["reading"]] == pytest.approx(list(volts.values()), abs=0.2)
    assert (entry["by"], entry["instrument"]) == ("A. Person (invented)", "pressure tester (invented)")
    assert entry["input"] == "adc voltage0 map400"
    assert (bench.folder / "signals.toml").read_bytes() == maker
    async with watching(bench.config) as watch:
        row = await until(watch, "map", "good")
    assert (row.value, row.calibrated) == (pytest.approx(300.0, abs=1e-6), True)

    async with calibrating(bench, "B. Person (invented)") as person:  # again: it reads what the maker's table says
        for raw in ("8000", "18667"):
            await person.hear("press Enter ")
            bench.iio.set(AT, "in_voltage0_raw", raw)
            await person.answer()
        await person.hear("[Y/n]: ")
        await person.answer("y")
        assert await person.process.wait() == 0
    first, second = entries(bench)
    assert first == entry
    assert second["by"] == "B. Person (invented)"
    assert second["low"]["reading"] == pytest.approx(100.0, abs=0.05)
    assert [c.by for c in bench.config.calibrations] == ["B. Person (invented)"]


@pytest.mark.asyncio
async def test_an_unsteady_reading_is_refused_and_can_be_read_again(bench: Bench) -> None:
    async with calibrating(bench, "x") as person:
        await person.hear("press Enter ")
        await person.answer()
        heard = asyncio.create_task(person.hear("again? [Y/n]: "))
        for raw in cycle(("8000", "9000")):
            bench.iio.set(AT, "in_voltage0_raw", raw)
            await asyncio.wait((heard,), timeout=0.01)
            if heard.done():
                break
        bench.iio.set(AT, "in_voltage0_raw", "8000")
        await person.answer("y")
        await person.hear("press Enter ")
        await person.answer()
        assert "At 100 kPa it read 100" in await person.hear("press Enter ")
        bench.iio.set(AT, "in_voltage0_raw", "12")  # the wire breaks
        await person.answer()
        assert person.process.stdin is not None
        person.process.stdin.close()
    assert not (bench.folder / "calibration.toml").exists()


@pytest.mark.asyncio
async def test_a_factor_of_no_whole_sensor_writes_nothing(bench: Bench) -> None:
    async with calibrating(bench, "x") as person:
        for raw in ("8000", "13333"):  # 100 and 200 kPa where the references are 100 and 300
            await person.hear("press Enter ")
            bench.iio.set(AT, "in_voltage0_raw", raw)
            await person.answer()
        _, complaint = await person.process.communicate()
    assert person.process.returncode == 2
    assert b"a factor of 2, which must lie from 0.8 to 1.25" in complaint
    assert not (bench.folder / "calibration.toml").exists()


# ---------------------------------------------------------------------------------------------------- the page


@asynccontextmanager
async def page_of(folder: Path) -> AsyncIterator[tuple[str, asyncio.subprocess.Process]]:
    process = await started("sensors", "--config", str(folder), "--page", "--port", "0")
    assert process.stdout is not None
    try:
        async with asyncio.timeout(6 * WITHIN_S):
            line = (await process.stdout.readline()).decode()
            yield line.split("   ")[0].rpartition(" ")[2], process
            process.send_signal(signal.SIGINT)
            assert await process.wait() == 0
    finally:
        if process.returncode is None:
            process.kill()
        await process.wait()


@pytest.mark.asyncio
async def test_the_page_has_no_outside_resources(bench: Bench) -> None:
    async with page_of(bench.folder) as (url, _), aiohttp.ClientSession() as session:
        for path in ("", "sensors.js", "sensors.css", "style.css", "icon.svg", "inputs.json"):
            async with session.get(url + path) as answer:
                assert answer.status == 200
                assert answer.headers["Content-Security-Policy"].startswith("default-src 'none'; script-src 'self'")
                assert "Server" not in answer.headers
                text = await answer.text()
            assert "https:" not in text
        async with session.post(url + "inputs.json") as answer:
            assert answer.status == 405  # it only shows


@pytest.mark.asyncio
@pytest.mark.parametrize("size", [ViewportSize(width=390, height=844), ViewportSize(width=1440, height=900)])
async def test_the_page_shows_faults_and_says_when_it_is_not_live(bench: Bench, size: ViewportSize) -> None:
    chromium = tool("chromium", "chromium")
    errors: list[str] = []
    async with (
        async_playwright() as playwright,
        await playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-gpu"]) as browser,
        page_of(bench.folder) as (url, process),
    ):
        page = await browser.new_page(viewport=size)
        page.on("pageerror", lambda error: errors.append(str(error)))
        await page.goto(url)
        row = page.locator("#inputs li").first
        await expect(page.locator("#live")).to_have_text("✓ Live", timeout=20_000)
        await expect(row.locator(".quality")).to_have_text("good")
        await expect(row.locator(".value")).to_have_text("100\u00a0kPa")
        await expect(row.locator(".raw")).to_have_text("8000 counts · 1.5\u00a0V · beside 5\u00a0V")
        assert "°C" in await page.locator("#inputs li").last.locator(".value").inner_text()
        bench.iio.set(AT, "in_voltage0_raw", "12")
        await expect(row.locator(".quality")).to_contain_text("✕ open circuit (")
        await expect(row.locator(".value")).to_have_text("–")
        assert await page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        box = await row.bounding_box()
        assert box is not None
        assert box["height"] < 160  # five lines on a phone, two at a desk: nothing is squeezed into a column of letters
        if os.environ.get("UPHAUL_PICTURES"):
            await page.screenshot(path=Path(os.environ["UPHAUL_PICTURES"]) / f"sensors-{size['width']}.png")
        process.send_signal(signal.SIGSTOP)
        await expect(page.locator("#live")).to_contain_text("✕ Not live", timeout=20_000)
        process.send_signal(signal.SIGCONT)
        await expect(page.locator("#live")).to_have_text("✓ Live", timeout=20_000)
    assert errors == []


@pytest.mark.asyncio
async def test_the_page_shows_the_number_of_a_can_field_and_its_frame(tmp_path: Path) -> None:
    chromium = tool("chromium", "chromium")
    with SlcanPeer(link=tmp_path / "adapter") as peer:
        source = f'interface = "slcan"\nchannel = "{peer.path}"\noptions = {{ sleep_after_open = 0 }}'
        folder = write_config(tmp_path / "config", source)
        async with (
            async_playwright() as playwright,
            await playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"]) as browser,
            page_of(folder) as (url, _),
        ):
            await asyncio.to_thread(peer.wait_open)
            peer.send(*map(parse, frames(rpm=1800, egt=650, map_kpa=180)))
            page = await browser.new_page(viewport=ViewportSize(width=390, height=844))
            await page.goto(url)
            egt = page.locator("#inputs li").nth(1)
            # by hand: 650 and 50 in quarters of a degree are 2800 counts
            await expect(egt.locator(".raw")).to_have_text("2800 counts", timeout=20_000)
            await expect(egt.locator(".place")).to_have_text("bus EngineBox.Egt1 · 0x100")
            await expect(page.locator("#inputs li").nth(2).locator(".place")).to_contain_text("0x18FEF600")
            assert await page.evaluate("document.documentElement.scrollWidth <= innerWidth")
            if os.environ.get("UPHAUL_PICTURES"):
                await page.screenshot(path=Path(os.environ["UPHAUL_PICTURES"]) / "sensors-can.png")
