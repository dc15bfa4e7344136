"""At most one line a second is said of what happens often, and none is left out of the count."""

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from emulator.telemetry.counted_lines import CountedLines


def test_the_first_is_said_at_once_the_others_are_counted():
    said = []
    lines = CountedLines(said.append)
    assert lines.add("x", 10.0)
    assert [lines.add("x", 10.0 + n * 1e-3) for n in range(1, 1000)] == [False] * 999
    assert said == ["x"]
    assert not lines.flush(10.999)
    assert lines.flush(11.0)
    assert said[1] == "x (999 since the last line, 1000 in all)"
    assert not lines.flush(99.0)


@given(st.lists(st.floats(0.0, 0.3), max_size=200))
def test_one_a_second_and_all_counted(pauses):
    said, now_s, at = [], 0.0, []
    lines = CountedLines(said.append)
    for pause in pauses:
        now_s += pause
        if lines.add("x", now_s):
            at.append(now_s)
    assert all(b - a >= 1.0 for a, b in pairwise(at))
    lines.flush(now_s + 1.001)  # a second by any rounding
    if len(pauses) > 1 and len(said) > 1:
        assert said[-1].endswith(f"{len(pauses)} in all)")
