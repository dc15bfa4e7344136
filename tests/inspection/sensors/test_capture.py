"""The sensors' whole path, from an imposed motion to what a receiver decodes, against closed forms."""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from emulator.assembly.bench import Bench
from emulator.assembly.session import Session
from emulator.config.rig.sensors import ComputedLean, Imu, LeanSensor
from emulator.core.constants import GRAVITY
from emulator.core.frame_buffer import frame_buffer
from emulator.core.signals import V_FORCE, V_LEAN, V_RATE, V_STEER, V_WHEELS
from emulator.inspection.sensors import capture as sensor_record
from emulator.inspection.sensors.budget import budget_of
from emulator.inspection.sensors.capture import level_session, listen
from emulator.inspection.sensors.imposed_motion import SteadyTurn, Sway, over_read, rear_tyre
from emulator.inspection.sensors.motion_checks import response, sensor_lag
from emulator.inspection.sensors.page import SensorPage
from emulator.inspection.sensors.survey import Plan, measured, sensors_of, steady_turn
from emulator.plant.outputs import (
    S_ANTENNA,
    S_ANTENNA_VELOCITY,
    S_FORCE,
    S_LEAN,
    S_RATE,
    S_STEER,
    S_WHEEL_FRONT,
)
from emulator.vehicle.equilibrium import Steady
from emulator.vehicle.state import JOINT, JOINT_RATE, OMEGA, REAR_WHEEL, STEER

RIGS = Path(__file__).parents[3] / "scenarios" / "rigs"
RIG = RIGS / "loopback.yaml"
G = GRAVITY
SHORT = Plan(seconds=40.0)


@pytest.fixture(scope="module")
def session() -> Session:
    """The demo rig with nothing drawn once a run, which would hide a bias, and a lean that settles soon."""
    given = level_session(RIG, seed=5)
    imu = {"rate_turn_on_bias_rad_s": 0.0, "force_turn_on_bias_m_s2": 0.0}
    sensors = given.rig.sensors
    assert sensors.lean.computed is not None
    lean = sensors.lean.computed.model_copy(update={"reference_time_constant_ms": 500.0})
    parts = {
        "imu": sensors.imu.model_copy(update=imu),
        "lean": sensors.lean.model_copy(update={"computed": lean}),
    }
    return changed(given, sensors=sensors.model_copy(update=parts))


@pytest.fixture(scope="module")
def quiet(session: Session) -> Session:
    """No noise, no bias, no jitter, and plain wheel speed: what is left is the motion and the wire."""
    sensors = session.rig.sensors
    silent: dict[str, dict[str, Any]] = {
        "wheel_speed": {"tone_ring": None},
        "steering_angle": {"noise_rad": 0.0},
        "gnss": {"accuracy": None, "course_noise_rad": 0.0, "jitter_ms": 0.0},
    }
    parts = {name: getattr(sensors, name).model_copy(update=values) for name, values in silent.items()}
    parts |= {"imu": Imu(position_m=sensors.imu.position_m), "lean": LeanSensor(time_constant_ms=20.0)}
    return changed(session, sensors=sensors.model_copy(update=parts))


def changed(session: Session, **rig: Any) -> Session:
    return type(session)(**{**session.__dict__, "rig": session.rig.model_copy(update=rig)})


@pytest.fixture(scope="module")
def steady(session: Session) -> Steady:
    return steady_turn(session, 20.0, math.radians(35.0))


# -- steady turn ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("speed", "lean"), [(20.0, 35.0), (12.0, -20.0), (45.0, 48.0)])
def test_a_turn_without_noise_is_its_closed_forms(quiet: Session, speed: float, lean: float) -> None:
    """To a part in a million, before rounding on the wire; antenna and IMU off the axis."""
    turn = SteadyTurn(steady_turn(quiet, speed, math.radians(lean)), G)
    bench, rx, tx = Bench(quiet), frame_buffer(1), frame_buffer(64)
    for k in range(2001):
        turn.impose(k * 1e-3, bench.plant.x)
        bench.tick(rx, tx, 0.0, 0.0)
    memory = bench.plant.memory[0]
    senses, values = memory["senses"], memory["values"]
    imu, antenna = quiet.rig.sensors.imu.position_m, quiet.rig.sensors.gnss.antenna_position_m

    def near(shown: Any, closed: Any, scale: float) -> None:
        np.testing.assert_allclose(shown, closed, rtol=1e-6, atol=1e-6 * scale)

    yaw = abs(turn.steady.yaw_rate)
    for at, first in ((senses, S_RATE), (values, V_RATE)):
        near(at[first : first + 3], turn.rates(), yaw)
    for at, first in ((senses, S_FORCE), (values, V_FORCE)):
        near(at[first : first + 3], turn.force(imu), G)
    for shown in (senses[S_LEAN], values[V_LEAN]):
        near(shown, math.radians(lean), 1.0)
    for shown in (senses[S_STEER], values[V_STEER]):
        near(shown, turn.steady.x[JOINT + STEER], 1.0)
    near(senses[S_ANTENNA : S_ANTENNA + 3], turn.at(2.0, antenna), 1.0)
    vx, vy = senses[S_ANTENNA_VELOCITY], senses[S_ANTENNA_VELOCITY + 1]
    near(math.hypot(vx, vy), turn.speed_of(antenna), 1.0)
    near(math.atan2(vx, vy) % (2.0 * math.pi), turn.course_of(antenna, 2.0), 1.0)
    radius = float(quiet.vehicle.tyre[1]["radius"])
    near(values[V_WHEELS], senses[S_WHEEL_FRONT] * radius, 1.0)


