"""Rows of the sensors in motion: a steady turn against closed forms, a sway for lags and gains."""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri, stdtrit

from emulator.config.rig.file import Rig
from emulator.config.rig.lean_response import share_of_tick, smoothed
from emulator.config.rig.sensors import ComputedLean
from emulator.inspection.sensors.allan import Noise, mean_sigma
from emulator.inspection.sensors.budget import (
    ErrorBudget,
    averaged_edges,
    edge_rate_hz,
    ring_radius,
    wheel_terms,
)
from emulator.inspection.sensors.capture import TICK_S, ReceivedOutput, Record
from emulator.inspection.sensors.checks import (
    SETTLED_S,
    Check,
    about,
    antenna_errors,
    constant_checks,
    on_wire,
    settled_s,
    slow_sigma,
    spread_of,
    within,
)
from emulator.inspection.sensors.error_terms import Channel
from emulator.inspection.sensors.imposed_motion import (
    SteadyTurn,
    Sway,
    lean_shown,
    over_read,
    rear_tyre,
    turned,
)
from emulator.inspection.sensors.inertial_budget import errors_of_axes, keys_of, low_pass, shown, unit_axes
from emulator.sensors.lean import filtered
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import FRONT, FRONT_WHEEL, JOINT, JOINT_RATE, REAR, REAR_WHEEL, STEER

# -- steady turn ---------------------------------------------------------------------------------------------


_BATCHES = 20  # a mean's scatter is taken from the means of so many parts, where its spectrum is not known


def mean_check(
    output: str, channel: Channel, truth: float, values: NDArray[np.float64], rate_hz: float
) -> Check:
    """A mean among vibration: its scatter from its own parts, and what drifts from one run to another."""
    size = values.size // _BATCHES
    parts = values[: size * _BATCHES].reshape(_BATCHES, size).mean(axis=1)
    scatter = float(np.std(parts, ddof=1)) / math.sqrt(_BATCHES)
    slow = Noise(0.0, channel.noise.drifts)
    drifting = mean_sigma(slow.covariance(np.arange(values.size), 1.0 / rate_hz))
    drifting = math.hypot(drifting, slow_sigma(channel, values.size / rate_hz))

    def interval(miss: float) -> tuple[float, float]:
        reach = math.hypot(
            float(stdtrit(_BATCHES - 1, 1.0 - miss / 2.0)) * scatter,
            float(ndtri(1.0 - miss / 2.0)) * drifting,
        )
        return truth - reach, truth + reach

    return Check(output, f"{channel.signal}, mean", channel.unit, truth, float(np.mean(values)), interval)


def turn_checks(
    budget: ErrorBudget, rig: Rig, vehicle: Vehicle, turn: SteadyTurn, record: Record
) -> list[Check]:
    """Means against the turn's closed forms."""
    x, imu = turn.steady.x, rig.sensors.imu
    force = turn.force(imu.position_m)
    truth = {"lean_rad": _lean_in_turn(rig, vehicle, turn), "steering_angle_rad": float(x[JOINT + STEER])}
    checks = []
    for output in budget.outputs:
        received = record.outputs[output.name].after(settled_s(rig, output.name))
        if received.arrived_ns.size < 2 * _BATCHES:
            continue
        for triad, name in (("rate", "imu_rates"), ("force", "imu_force")):
            if output.name == name:
                said = shown(imu, triad, turn.rates(), force, received.stamped).mean(axis=0)  # type: ignore[arg-type]
                truth |= {c.signal: float(said["xyz".index(c.signal.split("_")[1])]) for c in output.channels}
        for channel in output.channels:
            if channel.signal in truth and channel.signal in received.signals:
                at = on_wire(channel, truth[channel.signal])[0]
                values = received.of(channel.signal)
                if channel.noise.is_white and channel.noise.sigma == 0.0 and channel.drawn == 0.0:
                    checks += constant_checks(output.name, channel, truth[channel.signal], values)
                else:
                    checks.append(mean_check(output.name, channel, at, values, output.rate_hz))
    checks += _wheels_in_turn(budget, rig, vehicle, turn, record)
    checks += _gnss_in_turn(budget, rig, turn, record)
    return checks


