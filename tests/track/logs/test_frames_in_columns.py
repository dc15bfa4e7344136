"""Bus logs read in columns hold the frames that python-can reads of them, and end where it does."""

from __future__ import annotations

import contextlib
import random
import sqlite3
import struct
import zlib
from collections.abc import Sequence
from pathlib import Path

import can
import numpy as np
import pytest
from can.io.player import MESSAGE_READERS
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from emulator.core.errors import EmulatorError
from emulator.track.logs import blf, bus, frame_lines, gathered, sqlite_frames
from emulator.track.logs.gathered import EXTENDED, Gathered
from emulator.track.logs.lines.numbers import decimal
from emulator.track.logs.log import LogError, Wanted
from emulator.track.logs.opening import read_log
from emulator.track.on_disk import Shelf
from emulator.wire.dbc_file import DbcFrame
from tests.support.bus_dbc import BUS_DBC

TEXTS = {".asc", ".log", ".trc", ".csv"}
Frame = tuple[float, int, bytes]
EVERY_KIND = DbcFrame("any", 0, False, 64, True, (), "", (), None, None)


class Kept(Gathered):
    """Frames as they were put, instead of what a DBC makes of them."""

    def __init__(self, keys: set[int], folder: Path) -> None:
        super().__init__(dict.fromkeys(keys, (EVERY_KIND, ())), Shelf(folder))
        self.frames: list[Frame] = []

    def decode(self) -> None:
        block = self.block
        for k in range(block.counts[0]):
            data = block.data[k]
            assert not data[block.length[k] :].any()
            self.frames.append(
                (float(block.time_s[k]), int(block.keys[block.kind[k]]), data[: block.length[k]].tobytes())
            )
        block.counts[0] = 0


def of_library(path: Path) -> tuple[list[Frame], Exception | None]:
    """What python-can reads, and what ends it.

    Its reader of that ending is taken at once: ``LogReader`` looks through all installed packages for more.
    """
    frames: list[Frame] = []
    try:
        with MESSAGE_READERS[path.suffix](str(path)) as reader:
            for message in reader:
                if not (message.is_error_frame or message.is_remote_frame):
                    key = message.arbitration_id | (EXTENDED if message.is_extended_id else 0)
                    frames.append((message.timestamp, key, bytes(message.data)[:64]))
    except Exception as error:
        return frames, error
    return frames, None


def in_columns(path: Path, keys: set[int]) -> tuple[list[Frame], Exception | None]:
    kept = Kept(keys, path.parent)
    try:
        bus.gather_frames(path, kept)
    except Exception as error:
        kept.decode()
        return kept.frames, error
    kept.decode()
    return kept.frames, None


def same(path: Path) -> list[Frame]:
    """Both ways give the same frames and end alike, but for a last line without an end, which is left out."""
    content = path.read_bytes()
    lines = content[: max(content.rfind(b"\n"), content.rfind(b"\r")) + 1]
    cut_off = path.suffix in TEXTS and lines != content
    if cut_off:
        path.write_bytes(lines)
    frames, ended = of_library(path)
    path.write_bytes(content)
    ours, our_end = in_columns(path, {key for _, key, _ in frames})
    if cut_off and ended is None:
        assert isinstance(our_end, frame_lines.LineCutOff)
        our_end = None
    assert ours == frames
    assert (our_end is None) == (ended is None), (our_end, ended)
    return ours


def some_messages(count: int, seed: int, fd_bytes: tuple[int, ...] = (0, 7, 8, 12, 64)) -> list[can.Message]:
    """Frames of all kinds, most of them plain, with identifiers of both lengths."""
    rng, time_s, made = random.Random(seed), 1.7e9, []
    for _ in range(count):
        time_s += rng.random() * 1e-3
        extended, kind = rng.random() < 0.4, rng.random()
        about = {"timestamp": time_s, "is_extended_id": extended, "channel": 1, "is_rx": rng.random() < 0.7}
        about["arbitration_id"] = rng.randrange(1 << 29) if extended else rng.randrange(1 << 11)
        if kind < 0.05:
            made.append(can.Message(timestamp=time_s, channel=1, is_error_frame=True))
        elif kind < 0.1:
            made.append(can.Message(**about, is_remote_frame=True, dlc=rng.randrange(9)))
        elif kind < 0.2 and fd_bytes:
            data = rng.randbytes(rng.choice(fd_bytes))
            made.append(can.Message(**about, is_fd=True, data=data, bitrate_switch=rng.random() < 0.5))
        else:
            made.append(can.Message(**about, data=rng.randbytes(rng.randrange(9))))
    return made


