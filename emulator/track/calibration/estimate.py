"""The parameters of a vehicle that logs of steady riding ask for, with their uncertainty.

Whitened innovations of all stretches, the priors, what was measured and what is known of each log's nuisances
are one residual vector, made least by :mod:`emulator.track.calibration.least_squares`. The covariance that
innovations are whitened with is that of the parameters before, put anew once: with it fixed, what is made
least is no biased likelihood. Put anew with it is what the whole bike's innovations are beside the linear
model's, where logs are of a bike that is not linear: :mod:`emulator.track.calibration.whole_bike`.

How fast wind and drive change is found for each log beside it, if that is asked for:
:mod:`emulator.track.calibration.wind_lag`.

Then what the model cannot do is asked: see :mod:`emulator.track.calibration.model_error`; and what these logs
cannot tell from one another: :mod:`emulator.track.calibration.stand_ins`.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.track.calibration.innovations import (
    NO_NUISANCE,
    NUISANCES,
    Stretch,
    Whitening,
    counted,
    innovations,
    outliers,
)
from emulator.track.calibration.least_squares import (
    Fitted,
    NotFitted,
    covariance_of,
    fit,
    profile_interval,
)
from emulator.track.calibration.model_error import ModelError, Pieces, find_model_error
from emulator.track.calibration.parameters import Free, Parameters
from emulator.track.calibration.stand_ins import Doubt, StandIn, find_doubts, find_stand_ins
from emulator.track.calibration.steady_model import Noise, SteadyModel, steady_model
from emulator.track.calibration.whole_bike import whole_innovations
from emulator.track.calibration.wind_lag import Lag, SHORTEST_s, likeliest
from emulator.vehicle.equilibrium import NoEquilibrium, Steady, steady_motion
from emulator.vehicle.params import Vehicle

Values = NDArray[np.float64]

NUISANCE_STANDARD = np.array([0.05, 1.0, 0.3, 0.005, 0.005, 0.005, 0.01, 0.3])
"""What is known of each log's NUISANCES beforehand, about a gain of 1 and nothing else; common practice,
no source."""
SHRUNK = 0.5
"""Share of its prior's standard deviation that a parameter has left at most, to be told by the logs."""
_PART = 0.01  # of a prior's standard deviation: step of the differences
_NEAR = 0.005  # of half the squares: a fit that can't fall by more has arrived
_FAR = (30.0, 8.0)  # standard deviations of an innovation: outlier at the start, and at the first fit
_MOST_MODELS = 4000
_MOST_SHARED = 0.9  # of what a lag and the parameters say, that they may say together
_MOST_LAGS = 3  # fits more, until lags stand still
_STANDS = 0.5  # standard deviations of a lag that it may move by without another fit
_NO_MOTION = "the vehicle has no steady motion at a speed and lean of the logs"
MOST_PROFILES = 3
"""Combinations whose profile is worked out: each takes as long as several fits."""


