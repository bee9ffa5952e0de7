"""Changing keys of a rules file: only their values change, comments and all else stay, and nonsense is refused."""

from __future__ import annotations

import tomllib
from importlib import resources
from pathlib import Path

import pytest

from uphaul.desk.rules_text import KEYS, Edit, Key, changed, diff, edit_of, keys_of
from uphaul.errors import UphaulError

SAMPLE = (Path(__file__).parents[2] / "config" / "rules.toml").read_text(encoding="utf-8")

TEXT = """\
# what stands before

[[rule]]
name = "hot"       # a name
kind = "threshold"
signal = "egt"
above = 700            # degC
deadband = { share = 0.1 }   # a tenth
on_delay_s = 2
action = "ease"

[rule.tune.tow]
above = 680.5   # towing

[[rule]]
name = 'low'
kind = "threshold"
signal = "oil"
below = { over = "rpm", points = [[700, 50], [1000, 70.5], [4000, 280]] } # a curve
action = "stop"
"""


def lines_changed(before: str, after: str) -> list[tuple[str, str]]:
    old, new = before.splitlines(), after.splitlines()
    assert len(old) == len(new)
    return [(a, b) for a, b in zip(old, new, strict=True) if a != b]


@pytest.mark.parametrize(
    ("edit", "before", "after"),
    [
        (Edit("hot", "", "above", 690.0), "above = 700            # degC", "above = 690            # degC"),
        (Edit("hot", "", "above", 690.25), "above = 700            # degC", "above = 690.25            # degC"),
        (Edit("hot", "tow", "above", 660.0), "above = 680.5   # towing", "above = 660   # towing"),
        (
            Edit("hot", "", "deadband", 0.05),
            "deadband = { share = 0.1 }   # a tenth",
            "deadband = { share = 0.05 }   # a tenth",
        ),
        (
            Edit("low", "", "below", (50.0, 80.0, 280.0)),
            'below = { over = "rpm", points = [[700, 50], [1000, 70.5], [4000, 280]] } # a curve',
            'below = { over = "rpm", points = [[700, 50], [1000, 80], [4000, 280]] } # a curve',
        ),
    ],
)
def test_an_edit_changes_the_one_value(edit: Edit, before: str, after: str) -> None:
    assert lines_changed(TEXT, changed(TEXT, [edit])) == [(before, after)]


def test_a_key_that_was_left_at_its_default_goes_to_the_others_of_its_rule() -> None:
    after = changed(TEXT, [Edit("low", "", "on_delay_s", 1.5)])
    added = [line for line in after.splitlines() if line not in TEXT.splitlines()]
    assert added == ["on_delay_s = 1.5"]
    low = tomllib.loads(after)["rule"][1]
    assert low == {**tomllib.loads(TEXT)["rule"][1], "on_delay_s": 1.5}


def test_the_values_as_they_are_change_no_character_of_the_sample() -> None:
    edits = [Edit(name, k.tune, k.key, k.value) for name, keys in keys_of(SAMPLE).items() for k in keys]
    assert len(edits) > 100
    assert changed(SAMPLE, edits) == SAMPLE


def test_every_key_of_the_sample_can_be_moved_alone() -> None:
    for name, keys in keys_of(SAMPLE).items():
        for k in keys:
            value = tuple(y + 1.0 for y in k.value) if isinstance(k.value, tuple) else k.value + 1.0
            after = changed(SAMPLE, [Edit(name, k.tune, k.key, value)])
            assert len(lines_changed(SAMPLE, after)) == 1
            moved = next(m for m in keys_of(after)[name] if (m.tune, m.key) == (k.tune, k.key))
            assert moved.value == pytest.approx(value)


def test_keys_are_told_as_they_stand() -> None:
    found = keys_of(TEXT)
    assert found["hot"] == [
        Key("", "above", "number", 700.0),
        Key("", "deadband", "share", 0.1),
        Key("", "on_delay_s", "number", 2.0),
        Key("tow", "above", "number", 680.5),
    ]
    assert found["low"] == [Key("", "below", "curve", (50.0, 70.5, 280.0), "rpm", (700.0, 1000.0, 4000.0))]
    assert {k.key for keys in found.values() for k in keys} <= set(KEYS)


def test_windows_line_ends_stay() -> None:
    text = TEXT.replace("\n", "\r\n")
    after = changed(text, [Edit("hot", "", "above", 690.0)])
    assert after == text.replace("above = 700  ", "above = 690  ")


@pytest.mark.parametrize(
    ("edit", "words"),
    [
        (Edit("cold", "", "above", 1.0), "rule 'cold': the rules file has none"),
        (Edit("hot", "race", "above", 1.0), "no table for the tune 'race'"),
        (Edit("hot", "", "below", 1.0), "below: the file does not have that key"),
        (Edit("hot", "tow", "on_delay_s", 1.0), "on_delay_s: the file does not have that key"),
        (Edit("hot", "", "above", (1.0, 2.0)), "above: it is no curve"),
        (Edit("low", "", "below", (1.0, 2.0)), "below: a number for each of its 3 knots"),
        (Edit("low", "", "below", 2.0), "below: a number for each of its 3 knots"),
    ],
)
def test_an_edit_without_a_place_is_refused(edit: Edit, words: str) -> None:
    with pytest.raises(UphaulError, match=words):
        changed(TEXT, [edit])


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ("above", "an edit has rule, key, value"),
        ({"rule": "hot", "key": "above"}, "an edit has rule, key, value"),
        ({"rule": "hot", "key": "above", "value": 1, "more": 2}, "an edit has rule, key, value"),
        ({"rule": "hot", "key": "say", "value": 1}, "key: one of above, below"),
        ({"rule": "hot", "key": "above", "value": "700"}, "above: a number, not '700'"),
        ({"rule": "hot", "key": "above", "value": True}, "above: a number, not True"),
        ({"rule": "hot", "key": "above", "value": float("nan")}, "above: a number"),
        ({"rule": "hot", "key": "above", "value": [1, None]}, "above: a number, not None"),
        ({"rule": 7, "key": "above", "value": 1}, "rule and tune of an edit are names"),
    ],
)
def test_what_is_no_edit_is_refused_in_words(told: object, words: str) -> None:
    with pytest.raises(UphaulError, match=words):
        edit_of(told)


def test_an_edit_comes_as_the_page_sends_it() -> None:
    assert edit_of({"rule": "hot", "tune": "tow", "key": "above", "value": 690}) == Edit("hot", "tow", "above", 690.0)
    assert edit_of({"rule": "low", "key": "below", "value": [1, 2]}) == Edit("low", "", "below", (1.0, 2.0))


def test_the_diff_names_the_file_and_shows_the_line() -> None:
    told = diff(TEXT, changed(TEXT, [Edit("hot", "", "above", 690.0)]), "rules.toml").splitlines()
    assert told[:2] == ["--- rules.toml of the drive", "+++ rules.toml changed"]
    assert [line for line in told[2:] if line[0] in "+-"] == [
        "-above = 700            # degC",
        "+above = 690            # degC",
    ]
    assert diff(TEXT, TEXT, "rules.toml") == ""


def test_the_page_lies_in_the_package() -> None:
    names = {p.name for p in (resources.files("uphaul.desk") / "static").iterdir()}
    assert names == {"desk.html", "desk.css", "desk.js", "timeline.js", "rules.js", "around.js", "fits.js", "words.js"}
