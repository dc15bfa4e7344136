"""The state a record is in at an instant, smoothed over the stretch before it.

What was measured over the stretch, and the torque that was, are laid beside the model played over it; its
start is moved until the sum of squares over their noise is least (Gauss-Newton, a few steps of it). What
nobody measured, such as deflections of the tyres, is found with it; what the stretch does not tell stays
where the steady motion of that speed and lean has it, with a stated doubt. Devices are off for seconds on
end and late by more or less than is known: both are fitted with the start, held back by their doubts.

The stretch ends where predictions begin, so that their errors hold no noise that the start was fitted to.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import special

from emulator.core.axes import quaternion_of, rotate_back, rotation_of
from emulator.core.signals import RUNNING, TICK_NS
from emulator.record.reader import Run
from emulator.road.line import locate
from emulator.road.shape import plane_under
from emulator.track.comparison.device_doubts import Doubt, LASTS_s, doubt_of, doubt_of_torque
from emulator.track.comparison.growth import BLOCK, Growth, Variants, growth
from emulator.track.comparison.playing import (
    BRAKE_FRONT,
    BRAKE_REAR,
    CLUTCH,
    GEAR,
    GRIP_FRONT,
    N_DEVIATIONS,
    PLAYED,
    THROTTLE,
    TICK_S,
    TORQUE,
    Course,
    Played,
    Values,
    difference,
    play,
    shift,
)
from emulator.track.comparison.readings import (
    Reading,
    by_deviations,
    neighbours,
    noise_of,
    readings_of,
    row_ticks,
    sampled_rows,
    torque_noise,
    unturned,
)
from emulator.track.comparison.small_matrices import Triangle
from emulator.vehicle.driveline import clutch_capacity, engine_torque, gear_ratio
from emulator.vehicle.equilibrium import NoEquilibrium, Steady
from emulator.vehicle.modes import SteadyTurns
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import (
    BRAKE_TWIST_FRONT,
    BRAKE_TWIST_REAR,
    CLUTCH_TWIST,
    DEFLECTION,
    ENGINE,
    FORK,
    FRONT,
    FRONT_WHEEL,
    JOINT,
    JOINT_RATE,
    OMEGA,
    POSITION,
    QUATERNION,
    REAR,
    REAR_WHEEL,
    STEER,
    TREAD,
    VELOCITY,
)

STRETCH_BLOCKS = 30
"""Blocks that a state is smoothed over: 0.3 s."""
_COARSE = ((3.0, 0.0), (3.0, 0.0), (30.0, 3.0, 0.3, 0.0))
"""Noise that is taken at least, times that of good sensors, one fit after the other: from afar the nearest
thousandth of a degree leads astray. The second way begins with slack in driveline and tyres."""
_SPANS = (BLOCK, 6 * BLOCK, 12 * BLOCK)
"""Ticks to either side in which a first guess is looked for: there are samples of 10 Hz, of 5 Hz."""
_MET = 0.99
"""Chance that noise alone leaves less than a fit does, from which another way is tried."""
_STEPS = 15
_HELD = (0.0, 1.0, 1e2, 1e4, 1e6)
_SETTLED = 0.01  # of the sum of squares, in which 1 is one standard deviation
_CREEPS, _CREPT = 1e-3, 2
"""A fit that takes off less than this share of its sum of squares, so many times, is at an end: shorter steps
creep along the bottom of a valley, each for a growth of its own."""

_DOUBT = np.concatenate(
    [
        [30.0, 30.0, 0.03],  # place [m]
        [0.1, 0.03, 0.2],  # turn [rad]
        [0.03, 1e-9, 0.003, 0.1, 0.02, 1e-9],  # joints; how far the wheels have turned tells nothing
        [0.5, 0.3, 0.3],  # angular velocity
        [3.0, 0.5, 0.3],  # velocity
        [1.0, 5.0, 1.0, 1.0, 1.0, 5.0],  # joint rates
        [0.02] * 4,  # deflections
        [20.0, 0.05, 0.01, 0.01],  # engine, twists of clutch and brakes
        [1e-6] * 3,  # discs and idle: nothing tells of them
        [10.0] * 2,  # treads [K]
        [0.003, 0.5],  # the fork's bending and its rate
        [0.01, 0.5],  # the robot's roll in its mount and its rate
    ]
)
"""(41,) how far the first guess of a state may be off, one standard deviation; common practice, no source."""


class Model(NamedTuple):
    """The bike that a record is laid beside, where it is ridden, and the bike's neighbours.

    treads  (2,) [K] over the temperature they grip best at, rear and front, when the ride begins
    """

    vehicle: Vehicle
    course: Course
    around: Variants
    treads: Values


class Measured(NamedTuple):
    """A record tick by tick; n ticks of a millisecond from ``first`` on.

    inputs   (n, 8)  as in PLAYED; NaN where one is missing
    values   (r, n)  of each reading where it has a sample, else NaN
    sigma    (r,)    noise of a sample; ``own`` (r,) whether it is the record's own
    torque_sigma     [N m] noise of the torque in a tick
    free     (n,)    whether the bike rides by itself there: released, not down
    doubts   (r,)    of each reading's device; ``torque_doubt`` of the torque's
    """

    first: int
    readings: tuple[Reading, ...]
    inputs: Values
    values: Values
    sigma: Values
    own: NDArray[np.bool_]
    torque_sigma: float
    free: NDArray[np.bool_]
    doubts: tuple[Doubt, ...]
    torque_doubt: Doubt

    @property
    def by_devices(self) -> bool:
        """Whether devices measured it that may be off or late: it is a log."""
        return any(doubt.off or doubt.late for doubt in self.doubts)

    @property
    def off_and_late(self) -> tuple[Values, Values]:
        """(r,) each: the doubts' standard deviations, of what is off [SI] and of lateness [s]."""
        off, late = np.array([(doubt.off, doubt.late) for doubt in self.doubts]).reshape(-1, 2).T
        return off, late

    def at(self, key: str, tick: int, span: int = BLOCK) -> float:
        """Mean of a reading round a tick; NaN without a sample."""
        for reading, values in zip(self.readings, self.values, strict=True):
            if reading.key == key:
                seen = values[max(0, tick - span) : tick + span]
                seen = seen[np.isfinite(seen)]
                if reading.turns and len(seen):
                    return float(seen[0] + np.mean(unturned(seen - seen[0])))
                return float(np.mean(seen)) if len(seen) else math.nan
        return math.nan

    def near(self, key: str, tick: int) -> float:
        """The same, further round it where a receiver's slower samples miss it; NaN without any."""
        for span in _SPANS:
            if math.isfinite(found := self.at(key, tick, span)):
                return found
        return math.nan