class Models:
    """Steady models of vehicles with other parameters, each worked out once."""

    def __init__(self, parameters: Parameters, noise: Noise) -> None:
        self.parameters, self.noise = parameters, noise
        self._known: dict[tuple[bytes, float, float, float, float], SteadyModel | None] = {}
        self._vehicle: tuple[bytes, Vehicle] | None = None
        self._first: dict[tuple[float, float], Steady] = {}
        self._motions: dict[tuple[bytes, float, float], Steady] = {}  # whatever wind and drive do

    def at(self, values: Values, stretch: Stretch, lag: float | None = None) -> SteadyModel | None:
        """The model of these values (p,) about the stretch's motion; None where there is no such bike.

        lag  [s] of wind and drive; the noise's own if left out
        """
        noise = self._noise(lag)
        key = (values.tobytes(), stretch.speed, stretch.lean, stretch.step_s, noise.lag)
        if key not in self._known:
            if len(self._known) > _MOST_MODELS:
                self._known.clear()
                self._motions.clear()
            self._known[key] = self._made(key[0], values, stretch, noise)
        return self._known[key]

    def left_out(
        self, values: Values, stretch: Stretch, nuisance: Values, lag: float | None = None
    ) -> Values:
        """(n, 5) what the whole bike's innovations of a stretch are beside the linear model's.

        0 where the whole bike's prediction is lost. Raises NotFitted where there is no such bike.
        """
        model = self.at(values, stretch, lag)
        if model is None:
            raise NotFitted(_NO_MOTION)
        noise = self._noise(lag)
        key = values.tobytes()
        vehicle = self._of(key, values)
        steady = self._steady(key, vehicle, stretch)
        whole = whole_innovations(vehicle, steady, model, noise, stretch, nuisance)
        return np.nan_to_num(whole - innovations(model, stretch, nuisance))

    def _noise(self, lag: float | None) -> Noise:
        return self.noise if lag is None else self.noise._replace(lag=lag)

    def _of(self, key: bytes, values: Values) -> Vehicle:
        if self._vehicle is None or self._vehicle[0] != key:
            self._vehicle = key, self.parameters.vehicle(values)
        return self._vehicle[1]

    def _steady(self, key: bytes, vehicle: Vehicle, stretch: Stretch) -> Steady:
        motion = stretch.speed, stretch.lean
        found = self._motions.get((key, *motion))
        if found is None:
            # a motion of the vehicle as it was is a fair guess of one with other values
            found = steady_motion(vehicle, *motion, guess=self._first.get(motion))
            self._first.setdefault(motion, found)
            self._motions[key, *motion] = found
        return found

    def _made(self, key: bytes, values: Values, stretch: Stretch, noise: Noise) -> SteadyModel | None:
        vehicle = self._of(key, values)
        try:
            return steady_model(vehicle, self._steady(key, vehicle, stretch), noise, stretch.step_s)
        except (NoEquilibrium, ValueError, np.linalg.LinAlgError):
            return None


@dataclass(frozen=True)
class Estimate:
    """What the logs say of the free parameters.

    values, standard (p,), covariance (p, p)   with nuisances, what is held, what the model can't
    prior    (p,)    standard deviations beforehand
    nuisance (l, 8)  NUISANCES of each log
    left_out         samples that did not fit the others
    error            what the model cannot do
    bound    (p,)    standard deviations if the model were right and its noise as stated
    lags             of wind and drive, of each log; empty: they were taken as stated
    stand_ins        whose errors these logs find in the free parameters
    doubts           what the logs say is not as the file has it
    """

    names: tuple[str, ...]
    units: tuple[str, ...]
    values: Values
    standard: Values
    covariance: Values
    prior: Values
    before: Values
    nuisance: Values
    error: ModelError
    bound: Values
    left_out: int
    lags: tuple[Lag, ...]
    stand_ins: tuple[StandIn, ...]
    doubts: tuple[Doubt, ...]

    @property
    def cannot(self) -> str:
        """Why intervals would lie, in words; nothing if they hold."""
        if self.error.cannot or not self.doubts:
            return self.error.cannot
        doubts = "; ".join(one.words for one in self.doubts)
        return f"{doubts}; look whether it is as the file says, or say that it may be farther off"

    @property
    def told(self) -> NDArray[np.bool_]:
        """(p,) which parameters the logs tell: shrunk to half of their prior at least."""
        told: NDArray[np.bool_] = self.standard <= SHRUNK * self.prior
        return told

    @property
    def correlation(self) -> Values:
        """(p, p) of the parameters."""
        return np.asarray(self.covariance / np.outer(self.standard, self.standard))

    def combinations(self) -> list[tuple[float, dict[str, float]]]:
        """What the logs do not tell, by combinations: share of the prior that is left, and who takes part.

        Of the covariance in priors' standard deviations, directions with more than SHRUNK left; members with
        a tenth of the direction's square or more.
        """
        scaled = self.covariance / np.outer(self.prior, self.prior)
        sizes, directions = np.linalg.eigh(scaled)
        found = []
        for size, direction in zip(np.sqrt(np.maximum(sizes, 0.0)), directions.T, strict=True):
            members = {n: float(w) for n, w in zip(self.names, direction, strict=True) if w * w >= 0.1}
            if size > SHRUNK and len(members) > 1:
                found.append((float(size), members))
        return found[::-1]


class NotApart(NamedTuple):
    """A combination that the logs do not tell.

    left      share of its prior's standard deviation that is left
    members   weights by parameter, in standard deviations of their priors
    interval  of 95 % by its profile likelihood, in its prior's standard deviations about the fit: noise and
              priors alone; infinite: no bike lies there; None: it was not worked out
    """

    left: float
    members: dict[str, float]
    interval: tuple[float, float] | None


