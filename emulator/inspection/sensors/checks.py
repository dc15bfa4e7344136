"""Whether what the sensors put out is what they are configured to: measured beside configured, row by row.

Three records are judged: the bike at rest, in a steady turn, and swaying. Of each quantity the interval is
said in which a measurement has to fall if the configuration is true. Intervals of random quantities are such
that of all rows together one falls outside in one of twenty cases (each is given 0.05 over their number):
with a hundred rows of 95 % each, five would differ without reason.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv, ndtr, ndtri

from emulator.assembly.sensor_records import analogue_at_rest
from emulator.config.rig.file import Rig
from emulator.config.rig.sensors import Imu
from emulator.core.axes import roll_pitch_yaw, rotation_of
from emulator.core.signals import ANALOGUE
from emulator.inspection.sensors.allan import (
    Noise,
    allan_deviation,
    mean_sigma,
    rounded,
    values_worth,
    worth_of_allan,
)
from emulator.inspection.sensors.budget import ErrorBudget, OutputBudget
from emulator.inspection.sensors.capture import TICK_S, ReceivedOutput, Record
from emulator.inspection.sensors.error_terms import Channel
from emulator.inspection.sensors.imposed_motion import lean_shown, turned
from emulator.inspection.sensors.inertial_budget import SpectralLine, Triad, engine_lines, shown
from emulator.sensors.gnss import FIX_QUALITY
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import ENGINE, JOINT, POSITION, QUATERNION, STEER

MISS = 0.05
"""Share of rigs as configured for which some row differs all the same."""
SETTLED_S = 2.0
"""What is left out at the beginning: filters and averaging windows fill."""
ALLAN_S = (1.0, 10.0)
"""Averaging times at which the Allan deviation of inertial signals is judged."""

MEAN_AGE = "age, mean"
"""What a row calls an output's mean age."""
INERTIAL = ("rate_", "force_")
"""How signals of the inertial unit begin."""

Interval: TypeAlias = Callable[[float], tuple[float, float]]
"""Where a measurement lies but for a share of cases; exact quantities do not look at it."""


@dataclass(frozen=True)
class Row:
    """One comparison; ``low`` to ``high`` is where ``measured`` has to lie."""

    record: str
    output: str
    quantity: str
    unit: str
    configured: float
    measured: float
    low: float
    high: float

    @property
    def agrees(self) -> bool:
        """Within; a figure that could not be measured is not."""
        return self.low <= self.measured <= self.high


@dataclass(frozen=True)
class Check:
    """One comparison before it is known how many there are."""

    output: str
    quantity: str
    unit: str
    configured: float
    measured: float
    interval: Interval
    random: bool = True


def within(value: float, reach: float) -> Interval:
    """What is exact, to so much."""
    return lambda _miss: (value - reach, value + reach)


def about(value: float, sigma: float, slack: float = 0.0) -> Interval:
    """A mean of known one sigma, or what comes close to one."""

    def interval(miss: float) -> tuple[float, float]:
        reach = float(ndtri(1.0 - miss / 2.0)) * sigma + slack
        return value - reach, value + reach

    return interval


def spread_of(value: float, worth: float) -> Interval:
    """An estimate of one sigma from so many independent values."""

    def interval(miss: float) -> tuple[float, float]:
        if worth <= 0.0:
            return value, value
        low, high = 2.0 * gammaincinv(worth / 2.0, [miss / 2.0, 1.0 - miss / 2.0])  # of chi-squared
        return value * math.sqrt(low / worth), value * math.sqrt(high / worth)

    return interval


def judged(record: str, checks: Iterable[Check], miss: float) -> list[Row]:
    """Rows of checks, each with the share ``miss``."""
    return [
        Row(record, c.output, c.quantity, c.unit, c.configured, c.measured, *c.interval(miss)) for c in checks
    ]


# -- timing --------------------------------------------------------------------------------------------------


