"""An hour of a bus with four frames a millisecond is imported within a minute, whatever the log's form."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import NamedTuple

import can
import numpy as np
import pytest

from tests.runs.test_long_logs import CHANNELS, an_hour, imported, write_map

FRAMES, SIGNALS = 4, 4
"""Frames a millisecond, and signals of 16 bits in each."""
FIRST = 0x120
_ROWS = 50_000
_DIGITS = np.frombuffer(b"0123456789ABCDEF", np.uint8)


def write_dbc(columns: dict[str, np.ndarray], path: Path) -> dict[str, float]:
    """A DBC of the hour's channels; returns what one count of each is, so that all fit."""
    counts = {name: float(np.abs(columns[name]).max()) / 32_000 for name in CHANNELS}
    lines = ['VERSION ""', "NS_ :", "BS_:", "BU_: L"]
    for k, name in enumerate(CHANNELS):
        if k % SIGNALS == 0:
            lines.append(f"BO_ {FIRST + k // SIGNALS} frame{k // SIGNALS}: 8 L")
        lines.append(f' SG_ {name} : {16 * (k % SIGNALS)}|16@1- ({counts[name]!r},0) [0|0] "" L')
    path.write_text("\n".join(lines) + "\n")
    return counts


class Piece(NamedTuple):
    """Frames of some seconds: time [us] (n,), identifier (n,), payload (n, 8)."""

    time_us: np.ndarray
    identifier: np.ndarray
    data: np.ndarray


def pieces(columns: dict[str, np.ndarray], counts: dict[str, float]) -> Iterator[Piece]:
    """The hour as frames, each kind 200 us behind the one before."""
    names = list(CHANNELS)
    rows = len(columns["time"])
    for first in range(0, rows, _ROWS):
        part = slice(first, min(first + _ROWS, rows))
        raw = np.zeros((part.stop - first, FRAMES * SIGNALS), "<i2")
        for k, name in enumerate(names):
            raw[:, k] = np.round(columns[name][part] / counts[name])
        time_us = np.arange(first, part.stop)[:, None] * 1000 + 200 * np.arange(FRAMES)
        identifier = np.broadcast_to(FIRST + np.arange(FRAMES), time_us.shape)
        yield Piece(time_us.ravel(), identifier.ravel(), raw.view(np.uint8).reshape(-1, 8))


def write_blf(made: Iterator[Piece], path: Path) -> None:
    """Containers of 128 kB, packed by zlib."""
    kind = np.dtype(
        "S4,<u2,<u2,<u4,<u4,<u4,<u2,<u2,<u8,<u2,u1,u1,<u4,(8,)u1"  # an object, its head, a data frame
    )
    with path.open("wb") as file:
        file.write(
            struct.pack("<4sL8B2Q2L16H", b"LOGG", 144, *8 * [0], 0, 0, 0, 0, *16 * [0]).ljust(144, b"\0")
        )
        for piece in made:
            objects = np.zeros(len(piece.time_us), kind)
            told = (
                b"LOBJ",
                32,
                1,
                48,
                1,
                2,
                0,
                0,
                piece.time_us * 1000,
                1,
                0,
                8,
                piece.identifier,
                piece.data,
            )
            for name, values in zip(kind.names, told, strict=True):
                objects[name] = values
            content = objects.tobytes()
            for at in range(0, len(content), 1 << 17):
                body = zlib.compress(content[at : at + (1 << 17)], 1)
                size = 32 + len(body)
                file.write(struct.pack("<4s2H2LH6xL4x", b"LOBJ", 16, 1, size, 10, 2, 1 << 17))
                file.write(body + bytes(size % 4))


def write_asc(made: Iterator[Piece], path: Path) -> None:
    """Lines as python-can writes them, made by columns."""
    with path.open("wb") as file:
        file.write(b"date Sat Mar 27 10:00:00.000 am 2027\nbase hex  timestamps absolute\n")
        file.write(b"internal events logged\n")
        for piece in made:
            template = b"0000.000000 1  000             Rx   d 8 " + 8 * b"00 " + b"\n"
            lines = np.tile(np.frombuffer(template, np.uint8), (len(piece.time_us), 1))
            put_digits(lines, piece.time_us, (10, 9, 8, 7, 6, 5, 3, 2, 1, 0))
            put_frame(lines, piece, 15, template.index(b"d 8 ") + 4)
            file.write(lines.tobytes())


