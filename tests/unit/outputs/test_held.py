"""What goes first when there is no room for all that waits."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from uphaul.outputs.held import OVERHEAD_BYTES, Held, Message, Rank

SIZES = st.lists(st.tuples(st.sampled_from(Rank), st.integers(0, 400)), max_size=60)


def message(number: int, rank: Rank, size: int) -> Message:
    return Message(number, rank, "t", b"x" * size)


@given(sizes=SIZES, limit=st.integers(1, 3000))
def test_the_oldest_telemetry_goes_first_and_the_bound_holds(sizes: list[tuple[Rank, int]], limit: int) -> None:
    held, gone, there = Held(limit), list[Message](), list[Message]()
    for number, (rank, size) in enumerate(sizes, 1):
        new = message(number, rank, size)
        there.append(new)
        for each in held.add(new):
            # at its turn it was the oldest of its rank, and an important one only when no telemetry was left
            assert each == next(m for m in there if m.rank is each.rank)
            assert each.rank is Rank.TELEMETRY or all(m.rank is Rank.IMPORTANT for m in there)
            there.remove(each)
            gone.append(each)
        assert held.all() == there
        assert held.size == sum(m.size for m in there)
        assert held.size <= limit or len(held) == 1
    assert len(held) + len(gone) == len(sizes)


@given(sizes=SIZES, after=st.integers(-1, 70), most=st.integers(1, 20))
def test_messages_come_in_their_order(sizes: list[tuple[Rank, int]], after: int, most: int) -> None:
    held = Held(1 << 40)
    all_of = [message(number, rank, size) for number, (rank, size) in enumerate(sizes)]
    for each in all_of:
        assert held.add(each) == []
    for rank in Rank:
        assert held.after(after, rank, most) == [m for m in all_of if m.rank is rank and m.number > after][:most]
        assert held.count(rank) == sum(m.rank is rank for m in all_of)


def test_one_that_is_taken_out_makes_room() -> None:
    held = Held(2 * (OVERHEAD_BYTES + 11))
    held.add(message(1, Rank.IMPORTANT, 10))
    held.add(message(2, Rank.TELEMETRY, 10))
    assert held.discard(1, Rank.IMPORTANT)
    assert not held.discard(1, Rank.IMPORTANT)
    assert held.add(message(3, Rank.IMPORTANT, 10)) == []


def test_there_is_always_room_for_one() -> None:
    held = Held(1)
    assert held.add(message(1, Rank.TELEMETRY, 500)) == []
    assert held.add(message(2, Rank.IMPORTANT, 500)) == [message(1, Rank.TELEMETRY, 500)]
