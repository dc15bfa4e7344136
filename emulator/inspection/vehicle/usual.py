"""What is usual of a motorcycle with rider or robot, and where each range is from."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from emulator.vehicle.params import COMMON_PRACTICE

COSSALTER = "Cossalter (2006) 'Motorcycle Dynamics', from memory"


class Usual(NamedTuple):
    """A range, and its source."""

    low: float
    high: float
    source: str = COMMON_PRACTICE


WHEELBASE = Usual(1.2, 1.7, COSSALTER)  # [m] from small scooters to tourers
TRAIL = Usual(0.075, 0.125, COSSALTER)  # [m] racing 75 to 90 mm, touring up to 120 and more
HEAD_ANGLE = Usual(19.0, 34.0, COSSALTER)  # [deg] sport 21 to 24, touring 27 to 34
MASS = Usual(110.0, 380.0)  # [kg]
FRONT_SHARE = Usual(43.0, 57.0, COSSALTER)  # [%]
CENTRE_AHEAD = Usual(0.55, 0.85)  # [m]
CENTRE_HEIGHT = Usual(0.5, 0.7, COSSALTER)  # [m]
ROLL_RADIUS = Usual(0.18, 0.35)  # [m]
PITCH_RADIUS = Usual(0.40, 0.55)  # [m]
YAW_RADIUS = Usual(0.35, 0.52)  # [m]
POWER = Usual(7.0, 170.0)  # [kW]
POWER_RPM = Usual(5000.0, 15_500.0)  # [rpm]
WHEEL_TORQUE = Usual(150.0, 2500.0)  # [N m]
TOP_SPEED = Usual(90.0, 330.0)  # [km/h]
FIRST_GEAR = Usual(35.0, 170.0)  # [km/h]
TOP_GEAR = Usual(100.0, 350.0)  # [km/h]
HARDEST_DRIVE = Usual(0.7, 1.2)  # [g] about mass centre ahead over height: 0.7 to 1.2 of the ranges above
HARDEST_BRAKING = Usual(0.8, 1.4)  # [g] the same from the front contact, with the air's help
COASTING: Mapping[float, Usual] = {
    20.0: Usual(0.1, 0.4),
    50.0: Usual(0.25, 0.6),
    80.0: Usual(0.45, 1.1),
    100.0: Usual(0.6, 1.5),
    130.0: Usual(0.9, 2.4),
}
"""[m/s2] by speed [km/h]."""
COAST_DOWN = Usual(13.0, 30.0)  # [s] from 100 to 50 km/h
STEER_TORQUE = Usual(-40.0, 40.0)  # [N m]
