"""What a rig's sensors are configured to do: place, timing, wire and errors of every output, as figures.

Everything here is computed from the configuration by the formulas beside each sensor's function; nothing is
run. Each function gives the errors of one sensor as :class:`Term`; what random terms add up to at the
receiver is the root of the sum of their squares.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

import numpy as np

from emulator.config.rig.bus_load import bit_rates, longest, wire_ns
from emulator.config.rig.file import Rig
from emulator.config.rig.ports import SerialPort
from emulator.config.rig.sensors import Imu, ToneRing
from emulator.core.constants import GRAVITY
from emulator.core.frame_buffer import EXTENDED
from emulator.inspection.sensors.error_terms import READING_STEP, Channel, Term, rounding
from emulator.inspection.sensors.gnss_budget import gnss_accuracies, gnss_channels
from emulator.inspection.sensors.imposed_motion import lean_shown, turned
from emulator.inspection.sensors.inertial_budget import (
    Triad,
    delay_ms,
    drift_sigma,
    keys_of,
    shown,
    white_covariance,
)
from emulator.inspection.sensors.lean_lag import ROLLING_HZ, LeanLag, lean_lags
from emulator.inspection.sensors.sample_age import TICK_MS, Age
from emulator.sensors.gnss import Accuracy
from emulator.sensors.wheel_speed import MOST_INTERVALS
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import FRONT, REAR
from emulator.wire.can_frames import Codec
from emulator.wire.can_timing import Message, bits_ns, response_times
from emulator.wire.e2e import BARE, PROFILE_1
from emulator.wire.nmea import burst_seconds


class Behind(NamedTuple):
    """Lag [ms] of a sensor itself, and the condition it holds under; "slow": of slow changes."""

    ms: float
    when: str


@dataclass(frozen=True)
class OutputBudget:
    """One output of the rig: a frame, or the GNSS port.

    behind_when  condition that the sensor's own lag in ``age`` holds under, in words
    """

    name: str
    where: str
    wire: str
    rate_hz: float
    age: Age
    channels: tuple[Channel, ...]
    behind_when: str = ""


@dataclass(frozen=True)
class ErrorBudget:
    """All outputs of a rig; speed-dependent terms are taken at ``speed_m_s``.

    lean_lags  of a lean sensor that computes, riding straight on at that speed; empty without one
    """

    rig: str
    speed_m_s: float
    outputs: tuple[OutputBudget, ...]
    fixes: tuple[tuple[str, Accuracy], ...]  # GNSS errors by kind of fix, the one in use first
    lean_lags: tuple[LeanLag, ...] = ()

    @property
    def speed_words(self) -> str:
        """The speed, for a person."""
        return f"{self.speed_m_s * 3.6:.0f} km/h"

    def output(self, name: str) -> OutputBudget:
        """By name. KeyError if the rig does not send it."""
        for output in self.outputs:
            if output.name == name:
                return output
        raise KeyError(name)

    def output_of(self, signal: str) -> OutputBudget:
        """The first that carries a signal. KeyError if the rig does not send it."""
        for output in self.outputs:
            if any(channel.signal == signal for channel in output.channels):
                return output
        raise KeyError(signal)

    def channel(self, signal: str, at: str = "") -> Channel:
        """First channel of a signal (under a condition). KeyError if the rig does not send it."""
        for output in self.outputs:
            for channel in output.channels:
                if channel.signal == signal and at in ("", channel.at):
                    return channel
        raise KeyError(signal)


# -- one function a sensor -----------------------------------------------------------------------------------


def inertial_terms(imu: Imu, triad: Triad, axis: int, rate_hz: float) -> list[Term]:
    """Gyroscope or accelerometer of an axis, bike upright and at rest; f samples a second.

    white noise N sqrt(f), or what the low-pass leaves of it; bias and what each run draws on top; drift of
    one sigma B 0.6643 / 0.6174; walk K; what its mounting, scale and axes make of gravity is fixed, as is
    the bias it ends with when warm; steps of its own. Formulas: inertial_budget beside this module.
    """
    keys = keys_of(imu, triad)
    terms = []
    covariance = white_covariance(keys, rate_hz)
    if covariance:
        through = "" if keys.corner_hz is None else f" through {keys.corner_hz:g} Hz"
        how = f"{keys.density:g} x √Hz{through}"
        terms.append(Term("white noise", "white", math.sqrt(covariance[0]), how, covariance=covariance))
    if keys.bias[axis] != 0.0:
        terms.append(Term("bias", "fixed", keys.bias[axis], "as configured"))
    if keys.turn_on > 0.0:
        terms.append(Term("turn-on bias", "drawn", keys.turn_on, "once a run"))
    drift = drift_sigma(keys)
    if drift > 0.0:
        how = f"B {keys.instability:g}, correlated over {keys.correlation_s:g} s"
        terms.append(Term("bias instability", "drift", drift, how, keys.correlation_s))
    if keys.walk > 0.0:
        terms.append(Term("random walk", "walk", keys.walk, f"{keys.walk:g} x √s"))
    own = np.array([0.0, 0.0, GRAVITY])
    none = np.zeros(3)
    late = np.array([1e9])
    said = float(shown(imu, triad, none, own, late)[0, axis])
    ideal = (
        float((turned(*(math.radians(a) for a in imu.attitude_deg)).T @ own)[axis])
        if triad == "force"
        else 0.0
    )
    rest = said - ideal - keys.bias[axis]
    if abs(rest) > 1e-12:
        terms.append(Term("mounting, scale, warmth", "fixed", rest, "upright, at rest, warm"))
    if keys.resolution > 0.0:
        terms.append(rounding(keys.resolution, READING_STEP))
    return terms


def lean_terms(rig: Rig, speed_m_s: float) -> list[Term]:
    """Lean sensor: white noise as configured, and of a computed lean what its own elements do, upright.

    Over the time T of its reference gyro noise N_w integrates to a drift of N_w sqrt(T / 2); noise of the
    reference, N_f of the force and N_w v of the turn it takes away, over g, to its sqrt(1 / 2 T). What biases
    and mounting make of it upright is fixed: imposed_motion.lean_shown. What accelerations make of it is an
    error of the ride (lean_ride) and a lag (lean_lag), and in none of these terms.
    """
    lean = rig.sensors.lean
    terms = [Term("white noise", "white", lean.noise_rad, "as configured")] if lean.noise_rad > 0.0 else []
    own = lean.computed
    if own is not None:
        time_s = own.reference_time_constant_ms * 1e-3
        gyro = own.rate_noise_density_rad_s_sqrtHz * math.sqrt(time_s / 2.0)
        turning = own.rate_noise_density_rad_s_sqrtHz * speed_m_s
        reference = math.hypot(own.force_noise_density_m_s2_sqrtHz, turning) / GRAVITY
        for name, sigma in (("own gyro", gyro), ("own reference", reference / math.sqrt(2.0 * time_s))):
            if sigma > 0.0:
                terms.append(Term(name, "drift", sigma, f"correlated over {time_s:g} s", time_s))
        upright = np.array([0.0, 0.0, GRAVITY])
        fixed = lean_shown(own, np.zeros(3), upright, lambda _lean: speed_m_s)
        if abs(fixed) > 1e-12:
            terms.append(Term("bias and mounting", "fixed", fixed, "upright"))
    return terms


def steering_angle_terms(rig: Rig) -> list[Term]:
    """Steering angle: white noise as configured."""
    noise = rig.sensors.steering_angle.noise_rad
    return [Term("white noise", "white", noise, "as configured")] if noise > 0.0 else []


def analogue_terms(rig: Rig, name: str) -> list[Term]:
    """A sensor with one value: white noise and steps as configured; its lag is an age."""
    sensor = rig.sensors.analogue.get(name)
    if sensor is None:
        return []
    terms = [Term("white noise", "white", sensor.noise, "as configured")] if sensor.noise > 0.0 else []
    if sensor.resolution > 0.0:
        terms.append(rounding(sensor.resolution, READING_STEP))
    return terms


def averaged_edges(ring: ToneRing, edges_hz: float) -> int:
    """Edge intervals a reading is the mean of: those that fit the window, at least one."""
    longest = MOST_INTERVALS if ring.averaging_ms is not None else 1
    count = longest if ring.averaging_edges is None else ring.averaging_edges
    if ring.averaging_ms is not None:
        count = min(count, int(edges_hz * ring.averaging_ms * 1e-3 * (1.0 + 1e-9)))
    return max(1, count)


def ring_radius(rig: Rig, vehicle: Vehicle, front: bool) -> tuple[int, float]:
    """Teeth, and nominal rolling radius [m], of a wheel's tone ring."""
    ring = rig.sensors.wheel_speed.tone_ring
    assert ring is not None
    given = ring.rolling_radius_front_m if front else ring.rolling_radius_rear_m
    radius = float(vehicle.tyre[FRONT if front else REAR]["radius"]) if given is None else given
    return (ring.teeth_front if front else ring.teeth_rear), radius