def _lean_in_turn(rig: Rig, vehicle: Vehicle, turn: SteadyTurn) -> float:
    """The roll, or what a computing sensor settles at."""
    own = rig.sensors.lean.computed
    if own is None:
        return turn.attitude[0]
    tyre = float(vehicle.tyre[FRONT]["radius"])
    radius = tyre if own.rolling_radius_m is None else own.rolling_radius_m
    spin = float(turn.steady.x[JOINT_RATE + FRONT_WHEEL])

    def told(lean: float) -> float:
        return spin * (radius - own.crown_radius_m * (1.0 - math.cos(lean)))

    return lean_shown(own, turn.rates(), turn.force(own.position_m), told)


def _wheels_in_turn(
    budget: ErrorBudget, rig: Rig, vehicle: Vehicle, turn: SteadyTurn, record: Record
) -> list[Check]:
    checks = []
    x = turn.steady.x
    output = next((o for o in budget.outputs if any(c.signal == "wheel_rear_m_s" for c in o.channels)), None)
    if output is None:
        return []
    received = record.outputs[output.name].after(SETTLED_S)
    ring = rig.sensors.wheel_speed.tone_ring
    for front, joint in ((True, FRONT_WHEEL), (False, REAR_WHEEL)):
        signal = "wheel_front_m_s" if front else "wheel_rear_m_s"
        if signal not in received.signals:
            continue
        channel = budget.channel(signal)
        nominal = float(vehicle.tyre[FRONT if front else REAR]["radius"])
        radius = nominal if ring is None else ring_radius(rig, vehicle, front)[1]
        values = received.of(signal)
        true = abs(float(x[JOINT_RATE + joint])) * radius
        noise = channel.noise.sigma
        # the mean over a window's edges lies above the true rate by about the square of its relative error
        sigma = math.hypot(noise, channel.step / math.sqrt(12.0)) / math.sqrt(values.size)
        checks.append(
            Check(
                output.name,
                f"{signal}, mean",
                "m/s",
                true,
                float(np.mean(values)),
                about(true, sigma, noise**2 / max(true, 0.1) + 1e-9),
            )
        )
        if ring is not None and noise > 0.0:
            teeth, _ = ring_radius(rig, vehicle, front)
            # as many values as teeth were drawn; differences of them share an end with the next
            at_speed = math.hypot(*(t.sigma for t in wheel_terms(rig, vehicle, front, true)))
            measured = float(np.std(values))
            checks.append(
                Check(
                    output.name,
                    f"{signal}, one sigma",
                    "m/s",
                    at_speed,
                    measured,
                    spread_of(at_speed, teeth / 1.5),
                )
            )
    if "wheel_rear_m_s" in received.signals:
        checks.append(_over_read_check(output.name, rig, vehicle, turn, received))
    return checks


def _over_read_check(
    output: str, rig: Rig, vehicle: Vehicle, turn: SteadyTurn, received: ReceivedOutput
) -> Check:
    """The rear wheel leaned over turns faster than its nominal radius says.

    Beside the torus's R / (R - t (1 - cos roll)) the rolling radius loses a share of the tyre's deflection,
    and the driven tyre slips; the share is the vehicle file's, deflection and slip
    follow from load and drive.
    """
    tyre = vehicle.tyre[REAR]
    radius, crown = float(tyre["radius"]), float(tyre["crown_radius"])
    roll, _ = turn.attitude
    deflection = turn.steady.loads[0] / float(tyre["vertical_stiffness"])
    over = over_read(radius, crown, roll, float(tyre["rolling_radius_share"]) * deflection)
    ring = rig.sensors.wheel_speed.tone_ring
    nominal = radius if ring is None else ring_radius(rig, vehicle, front=False)[1]
    contact, slip = rear_tyre(turn.steady, vehicle)
    expected = 100.0 * ((1.0 + over) / (1.0 - slip) - 1.0)
    shown = float(np.mean(received.of("wheel_rear_m_s"))) / nominal * radius
    measured = 100.0 * (shown / turn.speed_of(contact.tolist()) - 1.0)
    # what the formula leaves out: the slip angle's cosine, and the yaw rate's part about the axle
    return Check(
        output, "rear wheel over-read by lean", "%", expected, measured, within(expected, 0.1), random=False
    )


