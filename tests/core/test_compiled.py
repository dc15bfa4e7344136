"""What is compiled is kept, found again by any checkout, and never used for other code."""

from __future__ import annotations

import math
import os
import subprocess
import sys
from collections import namedtuple
from pathlib import Path
from typing import Any

import numba
import numpy as np
import pytest
from numba.core.errors import NumbaError

from emulator.core.compiled import entry, held_by_address, jit, jit_copied, jit_with_memory
from emulator.core.compiler import ContentCache, kept
from emulator.core.keeping.code_store import cache_folder
from emulator.core.keeping.inner_code import InnerLibrary
from emulator.loop import certificate
from emulator.stages import stepped_ticks
from emulator.wire.e2e import crc8_1d
from tests.support.package_copy import copy_package, statement_in

Pair = namedtuple("Pair", "x y")
FACTOR = 2.0

PROGRAM = """
import numpy as np
from emulator.wire.e2e import crc8_1d
from numba.core import event
compiled = []
class Seen(event.Listener):
    def on_start(self, event):
        function = event.data["dispatcher"].py_func
        compiled.extend([function.__name__] if function.__module__.startswith("emulator") else [])
    def on_end(self, event): pass
event.register("numba:compile", Seen())
print(int(crc8_1d(0xFF, np.arange(8, dtype=np.uint8), 0, 8)), sorted(compiled))
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A cache folder of the test's own, so that everything is compiled once."""
    path = tmp_path / "cache"
    monkeypatch.setenv("EMULATOR_CACHE", str(path))
    return path