def edge_rate_hz(rig: Rig, vehicle: Vehicle, front: bool, speed_m_s: float) -> float:
    """Edges a second of a wheel's tone ring at a speed of its nominal radius."""
    teeth, radius = ring_radius(rig, vehicle, front)
    return speed_m_s / radius * teeth / (2.0 * math.pi)


def wheel_terms(rig: Rig, vehicle: Vehicle, front: bool, speed_m_s: float) -> list[Term]:
    """Wheel speed v from a tone ring of Z teeth, mean of n intervals of T in all.

    pitch          both ends of the window are off by one sigma p of a pitch: v sqrt(2) p / n; 0 if n is a
                   multiple of Z, where both ends are the same tooth
    eccentricity   edges shifted by e sin of their place: v sqrt(2) e |sin(b / 2)| / b, b = 2 pi n / Z
    timer          two readings cut to q: triangular over +-q, v q / (sqrt(6) T)
    reading step   v is rounded to it before it is rounded on the wire
    Without a ring: white noise as configured. Source: derived here.
    """
    sensor = rig.sensors.wheel_speed
    ring = sensor.tone_ring
    if ring is None:
        return [Term("white noise", "white", sensor.noise_m_s, "as configured")] if sensor.noise_m_s else []
    teeth, _ = ring_radius(rig, vehicle, front)
    edges_hz = edge_rate_hz(rig, vehicle, front, speed_m_s)
    if edges_hz <= 0.0:
        return []
    n = averaged_edges(ring, edges_hz)
    terms = []
    pitch = ring.pitch_error_pct * 0.01
    if pitch > 0.0:
        sigma = 0.0 if n % teeth == 0 else speed_m_s * math.sqrt(2.0) * pitch / n
        terms.append(
            Term("tooth pitch", "pattern", sigma, f"√2 x {ring.pitch_error_pct:g} % / {n} intervals")
        )
    off = ring.eccentricity_pct * 0.01
    if off > 0.0:
        # Ends of the window n pitches apart are shifted by e (sin(a + b) - sin(a)), b = 2 pi n / Z: over a
        # turn its rms is sqrt(2) e |sin(b / 2)|; relative to the window's angle b.
        b = 2.0 * math.pi * n / teeth
        sigma = speed_m_s * math.sqrt(2.0) * off * abs(math.sin(b / 2.0)) / b
        terms.append(
            Term("eccentricity", "pattern", sigma, f"{ring.eccentricity_pct:g} % over {n} intervals")
        )
    window_s = n / edges_hz
    timer = ring.timer_resolution_ns * 1e-9
    terms.append(
        Term(
            "timer",
            "white",
            speed_m_s * timer / (math.sqrt(6.0) * window_s),
            f"{timer * 1e9:g} ns at both ends",
        )
    )
    if ring.resolution_m_s > 0.0:
        terms.append(rounding(ring.resolution_m_s, READING_STEP))
    return terms


