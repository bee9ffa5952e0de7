"""How far a report can be believed: gaps, lost signals, the clock, what judged the drive, and the cautions."""

from __future__ import annotations

from datetime import datetime
from itertools import pairwise

import numpy as np

from uphaul.reports.case import Case
from uphaul.reports.fits import PROVEN
from uphaul.reports.page import Block, Bullets, Para, Section, Table
from uphaul.reports.words import clock, duration, plural
from uphaul.signals import EventKind, Quality

__all__ = ["cautions", "gap_words", "quality", "quality_words", "setup"]

MOST_ROWS = 15
JUMP_S = 2.0
"""A wall clock that is off by more from one anchor to the next was set. Source: our own choice."""


def gap_words(case: Case) -> str:
    """How much of the drive was not recorded, in a clause; empty where all of it was."""
    t, gaps = case.whole.t_ms, np.flatnonzero(case.gaps)
    lost_ms = int((t[gaps] - t[gaps - 1]).sum())
    return f"{plural(len(gaps), 'gap')} of {duration(lost_ms)} in all" if len(gaps) else ""


def quality_words(case: Case) -> str:
    """The quality of the data in a sentence."""
    said = [gap_words(case) or "no gaps"]
    often = [s.name for s, share in zip(case.whole.signals, case.shares.tolist(), strict=True) if 0.0 < share < 0.95]
    never = sum(share == 0.0 for share in case.shares.tolist())
    if often:
        said.append(f"{plural(len(often), 'signal')} unknown for more than a twentieth of it")
    if never:
        said.append(f"{plural(never, 'signal')} never known")
    if case.about.lost_ticks:
        said.append(f"{case.about.lost_ticks} ticks that the card could not take")
    if not case.about.ended:
        said.append("the drive was not closed (power cut, or still being recorded)")
    return "; ".join(said)


def quality(case: Case) -> Section:
    """The section."""
    whole, info = case.whole, case.parts[0].info
    t = whole.t_ms
    blocks: list[Block] = []
    expected = (case.last_ms - case.first_ms) * info.tick_hz // 1000 + 1
    blocks.append(
        Para(
            f"{len(whole)} ticks recorded, {max(expected - len(whole), 0)} of {expected} missing at {info.tick_hz} a "
            f"second; {case.about.lost_ticks} of them are known as lost by the card. {_end(case)}"
        )
    )
    gaps = np.flatnonzero(case.gaps)
    if len(gaps):
        longest = sorted(sorted(gaps.tolist(), key=lambda i: int(t[i - 1]) - int(t[i]))[:MOST_ROWS])
        rows = tuple((clock(int(t[i - 1])), clock(int(t[i])), duration(int(t[i] - t[i - 1]))) for i in longest)
        caption = "Gaps" if len(rows) == len(gaps) else f"The {len(rows)} longest of {len(gaps)} gaps"
        blocks.append(Table(caption, ("last tick before", "first after", "length"), rows, (0, 1, 2)))
    else:
        blocks.append(Para(f"No gap of more than {duration(whole.gap_ms)}."))
    blocks += _signals(case)
    blocks += _clock(case)
    remarks = [e for e in whole.events if e.kind is EventKind.REMARK]
    if remarks:
        rows = tuple((clock(e.t_ms), e.actor, e.text) for e in remarks[: 2 * MOST_ROWS])
        more = f" (the first {len(rows)} of {len(remarks)})" if len(remarks) > len(rows) else ""
        blocks.append(Table(f"Remarks of sources and of the import{more}", ("at", "from", "remark"), rows, (0,)))
    if case.notes:
        blocks.append(Bullets(case.notes))
    return Section("quality", "Data quality", tuple(blocks))


def _end(case: Case) -> str:
    about = case.about
    ended = (
        f"The drive ended: {about.end_reason}."
        if about.ended
        else "The drive was never closed: a power cut, or it is still going on."
    )
    return ended + (f" It goes on from drive {about.continues}." if about.continues is not None else "")


def _signals(case: Case) -> list[Block]:
    wrong = _faults(case)
    rows, never = [], []
    for i, signal in enumerate(case.whole.signals):
        share = float(case.shares[i])
        if share == 0.0:
            never.append(signal.name)
        elif share < 0.995 or i in wrong:
            rows.append(
                (share, (signal.name, f"{100.0 * share:.1f} %", wrong.get(i, "") or "unknown where an input is"))
            )
    out: list[Block] = []
    if rows:
        kept = sorted(rows)[: 2 * MOST_ROWS]
        caption = "Signals that were not known throughout" + (
            f" ({len(kept)} of {len(rows)})" if len(rows) > len(kept) else ""
        )
        out.append(Table(caption, ("signal", "known", "why not, for how long in all"), tuple(r for _, r in kept), (1,)))
    else:
        out.append(Para("Every other signal was known throughout." if never else "Every signal was known throughout."))
    if never:
        out.append(Para(f"Never known in this drive: {', '.join(never)}."))
    return out


