"""How near the ride came to what the bike can: lean over speed, and each tyre's force beside its friction."""

from __future__ import annotations

import math
from collections.abc import Mapping
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emulator.core.signals import RUNNING
from emulator.record.reader import Run
from emulator.report.figures.columns import column
from emulator.report.figures.drawing import BLUE, GREY, INK, ORANGE, PURPLE, RED, Figure, axis, curve, plane

Array = NDArray[np.float64]

_POINTS = 1500
_KMH, _DEG = 3.6, 180.0 / math.pi
_LEAST_LOAD = 50.0  # [N] below, force over load tells nothing of the tyre
_OTHER_GRIP = 0.02  # of the road's grip: what differs more lies on a patch
_ELLIPSE = 96
_ALL_OF_IT = 0.999  # friction use from which a tyre of a record that does not say so is taken to slide


def lean_figure(run: Run) -> Figure | None:
    """Roll [deg, positive to the right] over speed [km/h]: ridden, planned, limits; None without a ride.

    Planned and limits come from ``manifest['lean_envelope']`` (see emulator.lap.lean_envelope).
    """
    rows = _free(run)
    names = ("truth.speed_m_s", "truth.roll_rad")
    if not len(rows) or any(name not in run.signals for name in names):
        return None
    speed, roll = (run.signals[name] for name in names)
    rows = _spread(rows, roll)
    data: list[Figure] = []
    envelope = run.manifest.get("lean_envelope")
    if isinstance(envelope, Mapping):
        data += _envelope(envelope)
    ridden = (column(speed[rows] * _KMH, 0.1), column(roll[rows] * _DEG, 0.01))
    data.append(curve("ridden", *ridden, INK, symbol="circle", size=3))
    x = axis("speed / (km/h)", zero=True)
    return plane(x, axis("roll, positive to the right / degrees"), data, zoom=True)


def _envelope(envelope: Mapping[str, Any]) -> list[Figure]:
    out = []

    def drawn(x: object, y: object, name: str, colour: str, **look: Any) -> None:
        try:
            with np.errstate(over="ignore"):  # a number of a damaged manifest is drawn nowhere
                xs, ys = np.asarray(x, float) * _KMH, np.asarray(y, float) * _DEG
        except (TypeError, ValueError):
            return
        if xs.ndim == 1 and xs.shape == ys.shape and len(xs):
            out.append(curve(name, column(xs, 0.1), column(ys, 0.01), colour, **look))

    planned = (envelope.get("planned_m_s"), envelope.get("planned_roll_rad"))
    drawn(*planned, "planned", ORANGE, symbol="circle-open", size=5, every=2)
    speeds = envelope.get("speed_m_s")
    for key, name, dash, colour in (
        ("grip_rad", "limit of grip", "longdash", PURPLE),
        ("stop_rad", "steering at its stop", "dashdot", PURPLE),
        ("peg_rad", "a peg touches", "dot", GREY),
    ):
        limit = envelope.get(key)
        if isinstance(limit, int | float) and isinstance(speeds, list):
            limit = [limit] * len(speeds)
        if not isinstance(limit, list):
            continue
        for side in (1.0, -1.0):
            values = [side * v if isinstance(v, int | float) else math.nan for v in limit]
            drawn(speeds, values, name, colour, dash=dash, width=1.8, legend=side > 0)
    return out


def friction_figures(run: Run) -> list[tuple[str, Figure]]:
    """(tyre, figure) of force over load along and across beside the friction ellipse, front and rear.

    Without friction of the tyres in ``manifest['vehicle']`` the ellipse is left out.
    """
    rows = _free(run)
    out = []
    for tyre in ("front", "rear"):
        names = ("lateral_{}_N", "longitudinal_{}_N", "load_{}_N", "friction_use_{}", "grip_{}")
        signals = [run.signals.get(f"truth.{name.format(tyre)}") for name in names]
        if any(s is None for s in signals):
            continue
        across, along, load, use, grip = (s[rows] for s in signals if s is not None)
        told = run.signals.get(f"truth.sliding_{tyre}")
        sliding = use >= _ALL_OF_IT if told is None else told[rows] > 0.0
        usable = np.isfinite(across) & np.isfinite(along) & (load > _LEAST_LOAD)
        if usable.any():
            figure = _friction(
                across[usable] / load[usable], along[usable] / load[usable], use[usable], sliding[usable],
                grip[usable], _friction_of(run, tyre),
            )  # fmt: skip
            out.append((tyre, figure))
    return out


