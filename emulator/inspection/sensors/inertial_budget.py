"""What the inertial unit is configured to say: of a given motion, and how noisily.

Written from the rig's keys and the terms of IEEE Std 952 (from memory), not from the unit's own code: the
unit's axes, its errors of scale and axis, its warming, its low-pass and the engine's lines as closed forms.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from emulator.config.rig.sensors import Imu
from emulator.core.signals import TICK_NS
from emulator.inspection.sensors.imposed_motion import turned
from emulator.sensors.imu import FLICKER_FLAT, MARKOV_PEAK, matched_low_pass

Triad: TypeAlias = Literal["rate", "force"]
TRIADS: tuple[Triad, Triad] = ("rate", "force")

_TICK_S = TICK_NS * 1e-9
_RINGING = 400  # ticks after which the response of any permitted low-pass is gone


class Keys(NamedTuple):
    """A triad's keys in one unit-free shape; units are rad/s or m/s^2."""

    density: float
    bias: Sequence[float]
    turn_on: float
    instability: float
    correlation_s: float
    walk: float
    scale: NDArray[np.float64]
    cross: Sequence[float]
    felt: Sequence[float]
    bias_per_kelvin: Sequence[float]
    scale_per_kelvin: NDArray[np.float64]
    corner_hz: float | None
    damping: float
    limit: float
    resolution: float


def keys_of(imu: Imu, triad: Triad) -> Keys:
    """The triad's part of the rig."""
    if triad == "rate":
        return Keys(
            imu.rate_noise_density_rad_s_sqrtHz,
            imu.rate_bias_rad_s,
            imu.rate_turn_on_bias_rad_s,
            imu.rate_bias_instability_rad_s,
            imu.rate_correlation_time_s,
            imu.rate_random_walk_rad_s2_sqrtHz,
            1e-6 * np.array(imu.rate_scale_error_ppm),
            imu.rate_cross_axis_rad,
            imu.rate_per_force_rad_s_per_m_s2,
            imu.rate_bias_rad_s_per_K,
            1e-6 * np.array(imu.rate_scale_ppm_per_K),
            imu.rate_corner_hz,
            imu.rate_damping,
            math.inf if imu.rate_range_rad_s is None else imu.rate_range_rad_s,
            imu.rate_resolution_rad_s,
        )
    return Keys(
        imu.force_noise_density_m_s2_sqrtHz,
        imu.force_bias_m_s2,
        imu.force_turn_on_bias_m_s2,
        imu.force_bias_instability_m_s2,
        imu.force_correlation_time_s,
        imu.force_random_walk_m_s3_sqrtHz,
        1e-6 * np.array(imu.force_scale_error_ppm),
        imu.force_cross_axis_rad,
        (0.0, 0.0, 0.0),
        imu.force_bias_m_s2_per_K,
        1e-6 * np.array(imu.force_scale_ppm_per_K),
        imu.force_corner_hz,
        imu.force_damping,
        math.inf if imu.force_range_m_s2 is None else imu.force_range_m_s2,
        imu.force_resolution_m_s2,
    )


def unit_axes(imu: Imu) -> NDArray[np.float64]:
    """R_UB (3, 3): main frame to unit, its attitude and then its misalignment."""
    attitude = turned(*(math.radians(a) for a in imu.attitude_deg))
    return np.asarray(turned(*imu.misalignment_rad).T @ attitude.T)


def errors_of_axes(keys: Keys) -> NDArray[np.float64]:
    """(3, 3) what each axis makes of the motion along the unit's axes."""
    xy, xz, yx, yz, zx, zy = keys.cross
    across = np.array([[0.0, xy, xz], [yx, 0.0, yz], [zx, zy, 0.0]])
    return np.asarray(np.eye(3) + np.diag(keys.scale) + across)


