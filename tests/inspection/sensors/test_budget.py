"""The budget's figures against their definitions, worked out another way."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from emulator.assembly.session import Session
from emulator.config.rig.buses import SerialBus
from emulator.config.rig.file import Rig
from emulator.config.rig.gnss import GnssAccuracy
from emulator.config.rig.ports import SerialPort
from emulator.config.rig.sensors import Imu, ToneRing
from emulator.core.constants import GRAVITY
from emulator.inspection.sensors.budget import (
    ErrorBudget,
    averaged_edges,
    budget_of,
    lean_terms,
    wheel_behind_ms,
    wheel_terms,
)
from emulator.inspection.sensors.capture import level_session
from emulator.inspection.sensors.error_terms import WIRE_STEP, Channel, Term
from emulator.inspection.sensors.gnss_budget import gnss_accuracies
from emulator.inspection.sensors.sample_age import Age

RIG = Path(__file__).parents[3] / "scenarios" / "rigs" / "loopback.yaml"


@pytest.fixture(scope="module")
def session() -> Session:
    return level_session(RIG)


@pytest.fixture(scope="module")
def budget(session: Session) -> ErrorBudget:
    return budget_of(session.rig, session.vehicle, session.codec, speed_m_s=20.0)


def with_sensor(rig: Rig, name: str, **values: Any) -> Rig:
    part = getattr(rig.sensors, name).model_copy(update=values)
    return rig.model_copy(update={"sensors": rig.sensors.model_copy(update={name: part})})


def test_one_sigma_of_a_sample_is_density_times_root_of_rate(session: Session) -> None:
    imu = Imu(
        position_m=(0.6, 0.0, 0.7),
        rate_noise_density_rad_s_sqrtHz=1e-4,
        rate_bias_rad_s=(0.001, -0.002, 0.003),
        rate_turn_on_bias_rad_s=4e-4,
        rate_random_walk_rad_s2_sqrtHz=3e-7,
        force_resolution_m_s2=0.02,
    )
    rig = session.rig.model_copy(update={"sensors": session.rig.sensors.model_copy(update={"imu": imu})})
    budget = budget_of(rig, session.vehicle, session.codec)
    channel = budget.channel("rate_y_rad_s")
    assert (channel.offset, channel.drawn, channel.noise.walk) == (-0.002, 4e-4, 3e-7)
    step = 0.0003125  # of the DBC
    assert channel.step == step
    white = 1e-4 * math.sqrt(500.0)
    assert channel.sigma == pytest.approx(math.hypot(white, 4e-4, step / math.sqrt(12.0)), rel=1e-12)
    # so that the Allan deviation over 1 s is the density, and then some of the walk
    assert channel.noise.deviation(500, 0.002) == pytest.approx(1e-4, rel=1e-4)
    force = budget.channel("force_z_m_s2")
    assert force.noise.white == pytest.approx(0.02 / math.sqrt(12.0))
    assert force.offset == 0.0


def test_a_demo_units_errors_are_told_apart(budget: ErrorBudget) -> None:
    names = [t.name for t in budget.channel("force_x_m_s2").terms]
    assert names == [
        *("white noise", "bias", "turn-on bias", "bias instability", "random walk"),
        *("mounting, scale, warmth", "reading step", "step on the wire"),
    ]
    assert len(budget.channel("rate_x_rad_s").noise.coloured) > 1
    assert budget.output("imu_rates").age.behind == pytest.approx(1e3 * 0.7 / (math.pi * 150.0))


def test_a_computed_leans_own_noise_is_that_of_its_filter(session: Session) -> None:
    """Upright at 20 m/s, the filter written out: gyro and reference with noise, tick by tick."""
    own = session.rig.sensors.lean.computed
    assert own is not None
    rng, tries, time_s = np.random.default_rng(9), 4000, 0.3
    quick = own.model_copy(update={"reference_time_constant_ms": 1e3 * time_s})
    terms = {t.name: t for t in lean_terms(with_sensor(session.rig, "lean", computed=quick), 20.0)}
    lean, h = np.zeros(tries), 1e-3
    pull = 1.0 - math.exp(-h / time_s)
    for _ in range(2500):
        wx, wz = own.rate_noise_density_rad_s_sqrtHz / math.sqrt(h) * rng.standard_normal((2, tries))
        fy = own.force_noise_density_m_s2_sqrtHz / math.sqrt(h) * rng.standard_normal(tries)
        lean += wx * h
        lean += pull * ((fy - 20.0 * wz) / GRAVITY - lean)
    own_sigma = math.hypot(terms["own gyro"].sigma, terms["own reference"].sigma)
    assert lean.std() == pytest.approx(own_sigma, rel=5.0 / math.sqrt(2 * tries))


def test_a_computed_leans_fixed_error_is_where_its_filter_ends(session: Session) -> None:
    """Upright, straight on at 20 m/s: gravity in its turned axes, and its biases, until the lean rests."""
    own = session.rig.sensors.lean.computed
    assert own is not None
    time_s, h, speed = 0.3, 1e-3, 20.0
    quick = own.model_copy(
        update={
            "reference_time_constant_ms": 1e3 * time_s,
            "mounting_rad": (0.01, -0.02, 0.015),
            "rate_bias_rad_s": (0.004, -0.003, 0.002),
            "force_bias_m_s2": (0.03, -0.05, 0.04),
        }
    )
    terms = {t.name: t for t in lean_terms(with_sensor(session.rig, "lean", computed=quick), speed)}
    roll, pitch, yaw = quick.mounting_rad
    R_BS = Rotation.from_euler("ZYX", [yaw, pitch, roll])
    w = np.array(quick.rate_bias_rad_s)
    f = R_BS.inv().apply([0.0, 0.0, GRAVITY]) + np.array(quick.force_bias_m_s2)
    lean, pull = 0.0, 1.0 - math.exp(-h / time_s)
    for _ in range(10_000):
        lean += w[0] * h
        lean += pull * (math.atan2(f[1] - speed * w[2], f[2] + speed * w[1]) - lean)
    assert terms["bias and mounting"].sigma == pytest.approx(lean, rel=1e-6)


def test_fixed_errors_add_random_ones_add_by_their_squares() -> None:
    terms = (
        Term("a", "white", 3.0),
        Term(WIRE_STEP, "step", 4.0),
        Term("c", "drift", 12.0, time_s=9.0),
        Term("d", "fixed", -1.0),
        Term("e", "fixed", 0.25),
        Term("f", "walk", 7.0),
    )
    channel = Channel("x", "m", 0.1, -1.0, 1.0, terms)
    assert channel.sigma == 13.0
    assert channel.offset == -0.75
    assert (channel.noise.white, channel.noise.drifts, channel.noise.walk) == (3.0, ((12.0, 9.0),), 7.0)


def test_what_has_no_error_has_no_terms(session: Session, budget: ErrorBudget) -> None:
    assert budget.channel("engine_rad_s").terms == ()
    quiet = with_sensor(session.rig, "lean", noise_rad=0.0, computed=None)
    assert budget_of(quiet, session.vehicle, session.codec).channel("lean_rad").terms == ()


def test_every_signal_of_the_bus_and_the_receiver_is_there(session: Session, budget: ErrorBudget) -> None:
    assert [o.name for o in budget.outputs] == [*session.rig.outputs, "gnss"]
    for name in session.rig.outputs:
        f = session.codec.frame(name)
        assert tuple(c.signal for c in budget.output(name).channels) == session.codec.signals[f]
    lean = budget.channel("lean_rad")
    assert (lean.low, lean.high) == pytest.approx((-3.2767, 3.2767))
    assert "CAN 0x102, 8 bytes, E2E data id 0x1F06" in budget.output("lean").wire


# -- wheel speed ---------------------------------------------------------------------------------------------


def ring_rig(session: Session, **ring: Any) -> Rig:
    given = ToneRing(teeth_front=48, teeth_rear=50, **ring)
    return with_sensor(session.rig, "wheel_speed", tone_ring=given)


@pytest.mark.parametrize(("edges", "speed"), [(1, 10.0), (5, 20.0), (48, 20.0), (60, 30.0)])
def test_tooth_pitch_is_that_of_many_rings(session: Session, edges: int, speed: float) -> None:
    rig = ring_rig(session, pitch_error_pct=1.0, averaging_edges=edges)
    rng = np.random.default_rng(1)
    places = 0.01 * rng.standard_normal((4000, 48))
    off = places - np.roll(places, -edges, axis=1)  # both ends of a window, in pitches
    (pitch, *_) = wheel_terms(rig, session.vehicle, True, speed)
    assert pitch.name == "tooth pitch"
    if edges == 48:
        assert pitch.sigma == 0.0
        assert np.abs(off).max() == 0.0
    else:
        assert pitch.sigma == pytest.approx(speed * off.std() / edges, rel=0.02)


@pytest.mark.parametrize("edges", [1, 7, 24, 48])
def test_eccentricity_is_the_rms_over_a_turn(session: Session, edges: int) -> None:
    rig = ring_rig(session, eccentricity_pct=2.0, averaging_edges=edges)
    at = 2.0 * math.pi * np.arange(48) / 48
    window = 2.0 * math.pi * edges / 48
    relative = 0.02 * (np.sin(at + window) - np.sin(at)) / window
    off = next(t for t in wheel_terms(rig, session.vehicle, True, 20.0) if t.name == "eccentricity")
    assert off.sigma == pytest.approx(20.0 * math.sqrt(float(np.mean(relative**2))), rel=1e-9, abs=1e-12)


def test_the_timers_cuts_at_both_ends(session: Session) -> None:
    """Each end is late by anything up to a step: the difference is triangular, step / sqrt(6)."""
    rig = ring_rig(session, averaging_edges=4, timer_resolution_ns=100_000)
    rng = np.random.default_rng(2)
    cut = 1e-4 * (rng.uniform(size=200_000) - rng.uniform(size=200_000))
    radius = float(session.vehicle.tyre[1]["radius"])
    window = 4 * 2.0 * math.pi / 48 * radius / 20.0
    timer = next(t for t in wheel_terms(rig, session.vehicle, True, 20.0) if t.name == "timer")
    assert timer.sigma == pytest.approx(20.0 * cut.std() / window, rel=0.01)


def test_the_window_holds_what_fits_and_at_least_one() -> None:
    def ring(**keys: Any) -> ToneRing:
        return ToneRing(teeth_front=48, teeth_rear=48, **keys)

    assert averaged_edges(ring(), 500.0) == 1
    assert averaged_edges(ring(averaging_ms=10.0), 590.0) == 5
    assert averaged_edges(ring(averaging_ms=10.0), 500.0) == 5
    assert averaged_edges(ring(averaging_ms=10.0), 20.0) == 1
    assert averaged_edges(ring(averaging_edges=12), 20.0) == 12
    assert averaged_edges(ring(averaging_edges=3, averaging_ms=10.0), 590.0) == 3


@pytest.mark.parametrize("edges", [1, 4, 11])
def test_a_window_is_behind_a_ramp_by_its_age(session: Session, edges: int) -> None:
    """Edges of a wheel that gains 1 m/s each second, and what the last ones say at any time between them."""
    rig = ring_rig(session, averaging_edges=edges)
    pitch_m, gain = 2.0 * math.pi / 48 * float(session.vehicle.tyre[1]["radius"]), 1.0
    # of x = 20 t + gain t^2 / 2
    edge_s = (np.sqrt(400.0 + 2.0 * gain * pitch_m * np.arange(2000)) - 20.0) / gain
    at = np.linspace(edge_s[edges], edge_s[200], 100_001)
    last = np.searchsorted(edge_s, at, side="right") - 1
    shown = edges * pitch_m / (edge_s[last] - edge_s[last - edges])
    behind_ms = 1e3 * np.mean((20.0 + gain * at - shown) / gain)
    speed = float(np.mean(20.0 + gain * at))
    assert wheel_behind_ms(rig, session.vehicle, speed) == pytest.approx(behind_ms, rel=2e-3)
    assert wheel_behind_ms(with_sensor(rig, "wheel_speed", tone_ring=None), session.vehicle, speed) == 0.0
    assert wheel_behind_ms(rig, session.vehicle, 0.0) == 0.0


# -- lean ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("time_ms", [0.0, 0.5, 20.0, 300.0])
def test_lean_is_behind_a_ramp_by_its_lag(session: Session, time_ms: float) -> None:
    gain = 1.0 - math.exp(-1.0 / time_ms) if time_ms else 1.0
    shown = 0.0
    for k in range(20_000):
        shown += gain * (k - shown)  # one unit a millisecond
    rig = with_sensor(session.rig, "lean", time_constant_ms=time_ms, computed=None)
    age = budget_of(rig, session.vehicle, session.codec).output("lean").age
    assert age.behind == pytest.approx(19_999 - shown, abs=1e-6)


# -- GNSS ----------------------------------------------------------------------------------------------------


def test_gnss_errors_follow_the_fix_in_use_and_speed(session: Session, budget: ErrorBudget) -> None:
    accuracy = session.rig.sensors.gnss.accuracy
    assert accuracy is not None
    given = accuracy["fixed"]
    assert given.drift_m is not None
    assert given.noise_m is not None
    assert given.velocity_m_s is not None
    assert budget.fixes[0][0] == "fixed"
    east = budget.channel("gnss_x_m", "fixed")
    # what is drawn for a position, and cut to a millionth of a minute (1852 m a minute)
    rng, n, step = np.random.default_rng(3), 400_000, 1e-6 * 1852.0
    drawn = given.drift_m * rng.standard_normal(n) + given.noise_m * rng.standard_normal(n)
    assert east.sigma == pytest.approx(np.std(np.round(drawn / step) * step), rel=5.0 / math.sqrt(2 * n))
    assert east.noise.drifts == ((given.drift_m, given.correlation_time_s),)
    course = budget.channel("gnss_course_rad", "fixed")
    along, across = np.array([[20.0], [0.0]]) + given.velocity_m_s * rng.standard_normal((2, n))
    shown = np.arctan2(across, along) + session.rig.sensors.gnss.course_noise_rad * rng.standard_normal(n)
    assert course.noise.white == pytest.approx(shown.std(), rel=5.0 / math.sqrt(2 * n))
    assert {fix for fix, _ in budget.fixes} == {"single", "differential", "float", "fixed"}


def test_below_the_speed_it_needs_there_is_no_course(session: Session) -> None:
    budget = budget_of(session.rig, session.vehicle, session.codec, speed_m_s=0.2)
    with pytest.raises(KeyError):
        budget.channel("gnss_course_rad")


def test_without_accuracy_every_fix_is_the_same_white_noise(session: Session) -> None:
    rig = with_sensor(session.rig, "gnss", accuracy=None, position_noise_m=0.4, fix="single")
    accuracies = gnss_accuracies(rig.sensors.gnss)
    assert accuracies[0][0] == "single"
    assert {a.noise_m for _, a in accuracies} == {0.4}
    assert {a.drift_m for _, a in accuracies} == {0.0}


def test_what_a_rig_says_of_a_fix_leaves_the_rest_as_usual(session: Session) -> None:
    rig = with_sensor(session.rig, "gnss", accuracy={"single": GnssAccuracy(noise_m=9.0)})
    found = dict(gnss_accuracies(rig.sensors.gnss))
    assert found["single"].noise_m == 9.0
    assert found["single"].drift_m > 0.0
    assert found["float"].noise_m < 1.0


# -- age and bus ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("latency", "jitter"), [(2.0, 0.0), (2.3, 0.0), (0.0, 0.0), (6.0, 0.5), (60.0, 4.0)])
def test_age_is_that_of_draws_on_the_grid_of_ticks(latency: float, jitter: float) -> None:
    drawn = latency + jitter * np.abs(np.random.default_rng(4).standard_normal(400_000))
    left = np.ceil(drawn - 1e-9)
    age = Age(latency, jitter)
    assert age.mean == pytest.approx(left.mean(), abs=5.0 * left.std() / 632.0 + 1e-9)
    assert age.sigma == pytest.approx(left.std(), rel=0.01, abs=1e-6)
    for share in (0.5, 0.9, 0.99):
        assert age.quantile(share) == np.quantile(left, share, method="inverted_cdf")
    assert sum(part for _, part in age.ticks) == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize(("latency", "jitter"), [(2.0, 0.0), (2.3, 0.0), (1.0, 0.0), (6.0, 0.5), (60.0, 4.0)])
@pytest.mark.parametrize("usual", [0.15, 0.49])
def test_where_the_bus_is_known_a_sample_leaves_at_the_tick_that_brings_it_nearest(
    latency: float, jitter: float, usual: float
) -> None:
    """The nearer of two ticks, the earlier if alike; behind others of 0.3 ms up to half of that earlier."""
    drawn = latency + jitter * np.abs(np.random.default_rng(4).standard_normal(400_000))

    def left(queued: float) -> np.ndarray:
        tick = np.floor(drawn - usual)
        late, early = tick + 1.0 + usual - drawn, drawn - tick - usual - queued
        return np.maximum(0.0, np.where(early <= late, tick, tick + 1.0))

    age = Age(latency, jitter, wire=usual, wait=0.3, usual=usual)
    alone = left(0.0)
    assert age.mean == pytest.approx(alone.mean(), abs=5.0 * alone.std() / 632.0 + 1e-9)
    assert age.sigma == pytest.approx(alone.std(), rel=0.01, abs=1e-6)
    assert age.quantile(0.99) == np.quantile(alone, 0.99, method="inverted_cdf")
    assert age.slack == pytest.approx(alone.mean() - left(0.3).mean(), abs=5e-3)


def test_where_the_rig_knows_its_lines_their_time_is_said(session: Session, budget: ErrorBudget) -> None:
    assert math.isnan(budget.output("imu_rates").age.wire)
    rig = session.rig.model_copy(
        update={
            "bus": SerialBus(kind="serial", device="/dev/null", bitrate=500_000),
            "gnss_port": SerialPort(kind="serial", device="/dev/null", baud=115_200),
        }
    )
    timed = budget_of(rig, session.vehicle, session.codec)
    # bits as in tests/config/rig/test_bus_load, of 2 us
    assert timed.output("imu_rates").age.wire == pytest.approx(0.264)
    # most urgent: only one frame that is already on the bus; the least urgent waits for all six others
    assert timed.output("imu_rates").age.wait == pytest.approx(0.264)
    others = 132 + 131 + 130 + 131 + 132 + 131
    assert timed.output("emulator_state").age.wait == pytest.approx(2e-3 * others)
    # ten bits a character, 392 characters at most: 82 + 79 + 46 + 66 + 80 + 39
    assert timed.output("gnss").age.wire == pytest.approx(392 * 10 / 115.2)


def test_on_a_serial_line_age_ends_with_the_last_byte() -> None:
    """Half-normal jitter on top of the latency, and somewhere within a tick until the line is fed."""
    age = Age(60.0, 4.0, on_line=True)
    drawn = 60.0 + 4.0 * np.abs(np.random.default_rng(4).standard_normal(400_000))
    waited = drawn + np.random.default_rng(5).uniform(size=drawn.size)
    assert age.mean == pytest.approx(waited.mean(), abs=0.02)
    assert age.quantile(0.99) == pytest.approx(np.quantile(waited, 0.99), abs=0.1)
    assert age.slack == 0.5
