"""Allan deviation, and how well a record of given length can know it, for noise of known make.

A reading's error is taken as a sum of independent parts (:class:`Noise`): white noise, first-order
Gauss-Markov drifts, a random walk. From their autocovariance follow, for a Gaussian error exactly, the
expected Allan deviation and the number of independent values ("edf") an estimate of it is worth, also for a
standard deviation and a mean. An estimate of variance s^2 worth n values lies about s^2 chi^2_n / n.

Allan variance at tau = m samples: half the mean square of the differences between neighbouring means of m
samples each, not overlapping.
Source: IEEE Std 952-1997 annex C for the definition and the curves (from memory; N / sqrt(tau) for white
noise, K sqrt(tau / 3) for a random walk); Greenhall and Riley 2003 for matching the first two moments of the
estimate to chi^2 (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr


@dataclass(frozen=True)
class Noise:
    """An error's random parts at each sample.

    white     one sigma of what is independent from sample to sample
    drifts    one sigma and correlation time [s] of each Gauss-Markov drift
    walk      random walk: one sigma it gains in a second
    coloured  autocovariance at lags of 0, 1, ... samples of what is filtered, zero beyond
    """

    white: float = 0.0
    drifts: tuple[tuple[float, float], ...] = ()
    walk: float = 0.0
    coloured: tuple[float, ...] = ()

    @property
    def sigma(self) -> float:
        """One sigma of a sample; without the random walk, which has none."""
        filtered = math.sqrt(self.coloured[0]) if self.coloured else 0.0
        return math.hypot(self.white, filtered, *(sigma for sigma, _ in self.drifts))

    @property
    def is_white(self) -> bool:
        """Nothing but white noise."""
        return not self.drifts and self.walk == 0.0 and len(self.coloured) < 2

    def covariance(self, lags: NDArray[np.int64], period_s: float) -> NDArray[np.float64]:
        """Autocovariance at ``lags`` samples, without the random walk."""
        return self._of_means(lags, 1, period_s)

    def _of_means(self, lags: NDArray[np.int64], m: int, period_s: float) -> NDArray[np.float64]:
        """Autocovariance of means of m samples at lags of m samples, without the random walk."""
        out = np.where(lags == 0, self.white**2 / m, 0.0)
        for sigma, time_s in self.drifts:
            if time_s <= 0.0:
                out = out + np.where(lags == 0, sigma**2 / m, 0.0)
                continue
            keep = math.exp(-period_s / time_s)
            part = math.expm1(-m * period_s / time_s) / (m * math.expm1(-period_s / time_s))
            k = np.arange(1, m)
            within = sigma**2 / m**2 * (m + 2.0 * float(np.sum((m - k) * keep**k)))
            apart = sigma**2 * part**2 * keep ** np.maximum((lags - 1) * m + 1.0, 0.0)
            out = out + np.where(lags == 0, within, apart)
        if self.coloured:
            known = np.array(self.coloured)
            # samples d apart of two means that lie lag x m apart meet m - |d| times
            for place, lag in enumerate(lags.tolist()):
                if (lag - 1) * m < len(known):
                    d = np.arange(1 - m, m)
                    apart_by = np.abs(lag * m + d)
                    meets = apart_by < len(known)
                    out[place] += float(np.sum((m - np.abs(d[meets])) * known[apart_by[meets]])) / m**2
        return np.asarray(out)

    def of_differences(self, count: int, m: int, period_s: float) -> NDArray[np.float64]:
        """Autocovariance (count,) of the differences of neighbouring means of m samples."""
        lags = np.arange(count)
        out = np.asarray(
            2.0 * self._of_means(lags, m, period_s)
            - self._of_means(lags + 1, m, period_s)
            - self._of_means(np.abs(lags - 1), m, period_s)
        )
        gained = self.walk**2 * period_s  # variance of one step of the walk
        if count > 0:
            out[0] += gained * (2.0 * m * m + 1.0) / (3.0 * m)
        if count > 1:
            out[1] += gained * (m * m - 1.0) / (6.0 * m)
        return out

    def deviation(self, m: int, period_s: float) -> float:
        """Expected Allan deviation over m samples."""
        return math.sqrt(0.5 * float(self.of_differences(1, m, period_s)[0]))


def values_worth(covariance: NDArray[np.float64]) -> float:
    """Independent values that a mean square of as many Gaussian ones of this autocovariance is worth."""
    n = len(covariance)
    if n == 0 or covariance[0] <= 0.0:
        return 0.0
    shares = covariance / covariance[0]
    lags = np.arange(1, n)
    return float(n * n / (n + 2.0 * np.sum((n - lags) * shares[1:] ** 2)))


def mean_sigma(covariance: NDArray[np.float64]) -> float:
    """One sigma of the mean of as many values of this autocovariance."""
    n = len(covariance)
    lags = np.arange(1, n)
    return math.sqrt(max(0.0, float(n * covariance[0] + 2.0 * np.sum((n - lags) * covariance[1:])))) / n


def allan_deviation(values: NDArray[np.float64], m: int) -> float:
    """Allan deviation of (n,) samples over m of them; needs two means. NaN for less."""
    count = len(values) // m
    if count < 2:
        return math.nan
    means = values[: count * m].reshape(count, m).mean(axis=1)
    return math.sqrt(0.5 * float(np.mean(np.diff(means) ** 2)))


def worth_of_allan(noise: Noise, samples: int, m: int, period_s: float) -> float:
    """Independent values that :func:`allan_deviation` of so many samples is worth."""
    return values_worth(noise.of_differences(samples // m - 1, m, period_s))


def rounded(mean: float, sigma: float, step: float) -> tuple[float, float, float]:
    """Mean, one sigma and kurtosis of a Gaussian value rounded to multiples of ``step`` (0: not rounded).

    Exact, also where noise is much smaller than the step. Without any spread the kurtosis is said to be 3.
    """
    if step <= 0.0 or sigma > 50.0 * step:
        return mean, math.hypot(sigma, step / math.sqrt(12.0)), 3.0
    if sigma <= 0.0:
        return float(np.rint(mean / step) * step), 0.0, 3.0
    first = math.floor((mean - 9.0 * sigma) / step)
    codes = np.arange(first, math.ceil((mean + 9.0 * sigma) / step) + 1)
    shares = np.diff(ndtr((np.append(codes - 0.5, codes[-1] + 0.5) * step - mean) / sigma))
    shares /= shares.sum()
    centre = float(np.sum(shares * codes))
    variance = float(np.sum(shares * (codes - centre) ** 2))
    if variance <= 1e-12:
        return centre * step, 0.0, 3.0
    fourth = float(np.sum(shares * (codes - centre) ** 4))
    return centre * step, math.sqrt(variance) * step, fourth / variance**2
