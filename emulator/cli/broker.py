"""The broker that a rig names, as several commands tell it something."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from emulator.core.errors import ConfigError

if TYPE_CHECKING:
    from emulator.telemetry.publisher import Broker


def broker_of(path: Path) -> Broker | None:
    """The broker that a rig file names, its secrets read; None without one. Raises ConfigError."""
    from emulator.config.rig.file import load_rig
    from emulator.config.rig.shown.named_files import path_named_in
    from emulator.config.rig.shown.telemetry import read_secrets
    from emulator.telemetry.publisher import Broker

    rig, source = load_rig(path)
    if rig.telemetry is None:
        return None
    secrets, problems = read_secrets(rig.telemetry, lambda name: path_named_in(source, "telemetry", name))
    if problems:
        raise ConfigError([source.problem(("telemetry", key), text) for key, text in problems])
    return Broker(rig.telemetry, secrets)
