from __future__ import annotations

import cantools
import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from emulator.track.bus_values import physical
from emulator.wire.dbc_file import DbcFrame, read_dbc

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
