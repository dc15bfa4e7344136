from __future__ import annotations

import cantools
import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from emulator.track.bus_values import physical
from emulator.wire.dbc_file import DbcFrame, DbcSignal, read_dbc

# Every byte order, signs, a float, and two that share bits under a multiplexer; our own invention.
DBC = """VERSION ""
NS_ :
BS_:
BU_: A
BO_ 256 mixed: 8 A
 SG_ intel : 3|11@1- (0.25,-3) [0|0] "m" A
 SG_ motorola : 23|13@0- (0.5,0) [0|0] "m" A
 SG_ far : 55|16@0+ (1,0) [0|0] "m" A
BO_ 257 real: 12 A
 SG_ wide : 0|64@1- (1,0) [0|0] "m" A
 SG_ short : 64|32@1- (1,0) [0|0] "m" A
BO_ 258 shared: 8 A
 SG_ which M : 0|4@1+ (1,0) [0|0] "" A
 SG_ first m0 : 8|16@1+ (0.1,0) [0|0] "" A
 SG_ second m3 : 8|16@1- (1,0) [0|0] "" A
SIG_VALTYPE_ 257 short : 1;
"""
DATABASE = cantools.database.load_string(DBC, "dbc", strict=False)


@pytest.fixture(scope="module")
def frames(tmp_path_factory: pytest.TempPathFactory) -> dict[str, DbcFrame]:
    path = tmp_path_factory.mktemp("dbc") / "made.dbc"
    path.write_text(DBC)
    return {frame.name: frame for frame in read_dbc(path).frames}


PAYLOADS = st.lists(st.binary(min_size=12, max_size=12), min_size=1, max_size=20)


@settings(max_examples=60, deadline=None)
@example([bytes(10) + b"\x81\x7f"])  # a float that is a signalling NaN
@given(PAYLOADS)
def test_values_are_those_of_cantools(frames: dict[str, DbcFrame], payloads: list[bytes]) -> None:
    for message in DATABASE.messages:
        data = np.array([list(p[: message.length]) for p in payloads], np.uint8)
        values = physical(frames[message.name], data, np.full(len(data), message.length))
        for row, payload in enumerate(data):
            try:
                wanted = message.decode(bytes(payload), decode_choices=False)
            except cantools.database.DecodeError:  # a multiplexer that selects nothing
                wanted = {"which": payload[0] & 15}
            for name, column in values.items():
                if name not in wanted:
                    assert np.isnan(column[row])
                else:
                    np.testing.assert_array_equal(column[row], np.float64(wanted[name]))


def test_a_short_frame_has_no_value_of_what_it_does_not_carry(frames: dict[str, DbcFrame]) -> None:
    values = physical(frames["mixed"], np.zeros((2, 8), np.uint8), np.array([8, 5]))
    assert np.isnan(values["far"]).tolist() == [False, True]
    assert not np.isnan(values["intel"]).any()


def test_signals_that_are_asked_for_have_the_values_of_all(frames: dict[str, DbcFrame]) -> None:
    data = np.random.default_rng(3).integers(0, 256, (50, 8), np.uint8)
    data[:25, 0] = 3
    length = np.full(50, 8)
    for message, name in (("shared", "second"), ("mixed", "motorola")):
        of_all, alone = (
            physical(frames[message], data, length),
            physical(frames[message], data, length, [name]),
        )
        assert list(alone) == [name]
        np.testing.assert_array_equal(alone[name], of_all[name])


@st.composite
def signals(draw: st.DrawFn) -> DbcSignal:
    """A signal anywhere in eight bytes, of any length, in either order."""
    length, little = draw(st.integers(1, 64)), draw(st.booleans())
    lowest = draw(st.integers(0, 64 - length))
    sent = 64 - lowest - length  # first bit in order of sending, of which DBC counts a byte's highest as 7
    start = lowest if little else 8 * (sent // 8) + 7 - sent % 8
    order, signed = "little_endian" if little else "big_endian", draw(st.booleans())
    return DbcSignal("s", start, length, order, signed, False, 1, 0, None, None, "", "", {}, False, "", ())


@settings(max_examples=300, deadline=None)
@given(signals(), st.binary(min_size=8, max_size=8), st.integers(0, 8))
def test_a_signal_anywhere_is_the_number_that_the_payload_is(
    signal: DbcSignal, payload: bytes, length: int
) -> None:
    """The payload as one number of 64 bits, the first byte its lowest or its highest (DBC notation)."""
    little = signal.byte_order == "little_endian"
    number = int.from_bytes(payload, "little" if little else "big")
    sent = 8 * (signal.start // 8) + 7 - signal.start % 8
    lowest = signal.start if little else 64 - sent - signal.length
    expected = number >> lowest & (1 << signal.length) - 1
    if signal.is_signed and expected >> (signal.length - 1):
        expected -= 1 << signal.length
    message = DbcFrame("f", 1, False, 8, False, (), "", (signal,), None, None)
    value = physical(message, np.frombuffer(payload, np.uint8)[None], np.array([length]))["s"][0]
    last = (lowest + signal.length - 1 if little else 63 - lowest) // 8
    assert value == float(expected) if length > last else np.isnan(value)