def test_the_closed_forms_are_the_textbooks(steady: Steady) -> None:
    """With the frame's small pitch taken out: (0, (v/R) sin roll, (v/R) cos roll), and g / cos of the lean.

    Rigid-body kinematics; a right turn has a negative yaw rate with z up.
    """
    turn = SteadyTurn(steady, G)
    roll, pitch = turn.attitude
    assert roll == pytest.approx(math.radians(35.0), abs=1e-12)
    assert abs(pitch) < 0.02
    level = np.array(
        [[math.cos(pitch), 0, math.sin(pitch)], [0, 1, 0], [-math.sin(pitch), 0, math.cos(pitch)]]
    )
    # attitude is yaw, pitch, roll: pitch lies outside the roll, so it is undone in between
    c, s = math.cos(roll), math.sin(roll)
    about_x = np.array([[1, 0, 0], [0, c, -s], [0, s, c]])
    rates = about_x.T @ level @ about_x @ turn.rates()
    turning = turn.speed_of((0.0, 0.0, 0.0)) / math.hypot(*turn.from_axis((0.0, 0.0, 0.0))[:2])
    assert turning == pytest.approx(-steady.yaw_rate, rel=1e-12)
    np.testing.assert_allclose(rates, [0.0, -turning * s, -turning * c], atol=1e-12)
    # a metre up swings out to the inside by the sine of the lean
    up = turn.from_axis((0.0, 0.0, 1.0)) - turn.from_axis((0.0, 0.0, 0.0))
    assert up[1] == pytest.approx(-s, abs=1e-12)
    assert up[2] == pytest.approx(c * math.cos(pitch), abs=1e-12)
    force = turn.force((0.3, 0.0, 0.5))
    r = turn.from_axis((0.3, 0.0, 0.5))
    assert np.linalg.norm(force) == pytest.approx(math.hypot(G, turning**2 * math.hypot(r[0], r[1])))


def test_a_leaned_wheel_over_reads_as_its_torus_says() -> None:
    """Torus geometry: R = 0.299 m, t = 0.078 m, 40 and 50 degrees (computed, 10 digits)."""
    assert 100.0 * over_read(0.299, 0.078, math.radians(40.0)) == pytest.approx(6.499888909, rel=1e-9)
    assert 100.0 * over_read(0.299, 0.078, math.radians(50.0)) == pytest.approx(10.27617842, rel=1e-9)
    assert over_read(0.299, 0.078, 0.0) == 0.0


def test_the_plants_rear_wheel_over_reads_by_torus_deflection_and_slip(
    session: Session, steady: Steady
) -> None:
    turn, tyre = SteadyTurn(steady, G), session.vehicle.tyre[0]
    contact, slip = rear_tyre(steady, session.vehicle)
    assert contact[2] == pytest.approx(-(float(steady.x[2]) - 0.0) / math.cos(steady.roll), abs=0.05)
    sunk = float(tyre["rolling_radius_share"]) * steady.loads[0] / float(tyre["vertical_stiffness"])
    spin = abs(float(steady.x[JOINT_RATE + REAR_WHEEL])) * float(tyre["radius"])
    over = over_read(float(tyre["radius"]), float(tyre["crown_radius"]), steady.roll, sunk)
    assert spin / turn.speed_of(contact.tolist()) == pytest.approx((1.0 + over) / (1.0 - slip), rel=1e-3)


# -- lag and gain --------------------------------------------------------------------------------------------