def kelvins(imu: Imu, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """(n,) [K] over the calibrated temperature, at times since it was switched on."""
    warm = imu.temperature
    if warm is None:
        return np.zeros_like(time_s)
    start, final = warm.start_degC - warm.calibrated_degC, warm.final_degC - warm.calibrated_degC
    return np.asarray(final + (start - final) * np.exp(-time_s / warm.time_constant_s))


def shown(
    imu: Imu,
    triad: Triad,
    rates: NDArray[np.float64],
    force: NDArray[np.float64],
    time_s: NDArray[np.float64],
) -> NDArray[np.float64]:
    """(n, 3) what the unit says at those times of a motion that does not change, without what is random.

    rates, force  (3,) true, main frame's axes
    """
    keys, axes = keys_of(imu, triad), unit_axes(imu)
    own = axes @ (rates if triad == "rate" else force)
    steady = errors_of_axes(keys) @ own + np.asarray(keys.bias)
    steady = steady + np.asarray(keys.felt) * (axes @ force)
    warm = kelvins(imu, time_s)[:, None]
    return np.asarray(steady + warm * (np.asarray(keys.bias_per_kelvin) + keys.scale_per_kelvin * own))


def drift_sigma(keys: Keys) -> float:
    """One sigma of the Gauss-Markov process whose largest Allan deviation is the flat minimum of B."""
    return keys.instability * FLICKER_FLAT / MARKOV_PEAK


def white_covariance(keys: Keys, rate_hz: float) -> tuple[float, ...]:
    """Autocovariance of the white noise from sample to sample, (1,) or as long as the low-pass rings.

    Without a low-pass N^2 f at lag 0. With it noise of N^2 a tick goes through the response h at ticks, and a
    sample meets the next one D ticks later: N^2 / tick x sum of h(n) h(n + k D).
    """
    if keys.density == 0.0:
        return ()
    if keys.corner_hz is None:
        return (keys.density**2 * rate_hz,)
    from scipy.signal import lfilter  # half a second of importing, for units with a low-pass alone

    b, a = matched_low_pass(keys.corner_hz, keys.damping, _TICK_S)
    impulse = np.zeros(_RINGING)
    impulse[0] = 1.0
    h = np.asarray(lfilter(b, a, impulse))
    out = []
    for k in range(_RINGING):
        apart = round(k / (rate_hz * _TICK_S))
        if apart >= _RINGING:
            break
        out.append(keys.density**2 / _TICK_S * float(np.sum(h[: _RINGING - apart] * h[apart:])))
    least = 1e-9 * out[0]
    while len(out) > 1 and abs(out[-1]) < least:
        out.pop()
    return tuple(out)


def low_pass(keys: Keys, hertz: float) -> complex:
    """Gain and phase of the analogue low-pass: 1 / (1 - r^2 + 2 j d r)."""
    if keys.corner_hz is None:
        return 1.0 + 0.0j
    r = hertz / keys.corner_hz
    return 1.0 / complex(1.0 - r * r, 2.0 * keys.damping * r)


def delay_ms(keys: Keys) -> float:
    """Delay of slow motion: 2 d / (2 pi corner)."""
    return 0.0 if keys.corner_hz is None else 1e3 * keys.damping / (math.pi * keys.corner_hz)


class SpectralLine(NamedTuple):
    """A line of the engine's vibration: frequency [Hz], and amplitude (3,) in a triad's unit."""

    hertz: float
    amplitude: NDArray[np.float64]


def engine_lines(imu: Imu, triad: Triad, engine_rad_s: float) -> list[SpectralLine]:
    """Lines at an engine speed: amplitude grows with its square, then the triad's errors and low-pass."""
    keys, axes = keys_of(imu, triad), unit_axes(imu)
    lines = []
    for order in imu.vibration.engine_orders:
        hertz = order.order * engine_rad_s / (2.0 * math.pi)
        felt = axes @ np.array(order.amplitude_m_s2) * (engine_rad_s / order.at_rad_s) ** 2
        own = np.asarray(keys.felt) * felt if triad == "rate" else errors_of_axes(keys) @ felt
        lines.append(SpectralLine(hertz, np.abs(own) * abs(low_pass(keys, hertz))))
    return lines
