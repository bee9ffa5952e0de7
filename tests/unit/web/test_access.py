"""Who may look and act: codes are good once, for a time and a few tries; tokens are good until they are revoked."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
from aiohttp.web import BaseRequest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from uphaul.errors import UphaulError
from uphaul.web import access as access_module
from uphaul.web.access import CODE_S, COOKIE, MOST_TRIES, Access, PairingError, StoreError, plain_name
from uphaul.web.access_store import MOST_DEVICES


class Machine:
    """A machine whose clocks the test turns."""

    def __init__(self, path: Path) -> None:
        self.path, self.now_s, self.boot, self.day = path, 1000.0, "first", "2025-06-01"

    def access(self, look: str = "open") -> Access:
        return Access(self.path, look, now_s=lambda: self.now_s, boot=lambda: self.boot, day=lambda: self.day)


@pytest.fixture
def machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Machine:
    monkeypatch.setattr(access_module, "SCRYPT_N", 2)  # as correct, and quick
    return Machine(tmp_path / "vehicle.access.json")


class Jar:
    """The cookies of a device that has at most one of ours."""

    def __init__(self, token: str | None) -> None:
        self._token = token

    def get(self, name: str, default: str) -> str:
        return self._token if self._token is not None and name.startswith(COOKIE) else default


def request(token: str | None) -> BaseRequest:
    """As much of a request as is looked at."""
    made: Any = SimpleNamespace(cookies=Jar(token))
    return cast("BaseRequest", made)


def wrong(code: str) -> str:
    return f"{(int(code) + 1) % 10**8:08d}"


def test_a_code_makes_a_device_that_may_act(machine: Machine) -> None:
    daemon = machine.access()
    code = machine.access().new_code()  # the command is another process
    assert len(code) == 8
    assert code.isdigit()
    paired = daemon.pair(code, "phone")
    assert paired.name == "phone"
    assert daemon.actor(request(paired.token)) == "phone"


@pytest.mark.parametrize("token", [None, "", "x", "é\udcff", "A" * 43])
def test_nobody_else_acts(machine: Machine, token: str | None) -> None:
    access = machine.access("paired")
    access.pair(access.new_code(), "phone")
    assert access.actor(request(token)) is None
    assert not access.may_look(request(token))


def test_everyone_looks_where_looking_is_open(machine: Machine) -> None:
    assert machine.access("open").may_look(request(None))


def test_a_paired_device_looks_where_looking_needs_pairing(machine: Machine) -> None:
    access = machine.access("paired")
    paired = access.pair(access.new_code(), "phone")
    assert access.may_look(request(paired.token))


def test_another_kind_of_looking_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UphaulError, match="one of open, paired"):
        Access(tmp_path / "a", "closed")


def test_a_code_is_good_once(machine: Machine) -> None:
    access = machine.access()
    code = access.new_code()
    access.pair(code, "phone")
    with pytest.raises(PairingError, match="no code is waiting"):
        access.pair(code, "another")
    assert [d.name for d in access.devices] == ["phone"]


def test_a_code_ends_after_ten_minutes_by_the_time_since_the_start(machine: Machine) -> None:
    access = machine.access()
    code = access.new_code()
    machine.now_s += CODE_S - 1
    assert access.pair(code, "phone").name == "phone"
    code = access.new_code()
    machine.now_s += CODE_S
    with pytest.raises(PairingError, match="older than 10 minutes"):
        access.pair(code, "phone")


def test_a_code_does_not_outlive_a_restart_of_the_machine(machine: Machine) -> None:
    code = machine.access().new_code()
    machine.boot, machine.now_s = "second", 10.0
    with pytest.raises(PairingError, match="no code is waiting"):
        machine.access().pair(code, "phone")


def test_a_new_code_voids_the_one_before(machine: Machine) -> None:
    access = machine.access()
    first, second = access.new_code(), access.new_code()
    if first != second:
        with pytest.raises(PairingError, match="not the code"):
            access.pair(first, "phone")
    assert access.pair(second, "phone").name == "phone"


def test_the_fifth_wrong_try_burns_the_code(machine: Machine) -> None:
    access = machine.access()
    code = access.new_code()
    for left in ("4 more tries", "3 more", "2 more", "1 more try", "void now"):
        with pytest.raises(PairingError, match=left):
            access.pair(wrong(code), "phone")
    with pytest.raises(PairingError, match="no code is waiting"):
        access.pair(code, "phone")


def test_tries_count_over_a_restart_of_the_daemon(machine: Machine) -> None:
    code = machine.access().new_code()
    for _ in range(MOST_TRIES):
        with pytest.raises(PairingError):
            machine.access().pair(wrong(code), "phone")
    with pytest.raises(PairingError):
        machine.access().pair(code, "phone")


def test_a_card_that_cannot_be_written_gives_no_tries_without_end(
    machine: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    access = machine.access()
    code = access.new_code()

    def full(data: bytes) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(access._store, "_write", full)
        for _ in range(MOST_TRIES):
            with pytest.raises((StoreError, PairingError)):
                access.pair(wrong(code), "phone")
        with pytest.raises(StoreError, match="no space left"):
            access.pair(code, "phone")
    with pytest.raises(PairingError, match="void"):
        access.pair(code, "phone")


def test_a_pairing_that_cannot_be_kept_is_not_made_and_the_code_stays_good(
    machine: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    access = machine.access()
    code = access.new_code()

    def full(data: bytes) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(access._store, "_write", full)
        for _ in range(MOST_TRIES + 1):  # a right code is no wrong try
            with pytest.raises(StoreError, match="no space left"):
                access.pair(code, "phone")
    assert access.pair(code, "phone").name == "phone"


def test_a_revoked_device_is_refused_at_once(machine: Machine) -> None:
    daemon, command = machine.access("paired"), machine.access()
    paired = daemon.pair(daemon.new_code(), "phone")
    other = daemon.pair(daemon.new_code(), "tablet")
    assert daemon.actor(request(paired.token)) == "phone"
    assert command.revoke("phone") == ("phone",)
    assert daemon.actor(request(paired.token)) is None
    assert not daemon.may_look(request(paired.token))
    assert daemon.actor(request(other.token)) == "tablet"
    assert command.revoke("phone") == ()


def test_revoking_all_takes_the_waiting_code_too(machine: Machine) -> None:
    access = machine.access()
    paired = access.pair(access.new_code(), "phone")
    code = access.new_code()
    assert access.revoke(None) == ("phone",)
    assert access.actor(request(paired.token)) is None
    with pytest.raises(PairingError):
        access.pair(code, "phone")


def test_a_damaged_list_refuses_acting_and_leaves_looking_as_it_was(machine: Machine) -> None:
    access = machine.access("open")
    paired = access.pair(access.new_code(), "phone")
    machine.path.write_text("{")
    assert access.actor(request(paired.token)) is None
    assert access.may_look(request(None))
    assert "damaged" in access.problem
    again = access.pair(access.new_code(), "phone")
    assert access.actor(request(again.token)) == "phone"
    assert access.problem == ""


def test_neither_codes_nor_tokens_stand_in_the_file(machine: Machine) -> None:
    access = machine.access()
    code = access.new_code()
    assert code not in machine.path.read_text()
    kept = json.loads(machine.path.read_text())["code"]
    assert (
        kept["scrypt"] == hashlib.scrypt(code.encode(), salt=bytes.fromhex(kept["salt"]), n=2, r=8, p=1, dklen=32).hex()
    )
    token = access.pair(code, "phone").token
    assert token not in machine.path.read_text()
    assert hashlib.sha256(token.encode()).hexdigest() in machine.path.read_text()


def test_the_slow_hash_is_as_slow_as_its_source_asks() -> None:
    assert (access_module.SCRYPT_N, access_module.SCRYPT_R, access_module.SCRYPT_P) == (16384, 8, 1)


def test_the_hash_of_codes_is_scrypt_as_published() -> None:
    # Source: RFC 7914, section 12, third test vector: N = 16384, r = 8, p = 1; its first 32 bytes.
    published = "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2"
    assert access_module._code_hash("pleaseletmein", b"SodiumChloride").hex() == published


def test_a_device_that_pairs_again_stands_in_the_list_once(machine: Machine) -> None:
    access = machine.access()
    first = access.pair(access.new_code(), "phone")
    second = access.pair(access.new_code(), "phone", instead_of=first.token)
    assert [d.name for d in access.devices] == ["phone"]
    assert access.actor(request(first.token)) is None
    assert access.actor(request(second.token)) == "phone"


def test_names_are_told_apart(machine: Machine) -> None:
    access = machine.access()
    names = [
        access.pair(access.new_code(), name).name for name in ("phone", "phone", " phone\n", "all", "x" * 40, "x" * 50)
    ]
    assert names == ["phone", "phone 2", "phone 3", "all 2", "x" * 40, "x" * 38 + " 2"]


@given(st.text(max_size=100))
def test_a_name_is_one_line_of_what_prints(name: str) -> None:
    plain = plain_name(name)
    assert 0 < len(plain) <= 40
    assert plain.isprintable()
    assert plain == plain.strip() == plain_name(plain)


def test_there_is_an_end_to_the_list(machine: Machine) -> None:
    access = machine.access()
    for i in range(MOST_DEVICES):
        access.pair(access.new_code(), f"device {i}")
    code = access.new_code()
    with pytest.raises(PairingError, match="take one off"):
        access.pair(code, "one more")
    access.revoke("device 7")
    assert access.pair(code, "one more").name == "one more"


def test_the_day_a_device_was_last_seen_is_noted_once_a_day(machine: Machine) -> None:
    access = machine.access()
    access.pair(access.new_code(), "phone")
    (device,) = access.devices
    assert not access.unseen_today(device)
    machine.day = "2025-06-09"
    assert access.unseen_today(device)
    assert not access.unseen_today(device)  # being written, or it could not be
    access.note_seen(device)
    (device,) = access.devices
    assert (device.paired, device.seen) == ("2025-06-01", "2025-06-09")
    assert not access.unseen_today(device)


def test_a_device_that_has_just_been_revoked_does_not_come_back_by_being_seen(machine: Machine) -> None:
    access = machine.access()
    access.pair(access.new_code(), "phone")
    (device,) = access.devices
    access.revoke("phone")
    machine.day = "2025-06-09"
    access.note_seen(device)
    assert access.devices == ()


STEPS = st.lists(st.sampled_from(["right", "wrong", "new", "restart"]) | st.floats(1, 700), min_size=1, max_size=25)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=40, deadline=None)
@given(steps=STEPS)
def test_whatever_is_tried_a_code_works_once_in_time_and_before_its_fifth_wrong_try(
    machine: Machine, steps: list[str | float]
) -> None:
    machine.access().revoke(None)
    access = machine.access()
    code, until_s, tries = "00000000", -1.0, 0
    devices = 0
    for step in steps:
        if isinstance(step, float):
            machine.now_s += step
        elif step == "new":
            code, until_s, tries = access.new_code(), machine.now_s + CODE_S, MOST_TRIES
        elif step == "restart":
            access = machine.access()
        else:
            good = step == "right" and tries > 0 and machine.now_s < until_s
            if good:
                access.pair(code, "phone")
                devices, tries = devices + 1, 0
            else:
                with pytest.raises(PairingError):
                    access.pair(code if step == "right" else wrong(code), "phone")
                tries -= 1
    assert len(access.devices) == devices


def test_two_lists_on_one_host_have_cookies_of_their_own(tmp_path: Path) -> None:
    vehicle, demo = Access(tmp_path / "vehicle.access.json"), Access(tmp_path / "demo.access.json")
    assert vehicle.cookie != demo.cookie
    assert vehicle.cookie == Access(tmp_path / "vehicle.access.json").cookie