def sway_response(session: Session, hertz: float, signal: str, output: str) -> tuple[float, float, float]:
    """Lag [ms], gain, amplitude over the wire's step."""
    sway = Sway(session.vehicle, Bench(session).plant.x.copy(), hertz, roll=2.0 / (2.0 * math.pi * hertz))
    record = listen(session, 12.0, sway.impose)
    received = record.outputs[output].after(2.0)
    amplitude, lead = (2.0, math.pi / 2.0) if signal.startswith("rate") else (sway.roll, 0.0)
    found = response(received.arrived, received.of(signal), hertz, amplitude, lead)
    return found.lag_ms, found.gain, found.lag_sigma_ms


@pytest.mark.parametrize("hertz", [0.7, 5.3, 23.1, 61.7])
def test_the_rates_path_is_a_delay_and_nothing_else(quiet: Session, hertz: float) -> None:
    """Within 0.1 ms, 0.1 dB and 1 degree, at frequencies up to an eighth of the rate."""
    lag, gain, _ = sway_response(quiet, hertz, "rate_x_rad_s", "imu_rates")
    delay = quiet.rig.outputs["imu_rates"].latency_ms
    assert lag == pytest.approx(delay, abs=0.1)
    assert abs(lag - delay) * 1e-3 * hertz * 360.0 < 1.0
    assert abs(20.0 * math.log10(gain)) < 0.1


@pytest.mark.parametrize("hertz", [0.7, 3.1, 7.9])
def test_the_lean_sensor_is_its_first_order_lag_and_a_delay(quiet: Session, hertz: float) -> None:
    """Against the analogue lag 1 / (1 + j w T), half a tick of which the filter is ahead."""
    lag, gain, _ = sway_response(quiet, hertz, "lean_rad", "lean")
    w, time_s = 2.0 * math.pi * hertz, quiet.rig.sensors.lean.time_constant_ms * 1e-3
    analogue_ms = 1e3 * math.atan(w * time_s) / w - 0.5
    assert lag == pytest.approx(quiet.rig.outputs["lean"].latency_ms + analogue_ms, abs=0.1)
    assert abs(20.0 * math.log10(gain * math.hypot(1.0, w * time_s))) < 0.1
    own = sensor_lag(quiet.rig, Sway(quiet.vehicle, np.zeros(36), hertz), "lean_rad")
    assert own.lag_ms == pytest.approx(analogue_ms, abs=0.02)
    assert gain == pytest.approx(own.gain, rel=1e-3)


@pytest.mark.parametrize("hertz", [0.4, 1.1])
def test_a_sway_that_is_felt_shows_where_the_lean_sensor_sits(session: Session, hertz: float) -> None:
    """Against H = 1 + z w^2 / g / (1 + j w T) with latency and the own lag; unfelt those are all."""
    own = session.rig.sensors.lean.computed
    assert own is not None
    ideal = ComputedLean(position_m=own.position_m, reference_time_constant_ms=500.0)
    lean = LeanSensor(time_constant_ms=20.0, computed=ideal)
    rig = changed(session, sensors=session.rig.sensors.model_copy(update={"lean": lean}))
    w, x_0 = 2.0 * math.pi * hertz, Bench(rig).plant.x.copy()
    alone = rig.rig.outputs["lean"].latency_ms + 1e3 * math.atan(0.02 * w) / w - 0.5
    off = 0.62 * w * w / G / (1.0 + 0.5j * w) * cmath.exp(0.5e-3j * w)  # run in ticks, half of one early
    late = alone - 1e3 * cmath.phase(1.0 + off) / w
    assert late - alone > 20.0
    for felt, expected in ((False, alone), (True, late)):
        sway = Sway(rig.vehicle, x_0, hertz, roll=0.015, felt=felt)
        record = listen(rig, 20.0, sway.impose, accelerations=sway.accelerate if felt else None)
        received = record.outputs["lean"].after(8.0)
        found = response(received.arrived, received.of("lean_rad"), hertz, sway.roll, 0.0)
        assert found.lag_ms == pytest.approx(expected, abs=0.3), felt
        stated = sensor_lag(rig.rig, sway, "lean_rad")
        assert stated.lag_ms + 8.0 == pytest.approx(found.lag_ms, abs=0.2), felt
        assert stated.gain == pytest.approx(found.gain, abs=2e-3)


