"""The key of compiled code: nothing a function reaches can change without it, and nothing else moves it."""

from __future__ import annotations

import ast
import dis
import importlib
import inspect
import os
import pkgutil
import subprocess
import sys
import textwrap
import types as python
import zlib
from collections import namedtuple
from collections.abc import Iterator
from enum import IntEnum
from functools import cache
from importlib import metadata
from pathlib import Path

import numba
import numpy as np
import pytest
from numba.core import config

import emulator
from emulator.core.compiled import Compiled, jit
from emulator.core.keeping import code_key as module
from emulator.core.keeping import inner_code, plain_lowering, plain_steps
from emulator.core.keeping.code_key import NoKey, code_key, machine_key, signature_key
from emulator.plant.step import tick
from emulator.wire.e2e import crc8_1d

PROCESSOR = ("triple", "name", "+features")
SLOPE, OFFSETS, TABLE = 2.0, (1, 2), np.array([1.0, 2.0])
MORE = namedtuple("MORE", "a b")(1, 2)
Pair = namedtuple("Pair", "x y")


class Kind(IntEnum):
    ONE = 1


class Holder:
    """Nothing the compiler could freeze."""


HOLDER = Holder()


@jit
def callee(x):
    return x + 1.0


def plain(x):
    return callee(x)


def reaching(x):
    return callee(SLOPE * x) + OFFSETS[0] + TABLE[1] + MORE.a + Kind.ONE + numba.float32(1)


@cache
def compiled_functions() -> dict[str, object]:
    """Every compiled function of the package by module and name."""
    found = {}
    for info in pkgutil.walk_packages(emulator.__path__, "emulator."):
        if info.name != "emulator.__main__":
            for item in vars(importlib.import_module(info.name)).values():
                if isinstance(item, Compiled):
                    found[f"{item.py_func.__module__}.{item.py_func.__qualname__}"] = item
    return found


@cache
def calls() -> dict[str, set[str]]:
    """Compiled functions that each compiled function calls or names, read from the sources alone."""
    functions = compiled_functions()
    found: dict[str, set[str]] = {}
    for name in {name.rpartition(".")[0] for name in functions}:
        source = Path(importlib.import_module(name).__file__ or "").read_text()
        tree = ast.parse(source)
        home: dict[str, str] = {}
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom):
                home |= {(a.asname or a.name): f"{node.module}.{a.name}" for a in node.names}
        for node in tree.body:  # a plain function compiled under another name: NAME = jit(function)
            match node:
                case ast.Assign([ast.Name(alias)], ast.Call(ast.Name("jit"), [ast.Name(plain)])):
                    home[alias] = home.get(plain, f"{name}.{plain}")
                case ast.Assign(
                    [ast.Name(alias)], ast.Call(ast.Name("jit"), [ast.Attribute(ast.Name(of), plain)])
                ):
                    home[alias] = f"{home[of]}.{plain}"
        for node in tree.body:
            if isinstance(node, ast.FunctionDef) and f"{name}.{node.name}" in functions:
                named = set()
                inside = list(ast.walk(ast.Module(node.body, [])))
                own = {arg.arg for arg in ast.walk(node.args) if isinstance(arg, ast.arg)}
                own |= {n.id for n in inside if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Store)}
                for part in inside:
                    if isinstance(part, ast.Name) and part.id not in own:
                        named.add(home.get(part.id, f"{name}.{part.id}"))
                    elif isinstance(part, ast.Attribute) and isinstance(part.value, ast.Name):
                        named.add(f"{home.get(part.value.id)}.{part.attr}")
                found[f"{name}.{node.name}"] = named & set(functions)
    return found


def reached(name: str) -> set[str]:
    """A function and everything it calls, directly or not."""
    done, waiting = set(), {name}
    while waiting:
        one = waiting.pop()
        done.add(one)
        waiting |= calls()[one] - done
    return done


@pytest.fixture
def edited() -> Iterator[object]:
    """Changes a compiled function's code in place, as an edit of its source does, until the end."""
    before: list[tuple[python.FunctionType, python.CodeType]] = []

    def edit(function: python.FunctionType) -> None:
        """One more statement."""
        source = ast.parse(textwrap.dedent(inspect.getsource(function)))
        source.body[0].decorator_list.clear()
        body = source.body[0].body
        body.insert(1 if ast.get_docstring(source.body[0]) else 0, ast.parse("edited = 123456789").body[0])
        code = compile(
            ast.fix_missing_locations(source), "edited", "exec", dont_inherit=True, flags=0x1000000
        )
        before.append((function, function.__code__))
        function.__code__ = next(c for c in code.co_consts if isinstance(c, python.CodeType))

    yield edit
    for function, code in reversed(before):
        function.__code__ = code


def test_every_compiled_function_of_the_package_has_a_key() -> None:
    functions = compiled_functions()
    assert len(functions) > 250
    assert set(calls()) == set(functions)
    keys = {name: code_key(function) for name, function in functions.items()}
    assert len(set(keys.values())) == len(keys)


