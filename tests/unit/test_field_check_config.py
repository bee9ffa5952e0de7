"""fieldcheck.toml: what it becomes, that the log brings it back, and how what is wrong in it is told."""

from __future__ import annotations

import pytest

from support.config_files import SIGNALS, VEHICLE, config_of, problems_of
from uphaul.analysis.field_check import EXPECTED, Band, Measure, OfSheet, Part, Span, Step, Take, WaitsFor
from uphaul.config import load, load_texts, sample_directory
from uphaul.rules import ABOVE, BELOW, Curve

CHECK = """
title = "Check"
cautions = ["Two people."]
[excused]
tow = "same fuelling"

[step.first]
part = "cold"
title = "First"
do = "Do it"
say = "Now"
waits_for = [{ signal = "rpm", above = 1000, deadband = 50, bridge_s = 0.5 }, { signal = "rpm", below = 2000 }]
for_s = 2
settle_s = 1
[step.first.measure.hot]
title = "how hot"
signal = "egt"
take = "maximum"
high = { share = 0.9, of = "exhaust.egt" }
reason = "it is the limit"
source = "build sheet"

[step.second]
part = "hot"
title = "Second"
do = "Do it"
say = "Now"
moving = true
each_tune = true
after = ["first"]
waits_for = [{ signal = "egt", below = 2, rate_over_s = 10, held_s = 3 }]
span = "while"
for_s = 5
at_most_s = 60
retries = 2
[step.second.measure.boost]
title = "boost"
signal = "boost"
take = "mean"
against = "expected"
low = -20
tune.tow.low = -30
reason = "a leak"
source = "common practice"
[step.second.measure.cool]
title = "time"
signal = "egt"
take = "time-to"
reach = 200
falling = true
"""
SHEET = (
    VEHICLE
    + """
[part.exhaust]
kind = "exhaust"
source = "invented"
location = "pre-turbine"
egt = 720
"""
)


def test_it_becomes_steps() -> None:
    check = config_of(vehicle=SHEET, fieldcheck=CHECK).field_check
    assert check is not None
    assert (check.title, check.cautions, check.excused) == ("Check", ("Two people.",), (("tow", "same fuelling"),))
    first, second = check.steps
    assert first == Step(
        "first",
        Part.COLD,
        "First",
        "Do it",
        "Now",
        (WaitsFor("rpm", ABOVE, 1000.0, 50.0, bridge_ms=500), WaitsFor("rpm", BELOW, 2000.0)),
        (
            Measure(
                "hot",
                "how hot",
                "egt",
                Take.MAXIMUM,
                band=Band(None, OfSheet(0.9, "exhaust.egt")),
                reason="it is the limit",
                source="build sheet",
            ),
        ),
        for_ms=2000,
        settle_ms=1000,
    )
    assert (second.waits_for[0].rate_ms, second.waits_for[0].held_ms) == (10_000, 3000)
    assert (second.span, second.for_ms, second.at_most_ms, second.retries) == (Span.WHILE, 5000, 60_000, 2)
    assert (second.moving, second.each_tune, second.after) == (True, True, ("first",))
    boost, cool = second.measures
    assert (boost.against, boost.band, boost.tunes) == (EXPECTED, Band(-20.0), (("tow", Band(-30.0)),))
    assert (cool.reach, cool.falling, cool.band) == (200.0, True, None)


def test_a_folder_without_one_has_no_check() -> None:
    assert config_of().field_check is None


def test_the_texts_that_a_drive_is_logged_with_bring_it_back() -> None:
    config = load(sample_directory(), check_inputs=False)
    texts = dict(config.files)
    assert "[step.pull]" in texts["fieldcheck.toml"]
    assert load_texts(texts, check_inputs=False).field_check == config.field_check


def test_limits_along_a_curve() -> None:
    text = CHECK.replace('{ share = 0.9, of = "exhaust.egt" }', '{ over = "rpm", points = [[0, 600], [2000, 700]] }')
    check = config_of(vehicle=SHEET, fieldcheck=text).field_check
    assert check is not None
    assert check.steps[0].measures[0].band == Band(None, Curve("rpm", (0.0, 2000.0), (600.0, 700.0)))


