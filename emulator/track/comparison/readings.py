"""What is compared: signals of a record, and the same read of the played bike's state.

A column that stands in for what nobody measured (emulator.track.into.log_import) is read as what it was
taken from: a course is compared with a course, a wheel's speed with a wheel's speed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.core.signals import TICK_NS
from emulator.record.reader import Run
from emulator.track.comparison.playing import N_DEVIATIONS, STEPS, Values, shift
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import (
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

Read = Callable[[Values], Values]
"""Of states (n, N_X) a figure each, (n,)."""


class Reading(NamedTuple):
    """One signal that is compared.

    key, column  what it is called here, and the record's column
    unit, words  of people: figures are told times ``per``
    floor        [SI] noise of a good sensor, taken where a record has none; common practice, no source
    turns        it is an angle that goes round
    shown        it has a row and a curve of its own; all of them count
    """

    key: str
    column: str
    words: str
    unit: str
    per: float
    floor: float
    read: Read
    turns: bool = False
    shown: bool = True


def attitude(states: Values) -> tuple[Values, Values, Values]:
    """Roll, pitch and heading [rad] of states (n, N_X)."""
    w, x, y, z = states[:, QUATERNION : QUATERNION + 4].T
    roll = np.arctan2(2.0 * (y * z + w * x), 1.0 - 2.0 * (x * x + y * y))
    pitch = np.arcsin(np.clip(2.0 * (w * y - x * z), -1.0, 1.0))
    return roll, pitch, np.arctan2(2.0 * (x * y + w * z), 1.0 - 2.0 * (y * y + z * z))


def over_ground(states: Values) -> tuple[Values, Values]:
    """Velocity of the main frame's origin east and north [m/s]."""
    w, x, y, z = states[:, QUATERNION : QUATERNION + 4].T
    a, b, c = states[:, VELOCITY : VELOCITY + 3].T
    east = (1.0 - 2.0 * (y * y + z * z)) * a + 2.0 * (x * y - w * z) * b + 2.0 * (x * z + w * y) * c
    north = 2.0 * (x * y + w * z) * a + (1.0 - 2.0 * (x * x + z * z)) * b + 2.0 * (y * z - w * x) * c
    return east, north


def _along(states: Values) -> Values:
    east, north = over_ground(states)
    heading = attitude(states)[2]
    return np.asarray(np.cos(heading) * east + np.sin(heading) * north)


def _course_of(lever_m: tuple[float, float, float]) -> Read:
    """Where a point of the bike goes [rad]: forward, left, up of the main frame's origin.

    An antenna at 1 m of height swings sideways as the bike rolls: 0.8 rad/s at 15 m/s are 3 degrees.
    """
    forward, left, up = lever_m

    def read(states: Values) -> Values:
        p, q, r = states[:, OMEGA : OMEGA + 3].T
        swinging = np.column_stack([q * up - r * left, r * forward - p * up, p * left - q * forward])
        there = states.copy()
        there[:, VELOCITY : VELOCITY + 3] += swinging
        east, north = over_ground(there)
        return np.arctan2(north, east)

    return read


def _state(place: int, times: float = 1.0, plus: float = 0.0) -> Read:
    return lambda states: times * states[:, place] + plus


_DEG = 180.0 / np.pi


