"""Which mistake a wrong CRC fits: worked out from frames alone.

For one payload, start value and CRC belong to each other one to one. So if all frames fit one start value,
the sender computes the right polynomial over the right bytes and begins wrongly; if they fit none, it does
something else.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np

from emulator.wire.can_frames import Codec
from emulator.wire.e2e import ALTERNATING, BOTH, LOW, MODES, PROFILE_1, crc8_1d, profile_1_start

_ENOUGH = 3  # frames: one that fits by chance is one in 256, three are one in 17 million


class Fit(NamedTuple):
    """words  the mistake the frames fit, empty if none; start  the one value they all start from, or None."""

    words: str
    start: int | None


def reckoned(codec: Codec, f: int) -> bool:
    """Whether a frame's CRC is one that is reckoned with here: of profile 1, with the header in front."""
    return int(codec.table.profile[f]) == PROFILE_1 and int(codec.table.header[f]) == 0


def expected_start(codec: Codec, f: int, counter: int) -> int:
    """What a frame's CRC has to start from."""
    return profile_1_start(int(codec.table.data_id[f]), int(codec.table.mode[f]), counter)


def crc_of(payload: bytes, start: int) -> int:
    """CRC of a payload from a start value."""
    return crc8_1d(start, np.frombuffer(payload, np.uint8), 1, len(payload))


def fit_of(codec: Codec, f: int, payloads: Sequence[bytes]) -> Fit:
    """What frames with a wrong CRC have in common."""
    payloads = [p for p in payloads if len(p) >= 2]
    if len(payloads) < _ENOUGH:
        return Fit("", None)
    starts = {next(s for s in range(256) if crc_of(p, s) == p[0]) for p in payloads}
    start = starts.pop() if len(starts) == 1 else None
    for words, begins, inverted in _mistakes(codec, f):
        if all(crc_of(p, begins(p[1] & 0xF)) ^ inverted == p[0] for p in payloads):
            return Fit(words, start)
    if start is not None:
        return Fit(f"the CRC starts from 0x{start:02X}", start)
    return Fit("", None)


def _mistakes(codec: Codec, f: int) -> list[tuple[str, Callable[[int], int], int]]:
    """(words, start by counter, XOR at the end) of mistakes that are made."""
    data_id, mode = int(codec.table.data_id[f]), int(codec.table.mode[f])
    id_bytes = np.array([data_id & 0xFF, data_id >> 8], np.uint8)
    swapped = (data_id & 0xFF) << 8 | data_id >> 8
    read = 2 if mode == BOTH else 1

    def in_mode(of: int, how: int) -> Callable[[int], int]:
        return lambda counter: profile_1_start(of, how, counter)

    found: list[tuple[str, Callable[[int], int], int]] = [
        ("the CRC starts from 0 without the data id", lambda _: 0, 0),
        ("the CRC starts from 0xFF without the data id", lambda _: 0xFF, 0),
        ("plain CRC-8 of SAE J1850, without the data id", lambda _: 0xFF, 0xFF),
        (
            "the CRC starts from 0xFF before the data id, not from 0",
            lambda _: crc8_1d(0xFF, id_bytes, 0, read),
            0,
        ),
        (
            "the CRC starts from 0xFF before the data id and is inverted at its end",
            lambda _: crc8_1d(0xFF, id_bytes, 0, read),
            0xFF,
        ),
        ("the CRC is inverted at its end", in_mode(data_id, mode), 0xFF),
        ("the data id's bytes are swapped", in_mode(swapped, mode), 0),
    ]
    found += [
        (f"the data id is used in mode {MODES[other]}, not {MODES[mode]}", in_mode(data_id, other), 0)
        for other in (BOTH, ALTERNATING, LOW)
        if other != mode
    ]
    found += [
        (f"the data id is that of frame {name}", in_mode(int(codec.table.data_id[g]), mode), 0)
        for g, name in enumerate(codec.frames)
        if g != f and codec.table.profile[g] == PROFILE_1
    ]
    return found