class Calibration:
    """Logs beside a vehicle's free parameters: residuals, derivative, estimate.

    stretches          pieces of the logs in steady motion
    nuisance_standard  (8,) of NUISANCES beforehand
    models             of the same parameters and noise, to share what was worked out
    whole              whether the logs are of a bike that is not linear, as every real one
    beside             parameters taken for exact, of which only is asked who takes their errors
    seek_lag           whether the noise's lag is looked for in each log, or is as stated
    Raises NotFitted: no stretches, or none of whose samples count.
    """

    def __init__(
        self,
        parameters: Parameters,
        stretches: Sequence[Stretch],
        noise: Noise,
        *,
        nuisance_standard: Values = NUISANCE_STANDARD,
        models: Models | None = None,
        whole: bool = False,
        beside: tuple[Free, ...] = (),
        seek_lag: bool = False,
    ) -> None:
        self.parameters, self.whole = parameters, whole
        self.beside, self.seek_lag = beside, seek_lag
        self.stretches = [s._replace(outputs=s.outputs.copy()) for s in stretches]
        self.left_out = 0
        self._fit: Fitted | None = None
        self.models = models or Models(parameters, noise)
        self.nuisance_standard = np.asarray(nuisance_standard, float)
        self.logs = 1 + max((s.log for s in stretches), default=-1)
        self.counts = [counted(s) for s in self.stretches]
        if not any(c.any() for c in self.counts):
            raise NotFitted("no sample of steady riding counts")
        self.lags: list[float | None] = [None] * self.logs  # of each log; none: as stated
        self._found_lags: list[Lag] = []
        self.whitening: list[Whitening] = []
        self._not_linear: list[Values] = []
        self._whitened_at = np.empty(0)
        self.start = np.concatenate([parameters.start, np.tile(NO_NUISANCE, self.logs)])
        self.standard = np.concatenate([parameters.standard, np.tile(self.nuisance_standard, self.logs)])

    def estimate(self) -> Estimate:
        """Fit, and ask what the model cannot do. Raises NotFitted."""
        fitted, p = self.fitted(), len(self.parameters)
        self._fit = fitted
        error = find_model_error(self._pieces(fitted), p, self.standard)
        at = fitted.values + error.moved
        covariance = error.covariance + self._by_lags(fitted)
        names = tuple(one.name for one in self.parameters.free)
        everything = self._everything()
        q = len(everything.parameters)
        of_all = np.concatenate([fitted.values[:p], everything.start[p:q], fitted.values[p:]])
        slopes = everything.jacobian(of_all, (p, fitted.jacobian)) if q > p else fitted.jacobian
        stand_ins: list[StandIn] = []
        if q > p:
            others = self._by_others(slopes, p, q)
            covariance = covariance + self._by_held(fitted.covariance, fitted.jacobian, others, everything)
            stand_ins = find_stand_ins(
                fitted.jacobian,
                others,
                names,
                [one.name for one in everything.parameters.free[p:]],
                self.standard,
                everything.standard[p:q],
                SHRUNK,
            )
        doubts = find_doubts(
            everything.residual(of_all),
            slopes,
            [one.name for one in everything.parameters.free],
            of_all,
            everything.start,
            everything.standard,
            error.variance,
        )
        return Estimate(
            names,
            tuple(self.parameters.units),
            at[:p],
            np.sqrt(np.diag(covariance))[:p],
            covariance[:p, :p],
            self.parameters.standard,
            self.parameters.start,
            at[p:].reshape(self.logs, len(NUISANCES)),
            error,
            fitted.standard[:p],
            self.left_out,
            tuple(self._found_lags),
            tuple(stand_ins),
            tuple(doubts),
        )

    def foretold(self, values: Values) -> Values:
        """(n, n) covariance that an estimate at values (n,) would have, were model and noise as stated.

        With what is held and not known exactly, as an estimate has it. Whitens anew.
        """
        self.whiten_at(values)
        jacobian, p = self.jacobian(values), len(self.parameters)
        covariance, _ = covariance_of(jacobian)
        everything = self._everything()
        q = len(everything.parameters)
        if q == p:
            return covariance
        of_all = np.concatenate([values[:p], everything.start[p:q], values[p:]])
        others = self._by_others(everything.jacobian(of_all), p, q)
        return covariance + self._by_held(covariance, jacobian, others, everything)

    def _by_others(self, slopes: Values, p: int, q: int) -> Values:
        """(m, q - p) derivative of this problem's residual by what is held or beside, from everything's."""
        samples = sum(w.count for w in self.whitening)
        return np.delete(slopes[:, p:q], np.s_[samples + p : samples + q], axis=0)

    def _by_held(
        self, covariance: Values, jacobian: Values, others: Values, everything: Calibration
    ) -> Values:
        """(n, n) what is held and not known exactly adds to a covariance (n, n)."""
        p, held = len(self.parameters), len(self.parameters.held)
        moves = -covariance @ (jacobian.T @ others[:, :held])
        moves *= everything.standard[p : p + held]
        return np.asarray(moves @ moves.T)

    def _everything(self) -> Calibration:
        """The same problem with those free that are held or beside, whitened as this one is."""
        if not (self.parameters.held or self.beside):
            return self
        everything = Calibration(
            self.parameters.with_held_free(self.beside),
            self.stretches,
            self.models.noise,
            nuisance_standard=self.nuisance_standard,
            whole=self.whole,
        )
        everything.lags, everything.whitening = self.lags, self.whitening
        everything._not_linear = self._not_linear
        return everything

    def not_told_apart(self, estimate: Estimate) -> tuple[NotApart, ...]:
        """Combinations that an estimate of this problem leaves open, most first; of the first few with their
        intervals by profile likelihood."""
        found = []
        for k, (left, members) in enumerate(estimate.combinations()):
            interval = None
            if k < MOST_PROFILES and self._fit is not None:
                with suppress(NotFitted):
                    interval = self.combination_interval(self._fit, members)
            found.append(NotApart(left, members, interval))
        return tuple(found)

    def combination_interval(self, fitted: Fitted, weights: Mapping[str, float]) -> tuple[float, float]:
        """Interval of 95 % of a combination by its profile likelihood, in standard deviations of its prior
        from where the fit has it: nuisances and all other directions fitted anew.

        fitted   of this problem, whose whitening it keeps
        weights  by parameter, in standard deviations of their priors
        Holds noise and what is known beforehand; not what the model cannot do. Raises NotFitted.
        """
        p = len(self.parameters)
        names = [one.name for one in self.parameters.free]
        along = np.array([weights.get(name, 0.0) for name in names])
        # orthogonal axes, the first of them the combination
        turn = np.linalg.qr(np.column_stack([along, np.eye(p)]))[0]
        turn[:, 0] = along / np.linalg.norm(along)
        whole = np.eye(len(self.start))
        whole[:p, :p] = turn
        whole *= self.standard[:, None]
        whole[p:, p:] = np.diag(self.standard[p:])

        def there(turned: Values) -> Values:
            return fitted.values + whole @ turned

        slopes = fitted.jacobian @ whole
        covariance, unseen = covariance_of(slopes)
        about = fitted._replace(
            values=np.zeros(len(self.start)),
            covariance=covariance,
            standard=np.sqrt(np.diag(covariance)),
            jacobian=slopes,
            unseen=unseen,
        )
        size = sum(w.count for w in self.whitening)
        return profile_interval(
            lambda turned: self.residual(there(turned)),
            about,
            0,
            jacobian=lambda turned: self.jacobian(there(turned)) @ whole,
            scale=np.ones(len(self.start)),
            tolerance=_NEAR / (0.5 * size),
        )

    def fitted(self) -> Fitted:
        """The least squares alone, of parameters and nuisances. Raises NotFitted."""
        at = self.start
        nuisances = len(at) - len(self.parameters)
        low = np.concatenate([self.parameters.least, np.full(nuisances, -np.inf)])
        high = np.concatenate([self.parameters.most, np.full(nuisances, np.inf)])
        found: Fitted | None = None
        passes = len(_FAR) + (_MOST_LAGS if self.seek_lag else 0)
        for k in range(passes):
            if k < len(_FAR):
                self._leave_out_outliers(at, _FAR[k])
            self.whiten_at(at)
            size = sum(w.count for w in self.whitening)
            found = fit(
                self.residual,
                at,
                jacobian=self.jacobian,
                scale=self.standard,
                least=low,
                most=high,
                known_noise=True,
                tolerance=_NEAR / (0.5 * size),
            )
            at = found.values
            if self.seek_lag and k < passes - 1:
                moved = self._lags_moved(at)
                # what is not linear was put anew by the fit before: that one's lag may not be wrong
                if k >= len(_FAR) - 1 + any(one.wrong for one in self._found_lags) and not moved:
                    break
        assert found is not None
        return found

    def _lags_moved(self, at: Values) -> bool:
        """Put each log's lag where these values make it likeliest; whether one moved by much."""
        before, moved = self._found_lags, False
        found = []
        for log in range(self.logs):
            near = before[log].found if before else None
            one = likeliest(self._by_lag(at, log), self.models.noise.lag, near=near)
            if before:
                one = one._replace(preferred=before[log].preferred)
            if abs(math.log(one.found / self._lag(log))) > _STANDS * one.off:
                self.lags[log], moved = one.found, True
            found.append(one)
        self._found_lags = found
        return moved

    def _lag(self, log: int) -> float:
        """[s] that the log is taken for now; at once is a tick."""
        lag = self.lags[log]
        return max(self.models.noise.lag if lag is None else lag, SHORTEST_s)

    def _by_lag(self, at: Values, log: int) -> Callable[[float], float]:
        """Minus twice the logarithm of a log's likelihood by its lag, up to what is the same for all."""
        values = at[: len(self.parameters)]
        own = [i for i, s in enumerate(self.stretches) if s.log == log]

        def cost(lag: float) -> float:
            total = 0.0
            for i in own:
                s = self.stretches[i]
                model = self.models.at(values, s, lag)
                if model is None:
                    return math.inf
                whitening = Whitening(self.counts[i], model.S)
                left = innovations(model, s, self._own(at, s))
                residual = whitening(left + self._not_linear[i] if self.whole else left)
                total += float(residual @ residual) + whitening.log_determinant
            return total

        return cost

    def _by_lags(self, fitted: Fitted) -> Values:
        """(n, n) covariance of what lags, being uncertain, move the fit by; and theirs with it."""
        covariance = np.zeros_like(fitted.covariance)
        if not self._found_lags:
            return covariance
        moved = copy.copy(self)
        moved.lags = [self._lag(k) * math.exp(one.off) for k, one in enumerate(self._found_lags)]
        moved.whiten_linear(self._whitened_at)
        ends = np.cumsum([0, *(w.count for w in self.whitening)])
        residual, slopes = moved.residual(fitted.values), moved.jacobian(fitted.values)
        for log, one in enumerate(self._found_lags):
            own = np.concatenate(
                [
                    np.arange(a, b)
                    for (a, b), s in zip(pairwise(ends), self.stretches, strict=True)
                    if s.log == log
                ]
            )
            turn = slopes[own].T @ residual[own] - fitted.jacobian[own].T @ fitted.residual[own]
            by_it = fitted.covariance @ turn
            # with the parameters fitted anew the lag is less sure than with parameters that stand still
            shared = min(float(turn @ by_it), _MOST_SHARED)
            self._found_lags[log] = one._replace(off=one.off / math.sqrt(1.0 - shared))
            covariance += np.outer(by_it, by_it) / (1.0 - shared)
        return covariance

    def _leave_out_outliers(self, at: Values, far: float) -> None:
        """Take out single samples that are far from what the others make expected.

        An import sees what leaves a signal's own course; the model sees what does not fit the other signals.
        """
        for i, s in enumerate(self.stretches):
            model = self._model(at[: len(self.parameters)], s)
            if model is not None:
                bad = outliers(model, s, self._own(at, s), far)
                self.left_out += int(bad.sum())
                s.outputs[bad] = np.nan
                self.counts[i] = counted(s)

    def whiten_at(self, at: Values) -> None:
        """Whiten innovations by what the parameters there expect, and put anew what is left out by a linear
        model. Raises NotFitted."""
        self.whiten_linear(at)
        if self.whole:
            values = at[: len(self.parameters)]
            self._not_linear = [
                self.models.left_out(values, s, self._own(at, s), self.lags[s.log]) for s in self.stretches
            ]

    def whiten_linear(self, at: Values) -> None:
        """Whiten innovations by what the parameters there expect. Raises NotFitted."""
        models = [self._model(at[: len(self.parameters)], s) for s in self.stretches]
        if any(m is None for m in models):
            raise NotFitted(_NO_MOTION)
        self._whitened_at = at
        self.whitening = [
            Whitening(c, m.S) for c, m in zip(self.counts, models, strict=True) if m is not None
        ]

    def residual(self, at: Values) -> Values:
        """Whitened innovations of all stretches, then what is known beforehand; NaN: no such bike."""
        p = len(self.parameters)
        parts = [self._of_stretch(i, at[:p], self._own(at, s)) for i, s in enumerate(self.stretches)]
        return np.concatenate([*parts, self._beforehand(at)])

    def jacobian(self, at: Values, first: tuple[int, Values] | None = None) -> Values:
        """Derivative of the residuals by differences; a nuisance moves its own log's stretches alone.

        first  how many of the parameters are those of a problem whitened as this one is, whose derivative
               at the same values is known, and that derivative
        """
        p, q = len(self.parameters), len(NUISANCES)
        base = [self._of_stretch(i, at[:p], self._own(at, s)) for i, s in enumerate(self.stretches)]
        ends = np.concatenate([[0], np.cumsum([len(b) for b in base])])
        known = self._beforehand(at)
        out = np.zeros((ends[-1] + len(known), len(at)))
        shared, there_known = first or (0, out)
        out[: ends[-1], :shared] = there_known[: ends[-1], :shared]
        for k in range(p):
            step = _PART * self.standard[k]
            moved = at.copy()
            moved[k] += step if moved[k] + step < self.parameters.most[k] else -step
            step = moved[k] - at[k]
            for i, s in enumerate(self.stretches if k >= shared else ()):
                there = self._of_stretch(i, moved[:p], self._own(at, s))
                out[ends[i] : ends[i + 1], k] = (there - base[i]) / step
            out[ends[-1] :, k] = (self._beforehand(moved) - known) / step
        for i, s in enumerate(self.stretches):
            for j in range(q):
                own = self._own(at, s).copy()
                own[j] += self.nuisance_standard[j]
                there = self._of_stretch(i, at[:p], own)
                k = p + s.log * q + j
                out[ends[i] : ends[i + 1], k] = (there - base[i]) / self.nuisance_standard[j]
        rows = ends[-1] + len(known) - self.logs * q + np.arange(self.logs * q)
        out[rows, p + np.arange(self.logs * q)] = 1.0 / self.standard[p:]
        return out

    def _model(self, values: Values, stretch: Stretch) -> SteadyModel | None:
        lag = self.lags[stretch.log]
        return self.models.at(values, stretch) if lag is None else self.models.at(values, stretch, lag)

    def _own(self, at: Values, stretch: Stretch) -> Values:
        first = len(self.parameters) + stretch.log * len(NUISANCES)
        return at[first : first + len(NUISANCES)]

    def _of_stretch(self, i: int, values: Values, nuisance: Values) -> Values:
        model = self._model(values, self.stretches[i])
        if model is None:
            return np.full(self.whitening[i].count, np.nan)
        found = innovations(model, self.stretches[i], nuisance)
        return self.whitening[i](found + self._not_linear[i] if self.whole else found)

    def _beforehand(self, at: Values) -> Values:
        p = len(self.parameters)
        return np.concatenate(
            [self.parameters.beforehand(at[:p]), (at[p:] - self.start[p:]) / self.standard[p:]]
        )

    def _pieces(self, fitted: Fitted) -> Pieces:
        """The fit's residuals and derivative, stretch by stretch."""
        counts = [w.count for w in self.whitening]
        ends = np.concatenate([[0], np.cumsum(counts)])
        known = slice(ends[-1], None)
        return Pieces(
            [fitted.residual[a:b] for a, b in pairwise(ends)],
            [fitted.jacobian[a:b] for a, b in pairwise(ends)],
            fitted.residual[known],
            fitted.jacobian[known],
            [w.output for w in self.whitening],
            [w.row for w in self.whitening],
        )