def _faults(case: Case) -> dict[int, str]:
    """By column, what was wrong with a signal and for how long."""
    changes: dict[int, list[tuple[int, Quality]]] = {}
    for q in case.whole.quality:
        changes.setdefault(q.signal, []).append((q.t_ms, q.quality))
    out = {}
    for column, own in changes.items():
        spent: dict[Quality, int] = {}
        for (a, kind), (b, _) in pairwise([*own, (case.last_ms, Quality.GOOD)]):
            if kind is not Quality.GOOD:
                spent[kind] = spent.get(kind, 0) + max(b - a, 0)
        words = [f"{kind.words} {duration(ms)}" for kind, ms in sorted(spent.items(), key=lambda s: -s[1]) if ms]
        if words:
            out[column] = ", ".join(words)
    return out


def _clock(case: Case) -> list[Block]:
    found = []
    for a in case.anchors:
        try:
            found.append((a.t_ms, datetime.fromisoformat(a.utc).timestamp(), a.source))
        except ValueError:
            continue
    if not found:
        return [Para("Clock: no wall-clock time was recorded; times in this report count from the drive's beginning.")]
    jumps = []
    for (t0, u0, _), (t1, u1, _) in pairwise(found):
        off = (u1 - u0) - (t1 - t0) / 1000.0
        if abs(off) > JUMP_S:
            jumps.append((clock(t1), f"{off:+.1f} s"))
    sources = ", ".join(dict.fromkeys(s for _, _, s in found))
    words = f"Clock: {plural(len(found), 'anchor')} to the wall clock, by {sources}; "
    words += (
        "the drive's own clock counts on through all changes of it." if jumps else "it was not set during the drive."
    )
    out: list[Block] = [Para(words)]
    if jumps:
        out.append(Table("The wall clock was set", ("at", "by"), tuple(jumps[:MOST_ROWS]), (0, 1)))
    return out


def setup(case: Case) -> Section:
    """What judged the drive."""
    config = case.config
    rows = tuple(
        (
            clock(p.info.first_t_ms or 0),
            p.info.software,
            p.info.judge_version,
            p.sha256[:16],
            ", ".join(name for name, _ in p.config.files),
        )
        for p in case.parts
    )
    blocks: list[Block] = [
        Table("Judged by", ("from", "Uphaul", "judge", "configuration (SHA-256)", "files"), rows, (0,)),
        Para("The log keeps the whole text of these files.", "small"),
    ]
    counts = np.bincount(case.whole.tune.astype(np.int64) + 1, minlength=len(case.whole.tunes) + 1)
    share = counts / max(int(counts.sum()), 1)
    names = ("unknown", *case.whole.tunes)
    tunes = ", ".join(f"{n} {100.0 * s:.0f} %" for n, s in zip(names, share.tolist(), strict=False) if s > 0.0)
    sources = ", ".join(f"{s.name} ({s.kind})" for s in config.sources) or "none"
    blocks.append(
        Bullets(
            (
                f"Vehicle: {config.vehicle.name or 'without a name'}",
                f"Tune in force, share of the ticks: {tunes}",
                f"Inputs: {sources}; {plural(len(config.signals), 'signal')}, of which "
                f"{sum(s.computed for s in config.signals)} computed; {plural(len(config.rules), 'rule')}",
            )
        )
    )
    if config.calibrations:
        cal = tuple((c.signal, c.date, c.by, c.instrument) for c in config.calibrations)
        blocks.append(Table("Calibrations in force", ("signal", "date", "by", "reference"), cal))
    else:
        blocks.append(Para("No calibration was in force: sensors count as their makers describe them."))
    return Section("setup", "Configuration and software", tuple(blocks))


def cautions(case: Case) -> Section:
    """What a reader must know."""
    items = [
        PROVEN,
        "Uphaul advises and never controls. It does not replace mechanical protection or the maker's limits.",
        "Limits are the configuration's; those that come with Uphaul are starting points, for the workshop to set.",
        "A loaded pull needs a dyno or a closed road. Exhaust parts burn, belts and fans catch. Never "
        "open a hot cooling system.",
        "This report shows speeds, times and what people wrote. It is the vehicle owner's: ask before you share it.",
    ]
    if case.invented:
        items.insert(
            0, "All data in this report are invented: they come from a model of a vehicle that does not exist."
        )
    return Section("cautions", "Cautions", (Bullets(tuple(items)),))
