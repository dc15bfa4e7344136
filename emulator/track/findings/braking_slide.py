"""A wheel that slides under the brakes, as a record shows it, and what grip was there.

A wheel slides where it turns slower than the ground goes by more than its tyre's peak allows. The ground's
speed is that of the wheels while they roll, carried on by the force along while one of them does not. How
large a slip that is, is the tyre's own: of a brush whose force grows by k of the load for each slip all of
the contact slides at 3 mu / k on a road of grip 1, sooner on any other (any book on tyres, from memory).

What the axle that slides holds follows from the forces along and across::

    front load  = (front share) + (deceleration / g) (height / wheelbase)    of the weight
    front force = (deceleration - drag / mass) / g - (what the rear axle brakes)

The rear axle brakes by its pressure and by the engine. The engine's part is what was missing of the
deceleration before anything slid; where pressures were not recorded, a quarter is the rear's, from nothing to
a half (common practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Literal, NamedTuple

import numpy as np

from emulator.core.constants import GRAVITY
from emulator.record.reader import Run
from emulator.track.findings.seen import FindingError, Seen, STEP_s, Values, on_grid
from emulator.vehicle.equilibrium import AIR_DENSITY
from emulator.vehicle.params import Vehicle
from emulator.vehicle.whole.mass_properties import mass_properties

NEAR_s = 1.0
"""How far from the instant named a wheel may begin to slide."""
_GATE, _LEAST_GATE_m_s = 0.04, 0.4  # a wheel that differs more from the ground does not roll
_FOLLOWS_per_s = 4.0
_ALIKE_m_s2, _FOR_LONG_s = 1.5, 0.2
_LASTS_s, _LONGEST_s = 0.05, 1.0
_BEGINS = 0.03  # of slip, beyond that which braking had before
_ENDS = 0.5  # of the slip at which all of the contact slides
_OWN_s = (1.0, 0.5)
_FALLS_rad = 0.26  # as in slide
_LEANS_rad = 0.09  # what rolls says little of the road
_JUMP_m_s2 = 450.0  # no brake stops a wheel faster: a sensor went silent
_SLOWEST_m_s = 4.0
_PRESSED_Pa, _BRAKES_m_s2 = 0.3e5, 0.7
_BEARS = 0.08  # of the weight: a wheel that bears less says nothing of the road
_REAR_PART, _MOST_REAR_PART = 0.25, 0.5
_ENGINE_OFF = 0.3  # of the engine's part; common practice, no source
_FRICTION_OFF = 0.15  # a tread cold, warm or worn; common practice, no source
_FORCE_OFF_m_s2 = 0.2  # of the force along, once read by the wheels; common practice, no source
_ASKED_AFTER_s = 0.15

Axle = Literal["front", "rear"]


class Bike(NamedTuple):
    """What of a bike the estimate needs [SI]; pairs are front and rear.

    front_share  [1]  of the weight, on the front wheel;  transfer  [1] height over wheelbase
    drag         [1/m] deceleration by the air over the speed squared
    per_pressure [1/Pa] braking force over the weight, by each brake's pressure
    full_slip    [1]  at which all of a contact slides on a road of grip 1
    friction     [1]  along and across, the mean, on a road of grip 1
    """

    mass: float
    front_share: float
    transfer: float
    wheelbase: float
    drag: float
    per_pressure: tuple[float, float]
    full_slip: tuple[float, float]
    friction: tuple[float, float]
    treads: tuple[Mapping[str, float], Mapping[str, float]]

    @staticmethod
    def of(values: dict[str, dict[str, float]], vehicle: Vehicle) -> Bike:
        """From a vehicle file's values, and the same vehicle with the robot on it."""
        built = mass_properties(vehicle)
        ends = [(end, values[f"tyre_{end}"]) for end in ("front", "rear")]
        weight = built.mass * GRAVITY
        gains = [values["brakes"][f"{end}_gain"] / tyre["radius"] / weight for end, tyre in ends]
        slips = [3.0 * tyre["friction_x"] / tyre["slip_stiffness_per_load"] for _, tyre in ends]
        frictions = [0.5 * (tyre["friction_x"] + tyre["friction_y"]) for _, tyre in ends]
        return Bike(
            built.mass,
            built.front_share,
            built.height / built.wheelbase,
            built.wheelbase,
            0.5 * AIR_DENSITY * values["air"]["drag_area"] / built.mass,
            (gains[0], gains[1]),
            (slips[0], slips[1]),
            (frictions[0], frictions[1]),
            (values.get("tread_front", {}), values.get("tread_rear", {})),
        )