def measured(run: Run, vehicle: Vehicle) -> Measured:
    """A record as it is compared, on ticks of a millisecond."""
    step, first = row_ticks(run), int(run.tick[0])
    place = run.tick - first
    n = int(place[-1]) + 1
    readings = readings_of(run, vehicle)
    values = np.full((len(readings), n), np.nan)
    for k, reading in enumerate(readings):
        sampled = sampled_rows(run, reading.column)
        values[k, place[sampled]] = run.signals[reading.column][sampled]
    inputs = np.full((n, len(PLAYED)), np.nan)
    for k, (name, _place) in enumerate(PLAYED):
        inputs[:, k] = _on_ticks(run, name, place, n, step, held=k == GEAR)
    free = np.zeros(n, np.bool_)
    free[place] = np.ones(len(place), np.bool_)
    for name in ("truth.support", "truth.fallen"):
        if name in run.signals:
            free[place] &= ~(run.signals[name] > 0.0)
    if "bench.state" in run.signals:  # stopping, the bench's own hand is on the bike
        free[place] &= run.signals["bench.state"] == RUNNING
    if step > 1:
        free = free[np.arange(n) // step * step]
    noise = [noise_of(run, reading) for reading in readings]
    sigma, own = np.array([n.sigma for n in noise]), np.array([n.own for n in noise])
    doubts = tuple(doubt_of(run, reading) for reading in readings)
    return Measured(
        first, readings, inputs, values, sigma, own, torque_noise(run), free, doubts, doubt_of_torque(run)
    )


def _on_ticks(run: Run, name: str, place: NDArray[np.int64], n: int, step: int, *, held: bool) -> Values:
    if name not in run.signals:
        # pedals and levers that were not logged were not used; a grip that is not known is the road's
        return np.full(n, np.nan if name.startswith("truth.grip") else 0.0)
    column = run.signals[name]
    if step == 1 and len(place) == n:
        return column.astype(np.float64)
    ticks = np.arange(n)
    if held:
        return np.asarray(column[np.searchsorted(place, ticks, side="right") - 1])
    known = np.isfinite(column)
    return np.interp(ticks, place[known], column[known]) if known.any() else np.full(n, np.nan)


class SmoothedState(NamedTuple):
    """A state at the start of a stretch, and the motion played from it over the stretch and on.

    tick      in ``Measured`` of the stretch's start; predictions begin STRETCH_BLOCKS blocks later
    played    from there to the end of all
    grown     of that motion
    answer    (41, m) how the start follows what was measured in the stretch: m residuals
    doubt     (41, 41) covariance of what was not known of it before
    rows      (m, 2) block end and reading of each residual
    sigma     (m,) noise of each
    left      residuals over their noise, root of the mean square
    """

    tick: int
    played: Played
    grown: Growth
    answer: Values
    doubt: Values
    rows: NDArray[np.int64]
    sigma: Values
    left: float


class NotStarted(ValueError):
    """Why the model can't be started at an instant of a record, in words."""


def residuals(
    seen: Measured, played: Played, tick: int, ends: NDArray[np.int64]
) -> tuple[NDArray[np.int64], Values, Values]:
    """What was measured less what was played, means over a block round each of these block ends (k,).

    rows (m, 2) block end and reading of each, values (m,), sigma (m,) [SI] of noise; without a sample none
    """
    half = BLOCK // 2
    within = ends[:, None] * BLOCK + np.arange(-half, half)
    is_ = seen.values[:, tick + within]
    sampled = np.isfinite(is_)
    count = sampled.sum(axis=2)
    states = played.states[within.ravel()]
    total = np.zeros(count.shape)
    for k, reading in enumerate(seen.readings):
        if count[k].any():
            apart = is_[k] - reading.read(states).reshape(within.shape)
            if reading.turns:
                apart = unturned(apart)
            total[k] = np.where(sampled[k], apart, 0.0).sum(axis=1)
    known = count > 0
    which, at = np.nonzero(known)
    rows = np.stack([np.asarray(ends, np.int64)[at], which], axis=1)
    return rows, total[known] / count[known], seen.sigma[which] / np.sqrt(count[known])


def by_lateness(seen: Measured, played: Played, rows: NDArray[np.int64]) -> Values:
    """(m,) how residuals follow a second of lateness of their own device: what is late shows what was."""
    half = BLOCK // 2
    ends, at = np.unique(rows[:, 0], return_inverse=True)
    out = np.zeros(len(rows))
    for k in np.unique(rows[:, 1]):
        reading, mine = seen.readings[k], rows[:, 1] == k
        change = reading.read(played.states[ends * BLOCK + half]) - reading.read(
            played.states[ends * BLOCK - half]
        )
        out[mine] = -((unturned(change) if reading.turns else change) / (BLOCK * TICK_S))[at[mine]]
    return out


def by_devices(seen: Measured, played: Played, rows: NDArray[np.int64]) -> Values:
    """(m, 2 r) how residuals follow what devices are off by and late by, each in its standard deviations."""
    if not seen.by_devices:
        return np.zeros((len(rows), 0))
    off, late = seen.off_and_late
    out = np.zeros((len(rows), 2 * len(off)))
    at, k = np.arange(len(rows)), rows[:, 1]
    out[at, k] = off[k]
    out[at, len(off) + k] = by_lateness(seen, played, rows) * late[k]
    return out


def devices_covariance(seen: Measured, played: Played, rows: NDArray[np.int64]) -> Values:
    """(m, m) of residuals, by what devices are off by, which wanders, and by their lateness, which stays."""
    off, late = seen.off_and_late
    k, time_s = rows[:, 1], rows[:, 0] * BLOCK * TICK_S
    shared = k[:, None] == k[None, :]
    lasting = np.exp(-np.abs(time_s[:, None] - time_s[None, :]) / LASTS_s)
    lateness = by_lateness(seen, played, rows) * late[k]
    return np.asarray(shared * (np.square(off)[k] * lasting + lateness[:, None] * lateness))


class Rows(NamedTuple):
    """How residuals follow what deviates: by the start (m, 41), the torque of each block (m, b), an offset
    (m,) and a gain (m,) of the torque, the suspects (m, p)."""

    start: Values
    torque: Values
    offset: Values
    gain: Values
    parameters: Values


def rows_of(seen: Measured, played: Played, grown: Growth, rows: NDArray[np.int64]) -> Rows:
    """The growth as residuals read it; rows (m, 2) in any order of their block ends."""
    ends, at, read = _read_at_ends(seen, played, rows)
    torque = np.zeros((*read.shape[:2], len(grown.by_block)))
    for k, end in enumerate(ends):
        follows = read[k]  # what is read at the end, by a deviation at the end of a block before
        for block in range(int(end) - 1, -1, -1):
            torque[k, :, block] = follows @ grown.by_block[block]
            follows = follows @ grown.blocks[block]
    one = at, rows[:, 1]
    return Rows(
        (read @ grown.start[ends])[one],
        torque[one],
        (read @ grown.offset[ends][:, :, None])[one][:, 0],
        (read @ grown.gain[ends][:, :, None])[one][:, 0],
        (read @ grown.parameters[ends])[one],
    )


def _by_start(seen: Measured, played: Played, grown: Growth, rows: NDArray[np.int64]) -> Values:
    """(m, 41) how residuals follow the start alone."""
    ends, at, read = _read_at_ends(seen, played, rows)
    return np.asarray((read @ grown.start[ends])[at, rows[:, 1]])


def _read_at_ends(
    seen: Measured, played: Played, rows: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64], Values]:
    """Block ends (e,) that rows (m, 2) have, which of them each row has (m,), and how readings go with the
    deviations there (e, r, 41)."""
    ends, at = np.unique(rows[:, 0], return_inverse=True)
    near = neighbours(played.states[ends * BLOCK])
    read = np.zeros((len(ends), len(seen.readings), N_DEVIATIONS))
    for k in np.unique(rows[:, 1]):
        read[:, k] = by_deviations(seen.readings[k], near)
    return ends, at, read