def wheel_behind_ms(rig: Rig, vehicle: Vehicle, speed_m_s: float) -> float:
    """Age of a front wheel reading by itself: half the window, and on average half a pitch since its end."""
    ring = rig.sensors.wheel_speed.tone_ring
    if ring is None or speed_m_s <= 0.0:
        return 0.0
    edges_hz = edge_rate_hz(rig, vehicle, True, speed_m_s)
    return 1e3 * 0.5 * (averaged_edges(ring, edges_hz) + 1) / edges_hz


def first_order_behind_ms(time_ms: float) -> float:
    """Lag of a first-order filter run at ticks behind slow motion: its time constant less what it is ahead.

    It moves by g = 1 - exp(-h / T) of the way each tick of h, towards the value of that tick: a ramp is
    followed h (1 - g) / g late, which is about T - h / 2.
    """
    if time_ms <= 0.0:
        return 0.0
    gain = -math.expm1(-TICK_MS / time_ms)
    return TICK_MS * (1.0 - gain) / gain


# -- the bus -------------------------------------------------------------------------------------------------


def bus_times(rig: Rig, codec: Codec) -> dict[str, tuple[float, float]]:
    """Own time on the bus and longest wait for it [ms] by output; NaN where the bit rate is not in the rig.

    Of the rig's own frames: when the robot's come, it does not say. A wait without bound is infinite.
    Source: emulator.wire.can_timing.
    """
    rates = bit_rates(rig)
    if rates is None:
        return dict.fromkeys(map(str, rig.outputs), (math.nan, math.nan))
    messages = []
    for name, output in rig.outputs.items():
        took_ns, period_ns = rates.time_ns(longest(codec, name)), round(1e9 / output.rate_hz)
        can_id = int(codec.table.can_id[codec.frame(name)])
        messages.append(Message(name, can_id, took_ns, period_ns, 0, period_ns))
    return {
        r.message.name: (
            1e-6 * r.message.transmission_ns,
            math.inf if r.worst_ns is None else 1e-6 * (r.worst_ns - r.message.transmission_ns),
        )
        for r in response_times(messages, bits_ns(1, rates.nominal))
    }