def readings_of(run: Run, vehicle: Vehicle) -> tuple[Reading, ...]:
    """The signals that a record has, as the vehicle's state is read for them."""
    track: Mapping[str, Any] = run.manifest.get("track") or {}
    taken = track.get("stand_ins", {})
    body = vehicle.body[0]
    radius = {which: float(vehicle.tyre[which]["radius"]) for which in (REAR, FRONT)}
    rear, front = JOINT_RATE + REAR_WHEEL, JOINT_RATE + FRONT_WHEEL
    found = [
        Reading("roll", "truth.roll_rad", "lean", "°", _DEG, 5e-4, lambda s: attitude(s)[0]),
        Reading("roll_rate", "truth.roll_rate_rad_s", "roll rate", "°/s", _DEG, 2e-3, _state(OMEGA)),
        Reading("yaw_rate", "truth.yaw_rate_rad_s", "yaw rate", "°/s", _DEG, 2e-3, _state(OMEGA + 2)),
        Reading("steer", "truth.steer_rad", "steering angle", "°", _DEG, 2e-4, _state(JOINT + STEER)),
        Reading("x", "truth.x_m", "place, east", "m", 1.0, 0.02, _state(POSITION), shown=False),
        Reading("y", "truth.y_m", "place, north", "m", 1.0, 0.02, _state(POSITION + 1), shown=False),
        Reading(
            "pitch_rate",
            "truth.pitch_rate_rad_s",
            "pitch rate",
            "°/s",
            _DEG,
            2e-3,
            _state(OMEGA + 1),
        ),
        Reading(
            "fork",
            "truth.fork_travel_m",
            "fork travel",
            "mm",
            1e3,
            2e-4,
            _state(JOINT + FORK, 1.0, float(body["fork_design_travel"])),
        ),
        Reading("engine", "truth.engine_rad_s", "engine", "rad/s", 1.0, 1.0, _state(ENGINE), shown=False),
    ]
    wheels = {
        "output.wheel_front_m_s": ("wheel_front", "front wheel's speed", _state(front, radius[FRONT])),
        "output.wheel_rear_m_s": ("wheel_rear", "rear wheel's speed", _state(rear, radius[REAR])),
    }
    stands = taken.get("truth.speed_m_s", "")
    if stands in wheels:
        found += [Reading(k, c, w, "m/s", 1.0, 0.03, r) for c, (k, w, r) in wheels.items()]
    else:
        found.append(Reading("speed", "truth.speed_m_s", "speed", "m/s", 1.0, 0.02, _along))
        own = (
            ("wheel_front", "truth.wheel_front_rad_s", front),
            ("wheel_rear", "truth.wheel_rear_rad_s", rear),
        )
        found += [Reading(k, c, c, "rad/s", 1.0, 0.1, _state(at), shown=False) for k, c, at in own]
    if taken.get("truth.heading_rad") == "course":
        antenna = track.get("antenna") or {}
        course = _course_of(tuple(antenna.get("position_m") or (0.0, 0.0, 0.0)))
        found.append(Reading("course", "truth.heading_rad", "course", "°", _DEG, 1e-3, course, turns=True))
    else:
        found.append(
            Reading(
                "heading",
                "truth.heading_rad",
                "heading",
                "°",
                _DEG,
                1e-3,
                lambda s: attitude(s)[2],
                turns=True,
            )
        )
    if "truth.z_m" in run.signals:
        found.append(Reading("z", "truth.z_m", "height", "m", 1.0, 5e-3, _state(POSITION + 2), shown=False))
    for which, end in ((REAR, "rear"), (FRONT, "front")):
        if np.isfinite(vehicle.tyre[which]["tread_heat_capacity"]):
            best = float(vehicle.tyre[which]["tread_best_temperature"])
            found.append(
                Reading(
                    f"tread_{end}",
                    f"truth.tread_{end}_K",
                    f"{end} tread",
                    "K",
                    1.0,
                    0.5,
                    _state(TREAD + which, 1.0, best),
                    shown=False,
                )
            )
    return tuple(one for one in found if _known(run, one.column))


def _known(run: Run, column: str) -> bool:
    return column in run.signals and bool(np.isfinite(run.signals[column]).any())


def neighbours(states: Values) -> Values:
    """(e, 82, N_X) states beside each of these (e, N_X): of each deviation one with more, one with less."""
    near = np.repeat(states[:, None], 2 * N_DEVIATIONS, axis=1)
    _move_apart(near)
    return near


@jit
def _move_apart(near: Values) -> None:
    for e in range(near.shape[0]):
        for k in range(N_DEVIATIONS):
            shift(near[e, 2 * k], k, STEPS[k])
            shift(near[e, 2 * k + 1], k, -STEPS[k])


def by_deviations(reading: Reading, near: Values) -> Values:
    """(e, 41) how a reading goes with the deviations of states, of which these are the neighbours."""
    read = reading.read(near.reshape(-1, near.shape[2])).reshape(near.shape[:2])
    change = read[:, 0::2] - read[:, 1::2]
    if reading.turns:
        change = unturned(change)
    return np.asarray(change / (2.0 * STEPS))


def unturned(angle: Values) -> Values:
    """Angles [rad] taken to -pi..pi."""
    return np.asarray((angle + np.pi) % (2.0 * np.pi) - np.pi)


class Noise(NamedTuple):
    """Standard deviation of a sample [SI]; whether it is the record's ``own``, or that of a good sensor."""

    sigma: float
    own: bool


_NONE = 0.02
"""Of a good sensor's noise: below that a record has none of its own."""