def timing_checks(output: OutputBudget, received: ReceivedOutput) -> list[Check]:
    """Rate, age and soundness of one output."""
    name, age, n = output.name, output.age, received.arrived_ns.size
    checks = [Check(name, "damaged", "", 0.0, float(received.damaged), within(0.0, 0.0), random=False)]
    if n < 2:
        return [
            *checks,
            Check(name, "samples", "", math.inf, float(n), within(math.inf, 0.0), random=False),
        ]
    span_s = (received.arrived_ns[-1] - received.arrived_ns[0]) * 1e-9
    ppm = ((n - 1) / span_s / output.rate_hz - 1.0) * 1e6
    # the first and the last stand on the grid of ticks, and may be as late as jitter makes them
    reach = (TICK_S + 6e-3 * age.jitter) / span_s * 1e6
    checks.append(Check(name, "rate error", "ppm", 0.0, ppm, within(0.0, reach), random=False))
    ages = received.age_ms
    mean = float(np.mean(ages))
    random = age.sigma > 0.0
    checks.append(
        Check(
            name,
            MEAN_AGE,
            "ms",
            age.mean,
            mean,
            about(age.mean, age.sigma / math.sqrt(n), age.slack + 1e-6),
            random,
        )
    )

    def tail(miss: float) -> tuple[float, float]:
        reach = float(ndtri(1.0 - miss / 2.0)) * math.sqrt(0.99 * 0.01 / n)
        low, high = age.quantile(0.99 - reach), age.quantile(min(1.0 - 1e-9, 0.99 + reach))
        return low - age.slack, high + age.slack

    measured = float(np.quantile(ages, 0.99, method="inverted_cdf"))
    checks.append(Check(name, "age, 99 %", "ms", age.quantile(0.99), measured, tail, random))
    return checks


# -- values --------------------------------------------------------------------------------------------------


def constant_checks(output: str, channel: Channel, truth: float, values: NDArray[np.float64]) -> list[Check]:
    """A signal without noise: the truth in whole steps, always; the value farthest from it is judged."""
    unit = channel.unit
    at = rounded(truth, 0.0, channel.step)[0]
    reach = 1e-6 * channel.step + 1e-12 * abs(at)
    # a truth that lies between two steps may go either way
    if channel.step > 0.0 and abs(abs(truth / channel.step - math.floor(truth / channel.step)) - 0.5) < 1e-6:
        reach += channel.step
    far = float(values[np.argmax(np.abs(values - at))])
    return [Check(output, f"{channel.signal}, always", unit, at, far, within(at, reach), False)]


def on_wire(channel: Channel, truth: float) -> tuple[float, Noise, float]:
    """Mean, noise and kurtosis of a signal once it is rounded on the wire.

    Rounding is white noise on top; where noise is far below a step it is what makes all of the spread.
    """
    noise = channel.noise
    mean, sigma, kurtosis = rounded(truth, noise.sigma, channel.step)
    white = noise.white**2 + sigma**2 - noise.sigma**2
    if white < 0.0:
        return mean, Noise(sigma), kurtosis
    return mean, replace(noise, white=math.sqrt(white)), kurtosis


def slow_sigma(channel: Channel, seconds: float) -> float:
    """One sigma of a mean over so many seconds by what is drawn once and what walks off."""
    return math.hypot(channel.drawn, channel.noise.walk * math.sqrt(seconds / 3.0))


def noisy_checks(
    output: str,
    channel: Channel,
    truth: float | NDArray[np.float64],
    values: NDArray[np.float64],
    rate_hz: float,
    *,
    allan: bool = False,
) -> list[Check]:
    """Mean, spread and Allan deviation of a signal as it comes off the wire.

    truth  what it would say without random errors: one figure, or (n,) where that moves slowly
    """
    unit, n, period_s = channel.unit, values.size, 1.0 / rate_hz
    centre = float(np.mean(truth))
    if channel.noise.sigma <= 0.0 and channel.drawn == 0.0 and channel.noise.walk == 0.0:
        return constant_checks(output, channel, centre, values)
    mean, noise, kurtosis = on_wire(channel, centre)
    rest = values - (np.asarray(truth) - centre)
    covariance = noise.covariance(np.arange(n), period_s)
    sigma = math.hypot(mean_sigma(covariance), slow_sigma(channel, n * period_s))
    # a truth that moves meets the steps here and there: a tenth of one is left for that
    slack = 1e-9 * channel.step if isinstance(truth, float) else 0.1 * channel.step
    found = float(np.mean(rest))
    checks = [Check(output, f"{channel.signal}, mean", unit, mean, found, about(mean, sigma, slack))]
    stands = channel.drawn == 0.0 and noise.walk == 0.0
    if stands:
        worth = values_worth(covariance)
        if kurtosis != 3.0:
            worth *= 2.0 / max(kurtosis - 1.0, 1e-6)
        spread = float(np.sqrt(np.mean((rest - mean) ** 2)))
        name = f"{channel.signal}, one sigma"
        checks.append(Check(output, name, unit, noise.sigma, spread, spread_of(noise.sigma, worth)))
    lengths = [] if stands and noise.is_white else [("from sample to sample over √2", 1)]
    if allan:
        lengths += [
            (f"Allan deviation over {tau:g} s", m)
            for tau in ALLAN_S
            if n // (m := max(1, round(tau * rate_hz))) >= 10
        ]
    for words, m in lengths:
        deviation = noise.deviation(m, period_s)
        interval = spread_of(deviation, worth_of_allan(noise, n, m, period_s))
        name = f"{channel.signal}, {words}"
        checks.append(Check(output, name, unit, deviation, allan_deviation(rest, m), interval))
    return checks