def written(path: Path, count: int, seed: int) -> Path:
    if path.suffix == ".db":  # python-can's writer drops what waits when it is stopped
        return database(path, [row_of(message) for message in some_messages(count, seed)])
    with can.Logger(str(path)) as logger:
        for message in some_messages(count, seed):
            logger(message)
    return path


FORMS = ["blf", "asc", "log", "trc", "csv", "db"]


@pytest.mark.parametrize("ending", FORMS)
@pytest.mark.parametrize("seed", range(3))
def test_frames_of_all_kinds(ending: str, seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In pieces and blocks that are smaller than the log, so that each ends somewhere within."""
    monkeypatch.setattr(gathered, "_AT_ONCE", 500)
    monkeypatch.setattr(blf, "_PIECE", 7000)
    monkeypatch.setattr(frame_lines, "_PIECE", 7000)
    monkeypatch.setattr(sqlite_frames, "_AT_ONCE", 70)
    frames = same(written(tmp_path / f"log.{ending}", 4000, seed))
    assert len(frames) > 3000
    assert max(len(data) for _, _, data in frames) == (8 if ending == "trc" else 64)  # its writer knows no FD
    assert any(key & EXTENDED for _, key, _ in frames)


PLAIN = {
    "asc": "{k}.5 1 123 Rx d 2 01 02",
    "fd.asc": "{k}.5 CANFD 1 Rx 123x  1 0 9 12 0 1 2 3 4 5 6 7 8 9 a ff 0 0 0",
    "log": "({k}.5) can0 123#0102",
    "trc": "{k}) {k}.5 0123 2 01 02",
    "csv": "{k}.5,0x123,0,0,0,2,AQI=",
}


@pytest.mark.parametrize("form", PLAIN)
def test_plain_lines_are_not_left_to_python_can(
    form: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """But for the first one: that would be right, too, and ten times slower."""
    left: list[can.Message] = []
    monkeypatch.setattr(Kept, "add_message", lambda _, message: left.append(message))
    path = tmp_path / f"log.{form}"
    path.write_text("\n".join(PLAIN[form].format(k=k) for k in range(2, 60)) + "\n")
    frames, ended = in_columns(path, {0x123, 0x123 | EXTENDED})
    assert ended is None
    assert len(left) == 1
    assert len(frames) == (56 if form in ("asc", "fd.asc", "csv") else 57)


@pytest.mark.parametrize("ending", FORMS)
def test_frames_of_others_are_counted(ending: str, tmp_path: Path) -> None:
    path = written(tmp_path / f"log.{ending}", 300, 1)
    frames, _ = of_library(path)
    kept = Kept({frames[7][1], 5}, tmp_path)
    bus.gather_frames(path, kept)
    assert kept.taken == sum(key == frames[7][1] for _, key, _ in frames)
    assert kept.others == len(frames) - kept.taken


@pytest.mark.parametrize("ending", ["blf", "asc", "log", "trc", "csv"])
def test_a_log_cut_off_anywhere(ending: str, tmp_path: Path) -> None:
    path = written(tmp_path / f"log.{ending}", 60, 4)
    content = path.read_bytes()
    for cut in range(200, len(content), 5 if ending == "blf" else 37):
        path.write_bytes(content[:cut])
        same(path)


@pytest.mark.parametrize("ending", ["blf", "asc", "log", "trc", "csv"])
def test_damage_is_told_and_what_was_before_it_is_read(ending: str, tmp_path: Path) -> None:
    """Bytes changed by chance: it ends, in words, with the frames that python-can gives before."""
    path = written(tmp_path / f"log.{ending}", 200, 5)
    content, rng = path.read_bytes(), random.Random(6)
    for _ in range(60):
        damaged = bytearray(content)
        letters = 256 if ending == "blf" else 128  # no text at all ends a log for python-can, not for us
        for _ in range(rng.randrange(1, 4)):
            damaged[rng.randrange(150, len(content))] = rng.choice([rng.randrange(letters), 32, 48, 13])
        path.write_bytes(damaged)
        if ending != "blf":
            same(path)
        else:
            frames, ended = of_library(path)
            ours, our_end = in_columns(path, {key for _, key, _ in frames})
            assert ours == frames
            assert our_end is None or ended is not None


HEAD = "date Sat Mar 27 10:00:00.000 am 2027\nbase hex  timestamps absolute\ninternal events logged\n"
ASC_LINES = [
    "   0.010000 1  123             Rx   d 2 01 02  Length = 0 BitCount = 0 ID = 291x",
    "0.011 1 123 Rx d 2 01 02",
    "0.0115\t1\t123\tTx\td\t2\t01\tfF",
    "0.012 1 123 Rx D 2 01 02",
    "0.013 1 123 rx d 2 01 02",
    "0.014 1 1abcdefX Tx d 8 0 1 2 3 4 5 6 7 8 9",
    "0.015 1 123 Rx d 8 01 02",
    "0.016 1 123 Rx d 0",
    "0.016 1 123 Rx d 0   ",
    "0.017 1 123 Rx d f 01 02 03 04 05 06 07 08",
    "0.018 1 123 Rx d 12 01 02 03 04 05 06 07 08",
    "0.019 1 123 Rx r 8",
    "0.020 1 ErrorFrame",
    "0.021 1 Statistic: D 0 R 0 XD 0 XR 0 E 0 O 0 B 0.00%",
    "0.022 CANFD 1 Rx 123 0 0 4 4 01 02 03 04 0 0 0 0 0 0",
    "0.022 CANFD   1 Tx   1abcdefx                                  1 1 9 12 0 1 2 3 4 5 6 7 8 9 a ff 0 0 0",
    "0.022 CANFD 1 Rx 123 wheels 1 0 8 8 01 02 03 04 05 06 07 08 130000 130 200000 0 0 0 0 0",
    "0.022 CANFD 1 Rx 123 w 1 0 1 1 01",
    "0.022 CANFD 1 Rx 123 12 1 0 1 1 01",
    "0.022 CANFD 1 Rx 123 1 0 1 1 01 02",
    "0.022 CANFD 1 Rx 123 0 1 0 1 1 01",
    "0.022 CANFD 1 Rx 123 2 0 1 1 01",
    "0.022 CANFD 1 Rx 123 1 x 1 1 01",
    "0.022 CANFD 1 rx 123 1 0 1 1 01",
    "0.022 CANFD 1 Rx 123 0 0 4 4 01 02",
    "0.022 CANFD 1 Rx 123 0 0 4 3 01 02 03 04",
    "0.022 CANFD 1 Rx 123 0 0 0 0 0 0 0 0",
    "0.022 CANFD 1 Rx ErrorFrame",
    "0.022 CANFD 1 Rx ErrorFrame Not Acknowledge error, dominant error flag fffe c7 31ca Arb. 556 44 0 0 f0",
    "0.022 canfd 1 Rx 123 0 0 1 1 01",
    "0.022 CANFDX 1 Rx 123 0 0 1 1 01",
    "0.022 CANFD 1 Rx 123 caf\u00e9 0 0 1 1 01",
    "0.023 1 J1939TP FEE3p 6 0 0 - Rx d 8 01 02 03 04 05 06 07 08",
    "0.024 CAN 1 Status:chip status error active",
    "// 0.025 1 123 Rx d 1 01",
    "",
    "Begin Triggerblock Sat Mar 27 10:00:00.000 am 2027",
    "   0.000000 Start of measurement",
    "End TriggerBlock",
    "12345678901234567890.123456789012345678901234 1 123 Rx d 1 01",
    "0.026 1 123 Rx d 1 01\r",
    "0.027 1 123 Rx d 1 01\r0.028 1 123 Rx d 1 02",
    "1.5e3 1 123 Rx d 1 01",
    "0.029 100000000000 123 Rx d 1 01",
    "0.030 1 ffffffff Rx d 1 01",
    "0.030 1 123456789 Rx d 1 01",
    "0.031 1 123 Rx d 2 0_1 02",
    "0.032 1 123 Rx d 2 001 02",
    "0.033 1 123 Rx d +2 01 02",
    "\x0b0.034 1 123 Rx d 1 01",
    "0.035 1 123 Rx d 1 01\x0b",
]
BAD_ASC_LINES = [
    "0.040 1 123 Rx d 2 01 zz",
    "0.040 1 123 Rx d 2 01 100",
    "0.040 1 123 Rx d",
    "0.040 1 wheels Rx d 1 01",
    "0.040 CANFD 1 Rx 123 0 0 1 1",
    "0.040 CANFD 1 Rx 123 0 0 1 1 zz",
    "0.040 CANFD 1 Rx",
    "0.040 CANFD x Rx 123 0 0 1 1 01",
]


@pytest.mark.parametrize("newline", ["\n", "\r\n"])
@pytest.mark.parametrize("base", ["hex", "dec"])
def test_an_asc_line_of_any_form(newline: str, base: str, tmp_path: Path) -> None:
    """Each by itself between plain ones, and all in one log."""
    path = tmp_path / "log.asc"
    head = HEAD.replace("hex", base).replace("\n", newline)
    plain = "0.001 1 12 Rx d 1 10" + newline
    kept = [line for line in ASC_LINES if base == "hex" or not set(line.lower()) & set("abcdef") - set("d")]
    kept += ["0.022 CANFD 1 Rx 123 0 0 4 4 01 02 03 04 0 0", "0.022 CANFD 1 Rx 12x 1 0 10 16 " + 16 * "99 "]
    for line in [*kept, *BAD_ASC_LINES]:
        path.write_bytes((head + plain + line + newline + plain).encode())
        same(path)
    path.write_bytes((head + plain + newline.join(kept) + newline + plain).encode())
    assert len(same(path)) > 5


def test_times_since_the_line_before_are_refused(tmp_path: Path) -> None:
    """python-can takes them for times since the beginning."""
    path = tmp_path / "log.asc"
    path.write_text(HEAD.replace("absolute", "relative") + "0.1 1 12 Rx d 1 10\n0.1 1 12 Rx d 1 11\n")
    assert [time_s for time_s, _, _ in of_library(path)[0]] == [0.1, 0.1]
    assert "each time from the line before" in str(in_columns(path, {0x12})[1])


def test_a_comment_in_another_encoding_does_not_end_an_asc(tmp_path: Path) -> None:
    path = tmp_path / "log.asc"
    path.write_bytes(HEAD.encode() + b"0.1 1 12 Rx d 1 10\n// 20 \xb0C\n0.2 1 12 Rx d 1 11\n")
    assert in_columns(path, {0x12}) == ([(0.1, 0x12, b"\x10"), (0.2, 0x12, b"\x11")], None)


def test_a_line_without_an_end_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(frame_lines, "_LONGEST", 5000)
    monkeypatch.setattr(frame_lines, "_PIECE", 1000)
    path = tmp_path / "log.asc"
    path.write_text(HEAD + "0.1 1 12 Rx d 1 10\n" + "x" * 20_000)
    frames, ended = in_columns(path, {0x12})
    assert len(frames) == 1
    assert "a line of more than 5,000 bytes" in str(ended)


CANDUMP_LINES = [
    "(1700000000.100000) vcan0 123#0102",
    "(1700000000.100000) vcan0 123#0102 R",
    "(1700000000.100000) vcan0 123#0102 t",
    "(1700000000.100000) vcan0  123#0102",
    "(1700000000.100000) 7 0000123#",
    "(1700000000.100000) vcan0 123##10102",
    "(1700000000.100000) vcan0 123#R8",
    "(1700000000.100000) vcan0 123#R",
    "(1700000000.100000) vcan0 20000080#0000000000000000",
    "(1700000000.100000) vcan0 9FFFFFFF#01",
    "(1700000000.100000) vcan0 123#010",
    "",
    "  (1700000000.100000) vcan0 123#0102",
    "(1700000000.100000) vcan0 123#0102\r",
    "(1700000000) vcan0 123#0102",
    "(1700000000.123456789) vcan0 123#0102",
]
BAD_CANDUMP_LINES = [
    "(1700000000.1) vcan0 123",
    "(17) vcan0 123#zz",
    "vcan0 123#01",
    "(1.0) vcan0 123#01 x y",
]


def test_a_candump_line_of_any_form(tmp_path: Path) -> None:
    path, plain = tmp_path / "log.log", "(1.5) vcan0 012#10\n"
    for line in [*CANDUMP_LINES, *BAD_CANDUMP_LINES]:
        path.write_bytes((plain + line + "\n" + plain).encode())
        same(path)
    path.write_bytes((plain + "\n".join(CANDUMP_LINES) + "\n" + plain).encode())
    assert len(same(path)) > 5


HEAD_1 = ";$FILEVERSION=1.1\n;$STARTTIME=46000.4166\n;\n"
HEAD_1_3 = HEAD_1.replace("1.1", "1.3")
HEAD_2 = ";$FILEVERSION=2.1\n;$STARTTIME=46000.4166\n;$COLUMNS=N,O,T,B,I,d,R,L,D\n;\n"
HEAD_2_0 = ";$FILEVERSION=2.0\n;$STARTTIME=46000.4166\n;$COLUMNS=N,O,T,I,d,l,D\n;\n"
HEADS = {
    "": "1) 10 0012 1 10",
    HEAD_1: "1) 10.1 Rx 0012 1 10",
    HEAD_1_3: "1) 10.1 1 Rx 0012 - 1 10",
    HEAD_2: "1 10.123 DT 1 0012 Rx - 1 10",
    HEAD_2_0: "1 10.123 DT 0012 Rx 1 10",
}
COLUMN_LINES = {
    "": [
        "     2)      12 00000123 2 01 02 ",
        "2) 12.5 0123 0",
        "2) 12 0123 1 RTR",
        "2) 12 FFFFFFFF 4 00 00 00 08",
        "2) 12 0123 2 01",
        "2) 12 0123 1 01 02 03",
        "2) 1e1 0123 1 01",
        "",
        "; a comment",
    ],
    HEAD_1: [
        "  2)  1841.5  Rx  00000123  8  00 01 02 03 04 05 06 07 ",
        "2) 12.5 Tx 0123 1 f",
        "2) 12.5 Rx 0123 0",
        "2) 12.5 Rx 0123 0 RTR",
        "2) 12.5 Rx 0123 3 RTR",
        "2) 12.5 Warng FFFFFFFF 4 00 00 00 08 BUSHEAVY",
        "2) 12.5 Error 0008 4 00 19 08 08",
        "2) 12.5 Rx 0123 3 01 02",
        "2) 12.5 Rx 12345 1 01",
        "2) 12.5 Rx 123 1 0x1",
        "2) 12.5 Rx 123 1 001",
        "2)\x0b12.5 Rx 123 1 01",
    ],
    HEAD_1_3: [
        "2) 12.5 1 Rx 0123 - 2 01 02",
        "2) 12.5 2 Tx 00000123 - 0",
        "2) 12.5 1 Rx 0123 - 4 RTR",
        "2) 12.5 1 Error 0123 - 1 01",
    ],
    HEAD_2: [
        "      2     12.125 DT  1 00000123 Rx -  8    00 01 02 03 04 05 06 07",
        "2 12.125 FD 1 0123 Rx - 9 00 01 02 03 04 05 06 07 08 09 0a FF",
        "2 12.125 FB 1 0123 Tx - 1 01",
        "2 12.125 FE 1 0123 Tx - 2 0102",
        "2 12.125 BI 1 0123 Tx - 1 01 02 03",
        "2 12.125 DT 1 0123 Rx - 0",
        "2 12.125 DT 1 0123 Rx - 0 01",
        "2 12.125 DT 1 0123 Rx - 1",
        "2 12.125 RR 1 0123 Rx - 4",
        "2 12.125 ST 1 Rx 00 00 00 00",
        "2 12.125 ER 1 - Rx - 5 04 00 02 00 00",
        "2 12.125 DT 1 0123 -- - 1 01",
        "2 12 DT 1 0123 Rx - 1 01\t",
        ";2 12.125 DT 1 0123 Rx - 1 01",
        "2 12.125 FD 1 0123 Rx - 15 " + 70 * "01 ",
    ],
    HEAD_2_0: [
        "2 12.125 DT 00000123 Rx 8 00 01 02 03 04 05 06 07",
        "2 12.125 FD 0123 Rx 12 00 01 02 03 04 05 06 07 08 09 0a FF",
        "2 12.125 RR 0123 Rx 4",
    ],
}
BAD_COLUMN_LINES = {
    "": ["2) x 0123 1 01", "2) 12 0123 1 zz", "2) 12 0123 1 101"],
    HEAD_1: ["2) x Rx 0123 1 01", "2) 12 Rx zz 1 01", "2) 12 Rx 0123 2 01 100"],
    HEAD_1_3: ["2) 12.5 x Rx 0123 - 2 01 02"],
    HEAD_2: ["2 12 DT 1 0123 Rx - 1 0", "2 12 DT 1 0123 Rx - 1 0 1", "2 12 DT b 0123 Rx - 1 01"],
    HEAD_2_0: ["2 12.125 DT 0123 Rx l 01"],
}


@pytest.mark.parametrize("head", HEADS)
@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_a_line_in_columns_of_any_form(head: str, newline: str, tmp_path: Path) -> None:
    path, plain = tmp_path / "log.trc", HEADS[head]
    for line in [*COLUMN_LINES[head], *BAD_COLUMN_LINES[head]]:
        path.write_bytes((head + newline.join([plain, line, plain, ""])).encode())
        same(path)
    path.write_bytes((head + newline.join([plain, *COLUMN_LINES[head], plain, ""])).encode())
    assert len(same(path)) > 3


@pytest.mark.parametrize(
    "head",
    [
        HEAD_2.replace("L,D", "D,L"),
        HEAD_2.replace(",B", ""),
        HEAD_2.replace("L,D", "D"),
        HEAD_2.replace("d,", ""),
        HEAD_2.replace("O,", ""),
        HEAD_2.replace("L,", "L,l,"),
        HEAD_1 + ";$COLUMNS=N,O,T,I\n",
        HEAD_2.replace("2.1", "7.0"),
        HEAD_2.replace("N,O,T,B,I,d,R,L,D", "D"),
    ],
)
def test_columns_in_another_order(head: str, tmp_path: Path) -> None:
    path = tmp_path / "log.trc"
    path.write_text(head + 3 * "1 10.123 DT 1 0012 Rx - 1 10\n" + 3 * "1 10.123 DT 0012 Rx - 1 10\n")
    same(path)


ROW_LINES = [
    "12.5,0x123,0,0,0,2,AQI=",
    "12.5,0x123,1,0,0,3,AQID",
    "12.5,0x1ABCDEF,1,0,0,8,/+8CAwQFBgc=",
    "12.5,0x123,0,0,0,0,",
    "12.5,0x123,0,1,0,8,",
    "12.5,0x123,0,1,0,8,AQI=",
    "12.5,0x123,0,0,1,0,",
    "1700000000.1234567,0x123,0,0,0,2,AQI=",
    "12345678901234567.25,0x123,0,0,0,2,AQI=",
    "1e-05,0x123,0,0,0,2,AQI=",
    "12.5,123,0,0,0,2,AQI=",
    "12.5,0x123,2,0,0,2,AQI=",
    "12.5, 0x123,0,0,0, 2,A Q-I=",
    "12.5,0x123,0,0,0,2,AR==",
    "12.5,0x123,0,0,0,9," + 40 * "AQID",
    "nan,0x7ff,0,0,1,0,",
]
BAD_ROW_LINES = [
    "12.5,0x123,0,0,0,2",
    "12.5,0x123,0,0,0,2,A",
    "12.5,0x123,0,0,0,2,AQI=,",
    "12.5,0x123,0,0,0,,AQI=",
    "x,0x123,0,0,0,2,AQI=",
    "",
]


@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_a_row_of_any_form(newline: str, tmp_path: Path) -> None:
    path, plain = tmp_path / "log.csv", "1.5,0x12,0,0,0,1,EA=="
    head = "timestamp,arbitration_id,extended,remote,error,dlc,data"
    for line in [*ROW_LINES, *BAD_ROW_LINES]:
        path.write_bytes(newline.join([head, plain, line, plain, ""]).encode())
        same(path)
    path.write_bytes(newline.join([head, plain, *ROW_LINES, plain, ""]).encode())
    assert len(same(path)) > 8


SOME_ROWS = [(0.1 * k, 0x123, 0, 0, 0, 2, b"\x01\x02") for k in range(1, 9)]


@pytest.mark.parametrize(
    "row",
    [
        (1, 0x123, 0, 0, 0, 2, b"\x01\x02"),
        (1.0, 0x123, 1, 0, 0, 2, b"\x01\x02"),
        (1.0, 0x123, 0, 1, 0, 8, b""),
        (1.0, 0x123, 0, 1, 0, 8, b"12"),
        (1.0, 0x123, 0, 0, 1, 0, b""),
        (1.0, 0x123, 0, 0, 0, 70, bytes(70)),
        (1.0, 0x123, 0, 0, 0, 0, None),
        (1.0, 0x123, None, 0, 0, 0, b"1"),
        (1.0, 0x123, 0, 0, 0, 2, "12"),
        (1.0, "wheels", 0, 0, 0, 0, b"1"),
        (None, 0x123, 0, 0, 0, 0, b"1"),
        (1.0, 1 << 29, 0, 0, 0, 0, b"1"),
    ],
)
def test_a_row_of_a_database_of_any_form(row: tuple[object, ...], tmp_path: Path) -> None:
    path = database(tmp_path / "log.db", [*SOME_ROWS, row, *SOME_ROWS])
    frames, ended = of_library(path)
    ours, our_end = in_columns(path, {key for _, key, _ in frames if isinstance(key, int)} | {1})
    good = [frame for frame in frames if isinstance(frame[0], float | int) and isinstance(frame[1], int)]
    if row[0] is not None:
        assert ours == good
        assert (our_end is None) == (ended is None)
    else:
        assert our_end is not None
        assert ours == good[: len(SOME_ROWS)]


def row_of(message: can.Message) -> tuple[object, ...]:
    """As python-can puts it into a database."""
    flags = (message.is_extended_id, message.is_remote_frame, message.is_error_frame)
    return (message.timestamp, message.arbitration_id, *flags, message.dlc, bytes(message.data))


def database(path: Path, rows: Sequence[tuple[object, ...]]) -> Path:
    with contextlib.closing(sqlite3.connect(path)) as made:
        made.execute(
            "CREATE TABLE messages (ts REAL, arbitration_id INTEGER, extended INTEGER, remote INTEGER, "
            "error INTEGER, dlc INTEGER, data BLOB)"
        )
        made.executemany("INSERT INTO messages VALUES (?, ?, ?, ?, ?, ?, ?)", rows)
        made.commit()
    return path


def test_a_database_is_left_as_it_is(tmp_path: Path) -> None:
    path = database(tmp_path / "log.db", SOME_ROWS)
    path.chmod(0o444)
    before = path.read_bytes()
    assert len(in_columns(path, {0x123})[0]) == len(SOME_ROWS)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["log.db"]


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.text("0123456789.afxXRTdD \t\r#()_+-CN,=;", max_size=40), max_size=5))
def test_lines_of_any_letters(tmp_path: Path, lines: list[str]) -> None:
    for name, plain in (
        ("log.asc", "0.001 1 12 Rx d 1 10\n"),
        ("log.log", "(1.5) vcan0 012#10\n"),
        ("log.trc", "1) 10 0012 1 10\n"),
        ("log.csv", "1.5,0x12,0,0,0,1,EA==\n"),
    ):
        path = tmp_path / name
        path.write_bytes((plain + plain + "\n".join(lines) + "\n" + plain).encode())
        same(path)


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 10**14), st.integers(0, 10**9), st.integers(1, 9))
def test_times_are_rounded_as_python_rounds_them(tmp_path: Path, whole: int, part: int, digits: int) -> None:
    text = f"{whole}.{part % 10**digits:0{digits}d}"
    number, behind = decimal(np.frombuffer(text.encode() + b" ", np.uint8), 0, len(text) + 1, 1)
    assert behind in (len(text), -1)  # of some, python-can is asked
    assert behind < 0 or number == float(text)
    path = tmp_path / "log.log"
    path.write_text(f"(1.5) vcan0 012#10\n({text}) vcan0 012#10\n")
    assert in_columns(path, {0x12})[0][1][0] == float(text)


def test_times_of_any_day_are_read_without_python_can() -> None:
    """Seven digits behind the point, as of a clock's: 17 of them, more than a floating-point number holds."""
    rng, there = random.Random(3), 0
    for _ in range(5000):
        text = repr(1.7e9 + 1e8 * rng.random())
        number, behind = decimal(np.frombuffer(text.encode(), np.uint8), 0, len(text), 1)
        assert behind < 0 or number == float(text)
        there += behind == len(text)
    assert there > 4990


@pytest.mark.parametrize(
    ("text", "value"),
    # halves of the last place, by counting: 2**53 is the first with a distance of 2 to the next
    [
        ("9007199254740992.9999999", None),
        ("4503599627370497.5", None),
        ("4503599627370497.25", 4503599627370497.0),
    ],
)
def test_a_time_too_close_to_the_middle_is_left(text: str, value: float | None) -> None:
    number, behind = decimal(np.frombuffer(text.encode(), np.uint8), 0, len(text), 1)
    assert (behind < 0) if value is None else (behind == len(text) and number == value == float(text))


# -- BLF of kinds that no writer at hand makes ------------------------------------------------------------


def blf_of(objects: bytes, *, packed: bool = True, told: int | None = None) -> bytes:
    """A file of one container, packed as quickly as it goes."""
    body = zlib.compress(objects, 1) if packed else objects
    size = 32 + len(body) if told is None else told
    head = struct.pack(
        "<4sL8B2Q2L16H", b"LOGG", 144, *8 * [0], 0, 0, 0, 0, *(2027, 3, 6, 27, 10, 0, 0, 5), *8 * [0]
    )
    container = struct.pack("<4s2H2LH6xL4x", b"LOBJ", 16, 1, size, 10, 2 if packed else 0, len(objects))
    return head.ljust(144, b"\0") + container + body + bytes(size % 4 if told is None else 0)


def blf_object(kind: int, body: bytes, *, version: int = 1, flags: int = 2, ticks: int = 1234567) -> bytes:
    rest = struct.pack("<LHHQ", flags, 0, 0, ticks) + (bytes(8) if version == 2 else b"")
    size = 16 + len(rest) + len(body)
    return (
        struct.pack("<4s2H2L", b"LOBJ", 16 + len(rest), version, size, kind) + rest + body + bytes(size % 4)
    )


CLASSIC = struct.pack("<HBBL8s", 1, 0, 8, 0x123, bytes(range(8)))
FD_64 = struct.pack("<4B7LH2BL", 1, 9, 12, 0, 0x8000_0123, 0, 0x1000, 0, 0, 0, 0, 0, 0, 0, 0)


@pytest.mark.parametrize("packed", [False, True])
@pytest.mark.parametrize(
    "objects",
    [
        blf_object(1, CLASSIC),
        blf_object(86, CLASSIC + bytes(8), version=2),
        blf_object(1, CLASSIC, flags=1),
        blf_object(1, CLASSIC, version=3),
        blf_object(1, CLASSIC[:2] + b"\x80" + CLASSIC[3:]),
        blf_object(1, CLASSIC[:3] + b"\x0f" + CLASSIC[4:]),
        blf_object(101, FD_64 + bytes(range(12))),
        blf_object(101, FD_64 + bytes(range(5))),
        blf_object(101, FD_64[:35] + b"\x4c" + FD_64[36:] + bytes(range(12))),
        blf_object(72, b"something else"),
    ],
)
def test_objects_of_a_blf(objects: bytes, packed: bool, tmp_path: Path) -> None:
    path = tmp_path / "log.blf"
    path.write_bytes(blf_of(blf_object(1, CLASSIC) + objects + blf_object(1, CLASSIC), packed=packed))
    assert len(same(path)) >= 2


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (blf_of(blf_object(1, CLASSIC) + b"LOBJ" + bytes(60)), "no object begins"),
        (blf_of(blf_object(1, CLASSIC) + bytes(64)), "no object begins"),
        (blf_of(blf_object(1, CLASSIC)) + b"some other words", "no container begins"),
        (blf_of(blf_object(1, CLASSIC)) + b"LOBJ", "ends within the head"),
        (blf_of(blf_object(1, CLASSIC), told=20), "ends within its head"),
        (b"LOGG", "none of a BLF"),
    ],
)
def test_a_blf_that_makes_no_sense_is_told(content: bytes, said: str, tmp_path: Path) -> None:
    """An object of no length would be its own follower for ever."""
    path = tmp_path / "log.blf"
    path.write_bytes(content)
    frames, ended = in_columns(path, {0x123})
    assert said in str(ended)
    assert len(frames) == (0 if content == b"LOGG" or "its head" in said else 1)


