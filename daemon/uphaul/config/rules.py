"""From the tables of rules.toml to rules: every reference, limit, deadband and time checked."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from uphaul.config import model as m
from uphaul.config.amounts import Scope, amount_of, check_reach, deadband_of, sided, whole_ms
from uphaul.config.shape import Shaped
from uphaul.rules import ABOVE, Action, Curve, Kind, Rule, Setting, Share, When
from uphaul.signals import Signal

__all__ = ["Surroundings", "build_rules"]

LOST_PREFIX = "lost:"
LOST_ON_MS, LOST_OFF_MS, LOST_GRACE_MS, LOST_RANK = 2000, 10_000, 10_000, 90
"""What `required = true` gives its rule. A loose wire is one alert while it lasts, not one for every contact."""

BLOCK_TICKS = 4096
"""Ticks that a judge may take at once on top of a window."""

AnyRule = (
    m.ThresholdTable | m.RateTable | m.ExposureTable | m.DepartureTable | m.LostTable | m.ReachTable
)  # the members of RuleTable
ACTIONS = {a.word: a for a in Action}


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What rules may refer to beside signals.

    `tunes` None: any name goes. `expected` maps a signal to its expected curve by tune; None when vehicle.toml
    is at fault itself and nothing can be said. `tick_ms` None: not known.
    """

    tunes: tuple[str, ...] | None = None
    expected: Mapping[str, Mapping[str, Curve]] | None = field(default_factory=dict)
    tick_ms: int | None = None


def build_rules(scope: Scope, shaped: Shaped[m.RulesFile], around: Surroundings) -> tuple[Rule, ...]:
    """The rules in file order, then those that required signals add."""
    names = _check_names(scope, shaped)
    rules = [
        _Builder(scope, f"rule[{place}]", table, around).build()
        for place, table in zip(shaped.places, shaped.data.rule, strict=True)
    ]
    for place, common in shaped.common:
        scope.named(common.signal, f"rule[{place}].signal")
        for i, when in enumerate(common.when):
            build_when(scope, f"rule[{place}].when[{i}]", when)
        _check_suppressors(scope, place, common.name, common.suppressed_by, names)
    for place, rule in zip(shaped.places, rules, strict=True):
        _check_suppressors(scope, place, rule.name, rule.suppressed_by, names)
    _check_rings(scope, shaped.places, rules)
    return (*rules, *_lost_rules(scope.signals.values(), rules))


def _check_names(scope: Scope, shaped: Shaped[m.RulesFile]) -> dict[str, int]:
    """Every name with the index of its first rule; a second rule of that name is a problem."""
    first: dict[str, int] = {}
    for place, table in zip(shaped.places, shaped.data.rule, strict=True):
        if table.name in first:
            key = f"rule[{place}].name"
            scope.wrong(key, table.name, f"must be a name of its own: rule[{first[table.name]}] has it already")
        first.setdefault(table.name, place)
    for name in shaped.named.get("rule", ()):
        first.setdefault(name, -1)
    for name, signal in scope.signals.items():
        if signal is not None and signal.required:
            first.setdefault(f"{LOST_PREFIX}{name}", -1)
    return first


def _check_suppressors(
    scope: Scope, place: int, rule: str, suppressors: Sequence[str], names: Mapping[str, int]
) -> None:
    for i, other in enumerate(suppressors):
        if other not in names and scope.strict:
            key = f"rule[{place}].suppressed_by[{i}]"
            scope.wrong(key, other, f"must be the name of another rule (rule {rule!r})", known=tuple(names))


def _check_rings(scope: Scope, places: Sequence[int], rules: Sequence[Rule]) -> None:
    """Rules that suppress each other in a ring would hide each other for good."""
    by = {r.name: r.suppressed_by for r in rules}
    for place, rule in zip(places, rules, strict=True):
        seen, ahead = set(), list(rule.suppressed_by)
        while ahead:
            name = ahead.pop()
            if name == rule.name:
                allowed = f"must not lead back to the rule itself (rule {rule.name!r})"
                scope.wrong(f"rule[{place}].suppressed_by", list(rule.suppressed_by), allowed)
                break
            if name not in seen:
                seen.add(name)
                ahead += by.get(name, ())


def _lost_rules(signals: Iterable[Signal | None], rules: Sequence[Rule]) -> list[Rule]:
    """A rule for each required signal that has none of kind lost."""
    written = {r.signal for r in rules if r.kind is Kind.LOST}
    return [
        Rule(
            name=f"{LOST_PREFIX}{s.name}",
            kind=Kind.LOST,
            signal=s.name,
            side=ABOVE,
            base=Setting(on_delay_ms=LOST_ON_MS, off_delay_ms=LOST_OFF_MS),
            action=Action.NOTE,
            rank=LOST_RANK,
            say=f"No reading of {s.name.replace('_', ' ')}: check sensor and wiring at the next stop",
            judge_unknown_when=True,
            grace_ms=LOST_GRACE_MS,
        )
        for s in signals
        if s is not None and s.required and s.name not in written
    ]