class Braking(NamedTuple):
    """What a record shows of the brakes on the grid of what was seen; all (n,), NaN where unknown.

    pressures   [Pa]    front and rear, at the lever or as commanded
    along       [m/s2]  horizontal acceleration, less what the wheels say that its bias, the slope and the
                        mounting add, pitch taken out
    ground      [m/s]   speed over ground
    slips       [1]     of the front and the rear wheel, positive where it turns too slowly
    """

    pressures: tuple[Values, Values]
    along: Values
    ground: Values
    slips: tuple[Values, Values]


class BrakingSlide(NamedTuple):
    """A wheel that slides under the brakes.

    from_s, to_s   [s]     of the record; to_s None: it did not end by itself
    tyre                   that slid first;  both  the other one slid as well
    locked                 whether the wheel stood still
    released_s     [s]     when the brake was let go, by which it ended; None: it was not let go before
    braked_from_s  [s]     when braking began
    before_m_s     [m/s]   speed there
    deceleration   [m/s2]  asked of the bike when it let go
    alone          [Pa]    of that wheel's brake, where it alone was applied; None: it was not, or is unknown
    least, grip, most [1]  grip of the road
    """

    from_s: float
    to_s: float | None
    tyre: Axle
    both: bool
    locked: bool
    released_s: float | None
    braked_from_s: float
    before_m_s: float
    deceleration: float
    alone: float | None
    least: float
    grip: float
    most: float


def braking_around(run: Run, seen: Seen, at_s: float) -> Braking:
    """What a record shows of the brakes. Raises FindingError: it has no wheels or no force along."""
    needed = ("output.wheel_front_m_s", "output.wheel_rear_m_s", "output.force_x_m_s2")
    if missing := [name for name in needed if name not in run.signals]:
        raise FindingError(
            f"{run.folder} has no {', '.join(missing)}, without which no wheel can be said to slide",
            advice="map both wheel speeds and the inertial unit's force along",
        )
    of = on_grid(run, seen.time_s)
    pressures = tuple(
        of(f"output.{end}_brake_line_Pa", f"actuator.{end}_brake_Pa", f"robot.{end}_brake_Pa")
        for end in ("front", "rear")
    )
    before = seen.time_s < at_s - NEAR_s
    pitching = of("truth.pitch_rate_rad_s", "output.rate_y_rad_s") * np.cos(seen.lean)
    pitching -= of("truth.yaw_rate_rad_s") * np.sin(seen.lean)
    pitch = np.cumsum(np.nan_to_num(pitching)) * STEP_s  # nose down positive
    along = seen.along + GRAVITY * pitch
    wheels = (seen.front, seen.rear)
    # where both slow down alike neither slides, nor is its sensor silent or frozen
    slopes = [np.gradient(_smoothed(wheel), STEP_s) for wheel in wheels]
    with np.errstate(invalid="ignore"):
        rolling = before & (np.abs(slopes[0] - slopes[1]) < _ALIKE_m_s2) & (seen.speed > _SLOWEST_m_s)
    rolls = [_ratio(wheel, seen.speed, rolling) for wheel in wheels]
    slope = slopes[1] * rolls[1]
    usable = rolling & np.isfinite(slope) & np.isfinite(along)
    if usable.sum() < round(0.5 / STEP_s):
        raise FindingError(
            f"less than half a second of riding is known before {at_s:g} s, which the force along is read by",
            advice="take another instant",
        )
    along = along - float(np.median((along - slope)[usable]))
    known = [wheel * ratio for wheel, ratio in zip(wheels, rolls, strict=True)]
    ground = _carried_on(float(np.nanmedian(seen.speed[:10])), along, known)
    with np.errstate(divide="ignore", invalid="ignore"):
        slips = [np.where(ground > _SLOWEST_m_s, 1.0 - wheel / ground, np.nan) for wheel in known]
    return Braking((pressures[0], pressures[1]), along, ground, (slips[0], slips[1]))


