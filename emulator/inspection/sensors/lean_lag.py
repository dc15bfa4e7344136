"""How much a rig's lean sensor lags on a bike that rides straight on and rolls from side to side."""

from __future__ import annotations

import math
from typing import NamedTuple

from emulator.config.rig.file import Rig
from emulator.config.rig.lean_response import lag_s, lean_response, smoothed
from emulator.vehicle.equilibrium import NoEquilibrium, steady_motion
from emulator.vehicle.linearise import linearise
from emulator.vehicle.params import Vehicle

ROLLING_HZ = 0.2
"""Frequency of the lag that stands for the sensor: from one side to the other in 2.5 s, as round cones."""
SHOWN_HZ = (0.1, ROLLING_HZ, 0.5, 1.0, 2.0)
_LEAST_m_s = 3.0  # slower there is no riding straight on


class LeanLag(NamedTuple):
    """At one frequency of the roll; lags [ms] before the latency, ``gain`` [1] of the whole sensor.

    filter_ms  of its first-order lag alone, which is all where nothing accelerates
    """

    hertz: float
    lag_ms: float
    filter_ms: float
    gain: float


def lean_lags(rig: Rig, vehicle: Vehicle, speed_m_s: float) -> tuple[LeanLag, ...]:
    """At each of SHOWN_HZ, upright at a speed, rolled by the steering torque.

    None of a sensor that is shown the true roll, nor at a speed the vehicle does not ride straight on at.
    """
    sensor = rig.sensors.lean
    if sensor.computed is None or speed_m_s < _LEAST_m_s:
        return ()
    try:
        steady = steady_motion(vehicle, speed_m_s)
    except NoEquilibrium:
        return ()
    response = lean_response(sensor, vehicle, steady, linearise(vehicle, steady))
    return tuple(
        LeanLag(
            hertz,
            1e3 * lag_s(response, hertz),
            1e3 * lag_s(lambda s: smoothed(sensor, s), hertz),
            abs(complex(response(2j * math.pi * hertz))),
        )
        for hertz in SHOWN_HZ
    )
