"""Code that is built shorter computes the same, to the last bit, and is shorter."""

from __future__ import annotations

import math
from collections import namedtuple
from pathlib import Path
from typing import Any

import numba
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as some
from llvmlite import ir as llvm  # type: ignore[import-untyped]

from emulator.core.compiled import jit, jit_with_memory
from emulator.core.keeping import plain_lowering
from emulator.core.keeping.plain_lowering import PlainBuilder, PlainLower, assigned_once

ROOM = np.dtype([("one", "f8", (3,)), ("square", "f8", (2, 2)), ("open", "?"), ("count", "i8")], align=True)
Place = namedtuple("Place", "line grid rooms inner")
Inner = namedtuple("Inner", "few")


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A cache folder of the test's own, so that everything is compiled."""
    monkeypatch.setenv("EMULATOR_CACHE", str(tmp_path / "cache"))


def place() -> Any:
    rooms = np.zeros(3, ROOM)
    rooms["one"], rooms["square"] = np.arange(9.0).reshape(3, 3), np.arange(12.0).reshape(3, 2, 2)
    rooms["open"], rooms["count"] = (True, False, True), (4, -5, 6)
    strided = np.arange(24.0).reshape(4, 6)[::2, ::3]
    return Place(np.arange(5.0), strided, rooms.view(np.recarray), Inner(np.arange(24.0).reshape(2, 3, 4)))


def left_by(compiled: Any, *arguments: Any) -> tuple[bytes, list[bytes]]:
    """What a function returns and leaves behind."""
    where = place()
    result = compiled(where, *arguments)
    rooms = (where.rooms[name] for name in ROOM.names or ())  # without what lies between
    left = (where.line, where.grid, where.inner.few, *rooms)
    return np.array(result).tobytes(), [array.tobytes() for array in left]


def elements(p, i, k):  # type: ignore[no-untyped-def]
    p.line[i] = p.line[-1] + p.grid[i, k] * p.inner.few[1, -i, k]
    p.grid[-1, 0] = p.grid[k, -2] - p.line[2]
    row = p.inner.few[k]
    row[i, 3] = p.inner.few[0, 1][i] + row[0, 0]
    column = p.inner.few[:, 1, i]
    column[k] = row[-1][1] + p.grid[i][-1] + p.grid[-1][k]
    slanting = p.inner.few[1][:, 2]
    slanting[1] += p.inner.few[0][1:, i][0]
    return p.line[0] + column[0] + row.shape[1] + p.grid.shape[0] + len(column)


def fields(p, i, k):  # type: ignore[no-untyped-def]
    room = p.rooms[i - 2]
    room.one[k] = room.square[k, i - 1] + room.count
    room.open = not p.rooms[0].open
    if p.rooms[2].open:
        room.count += k
    return room.one[0] * room.count + (1.0 if room.open else 2.0)


def loops(p, i, k):  # type: ignore[no-untyped-def]
    total, seen = 0.0, 0
    for a in range(i + 2):
        for b in range(a, 4):
            if b == k + 2:
                break
            total = total * 1.7 + p.line[b] + a
            seen = b
        else:
            total -= 0.25
    for a in range(4, k, -2):
        total += a / 3.0
    for a in range(k, k - 3):
        seen += 100 * a
    for _ in range(0):
        seen = -1
    while seen > 3:
        seen -= 2
        total *= 1.5
    return total + 10.0 * seen


def numbers(p, i, k):  # type: ignore[no-untyped-def]
    x, y = p.line[i] - 1.5, p.line[k] - 2.0
    a = min(x, y) + 3.0 * max(x, y) - x / y + (1.0 if x < y else 2.0) + (4.0 if x != y else 8.0)
    n = min(i, k) * 7 - max(i, k) + (1 if i >= k else 2)
    a += x**2 + n // 3 + n % 4
    if i == k or not x > y:
        a = -a
    for j in range(3):
        if j != i:
            a += p.line[j]
    return a * n


@pytest.mark.parametrize("function", [elements, fields, loops, numbers])
def test_what_is_built_our_way_computes_as_the_library_does(function: Any) -> None:
    ours, theirs = jit(function), numba.njit(error_model="numpy")(function)
    for at in ((1, 0), (0, 1), (1, 1)):
        assert left_by(ours, *at) == left_by(theirs, *at)


SPECIAL = (0.0, -0.0, 1.0, -3.5, math.inf, -math.inf, math.nan, 5e-324)


