"""What searches found, as a campaign's folder and page have it: edges to be drawn, answers in sentences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from emulator.campaign.estimates.edge_curve import EdgeCurve
from emulator.campaign.page.edges import CurvePoint, EdgePoint
from emulator.campaign.page.edges import Edge as ShownEdge
from emulator.campaign.search.bisection import Edge, Found
from emulator.campaign.store.answers import Answer

_CURVE_POINTS = 41


def shown_edge(name: str, quantity: str, unit: str, edge: Edge) -> ShownEdge:
    """An edge for ``edges.json``: every size ridden, and the edge between its two neighbours.

    name, quantity, unit  what is lost, over what, in what

    A ride with one seed comes out the same whenever it is ridden, so the bounds are no estimate: its edge
    lies between them. What other seeds would give is not in it. There is no curve, for the same reason.
    """
    is_edge = edge.found is Found.EDGE and edge.survived is not None and edge.lost is not None
    low, high = (edge.survived, edge.lost) if is_edge else (None, None)
    bounds = None if low is None or high is None else sorted((low, high))
    counted = [ride for ride in edge.rides if ride.outcome.lost is not None]
    return ShownEdge(
        name=name,
        quantity=quantity,
        unit=unit,
        points=tuple(
            EdgePoint(ride.size, 1, int(bool(ride.outcome.lost)))
            for ride in sorted(counted, key=lambda ride: ride.size)
        ),
        curve=(),
        half=None if bounds is None else 0.5 * sum(bounds),
        half_low=None if bounds is None else bounds[0],
        half_high=None if bounds is None else bounds[1],
        confidence=1.0,
        method=f"halving, {len(edge.rides)} rides of one seed, probes {edge.probes}: {edge.sentence}",
    )


def shown_curve(
    name: str,
    quantity: str,
    unit: str,
    counted: Sequence[tuple[float, bool]],
    curve: EdgeCurve,
    bounds: Sequence[float | None],
) -> ShownEdge:
    """An edge over seeds for ``edges.json``: every ride, and the chance of losing over the size.

    counted  sizes of rides that count, and whether they were lost
    bounds   of the size at which half are lost; None: open
    """
    sizes = np.linspace(min(size for size, _ in counted), max(size for size, _ in counted), _CURVE_POINTS)
    points = []
    for size in map(float, sizes):
        chance, within = curve.chance(size), curve.chance_in(size)
        points.append(CurvePoint(size, chance, within.low, within.high))
    parted = ", one size parts all lost from all survived" if curve.separated else ""
    return ShownEdge(
        name=f"{name}, over seeds",
        quantity=quantity,
        unit=unit,
        points=tuple(EdgePoint(size, 1, int(lost)) for size, lost in sorted(counted)),
        curve=tuple(points),
        half=curve.half_lost,
        half_low=bounds[0],
        half_high=bounds[1],
        confidence=curve.half_lost_in.confidence,
        method=f"logistic regression, {len(counted)} rides of a seed each{parted}",
    )


def edge_sentence(edge: Edge, quantity: str, unit: str) -> str:
    """What an edge is, with its quantity and unit before it."""
    return f"{quantity} / {unit}: {edge.sentence}" if unit else f"{quantity}: {edge.sentence}"


def failure_sentence(
    answer: Answer, why: str | None, values: Mapping[str, object] | None = None, left: Sequence[str] = ()
) -> str:
    """What a search for a failure came to; ``why`` it was lost, None for none found.

    values, left  of the failure made smaller: what is varied, and what is still in it
    """
    if why is None:
        if answer.percent is None:
            return f"none found in {answer.rides:,} rides, which is no proof; no ride has a margin"
        return (
            f"none found in {answer.rides:,} rides, which is no proof; the thinnest margin was "
            f"{answer.percent:.1f} % of its limit"
        )
    told = [
        f"{name} {value:g}" if isinstance(value, float) else f"{name} {value}"
        for name, value in (values or {}).items()
    ]
    what = ", ".join(told or left) or "nothing that is varied: the ride is lost as it is"
    return f"lost ({why}) with {what}"


def chance_sentence(answer: Answer, at_most: float | None) -> str:
    """What is known of a probability, beside what it has to be."""
    silent = f"; {answer.not_counted:,} do not count" if answer.not_counted else ""
    if answer.low is None or answer.high is None or answer.confidence is None or answer.probability is None:
        return f"not known from {answer.rides:,} rides{silent}"
    share = f"{100.0 * answer.confidence:g} %"
    if answer.low <= 0.0:
        known = f"at most {answer.high:.3g} with {share} confidence, none seen"
        if answer.probability > 0.0:
            known = f"{answer.probability:.3g}, 0 to {answer.high:.3g} with {share} confidence"
    else:
        known = f"{answer.probability:.3g}, {answer.low:.3g} to {answer.high:.3g} with {share} confidence"
    wish = ""
    if at_most is not None:
        words = {
            True: "proven to be at most",
            False: "proven to be more than",
            None: "not proven to be at most",
        }
        wish = f"; {words[answer.as_expected]} {at_most:g}"
    return f"lost with a probability of {known} ({answer.rides:,} rides{silent}){wish}"
