"""The steps of numba's compiler for functions without its memory: none that can't find anything to do.

Each of its steps goes over a whole function, and after most of them it is worked out anew which variable
lives how long. What they look for is in the function's byte code or in the types of its variables, or it is
not there: a function within it, an array put together from lists, a type to be shown to somebody.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from types import CodeType
from typing import Any

from numba.core import compiler_machinery as untyped_machinery
from numba.core import typed_passes as untyped_typed
from numba.core import types as untyped_types
from numba.core import untyped_passes as untyped_untyped
from numba.core import utils as untyped_utils

from emulator.core.keeping.plain_lowering import PlainLowering

# the library's own types leave most of these out
machinery: Any = untyped_machinery
typed: Any = untyped_typed
types: Any = untyped_types
untyped: Any = untyped_untyped
utils: Any = untyped_utils

_INSTEAD: dict[Any, Any] = {typed.NativeLowering: PlainLowering}
_FOR_SHOW = frozenset({typed.AnnotateTypes, typed.DumpParforDiagnostics})
_OF_FUNCTIONS_WITHIN = frozenset({untyped.InlineClosureLikes, untyped.MakeFunctionToJitFunction})
_OF_BLOCKS_THAT_CATCH = frozenset({untyped.WithLifting})


@machinery.register_pass(mutates_CFG=True, analysis_only=False)
class PlainRewrites(typed.NopythonRewrites):  # type: ignore[misc]
    """numba's changes once types are known: fields that are called by a text, and arrays made of others."""

    _name = "plain_rewrites"

    def run_pass(self, state: Any) -> bool:
        """Whether anything was changed: an array made of others would want memory, and is refused anyway."""
        if any(isinstance(kind, types.StringLiteral) for kind in state.typemap.values()):
            return bool(super().run_pass(state))
        return False


_INSTEAD[typed.NopythonRewrites] = PlainRewrites


def plain_steps(steps: list[tuple[Any, str]], code: CodeType) -> list[tuple[Any, str]]:
    """Of numba's steps those that a function of this code needs, in order."""
    idle = _FOR_SHOW
    if not any(isinstance(value, CodeType) for value in code.co_consts):
        idle |= _OF_FUNCTIONS_WITHIN
    if not code.co_exceptiontable:
        idle |= _OF_BLOCKS_THAT_CATCH
    return [(_INSTEAD.get(step, step), told) for step, told in steps if step not in idle]


class Unsaid(tuple[Any, ...]):
    """Types of arguments that are not written out in full for whoever listens to each step: nobody does."""

    def __repr__(self) -> str:
        """How many there are."""
        return f"({len(self)} types)"


@cache
def remember_operators(typing_context: Any) -> None:
    """Have what operators make of numbers remembered, from now on in this process.

    numba tries rules for arrays first, every time. Who teaches it a new kind of number later has the types of
    its operators made anew, and they ask again.
    """
    for operator in utils.OPERATORS_TO_BUILTINS:
        kind = typing_context.resolve_value_type(operator)
        kind.get_call_type = remembered(kind.get_call_type)


def remembered(ask: Callable[..., Any]) -> Callable[..., Any]:
    """What resolves a call of some types of arguments, asked once for the same numbers."""
    known: dict[tuple[Any, ...], Any] = {}

    def answer(context: Any, args: Any, kws: Any) -> Any:
        if kws or not all(isinstance(kind, (types.Number, types.Boolean)) for kind in args):
            return ask(context, args, kws)
        kinds = tuple(args)
        if kinds not in known:
            known[kinds] = ask(context, args, kws)
        return known[kinds]

    return answer