def build_when(scope: Scope, key: str, table: m.WhenTable) -> When:
    """One further condition."""
    signal = scope.named(table.signal, f"{key}.signal")
    deadband = deadband_of(scope, f"{key}.deadband", table.deadband, signal.unit if signal else "")
    found = sided(scope, key, table.above, table.below)
    if found is None:
        return When(table.signal, ABOVE, 0.0, deadband)
    side, limit_key, value = found
    limit = amount_of(scope, limit_key, value)
    assert not isinstance(limit, Share)
    check_reach(scope, limit_key, signal, side=side, limit=limit, deadband=deadband)
    return When(table.signal, side, limit, deadband)


class _Builder:
    """Builds one rule."""

    def __init__(self, scope: Scope, key: str, table: AnyRule, around: Surroundings) -> None:
        self._scope, self._key, self._table, self._around = scope, key, table, around
        self._kind = Kind(table.kind)
        self._signal = scope.named(table.signal, f"{key}.signal")
        self._unit = self._signal.unit if self._signal else ""
        self._limited = False

    def build(self) -> Rule:
        """The rule; of no use if there were problems."""
        t = self._table
        side, base = self._base()
        window_ms = self._window()
        rule = Rule(
            name=t.name,
            kind=self._kind,
            signal=t.signal,
            side=side,
            base=base,
            action=ACTIONS[t.action],
            rank=t.rank,
            say=t.say or t.name.replace("-", " ").replace(":", ": "),
            act=t.act,
            again=t.again,
            latch=t.latch,
            when=tuple(build_when(self._scope, f"{self._key}.when[{i}]", w) for i, w in enumerate(t.when)),
            judge_unknown_when=t.when_unknown == "judge" if t.when_unknown else t.action == "note",
            suppressed_by=tuple(t.suppressed_by),
            window_ms=window_ms,
            start=t.start if isinstance(t, m.ReachTable) else None,
            grace_ms=self._ms("start_grace_s", t.start_grace_s) if isinstance(t, m.LostTable) else 0,
            expected=self._expected(),
        )
        if t.name.startswith(LOST_PREFIX) and self._kind is not Kind.LOST:
            self._wrong("name", t.name, f"must not begin with {LOST_PREFIX}, which is for rules of kind lost")
        if self._limited:
            self._check_setting(rule, base, self._key)
        tunes = tuple((name, self._tuned(rule, name, table)) for name, table in t.tune.items())
        return replace(rule, tunes=tunes)

    def _wrong(self, key: str, value: object, allowed: str) -> None:
        self._scope.wrong(f"{self._key}.{key}", value, f"{allowed} (rule {self._table.name!r})")

    def _ms(self, key: str, value_s: float) -> int:
        return whole_ms(self._scope, f"{self._key}.{key}", value_s)

    def _deadband_unit(self) -> str:
        if self._kind in (Kind.EXPOSURE, Kind.REACH):
            return "s"
        return f"{self._unit}/s" if self._kind is Kind.RATE and self._unit else self._unit

    def _base(self) -> tuple[int, Setting]:
        t = self._table
        delays = Setting(
            on_delay_ms=self._ms("on_delay_s", t.on_delay_s), off_delay_ms=self._ms("off_delay_s", t.off_delay_s)
        )
        if isinstance(t, m.LostTable):
            return ABOVE, delays
        deadband = deadband_of(self._scope, f"{self._key}.deadband", t.deadband, self._deadband_unit())
        found = sided(self._scope, self._key, t.above, t.below)
        if found is None:
            return ABOVE, replace(delays, deadband=deadband)
        self._limited = True
        side, key, value = found
        base = replace(delays, limit=amount_of(self._scope, key, value), deadband=deadband)
        if isinstance(t, m.ExposureTable):
            self._ms("allowed_s", t.allowed_s)
            base = replace(base, allowed_s=t.allowed_s)
        elif isinstance(t, m.ReachTable):
            base = replace(base, within_s=t.within_s)
        return side, base

    def _tuned(self, rule: Rule, name: str, table: m.TuneTable) -> Setting:
        """The rule's setting with the tune's own values laid over it."""
        scope, key = self._scope, f"{self._key}.tune.{name}"
        if self._around.tunes is not None and name not in self._around.tunes:
            scope.problems.add(scope.file, key, name, "must be a tune of vehicle.toml", known=self._around.tunes)
        setting = rule.base
        foreign = self._foreign(rule)
        for field_name, words in foreign.items():
            if getattr(table, field_name) is not None:
                scope.wrong(f"{key}.{field_name}", None, f"{words} (rule {rule.name!r})")
        limit_key = "above" if rule.side == ABOVE else "below"
        limit = None if limit_key in foreign else getattr(table, limit_key)
        if limit is not None:
            if isinstance(limit, m.ShareTable) and self._kind is not Kind.DEPARTURE:
                scope.wrong(f"{key}.{limit_key}", None, "must be a number or { over, points } for this kind")
            else:
                setting = replace(setting, limit=amount_of(scope, f"{key}.{limit_key}", limit))
        if table.deadband is not None and "deadband" not in foreign:
            band = deadband_of(scope, f"{key}.deadband", table.deadband, self._deadband_unit())
            setting = replace(setting, deadband=band)
        for field_name in ("on_delay", "off_delay"):
            value = getattr(table, f"{field_name}_s")
            if value is not None:
                setting = replace(setting, **{f"{field_name}_ms": whole_ms(scope, f"{key}.{field_name}_s", value)})
        for field_name in ("allowed_s", "within_s"):
            value = getattr(table, field_name)
            if value is not None and field_name not in foreign:
                setting = replace(setting, **{field_name: value})
        plain = replace(setting, on_delay_ms=0, off_delay_ms=0)
        if self._limited and plain != replace(rule.base, on_delay_ms=0, off_delay_ms=0):
            self._check_setting(rule, setting, key)
        return setting

    def _foreign(self, rule: Rule) -> dict[str, str]:
        """Keys of a tune's table that this rule has no use for, and why."""
        out = {}
        if rule.kind is Kind.LOST:
            out = dict.fromkeys(("above", "below", "deadband"), "is no key of kind lost, whose tunes set delays only")
        elif rule.side == ABOVE:
            out["below"] = "must be `above`, the side of the rule"
        else:
            out["above"] = "must be `below`, the side of the rule"
        if rule.kind is not Kind.EXPOSURE:
            out["allowed_s"] = f"is no key of kind {rule.kind}; it belongs to exposure"
        if rule.kind is not Kind.REACH:
            out["within_s"] = f"is no key of kind {rule.kind}; it belongs to reach"
        return out

    def _window(self) -> int:
        t, tick_ms = self._table, self._around.tick_ms
        if not isinstance(t, m.RateTable | m.ExposureTable | m.ReachTable):
            return 0
        window_ms = self._ms("window_s", t.window_s)
        if self._kind is Kind.EXPOSURE or tick_ms is None:
            return window_ms
        if window_ms < 2 * tick_ms:
            self._wrong("window_s", t.window_s, f"must be at least {2 * tick_ms / 1000:g} s: a slope needs three ticks")
        s = self._signal
        if s is not None:
            ticks, grid = window_ms // tick_ms + 1, window_ms // tick_ms + BLOCK_TICKS
            counts = (s.high - s.low) * s.per_unit
            if counts < float("inf") and ticks * grid * max(counts, grid) >= 2**63:
                self._wrong(
                    "window_s",
                    t.window_s,
                    f"is too long for {s.name} at {s.per_unit} counts per {s.unit}: the sums outgrow 64 bits",
                )
        return window_ms

    def _expected(self) -> tuple[tuple[str, Curve], ...]:
        if self._kind is not Kind.DEPARTURE or self._around.expected is None:
            return ()
        curves = self._around.expected.get(self._table.signal, {})
        if not curves and self._scope.strict:
            name = self._table.signal
            allowed = f"must have an expected curve: write expected.{name} under a tune of vehicle.toml"
            self._wrong("signal", name, allowed)
        return tuple(curves.items())

    def _check_setting(self, rule: Rule, setting: Setting, key: str) -> None:
        """What a limit, its deadband and the kind's own limit must be to each other."""
        scope, side, limit, band = self._scope, rule.side, setting.limit, setting.deadband
        limit_key = f"{key}.{'above' if side == ABOVE else 'below'}"
        match rule.kind:
            case Kind.THRESHOLD:
                check_reach(scope, limit_key, self._signal, side=side, limit=limit, deadband=band)
            case Kind.EXPOSURE:
                check_reach(scope, limit_key, self._signal, side=side, limit=limit, deadband=0.0)
                if setting.allowed_s * 1000 >= rule.window_ms:
                    allowed = f"must be below the window of {rule.window_ms / 1000:g} s, ever to be exceeded"
                    scope.wrong(f"{key}.allowed_s", setting.allowed_s, f"{allowed} (rule {rule.name!r})")
                if isinstance(band, float) and band > setting.allowed_s:
                    allowed = f"must be at most the {setting.allowed_s:g} s that are allowed, ever to be within again"
                    scope.wrong(f"{key}.deadband", band, f"{allowed} (rule {rule.name!r})")
            case Kind.DEPARTURE:
                amount = limit.share if isinstance(limit, Share) else limit
                if isinstance(amount, float) and amount * side < 0:
                    words = "at least 0: so far over" if side == ABOVE else "at most 0: -20 is 20 under"
                    scope.wrong(limit_key, amount, f"must be {words} the expected curve (rule {rule.name!r})")
            case Kind.REACH:
                if rule.start is not None and isinstance(limit, float) and (limit - rule.start) * side <= 0:
                    words = "below" if side == ABOVE else "above"
                    allowed = f"must be {words} the limit of {limit:g} {self._unit} (rule {rule.name!r})"
                    scope.wrong(f"{self._key}.from", rule.start, allowed)
            case Kind.RATE | Kind.LOST:
                pass
