"""From the criteria of a scenario file, in its units, to those the verdict judges, in SI."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from emulator.assembly.session import Session
from emulator.config.scenario import criteria as said
from emulator.config.scenario.criteria import Condition
from emulator.verdict import criteria as asked
from emulator.verdict.temporal import Always, Compare, Either, Eventually, Every, Formula, Not, Until, implies

_DEG = math.pi / 180.0
_KM_H = 1.0 / 3.6
_BAR = 1e5


def criteria_of(session: Session) -> list[asked.Criterion]:
    """The scenario's criteria as the verdict takes them, in order; a name that comes again gets a number."""
    criteria: list[asked.Criterion] = []
    times: Counter[str] = Counter()
    for said_one in session.scenario.criteria:
        c = criterion_of(said_one, session.sector_ends)
        times[c.name] += 1
        if times[c.name] > 1:
            c = replace(c, name=f"{c.name} ({times[c.name]})")
        criteria.append(c)
    return criteria


def criterion_of(c: said.Criterion, sector_ends_m: tuple[float, ...]) -> asked.Criterion:
    """One criterion; a name that was not given is the kind's own."""
    common: dict[str, Any] = {} if c.name is None else {"name": c.name}
    if isinstance(c, said.TimeWindow):
        for key in ("from_s", "from_event", "to_event", "during_event"):
            common[key] = getattr(c, key)
    if isinstance(c, said.Window):
        common |= {"from_station_m": c.from_station_m, "to_station_m": c.to_station_m}
    return _OF[type(c)](c, common, sector_ends_m)


def _wheel(c: said.SlipRatio | said.SlipAngle | said.FrictionUse, common: dict[str, Any]) -> dict[str, Any]:
    """A criterion of one wheel says which in its name."""
    return {"name": f"{c.wheel} {c.kind.replace('_', ' ')}"} | common


_OF: dict[type, Callable[[Any, dict[str, Any], tuple[float, ...]], asked.Criterion]] = {
    said.NoFall: lambda _, w, __: asked.NoFall(**w),
    said.DistanceFromLine: lambda c, w, _: asked.DistanceFromLine(c.limit_m, **w),
    said.SpeedError: lambda c, w, _: asked.SpeedError(c.limit_km_h * _KM_H, **w),
    said.Lean: lambda c, w, _: asked.Lean(c.limit_deg * _DEG, **w),
    said.LeanRate: lambda c, w, _: asked.LeanRate(c.limit_deg_s * _DEG, **w),
    said.SteeringRate: lambda c, w, _: asked.SteeringRate(c.limit_deg_s * _DEG, **w),
    said.SteeringAcceleration: lambda c, w, _: asked.SteeringAcceleration(c.limit_deg_s2 * _DEG, **w),
    said.SlipRatio: lambda c, w, _: asked.SlipRatio(
        c.wheel, c.limit, above_m_s=c.above_km_h * _KM_H, **_wheel(c, w)
    ),
    said.SlipAngle: lambda c, w, _: asked.SlipAngle(
        c.wheel, c.limit_deg * _DEG, above_m_s=c.above_km_h * _KM_H, **_wheel(c, w)
    ),
    said.FrictionUse: lambda c, w, _: asked.FrictionUse(c.wheel, c.limit, **_wheel(c, w)),
    said.PositionErrorCriterion: lambda c, w, _: asked.PositionErrorCriterion(c.limit_m, c.of, **w),
    said.LapTime: lambda c, w, ends: asked.LapTime(c.limit_s, ends, c.lap, **w),
    said.SectorTime: lambda c, w, ends: asked.SectorTime(c.limit_s, ends, c.sector, c.lap, **w),
    said.StopDistance: lambda c, w, _: asked.StopDistance(
        c.limit_m, c.to_km_h * _KM_H, c.after, c.brake_bar * _BAR, **w
    ),
    said.ReactionTime: lambda c, w, _: asked.ReactionTime(
        c.after,
        c.limit_s,
        None if c.shown_by is None else formula_of(c.shown_by),
        c.signal or "",
        c.change or 0.0,
        **w,
    ),
    said.SettleTime: lambda c, w, _: asked.SettleTime(
        c.after, c.limit_s, c.signal, c.around, c.within, c.stay_s, c.counted_from, **w
    ),
    said.CornerEntry: lambda c, w, _: asked.CornerEntry(
        c.limit_s, c.lean_share, 1.0 / c.corner_radius_m, c.throttle_closed, c.brake_bar * _BAR, **w
    ),
    said.Holds: lambda c, w, _: asked.Holds(formula_of(c.that), **w),
}


def formula_of(c: Condition) -> Formula:
    """A scenario's condition as temporal logic."""
    if c.signal is not None:
        if c.at_least is not None:
            return Compare(c.signal, "at_least", c.at_least, c.size)
        assert c.at_most is not None  # one of both is given: the schema's rule, as below
        return Compare(c.signal, "at_most", c.at_most, c.size)
    for parts, all_of in ((c.all_of, True), (c.any_of, False), (c.none_of, False)):
        if parts is not None:
            of = tuple(formula_of(part) for part in parts)
            whole = Every(of) if all_of else Either(of)
            return Not(whole) if parts is c.none_of else whole
    if c.when is not None:
        assert c.then is not None
        return implies(formula_of(c.when), formula_of(c.then))
    window = (c.from_s or 0.0, math.inf if c.to_s is None else c.to_s)
    if c.always is not None:
        return Always(formula_of(c.always), *window)
    if c.eventually is not None:
        return Eventually(formula_of(c.eventually), *window)
    assert c.hold is not None
    assert c.until is not None
    return Until(formula_of(c.hold), formula_of(c.until), *window)
