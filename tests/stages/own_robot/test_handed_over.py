"""What a Python class is handed: values by name, and a word to who asks for one that no bench has."""

import math

import pytest

from emulator.core.signals import OUTPUT_VALUES
from emulator.stages.own_robot.handed_over import Arrived, NotArrived


def test_every_value_may_be_asked_for_and_one_that_has_not_come_is_what_was_said():
    arrived = Arrived({"lean_rad": 0.1})
    assert arrived.get("lean_rad") == 0.1
    assert arrived.get("lean_rad", math.nan) == 0.1
    assert arrived.get("wheel_front_m_s") is None
    assert [arrived.get(name, 7.0) for name in (*OUTPUT_VALUES, "gnss_x_m") if name != "lean_rad"][-1] == 7.0


@pytest.mark.parametrize("ask", [Arrived.get, Arrived.__getitem__])
def test_a_name_that_no_bench_has_is_told_with_the_one_that_is_near(ask):
    with pytest.raises(
        NotArrived, match=r"'wheel_front_ms' is no value of a bench, did you mean 'wheel_front_m_s'"
    ):
        ask(Arrived(), "wheel_front_ms")
    with pytest.raises(NotArrived, match="'x' is no value of a bench; emulator list outputs"):
        ask(Arrived(), "x")
