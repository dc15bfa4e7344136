"""What a frame of ours is called in a DBC of other names: its signals, their units, what protects it.

Unit and sign conventions are in two numbers, scale and shift, worked out where the rig file is read
(:mod:`emulator.config.rig.names.frame_maps`), which also holds a map against the DBC.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from emulator.wire.e2e import BARE, BOTH


class SignalMap(NamedTuple):
    """A value of ours in a signal of the DBC: ours = scale * theirs + shift, each in its own unit."""

    signal: str
    unit: str
    scale: float = 1.0
    shift: float = 0.0


class Guard(NamedTuple):
    """End-to-end protection of a frame.

    profile   e2e.BARE, PROFILE_1, PROFILE_2 or PROFILE_5
    header    byte its CRC begins at
    data_id   0..65535; -1 where there is none, or a list
    mode      how it enters in profile 1, index into e2e.MODES
    data_ids  the 16 of profile 2, else empty
    signals   the DBC's signals of CRC and counter, which carry no values
    name      of the profile, as people call it; empty for none
    """

    profile: int = BARE
    header: int = 0
    data_id: int = -1
    mode: int = BOTH
    data_ids: tuple[int, ...] = ()
    signals: tuple[str, ...] = ()
    name: str = ""


class FrameMap(NamedTuple):
    """A frame of ours in the DBC.

    frame    its name there
    signals  by our names
    guard    what protects it
    fixed    by the DBC's names: what signals that are none of ours are sent as, in the DBC's own unit; None:
             as "not available"
    """

    frame: str
    signals: Mapping[str, SignalMap]
    guard: Guard
    fixed: Mapping[str, float | None]
