"""Closed-loop bench for a motorcycle-riding robot.

The public face; everything else may change. Names are imported when first used, so that a process that
needs one part does not load the others::

    from pathlib import Path
    import emulator

    rig, scenario = Path("scenarios/rigs/loopback.yaml"), Path("scenarios/runs/first_lap.yaml")
    session = emulator.load_session(rig, scenario, seed=1)
    verdict = emulator.ride(session, (rig, scenario), Path("runs/mine"), virtual=True)
    record = emulator.read_run(Path("runs/mine"))
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from emulator.campaign.ride import ride
    from emulator.campaign.verdict import Verdict
    from emulator.errors import (
        ConfigError,
        DeviceAbsent,
        EmulatorError,
        InternalError,
        RecordError,
        RunFailed,
        StartFailed,
    )
    from emulator.record.reader import Run, read_run
    from emulator.rig.session import Session, load_session
    from emulator.robot.margins import delay_margins
    from emulator.vehicle.modes import stability

_HOME = {
    "ConfigError": "errors",
    "DeviceAbsent": "errors",
    "EmulatorError": "errors",
    "InternalError": "errors",
    "RecordError": "errors",
    "Run": "record.reader",
    "RunFailed": "errors",
    "Session": "rig.session",
    "StartFailed": "errors",
    "Verdict": "campaign.verdict",
    "delay_margins": "robot.margins",
    "load_session": "rig.session",
    "read_run": "record.reader",
    "ride": "campaign.ride",
    "stability": "vehicle.modes",
}

__all__ = [
    "ConfigError",
    "DeviceAbsent",
    "EmulatorError",
    "InternalError",
    "RecordError",
    "Run",
    "RunFailed",
    "Session",
    "StartFailed",
    "Verdict",
    "delay_margins",
    "load_session",
    "read_run",
    "ride",
    "stability",
]


def __getattr__(name: str) -> object:
    """Import a public name from its module."""
    if name in _HOME:
        return getattr(import_module(f"emulator.{_HOME[name]}"), name)
    raise AttributeError(f"module 'emulator' has no attribute {name!r}")
