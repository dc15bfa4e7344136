"""What a process keeps in memory: made once for the same, the last ones asked for stay."""

import pytest

from emulator.core.keeping.in_memory import Remembered, Same


def test_it_is_made_once_and_the_ones_asked_for_last_stay():
    made = []
    kept = Remembered(2)

    def get(name):
        return kept.get(name, lambda: made.append(name) or name.upper())

    assert [get(name) for name in "abab"] == ["A", "B", "A", "B"]
    assert made == ["a", "b"]
    get("a")
    get("c")  # b was asked for longest ago
    get("a")
    get("b")
    assert made == ["a", "b", "c", "b"]


def test_what_can_not_be_made_raises_each_time():
    kept = Remembered(2)
    for _ in range(2):
        with pytest.raises(ZeroDivisionError):
            kept.get("a", lambda: 1 / 0)


def test_the_same_is_one_object_not_an_equal_one():
    one, other = [1], [1]
    assert Same(one) == Same(one)
    assert hash(Same(one)) == hash(Same(one))
    assert Same(one) != Same(other)
    assert Same(one) != one
