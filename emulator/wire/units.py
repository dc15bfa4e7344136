"""Units that a DBC may have its signals in, and how they lead to ours.

Factors are exact by definition of the units (BIPM, "The International System of Units", 9th edition, tables
2, 4 and 8; g by its conventional value of 9.80665 m/s2; the inch by 25.4 mm, so the mile by 1609.344 m).
"""

from __future__ import annotations

import math

_TURN = 2.0 * math.pi

_UNITS: dict[str, dict[str, float]] = {
    "rad": {"rad": 1.0, "deg": math.pi / 180.0, "mrad": 1e-3},
    "rad/s": {"rad/s": 1.0, "deg/s": math.pi / 180.0, "rpm": _TURN / 60.0, "mrad/s": 1e-3},
    "m/s": {"m/s": 1.0, "km/h": 1.0 / 3.6, "mph": 1609.344 / 3600.0, "kn": 1852.0 / 3600.0, "mm/s": 1e-3},
    "m/s2": {"m/s2": 1.0, "g": 9.80665, "mg": 9.80665e-3},
    "N m": {"N m": 1.0, "mN m": 1e-3, "kN m": 1e3},
    "Pa": {"Pa": 1.0, "hPa": 1e2, "mbar": 1e2, "kPa": 1e3, "bar": 1e5, "MPa": 1e6},
    "m": {"m": 1.0, "mm": 1e-3, "cm": 1e-2, "um": 1e-6},
    "s": {"s": 1.0, "ms": 1e-3, "us": 1e-6, "min": 60.0},
    "Hz": {"Hz": 1.0, "kHz": 1e3},
    "1": {"1": 1.0, "%": 1e-2, "permil": 1e-3},
}
"""By our unit: the units that measure the same, and what one of them is in ours."""

_SPELLINGS = {
    **dict.fromkeys(("°", "degree", "degrees"), "deg"),
    **dict.fromkeys(("°/s", "deg/sec", "degree/s", "dps"), "deg/s"),
    **dict.fromkeys(("1/min", "min-1", "u/min", "r/min"), "rpm"),
    **dict.fromkeys(("kph", "kmh"), "km/h"),
    **dict.fromkeys(("m/s^2", "m/s²", "m/ss"), "m/s2"),
    **dict.fromkeys(("nm", "n.m", "n*m"), "N m"),
    **dict.fromkeys(("‰", "per mil"), "permil"),
    **dict.fromkeys(("percent", "pct"), "%"),
    **dict.fromkeys(("µm",), "um"),
    **dict.fromkeys(("µs",), "us"),
    **dict.fromkeys(("sec",), "s"),
    **dict.fromkeys(("kt", "knot", "knots"), "kn"),
    **dict.fromkeys(("-",), "1"),
}
"""Other ways to write them, without regard to capitals."""

_KNOWN = {unit for units in _UNITS.values() for unit in units}


def unit_named(text: str) -> str | None:
    """The unit that a text means, in our spelling; empty for an empty text, None for none we know.

    Capitals count where they change the meaning (mPa and MPa are not one); other spellings ignore them.
    """
    bare = text.strip()
    if bare in _KNOWN or not bare:
        return bare
    return _SPELLINGS.get(bare.casefold())


def units_for(ours: str) -> tuple[str, ...]:
    """Every unit that can be turned into this one of ours, itself first."""
    return tuple(_UNITS.get(ours, {ours: 1.0}))


def in_ours(ours: str, theirs: str) -> float | None:
    """What one of ``theirs`` (spelled as by :func:`unit_named`) is in ``ours``; None: of another quantity."""
    return _UNITS.get(ours, {ours: 1.0}).get(theirs)
