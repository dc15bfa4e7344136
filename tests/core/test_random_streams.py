"""Random streams: right distribution, independent, and nobody's numbers depend on who else draws."""

import hashlib
import math

import numpy as np
import pytest

from emulator.core.compiled import jit
from emulator.core.random_streams import normal, stream_start, uniform

N = 200_000
SPREAD = 4.5  # standard errors: one draw in 150 000 would fail, and the seeds are fixed


@jit
def _fill(streams, which, gaussian, out):
    for i in range(out.shape[0]):
        out[i] = normal(streams, which) if gaussian else uniform(streams, which)


def drawn(seed, name, *, gaussian=True, n=N):
    out = np.empty(n)
    _fill(np.array([stream_start(seed, name)], np.uint64), 0, gaussian, out)
    return out


def test_uniform_has_the_moments_of_a_uniform_and_keeps_off_its_ends():
    u = drawn(1, "lean", gaussian=False)
    assert u.min() > 0.0
    assert u.max() < 1.0
    # mean 1/2, variance 1/12; standard errors sqrt(1/12/N) and sqrt(1/180/N)
    assert abs(u.mean() - 0.5) < SPREAD * math.sqrt(1 / 12 / N)
    assert abs(u.var() - 1 / 12) < SPREAD * math.sqrt(1 / 180 / N)
    counts, _ = np.histogram(u, 100, (0.0, 1.0))
    chi2 = ((counts - N / 100) ** 2 / (N / 100)).sum()
    assert abs(chi2 - 99) < SPREAD * math.sqrt(2 * 99)


def test_normal_has_the_moments_and_tails_of_a_normal():
    z = drawn(1, "lean")
    # standard errors of mean, variance, skewness and kurtosis of N normal draws (from memory)
    assert abs(z.mean()) < SPREAD / math.sqrt(N)
    assert abs(z.var() - 1.0) < SPREAD * math.sqrt(2 / N)
    assert abs((z**3).mean()) < SPREAD * math.sqrt(15 / N)
    assert abs((z**4).mean() - 3.0) < SPREAD * math.sqrt(96 / N)
    for limit in (1.0, 2.0, 3.0):
        share = math.erfc(limit / math.sqrt(2))
        assert abs((np.abs(z) > limit).mean() - share) < SPREAD * math.sqrt(share * (1 - share) / N)


def test_a_stream_is_white():
    z = drawn(3, "imu_rates")
    for lag in (1, 2, 3, 7, 100):
        assert abs((z[:-lag] * z[lag:]).mean()) < SPREAD / math.sqrt(N)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ((1, "wheel_front"), (1, "wheel_rear")),
        ((1, "lean"), (2, "lean")),
        ((1, "1"), (11, "")),
        ((0, "a"), (0, "b")),
    ],
)
def test_streams_of_other_names_or_seeds_are_independent(one, other):
    a, b = drawn(*one), drawn(*other)
    assert abs((a * b).mean()) < SPREAD / math.sqrt(N)
    # not the same sequence a few places on, either
    assert not np.isin(a[:1000], b).any()


def test_a_stream_goes_on_whatever_others_draw():
    alone = drawn(5, "gnss", n=50)
    streams = np.array([stream_start(5, "jitter/lean"), stream_start(5, "gnss")], np.uint64)
    other, mixed = np.empty(3), np.empty(50)
    for i in range(50):
        _fill(streams, 0, i % 2 == 0, other)
        _fill(streams, 1, True, mixed[i : i + 1])
    assert np.array_equal(alone, mixed)


def test_splitmix64_matches_its_published_first_outputs():
    # state 1234567: 6457827717110365317, 3203168211198807973, 9817491932198370423 (from memory: they
    # circulate with the algorithm's reference code); uniform() keeps the upper 53 bits
    out = np.empty(3)
    _fill(np.array([1234567], np.uint64), 0, False, out)
    published = [6457827717110365317, 3203168211198807973, 9817491932198370423]
    assert np.allclose(out, np.array([v >> 11 for v in published]) * 2.0**-53, rtol=0, atol=2.0**-53)


def test_the_start_of_a_stream_is_fixed_for_good():
    """A change here changes the bytes of every recorded run: it must be meant."""
    assert int(stream_start(0, "gnss")) == int.from_bytes(hashlib.sha256(b"0/gnss").digest()[:8], "little")
