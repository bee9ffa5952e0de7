"""What fits the evidence of a drive: causes ranked, never one of them certain, with what speaks for and against each.

Theory of operation. `evidence` sees the signs, `CAUSES` says what each cause would do to them. A sign that stands
counts by a level from 0 (strength 0.6) over 1 (1.3) to `MOST`; a picture's score is the sum of its weights over the
signs that are known, less `STRAY` for each sign that stands and that it neither expects nor allows. "Nothing wrong"
expects no sign at all; "unexplained" lets every sign be for a quarter of `STRAY`, so that it wins where every
cause leaves too much unsaid; a cause that what speaks against it nearly makes up for (`NET_LEAST`) is not named
either. Scores are logarithms of odds by judgement, not probabilities.

Signs that nobody can see count neither way, and are named: where such a sign would tell the two best apart, so is
the sensor to fit. Without enough to compare, and no sign that stands by itself, the verdict is "too little data".
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from uphaul.analysis.cause_table import CAUSES, Cause, Picture
from uphaul.analysis.evidence import Evidence, Pair, evidence
from uphaul.analysis.whole import WholeDrive

__all__ = ["NOTHING", "TOO_LITTLE", "UNEXPLAINED", "Finding", "Findings", "findings"]

NOTHING, TOO_LITTLE, UNEXPLAINED = "nothing wrong", "too little data", "unexplained"

FAINT, STANDS, MOST = 0.6, 1.3, 2.2
STRAY = 1.6
PRIOR = -2.0
UNEXPLAINED_PRIOR, UNEXPLAINED_SHARE = -2.6, 0.25
NET_LEAST = 1.5
CLOSE = 1.0
SHOWN = 3.0
LEAST_SIGNS = 4
TELLS = 0.8
"""Source of all: our own judgement, as that of the weights in `CAUSES`."""


@dataclass(frozen=True, slots=True)
class Finding:
    """A cause that may be, with what speaks for it and what against, the strongest first.

    `score` is in logarithms of odds against "nothing wrong". `strays` are signs that it doesn't explain, `cant_tell`
    what can't be seen and would matter. `apart` says what tells it from `rival`, the next best. `place` is the rank
    from 1: the first two share it where no sign that is known tells them apart.
    """

    cause: Cause
    title: str
    score: float
    speaks_for: tuple[Evidence, ...]
    speaks_against: tuple[Evidence, ...]
    strays: tuple[Evidence, ...]
    cant_tell: tuple[str, ...]
    moments_ms: tuple[tuple[int, int], ...]
    first: str
    rival: str = ""
    apart: str = ""
    place: int = 1


@dataclass(frozen=True, slots=True)
class Findings:
    """The verdict, the causes that come into question, best first, and all evidence.

    `verdict` is "nothing wrong", "too little data", "unexplained", or the key of the best cause. `words` says it as a
    sentence.
    """

    verdict: str
    words: str
    ranked: tuple[Finding, ...]
    evidence: tuple[Evidence, ...]
    cautions: tuple[str, ...] = ()

    @property
    def shared(self) -> bool:
        """Whether two causes share the first place."""
        return sum(f.place == 1 for f in self.ranked) > 1


def findings(drive: WholeDrive, reference: WholeDrive | None) -> Findings:
    """What fits the evidence of `drive` beside `reference` (the handover drive); without one little can be told."""
    pair = Pair(drive, reference)
    return judge(evidence(pair), pair.comparison.cautions if pair.comparison else ("there is no reference drive",))


def judge(seen: tuple[Evidence, ...], cautions: tuple[str, ...] = ()) -> Findings:
    """The same from evidence alone."""
    by_name = {e.sign.name: e for e in seen}
    levels = {e.sign.name: _level(e.strength, 0.0 if e.sign.name in _KIND else FAINT) for e in seen if e.known}
    scored = sorted(((*_best(cause, by_name, levels), cause) for cause in CAUSES), key=lambda s: -s[0])
    total = sum(abs(v) for n, v in levels.items() if n not in _KIND)
    nothing = -STRAY * total
    unexplained = UNEXPLAINED_PRIOR - UNEXPLAINED_SHARE * STRAY * total
    top = scored[0][0]
    best = max(top, nothing, unexplained)
    shown = [s for s in scored if s[0] >= top - SHOWN and s[0] > nothing]
    shared = len(shown) > 1 and _same(shown[0], shown[1], by_name, levels)
    ranked = tuple(
        _finding(cause, picture, score, (by_name, levels), shown[i + 1] if i == 0 and len(shown) > 1 else None)
        for i, (score, picture, cause) in enumerate(shown)
    )
    ranked = tuple(replace(f, place=1 if i == 1 and shared else i + 1) for i, f in enumerate(ranked))
    net = top - PRIOR - scored[0][2].prior
    stands = any(abs(v) >= 1.0 for n, v in levels.items() if n not in _KIND)
    if best == nothing or not stands:  # several faint signs are no finding
        enough = sum(e.known for e in seen if e.sign.name in _OF_COMPARISON) >= LEAST_SIGNS
        verdict = NOTHING if enough else TOO_LITTLE
    else:
        verdict = UNEXPLAINED if best == unexplained or net < NET_LEAST else scored[0][2].key
    ranked = ranked if verdict not in (NOTHING, TOO_LITTLE) else ()
    return Findings(verdict, _words(verdict, ranked), ranked, seen, cautions)


_KIND = frozenset(("drag_slow", "cooling_shut", "fan_works"))
"""Signs that say of which kind another is, and nothing alone: no false alarm hangs on them, so they count however
faint they are."""

_OF_COMPARISON = frozenset(
    (
        "boost",
        "turbo_speed",
        "compressor_out",
        "drive_pressure",
        "turbine_balance",
        "mixture",
        "egt",
        "egt_for_mixture",
        "fuel",
        "cooler",
        "cooling",
        "head_over_coolant",
        "drag",
        "oil_pressure",
        "full_load_lean",
    )
)


def _level(strength: float, faint: float) -> float:
    """How much a sign stands, with its direction: 0 up to `faint`, 1 at `STANDS`, `MOST` at most."""
    size = (abs(strength) - faint) / (STANDS - faint)
    size = min(max(size, 0.0), MOST)
    return size if strength >= 0 else -size


def _best(cause: Cause, seen: dict[str, Evidence], levels: dict[str, float]) -> tuple[float, Picture]:
    """(score, picture) of a cause's best picture."""
    scores = [(PRIOR + cause.prior + _score(p, seen, levels), i) for i, p in enumerate(cause.pictures)]
    score, i = max(scores, key=lambda s: (s[0], -s[1]))
    return score, cause.pictures[i]


