"""The electronics of the demo racer as a record, by themselves."""

from __future__ import annotations

from typing import Any

import numpy as np

from emulator.vehicle.electronics.record import electronics_record
from tests.support.machines import demo_file

RADII = (0.299, 0.318)
"""[m] upright, of the demo racer."""
TICK = 1e-3


def units(*modelled: str, **changes: float) -> Any:
    """Record of these units; ``section__name=value`` changes one number (SI)."""
    sections = {name: dict(entries) for name, entries in demo_file().values.items()}
    for name, value in changes.items():
        section, entry = name.split("__")
        assert entry in sections[section]
        sections[section][entry] = value
    return electronics_record(sections, set(modelled), RADII, TICK).view(np.recarray)[0]
