"""Whatever is thrown at it, the vehicle gives finite numbers: any state, input, grip, road and step."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.vehicle.state import (
    DIRECT_DRIVE,
    U_AIR_DENSITY,
    U_BRAKE_FRONT,
    U_BRAKE_REAR,
    U_CLUTCH,
    U_DRIVE_TORQUE,
    U_GEAR,
    U_GRIP_FRONT,
    U_GRIP_REAR,
    U_ROAD_FRONT,
    U_ROAD_REAR,
    U_STEER_ACCELERATION,
    U_STEER_IMPOSED,
    U_STEER_TORQUE,
    U_SUPPORT,
    U_THROTTLE,
    U_TOW_HEADING,
    U_TOW_SPEED,
    U_WIND_X,
    U_WIND_Y,
)
from tests.support.machines import demo, no_inputs, random_state, ride

VEHICLE = demo()


def thrown_about(seed: int) -> bool:
    """A few steps from a random state with random inputs; whether all of it stays finite."""
    rng = np.random.default_rng(seed)
    x, u = random_state(rng, tilt=rng.choice([0.05, 0.5, 3.0])), no_inputs()
    u[U_STEER_TORQUE] = rng.uniform(-250.0, 250.0)
    u[U_THROTTLE], u[U_CLUTCH] = rng.random(2)
    u[U_BRAKE_FRONT], u[U_BRAKE_REAR] = rng.choice([0.0, 1e5, 1e6, 1e7], 2)
    u[U_GEAR] = rng.choice([DIRECT_DRIVE, *range(7)])
    u[U_DRIVE_TORQUE] = rng.uniform(-1500.0, 1500.0)
    u[U_GRIP_FRONT], u[U_GRIP_REAR] = rng.choice([1e-3, 0.1, 0.5, 1.0, 2.0], 2)
    u[U_SUPPORT], u[U_TOW_SPEED], u[U_TOW_HEADING] = rng.integers(0, 2), 10.0, rng.uniform(-3.0, 3.0)
    u[U_WIND_X], u[U_WIND_Y], u[U_AIR_DENSITY] = *rng.uniform(-40.0, 40.0, 2), 1.2
    u[U_STEER_IMPOSED], u[U_STEER_ACCELERATION] = rng.integers(0, 2), rng.uniform(-300.0, 300.0)
    for i in (U_ROAD_REAR, U_ROAD_FRONT):
        u[i : i + 3] = rng.uniform(-0.1, 0.1), *rng.uniform(-0.5, 0.5, 2)
    dt = float(rng.choice([1e-5, 2.5e-4, 5e-4, 1e-3]))  # the plant steps by 1 ms
    ride(VEHICLE, x, u, dt, 4)
    return bool(np.isfinite(x).all())


@settings(max_examples=300)
@given(st.integers(0, 2**63 - 1))
def test_random_states_and_inputs_stay_finite(seed: int) -> None:
    assert thrown_about(seed)


@pytest.mark.slow
def test_ten_thousand_of_them_stay_finite() -> None:
    lost = [seed for seed in range(10_000) if not thrown_about(seed)]
    assert not lost, f"{len(lost)} of 10000, first seeds {lost[:5]}"
