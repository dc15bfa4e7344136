"""A bike drawn from its calibration's posterior, as values over a case's scenario.

They go over the scenario, not over the vehicle's file: what the robot is made for stays what the file says,
and the bike is another one. A run by itself rides the same.
"""

from __future__ import annotations

from collections.abc import Mapping

from emulator.campaign.plan.factors import Overlays
from emulator.campaign.sampling.posterior import NoPosterior, Posterior
from emulator.config.yaml_source import Loc, Source

IN_SCENARIO = ("vehicle", "values")
"""Path in a scenario of values that are other than the vehicle's file says."""


def put_drawn(
    posterior: Posterior,
    seed: int,
    plan: Source,
    loc: Loc,
    overlays: Overlays,
    scenario: Mapping[str, object],
) -> dict[str, float]:
    """Put the bike of a seed into a case's overlays; its values.

    loc       of ``vehicle_drawn`` in the plan
    scenario  values of the scenario's file, which the overlay goes over
    Raises NoPosterior where a value that is drawn is also given elsewhere.
    """
    drawn = posterior.draw(seed)
    given = {
        f"{group}.{key}"
        for group, entries in overlays["vehicle"].values.items()
        if isinstance(entries, dict)
        for key in entries
    }
    for values in (overlays["scenario"].values, scenario):
        inner: object = values
        for part in IN_SCENARIO:
            inner = inner.get(part) if isinstance(inner, Mapping) else None
        given |= set(inner) if isinstance(inner, Mapping) else set()
    if twice := sorted(given & drawn.keys()):
        raise NoPosterior(f"{twice[0]} is drawn and also given: expected one of both")
    group, key = IN_SCENARIO
    overlays["scenario"].merge({group: {key: dict(drawn)}}, plan, loc)
    return drawn