def smoothed_state(
    seen: Measured,
    model: Model,
    turns: SteadyTurns,
    tick: int,
    blocks: int,
    treads: Values | None = None,
    suspects: bool = True,
) -> SmoothedState:
    """Smooth over the stretch from ``tick`` on, and play from its start over ``blocks`` blocks in all.

    treads    (2,) [K] as of the model, what is thought of them there where they were not measured
    suspects  whether the growth by numbers of the bike is worked out, too
    Raises NotStarted: nothing like it can be ridden, inputs are missing, or the motion is lost.
    """
    inputs = seen.inputs[tick : tick + (blocks + 1) * BLOCK]
    if not np.isfinite(inputs[:, :GRIP_FRONT]).all():
        raise NotStarted("inputs are missing in it")
    guess = _guess(seen, model, turns, tick, model.treads if treads is None else treads)
    x, off = _searched(seen, model, tick, inputs[: (STRETCH_BLOCKS + 1) * BLOCK], guess)
    ends = np.arange(1, STRETCH_BLOCKS + 1)
    played = play(model.vehicle, model.course, x, inputs)
    if not np.isfinite(played.states).all():
        raise NotStarted("the model does not ride on from there")
    around = model.around if suspects else model.around._replace(over=np.zeros(0))
    grown = growth(around, played, inputs[:, TORQUE])
    rows, r, sigma = residuals(seen, played, tick, ends)
    by, devices = rows_of(seen, played, grown, rows), by_devices(seen, played, rows)
    answer, doubt = _answer(by, devices, sigma), np.diag(_DOUBT**2)
    left = (r - devices @ off) / sigma
    return SmoothedState(tick, played, grown, answer, doubt, rows, sigma, float(np.sqrt(np.mean(left**2))))


