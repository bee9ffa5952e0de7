"""A plain, slow, sample-by-sample evaluator of rules: what the judge is held against.

It follows the definitions in the rules' page word by word and keeps as little state as it can: every tick looks back
over the drive for its window and for its delay, so that there is no carry to get wrong. Nothing here is fast.

Readings taken where more than one seemed possible:

- A rule's settings under tune number k are those of the k-th name in `tunes`; settings that a rule holds for names
  which are not in `tunes` are never used. Under an unknown tune the variants are the base, then the names in order.
- Value and limit of a change under an unknown tune: those of the first variant that is beyond (raise), or those of the
  base (clear). Value and limit are found apart: an unknown measure does not make a known limit NaN.
- Rate: least squares over (ms, counts), num * 1000 over den * per_unit, both exact integers: the quotient is rounded
  once, also where they are too large for a double.
- Exposure: steps go on being counted while a `when` is false; that only makes the tick within. A step's limit is that
  of its own tick and tune. A share as deadband is a share of the time allowed.
- Departure: a share as limit or as deadband is a share of |e|. Under an unknown tune there is no e.
- Reach: unknown comes before all else; then a slope that does not point at the limit, or an x not past `start`, makes
  the tick within with no number of seconds left (NaN). At or past the limit 0 s are left. A share as deadband is a
  share of the lead time.
- Lost: during the grace the tick is neither. A `when` that is false makes it within, as for every kind.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import Enum

from uphaul.alerts.model import Condition
from uphaul.rules.spec import ABOVE, Curve, Kind, Rule, Setting, Share, When
from uphaul.signals.model import Block, Signal

__all__ = [
    "Drive",
    "Tick",
    "at_curve",
    "closest",
    "exposure_ms",
    "reference_conditions",
    "slope_per_s",
    "tick_of",
    "verdicts",
]

Known = float | None
"""A number, or None where it is unknown."""


class Tick(Enum):
    """What one tick says about one rule."""

    BEYOND = "beyond"
    WITHIN = "within"
    BETWEEN = "between"
    UNKNOWN = "unknown"


Found = tuple[Tick, Known, Known]
"""What a tick says, the measure, and what it was held against."""


class Drive:
    """The ticks of one drive as plain lists, unknown values as None, tunes by name."""

    def __init__(self, signals: Sequence[Signal], tunes: Sequence[str], block: Block, gap_ms: int) -> None:
        self.t = [int(t) for t in block.t_ms]
        self.gap_ms = gap_ms
        self.tunes = list(tunes)
        self.number = [int(n) for n in block.tune]
        self.per_unit = {s.name: s.per_unit for s in signals}
        rows = [[float(x) for x in row] for row in block.values]
        self.x: dict[str, list[Known]] = {
            s.name: [None if math.isnan(row[i]) else row[i] for row in rows] for i, s in enumerate(signals)
        }

    def __len__(self) -> int:
        return len(self.t)

    def gap_before(self, k: int) -> bool:
        """True when tick k comes after a gap."""
        return k > 0 and self.t[k] - self.t[k - 1] > self.gap_ms

    def counts(self, signal: str, k: int) -> int:
        """The count of a known value: the integer that the log would hold."""
        x = self.x[signal][k]
        assert x is not None
        return round(x * self.per_unit[signal])

    def variants(self, rule: Rule, k: int) -> list[Setting]:
        """The settings that tick k is judged under: one if its tune is known, else the base's and every tune's."""
        if self.number[k] >= 0:
            return [rule.setting(self.tunes[self.number[k]])]
        return [rule.base, *(rule.setting(name) for name in self.tunes)]


def at_curve(curve: Curve, x: float) -> float:
    """The curve's value at x, in doubles as the page writes it."""
    if x <= curve.x[0]:
        return curve.y[0]
    if x >= curve.x[-1]:
        return curve.y[-1]
    for knot, y in zip(curve.x, curve.y, strict=True):
        if x == knot:
            return y
    i = max(i for i, knot in enumerate(curve.x) if knot < x)
    x0, x1, y0, y1 = curve.x[i], curve.x[i + 1], curve.y[i], curve.y[i + 1]
    return y0 + (y1 - y0) * (x - x0) / (x1 - x0)


def tick_of(value: Known, limit: Known, deadband: float | Share, side: int) -> Tick:
    """Beyond, within or between the two for a value against a limit; a share is one of this |limit|."""
    if value is None or limit is None:
        return Tick.UNKNOWN
    band = deadband.share * abs(limit) if isinstance(deadband, Share) else deadband
    if side == ABOVE:
        return Tick.BEYOND if value > limit else Tick.WITHIN if value <= limit - band else Tick.BETWEEN
    return Tick.BEYOND if value < limit else Tick.WITHIN if value >= limit + band else Tick.BETWEEN


