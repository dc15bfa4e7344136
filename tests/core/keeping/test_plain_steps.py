"""What is left out of the compiler's steps has nothing to do there."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numba import types
from numba.core import typed_passes, untyped_passes
from numba.core.compiler import Compiler, DefaultPassBuilder, Flags
from numba.core.registry import cpu_target

from emulator.core.compiled import jit
from emulator.core.keeping.inner_code import short_name
from emulator.core.keeping.plain_lowering import PlainLowering
from emulator.core.keeping.plain_steps import PlainRewrites, Unsaid, plain_steps, remembered

ROOM = np.dtype([("one", "f8", (3,)), ("count", "i8")], align=True)
COUNT = "count"


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A cache folder of the test's own, so that everything is compiled."""
    monkeypatch.setenv("EMULATOR_CACHE", str(tmp_path / "cache"))


def _plain(x):  # type: ignore[no-untyped-def]
    return x + 1.0


def _with_another_within(x):  # type: ignore[no-untyped-def]
    def more(y):  # type: ignore[no-untyped-def]
        return y * x

    return more(2.0) + 1.0


def _that_catches(x):  # type: ignore[no-untyped-def]
    try:
        if x < 0.0:
            raise ValueError
    except Exception:
        return 0.0
    return x


def _by_names(rooms):  # type: ignore[no-untyped-def]
    rooms[0]["count"] = rooms[1][COUNT] + 1
    return rooms[0]["one"][1] + rooms[0].count


def _left_out(function: Any) -> tuple[set[Any], set[Any]]:
    """Steps of the library that a function goes without, and what it has instead."""
    compiler = Compiler(cpu_target.typing_context, cpu_target.target_context, None, (), None, Flags(), {})
    usual = DefaultPassBuilder.define_nopython_pipeline(compiler.state).passes
    ours = plain_steps(usual, function.__code__)
    return {step for step, _ in usual} - {step for step, _ in ours}, {step for step, _ in ours} - {
        step for step, _ in usual
    }


def test_only_these_steps_are_left_out() -> None:
    """Fails first if the library calls one otherwise or has it do more than was read."""
    always = {
        typed_passes.AnnotateTypes,
        typed_passes.DumpParforDiagnostics,
        typed_passes.NativeLowering,
        typed_passes.NopythonRewrites,
    }
    within = {untyped_passes.InlineClosureLikes, untyped_passes.MakeFunctionToJitFunction}
    catching = {untyped_passes.WithLifting}
    assert _left_out(_plain) == (always | within | catching, {PlainLowering, PlainRewrites})
    assert _left_out(_with_another_within)[0] == always | catching
    assert _left_out(_that_catches)[0] == always | within


def test_functions_that_need_them_have_them() -> None:
    assert jit(_with_another_within)(3.0) == 7.0
    assert (jit(_that_catches)(-1.0), jit(_that_catches)(2.0)) == (0.0, 2.0)
    rooms = np.zeros(2, ROOM)
    rooms["one"], rooms["count"] = ((0.0, 0.5, 0.0), (0.0, 0.0, 0.0)), (0, 6)
    assert jit(_by_names)(rooms) == 7.5


def test_what_an_operator_makes_of_numbers_is_asked_once() -> None:
    asked = []

    def ask(_context: object, args: Any, kws: Any) -> object:
        asked.append(args)
        return object()

    answer = remembered(ask)
    numbers, array = (types.float64, types.int64), (types.float64, types.float64[:])
    assert answer(None, numbers, {}) is answer(None, list(numbers), {})
    assert answer(None, array, {}) is not answer(None, array, {})
    assert answer(None, (types.int64, types.float64), {}) is not answer(None, numbers, {})
    assert len(asked) == 4


def test_types_that_are_not_written_out_are_the_same_types() -> None:
    said = (types.float64, types.int64)
    assert Unsaid(said) == said
    assert hash(Unsaid(said)) == hash(said)
    assert str(Unsaid(said)) == "(2 types)"


def test_a_name_tells_types_apart_and_stays_short() -> None:
    record = types.Array(types.Record([("a", {"type": types.float64, "offset": 0})], 8, True), 1, "C")
    kinds = [(), (types.float64,), (types.float64, types.float64), (types.float64[:],), (record,) * 100]
    names = [short_name("some.place", kind, abi_tags=("tag",), uid=3) for kind in kinds]
    names += [short_name("some.place", (), abi_tags=(), uid=3), short_name("some.place", (), uid=4)]
    assert len(set(names)) == len(names)
    assert max(map(len, names)) < 60
    assert all(name.startswith("_ZN4some5placeB") for name in names)
    # by which its variable for what Python is asked is found
    assert short_name(".NumbaEnv.f", (), uid=1).startswith("_ZN08NumbaEnv1f")
