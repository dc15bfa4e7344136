"""Places of a long log are worked out in parts, and are what they are at once."""

from __future__ import annotations

import numpy as np
import pytest

from emulator.track.into import place
from emulator.track.into.marks import Sound
from emulator.wire.geodesy import Origin


@pytest.mark.parametrize("known_from", [0, 3, 90])
def test_the_reference_point_is_the_same_in_parts(known_from: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also the heading that goes on from one part to the next, and the first one before it is known."""
    rng = np.random.default_rng(1)
    east, north, heading, roll = rng.normal(size=(4, 100))
    heading[rng.random(100) < 0.7] = np.nan
    heading[:known_from], heading[known_from] = np.nan, 0.4
    lever = (0.3, 0.1, 0.9)
    whole = place.reference_place(east, north, heading, roll, lever)
    monkeypatch.setattr(place, "_AT_ONCE", 7)
    np.testing.assert_array_equal(place.reference_place(east, north, heading, roll, lever), whole)
    turned, leans = 0.4, roll[known_from]
    aside = 0.1 * np.cos(leans) - 0.9 * np.sin(leans)
    assert whole[0][known_from] == east[known_from] - (0.3 * np.cos(turned) - aside * np.sin(turned))
    assert np.isfinite(whole[0]).all()


def test_a_heading_that_is_never_known_leaves_no_place() -> None:
    nothing = np.full(5, np.nan)
    east, north = place.reference_place(np.zeros(5), np.zeros(5), nothing, np.zeros(5), (0.3, 0.0, 0.9))
    assert np.isnan(east).all()
    assert np.isnan(north).all()


@pytest.mark.parametrize("same_times", [True, False])
def test_places_are_those_of_the_origin_one_by_one(same_times: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(place, "_AT_ONCE", 7)
    origin = Origin(0.8, 0.1, 300.0)
    rng = np.random.default_rng(2)
    time_s = np.arange(50.0)
    latitude, longitude = 0.8 + 1e-5 * rng.normal(size=50), 0.1 + 1e-5 * rng.normal(size=50)
    sound = {
        name: Sound(time_s, values, 1.0, 3.0, [], np.empty(0))
        for name, values in (("latitude", latitude), ("longitude", longitude))
    }
    if not same_times:
        sound["longitude"] = sound["longitude"]._replace(time_s=time_s[1:], values=longitude[1:])
    placed = place.on_earth(sound, origin)
    assert placed is not None
    first = 0 if same_times else 1
    expected = [
        origin.geodetic_to_enu(a, b, 300.0)[:2]
        for a, b in zip(latitude[first:], longitude[first:], strict=True)
    ]
    np.testing.assert_array_equal(np.column_stack([placed.east.values, placed.north.values]), expected)
    np.testing.assert_array_equal(placed.east.time_s, time_s[first:])
