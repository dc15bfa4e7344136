"""Units of a DBC: spelled as people do, and turned as the units are defined."""

from __future__ import annotations

import math

import pytest

from emulator.core.signals import UNITS
from emulator.wire.units import in_ours, unit_named, units_for


@pytest.mark.parametrize(
    ("ours", "theirs", "one"),
    [
        # BIPM, The International System of Units, 9th edition (2019), table 8, section 5.4.7: degree, %
        ("rad", "deg", math.radians(1.0)),
        ("rad/s", "deg/s", math.radians(1.0)),
        ("1", "%", 0.01),
        # the same, definitions of minute, hour; a revolution is 2 pi
        ("rad/s", "rpm", 2.0 * math.pi / 60.0),
        ("m/s", "km/h", 1000.0 / 3600.0),
        ("s", "min", 60.0),
        # BIPM 8th edition (2006), table 8: bar, knot; 3rd CGPM (1901): standard gravity
        ("Pa", "bar", 1e5),
        ("m/s", "kn", 1852.0 / 3600.0),
        ("m/s2", "g", 9.80665),
        # international yard and pound agreement (1959): 1 mile is 1609.344 m
        ("m/s", "mph", 0.44704),
    ],
)
def test_one_of_theirs_in_ours(ours: str, theirs: str, one: float) -> None:
    assert in_ours(ours, theirs) == pytest.approx(one, rel=1e-15)


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("deg", "deg"),
        ("\N{DEGREE SIGN}/s", "deg/s"),
        (" km/h ", "km/h"),
        ("kph", "km/h"),
        ("1/min", "rpm"),
        ("Nm", "N m"),
        ("m/s^2", "m/s2"),
        ("-", "1"),
        ("", ""),
        ("MPa", "MPa"),
        ("mPa", None),  # a thousandth of a pascal is not a million of them
        ("parsec", None),
    ],
)
def test_a_text_is_a_unit_or_none(text: str, unit: str | None) -> None:
    assert unit_named(text) == unit


def test_every_unit_of_ours_can_be_turned_into_itself() -> None:
    for unit in set(UNITS.values()):
        assert in_ours(unit, unit) == 1.0
        assert unit_named(unit) == unit
        assert unit in units_for(unit)


def test_units_of_other_quantities_are_none() -> None:
    assert in_ours("rad/s", "deg") is None
    assert in_ours("m/s", "bar") is None
    assert in_ours("1", "rad") is None