def _searched(
    seen: Measured, model: Model, tick: int, inputs: Values, guess: Values
) -> tuple[Values, Values]:
    """The start (N_X,) from which the stretch is met best, of the ways there are to look for it; what devices
    are off by then, as in ``by_devices``.

    What sticks and slips has valleys that no slope leads out of: where one way ends badly, another is tried.
    Raises NotStarted where each loses the motion.
    """
    slack = guess.copy()
    slack[CLUTCH_TWIST] = 0.0
    slack[DEFLECTION : DEFLECTION + 4] = 0.0
    best, best_off, least = guess, np.zeros(0), math.inf
    for begun, way in zip((guess, slack, guess), _COARSE, strict=True):
        x, left, count = begun, math.inf, 0
        try:
            for coarse in way:
                x, off, left, count = _fitted(seen, model, tick, inputs, guess, x, coarse)
        except NotStarted:
            continue
        if left < least:
            best, best_off, least = x, off, left
        if special.chdtr(count, least) < _MET:
            break
    if not math.isfinite(least):
        raise NotStarted("the model does not ride on from there")
    return best, best_off


def _fitted(
    seen: Measured, model: Model, tick: int, inputs: Values, guess: Values, x: Values, coarse: float
) -> tuple[Values, Values, float, int]:
    """The start (N_X,) that meets the stretch best, searched from x on; what devices are off by, as in
    ``by_devices``; sum of squares that is left, over the noise, the guess's doubt and the devices', and how
    many residuals there are.

    coarse  noise of at least so many times that of good sensors is taken
    Steps of Levenberg and Marquardt: shorter ones where a whole one makes it worse.
    Raises NotStarted where the motion is lost.
    """
    ends = np.arange(1, STRETCH_BLOCKS + 1)
    least = np.maximum(seen.sigma, coarse * np.array([reading.floor for reading in seen.readings]))
    apart = np.zeros(N_DEVIATIONS)

    def met(start: Values, off: Values) -> tuple[float, Played, NDArray[np.int64], Values, Values, Values]:
        played = play(model.vehicle, model.course, start, inputs)
        if not np.isfinite(played.states).all():
            none = np.zeros(0)
            return math.inf, played, np.zeros((0, 2), np.int64), none, none, none
        rows, r, sigma = residuals(seen, played, tick, ends)
        sigma *= least[rows[:, 1]] / seen.sigma[rows[:, 1]]
        devices = by_devices(seen, played, rows)
        if not len(off):
            off = np.zeros(devices.shape[1])
        r -= devices @ off
        difference(start, guess, apart)
        cost = float(np.sum((r / sigma) ** 2) + np.sum((apart / _DOUBT) ** 2) + off @ off)
        return cost, played, rows, r, sigma, devices

    off = np.zeros(0)
    cost, played, rows, r, sigma, devices = met(x, off)
    if not math.isfinite(cost):
        raise NotStarted("the model does not ride on from there")
    off = np.zeros(devices.shape[1])
    around = model.around._replace(over=np.zeros(0))
    one, crept = np.eye(N_DEVIATIONS + len(off)), 0
    for _ in range(_STEPS):
        grown = growth(around, played, inputs[:, TORQUE], one_sided=True)
        by = np.hstack([_by_start(seen, played, grown, rows) * _DOUBT, devices]) / sigma[:, None]
        difference(x, guess, apart)
        # the guess pulls back with the doubt in it: what the stretch says nothing of stays there
        pull = np.concatenate([r / sigma, -apart / _DOUBT, -off])
        triangle = Triangle(np.vstack([by, one]), pull)
        for held in _HELD:
            change = triangle.solved(held)
            tried = x.copy()
            for k in range(N_DEVIATIONS):
                shift(tried, k, float(change[k] * _DOUBT[k]))
            tried_off = off + change[N_DEVIATIONS:]
            found = met(tried, tried_off)
            if found[0] < cost:
                break
        else:
            break
        gained = cost - found[0]
        x, off, (cost, played, rows, r, sigma, devices) = tried, tried_off, found
        if gained < _SETTLED:  # held or not: what creeps on by less changes nothing
            break
        crept = crept + 1 if gained < _CREEPS * cost else 0
        if crept == _CREPT:
            break
    return x, off, cost, len(r)