def _friction(
    across: Array,
    along: Array,
    use: Array,
    sliding: NDArray[np.bool_],
    grip: Array,
    friction: tuple[float, float] | None,
) -> Figure:
    base = float(np.median(grip))
    other = np.abs(grip - base) > _OTHER_GRIP * base
    data: list[Figure] = []
    reach = 1.1 * max(float(np.abs(across).max()), float(np.abs(along).max()), 0.1)
    if friction is not None:
        reach = max(reach, 1.1 * max(friction) * float(grip.max()))
        levels = [(base, INK, "solid", "limit")]
        if other.any():
            least = float(grip[other].min())
            levels.append((least, BLUE, "dash", "limit at the least"))
        for level, colour, dash, words in levels:
            angle = np.linspace(0.0, 2.0 * math.pi, _ELLIPSE + 1)
            x, y = friction[1] * level * np.cos(angle), friction[0] * level * np.sin(angle)
            data.append(curve(f"{words}, grip {level:.2f}", x, y, colour, dash=dash, width=1.8, quiet=True))
    for chosen, name, symbol, size, colour in (
        (~other & ~sliding, "gripping", "circle", 3, GREY),
        (other & ~sliding, "on another grip", "square-open", 4, BLUE),
        (sliding, "sliding", "cross", 6, RED),
    ):
        rows = np.flatnonzero(chosen)
        if not len(rows):
            continue
        rows = _spread(rows, use)
        at = (column(across[rows], 0.001), column(along[rows], 0.001))
        data.append(curve(name, *at, colour, symbol=symbol, size=size))
    # left is drawn on the left
    return plane(
        axis("across, positive to the left", range=[reach, -reach]),
        axis("along, positive forward", range=[-reach, reach]),
        data,
        equal=True,
        height=380,
    )


def _friction_of(run: Run, tyre: str) -> tuple[float, float] | None:
    """Friction along and across on a road of grip 1, as the vehicle's file has it."""
    vehicle = run.manifest.get("vehicle")
    values = vehicle.get("values") if isinstance(vehicle, Mapping) else None
    of = values.get(f"tyre_{tyre}") if isinstance(values, Mapping) else None
    if not isinstance(of, Mapping):
        return None
    x, y = of.get("friction_x"), of.get("friction_y")
    return (float(x), float(y)) if isinstance(x, int | float) and isinstance(y, int | float) else None


def _free(run: Run) -> NDArray[np.int64]:
    """Rows in which the bike rides, free of its support, until it is down."""
    n = len(run.tick)
    state = run.signals.get("bench.state", np.zeros(n))
    support = run.signals.get("truth.support", np.ones(n))
    fallen = run.signals.get("truth.fallen", np.zeros(n))
    return np.flatnonzero((state == RUNNING) & (support == 0.0) & ~(fallen > 0.0))


def _spread(rows: NDArray[np.int64], size: Array) -> NDArray[np.int64]:
    """At most so many of the rows, evenly, and of every stretch between them the one of greatest size.

    size  of all rows there are; those of a long log are looked at a stretch at a time
    """
    n = len(rows)
    if n <= _POINTS:
        return rows
    edges = np.linspace(0, n, _POINTS // 2 + 1).astype(np.int64)
    greatest = [
        a + int(np.argmax(np.nan_to_num(np.abs(size[rows[a:b]]), nan=-1.0))) for a, b in pairwise(edges)
    ]
    kept: NDArray[np.int64] = rows[np.unique(np.concatenate([edges[:-1], greatest, [n - 1]]))]
    return kept
