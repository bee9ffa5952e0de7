"""What the owner is told of the login at a broker, and what is wrong with its files."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from uphaul.config.spec import MqttSpec
from uphaul.outputs.mqtt_login import LoginError, login, login_notes


def spec(**more: Any) -> MqttSpec:
    return MqttSpec(**{"host": "192.0.2.7", "prefix": "p/", **more})


@pytest.mark.parametrize(
    ("more", "told"),
    [
        ({"username": "rig"}, True),
        ({"username": "rig", "tls": True}, False),
        ({"username": "rig", "host": "127.0.0.1"}, False),
        ({"username": "rig", "host": "::1"}, False),
        ({"username": "rig", "host": "localhost"}, False),
        ({"username": "rig", "host": "localhost.example"}, True),
        ({}, False),
    ],
)
def test_a_login_in_the_clear_is_told_unless_it_stays_on_the_machine(more: dict[str, Any], told: bool) -> None:
    assert any("in the clear" in note for note in login_notes(spec(**more))) == told


def test_a_password_that_everyone_can_read_is_told(tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("words", encoding="utf-8")
    secret.chmod(0o640)
    assert login_notes(spec(password_file=secret, tls=True)) == []
    secret.chmod(0o644)
    (note,) = login_notes(spec(password_file=secret, tls=True))
    assert f"mqtt.password_file = {secret}: everyone" in note


@pytest.mark.parametrize("text", ["right words", "right words\n", "right words\r\nmore\n"])
def test_the_password_is_the_first_line_of_its_file(text: str, tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_bytes(text.encode())
    assert login(spec(username="rig", password_file=secret)) == ("rig", "right words", None)


@pytest.mark.parametrize(
    ("more", "key"),
    [
        ({"username": "rig", "password_file": "gone"}, "mqtt.password_file"),
        ({"tls": True, "ca_file": "gone"}, "mqtt.ca_file"),
        ({"tls": True, "ca_file": "text"}, "mqtt.ca_file"),
        ({"tls": True, "cert_file": "text", "key_file": "gone"}, "mqtt.cert_file"),
    ],
)
def test_a_file_that_cannot_be_used_is_named_with_its_key(more: dict[str, Any], key: str, tmp_path: Path) -> None:
    (tmp_path / "text").write_text("no certificate", encoding="utf-8")
    files = {name: tmp_path / value if name.endswith("_file") else value for name, value in more.items()}
    with pytest.raises(LoginError) as caught:
        login(spec(**files))
    assert key in str(caught.value)
    assert str(tmp_path) in str(caught.value)
