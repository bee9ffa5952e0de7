"""The table of the dash panel: buzzer, lamp and button on lines of a GPIO chip."""

from __future__ import annotations

from typing import Literal

from uphaul.config.tables import Table, key

__all__ = ["PanelTable"]


class PanelTable(Table):
    """Buzzer, lamp and button on the dash; what is not fitted is left out."""

    chip: str = key("the GPIO chip that has the lines, as /dev/gpiochip0", min_length=1, max_length=200)
    buzzer: int | str | None = key("number or name of the line that switches the buzzer", None)
    buzzer_active_low: bool = key("the buzzer sounds when its line is low", False)
    lamp: int | str | None = key("number or name of the line that switches the lamp", None)
    lamp_active_low: bool = key("the lamp is lit when its line is low", False)
    button: int | str | None = key("number or name of the line that the button is on", None)
    button_active_low: bool = key("the line is low while the button is pressed, as with a button to ground", True)
    button_bias: Literal["as-is", "disabled", "pull-up", "pull-down"] = key(
        "resistor that the chip itself adds to the button's line", "pull-up"
    )
