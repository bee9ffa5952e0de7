"""What changed, put together with what was known, is what is; and no more is told than changed."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from support.event_stream import merged
from support.status_page import busy, calm, many
from uphaul.status import Status
from uphaul.web import WebState
from uphaul.web.changes import changes
from uphaul.web.state import as_json, told

PLAIN = st.none() | st.booleans() | st.integers(0, 3) | st.text("ab", max_size=2)
ITEM = st.fixed_dictionaries({"name": PLAIN, "room": st.none() | st.fixed_dictionaries({"left": PLAIN})})
STATUS = st.fixed_dictionaries(
    {"tune": PLAIN, "signals": st.lists(ITEM, max_size=3), "notices": st.lists(st.text("ab", max_size=1), max_size=3)}
)


def page(status: Status) -> dict[str, Any]:
    return told(status, WebState(calm), 5)


@given(STATUS, STATUS)
def test_any_two_statuses(old: dict[str, Any], new: dict[str, Any]) -> None:
    assert merged(old, json.loads(as_json(changes(old, new)))) == new


def test_real_statuses_of_every_kind() -> None:
    kinds = [page(s) for s in (calm(), busy(), busy(stop=True), many(3, 2), many(2, 3), replace(calm(), signals=()))]
    for old in kinds:
        for new in kinds:
            assert merged(old, changes(old, new)) == new


def test_nothing_is_told_of_what_stays() -> None:
    before = busy()
    first, *rest = before.signals
    assert first.room is not None
    room = replace(first.room, left=17.0)
    after = replace(before, t_ms=9, signals=(replace(first, value=733.0, room=room), *rest))
    assert changes(page(before), page(after)) == {
        "t_ms": 9,
        "signals": {"0": {"value": 733.0, "room": {"left": 17.0}}},
    }
