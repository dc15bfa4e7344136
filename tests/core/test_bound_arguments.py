"""A function that holds its first arguments computes what it computes when it is called with them."""

from __future__ import annotations

import copy
import gc
import os
import subprocess
import sys
import weakref
from typing import Any, NamedTuple

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from emulator.core.bound_arguments import hold
from emulator.core.compiled import bound, bound_to_other, entry, held_by_address, jit
from emulator.core.compiler import _type_of, bound_form
from emulator.core.keeping.code_key import code_key

PAIR = np.dtype([("n", np.int64), ("x", np.float64)], align=True)


class Inner(NamedTuple):
    grid: NDArray[np.float64]
    on: bool
    small: int


class Outer(NamedTuple):
    inner: Inner
    records: NDArray[np.void]
    share: float
    words: NDArray[np.uint8]


@jit
def told(o, row, a, b):  # type: ignore[no-untyped-def]
    """All that a caller can see of the arguments: shape, place by place, flags and numbers."""
    g = o.inner.grid
    total = 1000.0 * g.shape[0] + 100.0 * g.shape[1] + o.records.size + 0.25 * o.words.size
    for i in range(g.shape[0]):
        for j in range(g.shape[1]):
            total += (i + 2.0 * j + 1.0) * g[i, j]
    for i in range(row.shape[0]):
        total += i * row[i]
    for i in range(o.words.shape[0]):
        total += o.words[i] * (i + 1)
    for i in range(o.records.shape[0]):
        total += o.records[i]["n"] * o.records[i]["x"]
        o.records[i]["n"] += 1
    row[0] += a
    return (total + o.share if o.inner.on else -total) + o.inner.small + b


def arguments(rows: int, columns: int, step: int, on: bool, small: int, share: float) -> tuple[Outer, Any]:
    rng = np.random.default_rng(rows + 10 * columns)
    whole = rng.integers(-9, 9, (3 * rows, 3 * columns)).astype(np.float64)
    grid = whole[:: 3 * step, ::-3] if step < 0 else whole[::3, 1::3]
    records = np.zeros(3, PAIR)
    records["n"], records["x"] = [1, -2, 3], [0.5, 1.5, -2.5]
    row = np.arange(24, dtype=np.float64)[::4]
    return Outer(Inner(grid, on, small), records, share, np.arange(7, dtype=np.uint8)), row


@settings(deadline=None, max_examples=60)
@given(
    rows=st.integers(1, 4),
    columns=st.integers(1, 4),
    step=st.sampled_from([-1, 1]),
    on=st.booleans(),
    small=st.integers(-(2**40), 2**40),
    share=st.floats(-1e6, 1e6),
)
def test_what_is_held_is_what_was_given(
    rows: int, columns: int, step: int, on: bool, small: int, share: float
) -> None:
    """Shapes, strides of either sign, flags and numbers, against Python itself."""
    given_to_us, given_to_python = (arguments(rows, columns, step, on, small, share) for _ in range(2))
    ours = bound(told, given_to_us, 0.0, 0)
    for a, b in ((2.0, 3), (-4.0, 0)):
        assert ours(a, b) == pytest.approx(told.py_func(*given_to_python, a, b), rel=1e-12)  # type: ignore[attr-defined]
        for mine, its in zip(
            (given_to_us[0].records, given_to_us[1]),
            (given_to_python[0].records, given_to_python[1]),
            strict=True,
        ):
            assert (mine == its).all()  # written through


@jit
def first(a):  # type: ignore[no-untyped-def]
    return a[0]


@jit
def weighed(a, b, c, d, e):  # type: ignore[no-untyped-def]
    return a[0] + 10 * b + 100 * c + 1000 * d + 10000 * e


def test_of_any_number_of_arguments_up_to_four() -> None:
    a = np.array([7])
    assert bound(first, (a,))() == 7
    for more in range(5):
        values = (1, 2, 3, 4)
        behind = values[4 - more :]
        ours = bound(weighed, (a, *values[: 4 - more]), *behind)
        assert ours(*behind) == 43217
    with pytest.raises(ValueError, match="at most 4 arguments behind those held, got 5"):
        bound(weighed, (), 0, 0, 0, 0, 0)


def test_what_is_held_lives_as_long_as_who_holds_it() -> None:
    array = np.arange(3)
    gone = weakref.ref(array)
    ours = bound(first, (array,))
    array[0] = 5
    del array
    gc.collect()
    assert gone() is not None
    assert ours() == 5
    del ours
    gc.collect()
    assert gone() is None