@pytest.mark.parametrize(("latency", "arrives"), [(2.0, 2), (7.0, 7), (3.4, 4), (0.0, 0)])
def test_latency_by_cross_correlation_with_steps(quiet: Session, latency: float, arrives: int) -> None:
    """A rate that jumps at random between two values; the match is best exactly at the tick it is due in."""
    output = quiet.rig.outputs["imu_rates"].model_copy(update={"latency_ms": latency})
    late = changed(quiet, outputs={**quiet.rig.outputs, "imu_rates": output})
    rng = np.random.default_rng(8)
    truth = np.repeat(rng.choice([-1.0, 1.0], size=1500), rng.integers(1, 6, size=1500))[:4000]
    x_0 = Bench(late).plant.x.copy()

    def steps(time_s: float, x: np.ndarray) -> None:
        x[:] = x_0
        x[OMEGA] = truth[round(time_s * 1e3)]

    received = listen(late, 4.0, steps).outputs["imu_rates"]
    ticks, values = received.arrived_ns // 1_000_000, received.of("rate_x_rad_s")
    keep = ticks >= 20
    matches = [float(np.mean(values[keep] * truth[ticks[keep] - d])) for d in range(20)]
    assert int(np.argmax(matches)) == arrives
    assert matches[arrives] == pytest.approx(1.0, abs=1e-3)


# -- measuring finds what is not as configured ---------------------------------------------------------------


def differing(session: Session, steady: Steady) -> set[str]:
    rows, _ = measured(session, SHORT, SteadyTurn(steady, G), lambda _what, _share: None)
    assert len(rows) > 80
    return {f"{row.output}: {row.quantity}" for row in rows if not row.agrees}


@pytest.mark.parametrize(
    "rig",
    [
        "loopback",
        "can_fd",
        pytest.param("trainer", marks=pytest.mark.timing),  # for the ordinary run's length only
        pytest.param("megabit", marks=pytest.mark.timing),
    ],
)
def test_the_demo_rigs_do_what_they_are_configured_to(rig: str) -> None:
    page = sensors_of(RIGS / f"{rig}.yaml", seed=1, plan=SHORT)
    assert [row for row in page.rows if not row.agrees] == []
    assert {row.record for row in page.rows} == {"rest", "turn", "sway"}
    assert {row.output for row in page.rows} == {o.name for o in page.budget.outputs}
    assert page.rest is not None


Spoil = Callable[[Any], None]


def scaled(field: str, factor: float) -> Spoil:
    def spoil(plant: Any) -> None:
        plant.rig[0][field] = plant.rig[0][field] * factor

    return spoil


def unit(field: str, triad: int, factor: float) -> Spoil:
    def spoil(plant: Any) -> None:
        plant.imu[0][field][triad] *= factor

    return spoil


def shaken(plant: Any) -> None:
    plant.imu[0]["shake"] *= 1.2


def later(output: int, ns: int) -> Spoil:
    def spoil(plant: Any) -> None:
        plant.out[output]["latency_ns"] += ns

    return spoil


def set_gnss(column: int, factor: float) -> Spoil:
    def spoil(plant: Any) -> None:
        plant.rig[0]["gnss_errors"][:, column] *= factor

    return spoil


def offset_antenna(plant: Any) -> None:
    plant.rig[0]["antenna_position"][2] += 0.1


def worse_teeth(plant: Any) -> None:
    for ring in plant.rings:
        n = ring["teeth"]
        even = 2.0 * math.pi * np.arange(n) / n
        ring["edge"][:n] = even + 3.0 * (ring["edge"][:n] - even)


def slower(plant: Any) -> None:
    plant.out[0]["rate_num"] = 499
    plant.out[0]["interval_ns"] = 0  # that of a rate of 499 Hz is no whole number


def bigger_wheel(plant: Any) -> None:
    plant.rings[1]["radius"] *= 1.002


SPOILT: dict[str, dict[str, tuple[Spoil, str]]] = {
    "noise": {
        "rates 20 % up": (
            unit("noise_tick", 0, 1.2),
            "imu_rates: rate_y_rad_s, from sample to sample over √2",
        ),
        "force 20 % down": (
            unit("noise_tick", 1, 0.8),
            "imu_force: force_z_m_s2, from sample to sample over √2",
        ),
        "lean 20 % up": (scaled("lean_sigma", 1.2), "lean: lean_rad, from sample to sample over √2"),
        "fork 20 % up": (scaled("fork_sigma", 1.2), "steering_angle: steering_angle_rad, one sigma"),
        "GNSS white 40 % up": (set_gnss(3, 1.4), "gnss: east, from epoch to epoch over √2"),
        "GNSS velocity 40 % up": (set_gnss(5, 1.4), "gnss: speed at rest, mean"),
        "teeth three times worse": (worse_teeth, "wheel_speed: wheel_rear_m_s, one sigma"),
        "engine shakes 20 % more": (shaken, "imu_force: force_z_m_s2, engine line at 45 Hz"),
    },
    "places and times": {
        "rate bias 20 % up": (unit("bias", 0, 1.2), "imu_rates: rate_x_rad_s, mean"),
        "IMU elsewhere": (scaled("imu_position", 0.5), "imu_force: force_y_m_s2, mean"),
        "lean sensor elsewhere": (
            scaled("lean_position", 0.9),
            "lean: lean_rad, lag of its content at 1.1 Hz, accelerations felt",
        ),
        "lean filter faster": (scaled("lean_gain", 1.1), "lean: lean_rad, lag of its content at 1.1 Hz"),
        "antenna 10 cm higher": (offset_antenna, "gnss: up, mean error"),
        "a tick later": (later(2, 1_000_000), "steering_angle: age, mean"),
        "GNSS 2 ms later": (later(-1, 2_000_000), "gnss: age, mean"),
        "rate off": (slower, "imu_rates: rate error"),
        "wheel radius 0.2 % off": (bigger_wheel, "wheel_speed: wheel_rear_m_s, mean"),
    },
}


