"""The live page in a real browser: what it tells and asks for, and that a frozen page never looks alive.

Set $UPHAUL_PICTURES to a folder to keep the screenshots.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from playwright.async_api import Page, Route, ViewportSize, expect

from support.live_page import DASH, DESK, NARROW, PHONE, VEILED, Vehicle, live, page_of, picture
from support.status_page import busy, calm, cool, many
from uphaul.alerts import State
from uphaul.analysis.field_check import NewsKind
from uphaul.rules import Action
from uphaul.signals import Quality
from uphaul.status import LogView, Played, Prompt, SignalView, Sound, SourceView, Status


async def inside(page: Page, selector: str) -> bool:
    """True when the first element of that selector lies wholly on the screen, above the buttons, without scrolling."""
    box = await page.locator(selector).first.bounding_box()
    bar = await page.locator("#bar").bounding_box()
    size = page.viewport_size
    assert box is not None
    assert bar is not None
    assert size is not None
    return box["y"] >= 0 and box["y"] + box["height"] <= bar["y"] and box["x"] + box["width"] <= size["width"]


def with_state(status: Status, state: State) -> Status:
    return replace(status, alerts=tuple(replace(a, state=state) for a in status.alerts))


# ---------------------------------------------------------------------------------------------------------------- room


@pytest.mark.asyncio
async def test_the_room_left_of_the_nearest_signal_is_what_is_large() -> None:
    async with page_of(Vehicle(calm())) as page:
        await live(page)
        await picture(page, "calm-phone")
        for part, words in {
            "name": "EGT",
            "near": "room to spare",
            "left": "242",
            "unit": "°C",
            "after": "left",
            "until": "until ease off at 720\u00a0°C",
            "now": "now 478\u00a0°C · → steady",
            "worst": "least of this drive: 118\u00a0°C left at 0:00:02",
        }.items():
            await expect(page.locator(f"#room-{part}")).to_have_text(words)
        large = await page.locator("#room-left").evaluate("n => parseFloat(getComputedStyle(n).fontSize)")
        assert large >= 56
        assert await inside(page, "#room")
        await expect(page.locator("#calm")).to_be_visible()


@pytest.mark.asyncio
async def test_room_below_towards_a_limit_comes_with_how_long_it_lasts() -> None:
    vehicle = Vehicle(busy())
    shown = [s for s in busy().signals if s.name in ("coolant", "oil_pressure")]
    vehicle.status = replace(busy(), alerts=(), signals=tuple(shown))
    async with page_of(vehicle) as page:
        await live(page)
        await expect(page.locator("#room-left")).to_have_text("2")  # of figures that agree: 102 of 104
        await expect(page.locator("#room-now")).to_have_text("now 102\u00a0°C · ↗ rising 1.2\u00a0°C/min")
        await expect(page.locator("#room-lasts")).to_have_text("lasts about 2\u00a0min at this rate")
        row = page.locator("#rooms li", has_text="Oil pressure")
        await expect(row.locator(".left")).to_have_text("133\u00a0kPa left")
        await expect(row.locator(".value")).to_have_text("312\u00a0kPa ↘")


@pytest.mark.asyncio
async def test_past_its_limit_never_reads_as_good() -> None:
    past = replace(calm(), signals=(cool("egt", 731.0, -0.05, -11.0), *calm().signals[1:]))
    async with page_of(Vehicle(past)) as page:
        await live(page)
        await expect(page.locator("#room-near")).to_have_text("past its limit")
        await expect(page.locator("#room .big")).to_have_text("11°C past its limit")
        await expect(page.locator("#room-until")).to_have_text("its limit is 720\u00a0°C: ease off")
        await page.locator("#all summary").click()
        await expect(page.locator("#signals .quality").first).to_contain_text("▲ past its limit")
        await expect(page.locator("#signals .quality").first).not_to_contain_text("good")


@pytest.mark.asyncio
async def test_a_signal_whose_alert_stands_says_that_the_room_is_to_the_next_limit() -> None:
    async with page_of(Vehicle(busy())) as page:
        await live(page)
        await expect(page.locator("#room-near")).to_have_text("past its limit")
        await expect(page.locator("#room-until")).to_have_text("until the next limit, 750\u00a0°C: ease off")
        await expect(page.locator("#rooms .left").first).to_have_text("past its limit")


@pytest.mark.asyncio
async def test_the_large_one_changes_only_for_one_that_is_clearly_nearer_for_two_seconds() -> None:
    async with page_of(Vehicle(calm())) as page:
        await live(page)
        tops = await page.evaluate("""async () => {
            const { Nearest } = await import("/nearest.js");
            const nearest = new Nearest();
            const room = (share, action = "ease") => ({ share, action });
            const at = (ms, a, b, c) => nearest.choose(
                [["a", room(a)], ["b", room(b)], ["c", room(c, "note")]]
                    .map(([name, room]) => ({ name, value: 1, room })), ms,
            ).top.name;
            return [
                at(0, 0.5, 0.6, 0.1), // one that only asks for a look is not the first, however near
                at(100, 0.5, 0.46, 0.1), at(9000, 0.5, 0.46, 0.1), // nearer, not clearly
                at(10000, 0.5, 0.4, 0.1), at(11900, 0.5, 0.4, 0.1), // clearly, not for long
                at(11950, 0.5, 0.5, 0.1), at(12100, 0.5, 0.4, 0.1), at(14000, 0.5, 0.4, 0.1), // it begins anew
                at(14100, 0.5, 0.4, 0.1),
            ];
        }""")
        assert tops == ["a"] * 8 + ["b"]


@pytest.mark.asyncio
async def test_rows_stay_where_they_are_whatever_becomes_of_their_values() -> None:
    vehicle = Vehicle(busy())
    async with page_of(vehicle) as page:
        await live(page)
        names = page.locator("#rooms .name")
        before = await names.all_text_contents()
        assert before == ["EGT", "Coolant", "Oil pressure", "Supply", "Pressure ratio", "Air fuel ratio"]
        gone = replace(busy().signals[1], value=None, quality=Quality.STALE)
        free = replace(busy().signals[5], room=None)
        vehicle.tell(
            replace(busy(), signals=(busy().signals[0], gone, *busy().signals[2:5], free, *busy().signals[6:]))
        )
        await expect(page.locator("#rooms li", has_text="Coolant").locator(".left")).to_have_text("✕ stale")
        await expect(page.locator("#rooms li", has_text="Oil pressure").locator(".left")).to_have_text("no limit now")
        assert await names.all_text_contents() == before


@pytest.mark.asyncio
async def test_all_readings_show_value_unit_quality_and_limit() -> None:
    async with page_of(Vehicle(replace(busy(), alerts=()))) as page:
        await live(page)
        await page.locator("#all summary").click()
        rows = page.locator("#signals li")
        await expect(rows).to_have_count(len(busy().signals))
        await expect(rows.nth(0).locator(".value")).to_have_text("731\u00a0°C")
        await expect(rows.nth(0).locator(".quality")).to_have_text("good · limit 680 · ↗ rising 21\u00a0°C/min")
        lost = page.locator("#signals li", has_text="Oil temperature")
        await expect(lost.locator(".value")).to_have_text("–")
        await expect(lost.locator(".quality")).to_have_text("✕ open circuit · limit 120")


@pytest.mark.asyncio
async def test_a_reading_past_one_limit_is_not_shown_beside_the_next_as_if_that_were_it() -> None:
    egt = replace(busy().signals[0], high=750.0)  # 731 is past the alert's 680
    async with page_of(Vehicle(replace(busy(), signals=(egt, *busy().signals[1:])))) as page:
        await live(page)
        await page.locator("#all summary").click()
        await expect(page.locator("#signals .quality").first).to_contain_text("▲ past its limit · next limit 750 ·")


# -------------------------------------------------------------------------------------------------------------- alerts


@pytest.mark.asyncio
@pytest.mark.parametrize(("name", "size"), [("narrow", NARROW), ("phone", PHONE), ("dash", DASH), ("desk", DESK)])
async def test_an_alert_takes_the_upper_half_with_the_act_first(name: str, size: ViewportSize) -> None:
    async with page_of(Vehicle(busy(stop=True)), size) as page:
        await live(page)
        await picture(page, f"stop-{name}")
        await expect(page.locator("#act")).to_have_text("Stop, engine off")
        await expect(page.locator("#alert .shape")).to_have_text("■")
        await expect(page.locator("#alert .reason")).to_have_text(
            "Oil pressure 38\u00a0kPa · at least 179\u00a0kPa · for 3\u00a0s"
        )
        await expect(page.locator("#alert .say")).to_have_text(
            "Oil pressure lost: stop when safe, engine off. Keeps coming back: do not drive on"
        )
        assert await inside(page, "#alert .line")
        assert await inside(page, "#alert .reason")
        box = await page.locator("#alert").bounding_box()
        assert box is not None
        assert box["height"] >= 0.45 * size["height"]
        await expect(page.locator("#more")).to_have_text("and 3 more")


@pytest.mark.asyncio
async def test_the_reason_of_every_kind_of_rule_reads_as_a_person_would_say_it() -> None:
    ease, seen = busy().alerts[:2]
    kinds = (
        replace(ease, measure="slope of coolant", signal="coolant", value=0.0903, limit=0.033, unit="degC/s"),
        replace(ease, measure="time egt was past its limit", value=612.0, limit=600.0, unit="s"),
        replace(ease, measure="boost off the expected curve", signal="boost", value=41.0, limit=35.0, unit="kPa"),
        replace(
            ease, measure="time left for coolant", signal="coolant", value=190.0, limit=240.0, unit="s", side="below"
        ),
        replace(ease, measure="ratio", signal="ratio", value=0.5, now=0.615, limit=0.67, unit="1", side="below"),
        replace(seen, cause="open circuit", value=None, limit=None),
    )
    said = (
        "Coolant rising 5.4\u00a0°C/min · limit 2\u00a0°C/min",
        "Time EGT was past its limit: 10\u00a0min 12\u00a0s · limit 10\u00a0min",
        "Boost 41\u00a0kPa over the expected curve · limit 35\u00a0kPa",
        "Time left for coolant: 3\u00a0min 10\u00a0s · at least 4\u00a0min",
        "Ratio 0.615 · at least 0.67",
        "Coolant unknown: open circuit",
    )
    vehicle = Vehicle(busy())
    async with page_of(vehicle) as page:
        await live(page)
        for alert, words in zip(kinds, said, strict=True):
            vehicle.tell(replace(busy(), alerts=(replace(alert, since_s=42.0),)))
            await expect(page.locator("#alert .reason")).to_have_text(f"{words} · for 42\u00a0s")


@pytest.mark.asyncio
async def test_a_slope_is_told_per_minute_wherever_it_is_told() -> None:
    slope = replace(
        busy().alerts[0], measure="slope of coolant", signal="coolant", value=0.0903, limit=0.033, unit="degC/s"
    )
    async with page_of(Vehicle(replace(busy(), alerts=(slope,)))) as page:
        await live(page)
        await page.locator("#why-button").click()
        await expect(page.locator("#why-raised")).to_have_text("Raised at 5.4\u00a0°C/min")


@pytest.mark.asyncio
@pytest.mark.parametrize(("units", "words"), [("metric", "5.0\u00a0°C/min"), ("us", "9.0\u00a0°F/min")])
async def test_a_reading_of_a_slope_is_in_the_unit_of_an_alert_about_it(units: str, words: str) -> None:
    rate = SignalView("coolant_rate", "K/min", 5.0, per_unit=100)
    async with page_of(Vehicle(replace(calm(), signals=(rate,))), units=units) as page:
        await live(page)
        await page.locator("#all summary").click()
        await expect(page.locator("#signals .value")).to_have_text(words)


@pytest.mark.asyncio
async def test_a_reading_that_is_back_within_its_limit_says_so_before_its_alert_is_over() -> None:
    back = replace(busy().alerts[0], now=655.0)
    egt = replace(busy().signals[0], value=655.0)
    async with page_of(Vehicle(replace(busy(), alerts=(back,), signals=(egt,)))) as page:
        await live(page)
        await expect(page.locator("#alert .reason")).to_have_text(
            "EGT 655\u00a0°C · back within 680\u00a0°C · for 42\u00a0s"
        )
        await expect(page.locator("#room-near")).not_to_have_text("past its limit")


@pytest.mark.asyncio
async def test_minutes_left_are_told_where_they_are_known() -> None:
    ease, seen = busy().alerts[:2]
    async with page_of(Vehicle(replace(busy(), alerts=(seen, ease)))) as page:
        await live(page)
        await expect(page.locator("#alert .left")).to_have_text(
            "About 2\u00a0min at this rate to the next limit, 104\u00a0°C"
        )


@pytest.mark.asyncio
async def test_further_alerts_are_a_count_that_unfolds() -> None:
    vehicle = Vehicle(many(6, 4))
    async with page_of(vehicle) as page:
        await live(page)
        await expect(page.locator("#others")).to_be_hidden()
        await expect(page.locator("#past li")).to_have_count(2)
        await page.locator("#more").click()
        await expect(page.locator("#others li")).to_have_count(5)
        vehicle.tell(many(7, 4))  # it stays unfolded as things change
        await expect(page.locator("#others li")).to_have_count(6)
        await page.locator("#more-past").click()
        await expect(page.locator("#past li")).to_have_count(4)
        await page.locator("#more").click()
        await expect(page.locator("#more")).to_have_text("and 6 more")


@pytest.mark.asyncio
async def test_what_is_over_no_longer_tells_the_driver_to_act() -> None:
    async with page_of(Vehicle(with_state(busy(), State.RETURNED_UNACKNOWLEDGED))) as page:
        await live(page)
        await picture(page, "over-phone")
        await expect(page.locator("#alert")).to_be_hidden()
        await expect(page.locator("#past .act").first).to_have_text("✓ Back to normal")
        await expect(page.locator("#past .say").first).to_have_text("It was: Exhaust too hot: ease off, change down")
        await expect(page.locator("#more-past")).to_have_text("✓ 1 more back to normal")
        await expect(page.locator("#spoken")).to_have_text("")
        await expect(page.locator("#quiet")).to_be_visible()  # it has not been seen


@pytest.mark.asyncio
async def test_a_recovery_is_told_once_and_goes_by_itself() -> None:
    vehicle = Vehicle(with_state(busy(), State.ACKNOWLEDGED))
    async with page_of(vehicle) as page:
        await page.clock.install()
        await page.reload()
        await page.clock.run_for(1000)
        await live(page)
        first = busy().alerts[0]
        vehicle.tell(replace(vehicle.status, alerts=tuple(vehicle.status.alerts[1:]), recovered=(first,)))
        await expect(page.locator("#past .recovery .act")).to_have_text("✓ Back to normal")
        await expect(page.locator("#past .recovery .say")).to_have_text(
            "It was: Exhaust too hot: ease off, change down"
        )
        await page.clock.run_for(9000)
        vehicle.tell(replace(vehicle.status, t_ms=2_000_000))
        await expect(page.locator("#past li")).to_have_count(0)


@pytest.mark.asyncio
async def test_a_recovery_from_before_the_page_was_there_is_not_news() -> None:
    async with page_of(Vehicle(replace(calm(), recovered=busy().alerts[:1]))) as page:
        await live(page)
        await expect(page.locator("#past li")).to_have_count(0)


@pytest.mark.asyncio
async def test_what_is_held_from_an_earlier_drive_says_so_and_can_be_reset() -> None:
    held = replace(busy().alerts[0], state=State.LATCHED_UNACKNOWLEDGED, value=None, limit=None, since_s=None, now=None)
    vehicle = Vehicle(replace(busy(), alerts=(held,)))
    async with page_of(vehicle) as page:
        await live(page)
        await expect(page.locator("#past .reason")).to_have_text("From an earlier drive")
        await expect(page.locator("#past .act")).to_have_text("✓ Back to normal, held until reset")
        await page.locator("#past .reset").click()
        await expect(page.locator("#bar-words")).to_be_hidden()
        assert vehicle.asked == [{"do": "reset", "rule": "egt-high"}]


@pytest.mark.asyncio
async def test_a_required_signal_that_is_not_known_is_told_at_the_top_with_its_cause() -> None:
    lost = replace(calm().signals[0], value=None, quality=Quality.OPEN_CIRCUIT, room=None)
    async with page_of(Vehicle(replace(calm(), signals=(lost, *calm().signals[1:])))) as page:
        await live(page)
        await expect(page.locator("#unknown li")).to_have_text("✕ EGT is not known: open circuit")
        assert await inside(page, "#unknown li")
        await picture(page, "unknown-phone")


# -------------------------------------------------------------------------------------------------------------- acting


@pytest.mark.asyncio
async def test_one_tap_quiets_all_and_an_alert_that_returns_is_told_again() -> None:
    vehicle = Vehicle(busy())
    async with page_of(vehicle) as page:
        await live(page)
        mark = await page.locator("#mark").bounding_box()
        await page.locator("#quiet").click()
        await expect(page.locator("#bar-words")).to_have_text("✓ Quieted")
        assert await page.locator("#mark").bounding_box() == mark  # no button moves from under a finger
        vehicle.tell(with_state(busy(), State.ACKNOWLEDGED))
        await expect(page.locator("#quiet")).to_be_hidden()
        await expect(page.locator("#alert .words")).to_have_text("✓ seen")
        await expect(page.locator("#act")).to_have_text("Ease off now")  # it holds still, so it stands there still
        vehicle.tell(calm())
        await expect(page.locator("#alert")).to_be_hidden()
        vehicle.tell(busy())
        await expect(page.locator("#spoken")).to_have_text("Ease off now. Exhaust too hot: ease off, change down")
        await expect(page.locator("#quiet")).to_be_visible()
        assert vehicle.asked == [{"do": "quiet"}]


@pytest.mark.asyncio
async def test_a_mark_is_confirmed_with_its_time_and_takes_a_note() -> None:
    vehicle = Vehicle(busy())
    async with page_of(vehicle) as page:
        await live(page)
        await page.locator("#mark").click()
        await expect(page.locator("#marked-words")).to_have_text("✓ Marked at 0:21:15")
        await picture(page, "marked-phone")
        await page.locator("#note").fill("felt flat")
        await page.locator("#note-send").click()
        await expect(page.locator("#marked")).to_be_hidden()
        assert vehicle.asked == [
            {"do": "mark", "text": ""},
            {"do": "mark", "text": "felt flat (to the mark at 0:21:15)"},
        ]


@pytest.mark.asyncio
@pytest.mark.parametrize("note", ["", "felt flat"])
async def test_the_place_for_a_note_goes_by_itself_unless_something_is_written(note: str) -> None:
    vehicle = Vehicle(calm())
    async with page_of(vehicle) as page:
        await page.clock.install()
        await page.reload()
        await page.clock.run_for(1000)
        await live(page)
        await page.locator("#mark").click()
        await page.locator("#note").fill(note)
        await page.locator("#room-name").click()  # so that it has no focus
        for s, stays in ((15, True), (21, note != "")):
            await page.clock.run_for(15_000 if s == 15 else 6_000)
            vehicle.tell(replace(calm(), t_ms=s * 1000))
            await expect(page.locator("#drive")).to_have_text(f"drive 8 · 0:00:{s}")
            await expect(page.locator("#marked")).to_be_visible(visible=stays)


@pytest.mark.asyncio
async def test_setting_aside_is_for_ease_and_note_but_never_for_stop() -> None:
    vehicle = Vehicle(busy(stop=True))
    async with page_of(vehicle) as page:
        await live(page)
        await page.locator("#why-button").click()
        await expect(page.locator("#why-raised")).to_contain_text(
            "Raised at 38\u00a0kPa · Held until reset once it is over"
        )
        await expect(page.locator("#alert .shelve")).to_be_hidden()
        vehicle.tell(busy())
        await page.locator("#why-button").click()
        await expect(page.locator("#alert .shelve")).to_have_text("Set aside for 10 min")
        await page.locator("#alert .shelve").click()
        shelved = replace(busy().alerts[0], state=State.SHELVED, shelf_left_s=560.0)
        off = replace(busy().alerts[1], state=State.OUT_OF_SERVICE)
        vehicle.tell(replace(calm(), aside=(shelved, off)))
        rows = page.locator("#aside-list li")
        await expect(rows.nth(0).locator(".words")).to_have_text("9\u00a0min 20\u00a0s left")
        await expect(rows.nth(0).locator(".act")).to_have_text("▲ Set aside for now")
        await expect(rows.nth(1).locator(".act")).to_have_text("● Off for now")
        for row in (0, 1):
            async with page.expect_response("**/act"):
                await rows.nth(row).locator(".back").click()
        assert vehicle.asked == [
            {"do": "shelve", "rule": "egt-high", "minutes": 10},
            {"do": "unshelve", "rule": "egt-high"},
            {"do": "enable", "rule": "coolant-warm"},
        ]


@pytest.mark.asyncio
async def test_details_are_of_one_alert_and_close_when_another_comes_first() -> None:
    vehicle = Vehicle(busy())
    async with page_of(vehicle) as page:
        await live(page)
        await page.locator("#why-button").click()
        vehicle.tell(replace(busy(), t_ms=1_276_000))
        await expect(page.locator("#drive")).to_contain_text("0:21:16")
        await expect(page.locator("#why-more")).to_be_visible()
        vehicle.tell(busy(stop=True))
        await expect(page.locator("#act")).to_have_text("Stop, engine off")
        await expect(page.locator("#why-more")).to_be_hidden()
        await expect(page.locator("#why-button")).to_have_text("Details")
        await page.locator("#why-button").click()
        await expect(page.locator("#why-more")).to_be_visible()
        again = replace(busy(stop=True).alerts[0], raise_number=2)
        vehicle.tell(replace(busy(), alerts=(again,)))  # the same rule, raised anew
        await expect(page.locator("#why-more")).to_be_hidden()


@pytest.mark.asyncio
async def test_a_device_that_is_not_paired_is_shown_the_way_instead_of_buttons() -> None:
    async with page_of(Vehicle(busy(), actor=None)) as page:
        await live(page)
        await expect(page.locator("#pairing")).to_have_text("Pair this device to act")
        assert await page.locator("#pairing").get_attribute("href") == "pair"
        await expect(page.locator("#quiet")).to_be_hidden()
        await expect(page.locator("#mark")).to_be_hidden()


@pytest.mark.asyncio
async def test_what_is_not_taken_says_why() -> None:
    async with page_of(Vehicle(busy(), refusal="the card cannot be written"), problems=True) as page:
        await live(page)
        await page.locator("#mark").click()
        await expect(page.locator("#bar-words")).to_have_text("✕ The card cannot be written")
        await expect(page.locator("#marked")).to_be_hidden()


@pytest.mark.asyncio
async def test_without_a_live_connection_nothing_can_be_asked_for_and_the_page_says_so() -> None:
    vehicle = Vehicle(busy())
    async with page_of(vehicle) as page:
        await live(page)
        vehicle.silent = True
        await expect(page.locator("#quiet")).to_be_disabled()
        await expect(page.locator("#mark")).to_be_disabled()
        await expect(page.locator("#bar-words")).to_have_text("Not connected: nothing can be quieted or marked")


@pytest.mark.asyncio
async def test_a_tune_is_chosen_by_a_second_tap() -> None:
    vehicle = Vehicle(replace(calm(), tunes=("stock", "tow")))
    async with page_of(vehicle) as page:
        await live(page)
        await expect(page.locator("#tunes")).to_contain_text("Choose it when stopped")
        await page.get_by_role("button", name="stock").click()
        await expect(page.locator("#tune-list .choice").first).to_have_text("Tap again: stock")
        assert vehicle.asked == []
        async with page.expect_response("**/act"):
            await page.locator("#tune-list .choice").first.click()
        assert vehicle.asked == [{"do": "tune", "text": "stock"}]


# --------------------------------------------------------------------------------------------------------------- sound


async def tones(page: Page, count: int) -> list[float]:
    await expect(page.locator("html")).to_have_attribute("data-tones", str(count))
    found: list[float] = await page.evaluate("window.tones")
    return found


@pytest.mark.asyncio
async def test_sound_is_off_until_a_tap_and_then_tells_actions_apart_by_rhythm() -> None:
    vehicle = Vehicle(replace(calm(), sound=Sound(3, Action.NOTE, "before")))
    async with page_of(vehicle) as page:
        await live(page)
        await expect(page.locator("#sound-off")).to_have_text("Sound is off: tap to turn on")
        await page.locator("#sound-off").click()
        await expect(page.locator("#sound-off")).to_be_hidden()
        assert await page.evaluate("window.tones") == []  # what was called for before the page was there is past
        vehicle.tell(replace(calm(), sound=Sound(4, Action.NOTE, "a")))
        note = await tones(page, 1)
        vehicle.tell(replace(calm(), sound=Sound(5, Action.EASE, "b")))
        ease = (await tones(page, 4))[1:]
        vehicle.tell(replace(calm(), sound=Sound(6, Action.STOP, "c")))
        stop = (await tones(page, 5))[4:]
        assert (len(note), len(ease), len(stop)) == (1, 3, 1)
        assert stop[0] > 4 * note[0]
        vehicle.tell(replace(calm(), sound=Sound(7, Action.STOP, "c")))  # 30 s later it lasts still
        assert len(await tones(page, 6)) == 6


@pytest.mark.asyncio
async def test_a_call_for_a_sound_that_comes_with_many_events_sounds_once() -> None:
    vehicle = Vehicle(calm())
    async with page_of(vehicle) as page:
        await live(page)
        await page.locator("#sound-off").click()
        await expect(page.locator("#sound-off")).to_be_hidden()
        for t_ms in range(5000, 10_000, 1000):
            vehicle.tell(replace(calm(), t_ms=t_ms, sound=Sound(1, Action.EASE, "a")))
            await expect(page.locator("#drive")).to_have_text(f"drive 8 · 0:00:0{t_ms // 1000}")
        assert len(await page.evaluate("window.tones")) == 3


@pytest.mark.asyncio
async def test_a_recovery_that_is_told_sounds_once_and_shorter_than_any_call() -> None:
    seen = with_state(busy(), State.ACKNOWLEDGED)
    first, second, *others = seen.alerts
    vehicle = Vehicle(replace(seen, recovered=(replace(first, rule="long-ago"),)))
    async with page_of(vehicle) as page:
        await live(page)
        await page.locator("#sound-off").click()
        await expect(page.locator("#sound-off")).to_be_hidden()
        assert await page.evaluate("window.tones") == []  # what was told before the page was there is past
        over = replace(seen, alerts=(second, *others), recovered=(first,))
        vehicle.tell(over)
        lengths = await tones(page, 2)
        assert max(lengths) < 0.1
        vehicle.tell(replace(over, t_ms=1_276_000))
        await expect(page.locator("#drive")).to_contain_text("0:21:16")
        unseen = replace(others[-1], state=State.UNACKNOWLEDGED)
        vehicle.tell(replace(over, alerts=(unseen,), recovered=(first, second)))  # something waits to be seen
        await expect(page.locator("#past .recovery")).to_have_count(2)
        assert len(await page.evaluate("window.tones")) == 2


@pytest.mark.asyncio
async def test_an_alert_that_stands_unseen_sounds_when_sound_is_turned_on() -> None:
    async with page_of(Vehicle(busy())) as page:
        await live(page)
        await page.locator("#sound-off").click()
        assert len(await tones(page, 3)) == 3


@pytest.mark.asyncio
async def test_a_device_whose_sound_is_turned_off_keeps_quiet_and_says_so() -> None:
    vehicle = Vehicle(calm())
    async with page_of(vehicle) as page:
        await live(page)
        await page.locator("#settings summary").click()
        await page.get_by_role("button", name="Sound off").click()
        await expect(page.locator("#sound-off")).to_contain_text("Sound is off on this device")
        vehicle.tell(replace(calm(), t_ms=9000, sound=Sound(1, Action.STOP, "a")))
        await expect(page.locator("#drive")).to_have_text("drive 8 · 0:00:09")
        assert await page.evaluate("window.tones") == []


@pytest.mark.asyncio
async def test_a_field_check_is_heard_on_the_driver_s_page_unlike_any_alert() -> None:
    vehicle = Vehicle(replace(calm(), prompt=Prompt(5, NewsKind.FAILED)))
    async with page_of(vehicle) as page:
        await live(page)
        await page.locator("#sound-off").click()
        await expect(page.locator("#sound-off")).to_be_hidden()
        assert await page.evaluate("window.tones") == []  # what was said before the page was there is past
        heard: dict[NewsKind, list[bool]] = {}
        count = 0
        for i, kind in enumerate(NewsKind):
            vehicle.tell(replace(calm(), prompt=Prompt(6 + i, kind)))
            own = {"next": 6, "hold": 3, "passed": 4, "broken": 4, "failed": 5, "stop": 6, "done": 6}[kind]
            found = (await tones(page, count + own))[count:]
            assert max(found[:3]) < 0.06  # the ticks that no alert has
            count += own
            heard[kind] = [length > 0.3 for length in found[3:]]
            vehicle.tell(replace(calm(), t_ms=5000 + i, prompt=Prompt(6 + i, kind)))  # the same once more is not news
        assert heard[NewsKind.PASSED] == [False] and heard[NewsKind.BROKEN] == [True]
        assert heard[NewsKind.FAILED] == [True] * 2 and heard[NewsKind.STOP] == [True] * 3
        assert len(set(map(tuple, heard.values()))) == len(NewsKind)
        assert len(await page.evaluate("window.tones")) == count


@pytest.mark.asyncio
async def test_a_field_check_never_sounds_over_an_alert() -> None:
    vehicle = Vehicle(calm())
    async with page_of(vehicle) as page:
        await live(page)
        await page.locator("#sound-off").click()
        await expect(page.locator("#sound-off")).to_be_hidden()
        vehicle.tell(replace(calm(), sound=Sound(1, Action.STOP, "c"), prompt=Prompt(1, NewsKind.HOLD)))
        await tones(page, 4)
        stop, *ticks = await page.evaluate("window.spans")
        assert min(begun for begun, _ in ticks) >= stop[1] + 0.3  # it waits for the alert's end
        vehicle.tell(replace(calm(), sound=Sound(1, Action.STOP, "c"), prompt=Prompt(2, NewsKind.PASSED)))
        await tones(page, 8)
        assert await page.evaluate("window.muted") == 0
        vehicle.tell(replace(calm(), sound=Sound(2, Action.EASE, "d"), prompt=Prompt(2, NewsKind.PASSED)))
        await tones(page, 11)
        assert await page.evaluate("window.muted") == 2  # both that waited are cut off
        unseen = replace(busy(), sound=Sound(2, Action.EASE, "d"))
        vehicle.tell(replace(unseen, prompt=Prompt(3, NewsKind.NEXT)))
        vehicle.tell(replace(unseen, t_ms=5000, prompt=Prompt(4, NewsKind.STOP)))
        await expect(page.locator("#drive")).to_contain_text("0:00:05")
        assert len(await page.evaluate("window.tones")) == 11  # while an alert calls it keeps quiet


@pytest.mark.asyncio
async def test_the_first_load_shows_the_cautions_once_and_their_tap_turns_sound_on() -> None:
    vehicle = Vehicle(busy())
    async with page_of(vehicle, new=True) as page:
        await live(page)
        await picture(page, "welcome-phone")
        await expect(page.locator("#welcome")).to_be_visible()
        await expect(page.locator("#welcome-alert")).to_have_text("▲ Ease off now")  # not hidden by it
        await page.locator("#welcome-read").click()
        await expect(page.locator("#welcome")).to_be_hidden()
        await expect(page.locator("#sound-off")).to_be_hidden()
        assert len(await tones(page, 3)) == 3
        await page.reload()
        await live(page)
        await expect(page.locator("#welcome")).to_be_hidden()
        await expect(page.locator("#sound-off")).to_be_visible()  # browsers ask for a tap each time


# --------------------------------------------------------------------------------------------------------------- units


@pytest.mark.asyncio
async def test_us_units_are_everywhere_and_differences_have_no_offset() -> None:
    vehicle = Vehicle(calm())
    async with page_of(vehicle, units="us") as page:
        await live(page)
        await expect(page.locator("#room .big")).to_have_text("436°F left")  # 478 and 720 degC are 892 and 1,328 degF
        await expect(page.locator("#room-until")).to_have_text("until ease off at 1328\u00a0°F")
        oil = page.locator("#rooms li", has_text="Oil pressure")
        await expect(oil.locator(".left")).to_have_text("19.3\u00a0psi left")  # 312 and 179.2 kPa: 45.3 and 26.0
        vehicle.tell(busy(stop=True))
        await expect(page.locator("#alert .reason")).to_have_text(
            "Oil pressure 5.5\u00a0psi · at least 26\u00a0psi · for 3\u00a0s"
        )
        await expect(page.locator("#room-now")).to_have_text("now 1348\u00a0°F · ↗ rising 38\u00a0°F/min")
        await picture(page, "us-phone")


@pytest.mark.asyncio
async def test_units_are_changed_at_once_and_kept() -> None:
    async with page_of(Vehicle(busy())) as page:
        await live(page)
        await page.locator("#settings summary").click()
        await page.get_by_role("button", name="US units").click()
        await expect(page.locator("#alert .reason")).to_contain_text("EGT 1348\u00a0°F · limit 1256\u00a0°F")
        await page.reload()
        await live(page)
        await expect(page.locator("#alert .reason")).to_contain_text("EGT 1348\u00a0°F · limit 1256\u00a0°F")


# ---------------------------------------------------------------------------------------------------- status, replay


@pytest.mark.asyncio
async def test_the_owner_reads_how_it_is_doing_in_plain_words() -> None:
    shown = replace(
        busy(),
        log=LogView("not recording", "no room", 17, free_mb=12_345.0, size_mb=830.0, hours=4.25),
        outputs=(SourceView("broker", "waiting", "it does not answer"),),
        clock="set by satellites 2 min ago",
        power_cut="yesterday at 16:20, nothing lost",
    )
    async with page_of(Vehicle(shown)) as page:
        await live(page)
        await expect(page.locator("#doing-short")).to_have_text("✕ 3 to see to")
        await page.locator("#doing summary").click()
        parts = page.locator("#parts")
        for words in (
            "Log: not recording",
            "✕ No room; 17 ticks lost",
            "12.3\u00a0GB free on the card, the log takes 830\u00a0MB, it holds 4.3\u00a0h of driving",
            "Source oil_probe: waiting",
            "✕ The channel /dev/ttyUSB7 is not there; restarted 4 times",
            "Output broker: waiting",
            "Clock: set by satellites 2 min ago",
            "Last power cut: yesterday at 16:20, nothing lost",
        ):
            await expect(parts).to_contain_text(words)
        await expect(page.locator("#version")).to_contain_text("Uphaul 0.1.0")
        await picture(page, "doing-phone", whole=True)


@pytest.mark.asyncio
async def test_a_replay_is_unmistakable_and_is_steered() -> None:
    played = Played(400_000, 0, 1_200_000, 2.0, False)
    vehicle = Vehicle(replace(busy(), replayed=True, played=played))
    async with page_of(vehicle) as page:
        await expect(page.locator("#live")).to_have_text("▶ Replay")
        await expect(page.locator("#replay")).to_contain_text("REPLAY of drive 7 – not now")
        assert await inside(page, "#replay")
        await picture(page, "replay-phone")
        await expect(page.locator("#play-time")).to_have_text("0:06:40 of 0:20:00")
        await expect(page.locator("#quiet")).to_be_hidden()
        await expect(page.locator("#bar-words")).to_have_text("A replay: nothing can be quieted or marked")
        await page.locator("#play-go").click()
        await page.locator("#play-speed").select_option("10")
        await page.locator("#play-at").fill("900000")
        vehicle.tell(replace(vehicle.status, played=replace(played, t_ms=900_000, paused=True, seeking=True)))
        await expect(page.locator("#play-go")).to_have_text("▶ Go")
        await expect(page.locator("#play-time")).to_have_text("0:15:00 of 0:20:00 · seeking")
        assert vehicle.asked == [{"do": "pause"}, {"do": "speed", "speed": 10}, {"do": "seek", "t_ms": 900_000}]


@pytest.mark.asyncio
async def test_data_of_the_demo_and_of_a_drive_file_say_so() -> None:
    vehicle = Vehicle(busy())
    async with page_of(vehicle) as page:
        await live(page)
        await expect(page.locator("#invented")).to_be_visible()
        await expect(page.locator("#replayed")).to_be_hidden()
        vehicle.tell(replace(busy(), invented=False, replayed=True))
        await expect(page.locator("#replayed")).to_be_visible()
        await expect(page.locator("#invented")).to_be_hidden()
        await expect(page.locator("#replay")).to_be_hidden()


# ---------------------------------------------------------------------------------------------------------- live or not


@pytest.mark.asyncio
async def test_late_ticks_are_told_though_events_go_on() -> None:
    vehicle = Vehicle(calm())
    async with page_of(vehicle) as page:
        await live(page)
        vehicle.status = replace(calm(), tick_age_s=7.0)
        await expect(page.locator("#late")).to_contain_text("Not live: the last reading is 7\u00a0s old")
        assert await page.evaluate(VEILED)
        assert await page.title() == "Not live – Uphaul"
        await picture(page, "late-phone")
        vehicle.status = replace(calm(), tick_age_s=None)
        await expect(page.locator("#late")).to_contain_text("nothing has been judged yet")
        vehicle.status = calm()
        await live(page)


@pytest.mark.asyncio
async def test_a_stream_that_goes_silent_is_told_with_its_age() -> None:
    vehicle = Vehicle(calm())
    async with page_of(vehicle) as page:
        await live(page)
        vehicle.silent = True
        await expect(page.locator("#late")).to_contain_text("nothing received for 3\u00a0s")
        assert await page.evaluate(VEILED)
        await picture(page, "silent-phone")


@pytest.mark.asyncio
async def test_before_the_first_event_the_page_calls_itself_not_live() -> None:
    async with page_of(Vehicle(calm())) as page:
        await live(page)

        async def never(route: Route) -> None:
            return None

        await page.route("**/events", never)
        await page.reload()
        await expect(page.locator("#late")).to_contain_text("Not live: waiting for the first reading")
        assert await page.evaluate(VEILED)


@pytest.mark.asyncio
async def test_a_page_whose_script_has_stopped_is_veiled_by_its_style_sheet_alone() -> None:
    vehicle = Vehicle(calm())
    async with page_of(vehicle) as page:
        await live(page)
        await page.evaluate("for (let id = 0; id < 10000; id++) clearInterval(id)")
        vehicle.silent = True
        await expect(page.locator("#late")).to_have_css("opacity", "1", timeout=20_000)
        await expect(page.locator("#live")).to_have_text("✓ Live")  # the script no longer takes it away: the veil does
        await picture(page, "dead-phone")


@pytest.mark.asyncio
async def test_opened_without_the_vehicle_it_says_that_it_is_not_connected_and_shows_no_reading() -> None:
    async with page_of(Vehicle(busy()), problems=True) as page:
        await live(page)
        await page.evaluate("navigator.serviceWorker.ready.then(() => true)")
        kept: Any = await page.evaluate(
            "caches.open('uphaul-page').then((c) => c.keys()).then((k) => k.map((r) => new URL(r.url).pathname))"
        )
        assert "/" in kept
        assert not {"/events", "/status.json", "/units.json", "/me.json"} & set(kept)
        await page.context.set_offline(True)
        await page.reload()
        await expect(page.locator("#late")).to_contain_text("Not live: not connected to the vehicle")
        assert await page.evaluate(VEILED)
        await expect(page.locator("#rooms li")).to_have_count(0)
        await expect(page.locator("#mark")).to_be_disabled()
        await picture(page, "offline-phone")
        await page.context.set_offline(False)
        await live(page)
