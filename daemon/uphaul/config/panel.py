"""Checks what daemon.toml says of the dash panel: something is fitted, and every line has one use."""

from __future__ import annotations

from collections.abc import Iterable

from uphaul.config.amounts import Scope
from uphaul.config.panel_tables import PanelTable
from uphaul.config.spec import PanelSpec, PulseSpec, SourceSpec

__all__ = ["build_panel"]

PARTS = ("buzzer", "lamp", "button")


def build_panel(scope: Scope, table: PanelTable | None, sources: Iterable[SourceSpec]) -> PanelSpec | None:
    """The panel, None where there is none; a line that is none or has two uses is a problem."""
    if table is None:
        return None
    taken = {(s.chip, s.line): f"source {s.name} has it" for s in sources if isinstance(s, PulseSpec) and not s.counter}
    fitted = {part: line for part in PARTS if (line := getattr(table, part)) is not None}
    if not fitted and not any(scope.problems.noted(f"panel.{part}") for part in PARTS):
        scope.wrong("panel.buzzer", None, "must be there, or `lamp` or `button`: a panel has at least one of them")
    for part, line in fitted.items():
        if line == "" or (isinstance(line, int) and line < 0):
            scope.wrong(f"panel.{part}", line, "must be a number from 0, or a name")
        elif (table.chip, line) in taken:
            scope.wrong(f"panel.{part}", line, f"must be a line of its own: {taken[table.chip, line]}")
        else:
            taken[table.chip, line] = f"panel.{part} has it"
    return PanelSpec(
        chip=table.chip,
        buzzer=table.buzzer,
        lamp=table.lamp,
        button=table.button,
        buzzer_active_low=table.buzzer_active_low,
        lamp_active_low=table.lamp_active_low,
        button_active_low=table.button_active_low,
        button_bias=table.button_bias,
    )