def without_lines(
    values: NDArray[np.float64], time_s: NDArray[np.float64], hertz: Sequence[float]
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Values less sines of known frequencies, their amplitudes, and one sigma of an amplitude."""
    if not hertz:
        return values, np.zeros(0), 0.0
    angle = 2.0 * math.pi * np.outer(time_s, hertz)
    design = np.hstack([np.ones((len(time_s), 1)), np.sin(angle), np.cos(angle)])
    fit, *_ = np.linalg.lstsq(design, values, rcond=None)
    k = len(hertz)
    rest = values - design[:, 1:] @ fit[1:]
    return rest, np.hypot(fit[1 : k + 1], fit[k + 1 :]), float(np.std(rest)) * math.sqrt(2.0 / len(values))


class Shaken(NamedTuple):
    """An inertial signal at rest taken apart.

    truth      what it would say without random errors and vibration, (n,) while it warms
    rest       (n,) values without the engine's lines
    lines      those expected, with the amplitudes found and one sigma of one
    """

    truth: float | NDArray[np.float64]
    rest: NDArray[np.float64]
    lines: list[tuple[SpectralLine, float]]
    amplitude_sigma: float

    @property
    def noise(self) -> NDArray[np.float64]:
        """(n,) what is neither engine nor warming."""
        return np.asarray(self.rest - self.truth)


def taken_apart(
    signal: str, received: ReceivedOutput, imu: Imu, force: NDArray[np.float64], engine: float
) -> Shaken:
    """A signal such as ``rate_x_rad_s`` of a unit at rest under ``force``, the engine at ``engine`` rad/s."""
    word, letter, *_ = signal.split("_")
    triad: Triad = "rate" if word == "rate" else "force"
    k = "xyz".index(letter)
    said = shown(imu, triad, np.zeros(3), force, received.stamped)[:, k]
    lines = [
        line for line in engine_lines(imu, triad, engine) if line.hertz > 0.0 and line.amplitude[k] > 0.0
    ]
    rest, found, sigma = without_lines(received.of(signal), received.stamped, [line.hertz for line in lines])
    truth = said if imu.temperature is not None else float(said[0])
    return Shaken(truth, rest, list(zip(lines, found.tolist(), strict=True)), sigma)


def inertial_checks(
    output: OutputBudget, received: ReceivedOutput, imu: Imu, force: NDArray[np.float64], engine: float
) -> list[Check]:
    """The inertial unit at rest: its warming followed, the engine's lines taken out and judged apart."""
    checks = []
    for channel in output.channels:
        if channel.signal not in received.signals or not channel.signal.startswith(INERTIAL):
            continue
        apart = taken_apart(channel.signal, received, imu, force, engine)
        checks += noisy_checks(output.name, channel, apart.truth, apart.rest, output.rate_hz, allan=True)
        checks += resolution_checks(output.name, channel, received.of(channel.signal))
        for line, found in apart.lines:
            expected = float(line.amplitude["xyz".index(channel.signal.split("_")[1])])
            if expected > 5.0 * apart.amplitude_sigma:  # below it noise alone makes an amplitude
                name = f"{channel.signal}, engine line at {line.hertz:.3g} Hz"
                interval = about(expected, apart.amplitude_sigma, 0.01 * expected)
                checks.append(Check(output.name, name, channel.unit, expected, found, interval))
    return checks


def resolution_checks(output: str, channel: Channel, values: NDArray[np.float64]) -> list[Check]:
    """Smallest step seen between two values, where noise is large enough to show neighbouring ones.

    A sensor whose own step is the coarser one shows that, to a whole number of steps on the wire.
    """
    step, own = channel.step, channel.reading_step
    if step <= 0.0 or channel.noise.sigma < 0.5 * max(step, own) or values.size < 100:
        return []
    seen = np.diff(np.unique(values[np.isfinite(values)]))
    smallest = float(np.min(seen)) if seen.size else 0.0
    steps = max(1.0, own / step)
    low, high = (float(f(steps * s)) for f, s in ((np.floor, 1.0 + 1e-9), (np.ceil, 1.0 - 1e-9)))
    reach = 1e-6 * step

    def interval(_miss: float) -> tuple[float, float]:
        return low * step - reach, high * step + reach

    name = f"{channel.signal}, smallest step"
    return [Check(output, name, channel.unit, low * step, smallest, interval, False)]


def settled_s(rig: Rig, output: str) -> float:
    """When an output has forgotten how it began."""
    own = rig.sensors.lean.computed
    if output == "lean" and own is not None:
        return SETTLED_S + 10.0 * own.reference_time_constant_ms * 1e-3
    return SETTLED_S


def felt_at_rest(x: NDArray[np.float64], gravity: float) -> NDArray[np.float64]:
    """(3,) [m/s^2] specific force in the main frame of a bike that stands in state x."""
    roll, pitch, _ = roll_pitch_yaw(rotation_of(*(float(v) for v in x[QUATERNION : QUATERNION + 4])))
    return np.asarray(turned(roll, pitch, 0.0).T @ np.array([0.0, 0.0, gravity]))


def truth_at_rest(
    rig: Rig, vehicle: Vehicle, x: NDArray[np.float64], gravity: float, gear: float
) -> dict[str, float]:
    """What each signal but the inertial unit's would say without random error of a bike that stands in x."""
    truth = dict.fromkeys(
        (
            *("steering_rate_rad_s", "throttle", "state", "trip_reason", "scenario_time_s"),
            *("wheel_front_m_s", "wheel_rear_m_s", "wheel_front_hz", "wheel_rear_hz"),
            *("wheel_front_edges", "wheel_rear_edges"),
        ),
        0.0,
    )
    truth |= dict(zip(ANALOGUE, analogue_at_rest(vehicle, x), strict=True))
    own, force = rig.sensors.lean.computed, felt_at_rest(x, gravity)
    truth["lean_rad"] = math.atan2(float(force[1]), float(force[2]))
    if own is not None:
        truth["lean_rad"] = lean_shown(own, np.zeros(3), force, lambda _lean: 0.0)
    truth["steering_angle_rad"] = float(x[JOINT + STEER])
    truth["engine_rad_s"], truth["gear"], truth["emulated"] = float(x[ENGINE]), gear, 1.0
    return truth


def rest_checks(
    budget: ErrorBudget, rig: Rig, vehicle: Vehicle, record: Record, gravity: float, gear: float
) -> list[Check]:
    """The bike stands: timing of all, noise of all; the budget is that at standstill."""
    checks = []
    truth = truth_at_rest(rig, vehicle, record.x, gravity, gear)
    force = felt_at_rest(record.x, gravity)
    for output in budget.outputs:
        received = record.outputs[output.name]
        checks += timing_checks(output, received)
        settled = received.after(settled_s(rig, output.name))
        if output.name == "gnss" or settled.arrived_ns.size < 2:
            continue
        if output.name in ("imu_rates", "imu_force"):
            imu, engine = rig.sensors.imu, float(record.x[ENGINE])
            checks += inertial_checks(output, settled, imu, force, engine)
        absent = rig.outputs[output.name].absent
        for channel in output.channels:
            values = settled.of(channel.signal)
            if channel.signal in absent:
                said = float(np.count_nonzero(np.isfinite(values)))
                name = f"{channel.signal}, said although absent"
                checks.append(Check(output.name, name, "", 0.0, said, within(0.0, 0.0), random=False))
            elif channel.signal in truth:
                checks += _signal_at_rest(output, channel, rig, truth[channel.signal], values)
    checks += _gnss_at_rest(budget, rig, record)
    return checks


def _signal_at_rest(
    output: OutputBudget, channel: Channel, rig: Rig, truth: float, values: NDArray[np.float64]
) -> list[Check]:
    if channel.signal in ("wheel_front_m_s", "wheel_rear_m_s"):
        return _wheel_at_rest(output.name, channel, rig, values)
    sensor = rig.sensors.analogue.get(channel.signal)
    low, high = channel.low, channel.high
    if sensor is not None and sensor.range is not None:
        low, high = max(low, sensor.range[0]), min(high, sensor.range[1])
    reach = 6.0 * channel.sigma
    if channel.sigma > 0.0 and not low + reach < truth < high - reach:
        return []  # half of its noise is cut off where it stands: that is not told by a mean
    checks = noisy_checks(output.name, channel, truth, values, output.rate_hz)
    return checks + resolution_checks(output.name, channel, values)


def _wheel_at_rest(output: str, channel: Channel, rig: Rig, values: NDArray[np.float64]) -> list[Check]:
    """A tone ring reads zero; the plain sensor shows what of its noise is above its lowest speed."""
    sensor = rig.sensors.wheel_speed
    if sensor.tone_ring is not None or sensor.noise_m_s == 0.0:
        return constant_checks(output, channel, 0.0, values)
    a, sigma = sensor.lowest_speed_m_s / sensor.noise_m_s, sensor.noise_m_s
    tail, density = float(ndtr(-a)), math.exp(-0.5 * a * a) / math.sqrt(2.0 * math.pi)
    mean, square = sigma * density, sigma**2 * (tail + a * density)
    spread = math.sqrt(max(0.0, square - mean**2))
    name = f"{channel.signal}, mean"
    reach = spread / math.sqrt(values.size)
    return [
        Check(output, name, channel.unit, mean, float(np.mean(values)), about(mean, reach, channel.step / 2))
    ]


def antenna_errors(record: Record, place: Callable[[float], NDArray[np.float64]]) -> NDArray[np.float64]:
    """(n, 3) east, north, up of each epoch less where the antenna was."""
    received = record.outputs["gnss"].after(SETTLED_S)
    true = np.array([place(t) for t in received.stamped])
    return np.asarray(received.values[:, :3] - true)


def gnss_position_checks(budget: ErrorBudget, errors: NDArray[np.float64], rate_hz: float) -> list[Check]:
    """Mean, one sigma and step from epoch to epoch of (n, 3) errors of position."""
    checks = []
    fix = budget.fixes[0][0]
    for k, (signal, word) in enumerate((("gnss_x_m", "east"), ("gnss_y_m", "north"), ("gnss_z_m", "up"))):
        channel, values = budget.channel(signal, fix), errors[:, k]
        noise = Noise(math.hypot(channel.noise.white, channel.step / math.sqrt(12.0)), channel.noise.drifts)
        covariance = noise.covariance(np.arange(values.size), 1.0 / rate_hz)
        checks += [
            Check(
                "gnss",
                f"{word}, mean error",
                "m",
                0.0,
                float(np.mean(values)),
                about(0.0, mean_sigma(covariance), channel.step / 2),
            ),
            Check(
                "gnss",
                f"{word}, one sigma",
                "m",
                noise.sigma,
                float(np.sqrt(np.mean(values**2))),
                spread_of(noise.sigma, values_worth(covariance))
                if channel.noise.sigma > channel.step
                else within(noise.sigma, channel.step),
            ),
        ]
        if channel.noise.sigma > channel.step:
            deviation = noise.deviation(1, 1.0 / rate_hz)
            checks.append(
                Check(
                    "gnss",
                    f"{word}, from epoch to epoch over √2",
                    "m",
                    deviation,
                    allan_deviation(values, 1),
                    spread_of(deviation, worth_of_allan(noise, values.size, 1, 1.0 / rate_hz)),
                )
            )
    return checks


def _gnss_at_rest(budget: ErrorBudget, rig: Rig, record: Record) -> list[Check]:
    gnss, received = rig.sensors.gnss, record.outputs["gnss"].after(SETTLED_S)
    if received.arrived_ns.size < 2:
        return []
    roll, pitch, heading = roll_pitch_yaw(
        rotation_of(*(float(v) for v in record.x[QUATERNION : QUATERNION + 4]))
    )
    antenna = record.x[POSITION : POSITION + 3] + turned(roll, pitch, heading) @ gnss.antenna_position_m
    checks = gnss_position_checks(budget, antenna_errors(record, lambda _: antenna), gnss.rate_hz)
    quality = float(FIX_QUALITY[gnss.fix])
    worst = received.of("gnss_fix")
    seen = float(worst[np.argmax(np.abs(worst - quality))])
    checks.append(Check("gnss", "fix quality", "", quality, seen, within(quality, 0.0), random=False))
    channel = budget.channel("gnss_speed_m_s", gnss.fix)
    sigma = channel.noise.sigma
    # both axes' noise make a speed: Rayleigh, mean sqrt(pi / 2) sigma, variance (2 - pi / 2) sigma^2
    mean, spread = math.sqrt(math.pi / 2.0) * sigma, math.sqrt(2.0 - math.pi / 2.0) * sigma
    values = received.of("gnss_speed_m_s")
    checks.append(
        Check(
            "gnss",
            "speed at rest, mean",
            "m/s",
            mean,
            float(np.mean(values)),
            about(mean, spread / math.sqrt(values.size), channel.step / 2),
        )
    )
    return checks


# -- all -----------------------------------------------------------------------------------------------------


def all_rows(records: Sequence[tuple[str, Sequence[Check]]]) -> list[Row]:
    """Rows of all records, judged together."""
    random = sum(c.random for _, checks in records for c in checks)
    miss = MISS / max(1, random)
    return [row for name, checks in records for row in judged(name, checks, miss)]
