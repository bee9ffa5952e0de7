"""What a configuration may say about OBD, and how it is told what is wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.config_files import RULES, SIGNALS, config_of, problems_of
from uphaul.config.obd_pids import PIDS
from uphaul.config.spec import Input, ObdSpec

OBD = (
    SIGNALS
    + """
[source.plug]
kind = "obd"
port = "/dev/ttyUSB0"
allow_requests = true

[signal.load]
unit = "%"
from = { source = "plug", pid = "ENGINE_LOAD" }

[signal.pre_turbine]
unit = "degF"
max_age_s = 2
from = { source = "plug", pid = 0x78, field = "sensor_1", every_s = 0.5 }
"""
)


def test_sources_and_signals_of_an_adapter() -> None:
    config = config_of(OBD, RULES)
    assert config.sources[1] == ObdSpec("plug", "/dev/ttyUSB0", None, None, 5.0)
    load, egt = config.inputs[-2:]
    assert load == Input("load", "plug", "0x04", "value", every_s=0.2)
    assert (egt.message, egt.field, egt.every_s) == ("0x78", "sensor_1", 0.5)
    assert 710.0 * egt.factor + egt.offset == pytest.approx(1310.0)  # 710 degC; NIST SP 811


PROBLEMS = [
    # (what stands there, what stands there instead, key, part of what is allowed, nearest name)
    ("allow_requests = true", "", "source.plug.allow_requests", "it sends requests on the vehicle's bus", None),
    ("allow_requests = true", "allow_requests = false", "source.plug.allow_requests", "must be true", None),
    ("allow_requests = true", "allow_requets = true", "source.plug.allow_requets", "no key", "allow_requests"),
    ('port = "/dev/ttyUSB0"', "", "source.plug.port", "is required", None),
    ('port = "/dev/ttyUSB0"', 'port = "x"\nprotocol = "B"', "source.plug.protocol", "one of 1, 2, 3", None),
    ('port = "/dev/ttyUSB0"', 'port = "x"\nbaud = 300', "source.plug.baud", "from 9,600 to 2,000,000, in bit/s", None),
    ('port = "/dev/ttyUSB0"', 'port = "x"\nsilent_after_s = 0', "source.plug.silent_after_s", "above 0", None),
    ('pid = "ENGINE_LOAD"', 'field = "value"', "signal.load.from.pid", "is required for a source of kind obd", None),
    ('pid = "ENGINE_LOAD"', 'pid = "ENGINE_LOD"', "signal.load.from.pid", "can be read (0x04, 0x05", "ENGINE_LOAD"),
    ('pid = "ENGINE_LOAD"', "pid = 0x01", "signal.load.from.pid", "can be read (0x04, 0x05", None),
    ('pid = "ENGINE_LOAD"', "pid = true", "signal.load.from.pid", "text or a whole number", None),
    ('pid = "ENGINE_LOAD"', 'pid = 4, message = "E"', "signal.load.from.message", "no key for a source of kind", None),
    ('pid = "ENGINE_LOAD"', 'pid = 4, field = "a"', "signal.load.from.field", "has one value only", None),
    ('pid = "ENGINE_LOAD"', "pid = 5", "signal.load.unit", "temperature: the reading of value is in degC", None),
    ('pid = "ENGINE_LOAD"', "pid = 4, every_s = 1", "signal.load.from.every_s", "below max_age_s, 1 s", None),
    ('pid = "ENGINE_LOAD"', "pid = 4, every_s = 0", "signal.load.from.every_s", "above 0", None),
    ('field = "sensor_1", ', "", "signal.pre_turbine.from.field", "field of 0x78 (EXHAUST_TEMP_BANK_1)", None),
    ('"sensor_1"', '"sensor1"', "signal.pre_turbine.from.field", "sensor_1, sensor_2", "sensor_1"),
    ('field = "Egt1"', 'field = "Egt1", pid = 4', "signal.egt.from.pid", "no key for a source of kind can", None),
    ('field = "Egt1"', 'field = "Egt1", every_s = 1', "signal.egt.from.every_s", "no key for a source of", None),
]


@pytest.mark.parametrize(("old", "new", "key", "allowed", "nearest"), PROBLEMS)
def test_a_problem_names_its_place_and_what_would_be_right(
    old: str, new: str, key: str, allowed: str, nearest: str | None
) -> None:
    assert OBD.count(old) == 1
    (problem,) = problems_of(OBD.replace(old, new), RULES)
    assert (problem.file, problem.key) == ("signals.toml", key)
    assert allowed in problem.allowed
    assert problem.nearest == nearest


def test_a_key_of_several_types_is_told_once_and_by_its_own_name() -> None:
    (problem,) = problems_of(SIGNALS.replace('channel = "test"', "channel = true"))
    assert (problem.key, problem.allowed) == ("source.bus.channel", "must be text or a whole number")
    problems = problems_of(SIGNALS.replace('"small.dbc"', '["small.dbc", 7]'))
    assert [(p.key, p.allowed) for p in problems] == [
        ("source.bus.dbc", "must be text or a list of texts"),
        ("source.bus.dbc[1]", "must be text"),
    ]


def test_a_drive_can_be_judged_without_leave_to_send() -> None:
    config_of(OBD.replace("allow_requests = true", ""), RULES, check_inputs=False)


def test_every_parameter_and_field_is_in_the_reference() -> None:
    root = Path(__file__).resolve().parents[2]
    rows = [
        line for line in (root / "config" / "README.md").read_text(encoding="utf-8").splitlines() if "| `0x" in line
    ]
    wanted = []
    for pid in PIDS.values():
        fields = ", ".join(f"`{f.name}` ({f.unit})" for f in pid.fields)
        words = f"one value ({pid.fields[0].unit})" if len(pid.fields) == 1 else fields
        wanted.append(f"| `{pid.text}` | `{pid.name}` | {words} |")
    assert rows == wanted
