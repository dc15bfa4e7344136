"""The inertial unit's closed forms against the unit itself, and its noise against many draws."""

from __future__ import annotations

import cmath
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.signal import lfilter

from emulator.assembly.bench import Bench
from emulator.assembly.session import Session
from emulator.config.rig.inertial_unit import EngineOrder, Vibration, Warming
from emulator.config.rig.sensors import Imu
from emulator.core.frame_buffer import frame_buffer
from emulator.core.signals import V_FORCE, V_RATE
from emulator.inspection.sensors.capture import level_session
from emulator.inspection.sensors.inertial_budget import (
    delay_ms,
    drift_sigma,
    engine_lines,
    errors_of_axes,
    kelvins,
    keys_of,
    low_pass,
    shown,
    unit_axes,
    white_covariance,
)
from emulator.sensors.imu import matched_low_pass
from emulator.vehicle.state import OMEGA, VELOCITY

RIG = Path(__file__).parents[3] / "scenarios" / "rigs" / "loopback.yaml"
TURNED: dict[str, Any] = {
    "position_m": (0.6, 0.0, 0.7),
    "attitude_deg": (10.0, -25.0, 120.0),
    "misalignment_rad": (0.01, -0.02, 0.03),
    "rate_bias_rad_s": (0.01, -0.02, 0.03),
    "rate_scale_error_ppm": (3000.0, -2000.0, 1000.0),
    "rate_cross_axis_rad": (0.01, -0.02, 0.03, 0.04, -0.05, 0.06),
    "rate_per_force_rad_s_per_m_s2": (0.001, -0.002, 0.003),
    "rate_bias_rad_s_per_K": (0.001, 0.002, -0.003),
    "rate_scale_ppm_per_K": (500.0, -400.0, 300.0),
    "rate_corner_hz": 80.0,
    "force_bias_m_s2": (0.1, -0.2, 0.3),
    "force_scale_error_ppm": (5000.0, 4000.0, -3000.0),
    "force_cross_axis_rad": (-0.01, 0.02, -0.03, -0.04, 0.05, -0.06),
    "force_bias_m_s2_per_K": (0.01, -0.02, 0.03),
    "force_scale_ppm_per_K": (-700.0, 600.0, 500.0),
    "temperature": Warming(start_degC=5.0, final_degC=60.0, time_constant_s=3.0),
}


@pytest.fixture(scope="module")
def session() -> Session:
    return level_session(RIG)


def bench_with(session: Session, imu: Imu) -> Bench:
    sensors = session.rig.sensors.model_copy(update={"imu": imu})
    rig = session.rig.model_copy(update={"sensors": sensors})
    return Bench(type(session)(**{**session.__dict__, "rig": rig}))


def test_what_is_shown_of_a_steady_motion_is_what_the_unit_says(session: Session) -> None:
    """Attitude, misalignment, scale, axes, force felt and warming all at once; a circle on the spot."""
    imu = Imu(**TURNED)
    bench, rx, tx = bench_with(session, imu), frame_buffer(1), frame_buffer(64)
    x = bench.plant.x
    x[OMEGA : OMEGA + 3] = 0.3, -0.2, 0.5
    x[VELOCITY] = 10.0
    for tick in range(1501):
        bench.tick(rx, tx, 0.0, 0.0)
        if tick in (500, 1500):
            memory, at = bench.plant.memory[0], np.array([tick * 1e-3])
            force = memory["senses"][5:8].copy()
            # the low-pass is a few milliseconds behind, in which it warms a little
            for triad, first in (("rate", V_RATE), ("force", V_FORCE)):
                late = at - 1e-3 * delay_ms(keys_of(imu, triad))  # type: ignore[arg-type]
                said = shown(imu, triad, np.array([0.3, -0.2, 0.5]), force, late)[0]  # type: ignore[arg-type]
                np.testing.assert_allclose(memory["values"][first : first + 3], said, rtol=1e-7, atol=1e-7)


def test_a_unit_turned_left_feels_forward_as_its_right() -> None:
    imu = Imu(position_m=(0.0, 0.0, 0.0), attitude_deg=(0.0, 0.0, 90.0))
    np.testing.assert_allclose(unit_axes(imu) @ (1.0, 0.0, 0.0), (0.0, -1.0, 0.0), atol=1e-12)
    np.testing.assert_allclose(errors_of_axes(keys_of(imu, "rate")), np.eye(3))


