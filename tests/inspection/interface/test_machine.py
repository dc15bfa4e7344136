"""Wheels, places and steering as described, shown by the bench's own sensors."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from emulator.config.rig.sensors import WheelSpeedSensor
from emulator.inspection.interface.derive import Described
from emulator.inspection.interface.description import Interface
from emulator.inspection.interface.machine import wheel
from emulator.inspection.sensors.capture import level_session, listen
from emulator.vehicle.state import FRONT_WHEEL, JOINT_RATE, OMEGA, REAR_WHEEL
from tests.support.scripted_robot import RIG, variant


@pytest.mark.parametrize("share", [0.96, 1.04])
def test_a_wheel_slower_than_told_reads_nothing(demo: Interface, share: float) -> None:
    front, rear = demo.wheel_front, demo.wheel_rear

    def creep(_time_s: float, x: NDArray[np.float64]) -> None:
        x[JOINT_RATE + FRONT_WHEEL] = share * front.least_speed_m_s / front.radius_m
        x[JOINT_RATE + REAR_WHEEL] = share * rear.least_speed_m_s / rear.radius_m

    heard = listen(level_session(RIG), 3.0, creep).outputs["wheel_speed"].after(1.0)
    for name, told in (("wheel_front_m_s", front), ("wheel_rear_m_s", rear)):
        values = heard.of(name)
        if share < 1.0:
            assert set(values.tolist()) == {0.0}
        else:
            assert np.mean(values) == pytest.approx(share * told.least_speed_m_s, rel=0.02)


def test_the_signal_is_spin_times_the_radius_told(demo: Interface) -> None:
    def spin(_time_s: float, x: NDArray[np.float64]) -> None:
        x[JOINT_RATE + FRONT_WHEEL] = x[JOINT_RATE + REAR_WHEEL] = 60.0

    heard = listen(level_session(RIG), 2.0, spin).outputs["wheel_speed"].after(0.5)
    for name, told in (("wheel_front_m_s", demo.wheel_front), ("wheel_rear_m_s", demo.wheel_rear)):
        assert np.mean(heard.of(name)) == pytest.approx(60.0 * told.radius_m, rel=1e-3)


def test_without_a_tone_ring_the_lowest_speed_is_the_rigs() -> None:
    session = level_session(RIG)
    plain = WheelSpeedSensor(noise_m_s=0.01, lowest_speed_m_s=0.7)
    rig = variant(session, rig={"sensors": session.rig.sensors.model_copy(update={"wheel_speed": plain})}).rig
    told = wheel(rig, session.nominal, front=True)
    assert (told.teeth, told.least_speed_m_s, told.stands_after_ms) == (None, 0.7, None)


def test_the_matrix_turns_the_main_frame_into_the_unit(odd: Path, odd_description: Described) -> None:
    """The odd bench's unit is turned by 90 degrees to the left: it feels a roll about its -y."""
    matrix = np.array(odd_description.interface.mounting.imu_matrix)
    assert matrix @ [1.0, 0.0, 0.0] == pytest.approx([0.0, -1.0, 0.0], abs=1e-12)

    def roll(_time_s: float, x: NDArray[np.float64]) -> None:
        x[OMEGA] = 0.5

    heard = listen(level_session(odd), 1.0, roll).outputs["imu_rates"].after(0.5)
    felt = [float(np.mean(heard.of(f"rate_{axis}_rad_s"))) for axis in "xyz"]
    assert felt == pytest.approx(matrix @ [0.5, 0.0, 0.0], abs=0.01)  # the unit's own errors


def test_places_are_the_rigs(odd_description: Described) -> None:
    interface = odd_description.interface
    assert interface.mounting.imu_m == (0.40, 0.05, 0.75)
    assert interface.gnss.antenna_m == (0.15, 0.0, 1.05)
    assert interface.steering.stop_rad == pytest.approx(math.radians(26.0))
    assert interface.mounting.wheelbase_m == pytest.approx(1.42)
