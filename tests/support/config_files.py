"""Small configurations for tests: three files that are in order, to be changed in one place each."""

from __future__ import annotations

import pytest

from uphaul.config import load_texts
from uphaul.config.spec import Config
from uphaul.errors import ConfigError, Problem

__all__ = ["DBC", "RULES", "SIGNALS", "VEHICLE", "config_of", "problems_of", "rules_toml"]

DBC = """VERSION ""

NS_ :

BS_:

BU_: Box

BO_ 256 EngineBox: 8 Box
 SG_ Rpm : 0|16@1+ (0.25,0) [0|16000] "rpm" Box
 SG_ Egt1 : 16|16@1+ (0.1,-40) [-40|1300] "degC" Box
 SG_ Boost : 32|16@1+ (0.01,0) [0|60] "psi" Box
 SG_ Odd : 48|8@1+ (1,0) [0|255] "furlongs" Box
 SG_ Bare : 56|8@1+ (1,0) [0|255] "" Box
"""
"""An invented layout."""

SIGNALS = """
tick_hz = 20

[source.bus]
kind = "can"
interface = "virtual"
channel = "test"
dbc = "small.dbc"

[signal.rpm]
unit = "rpm"
range = [0, 6000]
from = { source = "bus", message = "EngineBox", field = "Rpm" }

[signal.egt]
unit = "degC"
range = [-40, 1100]
per_unit = 4
location = "pre-turbine"
required = true
from = { source = "bus", message = "EngineBox", field = "Egt1" }

[signal.map]
unit = "kPa"
range = [0, 400]

[signal.baro]
unit = "kPa"

[computed.boost]
unit = "kPa"
formula = "gauge-pressure"
inputs = { absolute = "map", barometric = "baro" }
"""

RULES = """
[[rule]]
name = "egt-high"
kind = "threshold"
signal = "egt"
above = 720
deadband = 25
on_delay_s = 2
off_delay_s = 5
action = "ease"
"""

VEHICLE = """
name = "Test vehicle (invented)"
[tune.stock]
expected.boost = { over = "rpm", points = [[1000, 50], [2000, 100]] }
[tune.tow]
expected.boost = { over = "rpm", points = [[1000, 60], [2000, 140]] }
"""


def rules_toml(*rules: str) -> str:
    """Rules of which each is given by its own lines; name, kind, signal and action are there unless written."""
    out = ""
    for i, lines in enumerate(rules):
        keys = {line.partition("=")[0].strip() for line in lines.splitlines()}
        usual = {"name": f'"r{i}"', "kind": '"threshold"', "signal": '"egt"', "action": '"note"'}
        out += "[[rule]]\n" + "".join(f"{k} = {v}\n" for k, v in usual.items() if k not in keys) + lines + "\n"
    return out


def config_of(
    signals: str = SIGNALS, rules: str = RULES, vehicle: str | None = VEHICLE, *, check_inputs: bool = True, **more: str
) -> Config:
    """The configuration of these texts; `more` are further files by their name without the ending."""
    files = {"signals.toml": signals, "rules.toml": rules, "small.dbc": DBC}
    if vehicle is not None:
        files["vehicle.toml"] = vehicle
    files |= {f"{name}.toml": text for name, text in more.items()}
    return load_texts(files, check_inputs=check_inputs)


def problems_of(
    signals: str = SIGNALS, rules: str = RULES, vehicle: str | None = VEHICLE, **more: str
) -> tuple[Problem, ...]:
    """Every problem of a configuration that is not in order."""
    with pytest.raises(ConfigError) as caught:
        config_of(signals, rules, vehicle, **more)
    return caught.value.problems
