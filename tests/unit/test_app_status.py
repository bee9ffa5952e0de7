"""What the daemon tells the page of itself: where its data come from, and what belongs to an alert."""

from __future__ import annotations

from dataclasses import replace

import pytest

from support.config_files import config_of
from uphaul.app import App
from uphaul.config.spec import DemoSpec, DriveFileSpec, PanelSpec, SourceSpec
from uphaul.vehicle import Vehicle


@pytest.mark.parametrize(
    ("sources", "invented", "replayed"),
    [
        ((), False, False),
        ((DemoSpec("demo", "demo"),), True, False),
        ((DriveFileSpec("old", "old.db"),), False, True),
        ((DriveFileSpec("old", "old.db"), DemoSpec("demo", "demo")), True, True),
    ],
)
def test_the_page_says_when_nothing_of_it_is_measured_now(
    sources: tuple[SourceSpec, ...], invented: bool, replayed: bool
) -> None:
    config = replace(config_of(), sources=sources, inputs=())
    status = App(config, None).status()
    assert (status.invented, status.replayed) == (invented, replayed)


def test_what_an_output_notes_is_told_like_what_a_source_notes() -> None:
    app = App(replace(config_of(), panel=PanelSpec("gpiochip0", buzzer=17)), None)
    assert app._panel is not None
    app._panel.health.notes = ("the button is stuck",)
    assert app.status().notices[-1] == "panel: the button is stuck"


def test_a_configuration_of_the_invented_vehicle_knows_that_it_is() -> None:
    real = replace(config_of(), sources=(), inputs=(), vehicle=Vehicle("a tow vehicle"))
    assert not real.invented
    assert replace(real, sources=(DemoSpec("demo", "demo"),)).invented
    assert replace(real, vehicle=replace(real.vehicle, name="Sample (invented)")).invented
