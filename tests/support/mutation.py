"""Code broken on purpose, place by place, to see whether its checks see it.

A mutant is a function with one thing changed in its syntax tree: a comparison turned round or moved onto the
limit, and/or, least/greatest, first/last, plus/minus, times/over, a term or a sign dropped, a number one
more, and where asked for a statement left out. Its code takes the place of the function's for as long as
the checks run.

Compiled functions are broken in their Python: :func:`in_python`. The checks are then the ordinary tests of
a file, read anew so that they see that Python: :func:`checks_in`.
"""

from __future__ import annotations
import __future__

import ast
import contextlib
import copy
import functools
import importlib.util
import inspect
import itertools
import signal
import textwrap
import time
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from pathlib import Path
from types import CodeType, FrameType, FunctionType, ModuleType
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, settings

Check = Callable[[], object]

COMPARISONS: dict[type, list[type]] = {
    ast.Lt: [ast.LtE, ast.GtE],
    ast.LtE: [ast.Lt, ast.Gt],
    ast.Gt: [ast.GtE, ast.LtE],
    ast.GtE: [ast.Gt, ast.Lt],
    ast.Eq: [ast.NotEq],
    ast.NotEq: [ast.Eq],
    ast.Is: [ast.IsNot],
    ast.IsNot: [ast.Is],
    ast.In: [ast.NotIn],
    ast.NotIn: [ast.In],
}
OPERATIONS: dict[type, type] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.BitXor: ast.BitOr,
    ast.And: ast.Or,
    ast.Or: ast.And,
}
NAMES = {"min": "max", "argmin": "argmax", "minimum": "maximum", "any": "all", "floor": "ceil"}
NAMES |= {new: old for old, new in NAMES.items()}
FIRST_ARGUMENT = {"abs", "hypot", "sqrt"}  # dropped, so that what they do to it is


STATEMENTS = (ast.Assign, ast.AugAssign, ast.Expr, ast.Continue, ast.Return)
"""What can be left out."""


def variants(node: ast.AST, statements: bool) -> Iterator[ast.AST]:
    """What takes a node's place, one at a time."""
    if statements and isinstance(node, STATEMENTS):
        yield ast.Pass()
    if isinstance(node, ast.Compare) and len(node.ops) == 1:
        for new in COMPARISONS.get(type(node.ops[0]), []):
            yield ast.Compare(node.left, [new()], node.comparators)
    elif isinstance(node, ast.BinOp) and type(node.op) in OPERATIONS:
        yield ast.BinOp(node.left, OPERATIONS[type(node.op)](), node.right)
        if isinstance(node.op, ast.Add | ast.Sub):
            yield node.left
        elif isinstance(node.op, ast.Mult):
            yield node.right
    elif isinstance(node, ast.BoolOp):
        yield ast.BoolOp(OPERATIONS[type(node.op)](), node.values)
    elif isinstance(node, ast.UnaryOp):
        yield node.operand
    elif isinstance(node, ast.IfExp | ast.If) and isinstance(node.test, ast.Name | ast.Attribute | ast.Call):
        changed = copy.copy(node)
        changed.test = ast.UnaryOp(ast.Not(), node.test)
        yield changed
    elif isinstance(node, ast.Constant) and type(node.value) in (int, float):
        yield ast.Constant(node.value + 1)
    elif isinstance(node, ast.Call):
        name = getattr(node.func, "attr", getattr(node.func, "id", ""))
        if name in NAMES:
            func = copy.copy(node.func)
            setattr(func, "attr" if isinstance(func, ast.Attribute) else "id", NAMES[name])
            yield ast.Call(func, node.args, node.keywords)
        elif name in FIRST_ARGUMENT:
            yield node.args[0]
    elif isinstance(node, ast.AugAssign) and type(node.op) in OPERATIONS:
        yield ast.AugAssign(node.target, OPERATIONS[type(node.op)](), node.value)


def tree_of(function: FunctionType) -> ast.Module:
    tree = ast.parse(textwrap.dedent(inspect.getsource(function)))
    (definition,) = tree.body
    assert isinstance(definition, ast.FunctionDef)
    definition.args.defaults, definition.decorator_list = [], []
    definition.returns = None
    if ast.get_docstring(definition):
        del definition.body[0]
    for node in ast.walk(definition):
        if isinstance(node, ast.arg):
            node.annotation = None
        elif isinstance(node, ast.AnnAssign):
            node.annotation = ast.Name("object", ast.Load())
    return tree


