"""The rig's telemetry over MQTT."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from emulator.config.field_types import FileName, Name, Port, RecordedSignal
from emulator.config.validation import Closed, missing, wrong
from emulator.config.yaml_source import Source, beside


def _topic(text: str) -> str:
    if not text or text.startswith("/") or text.endswith("/") or any(c in text for c in "#+$ \0"):
        raise wrong("expected the beginning of MQTT topics, such as bench/1, without # + $ or blanks")
    return text


class MqttTelemetry(Closed):
    """What is told to an MQTT broker, and whether commands are taken from there (emulator.telemetry).

    Secrets are read from files, the password's and the key of the commands. ``ca_file`` asks for TLS.
    """

    kind: Literal["mqtt"]
    host: Name
    port: Port = 1883
    topic: Annotated[str, AfterValidator(_topic)] = "bench"
    rate_hz: float = Field(default=10.0, ge=0.1, le=50)
    signals: tuple[RecordedSignal, ...] = (
        "line.station_m",
        "truth.speed_m_s",
        "truth.roll_rad",
        "line.offset_m",
    )
    username: Name | None = None
    password_file: FileName | None = None
    ca_file: FileName | None = None
    commands: bool = False
    command_key_file: FileName | None = None
    go: bool = False  # whether a hold from afar may be released from afar
    events: bool = False  # whether events that wait to be asked for may be asked for from afar

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


def telemetry_path(source: Source, name: str) -> str:
    """A file that ``telemetry`` of a rig names: of a password, of certificates."""
    key = next((key for key, value in source.data["telemetry"].items() if value == name), "")
    return beside(source.file_of(("telemetry", key)), name)