def _gnss_in_turn(budget: ErrorBudget, rig: Rig, turn: SteadyTurn, record: Record) -> list[Check]:
    gnss, received = rig.sensors.gnss, record.outputs["gnss"].after(SETTLED_S)
    if received.arrived_ns.size < 2:
        return []
    antenna, fix = gnss.antenna_position_m, gnss.fix
    errors = antenna_errors(record, lambda t: turn.at(t, antenna))
    period_s = 1.0 / gnss.rate_hz
    channel = budget.channel("gnss_x_m", fix)
    noise = Noise(math.hypot(channel.noise.white, channel.step / math.sqrt(12.0)), channel.noise.drifts)
    # to the left of the way: how far the antenna swings out, and what the receiver's errors leave of it
    left = np.array([[-math.sin(turn.heading(t)), math.cos(turn.heading(t)), 0.0] for t in received.stamped])
    origin = np.array([turn.at(t, (0.0, 0.0, 0.0)) for t in received.stamped])
    swings = np.sum((received.values[:, :3] - origin) * left, axis=1)
    expected = float((turned(*turn.attitude, 0.0) @ antenna)[1])
    # in turning axes the drift decorrelates no slower than it does at rest: the wider figure is taken
    reach = mean_sigma(noise.covariance(np.arange(swings.size), period_s))
    checks = [
        Check(
            "gnss",
            "antenna left of the main frame's origin",
            "m",
            expected,
            float(np.mean(swings)),
            about(expected, reach, channel.step / 2),
        )
    ]
    up = budget.channel("gnss_z_m", fix)
    height = Noise(math.hypot(up.noise.white, up.step / math.sqrt(12.0)), up.noise.drifts)
    checks.append(
        Check(
            "gnss",
            "up, mean error",
            "m",
            0.0,
            float(np.mean(errors[:, 2])),
            about(0.0, mean_sigma(height.covariance(np.arange(swings.size), period_s)), up.step / 2),
        )
    )
    moving = budget.channel("gnss_speed_m_s", fix)
    true, sigma = turn.speed_of(antenna), moving.noise.sigma
    values = received.of("gnss_speed_m_s")
    # noise across the way adds sigma^2 / (2 v) to the mean
    mean = true + sigma**2 / (2.0 * true)
    checks.append(
        Check(
            "gnss",
            "speed, mean",
            "m/s",
            mean,
            float(np.mean(values)),
            about(mean, moving.sigma / math.sqrt(values.size), moving.step / 2),
        )
    )
    if sigma > moving.step:
        spread = float(np.std(values))
        checks.append(
            Check(
                "gnss",
                "speed, one sigma",
                "m/s",
                moving.sigma,
                spread,
                spread_of(moving.sigma, values.size - 1),
            )
        )
    courses = received.of("gnss_course_rad")
    true_course = np.array([turn.course_of(antenna, t) for t in received.stamped])
    off = np.asarray((courses - true_course + math.pi) % (2.0 * math.pi) - math.pi)
    known = off[np.isfinite(off)]
    if known.size > 1:
        step = math.radians(0.01) / math.sqrt(12.0)
        sigma = math.hypot(moving.noise.sigma / true, gnss.course_noise_rad, step)
        checks += [
            Check(
                "gnss",
                "course, mean error",
                "rad",
                0.0,
                float(np.mean(known)),
                about(0.0, sigma / math.sqrt(known.size), 1e-6),
            ),
            Check(
                "gnss",
                "course, one sigma",
                "rad",
                sigma,
                float(np.sqrt(np.mean(known**2))),
                spread_of(sigma, known.size) if sigma > 2.0 * step else within(sigma, 2.0 * step),
            ),
        ]
    return checks


