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
    from emulator.assembly.session import Session, load_session
    from emulator.config.scenario.hook import Hook, Ride
    from emulator.core.errors import (
        ConfigError,
        DeviceAbsent,
        EmulatorError,
        InternalError,
        RecordError,
        RunFailed,
        StartFailed,
    )
    from emulator.record.reader import Run, read_run
    from emulator.robot.margins import delay_margins
    from emulator.runs.one import ride
    from emulator.vehicle.modes import stability
    from emulator.verdict.judge import Verdict

_HOME = {
    "ConfigError": "core.errors",
    "DeviceAbsent": "core.errors",
    "EmulatorError": "core.errors",
    "Hook": "config.scenario.hook",
    "InternalError": "core.errors",
    "RecordError": "core.errors",
    "Ride": "config.scenario.hook",
    "Run": "record.reader",
    "RunFailed": "core.errors",
    "Session": "assembly.session",
    "StartFailed": "core.errors",
    "Verdict": "verdict.judge",
    "delay_margins": "robot.margins",
    "load_session": "assembly.session",
    "read_run": "record.reader",
    "ride": "runs.one",
    "stability": "vehicle.modes",
}

__all__ = [
    "ConfigError",
    "DeviceAbsent",
    "EmulatorError",
    "Hook",
    "InternalError",
    "RecordError",
    "Ride",
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