def _compared(x, y):  # type: ignore[no-untyped-def]
    told = 0
    for bit, true in enumerate((x < y, x <= y, x > y, x >= y, x == y, x != y)):
        told += true << bit
    return told, min(x, y), max(x, y), x / y, x + y, x - y, x * y


@settings(max_examples=200, deadline=None)
@given(
    x=some.sampled_from(SPECIAL) | some.floats(width=64), y=some.sampled_from(SPECIAL) | some.floats(width=64)
)
def test_numbers_that_are_none_and_both_zeros_too(x: float, y: float) -> None:
    ours, theirs = COMPARED(x, y), THEIRS(x, y)
    assert ours[0] == theirs[0]
    assert np.array(ours[1:]).tobytes() == np.array(theirs[1:]).tobytes()


COMPARED, THEIRS = jit(_compared), numba.njit(error_model="numpy")(_compared)


@jit
def _refuse(x):  # type: ignore[no-untyped-def]
    if x < 0.0:
        raise ValueError("less than nothing")
    return x


@jit
def _hand_on(x):  # type: ignore[no-untyped-def]
    return _refuse(x) + _refuse(x - 1.0)


@jit_with_memory
def _catch(x):  # type: ignore[no-untyped-def]
    try:
        return _refuse(x)
    except Exception:  # all that compiled code knows
        return -1.0


@jit
def _catch_plainly(x):  # type: ignore[no-untyped-def]
    try:
        return _hand_on(x)
    except Exception:
        return -1.0


def test_what_fails_is_handed_on_or_caught() -> None:
    assert _hand_on(2.0) == 3.0
    with pytest.raises(ValueError, match="less than nothing"):
        _hand_on(0.5)
    assert (_catch_plainly(0.5), _catch_plainly(3.0), _catch(-1.0), _catch(2.0)) == (-1.0, 5.0, -1.0, 2.0)


def _pass_on(p, i):  # type: ignore[no-untyped-def]
    a = p.line
    if i > 0:
        a[i] = p.inner.few[i, 0, 0]
    return _read(p, i) + a[0]


@jit
def _read(p, i):  # type: ignore[no-untyped-def]
    return p.line[i] + p.rooms[i].one[i]


def test_nothing_is_put_together_only_to_be_taken_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    texts = []

    class Heard(PlainLower):
        def lower(self) -> None:
            super().lower()
            texts.append(str(self.module))

    monkeypatch.setattr(plain_lowering, "PlainLower", Heard)
    assert jit(_pass_on)(place(), 1) == 12.0 + 4.0 + 0.0
    assert len(texts) == 2
    for text in texts:
        assert "insertvalue" not in text
        assert "extractvalue" not in text
        assert "alloca {" not in text


def test_a_part_of_what_was_put_there_needs_no_instruction() -> None:
    word = llvm.IntType(64)
    pair = llvm.LiteralStructType([word, llvm.ArrayType(word, 2)])
    function = llvm.Function(llvm.Module(), llvm.FunctionType(word, [word, word, pair]), "f")
    builder = PlainBuilder(function.append_basic_block())
    a, b, whole = function.args
    both_in = builder.insert_value(builder.insert_value(pair(llvm.Undefined), a, 0), b, (1, 1))
    assert builder.extract_value(both_in, 0) is a
    assert builder.extract_value(both_in, (1, 1)) is b
    assert builder.extract_value(builder.insert_value(whole, whole, 0), (0, 1, 0)).operands == [whole]
    assert len(builder.block.instructions) == 1
    assert builder.extract_value(pair([word(3), None]), 0).constant == 3
    with pytest.raises(TypeError, match="used by what is not an instruction"):
        both_in.get_reference()
    builder.extract_value(both_in, 1)  # half of which was put there
    assert [i.opname for i in builder.block.instructions[1:]] == [
        "insertvalue",
        "insertvalue",
        "extractvalue",
    ]


def _known(x):  # type: ignore[no-untyped-def]
    once = x + 1.0
    twice = once
    if x > 2.0:
        within = once * 2.0
        twice = within
        perhaps = 1.0
    return once + twice + perhaps


def test_only_what_is_assigned_once_before_every_use_is_a_value() -> None:
    blocks = numba.core.compiler.run_frontend(_known).blocks
    found = assigned_once(blocks)
    assert {"x", "once", "within"} <= found
    assert not {"twice", "perhaps"} & found
