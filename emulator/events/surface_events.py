"""What comes over the bike from outside: another grip of the road, a gust."""

from __future__ import annotations

import math
from collections.abc import Iterator, Set

import numpy as np

from emulator.core.compiled import Record, jit
from emulator.events.declaration import (
    Column,
    EventKeys,
    EventKind,
    Key,
    Lasts,
    RigView,
    Row,
    Takes,
    Wrong,
)
from emulator.events.progress import strength


@jit
def grip_left(e: Record, tick: int, covered: float) -> float:
    """Factor of the grip that a live event leaves where it covers so much (0..1) of a place."""
    return float(1.0 + strength(e, tick) * covered * (e.value - 1.0))


@jit
def gust(e: Record, tick: int) -> float:
    """Speed [m/s] of an active gust: one wave of the cosine over its duration, 0 at both ends."""
    part = (tick - e.started) / max(1, e.duration)
    return float(e.value * 0.5 * (1.0 - math.cos(2.0 * math.pi * part)))


def _fill_grip(e: Row, event: EventKeys, _rig: RigView) -> None:
    e["value"] = event.factor
    if event.from_m is not None and event.to_m is not None:
        for key in ("from_m", "to_m", "left_m", "right_m", "edge_m"):
            e[key] = getattr(event, key)


def _rules_of_grip(event: EventKeys, given: Set[str]) -> Iterator[Wrong]:
    if (event.from_m is None) != (event.to_m is None):
        yield Wrong("expected from_m and to_m together, or none of them")
    if event.from_m is not None and event.from_m == event.to_m:
        yield Wrong(f"expected another station than from_m, got {event.to_m:g} for both", "to_m")
    if event.from_m is None:
        for key in ("left_m", "right_m", "edge_m"):
            if key in given:
                yield Wrong(f"expected {key} only together with from_m and to_m", key)
    if event.left_m <= event.right_m:
        yield Wrong(
            f"expected more than right_m ({event.right_m:g}; offsets are positive to the left), "
            f"got {event.left_m:g}",
            "left_m",
        )


GRIP_KIND = EventKind(
    "grip",
    "The grip of the road times ``factor``: everywhere, or between two stations and two offsets.",
    (
        Key("factor", Takes.NUMBER, "what the grip is multiplied by", above=0, most=2, required=True),
        Key("from_m", Takes.STATION, "station where it begins", left_out="it is everywhere"),
        Key("to_m", Takes.STATION, "station where it ends", left_out="it is everywhere"),
        Key(
            "across_start",
            Takes.FLAG,
            "whether it begins before the lap's end, at from_m, and ends in the next lap",
            left_out="no",
        ),
        Key(
            "left_m",
            Takes.NUMBER,
            "offset of its left border from the line, positive to the left",
            default=25.0,
            least=-50,
            most=50,
        ),
        Key(
            "right_m",
            Takes.NUMBER,
            "offset of its right border from the line, positive to the left; below left_m",
            default=-25.0,
            least=-50,
            most=50,
        ),
        Key(
            "edge_m",
            Takes.NUMBER,
            "distance outside its borders over which it fades",
            default=1.0,
            least=0.05,
            most=50,
        ),
    ),
    _fill_grip,
    ramped=True,
    rules=_rules_of_grip,
    columns=(
        Column("from_m", np.float64, np.nan),  # where it acts; NaN: everywhere
        Column("to_m", np.float64),
        Column("left_m", np.float64),
        Column("right_m", np.float64),
        Column("edge_m", np.float64),
    ),
)


def _fill_gust(e: Row, event: EventKeys, _rig: RigView) -> None:
    # it comes *from* its direction, clockwise from north
    e["value"], e["heading"] = event.speed_m_s, math.radians(270.0 - event.from_deg)


GUST_KIND = EventKind(
    "gust",
    "A gust on top of the wind: rises to ``speed_m_s`` and falls again like one wave of the cosine.",
    (
        Key(
            "speed_m_s",
            Takes.NUMBER,
            "greatest speed of the gust, on top of the wind",
            above=0,
            most=40,
            required=True,
        ),
        Key(
            "from_deg",
            Takes.NUMBER,
            "where it comes from, clockwise from north",
            least=0,
            most=360,
            required=True,
        ),
    ),
    _fill_gust,
    lasts=Lasts.NEEDED,
)