# -- the whole rig -------------------------------------------------------------------------------------------


def _where(rig: Rig, name: str, signals: Sequence[str]) -> str:
    s = rig.sensors
    ring = s.wheel_speed.tone_ring
    if name.startswith("imu"):
        turned_by = s.imu.attitude_deg
        by = f", turned {', '.join(f'{a:g}' for a in turned_by)}°" if any(turned_by) else ""
        return f"main frame at {_place(s.imu.position_m)}{by}"
    if name == "lean":
        return (
            "main frame" if s.lean.computed is None else f"main frame at {_place(s.lean.computed.position_m)}"
        )
    if "steering_angle_rad" in signals:
        return "steering head"
    if name.startswith("wheel"):
        if ring is None:
            return "wheel hubs"
        teeth = {"wheel_pulses_front": f"{ring.teeth_front}", "wheel_pulses_rear": f"{ring.teeth_rear}"}
        return f"wheel hubs, {teeth.get(name, f'{ring.teeth_front} and {ring.teeth_rear}')} teeth"
    own = {"engine": "engine control unit", "levers": "levers and grip", "suspension": "fork and shock"}
    return own.get(name, "chain" if name == "drive_torque" else "this bench")


def _place(point: Sequence[float]) -> str:
    return f"({', '.join(f'{v:.2f}' for v in point)}) m"


def _frame_words(codec: Codec, f: int) -> str:
    table = codec.table
    identifier = int(table.can_id[f])
    digits = f"0x{identifier & ~EXTENDED:03X}{'x' if identifier & EXTENDED else ''}"
    profile, guarded = int(table.profile[f]), ""
    if profile != BARE:
        one = f" 0x{int(table.data_id[f]):04X}" if table.data_id[f] >= 0 else " list"
        other = "" if profile == PROFILE_1 else f" {codec.profiles[f]},"
        guarded = f", E2E{other} data id{one}"
    named = "" if codec.in_dbc[f].frame == codec.frames[f] else f"{codec.in_dbc[f].frame}, "
    kind = f"CAN{' FD' if codec.fd[f] else ''}"
    return f"{kind} {named}{digits}, {int(table.length[f])} bytes{guarded}"


def _terms_of(
    rig: Rig, vehicle: Vehicle, speed_m_s: float, rate_hz: float
) -> dict[str, Callable[[], list[Term]]]:
    """Errors before the wire, by signal; a signal that is not named has none."""
    table: dict[str, Callable[[], list[Term]]] = {
        "lean_rad": partial(lean_terms, rig, speed_m_s),
        "steering_angle_rad": partial(steering_angle_terms, rig),
        "wheel_front_m_s": partial(wheel_terms, rig, vehicle, True, speed_m_s),
        "wheel_rear_m_s": partial(wheel_terms, rig, vehicle, False, speed_m_s),
    }
    for axis, letter in enumerate("xyz"):
        table[f"rate_{letter}_rad_s"] = partial(inertial_terms, rig.sensors.imu, "rate", axis, rate_hz)
        table[f"force_{letter}_m_s2"] = partial(inertial_terms, rig.sensors.imu, "force", axis, rate_hz)
    for name in rig.sensors.analogue:
        table[name] = partial(analogue_terms, rig, name)
    return table


def _holds(rig: Rig, signal: str, speed_m_s: float) -> str:
    """Condition under which a signal's terms are what they are said to be; empty: always."""
    at_speed = f"at {speed_m_s * 3.6:.0f} km/h"
    if signal.startswith(("rate_", "force_")):
        return "upright, at rest, warm, engine off"
    if signal == "lean_rad" and rig.sensors.lean.computed is not None:
        return f"upright, straight on, not accelerating, {at_speed}"
    if signal in ("wheel_front_m_s", "wheel_rear_m_s") and rig.sensors.wheel_speed.tone_ring is not None:
        return f"rolling freely {at_speed}"
    return ""