def write_asc_fd(made: Iterator[Piece], path: Path) -> None:
    """The same as CAN FD."""
    with path.open("wb") as file:
        file.write(b"date Sat Mar 27 10:00:00.000 am 2027\nbase hex  timestamps absolute\n")
        file.write(b"internal events logged\n")
        head = b"0000.000000 CANFD   1 Rx        000                                   1 0 8  8 "
        tail = b"       0    0     3000        0        0        0        0        0\n"
        for piece in made:
            lines = np.tile(np.frombuffer(head + 8 * b"00 " + tail, np.uint8), (len(piece.time_us), 1))
            put_digits(lines, piece.time_us, (10, 9, 8, 7, 6, 5, 3, 2, 1, 0))
            put_frame(lines, piece, head.index(b"000 ", 12), len(head))
            file.write(lines.tobytes())


def write_trc(made: Iterator[Piece], path: Path) -> None:
    """Lines of version 2.1 as python-can writes them, made by columns."""
    with path.open("wb") as file:
        file.write(b";$FILEVERSION=2.1\r\n;$STARTTIME=46473.4\r\n;$COLUMNS=N,O,T,B,I,d,R,L,D\r\n;\r\n")
        head = b"      1 0000000.000 DT  1     0000 Rx -  8    "
        for piece in made:
            lines = np.tile(np.frombuffer(head + 8 * b"00 " + b"\r\n", np.uint8), (len(piece.time_us), 1))
            put_digits(lines, piece.time_us, (18, 17, 16, 14, 13, 12, 11, 10, 9, 8))
            put_frame(lines, piece, head.index(b"0000 Rx") + 1, len(head))
            file.write(lines.tobytes())


def put_digits(lines: np.ndarray, number: np.ndarray, places: Iterable[int]) -> None:
    """Decimal digits, the last one first."""
    for at in places:
        lines[:, at] = _DIGITS[number % 10]
        number = number // 10


def put_frame(lines: np.ndarray, piece: Piece, identifier: int, data: int) -> None:
    """Three digits of the identifier at a place, and the payload at another."""
    for k in range(3):
        lines[:, identifier + k] = _DIGITS[piece.identifier >> 4 * (2 - k) & 15]
    lines[:, data : data + 24 : 3] = _DIGITS[piece.data >> 4]
    lines[:, data + 1 : data + 25 : 3] = _DIGITS[piece.data & 15]


FORMS = [("blf", write_blf), ("asc", write_asc), ("fd.asc", write_asc_fd), ("trc", write_trc)]


@pytest.mark.parametrize(("ending", "write"), FORMS)
def test_what_is_written_is_what_python_can_reads(
    ending: str, write: Callable[[Iterator[Piece], Path], None], tmp_path: Path
) -> None:
    rng = np.random.default_rng(1)
    columns = {name: rng.normal(size=20) for name in CHANNELS} | {"time": np.arange(20) / 1e3}
    counts = write_dbc(columns, tmp_path / "bus.dbc")
    write(pieces(columns, counts), tmp_path / f"log.{ending}")
    [expected] = pieces(columns, counts)
    with can.LogReader(tmp_path / f"log.{ending}") as reader:
        frames = list(reader)
    assert [bytes(frame.data) for frame in frames] == [row.tobytes() for row in expected.data]
    assert [frame.arbitration_id for frame in frames] == expected.identifier.tolist()
    time_s = np.array([frame.timestamp for frame in frames])
    started_s = time_s[0] if ending == "trc" else 0.0  # which tells the time of the day
    np.testing.assert_allclose(time_s - started_s, expected.time_us / 1e6, atol=1e-9 + np.spacing(started_s))


@pytest.mark.timing  # for the ordinary run's length only: two minutes each
@pytest.mark.timeout(1800)
@pytest.mark.parametrize(("ending", "write"), FORMS)
def test_an_hour_of_a_bus_takes_less_than_a_minute_and_a_gigabyte(
    ending: str, write: Callable[[Iterator[Piece], Path], None], tmp_path: Path
) -> None:
    columns = an_hour(places=False)
    write(pieces(columns, write_dbc(columns, tmp_path / "bus.dbc")), tmp_path / f"hour.{ending}")
    del columns
    write_map(tmp_path, places=False, of_time="dbc: bus.dbc")
    imported(f"hour.{ending}", tmp_path)
