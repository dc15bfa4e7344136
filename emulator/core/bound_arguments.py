"""Arguments that a compiled function is called with again and again, laid out in memory once.

Called from Python, a compiled function takes each array apart on every call: of a plant they are a hundred,
each an object of Python's in a place of its own, and in a cycle whose caches others have used meanwhile each
of them costs as much as the arithmetic of a dozen. Here address, shape and strides of all arrays and all
numbers are written into one block of words. The function then gets the block's address, and its machine code
takes from there what it needs.

numba has no such thing for arguments that are tuples (a ``structref`` holds them, but counts who uses it and
needs the library's memory). What is used of it is documented: a type of one's own, its data model, how it is
unboxed, and an intrinsic.
"""

from __future__ import annotations

import copy
import struct
from collections.abc import Callable
from typing import Any

import numpy as np
from llvmlite import ir  # type: ignore[import-untyped]
from numba import extending as untyped_extending
from numba.core import cgutils as untyped_cgutils
from numba.core import types as untyped_types
from numba.core.typing.typeof import typeof_impl
from numpy.typing import NDArray

# the library's own types leave most of these out
cgutils: Any = untyped_cgutils
extending: Any = untyped_extending
types: Any = untyped_types
_WORD_BITS = 64


class Held(int):
    """Address of the words of some arguments; keeps the words and the arguments.

    kinds  their compiled types
    """

    words: NDArray[np.uint64]
    arguments: tuple[object, ...]
    kinds: tuple[Any, ...]

    def __deepcopy__(self, memo: dict[int, Any]) -> Held:
        """Of copies of the arguments: the words of these would lead to the arrays that were copied."""
        return hold(copy.deepcopy(self.arguments, memo), self.kinds)


def hold(arguments: tuple[object, ...], kinds: tuple[Any, ...]) -> Held:
    """Lay out arguments of these compiled types: arrays, numbers, and tuples of them.

    Who changes what is in an array changes what the function sees, as ever; an array can't be exchanged.

    Raises TypeError for anything else.
    """
    words: list[int] = []
    for argument, kind in zip(arguments, kinds, strict=True):
        _lay_out(argument, kind, words)
    block = np.array(words, np.uint64)
    held = Held(block.ctypes.data)
    held.words, held.arguments, held.kinds = block, arguments, kinds
    return held


def exchanged(held: Held, last: tuple[object, ...]) -> Held:
    """The same with other ``last`` arguments, of the same types as before: only they are laid out anew."""
    kept, kinds = len(held.kinds) - len(last), held.kinds
    words: list[int] = []
    for argument, kind in zip(last, kinds[kept:], strict=True):
        _lay_out(argument, kind, words)
    block = np.concatenate([held.words[: held.words.size - len(words)], np.array(words, np.uint64)])
    other = Held(block.ctypes.data)
    other.words, other.arguments, other.kinds = block, (*held.arguments[:kept], *last), kinds
    return other


def _lay_out(argument: Any, kind: Any, words: list[int]) -> None:
    """Append the words of one argument."""
    if isinstance(kind, types.Array):
        # The second is several times faster, but of a record it works out a description of all its fields.
        record = argument.dtype.fields is not None
        address = argument.ctypes.data if record else argument.__array_interface__["data"][0]
        words += (argument.size, argument.itemsize, address, *argument.shape)
        words += (stride & 0xFFFFFFFFFFFFFFFF for stride in argument.strides)
    elif isinstance(kind, types.BaseTuple):
        for part, its_kind in zip(argument, kind.types, strict=True):
            _lay_out(part, its_kind, words)
    elif isinstance(kind, types.Integer | types.Boolean):
        words.append(int(argument) & 0xFFFFFFFFFFFFFFFF)
    elif kind == types.float64:
        words.append(struct.unpack("<Q", struct.pack("<d", argument))[0])
    else:
        raise TypeError(f"expected arrays, numbers and tuples of them to hold, got {kind}")


class HeldType(untyped_types.Type):
    """Compiled type of :class:`Held`: what it holds is known to the compiler, where it lies is its value."""

    def __init__(self, kinds: tuple[Any, ...]) -> None:
        self.kinds = kinds
        super().__init__(name=f"Held{kinds}")

    @property
    def key(self) -> tuple[Any, ...]:
        """All that tells two of them apart."""
        return self.kinds

    def __hash__(self) -> int:
        """Of its name, which equal ones share: of all the types in its key it takes far longer."""
        return hash(self.name)