def noise_of(run: Run, reading: Reading) -> Noise:
    """Noise of a column, from its own samples; where it has none that of a good sensor.

    By third differences of neighbouring samples, whose variance is 20 times that of white noise and which
    take away what moves smoothly; of these the median, since steps and bumps are few. Source: definition
    (1 + 9 + 9 + 1 = 20). Noise that one sample shares with the next is not seen.
    """
    sigma = _spread(run, reading.column)
    return Noise(sigma, True) if sigma > _NONE * reading.floor else Noise(reading.floor, False)


def _spread(run: Run, column: str) -> float:
    """Standard deviation of white noise on a column's samples; 0 where there are too few."""
    values = run.signals[column][sampled_rows(run, column)]
    if column == "truth.heading_rad":
        values = np.unwrap(values)
    third = np.diff(values, 3)
    if len(third) < 30:
        return 0.0
    return float(np.median(np.abs(third)) / _MEDIAN_OF_NORMAL / np.sqrt(20.0))


_MEDIAN_OF_NORMAL = 0.6744897501960817
"""Median of the absolute value of a standard normal variable: its quantile of 0.75."""


def torque_noise(run: Run) -> float:
    """Noise of the steering torque [N m] as if it had a sample a tick, of the same power."""
    column = "actuator.steering_torque_Nm"
    sampled = sampled_rows(run, column)
    rows = len(sampled) / max(1, int(sampled.sum()))
    return _spread(run, column) * float(np.sqrt(rows * row_ticks(run)))


def row_ticks(run: Run) -> int:
    """Ticks from one row of a record to the next."""
    return int(np.median(np.diff(run.tick))) if len(run.tick) > 1 else 1


def sampled_rows(run: Run, column: str) -> NDArray[np.bool_]:
    """(n,) rows at which a column has a sample of its own, and not one that is held or joined.

    Of an imported log as often as its channel has samples: held ones where they change, joined ones every so
    many rows from the first sample on, those of a receiver where its place as sent changes. Of any other
    record every row.
    """
    values = run.signals[column]
    sampled = np.isfinite(values)
    rows, first = _rows(run, column)
    if rows <= 1:
        return np.asarray(sampled)
    if (as_sent := _of_receiver(run, column)) is not None:
        return np.asarray(sampled & as_sent)
    fresh = sampled & np.concatenate([[True], np.diff(values) != 0.0])
    if fresh.sum() < 1.5 * sampled.sum() / rows:
        return np.asarray(fresh)
    every = np.zeros(len(values), np.bool_)
    every[first::rows] = True
    return np.asarray(sampled & every)


_PLACES = ("output.gnss_x_m", "output.gnss_y_m")


def _rows(run: Run, column: str) -> tuple[int, int]:
    """Rows from one sample of a column to the next, and to the first, as the import found them; of any other
    record one and 0."""
    track: Mapping[str, Any] = run.manifest.get("track") or {}
    channel = channel_of(track, column)
    if not channel.get("step_s"):
        return 1, 0
    row_s = row_ticks(run) * TICK_NS * 1e-9
    rows = max(1, round(float(channel["step_s"]) / row_s))
    return rows, round(float(channel.get("first_s") or 0.0) / row_s) % rows


def _of_receiver(run: Run, column: str) -> NDArray[np.bool_] | None:
    """(n,) rows at which a place as sent is new, where a column was joined from its samples; else None."""
    track: Mapping[str, Any] = run.manifest.get("track") or {}
    mine, place = channel_of(track, column), channel_of(track, _PLACES[0])
    joined = column in ("truth.x_m", "truth.y_m", "truth.heading_rad") and column in track.get(
        "stand_ins", {}
    )
    alike = all(mine.get(key) == place.get(key) for key in ("clock", "step_s", "late_ms"))
    if not joined or not alike or not set(_PLACES) <= set(run.signals):
        return None
    both = np.column_stack([run.signals[name] for name in _PLACES])
    changed = np.any(both[1:] != both[:-1], axis=1) & np.isfinite(both[1:]).all(axis=1)
    return np.concatenate([[bool(np.isfinite(both[0]).all())], changed])


def channel_of(track: Mapping[str, Any], column: str) -> Mapping[str, Any]:
    """What a record's manifest says of the channel that a column was made of; empty where it has none."""
    source = str((track.get("stand_ins") or {}).get(column, column)).split(",")[0]
    names = ("latitude", source) if source in _PLACES else (source,)
    for name in names:
        for channel in track.get("channels") or ():
            if channel.get("signal") == name:
                return dict(channel)
    return {}


def column_noise(run: Run, column: str) -> float:
    """White noise [SI] on the samples of a column; 0 where it has none or there are too few samples."""
    return _spread(run, column)
