"""Sensors that lose their power for a while and begin anew."""

from __future__ import annotations

from collections.abc import Iterator

from emulator.core.compiled import Record, jit
from emulator.events.declaration import EventKeys, EventKind, Key, Lasts, RigView, Row, Wrong

DEVICES = ("wheel_speed", "imu", "lean", "steering_angle", "engine", "gnss", "wheel_pulses", "analogue")
"""What can lose its power; bits of a mask."""

_FORMER_DEVICES = {"fork_angle": "steering_angle"}


@jit
def cut_power(run: Record, e: Record) -> None:
    """The device sends nothing in this tick."""
    run.dark |= 1 << e.signal


@jit
def restore_power(run: Record, e: Record) -> None:
    """It has its power again from this tick on."""
    run.woken |= 1 << e.signal


def _fill(e: Row, event: EventKeys, _rig: RigView) -> None:
    e["signal"] = DEVICES.index(event.sensor)


def _unmet(event: EventKeys, rig: RigView) -> Iterator[Wrong]:
    if event.sensor not in rig.devices:
        known = ", ".join(sorted(rig.devices))
        yield Wrong(f"expected a sensor of this rig ({known}), got {event.sensor}", "sensor")


KIND = EventKind(
    "restart",
    "A sensor loses its power for ``duration_s`` and begins anew: counters, filters, satellites.",
    (Key("sensor", DEVICES, "the sensor that loses its power", required=True, former=_FORMER_DEVICES),),
    _fill,
    lasts=Lasts.NEEDED,
    unmet=_unmet,
)
