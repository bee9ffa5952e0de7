"""What a broker wants to see before it lets us in, read from its files, and in words why it does not."""

from __future__ import annotations

import ssl
import stat

import aiomqtt
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.reasoncodes import ReasonCode

from uphaul.config.mqtt_notes import mqtt_notes
from uphaul.config.spec import MqttSpec
from uphaul.errors import UphaulError

__all__ = ["LoginError", "login", "login_notes", "why"]

LARGEST_PASSWORD_BYTES = 65_535
"""Source: OASIS MQTT 3.1.1, section 3.1.3.5."""
BAD_LOGIN = (134, 135)
"""Bad user name or password; not authorised. Source: OASIS MQTT 5.0, section 2.4, as the library tells them."""


class LoginError(UphaulError):
    """A file that the login needs cannot be used."""


def login(spec: MqttSpec) -> tuple[str | None, str | None, ssl.SSLContext | None]:
    """User name, password and how to encrypt. Raises LoginError naming the file that is at fault."""
    password = None
    if spec.password_file is not None:
        try:
            with spec.password_file.open("rb") as file:
                password = file.read(LARGEST_PASSWORD_BYTES).partition(b"\n")[0].rstrip(b"\r").decode()
        except (OSError, UnicodeDecodeError) as error:
            raise LoginError(f"mqtt.password_file = {spec.password_file}: cannot be read ({_reason(error)})") from error
    return spec.username, password, _tls(spec) if spec.tls else None


def _tls(spec: MqttSpec) -> ssl.SSLContext:
    try:
        context = ssl.create_default_context(cafile=spec.ca_file)
    except OSError as error:  # an SSLError is one
        raise LoginError(f"mqtt.ca_file = {spec.ca_file}: holds no certificates to read ({_reason(error)})") from error
    if spec.cert_file is not None:
        try:
            context.load_cert_chain(spec.cert_file, spec.key_file, password="")  # never asks at a terminal
        except OSError as error:
            files = f"mqtt.cert_file = {spec.cert_file} with key_file = {spec.key_file}"
            raise LoginError(f"{files}: cannot be used ({_reason(error)})") from error
    return context


def _reason(error: Exception) -> str:
    return str(getattr(error, "strerror", None) or error)


def login_notes(spec: MqttSpec) -> list[str]:
    """What the owner should know of how we log in."""
    notes = mqtt_notes(spec)
    for name in ("password_file", "key_file"):
        path = getattr(spec, name)
        try:
            if path is not None and path.stat().st_mode & stat.S_IROTH:
                notes.append(f"mqtt.{name} = {path}: everyone on this machine can read it")
        except OSError:
            pass  # told by whoever needs it
    return notes


def why(errors: BaseExceptionGroup[BaseException], spec: MqttSpec) -> str:
    """What went wrong, in words for people."""
    first: BaseException = errors
    while isinstance(first, BaseExceptionGroup):
        first = first.exceptions[0]
    place = f"the broker at {spec.host}:{spec.port}"
    text = str(first)
    if isinstance(first, LoginError):
        return text
    if isinstance(first, MqttConnectError):
        code = first.rc
        if isinstance(code, ReasonCode) and code.value in BAD_LOGIN:
            who = f"the user {spec.username!r}" if spec.username is not None else "a login without a user name"
            return f"{place} refuses {who}: wrong name or password, or not allowed in"
        return f"{place} refuses the connection ({code})"
    if "CERTIFICATE_VERIFY_FAILED" in text or "certificate verify failed" in text:
        return f"{place} is not believed: its certificate does not fit ({text})"
    if text == "Operation timed out":
        return f"{place} does not answer"
    if isinstance(first, aiomqtt.MqttCodeError) or "Disconnected" in text:
        return f"the connection to {spec.host}:{spec.port} broke off"
    return f"no connection to {place} ({text})"