def _score(picture: Picture, seen: dict[str, Evidence], levels: dict[str, float]) -> float:
    out = 0.0
    expected = {e.sign for e in picture.expects}
    for e in picture.expects:
        if e.sign not in levels:
            continue
        level = levels[e.sign]
        along = abs(level) if e.way == 0 else level * e.way
        if along > 0.0:
            out += e.if_seen * along
        out -= e.if_not * max(1.0 - max(along, 0.0), 0.0)
        if along < 0.0 and e.if_seen > 0.0:  # the other way is worse than nothing, unless this way would speak against
            out -= STRAY * -along
    for name, level in levels.items():
        if name not in expected and name not in picture.may and name not in _KIND:
            out -= STRAY * abs(level)
    return out


def _finding(
    cause: Cause,
    picture: Picture,
    score: float,
    signs: tuple[dict[str, Evidence], dict[str, float]],
    rival: tuple[float, Picture, Cause] | None,
) -> Finding:
    seen, levels = signs
    speaks_for: list[tuple[float, Evidence]] = []
    against: list[tuple[float, Evidence]] = []
    cant = []
    for e in picture.expects:
        found = seen[e.sign]
        if not found.known:
            if e.if_seen > 0.0:
                cant.append(found.text)
            continue
        along = abs(levels[e.sign]) if e.way == 0 else levels[e.sign] * e.way
        if e.if_seen > 0.0 and along > 0.0:
            speaks_for.append((e.if_seen * along, found))
        elif e.if_not > 0.0 or along < 0.0 or (e.if_seen < 0.0 and along > 0.0):
            against.append((e.if_not, found))
    expected = {e.sign for e in picture.expects}
    strays = [
        (abs(v), seen[n]) for n, v in levels.items() if n not in expected and n not in picture.may and abs(v) > 0.3
    ]
    also = [(0.1 * abs(v), seen[n]) for n, v in levels.items() if n in picture.may and abs(v) >= 1.0]
    moments = tuple(dict.fromkeys(m for e in _by_weight(speaks_for) for m in e.moments_ms))[:4]
    title = picture.title or cause.title
    other = "" if rival is None else rival[1].title or rival[2].title
    apart = "" if rival is None else _apart(picture, rival[1], seen, score - rival[0])
    return Finding(
        cause=cause,
        title=title,
        score=score,
        speaks_for=_by_weight(speaks_for + also),
        speaks_against=_by_weight(against),
        strays=_by_weight(strays),
        cant_tell=tuple(cant),
        moments_ms=moments,
        first=cause.first,
        rival=other,
        apart=apart,
    )