def test_the_last_ones_are_exchanged_for_others_of_the_same_types() -> None:
    a, b = np.array([7]), np.array([2.0, 3.0])
    ours = bound(weighed, (a, 1, 2), 0, 0)
    other = bound_to_other(ours, 8, 9)
    assert (ours(3, 4), other(3, 4)) == (43217, 43987)
    rows = bound(told, arguments(2, 2, 1, True, 0, 0.0), 0.0, 0)
    _, row = arguments(2, 2, 1, True, 0, 0.0)
    before, row[:] = rows(0.0, 0), -row
    assert bound_to_other(rows, row)(0.0, 0) == before + 2.0 * (np.arange(6) @ row) + 0.5 + 1.5 - 2.5
    with pytest.raises(TypeError, match="expected arguments of the same types as before, got"):
        bound_to_other(ours, b)


@pytest.mark.parametrize("value", ["text", 1j])
def test_what_can_not_be_laid_out_is_refused(value: object) -> None:
    with pytest.raises(TypeError, match="expected arrays, numbers and tuples of them to hold, got"):
        hold((value,), (_type_of(value),))


def test_who_is_compiled_once_is_asked_again_for_other_arguments_of_the_same_types() -> None:
    bound(first, (np.arange(3),))
    compiled = bound_form(first, 0)
    before = len(compiled.overloads)
    assert bound(first, (np.arange(4, 9),))() == 4
    assert len(compiled.overloads) == before
    assert bound(first, (np.arange(4.0, 9.0),))() == 4.0
    assert len(compiled.overloads) == before + 1


def test_its_key_is_of_all_that_the_function_reaches() -> None:
    @jit
    def one(a):  # type: ignore[no-untyped-def]
        return first(a) + 1

    @jit
    def two(a):  # type: ignore[no-untyped-def]
        return first(a) + 2

    two.py_func.__qualname__ = one.py_func.__qualname__  # type: ignore[attr-defined]
    two.__qualname__ = one.__qualname__
    assert code_key(bound_form(one, 0)) != code_key(bound_form(two, 0))
    assert (bound(one, (np.arange(3),))(), bound(two, (np.arange(3),))()) == (1, 2)


def test_an_entry_and_what_holds_its_arguments_compute_the_same_bits() -> None:
    """The compiler copies the function into one that holds them; sums keep their order all the same."""
    o, row = arguments(4, 3, 1, True, 3, 0.1)
    o.inner.grid[:] = np.random.default_rng(1).normal(size=o.inner.grid.shape)
    begun = row.copy(), o.records.copy()
    plain = entry(told, o, row, 0.0, 0.0)(o, row, 0.1, 0.2)
    row[:], o.records[:] = begun
    assert bound(told, (o, row), 0.0, 0.0)(0.1, 0.2) == plain


@jit
def sum_and(array, by):  # type: ignore[no-untyped-def]
    total = by
    for i in range(array.shape[0]):
        total += array[i]
    return total


def test_by_address_it_is_the_code_that_is_called_from_python() -> None:
    @jit
    def through(weigh, held, by):  # type: ignore[no-untyped-def]
        return weigh(held, by) + 1

    array = np.arange(3)
    ours = bound(sum_and, (array,), 1)
    address, held = held_by_address(sum_and, (array,), 1)
    assert len(bound_form(sum_and, 1).overloads) == 1
    array[0] = 10
    assert entry(through, address, held, 1)(address, held, 5) == ours(5) + 1 == 10 + 1 + 2 + 5 + 1


def test_a_copy_is_of_copies() -> None:
    array = np.arange(3)
    pair = copy.deepcopy((array, bound(first, (array,))))
    array[0], pair[0][0] = 7, 9
    assert pair[1]() == 9


PROGRAM = """
import numpy as np
from emulator.core.compiled import bound, bound_to_other
from emulator.wire.e2e import crc8_1d
from numba.core import event
compiled = []
class Seen(event.Listener):
    def on_start(self, event): compiled.append(event.data["dispatcher"].py_func.__name__)
    def on_end(self, event): pass
event.register("numba:compile", Seen())
crc = bound(crc8_1d, (0, np.arange(8, dtype=np.uint8)), 0, 8)
print(int(bound_to_other(crc, 0xFF, np.arange(8, dtype=np.uint8))(0, 8)), sorted(compiled))
"""


def test_it_is_kept_and_found_again_and_left_alone_where_nothing_is_compiled(tmp_path: Any) -> None:
    def run(**more: str) -> str:
        environment = {**os.environ, "EMULATOR_CACHE": str(tmp_path / "cache"), **more}
        return subprocess.run(
            [sys.executable, "-c", PROGRAM], env=environment, capture_output=True, text=True, check=True
        ).stdout

    first_time = run()
    assert "crc8_1d_bound" in first_time
    assert run() == first_time.split()[0] + " []\n"
    assert run(NUMBA_DISABLE_JIT="1") == first_time.split()[0] + " []\n"
