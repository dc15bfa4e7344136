"""Predictions of a fifth of a second to four, from smoothed states all along a record.

A motorcycle is unstable or nearly so: torques played for a lap say nothing. Over a second they say where the
model lies, if it is known how an error of the start, of the torque and of each number of the bike would grow
meanwhile; of a prediction that is told with it, as a covariance and as responses (growth).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.plant import build_plant
from emulator.assembly.session import Session
from emulator.core.errors import RecordError
from emulator.record.reader import Run
from emulator.track.comparison.growth import BLOCK, SUSPECTS, Suspect, variants
from emulator.track.comparison.playing import TICK_S, TORQUE, Course, Values
from emulator.track.comparison.smoothed_state import (
    STRETCH_BLOCKS,
    Measured,
    Model,
    NotStarted,
    Rows,
    SmoothedState,
    by_lateness,
    devices_covariance,
    measured,
    residuals,
    rows_of,
    smoothed_state,
)
from emulator.vehicle.equilibrium import AIR_DENSITY
from emulator.vehicle.modes import SteadyTurns
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import TREAD

HORIZONS_S = (0.2, 0.5, 1.0, 2.0, 4.0)
"""How far ahead is predicted."""
_ENDS = np.array([STRETCH_BLOCKS + round(h * 1e3 / BLOCK) for h in HORIZONS_S])
APART = int(_ENDS[-1]) * BLOCK
"""Ticks from the start of a stretch to the end of its predictions: starts no closer share nothing."""


class Prediction(NamedTuple):
    """From one start, m errors at all horizons.

    tick        scenario tick predictions begin at; speed [m/s], lean [rad], station [m] there
    rows        (m, 2) horizon and reading of each error
    error       (m,)   record less prediction [SI]
    covariance  (m, m) of it, were the model true: noise of what was measured, of the start, of the torque,
                and what is not known of the devices
    offset      (m,)   response to a torque that was greater by 1 N m than recorded
    gain        (m,)   to one that was greater by all of itself
    parameters  (m, p) to the suspects: what the bike has more than the model; p is 0 where the start is too
                near the one before
    late        (m, r + 1) to a second by which each reading's device is later than was taken off, and the
                torque's
    left        root mean square of what the smoothed stretch left, over its noise
    """

    tick: int
    speed: float
    lean: float
    station: float
    rows: NDArray[np.int64]
    error: Values
    covariance: Values
    offset: Values
    gain: Values
    parameters: Values
    late: Values
    left: float

    def of(self, horizon: int, reading: int) -> float:
        """Error of a reading at a horizon, by their numbers; NaN without."""
        at = np.flatnonzero((self.rows[:, 0] == horizon) & (self.rows[:, 1] == reading))
        return float(self.error[at[0]]) if len(at) else float("nan")


class Predictions(NamedTuple):
    """All of a record.

    refused  (tick, why) where none could be begun
    """

    measured: Measured
    suspects: tuple[Suspect, ...]
    ones: tuple[Prediction, ...]
    refused: tuple[tuple[int, str], ...]


def model_of(session: Session, vehicle: Vehicle | None = None) -> Model:
    """The session's bike on its course, or another bike on it."""
    plant = build_plant(session)
    rig = plant.rig[0]
    course = Course(
        session.line,
        session.road,
        session.road_profile,
        float(rig["wind_x"]),
        float(rig["wind_y"]),
        AIR_DENSITY,
    )
    bike = session.vehicle if vehicle is None else vehicle
    return Model(bike, course, variants(bike), plant.x[TREAD : TREAD + 2].copy())


def predictions(
    run: Run, model: Model, every_s: float = 1.0, progress: Callable[[float], None] = lambda _share: None
) -> Predictions:
    """Begin every so many seconds of free riding, and predict over all horizons.

    progress  told what share is done
    Raises RecordError: no torque, no lean or no place is recorded, or no stretch is long enough.
    """
    _ask(run)
    seen = measured(run, model.vehicle)
    turns = SteadyTurns(model.vehicle)
    ones: list[Prediction] = []
    refused: list[tuple[int, str]] = []
    ticks = _starts(seen, round(every_s * 1e3))
    # Treads that nobody measured cool and warm over a lap by more than their doubt, and hold less then; at
    # their best nothing changes with them at first order, so no doubt would make up for it. They go on by
    # what was played since, and not by what a stretch would fit of them: starts share no noise by that.
    treads, last = model.treads, None
    judged = (
        -APART
    )  # what numbers of the bike explain is asked of starts that share nothing, and of them alone
    for k, tick in enumerate(ticks):
        if last is not None:
            since = last.played.states[: tick - last.tick + 1, TREAD : TREAD + 2]
            treads, last = treads + (since[-1] - since[0]), None
        try:
            apart = tick - judged >= APART
            state = last = smoothed_state(seen, model, turns, tick, int(_ENDS[-1]), treads, apart)
        except NotStarted as error:
            refused.append((tick + seen.first, str(error)))
        else:
            one = _prediction(run, seen, state)
            if _is_covariance(one.covariance):
                ones.append(one)
                judged = tick if apart else judged
            else:
                refused.append((tick + seen.first, "what noise explains of it can't be worked out"))
        progress((k + 1) / len(ticks))
    if not ones:
        why = ""
        if refused:
            reason, count = Counter(why for _, why in refused).most_common(1)[0]
            why = f": {reason}, at {count} of {len(refused)} starts"
        raise RecordError(
            f"{run.folder}: there is nothing to predict from{why}",
            advice=f"short predictions need {(APART + 2 * BLOCK) / 1e3:.1f} s of riding without the support",
        )
    return Predictions(seen, SUSPECTS, tuple(ones), tuple(refused))


