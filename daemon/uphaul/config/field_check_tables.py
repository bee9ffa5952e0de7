"""The tables of fieldcheck.toml: steps, what each waits for and measures, bands with their reason."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Discriminator, Field, Tag

from uphaul.config.model import CurveTable
from uphaul.config.tables import LONGEST_S, ONE_LINE, RULE_NAME, TUNE_NAME, Table, key, table

__all__ = ["FIELD_CHECK", "BandTable", "FieldCheckFile", "MeasureTable", "OfSheetTable", "StepTable", "WaitsForTable"]

FIELD_CHECK = "fieldcheck.toml"


class OfSheetTable(Table):
    """A share of what the build sheet says."""

    share: float = key("1.0 is all of it", ge=0.0, le=10.0)
    of: str = key(
        "what of vehicle.toml: the kind of a part and its rating, as exhaust.egt, or tune.mixture", max_length=60
    )


def _tag(value: Any) -> str:
    if isinstance(value, dict):
        return "sheet" if "share" in value or "of" in value else "curve"
    return "number"


SheetAmount = Annotated[
    Annotated[float, Tag("number")] | Annotated[CurveTable, Tag("curve")] | Annotated[OfSheetTable, Tag("sheet")],
    Discriminator(_tag),
]
LimitAmount = Annotated[
    Annotated[float, Tag("number")] | Annotated[CurveTable, Tag("curve")],
    Discriminator(lambda value: "curve" if isinstance(value, dict) else "number"),
]


class WaitsForTable(Table):
    """Something that must hold."""

    signal: str = key("the signal")
    above: LimitAmount | None = key("it must be above this, in its unit (or that per second); or `below`", None)
    below: LimitAmount | None = key("it must be below this; or `above`", None)
    deadband: float = key("it goes on holding until so far back, in the same unit", 0.0, ge=0)
    rate_over_s: float | None = key(
        "not the signal but its slope per second over this time", None, unit="s", gt=0, le=60
    )
    held_s: float = key("only when it has been so for this long", 0.0, unit="s", ge=0, le=LONGEST_S)
    bridge_s: float = key("it goes on through an interruption of less than this", 0.0, unit="s", ge=0, le=60)


class BandTable(Table):
    """What is accepted, ends included."""

    low: SheetAmount | None = key("lowest that is accepted", None)
    high: SheetAmount | None = key("highest that is accepted", None)


class MeasureTable(BandTable):
    """One value that a step yields."""

    title: str = key("what it is, for people", min_length=1, max_length=120, pattern=ONE_LINE)
    signal: str = key("the signal")
    take: Literal["last", "maximum", "minimum", "mean", "spread", "slope", "time-to", "largest-rate"] = key(
        "what is taken of it: spread is the standard deviation, slope per minute, largest-rate per second, time-to in s"
    )
    against: str = key(
        'measure its distance from this signal of the same unit, or from "expected", the tune\'s expected curve',
        "",
        max_length=40,
    )
    reach: SheetAmount | None = key(
        "(time-to) the value that is to be reached, from where the step began to hold", None
    )
    falling: bool = key("(time-to) it is reached from above, not from below", False)
    tune: dict[Annotated[str, Field(pattern=TUNE_NAME)], BandTable] = table("other bands in a tune")
    reason: str = key("why the band is where it is; required with a band", "", max_length=300, pattern=ONE_LINE)
    source: str = key('who says so, or "common practice"; required with a band', "", max_length=200, pattern=ONE_LINE)


class StepTable(Table):
    """One thing to do and to measure."""

    part: Literal["cold", "hot"] = key("which half of the check it belongs to: cold morning or hot road")
    title: str = key("what it is called", min_length=1, max_length=80, pattern=ONE_LINE)
    do: str = key("what is to be done, for people", min_length=1, max_length=400, pattern=ONE_LINE)
    say: str = key("the same as a short prompt that is spoken", min_length=1, max_length=80, pattern=ONE_LINE)
    moving: bool = key("done while the vehicle moves: nobody is asked to look at anything", False)
    waits_for: Annotated[list[WaitsForTable], Field(min_length=1, max_length=20)] = key("what must hold, all of it")
    span: Literal["fixed", "while"] = key("measure for `for_s`, or as long as it holds, `for_s` at least", "fixed")
    for_s: float = key("so long it must hold", 1.0, unit="s", gt=0, le=LONGEST_S)
    at_most_s: float = key("(while) it is measured no longer than this", 1800.0, unit="s", gt=0, le=LONGEST_S)
    settle_s: float = key("the measures leave out so much at its beginning", 0.0, unit="s", ge=0, le=LONGEST_S)
    each_tune: bool = key("done in every tune that is not excused, each with a result of its own", False)
    after: list[str] = key("steps that must have been tried before in the same run", [])
    retries: int = key("how often it may be done again when it did not pass", 1, ge=0, le=20)
    measure: dict[Annotated[str, Field(pattern=RULE_NAME)], MeasureTable] = table("what is measured")


class FieldCheckFile(Table):
    """fieldcheck.toml: the check of a freshly tuned vehicle."""

    title: str = key("what the check is called", "Field check", max_length=120, pattern=ONE_LINE)
    cautions: list[Annotated[str, Field(min_length=1, max_length=400, pattern=ONE_LINE)]] = key(
        "what is to be confirmed by name before anybody drives", []
    )
    excused: dict[Annotated[str, Field(pattern=TUNE_NAME)], str] = table(
        "tunes that need no run of their own, each with the reason: same fuelling as another"
    )
    step: dict[Annotated[str, Field(pattern=RULE_NAME)], StepTable] = table("the steps in their order")