def _by_weight(weighed: list[tuple[float, Evidence]]) -> tuple[Evidence, ...]:
    return tuple(e for _, e in sorted(weighed, key=lambda w: -w[0]))


def _same(
    one: tuple[float, Picture, Cause],
    other: tuple[float, Picture, Cause],
    seen: dict[str, Evidence],
    levels: dict[str, float],
) -> bool:
    """Whether nothing tells the two apart: no sign that they expect differently was seen, nor missed for certain."""
    sure = {e.sign for p in (one[1], other[1]) for e in p.expects if e.if_not >= TELLS}
    tells = (e.known and (levels[e.sign.name] != 0.0 or e.sign.name in sure) for e in _differ(one[1], other[1], seen))
    return one[0] - other[0] < CLOSE and not any(tells)


def _differ(one: Picture, other: Picture, seen: dict[str, Evidence]) -> list[Evidence]:
    """The signs that two pictures expect differently, known or not."""
    differ = []
    names = {e.sign: e for e in one.expects}, {e.sign: e for e in other.expects}
    for name in dict.fromkeys((*names[0], *names[1])):
        mine, theirs = names[0].get(name), names[1].get(name)
        same = mine is not None and theirs is not None and mine.way == theirs.way and mine.if_seen * theirs.if_seen > 0
        if not same and not (mine is None and name in one.may) and not (theirs is None and name in other.may):
            differ.append(seen[name])
    return differ


def _apart(one: Picture, other: Picture, seen: dict[str, Evidence], lead: float) -> str:
    """What tells two pictures apart, or would."""
    differ = _differ(one, other, seen)
    known = [e for e in differ if e.known]
    unknown = [e for e in differ if not e.known]
    if not differ:
        return "No signal here tells these two apart: check the easier one first"
    said = []
    if known:
        said.append("Told apart by: " + "; ".join(e.text for e in known))
    if unknown:
        roles = dict.fromkeys(r for e in unknown for r in e.missing)
        fit = f" (fit {', '.join(roles)})" if roles else ""
        said.append("Would tell, but can't here: " + "; ".join(e.sign.up for e in unknown) + fit)
    if lead < CLOSE:
        said.append("The two are close")
    return ". ".join(said)


def _words(verdict: str, ranked: tuple[Finding, ...]) -> str:
    if verdict == NOTHING:
        return "Nothing in this drive stands out against the reference."
    if verdict == TOO_LITTLE:
        return "Too little to compare: a longer drive under load beside a reference is needed."
    if verdict == UNEXPLAINED:
        return "Something differs from the reference, and no cause that is known here explains it well."
    first = ranked[0]
    if len(ranked) > 1 and ranked[1].place == 1:
        return (
            f"Fits best: {first.title}, or just as well {ranked[1].title}. What was measured can't tell these two "
            f"apart. {first.apart}. Check before mending."
        )
    if len(ranked) > 1 and first.score - ranked[1].score < CLOSE:
        return f"Fits best: {first.title}; or {ranked[1].title}. The two are close. Check before mending."
    return f"Fits best: {first.title}. Check before mending."