def test_globals_are_those_that_the_standard_library_tells_of() -> None:
    """Of every function of the package: what is loaded, and which attribute is taken of it at once."""
    for name, function in compiled_functions().items():
        told, loaded = set(), ""
        for step in dis.get_instructions(function.py_func.__code__):
            if step.opname == "EXTENDED_ARG":
                continue
            if loaded:
                taken = step.opname in {"LOAD_ATTR", "LOAD_METHOD"}
                told.add((loaded, str(step.argval).removeprefix("NULL|self + ") if taken else ""))
            loaded = str(step.argval) if step.opname in {"LOAD_GLOBAL", "LOAD_NAME"} else ""
        inner = any(inspect.iscode(value) for value in function.py_func.__code__.co_consts)
        found = module._read(function.py_func.__code__)[1]
        assert told <= found if inner else told == found, name


def test_names_of_arguments_count_where_they_are_given_by_name() -> None:
    call = "def g(x, y):\n    return x - y\ndef f(x):\n    return g({0}=x, {1}=1.0)\n"
    assert key_of(call.format("x", "y")) != key_of(call.format("y", "x"))


def test_an_edit_of_any_callee_changes_the_key_of_all_that_reach_it_and_of_nothing_else(edited) -> None:
    """Every function of the package edited in turn. Who reaches whom is read from the syntax trees."""
    functions = compiled_functions()
    before = {name: code_key(function) for name, function in functions.items()}
    above = {name: reached(name) for name in functions}
    reaching = {name: [other for other in functions if name in above[other]] for name in functions}
    originals, edits = {}, {}
    for name, function in functions.items():
        originals[name] = function.py_func.__code__
        edited(function.py_func)
        edits[name] = function.py_func.__code__
        for other in reaching[name]:
            assert code_key(functions[other]) != before[other], f"{name} edited, key of {other}"
        function.py_func.__code__ = originals[name]
    # A key that does not move when ten are edited at once moves for none of them. The ten are such as the
    # same functions reach, and one in five of those that do not is asked: the others would say the same.
    alike = sorted(functions, key=lambda name: (reaching[name], name))
    for ten in (alike[k : k + 10] for k in range(0, len(alike), 10)):
        for name in ten:
            functions[name].py_func.__code__ = edits[name]
        for other, key in before.items():
            if above[other].isdisjoint(ten) and zlib.crc32(f"{ten[0]} {other}".encode()) % 5 == 0:
                assert code_key(functions[other]) == key, f"{ten} edited, key of {other}"
        for name in ten:
            functions[name].py_func.__code__ = originals[name]


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("SLOPE", 2),
        ("SLOPE", np.float64(2.0)),
        ("SLOPE", np.nextafter(2.0, 3.0)),
        ("OFFSETS", (1, 3)),
        ("TABLE", np.array([1.0, 2.5])),
        ("TABLE", np.array([1.0, 2.0], np.float32)),
        ("MORE", namedtuple("MORE", "b a")(1, 2)),
        ("Kind", IntEnum("Kind", {"ONE": 2})),
        ("callee", jit(lambda x: x + 2.0)),
        ("callee", numba.njit(callee.py_func)),  # other options of the compiler
    ],
)
def test_another_value_of_a_global_is_another_key(monkeypatch, name, value) -> None:
    function = jit(reaching)
    before = code_key(function)
    monkeypatch.setitem(globals(), name, value)
    assert code_key(function) != before


def test_a_constant_behind_two_calls_counts(monkeypatch) -> None:
    """The fault that was there: a bound in the certificate's source, compiled into the virtual stage."""
    from emulator.loop import certificate
    from emulator.stages.virtual import run_ticks

    before, unmoved = code_key(run_ticks), code_key(tick)
    monkeypatch.setattr(certificate, "account_frames", jit(lambda a, sent_ns, taken, frames: None))
    monkeypatch.setattr("emulator.stages.stepped_ticks.account_frames", certificate.account_frames)
    assert code_key(run_ticks) != before
    assert code_key(tick) == unmoved


def key_of(source: str) -> str:
    space: dict[str, object] = {"__name__": "somewhere"}
    exec(compile(source, f"/{id(source)}/somewhere.py", "exec"), space)
    function = space["f"]
    assert inspect.isfunction(function)
    return code_key(function)


PLAIN = "def f(x, k=1):\n    y = 3 * x\n    return y if y else None\n"


@pytest.mark.parametrize(
    "source",
    [
        "# a comment\n\n\n" + PLAIN,
        'def f(x, k=1):\n    """Says it."""\n    y = 3 * x  # and why\n    return y if y else None\n',
        "def f(\n    x,\n    k=1,\n):\n    y = (3\n         * x)\n    return y if y else None\n",
        "def f(x: float, k: int = 1) -> float:\n    y = 3 * x\n    return y if y else None\n",
    ],
    ids=["comment", "docstring", "layout", "annotation"],
)
def test_what_the_compiler_does_not_see_moves_no_key(source) -> None:
    assert key_of(source) == key_of(PLAIN)


@pytest.mark.parametrize(
    ("old", "new"),
    [("3 * x", "3.0 * x"), ("3 * x", "x * 3"), ("k=1", "k=2"), ("x, k=1", "x, *, k=1"), ("y if y", "y if x")],
)
def test_what_the_compiler_sees_does(old, new) -> None:
    assert key_of(PLAIN.replace(old, new)) != key_of(PLAIN)