def test_a_container_that_unpacks_to_gigabytes_takes_little_memory(tmp_path: Path) -> None:
    """Zeros pack two hundredfold; a piece at a time is unpacked, and the first says that it is damaged."""
    path = tmp_path / "log.blf"
    path.write_bytes(blf_of(bytes(300_000_000)))
    with path.open("rb") as file:
        file.seek(144)
        sizes = [len(piece) for piece in blf._contents(file)]
    assert sum(sizes) == 300_000_000
    assert max(sizes) <= 1 << 20
    assert "no object" in str(in_columns(path, {1})[1])


@pytest.mark.parametrize("ending", FORMS)
def test_too_many_frames_are_told(ending: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gathered, "_MOST_FRAMES", 50)
    monkeypatch.setattr(gathered, "_AT_ONCE", 30)
    path, dbc = tmp_path / f"log.{ending}", tmp_path / "bus.dbc"
    dbc.write_text(BUS_DBC)
    with can.Logger(str(path)) as logger:
        for k in range(60):
            logger(can.Message(timestamp=0.01 * k, arbitration_id=291, data=bytes(8), is_extended_id=False))
    with pytest.raises(LogError, match="holds more than 50 frames"):
        read_log(path, [Wanted("wheels.speed")], dbc=dbc)


def test_a_log_that_ends_in_damage_is_read_to_there_with_a_remark(tmp_path: Path) -> None:
    path, dbc = tmp_path / "log.blf", tmp_path / "bus.dbc"
    dbc.write_text(BUS_DBC)
    path.write_bytes(blf_of(blf_object(1, CLASSIC) + bytes(64)))
    log = read_log(path, [Wanted("wheels.speed")], dbc=dbc)
    assert log.series[Wanted("wheels.speed")].values.tolist() == [0x0100 * 0.01]
    assert log.remarks == ["the log breaks off after 1 frames: no object begins where the one before it ends"]
    path.write_bytes(blf_of(bytes(64)))
    with pytest.raises(EmulatorError, match="no object begins"):
        read_log(path, [Wanted("wheels.speed")], dbc=dbc)
    assert np.isfinite(log.series[Wanted("wheels.speed")].time_s).all()
