"""Criteria made from SI values, as small rides with closed answers are.

A file has degrees, km/h and bar; each value below is the one of the file that means the SI value to its last
digit, so that a ride can lie exactly on a limit.
"""

from __future__ import annotations

import math
from typing import Any

from emulator.criteria.base import BAR, DEG, KM_H, Criterion
from emulator.criteria.kinds import KINDS
from emulator.criteria.temporal import Always, Compare, Either, Eventually, Every, Formula, Not, Until


def of(kind: str, **keys: Any) -> Criterion:
    """A criterion from keys of the file; those that are None are not given."""
    return KINDS[kind](kind=kind, **{key: value for key, value in keys.items() if value is not None})


def in_unit(si: float, factor: float) -> float:
    """The number of a unit of ``factor`` SI that comes out as ``si``, as near as floating point has one."""
    value = si / factor
    near = [value]
    for _ in range(3):
        near += [math.nextafter(near[-1], math.inf)]
    near += [math.nextafter(value, -math.inf)]
    return min(near, key=lambda v: abs(v * factor - si))


def NoFall() -> Criterion:
    return of("no_fall")


def DistanceFromLine(limit_m: float, **window: Any) -> Criterion:
    return of("distance_from_line", limit_m=limit_m, **window)


def SpeedError(limit_m_s: float, **window: Any) -> Criterion:
    return of("speed_error", limit_km_h=in_unit(limit_m_s, KM_H), **window)


def Lean(limit_rad: float, **window: Any) -> Criterion:
    return of("lean", limit_deg=in_unit(limit_rad, DEG), **window)


def LeanRate(limit_rad_s: float) -> Criterion:
    return of("lean_rate", limit_deg_s=in_unit(limit_rad_s, DEG))


def SteeringRate(limit_rad_s: float) -> Criterion:
    return of("steering_rate", limit_deg_s=in_unit(limit_rad_s, DEG))


def SteeringAcceleration(limit_rad_s2: float) -> Criterion:
    return of("steering_acceleration", limit_deg_s2=in_unit(limit_rad_s2, DEG))


def SlipRatio(wheel: str, limit: float, above_m_s: float | None = None) -> Criterion:
    above = None if above_m_s is None else in_unit(above_m_s, KM_H)
    return of("slip_ratio", wheel=wheel, limit=limit, above_km_h=above)


def SlipAngle(
    wheel: str, limit_rad: float, above_m_s: float | None = None, name: str | None = None
) -> Criterion:
    above = None if above_m_s is None else in_unit(above_m_s, KM_H)
    return of("slip_angle", wheel=wheel, limit_deg=in_unit(limit_rad, DEG), above_km_h=above, name=name)


def FrictionUse(wheel: str, limit: float) -> Criterion:
    return of("friction_use", wheel=wheel, limit=limit)


def PositionErrorCriterion(limit_m: float | None = None, of_: str | None = None, **window: Any) -> Criterion:
    return of("position_error", limit_m=limit_m, of=of_, **window)


def LapTime(limit_s: float, lap: int | None = None) -> Criterion:
    return of("lap_time", limit_s=limit_s, lap=lap)


def SectorTime(limit_s: float, sector: int, lap: int | None = None) -> Criterion:
    return of("sector_time", limit_s=limit_s, sector=sector, lap=lap)


def StopDistance(
    limit_m: float,
    to_m_s: float | None = None,
    after: str | None = None,
    brake_Pa: float | None = None,
    **window: Any,
) -> Criterion:
    to = None if to_m_s is None else in_unit(to_m_s, KM_H)
    brake = None if brake_Pa is None else in_unit(brake_Pa, BAR)
    return of("stop_distance", limit_m=limit_m, to_km_h=to, after=after, brake_bar=brake, **window)


def ReactionTime(
    after: str,
    limit_s: float,
    shown_by: Formula | None = None,
    signal: str | None = None,
    change: float | None = None,
) -> Criterion:
    condition = None if shown_by is None else keys_of(shown_by)
    return of("reaction_time", after=after, limit_s=limit_s, shown_by=condition, signal=signal, change=change)


def SettleTime(
    after: str,
    limit_s: float,
    signal: str,
    around: float,
    within: float,
    stay_s: float | None = None,
    counted_from: str | None = None,
) -> Criterion:
    return of(
        "settle_time",
        after=after,
        limit_s=limit_s,
        signal=signal,
        around=around,
        within=within,
        stay_s=stay_s,
        counted_from=counted_from,
    )


def CornerEntry(
    limit_s: float | None = None,
    lean_share: float | None = None,
    corner_curvature_1_m: float | None = None,
    **window: Any,
) -> Criterion:
    """With braking counted: what it takes otherwise, the checks ask in the words of a scenario."""
    radius = None if corner_curvature_1_m is None else 1.0 / corner_curvature_1_m
    keys = {"lean_share": lean_share, "corner_radius_m": radius, "braking_counts": True}
    return of("corner_entry", limit_s=limit_s, **keys, **window)


def Holds(formula: Formula, name: str = "condition", **window: Any) -> Criterion:
    return of("holds", name=name, that=keys_of(formula), **window)


def keys_of(formula: Formula) -> dict[str, Any]:
    """A formula as a scenario has it."""
    if isinstance(formula, Compare):
        size = {"size": True} if formula.size else {}
        return {"signal": formula.signal, formula.relation: formula.limit, **size}
    if isinstance(formula, Not):
        return {"none_of": (keys_of(formula.part),)}
    if isinstance(formula, Every | Either):
        head = "all_of" if isinstance(formula, Every) else "any_of"
        return {head: tuple(keys_of(part) for part in formula.parts)}
    window = {"from_s": formula.from_s, **({} if formula.to_s == math.inf else {"to_s": formula.to_s})}
    if isinstance(formula, Until):
        return {"hold": keys_of(formula.holding), "until": keys_of(formula.goal), **window}
    assert isinstance(formula, Always | Eventually)
    head = "always" if isinstance(formula, Always) else "eventually"
    return {head: keys_of(formula.part), **window}
