"""Edges that were found, as a campaign's folder and its page have them."""

from __future__ import annotations

from emulator.campaign.page.edges import Edge as ShownEdge
from emulator.campaign.page.edges import EdgePoint
from emulator.campaign.search.bisection import Edge, Found


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
