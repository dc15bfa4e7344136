"""Each criterion broken on purpose, place by place: its checks (criteria_checks) must see it.

A mutant is a judge's function with one thing changed in its syntax tree: a comparison turned round or moved
onto the limit, and/or, least/greatest, first/last, plus/minus, times/over, a term or a sign dropped, a number
one more. Its code takes the place of the function's for as long as the checks run. Mutants that no check can
see because they say the same are listed one by one, with the reason.
"""

from __future__ import annotations
import __future__

import ast
import copy
import inspect
import time
from collections.abc import Callable, Iterator
from types import CodeType, FunctionType, ModuleType

import pytest

from emulator.record import occurrence
from emulator.verdict import judge as verdict
from emulator.verdict import limits, responses, sequences
from emulator.verdict import windows as window
from tests.support.criteria_checks import ALL, CHECKS

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
    ast.And: ast.Or,
    ast.Or: ast.And,
}
NAMES = {"min": "max", "argmin": "argmax", "minimum": "maximum", "any": "all", "floor": "ceil"}
NAMES |= {new: old for old, new in NAMES.items()}
FIRST_ARGUMENT = {"abs", "hypot", "sqrt"}  # dropped, so that what they do to it is

# which criteria's checks must see a mutant of which function; of all others, those of every criterion
OF = {
    "no_fall": ["no_fall"],
    "place_error": ["place_error"],
    "_longest_silence": ["place_error"],
    "holds": ["holds"],
    "reaction": ["reaction_time"],
    "settle": ["settle_time"],
    "lap_time": ["lap_time", "sector_time"],
    "stop_distance": ["stop_distance"],
    "corner_entry": ["corner_entry"],
    "_closings": ["corner_entry"],
    "_corners": ["corner_entry"],
    "_steps": ["corner_entry"],
}
FUNCTIONS: list[tuple[ModuleType, str]] = [
    (module, name)
    for module in (limits, responses, sequences, window, occurrence)
    for name, item in vars(module).items()
    if isinstance(item, FunctionType) and item.__module__ == module.__name__
] + [(verdict, "judge_criterion"), (verdict, "_limit")]

SAME: dict[tuple[str, str], str] = {
    ("within", "1.0 -> 2.0 in -1.0"): "rows that are not looked at only have to lie below any size",
    ("stop_distance", "0.0 -> 1.0 in [0.0]"): "the way to the first row is never told: it is faster there",
    ("corner_entry", "roll[leaned_at] > 0.0 -> roll[leaned_at] >= 0.0"): "it leans there, by a share of more",
    ("_corners", "0 -> 1 in before = 0"): "a throttle that was open for a blip can't close in the first rows",
    ("active_bits", "mask >= 0.0 -> mask > 0.0"): "a mask of 0 has no bit, taken or replaced by 0",
    ("active_bits", "0.0 -> 1.0 in mask >= 0.0"): "nor has one below 1",
    ("active_bits", "mask < 2.0 ** EVENT_BITS -> mask <= 2.0 ** EVENT_BITS"): "nor one with a 53rd bit alone",
    ("step_s", "2 -> 3 in :2"): "of what is cut out the first two are used",
}
"""Mutants that say the same, and why."""


def variants(node: ast.AST) -> Iterator[ast.AST]:
    """What takes a node's place, one at a time."""
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


def tree_of(function: FunctionType) -> ast.Module:
    tree = ast.parse(inspect.getsource(function))
    (definition,) = tree.body
    assert isinstance(definition, ast.FunctionDef)
    definition.args.defaults = []
    definition.returns = None
    if ast.get_docstring(definition):
        del definition.body[0]
    for node in ast.walk(definition):
        if isinstance(node, ast.arg):
            node.annotation = None
        elif isinstance(node, ast.AnnAssign):
            node.annotation = ast.Name("object", ast.Load())
    return tree


def mutants(function: FunctionType) -> Iterator[tuple[str, CodeType]]:
    """What was changed into what, and the code."""
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
        for new in variants(node):
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


def survives(function: FunctionType, code: CodeType, checks: list[Callable[[], None]]) -> bool:
    """Whether no check sees that the function's code is another one."""
    whole = function.__code__
    function.__code__ = code
    try:
        for check in checks:
            check()
    except Exception:
        return False
    finally:
        function.__code__ = whole
    return True


def checks_of(name: str) -> list[Callable[[], None]]:
    return [check for kind in OF[name] for check in CHECKS[kind]] if name in OF else ALL


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")  # a mutant may divide by zero
def test_what_is_broken_is_seen():
    survivors, seen = [], 0
    known = set(SAME)
    begun = time.perf_counter()
    for check in ALL:
        check()
    for module, name in FUNCTIONS:
        function = getattr(module, name)
        for change, code in mutants(function):
            seen += 1
            if survives(function, code, checks_of(name)):
                if (name, change) in SAME:
                    known.discard((name, change))
                else:
                    survivors.append(f"{module.__name__}.{name}: {change}")
    print(f"{seen} mutants in {time.perf_counter() - begun:.1f} s, {len(SAME)} of them say the same")
    assert not survivors, "\n".join([f"{len(survivors)} not seen:", *survivors])
    assert not known, f"listed as saying the same, but seen or gone: {known}"
    assert seen > 400