# -- sway ----------------------------------------------------------------------------------------------------


_SEEN = 0.3  # gain below which a signal is turned too far from the motion to tell its lag


@dataclass(frozen=True)
class SwayResponse:
    """How an output follows a swinging truth: lag [ms] and gain, with one sigma of each."""

    lag_ms: float
    gain: float
    lag_sigma_ms: float
    gain_sigma: float


def response(
    arrived_s: NDArray[np.float64], values: NDArray[np.float64], hertz: float, amplitude: float, lead: float
) -> SwayResponse:
    """Fit of ``amplitude`` sin(2 pi hertz (t - lag) + lead) to what arrived.

    The lag is taken within half a period; residuals make the sigmas.
    """
    turn = 2.0 * math.pi * hertz
    design = np.column_stack([np.ones_like(arrived_s), np.sin(turn * arrived_s), np.cos(turn * arrived_s)])
    (offset, sine, cosine), *_ = np.linalg.lstsq(design, values, rcond=None)
    rest = values - design @ np.array([offset, sine, cosine])
    size = math.hypot(sine, cosine)
    phase = math.atan2(cosine, sine)
    lag = ((lead - phase + math.pi) % (2.0 * math.pi) - math.pi) / turn
    noise = float(np.std(rest)) * math.sqrt(2.0 / len(values))
    return SwayResponse(1e3 * lag, size / amplitude, 1e3 * noise / max(size, 1e-12) / turn, noise / amplitude)


def sway_checks(budget: ErrorBudget, rig: Rig, sway: Sway, record: Record) -> list[Check]:
    """Lag and gain as the content itself shows them, against age and the sensor's own lag.

    Of a sway that is felt only what feels accelerations is judged: lean, and the force to the side.
    """
    turn = 2.0 * math.pi * sway.hertz
    sideways = sway.roll * abs(sway.force_of_roll(rig.sensors.imu.position_m)[1])
    driven = (
        {  # amplitude and lead of the truth
            "lean_rad": (sway.roll, 0.0),
            "force_y_m_s2": (sideways, 0.0),
        }
        if sway.felt
        else {
            "rate_x_rad_s": (sway.roll * turn, math.pi / 2.0),
            "lean_rad": (sway.roll, 0.0),
            "steering_angle_rad": (sway.steer, 0.0),
            "steering_rate_rad_s": (sway.steer * turn, math.pi / 2.0),
            "wheel_front_m_s": (sway.surge, 0.0),
            "wheel_rear_m_s": (sway.surge, 0.0),
            "gnss_speed_m_s": (sway.surge, 0.0),
        }
    )
    how = ", accelerations felt" if sway.felt else ""
    checks = []
    for output in budget.outputs:
        received = record.outputs[output.name].after(settled_s(rig, output.name))
        signals = list(dict.fromkeys(c.signal for c in output.channels))
        for signal in signals:
            if signal not in driven or signal not in received.signals or received.arrived_ns.size < 8:
                continue
            amplitude, lead = driven[signal]
            found = response(received.arrived, received.of(signal), sway.hertz, amplitude, lead)
            own = sensor_lag(rig, sway, signal)
            if abs(own.gain) < _SEEN:
                continue
            lag = output.age.mean + own.lag_ms
            # a drawn age blurs the gain by no more than this
            blur = 0.5 * (turn * 1e-3 * output.age.sigma) ** 2
            checks += [
                Check(
                    output.name,
                    f"{signal}, lag of its content at {sway.hertz:g} Hz{how}",
                    "ms",
                    lag,
                    found.lag_ms,
                    about(lag, found.lag_sigma_ms, own.lag_slack_ms + output.age.slack + 1e-4),
                ),
                Check(
                    output.name,
                    f"{signal}, gain at {sway.hertz:g} Hz{how}",
                    "",
                    own.gain,
                    found.gain,
                    about(own.gain, found.gain_sigma, blur + own.gain_slack + 1e-3),
                ),
            ]
    return checks