def _answer(by: Rows, devices: Values, sigma: Values) -> Values:
    """How the start follows the residuals (41, m): the linear Bayes estimate, by QR of all over its noise.

    devices  (m, q) of what is estimated with it
    """
    matrix = np.hstack([by.start * _DOUBT, devices]) / sigma[:, None]
    Q, R = np.linalg.qr(np.vstack([matrix, np.eye(matrix.shape[1])]))
    solved = np.linalg.solve(R, Q[: len(sigma)].T)[:N_DEVIATIONS]
    return np.asarray(_DOUBT[:, None] * solved / sigma)


def _guess(seen: Measured, model: Model, turns: SteadyTurns, tick: int, treads: Values) -> Values:
    """The steady motion of that speed and lean, put where the record is and turned as it is."""
    roll, speed = seen.at("roll", tick), _speed(seen, tick)
    if not math.isfinite(roll) or not math.isfinite(speed):
        raise NotStarted("no lean or no speed is recorded there")
    if speed < 3.0:
        raise NotStarted("slower than 3 m/s")
    base = _steady(turns, speed, roll)
    x, body = base.x.copy(), model.vehicle.body[0]
    east, north = seen.near("x", tick), seen.near("y", tick)
    heading = seen.near("heading", tick)
    if not math.isfinite(heading):
        heading = seen.near("course", tick) - base.drift
    if not all(map(math.isfinite, (east, north, heading))):
        raise NotStarted("no place or no heading is recorded there")
    line = model.course.line
    station, offset, _ = locate(line, east, north, np.nan)
    profile, height, rise_x, rise_y = model.course.profile, 0.0, 0.0, 0.0
    if profile.uneven:
        vx, vy = speed * math.cos(heading), speed * math.sin(heading)
        height, rise_x, rise_y = plane_under(profile, line, station, offset, east, north, vx, vy, TICK_S)
    slope = rise_x * math.cos(heading) + rise_y * math.sin(heading)
    w, a, b, c = base.x[QUATERNION : QUATERNION + 4]
    pitch = math.asin(2.0 * (w * b - a * c)) - math.atan(slope)
    quaternion_of(roll, pitch, heading, x[QUATERNION : QUATERNION + 4])
    x[POSITION], x[POSITION + 1] = east, north
    x[POSITION + 2] += height + rise_x * east + rise_y * north
    course = heading + base.drift
    x[VELOCITY : VELOCITY + 3] = rotate_back(
        rotation_of(*x[QUATERNION : QUATERNION + 4]),
        speed * math.cos(course),
        speed * math.sin(course),
        speed * slope,
    )
    radii = {REAR_WHEEL: REAR, FRONT_WHEEL: FRONT}
    for key, joint in (("wheel_rear", REAR_WHEEL), ("wheel_front", FRONT_WHEEL)):
        found = [reading for reading in seen.readings if reading.key == key]
        if found and math.isfinite(known := seen.at(key, tick)):
            over = 1.0 if found[0].unit == "rad/s" else float(model.vehicle.tyre[radii[joint]]["radius"])
            x[JOINT_RATE + joint] = known / over
    for key, at in (("roll_rate", OMEGA), ("pitch_rate", OMEGA + 1), ("yaw_rate", OMEGA + 2)):
        if math.isfinite(known := seen.at(key, tick)):
            x[at] = known
    if math.isfinite(known := seen.at("steer", tick)):
        x[JOINT + STEER] = known
    if math.isfinite(known := seen.at("fork", tick)):
        x[JOINT + FORK] = known - float(body["fork_design_travel"])
    _driveline(seen, model, tick, x)
    for which, end in ((REAR, "rear"), (FRONT, "front")):
        known = seen.at(f"tread_{end}", tick) - float(model.vehicle.tyre[which]["tread_best_temperature"])
        x[TREAD + which] = known if math.isfinite(known) else treads[which]
    return x


