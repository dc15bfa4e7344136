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
import importlib
import inspect
import pkgutil
import textwrap
import time
from collections.abc import Callable, Iterator
from types import CodeType, FunctionType, ModuleType

import pytest

from emulator import criteria
from emulator.criteria.kinds import KINDS
from emulator.record import occurrence
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

OTHERS = {
    "kinds": "a list",
    "temporal": "test_temporal",
    "condition": "test_condition",
    "consistency": "files",
}
"""Modules that judge nothing, and where they are tested."""
MODULES = [
    *(
        importlib.import_module(f"{criteria.__name__}.{module.name}")
        for module in pkgutil.iter_modules(criteria.__path__)
        if module.name not in OTHERS
    ),
    occurrence,
]
NOT_BROKEN = {"margin_text", "__pydantic_init_subclass__"}
"""Checked by tests of their own: words for people, and what happens when a class is made."""
OF_FUNCTIONS = {
    "_rolling": ["slip_ratio", "slip_angle"],
    "_longest_silence": ["position_error"],
    "_slowest": ["lap_time", "sector_time"],
    "_closings": ["corner_entry"],
    "_corners": ["corner_entry"],
    "_steps": ["corner_entry"],
    "braking": ["stop_distance", "corner_entry"],
}


def written_in(module: ModuleType) -> Iterator[tuple[str, FunctionType, list[str]]]:
    """Functions, methods and properties of a module, and the kinds whose checks must see them broken.

    A method of a criterion is for its own kind; of all else the checks of every criterion are asked.
    """
    for name, item in vars(module).items():
        if getattr(item, "__module__", None) != module.__name__:
            continue
        if isinstance(item, FunctionType):
            yield name, item, OF_FUNCTIONS.get(name, list(CHECKS))
        elif isinstance(item, type):
            kinds = [kind for kind, criterion in KINDS.items() if criterion is item] or list(CHECKS)
            for inner, member in vars(item).items():
                function = member.fget if isinstance(member, property) else member
                ours = isinstance(function, FunctionType) and function.__module__ == module.__name__
                # a dataclass's own methods have no source
                if ours and inner not in NOT_BROKEN and not inner.startswith("__"):
                    yield f"{name}.{inner}", function, kinds


FUNCTIONS = [(module, *entry) for module in MODULES for entry in written_in(module)]

SAME: dict[tuple[str, str], str] = {
    ("WithinLimit.find", "1.0 -> 2.0 in -1.0"): "rows that are not looked at only have to lie below any size",
    (
        "StopDistance.find",
        "0.0 -> 1.0 in [0.0]",
    ): "the way to the first row is never told: it is faster there",
    (
        "CornerEntry.find",
        "roll[leaned_at] > 0.0 -> roll[leaned_at] >= 0.0",
    ): "it leans there, by a share of more",
    ("Window._where", "first > last -> first >= last"): "both the same are refused",
    ("_corners", "0 -> 1 in before = 0"): "a throttle that was open for a blip can't close in the first rows",
    ("active_bits", "mask >= 0.0 -> mask > 0.0"): "a mask of 0 has no bit, taken or replaced by 0",
    ("active_bits", "0.0 -> 1.0 in mask >= 0.0"): "nor has one below 1",
    ("active_bits", "mask < 2.0 ** EVENT_BITS -> mask <= 2.0 ** EVENT_BITS"): "nor one with a 53rd bit alone",
    ("Ride.step_s", "2 -> 3 in :2"): "of what is cut out the first two are used",
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


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")  # a mutant may divide by zero
def test_what_is_broken_is_seen():
    survivors, seen = [], 0
    known = set(SAME)
    begun = time.perf_counter()
    for check in ALL:
        check()
    for module, name, function, kinds in FUNCTIONS:
        checks = list(dict.fromkeys(check for kind in kinds for check in CHECKS[kind]))
        checks = ALL if len(kinds) == len(CHECKS) else checks
        for change, code in mutants(function):
            seen += 1
            if survives(function, code, checks):
                if (name, change) in SAME:
                    known.discard((name, change))
                else:
                    survivors.append(f"{module.__name__}.{name}: {change}")
    print(f"{seen} mutants in {time.perf_counter() - begun:.1f} s, {len(SAME)} of them say the same")
    assert not survivors, "\n".join([f"{len(survivors)} not seen:", *survivors])
    assert not known, f"listed as saying the same, but seen or gone: {known}"
    assert seen > 400