def mutants(function: FunctionType, *, statements: bool = False) -> Iterator[tuple[str, CodeType]]:
    """What was changed into what, and the code; ``statements``: also what lacks one of them."""
    tree = tree_of(function)
    spots = [
        (parent, field, place)
        for parent in ast.walk(tree)
        for field, value in ast.iter_fields(parent)
        for place in (range(len(value)) if isinstance(value, list) else [None])
    ]
    for parent, field, place in spots:
        node = getattr(parent, field) if place is None else getattr(parent, field)[place]
        if not isinstance(node, ast.AST):
            continue
        for new in variants(node, statements):
            _put(parent, field, place, new)
            ast.fix_missing_locations(tree)
            code = compile(tree, "<mutant>", "exec", flags=__future__.annotations.compiler_flag)
            _put(parent, field, place, node)
            (inner,) = (c for c in code.co_consts if isinstance(c, CodeType))
            old = node.test if isinstance(node, ast.If) else node
            shown = new.test if isinstance(new, ast.If) else new
            within = ast.unparse(parent).splitlines()[0] if isinstance(old, ast.Constant) else ""
            yield f"{ast.unparse(old)} -> {ast.unparse(shown)}{' in ' if within else ''}{within}", inner


def _put(parent: ast.AST, field: str, place: int | None, node: ast.AST) -> None:
    if place is None:
        setattr(parent, field, node)
    else:
        getattr(parent, field)[place] = node


def survives(
    function: FunctionType, code: CodeType, checks: list[Check], costs_s: Mapping[Check, float]
) -> bool:
    """Whether no check sees that the function's code is another one.

    The check that sees it goes to the front of ``checks``: it is likely to see the next one, too.
    ``costs_s``: what each takes without a mutant, of computing.
    """
    whole = function.__code__
    function.__code__ = code
    try:
        for place, check in enumerate(checks):
            with contextlib.suppress(_Seen), _seen_if_it_fails(0.5 + 5.0 * costs_s[check]):
                check()
                continue
            checks.insert(0, checks.pop(place))
            return False
    finally:
        function.__code__ = whole
    return True


class _Seen(Exception):
    """A check saw the mutant."""


@contextlib.contextmanager
def _seen_if_it_fails(cpu_s: float) -> Iterator[None]:
    """A check that fails, or computes for longer than it ever would (a loop without an end), raises _Seen."""

    def endless(number: int, frame: FrameType | None) -> None:
        raise TimeoutError

    before = signal.signal(signal.SIGVTALRM, endless)
    signal.setitimer(signal.ITIMER_VIRTUAL, cpu_s)
    try:
        yield
    except Exception as error:
        raise _Seen from error
    except pytest.fail.Exception as error:
        if not str(error).startswith("DID NOT RAISE"):  # but the time that pytest gives the whole run
            raise
        raise _Seen from error
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)
        signal.signal(signal.SIGVTALRM, before)


def _cost_s(check: Check) -> float:
    """What a check takes of computing; it has to pass."""
    begun = time.process_time()
    check()
    return time.process_time() - begun


def unseen(
    functions: Iterable[FunctionType],
    checks: Callable[[str], list[Check]],
    same: Collection[tuple[str, str]],
    *,
    statements: bool = False,
) -> tuple[list[tuple[str, str]], int]:
    """(function, change) of the mutants that no check sees, but should; and how many mutants there were.

    checks  of a function's mutants, by its qualified name; without a mutant they all have to pass
    same    those that say the same, of which none may be seen: a list that is not true any more fails
    """
    survivors, seen, count = [], set(same), 0
    costs_s: dict[Check, float] = {}
    for function in functions:
        name = function.__qualname__
        these = checks(name)
        costs_s |= {check: _cost_s(check) for check in these if check not in costs_s}
        these.sort(key=costs_s.__getitem__)  # what is quick has the first look
        for change, code in mutants(function, statements=statements):
            count += 1
            if survives(function, code, these, costs_s):
                seen.discard((name, change))
                if (name, change) not in same:
                    survivors.append((name, change))
    assert not seen, f"listed as saying the same, but seen or gone: {seen}"
    return survivors, count


