"""The one way this package compiles: numba, strict floating point, machine code kept by content.

A function marked here is compiled, or its machine code loaded, when it is first called. Until then it costs
nothing: the compiler itself takes a quarter of a second to import, so it comes in with the first function
that somebody asks for (``emulator.core.compiler``), and who only reads files never meets it.

``fastmath`` is banned: it changes results between machines, and same inputs must give the same bytes.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property, update_wrapper
from typing import Any, TypeAlias, TypeVar, cast

Record: TypeAlias = Any
"""One element of a structured array inside compiled code: its fields are attributes there, writes go through.

numpy's own type for it knows no attributes, so to the type checker it is Any.
"""

F = TypeVar("F", bound=Callable[..., object])
R = TypeVar("R")


class Compiled:
    """A function with the options it is compiled with; compiled code takes it for the compiled function."""

    def __init__(self, function: Callable[..., object], *, memory: bool, copied: bool = False) -> None:
        update_wrapper(self, function)
        self.py_func = function
        self.memory, self.copied = memory, copied

    @cached_property
    def dispatcher(self) -> Any:
        """numba's; the plain function where compiling is switched off."""
        from emulator.core.compiler import dispatcher

        return dispatcher(self.py_func, memory=self.memory, copied=self.copied)

    @cached_property
    def inner(self) -> Any:
        """The same for calls from compiled code alone, without what a call from Python or by address needs.

        That takes arguments apart one by one, and of a bench they have hundreds of arrays: of every function
        that only others call it would be compiled for nothing.
        """
        from emulator.core.compiler import dispatcher

        return dispatcher(self.py_func, memory=self.memory, copied=self.copied, inner=True)

    @property
    def _numba_type_(self) -> Any:
        """What the compiler asks of a value that it meets in a function."""
        return self.inner._numba_type_

    def __call__(self, *arguments: object, **named: object) -> Any:
        """The function's result."""
        return self.dispatcher(*arguments, **named)


def jit(function: F) -> F:
    """Compile on first call, keep in the cache; strict IEEE arithmetic, no Python objects, no GIL.

    The compiled code asks for no memory: a function that would is refused by the compiler. Nor does it count
    who uses an array, which would cost a tick as much as what it computes: of a tuple that is handed on, each
    array is counted in and out. Whoever calls from Python holds what it handed over anyway.
    """
    return cast(F, Compiled(function, memory=False))


def jit_copied(function: F) -> F:
    """As :func:`jit`, of a function whose code is copied into its callers, however long it is.

    For what is called with numbers written out, such as rows of a matrix: in the copy they are known, loops
    over them are unrolled, and no index has to be looked at.
    """
    return cast(F, Compiled(function, memory=False, copied=True))


def jit_with_memory(function: F) -> F:
    """As :func:`jit`, for what makes arrays of its own."""
    return cast(F, Compiled(function, memory=True))


def uncompiled(function: F) -> F:
    """The function as Python carries it out: for a few calls on whole numbers, not worth the compiler.

    What it calls in turn is compiled as ever. Not for floating point, whose last bits are the compiler's.
    """
    return cast(F, function.py_func) if isinstance(function, Compiled) else function


def entry(function: F, *examples: object) -> F:
    """The machine code of a compiled function for arguments of exactly these types, without the dispatcher.

    The dispatcher looks at the type of every array on every call, which costs a 1 kHz cycle several times
    the computation. The result takes positional arguments of the same types and checks nothing.
    """
    from emulator.core.compiler import entry_point

    return cast(F, entry_point(function, examples))


def bound(function: Callable[..., R], held: tuple[object, ...], *examples: object) -> Callable[..., R]:
    """A compiled function whose first arguments are given once, to be called with the rest.

    Arrays and tuples of arrays that stay the same from call to call are laid out in memory once instead of
    taken apart on every call, see ``emulator.core.bound_arguments``. What the result is called with has the
    types of the examples, four at most; like an :func:`entry` it checks nothing.
    """
    from emulator.core.compiler import bound_entry

    return cast(Callable[..., R], bound_entry(function, held, examples))


def bound_to_other(call: Callable[..., R], *last: object) -> Callable[..., R]:
    """What :func:`bound` gave, with other ones for the last of the arguments held; a fraction of its time.

    Raises TypeError where they are not of the same types.
    """
    from emulator.core.compiler import bound_to_other as of_other

    return cast(Callable[..., R], of_other(call, last))


def held_by_address(
    function: Callable[..., R], held: tuple[object, ...], *examples: object
) -> tuple[Callable[..., R], Any]:
    """A compiled function as an argument of other compiled code, with arguments given as to :func:`bound`.

    Returns it and what it is called with in their place: an address instead of a copy of them all. It is the
    very machine code that :func:`bound` calls. The caller's then holds an address instead of a copy of
    everything the function calls, so neither has to be compiled again when the other changes. A call costs
    some 0.3 us more.
    """
    from emulator.core.compiler import bound_address

    return cast(tuple[Callable[..., R], Any], bound_address(function, held, examples))


def called_back(function: Callable[[int], int]) -> Callable[[int], int]:
    """A Python function of a whole number as an argument of compiled code, which calls it by its address.

    Compiled code that goes on computing saves the call from Python, which takes every array apart again and
    costs more than a tick. What the function raises is lost, and what it returns then is anything.
    """
    from emulator.core.compiler import callback

    return callback(function)
