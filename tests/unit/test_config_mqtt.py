"""The broker's table in daemon.toml: what it becomes, and what is wrong with it in words."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from support.config_files import DBC, RULES, SIGNALS, config_of, problems_of
from uphaul.cli import main
from uphaul.config.mqtt import slug
from uphaul.config.spec import MqttSpec


def test_without_its_table_no_broker_is_told() -> None:
    assert config_of(daemon="[log]\nfree_mb = 100\n").mqtt is None


def test_a_host_is_all_that_is_needed() -> None:
    spec = config_of(daemon='[mqtt]\nhost = "broker.example"\n').mqtt
    assert spec == MqttSpec("broker.example", "uphaul/test-vehicle-invented/", 1883)


def test_everything_can_be_said() -> None:
    spec = config_of(
        daemon="""
        [mqtt]
        host = "10.0.0.2"
        username = "rig"
        password_file = "/etc/uphaul/mqtt.password"
        tls = true
        ca_file = "ca.pem"
        cert_file = "own.pem"
        key_file = "own.key"
        prefix = "farm/trucks/one"
        telemetry_s = 0.25
        signals = ["rpm", "boost", "rpm"]
        outbox_mb = 10
        accept_acts = true
        keepalive_s = 15
        """
    ).mqtt
    assert spec == MqttSpec(
        host="10.0.0.2",
        prefix="farm/trucks/one/",
        port=8883,
        username="rig",
        password_file=Path("/etc/uphaul/mqtt.password"),
        tls=True,
        ca_file=Path("ca.pem"),
        cert_file=Path("own.pem"),
        key_file=Path("own.key"),
        telemetry_ms=250,
        signals=("rpm", "boost"),
        outbox_mb=10,
        accept_acts=True,
        keepalive_s=15,
    )


@pytest.mark.parametrize(
    ("lines", "key", "right"),
    [
        ("", "mqtt.host", "is required"),
        ('host = ""', "mqtt.host", "text"),
        ('host = "b"\nport = 0', "mqtt.port", "from 1 to 65,535"),
        ('host = "b"\npassword = "secret"', "mqtt.password", "is no key of this table"),
        ('host = "b"\npassword_file = "p"', "mqtt.password_file", "needs `username`"),
        ('host = "b"\nca_file = "ca.pem"', "mqtt.ca_file", "needs tls = true"),
        ('host = "b"\ntls = true\ncert_file = "c.pem"', "mqtt.cert_file", "needs `key_file`"),
        ('host = "b"\ntls = true\nkey_file = "c.key"', "mqtt.key_file", "needs `cert_file`"),
        ('host = "b"\nprefix = "all/#"', "mqtt.prefix", "beginning of a topic"),
        ('host = "b"\nprefix = "$SYS"', "mqtt.prefix", "beginning of a topic"),
        ('host = "b"\nprefix = ""', "mqtt.prefix", "beginning of a topic"),
        ('host = "b"\nsignals = ["rpn"]', "mqtt.signals[0]", "name of a signal"),
        ('host = "b"\ntelemetry_s = 0.0501', "mqtt.telemetry_s", "three decimals"),
        ('host = "b"\ntelemetry_s = 0', "mqtt.telemetry_s", "0.05"),
        ('host = "b"\noutbox_mb = 1', "mqtt.outbox_mb", "from 2 to 10,000"),
    ],
)
def test_what_is_wrong_is_told_with_its_key(lines: str, key: str, right: str) -> None:
    found = [p for p in problems_of(daemon=f"[mqtt]\n{lines}\n") if p.key == key]
    assert len(found) == 1
    assert found[0].file == "daemon.toml"
    assert right in found[0].allowed


def test_a_misspelt_signal_brings_the_right_one() -> None:
    (problem,) = problems_of(daemon='[mqtt]\nhost = "b"\nsignals = ["rpn"]\n')
    assert problem.nearest == "rpm"


def test_config_check_names_broker_and_prefix_and_never_a_password(tmp_path: Path) -> None:
    table = '[mqtt]\nhost = "192.0.2.7"\nusername = "rig"\npassword_file = "secret"\n'
    for name, text in {"signals": SIGNALS, "rules": RULES, "daemon": table}.items():
        (tmp_path / f"{name}.toml").write_text(text, encoding="utf-8")
    (tmp_path / "small.dbc").write_text(DBC, encoding="utf-8")
    (tmp_path / "secret").write_text("right words", encoding="utf-8")
    text = CliRunner().invoke(main, ["config", "check", str(tmp_path)]).output
    assert "mqtt      uphaul/vehicle/... at 192.0.2.7:1883" in text
    assert "go over the network in the clear" in text
    told = json.loads(CliRunner().invoke(main, ["config", "check", "--json", str(tmp_path)]).output)
    assert (told["mqtt"]["port"], told["mqtt"]["password_file"]) == (1883, "secret")
    assert "right words" not in json.dumps(told)


@pytest.mark.parametrize(
    ("name", "part"),
    [
        ("Old Faithful (invented)", "old-faithful-invented"),
        ("Zug-Kätzchen No. 2", "zug-katzchen-no-2"),
        ("+/#", "vehicle"),
        ("", "vehicle"),
        ("x" * 60, "x" * 40),
    ],
)
def test_a_vehicle_name_becomes_part_of_a_topic(name: str, part: str) -> None:
    assert slug(name) == part