# --- compiled functions --------------------------------------------------------------------------------


class _Fields:
    """One element of a structured array with its fields as attributes, as compiled code has it."""

    __slots__ = ("_record",)

    def __init__(self, record: np.void) -> None:
        object.__setattr__(self, "_record", record)

    def __getattr__(self, name: str) -> Any:
        return self._record[name]

    def __setattr__(self, name: str, value: object) -> None:
        self._record[name] = value


def _with_fields(item: object) -> object:
    if isinstance(item, np.void):
        return _Fields(item)
    if isinstance(item, np.ndarray) and item.dtype.names:
        return item.view(np.recarray)
    return item


@contextlib.contextmanager
def in_python(module: ModuleType) -> Iterator[dict[str, FunctionType]]:
    """The module's own functions by name, in Python; meanwhile it calls them so, and so may others."""
    own = {
        name: item
        for name, item in vars(module).items()
        if getattr(item, "__module__", None) == module.__name__ and callable(item)
    }
    functions = {name: getattr(item, "py_func", item) for name, item in own.items()}
    functions = {name: item for name, item in functions.items() if isinstance(item, FunctionType)}
    vars(module).update({name: _taking_records(function) for name, function in functions.items()})
    try:
        yield functions
    finally:
        vars(module).update(own)


def unseen_by_the_tests_of(
    module: ModuleType,
    path: Path,
    same: Collection[tuple[str, str]],
    *leave_out: str,
    elsewhere: Collection[str] = (),
) -> list[tuple[str, str]]:
    """(function, change) of what ``path``'s tests don't see of ``module``, but should; prints the count.

    leave_out  tests that take too long, by name
    elsewhere  functions that other files test, by name
    """
    begun = time.perf_counter()
    with in_python(module) as functions:
        checks = checks_in(path, {name: vars(module)[name] for name in functions}, *leave_out)
        broken = [function for name, function in functions.items() if name not in elsewhere]
        survivors, count = unseen(broken, lambda _: checks, same, statements=True)
    print(f"{count} mutants in {time.perf_counter() - begun:.1f} s, {len(same)} of them say the same")
    return survivors


def checks_in(path: Path, functions: Mapping[str, object], *leave_out: str) -> list[Check]:
    """The tests of a file that need no fixture, one a set of parameters; they see ``functions`` for its own.

    Of what hypothesis draws they take a few examples, always the same. ``leave_out`` those by these names.
    """
    settings.register_profile(
        "mutants",
        max_examples=12,
        derandomize=True,
        database=None,
        deadline=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    spec = importlib.util.spec_from_file_location(f"{path.stem}_against_mutants", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    usual = settings.get_current_profile_name()
    settings.load_profile("mutants")  # which tests take over as they are defined
    try:
        spec.loader.exec_module(module)
    finally:
        settings.load_profile(usual)
    for name, function in functions.items():
        if name in vars(module):
            vars(module)[name] = function
    tests = [(name, item) for name, item in vars(module).items() if name.startswith("test_")]
    return [check for name, test in tests if name not in leave_out for check in _one_a_parameter_set(test)]


def _taking_records(function: FunctionType) -> Callable[..., object]:
    @functools.wraps(function)
    def call(*arguments: object) -> object:
        return function(*map(_with_fields, arguments))

    return call


def _one_a_parameter_set(test: Callable[..., object]) -> list[Check]:
    sets: list[dict[str, object]] = [{}]
    for mark in getattr(test, "pytestmark", []):
        if mark.name != "parametrize":
            continue
        names = mark.args[0]
        if isinstance(names, str):
            names = [name.strip() for name in names.split(",")]
        values = [value if len(names) > 1 else (value,) for value in mark.args[1]]
        sets = [old | dict(zip(names, new, strict=True)) for old, new in itertools.product(sets, values)]
    wanted = {} if hasattr(test, "hypothesis") else inspect.signature(test).parameters
    return [functools.partial(test, **values) for values in sets if set(wanted) <= set(values)]
