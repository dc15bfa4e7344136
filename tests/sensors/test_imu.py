"""The inertial unit against closed forms: noise by Allan deviation, low-pass by sines, errors one by one."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import allantools
import numba
import numpy as np
import pytest
from allantools import ci
from numba.core.runtime import _nrt_python, rtsys
from scipy.integrate import solve_ivp
from scipy.optimize import minimize_scalar
from scipy.signal import welch
from scipy.spatial.transform import Rotation
from scipy.stats import chi2

from emulator.core.compiled import jit
from emulator.core.random_streams import stream_start
from emulator.sensors.imu import (
    FLICKER_FLAT,
    FORCE,
    MARKOV_PEAK,
    MARKOV_PEAK_AT,
    MOST_ORDERS,
    RATES,
    STREAMS,
    EngineOrder,
    RoadBand,
    Triad,
    Warming,
    feel,
    inertial_unit,
    matched_low_pass,
    reading,
    restart,
    turned,
)
from emulator.sensors.motion_at_point import specific_force_at

TICK_HZ = 1000
TICK_S = 1.0 / TICK_HZ
STILL = ((0.0, 0.0, 0.0), (0.0, 0.0, 9.81))
REFERENCE = Path(__file__).parents[1] / "reference"


def streams(seed: int = 1) -> np.ndarray:
    return np.array([stream_start(seed, name) for name in STREAMS], np.uint64)


@jit
def _driven(unit, w, f, engine, spin, s, every, out):  # type: ignore[no-untyped-def]
    """Motion of each tick in; a sample of both triads out every so many ticks, first with the first tick."""
    u, held = unit[0], w.shape[0] == 1
    for n in range(out.shape[0] * every):
        i = 0 if held else n
        feel(u, (w[i, 0], w[i, 1], w[i, 2]), (f[i, 0], f[i, 1], f[i, 2]), engine[i], spin[i], s, False)
        if n % every == 0:
            for t in range(2):
                for k in range(3):
                    out[n // every, 3 * t + k] = reading(u, t, k, s)


def samples(unit, w=None, f=None, engine=0.0, spin=0.0, *, count=None, every=1, seed=1, s=None):  # type: ignore[no-untyped-def]
    """(count, 6) samples; w, f (N, 3) by tick, or one (3,) that is held, still if not given."""
    given = [np.atleast_2d(STILL[i] if v is None else v).astype(float) for i, v in enumerate((w, f))]
    n = max(len(v) for v in given)
    n = max(n, np.size(engine), np.size(spin))
    motion = [np.ascontiguousarray(np.broadcast_to(v, (n, 3))) for v in given]
    speeds = [np.ascontiguousarray(np.broadcast_to(np.asarray(v, float), n)) for v in (engine, spin)]
    out = np.zeros((-(-n // every) if count is None else count, 6))
    if n > 1:
        out = out[: n // every]
    _driven(unit, *motion, *speeds, streams(seed) if s is None else s, every, out)
    return out


# --- off ----------------------------------------------------------------------------------------------


def test_a_unit_with_everything_off_shows_the_truth_of_its_tick_to_the_last_bit() -> None:
    rng = np.random.default_rng(3)
    w, f = rng.normal(0.0, 2.0, (500, 3)), rng.normal(0.0, 20.0, (500, 3))
    out = samples(inertial_unit(tick_s=TICK_S), w, f, engine=900.0, spin=100.0)
    assert np.array_equal(out[:, :3], w)
    assert np.array_equal(out[:, 3:], f)


# --- where it sits ------------------------------------------------------------------------------------


def test_a_unit_turned_to_the_left_feels_forward_force_on_its_right() -> None:
    unit = inertial_unit(tick_s=TICK_S, mount=turned(0.0, 0.0, math.pi / 2))
    np.testing.assert_allclose(samples(unit, f=(1.0, 0.0, 0.0), count=1)[0, 3:], (0.0, -1.0, 0.0), atol=1e-15)


def test_its_axes_are_turned_by_yaw_then_pitch_then_roll() -> None:
    angles = (0.3, -0.5, 2.0)
    w, f = np.array((0.4, -0.2, 0.9)), np.array((3.0, -1.0, 9.0))
    out = samples(inertial_unit(tick_s=TICK_S, mount=turned(*angles)), w, f, count=1)[0]
    back = Rotation.from_euler("ZYX", angles[::-1]).inv()  # an outside library's
    np.testing.assert_allclose(out, [*back.apply(w), *back.apply(f)], rtol=1e-12)


def steady_turns() -> dict[str, dict[str, float]]:
    """Rows of the reference by their inputs."""
    lines = (REFERENCE / "steady_turn.csv").read_text().splitlines()
    found: dict[str, dict[str, float]] = {}
    for row in csv.DictReader(line for line in lines if not line.startswith("#")):
        found.setdefault(row["inputs"], {})[row["quantity"]] = float(row["value"])
    return found


@pytest.mark.parametrize("inputs", steady_turns())
def test_a_steady_turn_reads_as_the_handbook_says(inputs: str) -> None:
    """Reference: z down, right turn; ours is z up, so pitch and yaw rates change sign."""
    row = steady_turns()[inputs]
    v, radius = (float(part.split("=")[1]) for part in inputs.split())
    roll, turning = math.radians(row["ideal_roll_deg"]), -v / radius
    w = (0.0, turning * math.sin(roll), turning * math.cos(roll))
    up = (0.0, 9.81 * math.sin(roll), 9.81 * math.cos(roll))
    still = (0.0, 0.0, 0.0)
    on_path = specific_force_at(w, (v, 0.0, 0.0), still, still, up, still)
    out = samples(inertial_unit(tick_s=TICK_S), w, on_path, count=1)[0]
    expected = [row["gyro_p"], -row["gyro_q"], -row["gyro_r"]]
    force = [0.0, row["specific_force_lateral"], row["specific_force_vertical_magnitude"]]
    np.testing.assert_allclose(out, [*expected, *force], rtol=1e-6, atol=1e-7)
    # off the path and turned: the lever's centripetal part by matrices, the attitude by an outside library
    lever, angles = np.array((0.3, -0.1, 0.2)), (0.1, -0.05, 0.7)
    there = specific_force_at(w, (v, 0.0, 0.0), still, still, up, tuple(lever))
    out = samples(inertial_unit(tick_s=TICK_S, mount=turned(*angles)), w, there, count=1)[0]
    q, r = expected[1:]
    spun = np.array([[0.0, -r, q], [r, 0.0, 0.0], [-q, 0.0, 0.0]])
    back = Rotation.from_euler("ZYX", angles[::-1]).inv()
    np.testing.assert_allclose(out[:3], back.apply(expected), rtol=1e-6)
    np.testing.assert_allclose(out[3:], back.apply(force + spun @ spun @ lever), rtol=1e-6)


# --- errors that do not change ------------------------------------------------------------------------


def test_scale_cross_axis_and_force_felt_are_what_they_say() -> None:
    rates = Triad(
        scale_error=(1e-3, -2e-3, 3e-3),
        cross_axis=(0.01, 0.02, 0.03, 0.04, 0.05, 0.06),
        force_felt=(1e-3, 2e-3, 0),
    )
    force = Triad(
        scale_error=(0.01, 0.0, 0.0), cross_axis=(0.0, 0.002, 0.0, 0.0, 0.0, 0.0), bias=(0.1, 0.2, 0.3)
    )
    out = samples(inertial_unit(rates, force, tick_s=TICK_S), (1.0, 2.0, 3.0), (4.0, 5.0, 6.0), count=1)[0]
    expected = [
        1.001 + 0.01 * 2 + 0.02 * 3 + 0.004,
        1.996 + 0.03 * 1 + 0.04 * 3 + 0.010,
        3.009 + 0.05 * 1 + 0.06 * 2,
        4.04 + 0.002 * 6 + 0.1,
        5.2,
        6.3,
    ]
    np.testing.assert_allclose(out, expected, rtol=1e-12)


def test_turn_on_bias_is_drawn_once_a_run_on_top_of_the_fixed_one() -> None:
    triad = Triad(bias=(1.0, 2.0, 3.0), turn_on_bias=0.1)
    drawn = np.array([inertial_unit(triad, triad, tick_s=TICK_S, seed=i)[0]["bias"] for i in range(500)])
    extra = drawn - (1.0, 2.0, 3.0)
    low, high = chi2.ppf((0.025, 0.975), extra.size) / extra.size
    assert low < np.mean(extra**2) / 0.01 < high
    correlation = np.corrcoef(extra.reshape(500, 6).T) - np.eye(6)
    assert np.abs(correlation).max() < 4.0 / math.sqrt(500)
    assert np.array_equal(drawn[7], inertial_unit(triad, triad, tick_s=TICK_S, seed=7)[0]["bias"])


def test_it_warms_exponentially_and_drifts_by_kelvin() -> None:
    triad = Triad(bias_per_kelvin=(0.01, 0.0, 0.0), scale_per_kelvin=(0.0, 0.001, 0.0))
    unit = inertial_unit(triad, tick_s=TICK_S, warming=Warming(start=-10.0, end=20.0, time_constant_s=2.0))
    out = samples(unit, w=(1.0, 2.0, 3.0), count=6001)
    kelvin = 20.0 - 30.0 * np.exp(-np.arange(6001) * TICK_S / 2.0)
    np.testing.assert_allclose(out[:, 0], 1.0 + 0.01 * kelvin, rtol=1e-9)
    np.testing.assert_allclose(out[:, 1], 2.0 + 0.002 * kelvin, rtol=1e-9)
    assert (out[:, 2] == 3.0).all()


# --- range and resolution -----------------------------------------------------------------------------


def test_samples_keep_to_the_range_and_are_multiples_of_the_resolution() -> None:
    rates, force = Triad(limit=2.0, resolution=0.03), Triad(limit=30.0)
    w = np.linspace(-3.0, 3.0, 4001)[:, None] * (1.0, -0.5, 2.0)
    out = samples(inertial_unit(rates, force, tick_s=TICK_S), w, 20.0 * w)
    steps = out[:, :3] / 0.03
    np.testing.assert_allclose(steps, np.rint(steps), atol=1e-9)
    assert np.abs(out[:, :3]).max() == pytest.approx(66 * 0.03)  # the last whole step inside 2.0
    assert np.abs(out[:, 3:]).max() == 30.0
    inside = np.abs(w) < 1.98
    assert np.abs(out[:, :3] - w)[inside].max() <= 0.015 + 1e-12
    assert np.array_equal(out[:, 3:][np.abs(20.0 * w) <= 30.0], (20.0 * w)[np.abs(20.0 * w) <= 30.0])


# --- low-pass -----------------------------------------------------------------------------------------


def analogue(f_hz, corner_hz, damping):  # type: ignore[no-untyped-def]
    r = np.asarray(f_hz) / corner_hz
    return 1.0 / (1.0 - r * r + 2j * damping * r)


@pytest.mark.parametrize(("corner", "damping", "every"), [(150.0, 0.7, 2), (50.0, 0.5, 5), (200.0, 1.0, 2)])
def test_sines_come_out_as_from_the_analogue_low_pass(corner: float, damping: float, every: int) -> None:
    """Swept up to the corner at ticks, sampled at the output rate: within 0.1 dB and 1 degree."""
    triad = Triad(corner_hz=corner, damping=damping)
    time = np.arange(4000) * TICK_S
    for f_hz in np.append(np.linspace(0.02, 0.95, 12) * corner, corner):
        wave = np.sin(2.0 * math.pi * f_hz * time)
        out = samples(
            inertial_unit(triad, triad, tick_s=TICK_S),
            wave[:, None] * (1.0, 2.0, 3.0),
            wave[:, None] * (9.0, 1.0, 2.0),
            every=every,
        )
        after = time[::every][: len(out)] > 0.5
        at = time[::every][: len(out)][after]
        basis = np.stack([np.sin(2 * math.pi * f_hz * at), np.cos(2 * math.pi * f_hz * at)], axis=1)
        fit, *_ = np.linalg.lstsq(basis, out[after], rcond=None)
        got = (fit[0] + 1j * fit[1]) / (1.0, 2.0, 3.0, 9.0, 1.0, 2.0) / analogue(f_hz, corner, damping)
        assert np.abs(20.0 * np.log10(np.abs(got))).max() < 0.1, f_hz
        assert np.abs(np.degrees(np.angle(got))).max() < 1.0, f_hz


def test_slow_motion_is_late_by_twice_the_damping_over_the_natural_frequency() -> None:
    """Noise up to 15 Hz against itself, shifted until it fits best: the delay to 0.1 ms, and better."""
    rng = np.random.default_rng(5)
    f_hz, phase = rng.uniform(0.5, 15.0, 40), rng.uniform(0.0, 2 * math.pi, 40)
    time = np.arange(8000) * TICK_S

    def motion(t):  # type: ignore[no-untyped-def]
        return np.sin(2 * math.pi * np.outer(t, f_hz) + phase).sum(1)

    triad = Triad(corner_hz=150.0, damping=0.7)
    out = samples(inertial_unit(triad, tick_s=TICK_S), motion(time)[:, None] * (1.0, 0.0, 0.0), every=2)[
        500:, 0
    ]
    at = time[::2][500:]
    # the lag of the largest cross-correlation
    lag = minimize_scalar(lambda d: -np.dot(out, motion(at - d)), bounds=(0.0, 5e-3), method="bounded").x
    assert lag == pytest.approx(2.0 * 0.7 / (2.0 * math.pi * 150.0), abs=2e-5)


def test_what_lies_above_half_the_output_rate_folds() -> None:
    triad = Triad(corner_hz=150.0)
    time = np.arange(4000) * TICK_S
    wave = np.sin(2 * math.pi * 130.0 * time)[:, None] * (1.0, 1.0, 1.0)
    out = samples(inertial_unit(triad, tick_s=TICK_S), wave, every=10)[50:, 0]  # 100 Hz: 130 folds to 30
    spectrum = np.abs(np.fft.rfft(out * np.hanning(out.size)))
    assert np.fft.rfftfreq(out.size, 0.01)[spectrum.argmax()] == pytest.approx(30.0, abs=0.3)
    assert out.std() * math.sqrt(2.0) == pytest.approx(abs(analogue(130.0, 150.0, 0.7)), rel=0.01)


@pytest.mark.parametrize("corner", [0.0, 251.0])
def test_a_corner_ticks_can_not_carry_is_refused(corner: float) -> None:
    with pytest.raises(ValueError, match="up to 250 Hz"):
        matched_low_pass(corner, 0.7, TICK_S)


def test_poles_are_the_analogue_ones_carried_over_exactly() -> None:
    _, a = matched_low_pass(120.0, 0.6, TICK_S)
    w = 2 * math.pi * 120.0
    for pole in (w * (-0.6 + 0.8j), w * (-0.6 - 0.8j)):
        assert abs(np.polyval(a, np.exp(pole * TICK_S))) < 1e-14


# --- noise --------------------------------------------------------------------------------------------


def nist_rows() -> list[tuple[str, str, int, str]]:
    lines = (REFERENCE / "allan_reference_values.csv").read_text().splitlines()
    rows = csv.DictReader(line for line in lines if not line.startswith("#"))
    return [(r["dataset"], r["statistic"], int(r["tau_s"]), r["value"]) for r in rows]


@pytest.mark.parametrize(("dataset", "statistic", "tau", "printed"), nist_rows())
def test_the_library_gives_the_values_printed_by_nist(
    dataset: str, statistic: str, tau: int, printed: str
) -> None:
    """NIST SP 1065 (2008), section 12.3; the library the noise is judged with is judged first."""
    if dataset == "nbs9":
        data = np.array([892.0, 809, 823, 798, 671, 644, 883, 903, 677])
    else:
        n = [1234567890]
        while len(n) < 1000:
            n.append(16807 * n[-1] % 2147483647)
        data = np.array(n) / 2147483647
    statistics = {"totdev": "totdev", "hdev": "hdev", "ohdev": "ohdev"}
    function = getattr(allantools, statistics.get(statistic, statistic))
    _, found, _, _ = function(data, rate=1.0, data_type="freq", taus=[tau])
    digits = len(printed.replace(".", "").lstrip("0"))
    assert float(f"{found[0]:.{digits}g}") == pytest.approx(float(printed), rel=0.51 * 10.0 ** (1 - digits))


def markov_deviation(tau, sigma, time):  # type: ignore[no-untyped-def]
    """Allan deviation of a first-order Gauss-Markov process (IEEE Std 952 annex C, from memory)."""
    x = tau / time
    return sigma * math.sqrt(2.0 / x * (1.0 - (3.0 - 4.0 * math.exp(-x) + math.exp(-2.0 * x)) / (2.0 * x)))


def test_the_drift_of_an_instability_has_the_flat_minimum_of_the_standard() -> None:
    peak = minimize_scalar(lambda x: -markov_deviation(x, 1.0, 1.0), bounds=(1.0, 3.0), method="bounded")
    assert pytest.approx(-peak.fun, rel=1e-6) == MARKOV_PEAK
    assert peak.x == pytest.approx(MARKOV_PEAK_AT, rel=1e-4)
    sigma = inertial_unit(Triad(instability=2.0), tick_s=TICK_S)[0]["drift_sigma"][RATES]
    assert MARKOV_PEAK * sigma == pytest.approx(0.6643 * 2.0, rel=1e-4)  # factor: IEEE Std 952, from memory


def test_the_drift_is_as_large_at_the_first_sample_as_later() -> None:
    """It is stationary: 300 seeds by six axes, first sample and one three correlation times on."""
    triad = Triad(instability=MARKOV_PEAK / FLICKER_FLAT, correlation_s=0.1)
    out = np.array(
        [
            samples(inertial_unit(triad, triad, tick_s=TICK_S), f=(0.0,) * 3, count=2, every=300, seed=seed)
            for seed in range(300)
        ]
    )
    low, high = chi2.ppf((0.0125, 0.9875), 1800) / 1800  # both within: joint 95 %
    assert low < np.mean(out[:, 0] ** 2) < high
    assert low < np.mean(out[:, 1] ** 2) < high


def folded(corner: float, damping: float, every: int) -> float:
    """White noise's density at low frequencies in samples over its own: all that folds to zero."""
    b, a = matched_low_pass(corner, damping, TICK_S)
    at = np.exp(-2j * math.pi * np.arange(every) / every)
    return math.sqrt(np.sum(np.abs(np.polyval(b[::-1], at) / np.polyval(a[::-1], at)) ** 2))