def test_functions_in_a_circle_have_a_key() -> None:
    circle = "def g(x):\n    return f(x - {0})\ndef f(x):\n    return g(x) if x > 0 else x\n"
    assert key_of(circle.format(1)) == key_of(circle.format(1)) != key_of(circle.format(2))


def test_closures_are_told_apart_by_what_they_hold() -> None:
    def adding(n):
        return jit(lambda x: x + n)

    assert code_key(adding(1)) == code_key(adding(1)) != code_key(adding(2))


def test_what_is_not_known_is_refused(monkeypatch) -> None:
    monkeypatch.setitem(globals(), "SLOPE", HOLDER)
    with pytest.raises(NoKey, match="Holder"):
        code_key(reaching)
    monkeypatch.setitem(globals(), "SLOPE", np.array([HOLDER]))
    with pytest.raises(NoKey, match="Python objects"):
        code_key(reaching)
    with pytest.raises(NoKey, match="module"):  # of which module of the package what is taken can't be seen
        key_of("from emulator.core import clock\ndef f():\n    c = clock\n    return c.x\n")


def test_signatures_differ_by_the_fields_of_named_tuples() -> None:
    """numba takes such types for the same, by the name of their class."""
    turned = namedtuple("Pair", "y x")
    turned.__module__ = Pair.__module__
    one, other = ((numba.typeof(kind(1.0, 2.0)),) for kind in (Pair, turned))
    assert str(one) == str(other)
    assert signature_key(one) != signature_key(other)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (np.zeros(1), np.zeros((1, 1))),
        (np.zeros(1), np.zeros(1, np.float32)),
        (np.zeros(1, [("a", "f8"), ("b", "f8")]), np.zeros(1, [("b", "f8"), ("a", "f8")])),
        (np.zeros(1, [("a", "f8", 2)]), np.zeros(1, [("a", "f8", 3)])),
        ((1, 2.0), (1.0, 2)),
    ],
)
def test_signatures_differ_by_type(one, other) -> None:
    assert signature_key((numba.typeof(one),)) != signature_key((numba.typeof(other),))


@pytest.mark.parametrize(
    ("setting", "value"),
    [("OPT", 1), ("BOUNDSCHECK", 1), ("DEBUGINFO_DEFAULT", 1), ("LOOP_VECTORIZE", 0), ("ENABLE_AVX", False)],
)
def test_settings_of_the_compiler_count(monkeypatch, setting, value) -> None:
    before = machine_key(PROCESSOR)
    assert getattr(config, setting) != value
    monkeypatch.setattr(config, setting, value)
    assert machine_key(PROCESSOR) != before


def test_versions_and_processor_count_and_the_number_of_cores_does_not(monkeypatch) -> None:
    before = machine_key(PROCESSOR)
    assert machine_key(("triple", "name", "-features")) != before
    assert machine_key(("triple", "another", "+features")) != before
    monkeypatch.setattr(config, "NUMBA_NUM_THREADS", 64)
    monkeypatch.setattr(config, "CACHE_DIR", "/elsewhere")
    assert machine_key(PROCESSOR) == before
    for name in ("numba", "llvmlite", "numpy", "scipy"):
        with monkeypatch.context() as patch:
            patch.setattr(
                module, "version_of", lambda n, name=name: "0" if n == name else metadata.version(n)
            )
            assert machine_key(PROCESSOR) != before
    monkeypatch.setattr("platform.python_version", lambda: "3.99.0")
    assert machine_key(PROCESSOR) != before


def _another() -> None:
    pass


@pytest.mark.parametrize(
    ("place", "name", "value"),
    [
        (plain_lowering.PlainLower, "lower_binop", _another),
        (plain_lowering, "assigned_once", _another),
        (plain_lowering, "_WHOLE", {}),
        (plain_steps, "plain_steps", _another),
        (inner_code._Compiler, "define_pipelines", _another),
    ],
)
def test_what_this_package_puts_in_the_compilers_place_counts(monkeypatch, place, name, value) -> None:
    before = machine_key(PROCESSOR)
    if callable(value):
        value.__module__ = inspect.getmodule(place).__name__
    monkeypatch.setattr(place, name, value)
    module._way.cache_clear()
    try:
        assert machine_key(PROCESSOR) != before
    finally:
        module._way.cache_clear()
    monkeypatch.undo()
    assert machine_key(PROCESSOR) == before


def test_keys_are_the_same_in_every_process() -> None:
    """Whatever order a process gives to sets and wherever objects lie."""
    imports = "from emulator.core.keeping.code_key import code_key, machine_key"
    imports += "; from emulator.plant.step import tick"
    said = {
        subprocess.run(
            [sys.executable, "-c", f"{imports}; print(code_key(tick), machine_key(()))"],
            env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True,
            text=True,
            check=True,
        ).stdout.strip()
        for seed in ("1", "2")
    }
    assert said == {f"{code_key(tick)} {machine_key(())}"}
    assert code_key(crc8_1d) != code_key(tick)