def find_braking_slide(run: Run, seen: Seen, at_s: float, bike: Bike) -> BrakingSlide:
    """The slide under the brakes near an instant. Raises FindingError: there is none, or it tells nothing."""
    braking = braking_around(run, seen, at_s)
    near = np.flatnonzero(np.abs(seen.time_s - at_s) <= NEAR_s)
    found = [
        start
        for axle in (0, 1)
        if (start := _begins(seen, braking, axle, bike.full_slip[axle], near[0], near[-1])) is not None
    ]
    if not found:
        raise FindingError(
            f"no wheel slides under the brakes within {NEAR_s:g} s of {at_s:g} s: none turns slower than the "
            f"ground by {bike.full_slip[0]:.0%} while the bike brakes",
            advice="see the report for the instant, or take another kind with --as",
        )
    k, axle = min(found)
    return _slide(seen, braking, bike, k, axle, [start for start, other in found if other != axle])


def _begins(
    seen: Seen, braking: Braking, axle: int, full: float, first: int, last: int
) -> tuple[int, int] | None:
    """(row, axle) at which a wheel begins to slide between two rows."""
    slip, lasts = braking.slips[axle], round(_LASTS_s / STEP_s)
    wheel = (seen.front, seen.rear)[axle]
    with np.errstate(invalid="ignore"):
        beyond = slip > full
    k = first
    while k <= min(last, len(slip) - lasts - 1):
        if not (beyond[k : k + lasts].all() and _brakes(braking, axle, k)):
            k += 1
            continue
        # slip that was there before is the braking's own
        own = slip[max(k - round(_OWN_s[0] / STEP_s), 0) : max(k - round(_OWN_s[1] / STEP_s), 1)]
        own_slip = float(np.nanmedian(own)) if np.isfinite(own).any() else 0.0
        calm = np.flatnonzero(~(slip[: k + 1] > max(own_slip, 0.0) + _BEGINS))
        begins = int(calm[-1]) + 1 if len(calm) else 0
        fell = np.diff(wheel[max(begins - 2, 0) : k + lasts]) / STEP_s
        if np.isfinite(fell).all() and fell.min() > -_JUMP_m_s2:
            return begins, axle
        back = np.flatnonzero(~beyond[k:])  # a sensor that went silent; behind it may be a slide
        k += int(back[0]) if len(back) else len(slip)
    return None


def _brakes(braking: Braking, axle: int, k: int) -> bool:
    """Whether a wheel is braked at a row: by its pressure, where that is unknown by the bike slowing."""
    since = slice(max(k - round(0.2 / STEP_s), 0), k + 1)
    pressure = braking.pressures[axle][since]
    if np.isfinite(pressure).any():
        return bool(np.nanmax(pressure) > _PRESSED_Pa)
    return bool(braking.along[since].min() < -_BRAKES_m_s2)