def test_it_warms_exponentially_from_start_to_final() -> None:
    imu = Imu(**TURNED)
    at = kelvins(imu, np.array([0.0, 3.0, 1e6]))
    np.testing.assert_allclose(at, [-20.0, 35.0 - 55.0 * math.exp(-1.0), 35.0])
    assert not kelvins(Imu(position_m=(0.0, 0.0, 0.0)), at).any()


@pytest.mark.parametrize(("corner", "rate"), [(150.0, 500.0), (60.0, 500.0), (40.0, 100.0), (150.0, 250.0)])
def test_filtered_noise_hangs_together_as_said(corner: float, rate: float) -> None:
    imu = Imu(position_m=(0.0, 0.0, 0.0), rate_noise_density_rad_s_sqrtHz=0.01, rate_corner_hz=corner)
    said = white_covariance(keys_of(imu, "rate"), rate)
    b, a = matched_low_pass(corner, 0.7, 1e-3)
    noise = 0.01 / math.sqrt(1e-3) * np.random.default_rng(3).standard_normal(2_000_000)
    values = lfilter(b, a, noise)[1000 :: round(1000.0 / rate)]
    for lag in range(6):
        found = float(np.mean(values[: values.size - lag] * values[lag:]))
        expected = said[lag] if lag < len(said) else 0.0
        assert found == pytest.approx(expected, abs=8.0 * said[0] / math.sqrt(values.size))
    # over long times it is the density again, but for what folds
    total = said[0] + 2.0 * sum(said[1:])
    assert math.sqrt(total / rate) == pytest.approx(0.01, rel=0.02 if corner <= 0.3 * rate else 0.3)


def test_without_a_low_pass_noise_is_density_times_root_of_rate() -> None:
    imu = Imu(position_m=(0.0, 0.0, 0.0), force_noise_density_m_s2_sqrtHz=0.002)
    assert white_covariance(keys_of(imu, "force"), 400.0) == pytest.approx((0.002**2 * 400.0,))
    assert white_covariance(keys_of(imu, "rate"), 400.0) == ()


def test_the_drifts_largest_allan_deviation_is_the_flat_minimum() -> None:
    """0.6643 B (IEEE Std 952, from memory)."""
    imu = Imu(position_m=(0.0, 0.0, 0.0), rate_bias_instability_rad_s=1.0)
    assert 0.617364 * drift_sigma(keys_of(imu, "rate")) == pytest.approx(0.6642824702679601)


def test_the_low_pass_is_the_analogue_one() -> None:
    imu = Imu(position_m=(0.0, 0.0, 0.0), rate_corner_hz=100.0, rate_damping=0.6)
    keys = keys_of(imu, "rate")
    assert low_pass(keys, 0.0) == 1.0
    assert abs(low_pass(keys, 100.0)) == pytest.approx(1.0 / 1.2)
    assert cmath.phase(low_pass(keys, 100.0)) == pytest.approx(-math.pi / 2.0)
    assert -1e3 * cmath.phase(low_pass(keys, 0.01)) / (2.0 * math.pi * 0.01) == pytest.approx(delay_ms(keys))
    assert low_pass(keys_of(imu, "force"), 50.0) == 1.0


def test_engine_lines_grow_with_the_square_and_pass_the_low_pass() -> None:
    order = EngineOrder(order=2.0, amplitude_m_s2=(3.0, 0.0, 4.0), at_rad_s=1000.0)
    imu = Imu(position_m=(0.0, 0.0, 0.0), force_corner_hz=100.0, vibration=Vibration(engine_orders=(order,)))
    (line,) = engine_lines(imu, "force", 500.0)
    assert line.hertz == pytest.approx(1000.0 / (2.0 * math.pi))
    gain = abs(low_pass(keys_of(imu, "force"), line.hertz))
    np.testing.assert_allclose(line.amplitude, np.array([3.0, 0.0, 4.0]) / 4.0 * gain)
    assert not engine_lines(imu, "rate", 500.0)[0].amplitude.any()