@extending.register_model(HeldType)
class _HeldModel(extending.models.PrimitiveModel):  # type: ignore[misc]
    def __init__(self, dmm: Any, kind: Any) -> None:
        super().__init__(dmm, kind, ir.IntType(_WORD_BITS))


@typeof_impl.register(Held)
def _type_of_held(value: Held, _context: object) -> HeldType:
    ids = tuple(map(id, value.kinds))
    kind = _HELD_TYPES.get(ids)
    if kind is None:
        kind = _HELD_TYPES[ids] = HeldType(value.kinds)  # it keeps them, so no others get their ids
    return kind


_HELD_TYPES: dict[tuple[int, ...], HeldType] = {}
"""By the types held: a name of one is worked out from all of theirs, and a ride asks four times."""


@extending.unbox(HeldType)  # type: ignore[untyped-decorator]
def _unbox_held(_kind: Any, value: Any, c: Any) -> Any:
    return extending.NativeValue(c.pyapi.long_as_longlong(value))


def _word(builder: Any, unread: list[Any]) -> Any:
    """The next word of a block, in the code that is being built; it may be read again instead of kept.

    unread  place of the next word; moved on
    """
    place = unread.pop()
    unread.append(builder.gep(place, [ir.Constant(ir.IntType(_WORD_BITS), 1)]))
    word = builder.load(place)
    word.set_metadata("invariant.load", builder.module.add_metadata([]))
    return word


def _value(context: Any, builder: Any, kind: Any, unread: list[Any]) -> Any:
    """The next argument of a block, of a compiled type, as ``_lay_out`` has written it."""
    if isinstance(kind, types.Array):
        array = context.make_array(kind)(context, builder)
        nobody = cgutils.get_null_value(context.get_value_type(types.voidptr))
        array.meminfo = nobody  # who uses it is not counted: Held keeps it
        array.parent = cgutils.get_null_value(context.get_value_type(types.pyobject))
        array.nitems = _word(builder, unread)
        array.itemsize = _word(builder, unread)
        array.data = builder.inttoptr(_word(builder, unread), array.data.type)
        array.shape = cgutils.pack_array(
            builder, [_word(builder, unread) for _ in range(kind.ndim)], ir.IntType(_WORD_BITS)
        )
        array.strides = cgutils.pack_array(
            builder, [_word(builder, unread) for _ in range(kind.ndim)], ir.IntType(_WORD_BITS)
        )
        return array._getvalue()
    if isinstance(kind, types.BaseTuple):
        return context.make_tuple(
            builder, kind, [_value(context, builder, part, unread) for part in kind.types]
        )
    word = _word(builder, unread)
    if isinstance(kind, types.Float):
        return builder.bitcast(word, ir.DoubleType())
    return (
        builder.trunc(word, context.get_value_type(kind))
        if context.get_value_type(kind) != ir.IntType(_WORD_BITS)
        else word
    )


def _emit_held(_context: Any, held: Any) -> Any:
    """All that is held, as a tuple."""
    whole = types.BaseTuple.from_types(held.kinds)

    def emit(context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        block = builder.inttoptr(arguments[0], ir.IntType(_WORD_BITS).as_pointer())
        return _value(context, builder, whole, [block])

    return whole(held), emit


_held: Any = extending.intrinsic(_emit_held)


def calling(function: Any, more: int) -> Callable[..., Any]:
    """The function, to be compiled, of what is held for another one and ``more`` arguments behind that.

    Raises ValueError for more than four.
    """

    def none(held):  # type: ignore[no-untyped-def]
        return function(*_held(held))

    def one(held, a):  # type: ignore[no-untyped-def]
        return function(*_held(held), a)

    def two(held, a, b):  # type: ignore[no-untyped-def]
        return function(*_held(held), a, b)

    def three(held, a, b, c):  # type: ignore[no-untyped-def]
        return function(*_held(held), a, b, c)

    def four(held, a, b, c, d):  # type: ignore[no-untyped-def]
        return function(*_held(held), a, b, c, d)

    forms = (none, one, two, three, four)
    if more >= len(forms):
        raise ValueError(f"expected at most {len(forms) - 1} arguments behind those held, got {more}")
    form = forms[more]
    # by this name its machine code is known in a process, and that of each function must be its own
    form.__module__, form.__qualname__ = function.__module__, f"{function.__qualname__}_bound"
    form.__name__ = f"{function.__name__}_bound"
    return form