def _slide(seen: Seen, braking: Braking, bike: Bike, k: int, axle: int, others: list[int]) -> BrakingSlide:
    slip, full = braking.slips[axle], bike.full_slip[axle]
    last = min(k + round(_LONGEST_s / STEP_s), len(slip) - 1)
    with np.errstate(invalid="ignore"):
        rolling = slip < _ENDS * full
        beyond = np.flatnonzero(slip[k : last + 1] > full)
    crossed = k + int(beyond[0])
    held = np.convolve(rolling[crossed:], np.ones(round(_LASTS_s / STEP_s)), mode="valid")
    back = np.flatnonzero(held > round(_LASTS_s / STEP_s) - 0.5)
    ends = crossed + int(back[0]) if len(back) else None
    leans = np.abs(seen.lean[k:] - seen.lean[k])
    fallen, leaned = np.flatnonzero(leans > _FALLS_rad), np.flatnonzero(leans > _LEANS_rad)
    if len(fallen) and (ends is None or k + fallen[0] < ends):
        ends = None
    if len(leaned):
        last = min(last, max(k + int(leaned[0]), crossed + 3))
    if ends is not None:
        last = min(last, ends)
    began = _braked_from(braking, k)
    engine = _engine(braking, bike, began, k)
    both = [start for start in others if start < last]
    with np.errstate(invalid="ignore"):
        other_slides = braking.slips[1 - axle] > bike.full_slip[1 - axle]
    inside = np.arange(crossed, last + 1)
    # until the other wheel is where this one began to slide, it rolls on another road
    arrived = k + round(bike.wheelbase / max(braking.ground[k], _SLOWEST_m_s) / STEP_s)
    if (inside >= arrived).sum() >= 10:
        inside = inside[inside >= arrived]
    at_once = braking.pressures[axle][max(k - round(_LASTS_s / STEP_s), 0) : k + 3]
    asked = float(at_once.max()) * bike.per_pressure[axle]
    used = _held(seen, braking, bike, axle, engine, inside, other_slides[inside], asked)
    if used is None:
        raise FindingError(
            f"the {('front', 'rear')[axle]} wheel that slides at {seen.time_s[k]:.2f} s bears hardly any "
            "load, so that it says nothing of the road",
            advice="look for it among the wheels that lift: a criterion no_fall of a braking manoeuvre",
        )
    least, grip, most = used
    late = slice(k, min(k + round(_ASKED_AFTER_s / STEP_s), len(slip)))
    before = -float(np.median(braking.along[max(k - round(0.2 / STEP_s), began) : k + 1]))
    by_hand = [np.nan_to_num(p[late]).max() * gain for p, gain in zip(braking.pressures, bike.per_pressure,
                                                                     strict=True)]  # fmt: skip
    pressure, other = (float(np.max(braking.pressures[which][late])) for which in (axle, 1 - axle))
    return BrakingSlide(
        float(seen.time_s[k]),
        None if ends is None else float(seen.time_s[ends]),
        "front" if axle == 0 else "rear",
        bool(both),
        bool((np.nan_to_num(slip[k : last + 1]) > 0.95).any()),
        None if ends is None else _let_go(seen, braking.pressures[axle], crossed, ends),
        float(seen.time_s[began]),
        float(braking.ground[began]),
        max(before, GRAVITY * (sum(by_hand) + engine)),
        pressure if pressure > _PRESSED_Pa > other else None,
        least,
        grip,
        most,
    )


def _held(
    seen: Seen, braking: Braking, bike: Bike, axle: int, engine: float, rows: Any, both: Any, asked: float
) -> tuple[float, float, float] | None:
    """Least, estimated and greatest grip by what the axle held in rows; None: it hardly bore load."""
    total = -(braking.along[rows] + bike.drag * braking.ground[rows] ** 2) / GRAVITY
    moved = total * bike.transfer * np.cos(seen.lean[rows])
    share = bike.front_share + moved if axle == 0 else 1.0 - bike.front_share - moved
    if float(np.median(share)) < _BEARS:
        return None
    share = np.maximum(share, _BEARS)
    still = bike.front_share if axle == 0 else 1.0 - bike.front_share
    across = seen.axle_across[axle][rows] * still / share
    tread, speed = bike.treads[axle], np.clip(braking.slips[axle][rows], 0.0, 1.0) * braking.ground[rows]
    rest = tread.get("sliding_friction", 1.0)
    left = rest + (1.0 - rest) * np.exp(-speed / tread.get("sliding_speed", 1.0))
    over = share * bike.mass * GRAVITY / tread.get("nominal_load", math.inf) - 1.0
    friction = bike.friction[axle] * left * (1.0 - tread.get("friction_per_load", 0.0) * over)
    lows, middles, highs = (
        np.hypot(np.maximum((total - other) / share, total if axle == 0 else 0.0), across) / friction
        for other in _others(braking, bike, axle, engine, rows, total)
    )
    # where both slide they hold as much of their loads on one road, whoever brakes how much
    whole = np.hypot(total, seen.across[rows] / GRAVITY) / friction
    lows, middles, highs = (np.where(both, whole, part) for part in (lows, middles, highs))
    middle = float(np.median(middles))
    most = max(middle, float(np.percentile(highs, 90)))
    if np.isfinite(asked):  # more than what was asked of it there was not; its load follows later
        bears = min(still, float(share[0]))
        most = max(middle, math.hypot(asked / bears, float(across[0])) / bike.friction[axle])
    least = min(middle, float(np.percentile(lows, 10)))
    off = _FORCE_OFF_m_s2 / GRAVITY / float(np.median(friction))
    return max((1.0 - _FRICTION_OFF) * least - off, 0.01), middle, (1.0 + _FRICTION_OFF) * most + off


