"""Names of a session's files that say more than what they are in it, and how much of each is kept."""

from __future__ import annotations

from emulator.core.outside.reading import KEPT_COPY, UNIT, FileKind

NAMED_VEHICLE = "vehicle of the rig"
"""Name among a session's files of the vehicle that its rig names, where another one rides."""


def kind_of_copy(name: str) -> FileKind:
    """Of a session's files, by the name they have there: what is read and kept of them at most."""
    return UNIT if name == "robot" else KEPT_COPY