HOUR_S = 3600
WHITE, SIGMA, TIME, WALK = 1e-3, 1e-3, 20.0, 3e-4


@pytest.mark.slow
@pytest.mark.parametrize(("every", "corner", "swapped"), [(2, 150.0, False), (10, 40.0, True)])
def test_an_hour_has_the_allan_deviation_of_the_terms_asked_for(
    every: int, corner: float, swapped: bool
) -> None:
    """White noise with drift in one triad, white noise with random walk in the other, at 500 and 100 Hz.

    The averaging times were chosen beforehand, one where each term rules (for the drift also one far beyond
    its time), with one fixed seed; each is within its own 95 % interval. Three axes are three hours.
    """
    drifting = Triad(
        noise_density=WHITE,
        corner_hz=corner,
        instability=SIGMA * MARKOV_PEAK / FLICKER_FLAT,
        correlation_s=TIME,
    )
    walking = Triad(noise_density=WHITE, corner_hz=corner, walk=WALK)
    pair = (walking, drifting) if swapped else (drifting, walking)
    rate = TICK_HZ // every
    out = samples(inertial_unit(*pair, tick_s=TICK_S), f=(0.0, 0.0, 0.0), count=HOUR_S * rate, every=every)
    white = WHITE * folded(corner, 0.7, every)

    def check(axes, tau, alpha, variance):  # type: ignore[no-untyped-def]
        found = [
            allantools.oadev(out[:, k], rate=rate, data_type="freq", taus=[tau])[1][0] ** 2 for k in axes
        ]
        edf = 3.0 * ci.edf_greenhall(alpha, 2, round(tau * rate), len(out) + 1, overlapping=True)
        low, high = ci.confidence_interval(math.sqrt(np.mean(found)), edf, ci=0.95)
        print(tau, low / math.sqrt(variance), high / math.sqrt(variance))
        assert low < math.sqrt(variance) < high, (axes, tau)

    first, second = (range(3, 6), range(3)) if swapped else (range(3), range(3, 6))
    for tau, alpha in ((1.0, 0), (MARKOV_PEAK_AT * TIME // 1, -1), (10.0 * TIME, 0)):
        check(first, tau, alpha, white**2 / tau + markov_deviation(tau, SIGMA, TIME) ** 2)
    for tau, alpha in ((1.0, 0), (300.0, -2)):
        check(second, tau, alpha, white**2 / tau + WALK**2 * tau / 3.0)


def test_without_a_low_pass_white_noise_has_its_density_at_the_output_rate() -> None:
    triad = Triad(noise_density=WHITE, sample_hz=100.0)
    out = samples(inertial_unit(triad, triad, tick_s=TICK_S), f=(0.0, 0.0, 0.0), count=20_000, every=10)
    low, high = chi2.ppf((0.0005, 0.9995), out.size) / out.size
    assert low < np.mean(out**2) / (WHITE**2 * 100.0) < high
    assert np.abs(np.corrcoef(out.T) - np.eye(6)).max() < 4.5 / math.sqrt(len(out))


def test_noise_leaves_the_mean_where_it_is() -> None:
    triad = Triad(noise_density=WHITE, corner_hz=150.0, bias=(0.1, -0.2, 0.3), resolution=1e-4)
    quiet = triad._replace(noise_density=0.0, resolution=0.0)
    w, f = (0.3, -0.2, 0.1), (1.0, 2.0, 9.0)
    noisy = samples(inertial_unit(triad, triad, tick_s=TICK_S), w, f, count=50_000, every=2)
    clean = samples(inertial_unit(quiet, quiet, tick_s=TICK_S), w, f, count=1)
    error = WHITE * folded(150.0, 0.7, 2) / math.sqrt(100.0)  # of a mean over 100 s, by the density
    assert np.abs(noisy.mean(0) - clean[0]).max() < 3.0 * error


EFFECTS = {
    "noise_density": WHITE,
    "instability": WHITE,
    "walk": WHITE,
}


def test_each_effect_has_a_stream_of_its_own() -> None:
    """All together is the sum of each alone: none changes what another one draws."""

    def of(**effects):  # type: ignore[no-untyped-def]
        road = RoadBand((0.01, 0.02, 0.03), 60.0, 0.2) if effects.pop("road", False) else None
        triad = Triad(corner_hz=100.0, **effects)
        return samples(
            inertial_unit(triad, triad, tick_s=TICK_S, road=road), f=(0.0,) * 3, spin=100.0, count=3000
        )

    alone = [of(**{key: value}) for key, value in EFFECTS.items()] + [of(road=True)]
    for one in alone[:-1]:
        assert (one.std(0) > 0.0).all()
    np.testing.assert_allclose(of(**EFFECTS, road=True), sum(alone), atol=1e-12)


# --- vibration ----------------------------------------------------------------------------------------

LINE = EngineOrder(2.0, (1.0, 0.5, 2.0), 1000.0)


def amplitude_at(values, f_hz, rate):  # type: ignore[no-untyped-def]
    at = np.arange(len(values)) / rate
    basis = np.stack(
        [np.sin(2 * math.pi * f_hz * at), np.cos(2 * math.pi * f_hz * at), np.ones(len(at))], axis=1
    )
    fit, *_ = np.linalg.lstsq(basis, values, rcond=None)
    return np.hypot(fit[0], fit[1])


@pytest.mark.parametrize("order", [0.5, 1.0, 2.0, 4.0])
@pytest.mark.parametrize("every", [1, 2, 10])
def test_an_engine_order_stands_at_its_multiple_of_engine_speed_or_where_that_folds(
    order: float, every: int
) -> None:
    """Also the fourth order at 900 rad/s, 573 Hz, beyond what ticks carry: as the low-pass leaves it."""
    speed, rate = 900.0, TICK_HZ // every
    line = LINE._replace(order=order)
    unit = inertial_unit(force=Triad(corner_hz=150.0, damping=0.6), tick_s=TICK_S, orders=[line])
    out = samples(unit, engine=speed, count=4000, every=every)[:, 3:]
    f_hz = order * speed / (2.0 * math.pi)
    seen = abs(f_hz - rate * round(f_hz / rate))
    left = (speed / 1000.0) ** 2 * abs(analogue(f_hz, 150.0, 0.6))
    np.testing.assert_allclose(amplitude_at(out, seen, rate), left * np.array(LINE.amplitude), rtol=1e-3)
    strongest = np.abs(np.fft.rfft((out[:, 2] - out[:, 2].mean()) * np.hanning(len(out)))).argmax()
    assert np.fft.rfftfreq(len(out), 1.0 / rate)[strongest] == pytest.approx(seen, abs=1.01 * rate / len(out))


def test_lines_follow_a_revving_engine_as_the_analogue_low_pass_would() -> None:
    """From 300 to 1300 rad/s in a second (a free-revving engine), against the equation solved finely."""
    time = np.arange(1001) * TICK_S
    speed = 300.0 + 1000.0 * time
    unit = inertial_unit(force=Triad(corner_hz=150.0), tick_s=TICK_S, orders=[LINE])
    out = samples(unit, f=(0.0, 0.0, 0.0), engine=speed)[:, 5]
    w = 2.0 * math.pi * 150.0

    def rate(t, y):  # type: ignore[no-untyped-def]
        # speeds are linear between ticks, the crank starts at zero one tick before at the first speed
        crank, at = 300.0 * (t + TICK_S) + 500.0 * t * t, 300.0 + 1000.0 * t
        line = 2.0 * (at / 1000.0) ** 2 * math.cos(2.0 * crank)
        return [y[1], w * w * (line - y[0]) - 1.4 * w * y[1]]

    solved = solve_ivp(rate, (0.0, 1.0), (0.0, 0.0), t_eval=time, rtol=1e-8, atol=1e-9, max_step=2e-4).y[0]
    settled = time > 0.02
    assert np.abs(out - solved)[settled].max() < 0.02 * np.abs(solved).max()


def test_gyros_feel_the_lines_only_as_force() -> None:
    rates = Triad(force_felt=(1e-3, 0.0, 2e-3))
    out = samples(inertial_unit(rates, tick_s=TICK_S, orders=[LINE]), f=(0.0,) * 3, engine=1000.0, count=500)
    np.testing.assert_allclose(out[:, 0], 1e-3 * out[:, 3], atol=1e-15)
    assert (out[:, 1] == 0.0).all()
    np.testing.assert_allclose(out[:, 2], 2e-3 * out[:, 5], atol=1e-15)
    assert np.abs(out[:, 3]).max() == pytest.approx(1.0, rel=0.01)


def test_half_orders_come_round_with_the_working_cycle() -> None:
    unit = inertial_unit(tick_s=TICK_S, orders=[LINE._replace(order=0.5)])
    out = samples(unit, f=(0.0,) * 3, engine=80.0 * math.pi, count=1001)[:, 3]  # two turns in 50 ticks
    np.testing.assert_allclose(out[50:], out[:-50], atol=1e-9)
    assert np.abs(out[25:] + out[:-25]).max() < 1e-9


def test_the_road_shakes_around_its_frequency_and_by_wheel_speed() -> None:
    band = RoadBand((0.01, 0.0, 0.02), 60.0, 0.15)

    def shaken(spin):  # type: ignore[no-untyped-def]
        return samples(inertial_unit(tick_s=TICK_S, road=band), f=(0.0,) * 3, spin=spin, count=120_000)[:, 3:]

    out = shaken(100.0)
    # effective number of independent values: twice the band's damping rate
    n = 120.0 * 2.0 * 0.15 * 2.0 * math.pi * 60.0
    np.testing.assert_allclose(out.std(0)[[0, 2]], (1.0, 2.0), rtol=4.0 / math.sqrt(2.0 * n))
    assert (out[:, 1] == 0.0).all()
    np.testing.assert_allclose(shaken(-50.0), 0.5 * out, atol=1e-12)  # forward or back
    assert not shaken(0.0).any()
    f_hz, density = welch(out[:, 2], TICK_HZ, nperseg=2000)
    # velocity of an oscillator under white noise, one-sided, unit variance
    w0, w = 2 * math.pi * 60.0, 2 * math.pi * f_hz
    expected = 4.0 * (4.0 * 0.15 * w0 * w * w / ((w0**2 - w * w) ** 2 + (0.3 * w0 * w) ** 2)) * 2.0
    part = (f_hz > 30.0) & (f_hz < 120.0)
    assert np.mean(density[part] / expected[part]) == pytest.approx(1.0, abs=0.1)
    assert density[f_hz < 2.0].max() < 1e-2 * density.max()  # no slow part: it is no bias


def test_more_orders_than_there_is_room_for_are_refused() -> None:
    with pytest.raises(ValueError, match="at most 6"):
        inertial_unit(tick_s=TICK_S, orders=[LINE] * (MOST_ORDERS + 1))


# --- starting, ending, what is not a number -----------------------------------------------------------


def everything() -> np.ndarray:
    triad = Triad(
        noise_density=1e-3,
        bias=(0.1, 0.2, 0.3),
        turn_on_bias=0.1,
        instability=1e-3,
        walk=1e-3,
        corner_hz=80.0,
        bias_per_kelvin=(0.01, 0.02, 0.03),
    )
    warming, road = Warming(-20.0, 10.0, 5.0), RoadBand((0.01, 0.01, 0.01), 50.0, 0.2)
    return inertial_unit(triad, triad, tick_s=TICK_S, warming=warming, orders=[LINE], road=road)


def test_a_unit_that_begins_anew_is_as_new_whatever_was_before() -> None:
    used, new = everything(), everything()
    rng = np.random.default_rng(2)
    samples(used, rng.normal(size=(777, 3)), rng.normal(size=(777, 3)), engine=700.0, spin=50.0, seed=9)
    restart(used[0])
    moved = rng.normal(size=(500, 3))
    a, b = (samples(u, moved, 9.0 * moved, engine=300.0, spin=20.0) for u in (used, new))
    assert np.array_equal(a, b)


def test_a_new_unit_is_steady_in_what_it_first_feels() -> None:
    triad = Triad(corner_hz=5.0)
    out = samples(inertial_unit(triad, triad, tick_s=TICK_S), (0.1, 0.2, 0.3), (1.0, 2.0, 9.0), count=50)
    np.testing.assert_allclose(out, np.tile((0.1, 0.2, 0.3, 1.0, 2.0, 9.0), (50, 1)), rtol=1e-12)


def test_at_rest_after_a_ride_the_low_pass_is_at_rest_at_once() -> None:
    triad = Triad(corner_hz=5.0)
    unit, s = inertial_unit(triad, triad, tick_s=TICK_S), streams()
    for _ in range(200):
        feel(unit[0], (1.0, 1.0, 1.0), (5.0, 5.0, 15.0), 0.0, 0.0, s, False)
    feel(unit[0], *STILL, 0.0, 0.0, s, False)
    assert unit[0]["value"][FORCE, 0] > 4.0  # a slow one is not there by itself
    for _ in range(3):
        feel(unit[0], *STILL, 0.0, 0.0, s, True)
        np.testing.assert_allclose(unit[0]["value"], STILL, atol=1e-12)


def test_what_is_not_a_number_goes_no_further() -> None:
    unit, s = (
        inertial_unit(Triad(corner_hz=50.0), Triad(corner_hz=50.0), tick_s=TICK_S, orders=[LINE]),
        streams(),
    )
    feel(unit[0], (1.0, 2.0, 3.0), (4.0, 5.0, 6.0), 0.0, 0.0, s, False)
    feel(unit[0], (math.nan, math.inf, 3.0), (math.nan, 5.0, 6.0), math.nan, 0.0, s, False)
    np.testing.assert_allclose(unit[0]["value"], ((1.0, 2.0, 3.0), (4.0, 5.0, 6.0)), rtol=1e-12)


@numba.njit
def _felt(unit, s, n):  # type: ignore[no-untyped-def]
    for _ in range(n):
        feel(unit[0], (0.1, 0.2, 0.3), (1.0, 2.0, 9.0), 500.0, 50.0, s, False)
        for k in range(3):
            reading(unit[0], 0, k, s)


def test_a_tick_of_it_allocates_nothing() -> None:
    unit, s = everything(), streams()

    def made(n: int) -> int:
        before = rtsys.get_allocation_stats().alloc
        _felt(unit, s, n)
        return int(rtsys.get_allocation_stats().alloc - before)

    _felt(unit, s, 1)
    _nrt_python.memsys_enable_stats()
    try:
        assert made(1) > 0  # the arguments themselves; shows that the count works
        assert made(1000) == made(1)
    finally:
        _nrt_python.memsys_disable_stats()
