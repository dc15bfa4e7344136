"""Whether what the sensors put out is what they are configured to: measured beside configured, row by row.

Three records are judged: the bike at rest, in a steady turn, and swaying. Of each quantity the interval is
said in which a measurement has to fall if the configuration is true. Intervals of random quantities are such
that of all rows together one falls outside in one of twenty cases (each is given 0.05 over their number):
with a hundred rows of 95 % each, five would differ without reason.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2, norm

from emulator.campaign.allan import (
    Noise,
    allan_deviation,
    mean_sigma,
    rounded,
    values_worth,
    worth_of_allan,
)
from emulator.campaign.imposed_motion import turned
from emulator.campaign.sensor_budget import Budget, Channel, Output
from emulator.campaign.sensor_record import TICK_S, Heard, Record
from emulator.config.rig_file import Rig
from emulator.frames import roll_pitch_yaw, rotation_of
from emulator.sensors.gnss import FIX_QUALITY
from emulator.vehicle.state import (
    ENGINE,
    JOINT,
    POSITION,
    QUATERNION,
    STEER,
)

MISS = 0.05
"""Share of rigs as configured for which some row differs all the same."""
SETTLED_S = 2.0
"""What is left out at the beginning: filters and averaging windows fill."""
ALLAN_S = (1.0, 10.0)
"""Averaging times at which the Allan deviation of inertial signals is judged."""

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
        reach = float(norm.ppf(1.0 - miss / 2.0)) * sigma + slack
        return value - reach, value + reach

    return interval


def spread_of(value: float, worth: float) -> Interval:
    """An estimate of one sigma from so many independent values."""

    def interval(miss: float) -> tuple[float, float]:
        if worth <= 0.0:
            return value, value
        low, high = chi2.ppf([miss / 2.0, 1.0 - miss / 2.0], worth)
        return value * math.sqrt(low / worth), value * math.sqrt(high / worth)

    return interval


def judged(record: str, checks: Iterable[Check], miss: float) -> list[Row]:
    """Rows of checks, each with the share ``miss``."""
    return [
        Row(record, c.output, c.quantity, c.unit, c.configured, c.measured, *c.interval(miss)) for c in checks
    ]


# -- timing --------------------------------------------------------------------------------------------------


def timing_checks(output: Output, heard: Heard) -> list[Check]:
    """Rate, age and soundness of one output."""
    name, age, n = output.name, output.age, heard.arrived_ns.size
    checks = [Check(name, "damaged", "", 0.0, float(heard.damaged), within(0.0, 0.0), random=False)]
    if n < 2:
        return [
            *checks,
            Check(name, "samples", "", math.inf, float(n), within(math.inf, 0.0), random=False),
        ]
    span_s = (heard.arrived_ns[-1] - heard.arrived_ns[0]) * 1e-9
    ppm = ((n - 1) / span_s / output.rate_hz - 1.0) * 1e6
    # the first and the last stand on the grid of ticks, and may be as late as jitter makes them
    reach = (TICK_S + 6e-3 * age.jitter) / span_s * 1e6
    checks.append(Check(name, "rate error", "ppm", 0.0, ppm, within(0.0, reach), random=False))
    ages = heard.age_ms
    mean = float(np.mean(ages))
    random = age.sigma > 0.0
    checks.append(
        Check(
            name, "age, mean", "ms", age.mean, mean, about(age.mean, age.sigma / math.sqrt(n), 1e-6), random
        )
    )

    def tail(miss: float) -> tuple[float, float]:
        reach = float(norm.ppf(1.0 - miss / 2.0)) * math.sqrt(0.99 * 0.01 / n)
        return age.quantile(0.99 - reach), age.quantile(min(1.0 - 1e-9, 0.99 + reach))

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


def noisy_checks(
    output: str,
    channel: Channel,
    truth: float,
    values: NDArray[np.float64],
    rate_hz: float,
    *,
    allan: bool,
) -> list[Check]:
    """Mean, one sigma and Allan deviation of a signal whose truth stands still, as it comes off the wire."""
    noise, unit, n = channel.noise, channel.unit, values.size
    period_s = 1.0 / rate_hz
    mean, sigma, kurtosis = rounded(truth + channel.offset, noise.sigma, channel.step)
    if noise.sigma <= 0.0:
        return constant_checks(output, channel, truth + channel.offset, values)
    # Rounding as white noise on top; where noise is far below a step it is what makes all of the spread.
    on_wire = Noise(math.sqrt(max(0.0, sigma**2 - sum(s * s for s, _ in noise.drifts))), noise.drifts)
    covariance = on_wire.covariance(np.arange(n), period_s)
    worth = values_worth(covariance)
    if kurtosis != 3.0:
        worth *= 2.0 / max(kurtosis - 1.0, 1e-6)
    checks = [
        Check(
            output,
            f"{channel.signal}, mean",
            unit,
            mean,
            float(np.mean(values)),
            about(mean, mean_sigma(covariance), 1e-9 * channel.step),
        ),
        Check(
            output,
            f"{channel.signal}, one sigma",
            unit,
            sigma,
            float(np.sqrt(np.mean((values - mean) ** 2))),
            spread_of(sigma, worth),
        ),
    ]
    if allan:
        full = Noise(on_wire.white, noise.drifts, noise.walk)
        for tau in ALLAN_S:
            m = max(1, round(tau * rate_hz))
            if n // m >= 10:
                deviation = full.deviation(m, period_s)
                checks.append(
                    Check(
                        output,
                        f"{channel.signal}, Allan deviation over {tau:g} s",
                        unit,
                        deviation,
                        allan_deviation(values, m),
                        spread_of(deviation, worth_of_allan(full, n, m, period_s)),
                    )
                )
    return checks


def resolution_checks(output: str, channel: Channel, values: NDArray[np.float64]) -> list[Check]:
    """Smallest step seen between two values, where noise is large enough to show neighbouring ones."""
    if channel.step <= 0.0 or channel.noise.sigma < 0.5 * channel.step or values.size < 100:
        return []
    steps = np.diff(np.unique(values[np.isfinite(values)]))
    smallest = float(np.min(steps)) if steps.size else 0.0
    reach = 1e-6 * channel.step
    name = f"{channel.signal}, smallest step"
    return [Check(output, name, channel.unit, channel.step, smallest, within(channel.step, reach), False)]


_INERTIAL = ("rate_", "force_")


def truth_at_rest(x: NDArray[np.float64], gravity: float, gear: float) -> dict[str, float]:
    """What each signal would say without error while the bike stands in state x."""
    roll, pitch, _ = roll_pitch_yaw(rotation_of(*(float(v) for v in x[QUATERNION : QUATERNION + 4])))
    felt = turned(roll, pitch, 0.0).T @ np.array([0.0, 0.0, gravity])
    truth = {f"force_{k}_m_s2": float(v) for k, v in zip("xyz", felt, strict=True)}
    truth |= dict.fromkeys(
        (
            *("rate_x_rad_s", "rate_y_rad_s", "rate_z_rad_s", "steering_rate_rad_s", "throttle"),
            *("wheel_front_m_s", "wheel_rear_m_s", "wheel_front_hz", "wheel_rear_hz"),
            *("wheel_front_edges", "wheel_rear_edges", "state", "trip_reason", "scenario_time_s"),
        ),
        0.0,
    )
    truth["lean_rad"], truth["steering_angle_rad"] = roll, float(x[JOINT + STEER])
    truth["engine_rad_s"], truth["gear"], truth["emulated"] = float(x[ENGINE]), gear, 1.0
    return truth


def rest_checks(budget: Budget, rig: Rig, record: Record, gravity: float, gear: float) -> list[Check]:
    """The bike stands: timing of all, noise of all."""
    checks = []
    truth = truth_at_rest(record.x, gravity, gear)
    for output in budget.outputs:
        heard = record.outputs[output.name]
        checks += timing_checks(output, heard)
        if output.name == "gnss" or heard.arrived_ns.size < 2:
            continue
        settled = heard.after(SETTLED_S)
        for channel in output.channels:
            if channel.signal not in truth:
                continue
            values = settled.of(channel.signal)
            if channel.signal.startswith("wheel") and channel.signal.endswith("m_s"):
                checks += _wheel_at_rest(output.name, channel, rig, values)
                continue
            inertial = channel.signal.startswith(_INERTIAL)
            checks += noisy_checks(
                output.name, channel, truth[channel.signal], values, output.rate_hz, allan=inertial
            )
            checks += resolution_checks(output.name, channel, values)
    checks += _gnss_at_rest(budget, rig, record)
    return checks


def _wheel_at_rest(output: str, channel: Channel, rig: Rig, values: NDArray[np.float64]) -> list[Check]:
    """A tone ring reads zero; the plain sensor shows what of its noise is above its lowest speed."""
    sensor = rig.sensors.wheel_speed
    if sensor.tone_ring is not None or sensor.noise_m_s == 0.0:
        return constant_checks(output, channel, 0.0, values)
    a, sigma = sensor.lowest_speed_m_s / sensor.noise_m_s, sensor.noise_m_s
    tail, density = float(norm.sf(a)), float(norm.pdf(a))
    mean, square = sigma * density, sigma**2 * (tail + a * density)
    spread = math.sqrt(max(0.0, square - mean**2))
    name = f"{channel.signal}, mean"
    reach = spread / math.sqrt(values.size)
    return [
        Check(output, name, channel.unit, mean, float(np.mean(values)), about(mean, reach, channel.step / 2))
    ]


def antenna_errors(record: Record, place: Callable[[float], NDArray[np.float64]]) -> NDArray[np.float64]:
    """(n, 3) east, north, up of each epoch less where the antenna was."""
    heard = record.outputs["gnss"].after(SETTLED_S)
    true = np.array([place(t) for t in heard.stamped])
    return np.asarray(heard.values[:, :3] - true)


def gnss_position_checks(budget: Budget, errors: NDArray[np.float64], rate_hz: float) -> list[Check]:
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


def _gnss_at_rest(budget: Budget, rig: Rig, record: Record) -> list[Check]:
    gnss, heard = rig.sensors.gnss, record.outputs["gnss"].after(SETTLED_S)
    if heard.arrived_ns.size < 2:
        return []
    roll, pitch, heading = roll_pitch_yaw(
        rotation_of(*(float(v) for v in record.x[QUATERNION : QUATERNION + 4]))
    )
    antenna = record.x[POSITION : POSITION + 3] + turned(roll, pitch, heading) @ gnss.antenna_position_m
    checks = gnss_position_checks(budget, antenna_errors(record, lambda _: antenna), gnss.rate_hz)
    quality = float(FIX_QUALITY[gnss.fix])
    worst = heard.of("gnss_fix")
    seen = float(worst[np.argmax(np.abs(worst - quality))])
    checks.append(Check("gnss", "fix quality", "", quality, seen, within(quality, 0.0), random=False))
    channel = budget.channel("gnss_speed_m_s", gnss.fix)
    sigma = channel.noise.sigma
    # both axes' noise make a speed: Rayleigh, mean sqrt(pi / 2) sigma, variance (2 - pi / 2) sigma^2
    mean, spread = math.sqrt(math.pi / 2.0) * sigma, math.sqrt(2.0 - math.pi / 2.0) * sigma
    values = heard.of("gnss_speed_m_s")
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