@pytest.mark.parametrize("case", SPOILT)
def test_what_is_not_as_configured_is_found(
    session: Session, steady: Steady, monkeypatch: pytest.MonkeyPatch, case: str
) -> None:
    class Spoilt(Bench):
        def __init__(self, session: Session) -> None:
            super().__init__(session)
            for spoil, _ in SPOILT[case].values():
                spoil(self.plant)

    monkeypatch.setattr(sensor_record, "Bench", Spoilt)
    found = differing(session, steady)
    for what, (_, row) in SPOILT[case].items():
        assert row in found, what
    assert {row.partition(":")[0] for row in found} <= {
        row.partition(":")[0] for _, row in SPOILT[case].values()
    }


def test_another_step_on_the_wire_is_found(
    session: Session, steady: Steady, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The plant rounds rates to twice the DBC's step before they are packed."""

    class Coarse(Bench):
        def __init__(self, session: Session) -> None:
            super().__init__(session)
            assert session.codec.frames[self.plant.out[0]["frame"]] == "imu_rates"
            self.step = 2.0 * session.codec.table.factor[0]

        def tick(self, rx: Any, tx: Any, lateness_us: float, compute_us: float) -> int:
            line = self.plant.lines.values[0]
            line[:, :3] = np.rint(line[:, :3] / self.step) * self.step
            return super().tick(rx, tx, lateness_us, compute_us)

    monkeypatch.setattr(sensor_record, "Bench", Coarse)
    assert "imu_rates: rate_x_rad_s, smallest step" in differing(session, steady)


def test_a_damaged_frame_is_counted(session: Session, monkeypatch: pytest.MonkeyPatch) -> None:
    class Damaging(Bench):
        def tick(self, rx: Any, tx: Any, lateness_us: float, compute_us: float) -> int:
            state = super().tick(rx, tx, lateness_us, compute_us)
            if self.plant.run[0]["tick"] == 501:
                tx.data[:, 3] ^= 1
            return state

    assert {h.damaged for h in listen(session, 0.8).outputs.values()} == {0}
    monkeypatch.setattr(sensor_record, "Bench", Damaging)
    record = listen(session, 0.8)
    assert record.outputs["imu_rates"].damaged == 1
    assert record.outputs["gnss"].damaged == 0


# -- the rest ------------------------------------------------------------------------------------------------


def test_the_same_seed_measures_the_same_and_another_something_else(session: Session) -> None:
    def values(seed: int) -> np.ndarray:
        return listen(level_session(RIG, seed=seed), 1.0).outputs["imu_rates"].values

    assert np.array_equal(values(3), values(3))
    assert not np.array_equal(values(3), values(4))


def test_without_measuring_there_is_only_a_budget() -> None:
    page = sensors_of(RIG)
    assert isinstance(page, SensorPage)
    assert page.rows == ()
    assert page.rest is None
    session = level_session(RIG)
    # by their words: what is not known is NaN, which equals nothing
    assert repr(page.budget) == repr(budget_of(session.rig, session.vehicle, session.codec, speed_m_s=20.0))


def test_a_turn_that_can_not_be_held_says_so() -> None:
    with pytest.raises(ValueError, match="expected a turn the vehicle can hold: no steady motion"):
        sensors_of(RIG, plan=Plan(lean_rad=math.radians(64.0)))


def test_progress_is_told(session: Session, steady: Steady) -> None:
    told: list[tuple[str, float]] = []
    measured(
        session, Plan(seconds=20.0), SteadyTurn(steady, G), lambda what, share: told.append((what, share))
    )
    assert {what for what, _ in told} == {"at rest", "in a steady turn", "swaying", "swaying, felt"}
    assert all(0.0 <= share <= 1.0 for _, share in told)