def _behind(rig: Rig, vehicle: Vehicle, speed_m_s: float, lags: Sequence[LeanLag]) -> dict[str, Behind]:
    """Own lag of the sensors behind the rig's outputs, but for those of analogue ones."""
    sensors, at_speed = rig.sensors, f"{speed_m_s * 3.6:.0f} km/h"
    lean = Behind(first_order_behind_ms(sensors.lean.time_constant_ms), "slow")
    if sensors.lean.computed is not None:
        lean = Behind(lean.ms, "not accelerating")
    for at in lags:
        if at.hertz == ROLLING_HZ:
            lean = Behind(at.lag_ms, f"rolling at {at.hertz:g} Hz, {at_speed}")
    return {
        "lean": lean,
        "wheel_speed": Behind(wheel_behind_ms(rig, vehicle, speed_m_s), f"at {at_speed}"),
        "imu_rates": Behind(delay_ms(keys_of(sensors.imu, "rate")), "slow"),
        "imu_force": Behind(delay_ms(keys_of(sensors.imu, "force")), "slow"),
    }


def budget_of(rig: Rig, vehicle: Vehicle, codec: Codec, *, speed_m_s: float = 20.0) -> ErrorBudget:
    """Everything the rig's outputs are configured to be; lean, wheel speed and course at ``speed_m_s``."""
    table = codec.table
    names = list(rig.outputs)
    frames = [codec.frame(name) for name in names]
    on_bus = bus_times(rig, codec)
    lags = lean_lags(rig, vehicle, speed_m_s)
    behind = _behind(rig, vehicle, speed_m_s, lags)
    outputs = []
    for i, name in enumerate(names):
        timing, f = rig.outputs[name], frames[i]
        wire_ms, wait_ms = on_bus[name]
        slowest = max(
            (s.time_constant_ms for n, s in rig.sensors.analogue.items() if n in codec.signals[f]),
            default=0.0,
        )
        own = behind.get(name, Behind(first_order_behind_ms(slowest), "slow"))
        age = Age(
            timing.latency_ms,
            timing.jitter_ms,
            own.ms,
            wire_ms,
            wait_ms,
            wire_ns(rig, codec, name) * 1e-6,
        )
        terms = _terms_of(rig, vehicle, speed_m_s, timing.rate_hz)
        channels = []
        for k, signal in enumerate(codec.signals[f]):
            s = int(table.first[f]) + k
            step, offset = abs(float(table.factor[s])), float(table.offset[s])
            low, high = sorted(
                float(raw * table.factor[s] + offset) for raw in (table.raw_low[s], table.raw_high[s])
            )
            found = terms[signal]() if signal in terms else []
            if found:
                found.append(rounding(step))
            holds = _holds(rig, signal, speed_m_s) if found else ""
            channels.append(Channel(signal, codec.units[f][k], step, low, high, tuple(found), holds=holds))
        outputs.append(
            OutputBudget(
                name,
                _where(rig, name, codec.signals[f]),
                _frame_words(codec, f),
                timing.rate_hz,
                age,
                tuple(channels),
                own.when if own.ms else "",
            )
        )
    gnss = rig.sensors.gnss
    fixes = gnss_accuracies(gnss)
    baud = getattr(rig.gnss_port, "baud", None)
    wire = math.nan if baud is None else 1e3 * burst_seconds(gnss.sentences, baud)
    outputs.append(
        OutputBudget(
            "gnss",
            f"antenna at {_place(gnss.antenna_position_m)}",
            f"NMEA 0183 on {rig.gnss_port.kind}{'' if baud is None else f' at {baud} baud'}: "
            f"{' '.join(gnss.sentences)}",
            gnss.rate_hz,
            Age(gnss.latency_ms, gnss.jitter_ms, 0.0, wire, on_line=isinstance(rig.gnss_port, SerialPort)),
            tuple(c for fix, a in fixes for c in gnss_channels(gnss, fix, a, speed_m_s)),
        )
    )
    return ErrorBudget(rig.name, speed_m_s, tuple(outputs), fixes, lags)


def allan_lengths(rate_hz: float, longest_s: float = 1000.0) -> list[int]:
    """Averaging lengths in samples for a curve: octaves up to ``longest_s``."""
    lengths = [1]
    while lengths[-1] * 2 <= longest_s * rate_hz:
        lengths.append(2 * lengths[-1])
    return lengths