def _driveline(seen: Measured, model: Model, tick: int, x: Values) -> None:
    """Engine and twists of clutch and brakes as they are while nothing slips but the brakes."""
    body, row = model.vehicle.body[0], seen.inputs[tick]
    sprockets = float(body["final_drive_rear_radius"] / body["final_drive_front_radius"])
    ratio = float(gear_ratio(body, int(row[GEAR]))) * sprockets
    if ratio > 0.0:
        x[ENGINE] = x[JOINT_RATE + REAR_WHEEL] * ratio * float(body["gearbox_primary"])
    if math.isfinite(known := seen.at("engine", tick)):
        x[ENGINE] = known
    if ratio > 0.0:
        # the crankshaft is light: what the engine gives goes through the clutch, up to what that holds
        most = float(clutch_capacity(body, row[CLUTCH]))
        held = float(body["gearbox_primary"]) * float(engine_torque(body, x[ENGINE], row[THROTTLE], 0.0))
        x[CLUTCH_TWIST] = min(most, max(-most, held)) / float(body["clutch_stiffness"])
    for twist, pressure, end in (
        (BRAKE_TWIST_FRONT, BRAKE_FRONT, "front"),
        (BRAKE_TWIST_REAR, BRAKE_REAR, "rear"),
    ):
        x[twist] = float(body[f"brakes_{end}_gain"]) * row[pressure] / float(body["brakes_stiffness"])


def _speed(seen: Measured, tick: int) -> float:
    found = seen.at("speed", tick)
    return found if math.isfinite(found) else seen.at("wheel_front", tick)


def _steady(turns: SteadyTurns, speed: float, roll: float) -> Steady:
    """The steady motion near, at round figures so that few have to be found; where none is, a lesser lean."""
    at = max(3.0, round(speed))
    lean = math.radians(round(math.degrees(roll) / 4.0) * 4.0)
    while True:
        try:
            return turns.at(float(at), lean)
        except NoEquilibrium as error:
            if abs(lean) < math.radians(3.0):
                raise NotStarted(f"no steady motion near it: {error}") from error
            lean -= math.copysign(math.radians(4.0), lean)


def seconds(ticks: int) -> float:
    """Ticks as seconds."""
    return ticks * TICK_NS * 1e-9
