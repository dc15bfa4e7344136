"""A whole bench whose bike falls and lies: what sensors show, when the engine stops, when the ramp begins."""

from __future__ import annotations

import math

import numpy as np
import pytest

from emulator.assembly.session import Session
from emulator.core.constants import GRAVITY
from emulator.core.signals import INDEX, RUNNING, STOPPING
from emulator.plant.states import EV_FALL, EV_REST
from emulator.vehicle.state import U_ENGINE_CUT
from tests.support.scripted_robot import HELD_CLUTCH, Ride, demo_session, variant

_OUTPUTS = [name for name in INDEX if name.startswith("output.")]


@pytest.fixture(scope="module")
def lain() -> tuple[Ride, np.ndarray]:
    """Let go at 15 km/h with the bar pulled over, and held on to by the robot until the ride is over."""
    session: Session = demo_session()
    support = session.scenario.support.model_copy(update={"release_speed_km_h": 15.0})
    ride = Ride(variant(session, scenario={"support": support})).start(1)
    ride.keep_rows = True
    ride.commands = {
        "steering": {"steering_torque_Nm": 8.0, "steering_angle_rad": 0.0},
        "drive": {**HELD_CLUTCH["drive"], "throttle": 0.2},
        "gear": HELD_CLUTCH["gear"],
    }
    while ride.step() == RUNNING:
        assert len(ride.states) < 25_000
    ride.step(50)
    return ride, np.array(ride.rows)


def column(rows: np.ndarray, name: str) -> np.ndarray:
    return rows[:, INDEX[name]]


def test_the_ride_goes_on_until_it_has_lain_still_and_the_ramp_begins_then(
    lain: tuple[Ride, np.ndarray],
) -> None:
    ride, rows = lain
    fell, rest = (next(e for e in ride.events if e[1] == code) for code in (EV_FALL, EV_REST))
    assert 500 < rest[0] - fell[0] < 15_000
    state = column(rows, "bench.state")
    assert int(np.argmax(state == STOPPING)) - int(
        np.argmax(column(rows, "truth.fallen") > 0)
    ) == pytest.approx(rest[0] - fell[0], abs=2)
    assert ride.bench.outcome()["ended"] == "fallen"


def test_sensors_show_a_lying_bike(lain: tuple[Ride, np.ndarray]) -> None:
    _ride, rows = lain
    lies = np.flatnonzero(column(rows, "bench.state") == RUNNING)[-400:]
    last = rows[lies]
    ridden = rows[int(np.argmax(column(rows, "bench.state") == RUNNING)) + 500 :]
    sent = [INDEX[name] for name in _OUTPUTS if np.isfinite(column(ridden, name)[0])]
    assert len(sent) > 10
    assert np.isfinite(ridden[:, sent]).all()
    roll = float(np.median(column(last, "truth.roll_rad")))
    assert math.radians(60.0) < abs(roll) < math.radians(110.0)
    # gravity is felt across the bike, not through its seat
    across, up = (float(np.median(column(last, f"output.force_{a}_m_s2"))) for a in "yz")
    assert across == pytest.approx(GRAVITY * math.sin(roll), abs=0.5)
    assert up == pytest.approx(GRAVITY * math.cos(roll), abs=0.5)
    assert float(np.median(column(last, "output.lean_rad"))) == pytest.approx(roll, abs=0.1)
    assert float(np.max(np.abs(column(last, "truth.speed_m_s")))) < 0.06
    # a wheel that is in the air turns on, and its ring tells
    spin = float(np.median(np.abs(column(last, "truth.wheel_rear_rad_s"))))
    assert float(np.median(column(last, "output.wheel_rear_m_s"))) == pytest.approx(0.318 * spin, rel=0.05)


def test_a_detector_of_falls_fires_once_it_is_down_and_not_before(lain: tuple[Ride, np.ndarray]) -> None:
    """One as a robot has it, on what the bench sends: half a second of gravity from the side."""
    _ride, rows = lain
    side, up = column(rows, "output.force_y_m_s2"), column(rows, "output.force_z_m_s2")
    lying = np.nan_to_num(np.abs(side) > 1.5 * np.abs(up))
    fired = np.flatnonzero(np.convolve(lying, np.ones(500), "valid") == 500) + 499
    fell = int(np.argmax(column(rows, "truth.fallen") > 0.0))
    assert fell < fired[0] < int(np.argmax(column(rows, "bench.state") == STOPPING))


def test_the_engine_is_cut_when_it_is_down_whatever_the_throttle(lain: tuple[Ride, np.ndarray]) -> None:
    ride, rows = lain
    assert ride.plant.u[U_ENGINE_CUT] == 1.0
    lies = (column(rows, "truth.fallen") > 0.0) & (column(rows, "bench.state") == RUNNING)
    engine = column(rows, "truth.engine_rad_s")[lies]
    assert column(rows, "actuator.throttle")[lies].min() > 0.15
    assert engine[0] > 800.0
    assert (np.diff(engine[1:]) < 0.0).all()  # by its drag alone
    assert engine[-1] < 0.5 * engine[0]


def test_nothing_passes_through_the_road(lain: tuple[Ride, np.ndarray]) -> None:
    _ride, rows = lain
    assert float(np.abs(column(rows, "truth.roll_rad")).max()) < math.radians(110.0)
    assert float(column(rows, "truth.z_m").min()) > -0.05
    assert max(float(column(rows, f"truth.load_{w}_N").max()) for w in ("front", "rear")) < 6000.0