WRONG = [
    # (what stands there, what stands there instead, key, part of what is allowed, nearest name)
    ('signal = "rpm", below', 'signal = "rpn", below', "step.first.waits_for[1].signal", "the name of a signal", "rpm"),
    ('take = "mean"', 'take = "meen"', "step.second.measure.boost.take", "one of last, maximum", "mean"),
    ('take = "maximum"', 'take = "maximum"\nreach = 3', "step.first.measure.hot.reach", "belongs to time-to", None),
    ("reach = 200\n", "", "step.second.measure.cool.reach", "the value that is to be reached", None),
    ('"mean"\n', '"mean"\nfalling = true\n', "step.second.measure.boost.falling", "belongs to time-to", None),
    ('"maximum"', '"maximum"\nagainst = "rpm"', "step.first.measure.hot.against", "in degC, as egt is", None),
    ('"maximum"', '"maximum"\nagainst = "egd"', "step.first.measure.hot.against", "the name of a signal", "egt"),
    ('"maximum"', '"maximum"\nagainst = "expected"', "step.first.measure.hot.against", "NAME.expected.egt", None),
    ('"maximum"', '"maximum"\nagainst = "egt"', "step.first.measure.hot.high.of", "no difference is a share", None),
    ('of = "exhaust.egt"', 'of = "exhaust.etg"', "step.first.measure.hot.high.of", "build sheet tells", "exhaust.egt"),
    ('of = "exhaust.egt"', 'of = "turbo.boost"', "step.first.measure.hot.high.of", "in a unit like degC", None),
    ('of = "exhaust.egt"', 'of = "exhaust.egt_short"', "step.first.measure.hot.high.of", "vehicle.toml does not", None),
    ("share = 0.9", "share = -1", "step.first.measure.hot.high.share", "from 0 to 10", None),
    ("tow = ", "towe = ", "excused.towe", "the name of a tune", "tow"),
    ('"same fuelling"', '" "', "excused.tow", "must say why", None),
    ('tow = "same', 'stock = "x"\ntow = "same', "excused", "leave at least one tune", None),
    ("tune.tow.low", "tune.towe.low", "step.second.measure.boost.tune.towe", "the name of a tune", "tow"),
    ("tune.tow.low = -30", "tune.tow = {}", "step.second.measure.boost.tune.tow", "`low` or `high`", None),
    ('after = ["first"]', 'after = ["fist"]', "step.second.after[0]", "another step", "first"),
    ('after = ["first"]', 'after = ["second"]', "step.second.after", "lead back to the step itself", None),
    ("low = -20", "low = -20\nhigh = -21", "step.second.measure.boost.low", "nothing could pass", None),
    ("below = 2000", "below = 1000", "step.first.waits_for[1]", "can never hold together", None),
    ("below = 2000", "below = 2000, above = 3", "step.first.waits_for[1].below", "one limit only", None),
    (", below = 2000", "", "step.first.waits_for[1]", "`above` or `below`", None),
    ("below = 2, rate_over_s = 10,", "below = -50,", "step.second.waits_for[0].below", "-40", None),
    ("settle_s = 1", "settle_s = 2", "step.first.settle_s", "less than `for_s`, 2 s", None),
    ("at_most_s = 60", "at_most_s = 4", "step.second.at_most_s", "at least `for_s`, 5 s", None),
    ('reason = "it is the limit"', "", "step.first.measure.hot.reason", "required where there is a band", None),
    ('source = "build sheet"', "", "step.first.measure.hot.source", "required where there is a band", None),
    ("for_s = 5", "for_s = 0", "step.second.for_s", "above 0", None),
    ('part = "cold"', 'part = "warm"', "step.first.part", "one of cold, hot", None),
    ('title = "First"', "", "step.first.title", "is required", None),
    ("retries = 2", "retrys = 2", "step.second.retrys", "no key of this table", "retries"),
]


@pytest.mark.parametrize(("old", "new", "key", "allowed", "nearest"), WRONG)
def test_what_is_wrong_is_named(old: str, new: str, key: str, allowed: str, nearest: str | None) -> None:
    assert old in CHECK
    (found,) = problems_of(vehicle=SHEET, fieldcheck=CHECK.replace(old, new, 1))
    assert (found.file, found.key, found.nearest) == ("fieldcheck.toml", key, nearest)
    assert allowed in found.allowed


def test_temperatures_in_two_units_have_no_difference() -> None:
    """A band in degC over what is partly in degF would say nothing."""
    signals = SIGNALS + '\n[signal.ambient]\nunit = "degF"\nrange = [-60, 200]\n'
    text = CHECK.replace('"maximum"', '"maximum"\nagainst = "ambient"', 1)
    (found,) = problems_of(vehicle=SHEET, signals=signals, fieldcheck=text)
    assert found.key == "step.first.measure.hot.against"
    assert found.allowed == "must be a signal in degC, as egt is; it is in degF"


def test_a_ring_of_steps_is_named_at_each() -> None:
    text = CHECK.replace('part = "cold"', 'part = "cold"\nafter = ["second"]')
    assert [p.key for p in problems_of(vehicle=SHEET, fieldcheck=text)] == ["step.first.after", "step.second.after"]


def test_a_step_without_a_measure() -> None:
    text = CHECK[: CHECK.index("[step.first.measure.hot]")] + CHECK[CHECK.index("[step.second]") :]
    (found,) = problems_of(vehicle=SHEET, fieldcheck=text)
    assert (found.key, "at least one measure" in found.allowed) == ("step.first.measure", True)


def test_a_share_of_a_tune_names_the_tune_that_does_not_tell_it() -> None:
    text = CHECK.replace('signal = "egt"\ntake = "maximum"', 'signal = "mix"\ntake = "minimum"').replace(
        '{ share = 0.9, of = "exhaust.egt" }', '{ share = 0.9, of = "tune.mixture" }'
    )
    found = {p.key: p.allowed for p in problems_of(vehicle=SHEET, fieldcheck=text)}
    assert "tune stock, tow of vehicle.toml does not" in found["step.first.measure.hot.high.of"]
