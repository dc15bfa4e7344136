"""Moments and answers as numbers in a row: where each stands, and what is refused."""

import math
import struct

import pytest

from emulator.stages.own_robot.at_socket.packed import packed_from
from emulator.stages.own_robot.protocol import Moment, RobotFailed

NAMED = (
    "hear lean_rad\nhear gnss_x_m\ngive throttle\nhear gear\n"
    "note offset_m\ngive steering_torque_Nm\nnote error_m\n"
)


def moment(time_ns, **values):
    return Moment(time_ns, [], [], values)


def test_values_stand_in_the_order_they_were_named_in_and_stay_until_others_come():
    packed = packed_from(NAMED)
    form = "<q3d3B"
    time_ns, *first = struct.unpack(form, packed.moment(moment(2_000_000, gear=3.0, throttle=0.5)))
    assert time_ns == 2_000_000
    assert [math.isnan(value) for value in first[:2]] == [True, True]  # they never came
    assert first[2:] == [3.0, 0, 0, 1]
    second = struct.unpack(form, packed.moment(moment(4_000_000, gnss_x_m=-7.5, lean_rad=math.nan)))
    assert second[0] == 4_000_000
    assert math.isnan(second[1])  # it came as not available
    assert second[2:] == (-7.5, 3.0, 1, 1, 0)
    assert struct.unpack(form, packed.leave())[0] == -1


def test_an_answer_is_the_time_the_values_and_the_notes():
    packed = packed_from(NAMED)
    said = struct.pack("<q4d", 6_000_000, 0.25, -12.5, 0.1, 0.2)
    assert len(said) == packed.answer_size
    answer = packed.answer(said, 6_000_000)
    assert answer.values == {"throttle": 0.25, "steering_torque_Nm": -12.5}
    assert answer.notes == {"offset_m": 0.1, "error_m": 0.2}


def test_an_answer_to_another_moment_is_nonsense():
    packed = packed_from(NAMED)
    with pytest.raises(RobotFailed, match=r"answered to time 4000000; expected 6000000, in 40 bytes"):
        packed.answer(struct.pack("<q4d", 4_000_000, 0.0, 0.0, 0.0, 0.0), 6_000_000)


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("hear lean", "did you mean 'lean_rad'"),
        ("give throttel", "did you mean 'throttle'"),
        ("note offset in metres", "expected note NAME"),
        ("hear", "expected hear NAME"),
        ("value throttle 0.5", "expected hear, give, note or done"),
        ("give throttle", "once"),
    ],
)
def test_a_name_that_is_none_is_refused(line, says):
    with pytest.raises(RobotFailed, match=says):
        packed_from(f"give throttle\n{line}\n")