def _level(drive: Drive, amount: float | Curve, k: int) -> Known:
    """A limit at tick k."""
    if not isinstance(amount, Curve):
        return amount
    x = drive.x[amount.over][k]
    return None if x is None else at_curve(amount, x)


def _amount(drive: Drive, setting: Setting, k: int) -> Known:
    """A limit that may not be a share."""
    assert not isinstance(setting.limit, Share), "a share as limit belongs to departure rules"
    return _level(drive, setting.limit, k)


def slope_per_s(drive: Drive, rule: Rule, k: int) -> Known:
    """Least-squares slope at tick k in the signal's unit per second, or None."""
    if drive.x[rule.signal][k] is None:
        return None
    times: list[int] = []
    counts: list[int] = []
    i = k
    while i >= 0 and drive.t[i] >= drive.t[k] - rule.window_ms:
        if drive.x[rule.signal][i] is not None:
            times.append(drive.t[i])
            counts.append(drive.counts(rule.signal, i))
        if drive.gap_before(i):
            break
        i -= 1
    if len(times) < 3 or (max(times) - min(times)) * 2 < rule.window_ms:
        return None
    n = len(times)
    num = n * sum(t * c for t, c in zip(times, counts, strict=True)) - sum(times) * sum(counts)
    den = n * sum(t * t for t in times) - sum(times) ** 2
    return (num * 1000) / (den * drive.per_unit[rule.signal])  # of exact integers: rounded once, however large


def exposure_ms(drive: Drive, rule: Rule, k: int) -> tuple[int, int]:
    """Milliseconds known to be past the limit, and milliseconds unknown, in the window that ends at tick k."""
    known = unknown = 0
    for j in range(1, k + 1):
        if drive.t[j] <= drive.t[k] - rule.window_ms:
            continue
        step = drive.t[j] - drive.t[j - 1]
        x = drive.x[rule.signal][j]
        past = [tick_of(x, _amount(drive, s, j), 0.0, rule.side) for s in drive.variants(rule, j)]
        if drive.gap_before(j):
            unknown += step
        elif Tick.BEYOND in past:
            known += step
        elif Tick.UNKNOWN in past:
            unknown += step
    return known, unknown


def _exposure(drive: Drive, rule: Rule, setting: Setting, k: int) -> Found:
    known_ms, unknown_ms = exposure_ms(drive, rule, k)
    allowed, band = setting.allowed_s, setting.deadband
    band = band.share * abs(allowed) if isinstance(band, Share) else band
    if known_ms / 1000.0 > allowed:
        tick = Tick.BEYOND
    elif (known_ms + unknown_ms) / 1000.0 <= allowed - band:
        tick = Tick.WITHIN
    else:
        tick = Tick.BETWEEN
    return tick, known_ms / 1000.0, allowed


def _departure(drive: Drive, rule: Rule, setting: Setting, k: int) -> Found:
    name = drive.tunes[drive.number[k]] if drive.number[k] >= 0 else None
    curve = None if name is None else dict(rule.expected).get(name)
    e = None if curve is None else _level(drive, curve, k)
    x = drive.x[rule.signal][k]
    value = None if x is None or e is None else x - e
    limit: Known
    if isinstance(setting.limit, Share):
        limit = None if e is None else setting.limit.share * abs(e)
    else:
        limit = _level(drive, setting.limit, k)
    if value is None or limit is None or e is None:
        return Tick.UNKNOWN, value, limit
    band = setting.deadband.share * abs(e) if isinstance(setting.deadband, Share) else setting.deadband
    return tick_of(value, limit, band, rule.side), value, limit


def _reach(drive: Drive, rule: Rule, setting: Setting, k: int) -> Found:
    x, s = drive.x[rule.signal][k], slope_per_s(drive, rule, k)
    limit, within = _amount(drive, setting, k), setting.within_s
    if x is None or s is None or limit is None:
        return Tick.UNKNOWN, None, within
    up = rule.side == ABOVE
    pointing = s > 0 if up else s < 0
    started = rule.start is None or (x > rule.start if up else x < rule.start)
    if not (pointing and started):
        return Tick.WITHIN, None, within
    reached = x >= limit if up else x <= limit
    left = 0.0 if reached else (limit - x) / s
    band = setting.deadband.share * abs(within) if isinstance(setting.deadband, Share) else setting.deadband
    tick = Tick.BEYOND if left < within else Tick.WITHIN if left >= within + band else Tick.BETWEEN
    return tick, left, within


def _under(drive: Drive, rule: Rule, setting: Setting, k: int) -> Found:
    """What tick k says of the rule under one setting."""
    match rule.kind:
        case Kind.THRESHOLD:
            x, limit = drive.x[rule.signal][k], _amount(drive, setting, k)
            return tick_of(x, limit, setting.deadband, rule.side), x, limit
        case Kind.RATE:
            slope, limit = slope_per_s(drive, rule, k), _amount(drive, setting, k)
            return tick_of(slope, limit, setting.deadband, rule.side), slope, limit
        case Kind.EXPOSURE:
            return _exposure(drive, rule, setting, k)
        case Kind.DEPARTURE:
            return _departure(drive, rule, setting, k)
        case Kind.REACH:
            return _reach(drive, rule, setting, k)
        case Kind.LOST:
            if drive.t[k] - drive.t[0] < rule.grace_ms:
                return Tick.BETWEEN, None, None
            return (Tick.BEYOND if drive.x[rule.signal][k] is None else Tick.WITHIN), None, None