def _others(
    braking: Braking, bike: Bike, axle: int, engine: float, rows: Any, total: Values
) -> tuple[Values, Values, Values]:
    """What the other axle brakes, over the weight: at most, probably, at least."""
    other = braking.pressures[1 - axle][rows] * bike.per_pressure[1 - axle]
    if not np.isfinite(other).all():
        part = (_MOST_REAR_PART, _REAR_PART, 0.0) if axle == 0 else (1.0, 0.75, 0.5)
        return (part[0] * total, part[1] * total, part[2] * total)
    if axle == 1:
        return other * (1.0 + _FRICTION_OFF), other, other * (1.0 - _FRICTION_OFF)
    slack = _ENGINE_OFF * engine + 0.02
    return other + engine + slack, other + engine, np.maximum(other + engine - slack, 0.0)


def _engine(braking: Braking, bike: Bike, began: int, k: int) -> float:
    """What the closed throttle brakes, over the weight: what pressures leave of the deceleration before."""
    rows = slice(max(k - round(0.5 / STEP_s), began), max(k - round(0.05 / STEP_s), began + 1))
    total = -(braking.along[rows] + bike.drag * braking.ground[rows] ** 2) / GRAVITY
    by_hand = sum(p[rows] * gain for p, gain in zip(braking.pressures, bike.per_pressure, strict=True))
    rest = float(np.median(total - by_hand))
    return min(max(rest, 0.0), 0.3) if math.isfinite(rest) else 0.0


def _let_go(seen: Seen, pressure: Values, crossed: int, ends: int) -> float | None:
    """When [s] a brake that slid at a row had less than half of its pressure, before another one."""
    let_go = np.flatnonzero(pressure[crossed : ends + 1] < 0.5 * pressure[crossed])
    return float(seen.time_s[crossed + let_go[0]]) if len(let_go) else None


def _braked_from(braking: Braking, k: int) -> int:
    """Row at which the braking began that lasts until a row."""
    pressure = np.nan_to_num(braking.pressures[0]) + np.nan_to_num(braking.pressures[1])
    off = ~((pressure > _PRESSED_Pa) | (braking.along < -_BRAKES_m_s2))
    rows = np.flatnonzero(off[:k])
    return min(int(rows[-1]) + 1, k) if len(rows) else 0


def _smoothed(wheel: Values) -> Values:
    """Over a tenth of a second; NaN around what is missing."""
    return np.convolve(wheel, np.full(11, 1.0 / 11.0), mode="same")


def _ratio(wheel: Values, speed: Values, rows: Any) -> float:
    """Speed over ground for each of a wheel's while it rolls."""
    usable = rows & np.isfinite(wheel) & np.isfinite(speed) & (wheel > _SLOWEST_m_s)
    return float(np.median(speed[usable] / wheel[usable])) if usable.any() else 1.0


def _carried_on(speed: float, along: Values, wheels: list[Values]) -> Values:
    """(n,) [m/s] the ground's speed: the wheels' while they roll, by the acceleration where they do not.

    Both roll, whatever was believed before, where for a while they are alike and slow down as the bike does.
    """
    out = np.empty(len(along))
    steps = np.nan_to_num(along) * STEP_s
    front, rear = wheels
    with np.errstate(invalid="ignore"):
        gates = np.maximum(_GATE * front, _LEAST_GATE_m_s)
        alike = (np.abs(front - rear) < gates) & (front > _SLOWEST_m_s)
        for wheel in wheels:
            alike &= np.abs(np.gradient(_smoothed(wheel), STEP_s) - along) < _ALIKE_m_s2
    for_long = 0
    for k in range(len(along)):
        speed = max(speed + float(steps[k]), 0.0)
        for_long = for_long + 1 if alike[k] else 0
        if for_long > _FOR_LONG_s / STEP_s and abs(speed - front[k]) > gates[k]:
            speed = max(float(front[k]), float(rear[k]))
        gate = max(_GATE * speed, _LEAST_GATE_m_s)
        off = [float(wheel[k]) - speed for wheel in wheels]
        rolling = [one for one in off if abs(one) < gate]
        if rolling:
            speed += _FOLLOWS_per_s * STEP_s * max(rolling)
        out[k] = speed
    return out
