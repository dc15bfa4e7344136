"""The rig's telemetry over MQTT."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from emulator.config.field_types import FileName, Name, Port, RecordedSignal
from emulator.config.rig.shown.named_files import Problems, content_of
from emulator.config.validation import Closed, missing, wrong
from emulator.core.outside.reading import CERTIFICATES

if TYPE_CHECKING:
    import ssl


def _topic(text: str) -> str:
    if not text or text.startswith("/") or text.endswith("/") or any(c in text for c in "#+$ \0"):
        raise wrong("expected the beginning of MQTT topics, such as bench/1, without # + $ or blanks")
    return text


class MqttTelemetry(Closed):
    """What is told to an MQTT broker, and whether commands are taken from there (emulator.telemetry)."""

    kind: Literal["mqtt"]
    host: Name
    """Name or address of the broker."""
    port: Port = 1883
    """TCP port of the broker."""
    topic: Annotated[str, AfterValidator(_topic)] = "bench"
    """Beginning of every topic, such as bench/1; no other bench may have it."""
    rate_hz: float = Field(default=10.0, ge=0.1, le=50)
    """How often ``signals`` are told."""
    signals: tuple[RecordedSignal, ...] = (
        "line.station_m",
        "truth.speed_m_s",
        "truth.roll_rad",
        "line.offset_m",
    )
    """Recorded signals that are told."""
    username: Name | None = None
    """Name to sign in with. Left out: nobody signs in."""
    password_file: FileName | None = None
    """File with the password, one line. Left out: none is given."""
    ca_file: FileName | None = None
    """PEM file of the authority that signed the broker's certificate; asks for TLS. Left out: no TLS."""
    commands: bool = False
    """Whether signed commands are taken; needs ``username``, ``password_file`` and ``command_key_file``."""
    command_key_file: FileName | None = None
    """File with the key that commands are signed with, at least 16 bytes. Left out: no command is taken."""
    go: bool = False
    """Whether a hold from afar may be released from afar."""
    events: bool = False
    """Whether events that wait to be asked for may be started and ended from afar."""

    @model_validator(mode="after")
    def _commands_are_signed_in(self) -> MqttTelemetry:
        if self.password_file is not None and self.username is None:
            raise missing("'username': a password is that of somebody")
        for key in ("username", "password_file", "command_key_file"):
            if self.commands and getattr(self, key) is None:
                raise missing(f"{key!r}: commands are taken only signed in and with a key", "commands")
        for key in ("go", "events"):
            if getattr(self, key) and not self.commands:
                raise wrong("expected commands: true beside it, without which none is taken", key)
        return self


LEAST_KEY_BYTES = 16


@dataclass(frozen=True)
class Secrets:
    """What the files hold that ``telemetry`` names; None: it names none.

    key  of commands, only where they are taken
    """

    password: str | None = None
    key: bytes | None = None
    tls: ssl.SSLContext | None = None


def read_secrets(settings: MqttTelemetry, path_of: Callable[[str], str]) -> tuple[Secrets, Problems]:
    """The secrets, and what is wrong with their files: the key of ``telemetry`` that names one, and why.

    path_of  makes a path of a name in the rig
    """
    problems: Problems = []
    password = content_of(settings, "password_file", path_of, problems)
    if password is not None and b"\n" in password.rstrip(b"\r\n"):
        # it is sent to the broker that the rig names, so not just any file will do
        problems.append(("password_file", "expected a file with a password, which is one line of text"))
    key = content_of(settings, "command_key_file", path_of, problems) if settings.commands else None
    key = None if key is None else key.rstrip(b"\r\n")
    if key is not None and len(key) < LEAST_KEY_BYTES:
        short = (
            f"expected a file with a key of at least {LEAST_KEY_BYTES} bytes, got {len(key)}; "
            "write one with: head -c 32 /dev/urandom | base64 > FILE; chmod 600 FILE"
        )
        problems.append(("command_key_file", short))
    tls = None
    authorities = content_of(settings, "ca_file", path_of, problems, CERTIFICATES)
    if authorities is not None:
        import ssl  # only here: most rigs have no broker

        try:
            tls = ssl.create_default_context(cadata=authorities.decode("ascii", "replace"))
        except (ValueError, ssl.SSLError):
            other = (
                "expected the PEM file of the authority that signed the broker's certificate; this is none"
            )
            problems.append(("ca_file", other))
    text = None if password is None else password.decode("utf-8", "replace").rstrip("\r\n")
    return Secrets(text, key, tls), problems