def run(root: Path, folder: Path | str, program: str = PROGRAM) -> str:
    done = subprocess.run(
        [sys.executable, "-B", "-c", program],
        cwd=root,
        env={**os.environ, "PYTHONPATH": str(root), "EMULATOR_CACHE": str(folder)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def test_another_checkout_of_the_same_sources_compiles_nothing(tmp_path: Path) -> None:
    first = run(copy_package(tmp_path / "one"), tmp_path / "cache")
    assert first.endswith("['crc8_1d']")
    entries = {path.name for path in (tmp_path / "cache").iterdir()}
    second = run(copy_package(tmp_path / "two"), tmp_path / "cache")
    assert second == first.replace("['crc8_1d']", "[]")
    assert {path.name for path in (tmp_path / "cache").iterdir()} == entries


def test_a_comment_recompiles_nothing_and_a_constant_what_it_stands_in(tmp_path: Path) -> None:
    told = run(copy_package(tmp_path / "one"), tmp_path / "cache").split()[0]
    comment = copy_package(
        tmp_path / "comment", ("wire/e2e.py", "^(def crc8_1d.*)$", r"# nothing\n\n\1  # new")
    )
    assert run(comment, tmp_path / "cache") == f"{told} []"
    other = copy_package(tmp_path / "other", statement_in("wire/e2e.py", "crc8_1d", "crc = crc ^ 1"))
    assert run(other, tmp_path / "cache").split()[1] == "['crc8_1d']"
    assert run(other, tmp_path / "cache").split()[0] != told


def test_an_edit_of_a_callee_in_another_file_is_in_the_certificate(tmp_path: Path) -> None:
    """The virtual stage calls the certificate's function, compiled in: an arrival 5 ms late is 5 ms late."""
    assert stepped_ticks.account_frames is certificate.account_frames
    program = """
import numpy as np, numba
from emulator.core.compiled import jit
from emulator.loop.certificate import TimingAccounts, OutputSpec
from emulator.loop.certificate import account_frames
from emulator.core.frame_buffer import frame_buffer
@jit
def caller(accounts, frames):
    account_frames(accounts, 0, 1, frames)
budget, frames = TimingAccounts([OutputSpec("x", 5, 10.0, 0)]), frame_buffer(1)
frames.count[0], frames.can_id[0] = 1, 5
caller(budget.frame_accounts, frames)
print(budget.certificate(None))
"""
    edit = statement_in("loop/certificate.py", "account_frames", "sent_ns += 5_000_000")
    folders = f"{tmp_path / 'cache'}:{cache_folder()}"  # what the package has without the edit is there, too
    plain = run(copy_package(tmp_path / "one"), folders, program)
    late = run(copy_package(tmp_path / "two", edit), folders, program)
    assert plain != late
    assert plain == run(tmp_path / "one", folders, program)


def compiles(function: Any) -> int:
    return sum(function.dispatcher.stats.cache_misses.values())


@jit
def product(x):
    return FACTOR * x


@jit
def caller(x):
    return product(x) + 1.0


def test_a_global_that_changes_before_the_first_call_counts(folder: Path, monkeypatch: Any) -> None:
    assert jit(caller.py_func)(3.0) == 7.0
    monkeypatch.setitem(globals(), "FACTOR", 10.0)
    monkeypatch.setitem(globals(), "product", jit(product.py_func))
    again = jit(caller.py_func)
    assert again(3.0) == 31.0
    assert compiles(again) == 1


def test_fields_that_change_places_count(folder: Path, monkeypatch: Any) -> None:
    """numba takes two named tuple types for one if their class goes by the same name."""

    def first(p):
        return p.x

    assert jit(first)(Pair(1.0, 2.0)) == 1.0
    turned = namedtuple("Pair", "y x")
    turned.__module__ = __name__
    monkeypatch.setitem(globals(), "Pair", turned)
    assert jit(first)(turned(1.0, 2.0)) == 2.0


def test_found_again_without_compiling(folder: Path) -> None:
    one, two = jit(product.py_func), jit(product.py_func)
    assert (kept(one), one(2.0), compiles(one)) == ((False, False), 4.0, 1)
    assert (kept(two), two(2.0), compiles(two)) == ((True, True), 4.0, 0)
    (path,) = folder.iterdir()
    os.truncate(path, 100)  # a disk that was full
    again = jit(product.py_func)
    assert (again(2.0), compiles(again)) == (4.0, 1)


def test_code_of_another_processor_is_not_used(folder: Path, monkeypatch: Any) -> None:
    one, two = jit(product.py_func), jit(product.py_func)
    one(2.0)
    codegen = type(two.dispatcher.targetctx.codegen())
    monkeypatch.setattr(codegen, "magic_tuple", lambda _: ("triple", "other", ""))
    assert kept(two) == (False, True)
    assert (two(2.0), compiles(two)) == (4.0, 1)
    assert len(list(folder.iterdir())) == 2


@jit
def scaled(x, by, up):  # type: ignore[no-untyped-def]
    return x * by if up else x / by


@jit
def scaled_thrice(x):  # type: ignore[no-untyped-def]
    return scaled(x, 2, True) + scaled(x, 3, x > 0.0) + scaled(x, 4, False)


def test_numbers_written_out_in_calls_share_one_function(folder: Path) -> None:
    assert scaled_thrice(12.0) == 24.0 + 36.0 + 3.0
    assert sum(scaled.inner.stats.cache_misses.values()) == 1


ROOM = np.dtype([("one", "f8", (3,)), ("square", "f8", (2, 2))], align=True)


@jit
def mark(values, at):  # type: ignore[no-untyped-def]
    values[at] = 7.0
    return values[0] + values[1] + values[2]


@jit
def corners(square):  # type: ignore[no-untyped-def]
    return square[0, 1] - square[1, 0]


@jit
def mark_both(rooms, values):  # type: ignore[no-untyped-def]
    room = rooms[1]
    return mark(room.one, 1) + 100.0 * mark(values, 2) + 10000.0 * corners(room.square)


def test_an_array_within_a_record_shares_the_function_of_one_by_itself(folder: Path) -> None:
    rooms, values = np.zeros(2, ROOM), np.arange(3.0)
    rooms["one"][1], rooms["square"][1] = (1.0, 2.0, 3.0), ((1.0, 5.0), (2.0, 1.0))
    assert mark_both(rooms, values) == 11.0 + 100.0 * 8.0 + 10000.0 * 3.0
    assert rooms["one"].tolist() == [[0.0, 0.0, 0.0], [1.0, 7.0, 3.0]]
    assert values.tolist() == [0.0, 1.0, 7.0]
    assert sum(mark.inner.stats.cache_misses.values()) == 1


def test_what_changes_while_it_is_compiled_is_not_kept(folder: Path, monkeypatch: Any) -> None:
    function = jit(product.py_func)
    load = ContentCache.load_overload

    def changed_after(cache: ContentCache, sig: object, context: object) -> object:
        found = load(cache, sig, context)
        monkeypatch.setitem(globals(), "FACTOR", 20.0)
        return found

    monkeypatch.setattr(ContentCache, "load_overload", changed_after)
    function(3.0)
    assert list(folder.iterdir()) == []


def test_called_by_address_the_callee_may_change_without_the_caller(folder: Path) -> None:
    def through(step, x):
        return step(x) + 1.0

    def times(factor):
        return jit(lambda x: factor * x)

    for factor, misses in ((2.0, 1), (5.0, 0)):
        step, over = times(factor), jit(through)
        pointer, held = held_by_address(step, (3.0,))
        call = entry(over, pointer, held)
        assert call(pointer, held) == factor * 3.0 + 1.0
        assert compiles(over) == misses


def test_numba_still_asks_the_cache_as_it_did(folder: Path) -> None:
    """What this package takes of numba beyond its documentation, each by name: fails first if one changes."""
    from numba.core.caching import _Cache
    from numba.core.compiler import CompileResult

    asked = {"cache_path", "load_overload", "save_overload", "enable", "disable", "flush"}
    assert _Cache.__abstractmethods__ == asked, "numba's dispatcher asks its cache for something else"
    assert hasattr(CompileResult, "_reduce"), "numba keeps compiled functions in another way"
    plain = numba.njit(product.py_func)
    assert isinstance(plain._cache, _Cache), "numba's dispatcher keeps its cache elsewhere"
    assert isinstance(crc8_1d.dispatcher._cache, ContentCache)
    named = crc8_1d.dispatcher.targetctx.codegen().magic_tuple()
    assert len(named) == 3, "numba names the processor in another way"
    function = jit(product.py_func)
    function(np.float32(1.0))
    assert str(function.dispatcher.stats.cache_path) == str(folder)
    assert len(list(folder.iterdir())) == 1


def test_nothing_of_the_compiler_is_imported_before_the_first_call(tmp_path: Path) -> None:
    program = """
import sys
from emulator.core.compiled import uncompiled
from emulator.plant.step import tick
from emulator.wire.e2e import BOTH, profile_1_start
told = uncompiled(profile_1_start)(0x0123, BOTH, 0)
before = "numba" in sys.modules
print(before, told == profile_1_start(0x0123, BOTH, 0), "numba" in sys.modules)
"""
    assert run(Path(__file__).parents[2], tmp_path / "cache", program) == "False True True"


def test_kept_code_is_loaded_without_what_compiles_and_serves_code_compiled_later(tmp_path: Path) -> None:
    """Loaded by itself, linked into a function compiled now, and with memory of the compiler's own."""
    program = """
import sys
import numpy as np
from emulator.core.compiled import jit, jit_with_memory
from emulator.wire.e2e import crc8_1d
data = np.arange(8, dtype=np.uint8)
told = int(crc8_1d(0xFF, data, 0, 8))
compiling = "numba.np.arraymath" in sys.modules
FACTOR = int(sys.argv[1])
@jit
def twice(data):
    return FACTOR * crc8_1d(0xFF, data, 0, 8)
@jit_with_memory
def made(n):
    return np.zeros(n)
print(told, compiling, int(twice(data)) == FACTOR * told, made(3).tolist())
"""
    root, cache = Path(__file__).parents[2], tmp_path / "cache"
    first, again, other = (run(root, cache, program.replace("sys.argv[1]", f"'{k}'")) for k in (2, 2, 3))
    told = first.split()[0]
    assert first == f"{told} True True [0.0, 0.0, 0.0]"
    assert again == other == f"{told} False True [0.0, 0.0, 0.0]"


@jit
def _deep(x):  # type: ignore[no-untyped-def]
    return x * x - 1.0


@jit
def _deeper(x):  # type: ignore[no-untyped-def]
    return _deep(x) + _deep(-x)


def test_machine_code_is_made_of_what_is_called_from_outside_alone(folder: Path) -> None:
    def outside(x):  # type: ignore[no-untyped-def]
        return _deeper(x) + _deep(x)

    assert jit(outside)(2.0) == 9.0
    for function in (_deep, _deeper):
        (inner,) = function.inner.overloads.values()
        assert type(inner.library) is InnerLibrary
        assert inner.library.get_pointer_to_function(inner.fndesc.llvm_func_name) == 0
    assert len(list(folder.iterdir())) == 3

    def beside(x):  # type: ignore[no-untyped-def]
        return 2.0 * _deeper(x)

    again = jit(_deeper.py_func)  # its parts are read from where they are kept
    assert (again(2.0), jit(beside)(3.0)) == (6.0, 32.0)
    assert sum(_deep.inner.stats.cache_misses.values()) == 1


def test_what_is_called_from_outside_is_not_linked_into_other_code(folder: Path) -> None:
    function = jit(product.py_func)
    function(2.0)
    (made,) = function.dispatcher.overloads.values()
    with pytest.raises(TypeError, match="to be called from outside, not by compiled code"):
        made.library._get_module_for_linking()


def _lengthy(a, k):  # type: ignore[no-untyped-def]
    for i in range(k, 3):
        a[i] = math.tanh(a[i]) + math.atan2(a[i], 2.0) + math.hypot(a[i], 2.0)
        a[i] += math.tanh(a[i]) + math.atan2(a[i], 3.0) + math.hypot(a[i], 3.0)
        a[i] += math.tanh(a[i]) + math.atan2(a[i], 4.0) + math.hypot(a[i], 4.0)
        a[i] += math.tanh(a[i]) + math.atan2(a[i], 5.0) + math.hypot(a[i], 5.0)
        a[i] += math.tanh(a[i]) + math.atan2(a[i], 6.0) + math.hypot(a[i], 6.0)
        a[i] += math.tanh(a[i]) + math.atan2(a[i], 7.0) + math.hypot(a[i], 7.0)
        a[i] += math.tanh(a[i]) + math.atan2(a[i], 8.0) + math.hypot(a[i], 8.0)
        a[i] += math.tanh(a[i]) + math.atan2(a[i], 9.0) + math.hypot(a[i], 9.0)


@pytest.mark.parametrize(("way", "called"), [(jit, True), (jit_copied, False)])
def test_a_long_function_is_called_and_one_to_be_copied_is_not(folder: Path, way: Any, called: bool) -> None:
    long = way(_lengthy)

    def outside(a):  # type: ignore[no-untyped-def]
        long(a, 0)
        long(a, 1)
        long(a, 2)

    caller, plain, given = jit(outside), np.ones(3), np.ones(3)
    caller(given)
    for k in range(3):
        _lengthy(plain, k)
    assert given.tolist() == plain.tolist()
    (made,) = caller.dispatcher.overloads.values()
    assert any("_lengthy" in function.name for function in made.library._final_module.functions) is called


# --- memory -------------------------------------------------------------------------------------------


def _halves(values):  # type: ignore[no-untyped-def]
    return np.empty(values.shape[0] // 2).shape[0]


def _over(values):  # type: ignore[no-untyped-def]
    values[1:] = values[:-1]  # overlapping: by way of a copy


@pytest.mark.parametrize("function", [_halves, _over])
def test_what_would_ask_for_memory_is_not_compiled(folder: Path, function: Any) -> None:
    with pytest.raises(NumbaError):
        jit(function)(np.ones(4))
    jit_with_memory(function)(np.ones(4))


@jit_with_memory
def _half(values):  # type: ignore[no-untyped-def]
    return float(np.empty(values.shape[0] // 2).shape[0])


def test_what_makes_arrays_may_be_called_by_what_makes_none(folder: Path) -> None:
    def caller(values):  # type: ignore[no-untyped-def]
        return _half(values) + 1.0

    assert jit(caller)(np.ones(4)) == 3.0