def _measured(drive: Drive, rule: Rule, k: int) -> Found:
    """What tick k says of the rule, every variant of an unknown tune heard, `when` left aside."""
    found = [_under(drive, rule, setting, k) for setting in drive.variants(rule, k)]
    for one in found:
        if one[0] is Tick.BEYOND:
            return one
    ticks = {one[0] for one in found}
    tick = Tick.WITHIN if ticks == {Tick.WITHIN} else Tick.UNKNOWN if Tick.UNKNOWN in ticks else Tick.BETWEEN
    return tick, found[0][1], found[0][2]


def _holding(drive: Drive, when: When) -> list[bool | None]:
    """Whether a `when` holds, tick by tick; None where it is unknown."""
    held = False
    out: list[bool | None] = []
    for k in range(len(drive)):
        if drive.gap_before(k):
            held = False
        tick = tick_of(drive.x[when.signal][k], _level(drive, when.limit, k), when.deadband, when.side)
        if tick is Tick.UNKNOWN:
            held = False
            out.append(None)
            continue
        held = tick is Tick.BEYOND or (held and tick is Tick.BETWEEN)
        out.append(held)
    return out


def verdicts(drive: Drive, rule: Rule) -> list[Found]:
    """What every tick says of the rule, with the value and the limit that a change at that tick would carry."""
    whens = [_holding(drive, when) for when in rule.when]
    out: list[Found] = []
    for k in range(len(drive)):
        tick, value, limit = _measured(drive, rule, k)
        states = [w[k] for w in whens]
        if False in states:
            _, value, limit = _under(drive, rule, drive.variants(rule, k)[0], k)
            tick = Tick.WITHIN
        elif None in states and rule.judge_unknown_when:
            tick = Tick.UNKNOWN
        out.append((tick, value, limit))
    return out


def closest(drive: Drive, rule: Rule) -> tuple[int, float, float, float, int] | None:
    """(t_ms, excess, value, limit, tune) where the rule came nearest to its limit or went furthest past it.

    The first such tick, and the first such variant, of those at which its further conditions are known to hold or,
    unknown, count as holding. None where nothing is known of it.
    """
    side = {Kind.REACH: -1, Kind.EXPOSURE: 1}.get(rule.kind, rule.side)
    whens = [_holding(drive, when) for when in rule.when]
    best: tuple[int, float, float, float, int] | None = None
    for k in range(len(drive)):
        states = [w[k] for w in whens]
        if False in states or (None in states and rule.judge_unknown_when):
            continue
        for setting in drive.variants(rule, k):
            _, value, limit = _under(drive, rule, setting, k)
            if value is None or limit is None:
                continue
            excess = value - limit if side > 0 else limit - value
            if best is None or excess > best[1]:
                best = drive.t[k], excess, value, limit, drive.number[k]
    return best


def _since_ms(drive: Drive, ticks: list[Tick], k: int) -> int:
    """For how long every tick up to k has said the same as tick k, without a gap."""
    s = k
    while s > 0 and ticks[s - 1] is ticks[k] and not drive.gap_before(s):
        s -= 1
    return drive.t[k] - drive.t[s]


def _of_rule(drive: Drive, rule: Rule, index: int) -> list[Condition]:
    found = verdicts(drive, rule)
    ticks = [f[0] for f in found]
    active = False
    out: list[Condition] = []
    for k, (tick, value, limit) in enumerate(found):
        settings = drive.variants(rule, k)
        if not active and tick is Tick.BEYOND:
            change = _since_ms(drive, ticks, k) >= min(s.on_delay_ms for s in settings)
        elif active and tick is Tick.WITHIN:
            change = _since_ms(drive, ticks, k) >= max(s.off_delay_ms for s in settings)
        else:
            change = False
        if change:
            active = not active
            numbers = [math.nan if n is None else n for n in (value, limit)]
            out.append(Condition(drive.t[k], index, active, numbers[0], numbers[1], drive.number[k]))
    return out


def reference_conditions(
    rules: Sequence[Rule], signals: Sequence[Signal], tunes: Sequence[str], block: Block, gap_ms: int = 1000
) -> list[Condition]:
    """All changes of all rules' conditions over a whole drive, in order of tick, then of rule."""
    drive = Drive(signals, tunes, block, gap_ms)
    changes = [c for index, rule in enumerate(rules) for c in _of_rule(drive, rule, index)]
    return sorted(changes, key=lambda c: (c.t_ms, c.rule))
