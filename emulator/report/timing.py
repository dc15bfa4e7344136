"""Figures of the timing certificate and the bus budget."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emulator.core.outside.visible_text import visible
from emulator.report.figures.drawing import BLUE, GREY, INK, ORANGE, Figure, axis, bars, curve, plane

_LINEAR_ms = 0.01
"""Ages off by less are drawn to a linear scale, by more to a logarithmic one."""
_TICKS_ms = (-100.0, -10.0, -1.0, -0.1, 0.0, 0.1, 1.0, 10.0, 100.0, 1000.0)
_ROW = 34  # [px]
_TALL = 0.7  # of a row, what the highest bar takes


def _place(off_ms: NDArray[np.float64]) -> NDArray[np.float64]:
    """Where an age that is off by so much stands on the axis: decades either way, linear in the middle."""
    out: NDArray[np.float64] = np.sign(off_ms) * np.log10(1.0 + np.abs(off_ms) / _LINEAR_ms)
    return out


def age_histograms(certificate: Mapping[str, Any]) -> Figure | None:
    """Samples by how far their age was off the promised latency, an output a row; None if there are none.

    Counts are to a logarithmic scale of each row's own: what counts is how far the tails reach.
    """
    rows = []
    outputs = certificate.get("outputs")
    for name, kept in (outputs if isinstance(outputs, Mapping) else {}).items():
        usable = _histogram(kept)
        if usable is not None:
            rows.append((str(name), *usable))
    if not rows:
        return None
    at, words = _place(np.array(_TICKS_ms)).tolist(), [f"{t:+g}" if t else "0" for t in _TICKS_ms]
    ends = _place(np.array([min(off[0] for _, off, _ in rows), max(off[-1] for _, off, _ in rows)]))
    # what is of one age, right at the end of the axis, is to be seen too
    reach = [round(float(ends[0]) - 0.08, 3), round(float(ends[1]) + 0.08, 3)]
    curves = []
    for i, (name, off, counts) in enumerate(rows):
        x, height = _place(off), np.log10(np.maximum(np.append(counts, counts[-1]), 0.5) / 0.5)
        if x[-1] - x[0] < 0.03:  # all of one age: still to be seen
            x = x + np.linspace(-0.015, 0.015, len(x))
        floor = i + 0.93
        curves.append(
            curve(
                name,
                [round(float(v), 4) for v in x],
                [round(floor - _TALL * float(h), 4) for h in height / max(float(height.max()), 1e-9)],
                BLUE,
                dash="solid",
                width=1.4,
                steps=True,
                fill="floor",
                floor=floor,
                legend=False,
                tips=[
                    f"{visible(name)}: from {o:+.3f} ms {int(c)} samples"
                    for c, o in zip([*counts, 0], off, strict=True)
                ],
            )
        )
    x_axis = axis("age less latency / ms", range=reach, ticks=list(zip(at, words, strict=True)))
    return plane(x_axis, axis(), curves, rows=[visible(name) for name, _, _ in rows], rowHeight=_ROW)


def _histogram(kept: object) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Edges of the age less the latency [ms], and counts; None if an output has no usable ones."""
    histogram = kept.get("age_histogram") if isinstance(kept, Mapping) else None
    latency = kept.get("latency_ms") if isinstance(kept, Mapping) else None
    if not isinstance(histogram, Mapping) or not isinstance(latency, int | float):
        return None
    usable = _edges_and_counts(histogram, "edges_ms")
    return None if usable is None else (usable[0] - latency, usable[1])


def _edges_and_counts(
    histogram: Mapping[str, Any], edges_key: str
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Edges of the bins and what is in them; None if they are no numbers or don't belong together."""
    try:
        edges, counts = (np.asarray(histogram[key], float) for key in (edges_key, "counts"))
    except (KeyError, TypeError, ValueError):
        return None
    if (
        not counts.size
        or counts.ndim != 1
        or edges.shape != (len(counts) + 1,)
        or not np.isfinite(edges).all()
    ):
        return None
    return edges, counts


def lateness_histogram(certificate: dict[str, Any]) -> Figure | None:
    """Ticks by lateness [us], both axes logarithmic; None if the certificate has no usable histogram."""
    loop = certificate.get("loop")
    histogram = loop.get("lateness_histogram") if isinstance(loop, dict) else None
    if not isinstance(histogram, dict):
        return None
    usable = _edges_and_counts(histogram, "edges_us")
    if usable is None:
        return None
    edges, counts = usable
    # A logarithmic axis has no zero: an empty bin lies on the floor, the first edge just left of the next.
    floor = 0.5
    edges = np.maximum(edges, max(edges[1] / 2, 1e-3))
    height = np.maximum(np.append(counts, counts[-1]), floor)
    tips = [f"from {e:.3g} µs: {int(c)} ticks" for e, c in zip(edges, [*counts, 0], strict=True)]
    ticks = curve(
        "ticks",
        edges.tolist(),
        height.tolist(),
        BLUE,
        dash="solid",
        width=1.4,
        steps=True,
        fill="floor",
        tips=tips,
    )
    top = 1.6 * max(float(counts.max()), 1.0)
    y_axis = axis("ticks", log=True, range=[floor, top])
    return plane(axis("wake-up lateness / µs", log=True), y_axis, [ticks], height=260)


def bus_figure(budget: Mapping[str, Any] | None) -> Figure | None:
    """Worst response time of every frame against its deadline, the most urgent on top; None without them."""
    frames = budget.get("frames") if isinstance(budget, Mapping) else None
    if not isinstance(frames, list) or not all(isinstance(f, Mapping) for f in frames) or not frames:
        return None
    names = [visible(str(f.get("name"))) for f in frames]
    worst, deadline = ([_number(f.get(key)) for f in frames] for key in ("worst_ms", "deadline_ms"))
    # one that is never over is drawn to the end
    end = 1.1 * max((v for v in (*worst, *deadline) if v is not None), default=1.0)
    in_time = [bool(f.get("in_time")) for f in frames]
    drawn = []
    for label, colour, hatch, chosen in (
        (
            "worst response, bench",
            BLUE,
            "",
            [t and not f.get("from_robot") for t, f in zip(in_time, frames, strict=True)],
        ),
        (
            "worst response, robot",
            GREY,
            "/",
            [t and bool(f.get("from_robot")) for t, f in zip(in_time, frames, strict=True)],
        ),
        ("not in time at worst", ORANGE, "x", [not t for t in in_time]),
    ):
        if any(chosen):
            lengths = [(end if v is None else v) if c else None for c, v in zip(chosen, worst, strict=True)]
            texts = ["never" if c and v is None else "" for c, v in zip(chosen, worst, strict=True)]
            tips = [
                f"{n}: at worst {'never' if v is None else f'{v:.3g} ms'}"
                for n, v in zip(names, worst, strict=True)
            ]
            drawn.append(bars(label, lengths, colour, hatch, texts=texts, tips=tips))
    ends = curve(
        "deadline",
        [v or 0.0 for v in deadline],
        [i + 0.5 for i in range(len(names))],
        INK,
        symbol="bar",
        size=14,
    )
    return plane(axis("ms", range=[0, end]), axis(), [ends], rows=names, bars=drawn)


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None