def _computed_lean(own: ComputedLean, sway: Sway) -> complex:
    """Lean over roll of the sensor's filter in the sway, linear: force, turn and speed in its turned axes."""
    gravity, s = float(sway.vehicle.body[0]["gravity"]), 2j * math.pi * sway.hertz
    axes = turned(*own.mounting_rad).T
    tyre = float(sway.vehicle.tyre[FRONT]["radius"])
    told = 1.0 if own.rolling_radius_m is None else own.rolling_radius_m / tyre  # of the speed there is
    speed, surge = told * sway.speed, told * sway.surge / sway.roll
    rates, force = axes[:, 0] * s, axes @ sway.force_of_roll(own.position_m)
    _, biased_y, biased_z = own.rate_bias_rad_s
    up = axes[:, 2] * gravity + np.asarray(own.force_bias_m_s2)
    # across and down of the reference's arctangent, where the sway is nought and by how much it moves them
    across, down = up[1] - speed * biased_z, up[2] + speed * biased_y
    moved_across = force[1] - speed * rates[2] - surge * biased_z
    moved_down = force[2] + speed * rates[1] + surge * biased_y
    reference = (down * moved_across - across * moved_down) / (across**2 + down**2)
    pull = share_of_tick(own.reference_time_constant_ms * 1e-3)
    return complex(filtered(s, complex(rates[0]), complex(reference), pull, TICK_S))


class Lag(NamedTuple):
    """Of a sensor before its delay line: lag [ms] and gain, and how far off either may be."""

    lag_ms: float
    gain: float
    lag_slack_ms: float = 0.0
    gain_slack: float = 0.0


def sensor_lag(rig: Rig, sway: Sway, signal: str) -> Lag:
    """How a sensor follows the sway."""
    hertz, vehicle = sway.hertz, sway.vehicle
    turn, gravity = 2.0 * math.pi * hertz, float(vehicle.body[0]["gravity"])
    if signal == "rate_x_rad_s":
        keys = keys_of(rig.sensors.imu, "rate")
        h = low_pass(keys, hertz)
        scale = float((errors_of_axes(keys) @ unit_axes(rig.sensors.imu))[0, 0])
        return Lag(-1e3 * cmath.phase(h) / turn, abs(h) * scale)
    if signal == "force_y_m_s2":
        imu = rig.sensors.imu
        keys, force = keys_of(imu, "force"), sway.force_of_roll(imu.position_m)
        h = low_pass(keys, hertz) * complex((errors_of_axes(keys) @ unit_axes(imu) @ force)[1])
        # the sine of the roll is less than the roll
        return Lag(-1e3 * cmath.phase(h) / turn, abs(h / force[1]), gain_slack=sway.roll**2 / 8.0)
    if signal == "lean_rad":
        h = complex(smoothed(rig.sensors.lean, 1j * turn))
        own, bend = rig.sensors.lean.computed, 0.0
        if own is not None:
            h *= _computed_lean(own, sway)
            # What is left out: z (roll rate)^2 / g bends the reference, and its arctangent a swing that is
            # felt 1 + z w^2 / g times as large as the roll.
            pull, z = 1e3 / own.reference_time_constant_ms, abs(own.position_m[2])
            bend = (sway.roll * turn) ** 2 * z / 4.0 / gravity
            if sway.felt:
                larger = 1.0 + turn**2 * z / gravity
                bend = bend * larger + sway.roll**2 / 4.0 * larger**3
            bend *= pull / turn
        return Lag(-1e3 * cmath.phase(h) / turn, abs(h), 1e3 * bend / turn, bend)
    ring = rig.sensors.wheel_speed.tone_ring
    if signal in ("wheel_front_m_s", "wheel_rear_m_s") and ring is not None:
        edges_hz = edge_rate_hz(rig, vehicle, signal == "wheel_front_m_s", sway.speed)
        n = averaged_edges(ring, edges_hz)
        # half the window and half a pitch; the window's count moves by one as the speed swings
        return Lag(1e3 * 0.5 * (n + 1) / edges_hz, 1.0, 1e3 * 0.5 / edges_hz)
    return Lag(0.0, 1.0)