def _is_covariance(values: Values) -> bool:
    """Whether errors can be put over it: not where the motion grows beyond what numbers hold."""
    try:
        np.linalg.cholesky(values)
    except np.linalg.LinAlgError:
        return False
    return True


def _ask(run: Run) -> None:
    wanted = ("actuator.steering_torque_Nm", "truth.roll_rad", "truth.heading_rad", "truth.x_m", "truth.y_m")
    missing = [name for name in wanted if name not in run.signals or not np.isfinite(run.signals[name]).any()]
    if missing:
        raise RecordError(
            f"{run.folder}: not recorded: {', '.join(missing)}",
            advice="predictions are played with the steering torque from where the bike was; "
            "map these channels",
        )


def _starts(seen: Measured, every: int) -> list[int]:
    """Ticks of ``seen`` that stretches begin at: all of it and what is predicted rides by itself."""
    held = np.concatenate([[0], np.cumsum(~seen.free)])
    span = APART + 2 * BLOCK
    found, tick = [], BLOCK
    while tick + span < len(seen.free):
        busy = held[tick + span] - held[tick]
        if busy == 0:
            found.append(tick)
            tick += every
        else:
            tick += BLOCK
    return found


def _prediction(run: Run, seen: Measured, state: SmoothedState) -> Prediction:
    rows, error, sigma = residuals(seen, state.played, state.tick, _ENDS)
    ahead = rows_of(seen, state.played, state.grown, rows)
    behind = rows_of(seen, state.played, state.grown, state.rows)

    def less_start(far: Values, near: Values) -> Values:
        """What a response comes to when the start has followed what of it was in the stretch."""
        return np.asarray(far - ahead.start @ (state.answer @ near))

    late = less_start(*(_by_late(seen, state, at, by) for at, by in ((rows, ahead), (state.rows, behind))))
    begun = tick = state.tick + STRETCH_BLOCKS * BLOCK
    named = np.stack([np.searchsorted(_ENDS, rows[:, 0]), rows[:, 1]], axis=1)
    row = int(np.searchsorted(run.tick, tick + seen.first))
    station = run.signals.get("line.station_m")
    return Prediction(
        begun + seen.first,
        float(np.linalg.norm(state.played.states[STRETCH_BLOCKS * BLOCK, 16:19])),
        seen.at("roll", tick),
        float("nan") if station is None else float(station[row]),
        named,
        error,
        _covariance(seen, state, rows, ahead, behind, sigma)
        + seen.torque_doubt.late**2 * np.outer(*2 * (late[:, -1],)),
        less_start(ahead.offset, behind.offset),
        less_start(ahead.gain, behind.gain),
        less_start(ahead.parameters, behind.parameters),
        late,
        state.left,
    )


def _by_late(seen: Measured, state: SmoothedState, rows: NDArray[np.int64], by: Rows) -> Values:
    """(m, r + 1) how residuals follow lateness of each reading's device, and of the torque, by a second."""
    out = np.zeros((len(rows), len(seen.readings) + 1))
    out[np.arange(len(rows)), rows[:, 1]] = by_lateness(seen, state.played, rows)
    blocks = by.torque.shape[1]
    torque = seen.inputs[state.tick : state.tick + blocks * BLOCK, TORQUE].reshape(blocks, BLOCK).mean(axis=1)
    # what was recorded late was on the bike before: the bike felt that much more than the model as it rises
    out[:, -1] = by.torque @ (np.gradient(torque) / (BLOCK * TICK_S))
    return out


def _covariance(
    seen: Measured, state: SmoothedState, rows: NDArray[np.int64], ahead: Rows, behind: Rows, sigma: Values
) -> Values:
    """Of the errors ahead, were the model true: of the start's doubt, of noise, of the devices', linear."""
    out = np.diag(sigma**2)
    follows = ahead.start @ state.answer  # (m, residuals of the stretch)
    out += (follows * state.sigma**2) @ follows.T
    left = ahead.start - follows @ behind.start
    out += left @ state.doubt @ left.T
    torque = ahead.torque - follows @ behind.torque
    out += seen.torque_sigma**2 / BLOCK * (torque @ torque.T)
    if seen.by_devices:
        shared = devices_covariance(seen, state.played, np.vstack([rows, state.rows]))
        both = np.hstack([np.eye(len(rows)), -follows])
        out += both @ shared @ both.T
    return np.asarray(out)


def played_torque(prediction: Prediction, seen: Measured) -> Values:
    """(n,) the torque that was played from a start to its last horizon [N m]."""
    tick = prediction.tick - seen.first
    return seen.inputs[tick : tick + APART - STRETCH_BLOCKS * BLOCK, TORQUE]
