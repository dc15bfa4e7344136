"""What compiles the functions marked in ``emulator.core.compiled``, and where their machine code is kept.

numba's own cache names its entries after a file's path and looks only at the file a function stands in, so a
change in a callee would run stale code, and another checkout compiles all over. It lets one place the files
elsewhere, not name them after something else, and two processes that save at once can give one signature the
other's code. So :class:`ContentCache` takes its place in the dispatcher: an entry is named after all that its
machine code was made from (``code_key``), and kept in a folder of the user's own (``code_store``).
"""

from __future__ import annotations

import ctypes
import pickle
import re
from collections.abc import Callable
from functools import cache, partial
from typing import Any, cast

import numba
import numpy as np
from numba import extending as untyped_extending
from numba.core.caching import _Cache
from numba.core.registry import cpu_target
from numba.core.serialize import dumps
from numba.core.typing.typeof import typeof_impl

from emulator.core.bound_arguments import Held, calling, exchanged, hold
from emulator.core.compiled import Compiled
from emulator.core.keeping import code_store
from emulator.core.keeping.code_key import code_key, machine_key, signature_key
from emulator.core.keeping.inner_code import EntryCompiler, InnerCompiler
from emulator.core.keeping.loaded_code import loaded

extending: Any = untyped_extending  # whose types leave out most


def dispatcher(
    function: Callable[..., object],
    *,
    memory: bool,
    copied: bool = False,
    inner: bool = False,
    addressed: bool = False,
) -> Any:
    """numba's dispatcher of a function, which asks our cache; the plain function where it is switched off.

    copied     into its callers
    inner      called from compiled code alone
    addressed  called by its address, too
    """
    njit: Any = numba.njit  # whose types leave out the option
    # said both ways: left out, they are as in whoever calls the function
    wrapped = {"no_cpython_wrapper": inner, "no_cfunc_wrapper": not addressed}
    way = InnerCompiler if inner else EntryCompiler
    options = {"nogil": True, "error_model": "numpy", "_nrt": memory, "forceinline": copied, **wrapped}
    compiled = njit(pipeline_class=way, **options)(function)
    if hasattr(compiled, "overloads"):  # else compiling is switched off
        compiled._cache = ContentCache(compiled)
        compiled.get_call_template = partial(_by_type, compiled.get_call_template)
    return compiled


def _by_type(template: Any, args: tuple[Any, ...], kws: dict[str, Any]) -> Any:
    """What compiled code calls, by the types of its arguments alone.

    Left to itself numba compiles a function anew for every whole number that is written out in a call: an
    event is put down by nineteen copies, a digit of a sentence by eight. What a value is good for, the
    optimiser makes of it later, where it copies a function into its caller. An array within a record has its
    shape in its type: a derivative for states of one's own and for one that lies among others was compiled
    twice, with most of what it calls.
    """
    return template(tuple(map(_plain, args)), {name: _plain(kind) for name, kind in kws.items()})


def _plain(kind: Any) -> Any:
    """Type of a parameter for arguments of a type: of no value, and an array's wherever it lies."""
    kind = numba.types.unliteral(kind)  # type: ignore[no-untyped-call]
    if isinstance(kind, numba.types.NestedArray):
        return numba.types.Array(
            kind.dtype, kind.ndim, kind.layout, readonly=not kind.mutable, aligned=kind.aligned
        )
    return kind


@extending.lower_cast(numba.types.NestedArray, numba.types.Array)  # type: ignore[untyped-decorator]
def _as_array(_context: object, _builder: object, _from: object, _to: object, value: Any) -> Any:
    """The same in machine code, see ``_plain``."""
    return value


class ContentCache(_Cache):
    """What numba's dispatcher asks for machine code before it compiles, and gives it to afterwards."""

    def __init__(self, dispatcher: Any) -> None:
        self._dispatcher = dispatcher
        self._asked: dict[object, str] = {}
        self._enabled = True

    @property
    def cache_path(self) -> str:
        """The folder."""
        return str(code_store.cache_folder())

    def load_overload(self, sig: object, target_context: Any) -> Any:
        """The compiled function for a signature; None if it has to be compiled."""
        if not self._enabled:
            return None
        name = self._asked[sig] = self._name(sig, target_context.codegen().magic_tuple())
        content = code_store.load(name)
        if content is None:
            return None
        return loaded(target_context, pickle.loads(content))

    def save_overload(self, sig: object, data: Any) -> None:
        """Keep what was compiled for a signature."""
        if not self._enabled:
            return
        if data.lifted or data.library.has_dynamic_globals:
            raise TypeError(f"{self._dispatcher}: its machine code is good for this process only")
        name = self._name(sig, data.codegen.magic_tuple())
        if name == self._asked.get(sig):  # else something it reaches was changed while it compiled
            told = data._replace(type_annotation="")  # the source with every type: nobody reads it there
            code_store.save(name, dumps(told._reduce()))  # type: ignore[no-untyped-call]

    def enable(self) -> None:
        """Ask and keep, as from the start."""
        self._enabled = True

    def disable(self) -> None:
        """Neither ask nor keep."""
        self._enabled = False

    def flush(self) -> None:
        """Nothing: an entry never goes out of date."""

    def _name(self, sig: object, processor: tuple[str, ...]) -> str:
        return f"{_start(self._dispatcher)}{machine_key(processor)[:16]}-{signature_key(sig)[:16]}"


def _start(dispatcher: Any) -> str:
    """Beginning of the names of all entries of a function as it is now."""
    function = dispatcher.py_func
    plain = re.sub(r"[^\w.]", "", f"{function.__module__}.{function.__qualname__}")
    return f"{plain[-100:]}-{code_key(dispatcher)[:32]}-"


def kept(function: Callable[..., object]) -> tuple[bool, bool]:
    """Whether machine code of a function is kept (for this processor and settings, for any)."""
    compiled = _dispatcher(function)
    if not hasattr(compiled, "overloads"):  # compiling is switched off
        return True, True
    start = _start(compiled)
    here = start + machine_key(compiled.targetctx.codegen().magic_tuple())[:16]
    found = code_store.names(start)
    return any(name.startswith(here) for name in found), bool(found)


def processor_name() -> str:
    """What the compiler calls the processor it compiles for: this one, or the one in ``NUMBA_CPU_NAME``."""
    return str(cpu_target.target_context.codegen().magic_tuple()[1])


def entry_point(function: Callable[..., object], examples: tuple[object, ...]) -> Any:
    """See ``compiled.entry``."""
    found = _dispatcher(function)
    if not hasattr(found, "overloads"):  # compiling is switched off
        return found
    return _compiled(found, examples).entry_point


def bound_entry(
    function: Callable[..., object], held: tuple[object, ...], examples: tuple[object, ...]
) -> Any:
    """See ``compiled.bound``."""
    form = bound_form(function, len(examples))
    if not hasattr(form, "overloads"):  # compiling is switched off
        return partial(function, *held)
    handle = hold(held, tuple(map(_type_of, held)))
    return partial(_compiled(form, (handle, *examples)).entry_point, handle)


def bound_address(
    function: Callable[..., object], held: tuple[object, ...], examples: tuple[object, ...]
) -> tuple[Any, Any]:
    """See ``compiled.held_by_address``."""
    form = bound_form(function, len(examples))
    if not hasattr(form, "overloads"):  # compiling is switched off
        return lambda given, *more: function(*given, *more), held
    handle = hold(held, tuple(map(_type_of, held)))
    return _Address(_compiled(form, (handle, *examples))), handle


def bound_to_other(call: Any, last: tuple[object, ...]) -> Any:
    """See ``compiled.bound_to_other``."""
    if not isinstance(call.args[0], Held):  # compiling is switched off
        return partial(call.func, *call.args[: len(call.args) - len(last)], *last)
    held = call.args[0]
    kinds = tuple(map(_type_of, last))
    if kinds != held.kinds[len(held.kinds) - len(last) :]:
        raise TypeError(f"expected arguments of the same types as before, got {kinds}")
    return partial(call.func, exchanged(held, last))


@cache
def bound_form(function: Any, more: int) -> Any:
    """The dispatcher of what stands for a function with arguments held and ``more`` behind them."""
    return dispatcher(calling(function, more), memory=False, addressed=True)


def callback(function: Callable[[int], int]) -> Callable[[int], int]:
    """See ``compiled.called_back``."""
    if numba.core.config.DISABLE_JIT:  # type: ignore[attr-defined]
        return function
    return cast(Callable[[int], int], _Callback(function))


def _dispatcher(function: Any) -> Any:
    return function.dispatcher if isinstance(function, Compiled) else function


class _Callback(numba.types.WrapperAddressProtocol):
    """A Python function with the address of machine code that calls it."""

    def __init__(self, function: Callable[[int], int]) -> None:
        self._kept = ctypes.CFUNCTYPE(ctypes.c_int64, ctypes.c_int64)(function)
        self._address = ctypes.cast(self._kept, ctypes.c_void_p).value

    def __wrapper_address__(self) -> int:
        return int(self._address or 0)

    def signature(self) -> Any:
        """Types of arguments and result."""
        return numba.types.int64(numba.types.int64)


class _Address(numba.types.WrapperAddressProtocol):
    """What numba wants of such an argument."""

    def __init__(self, compiled: Any) -> None:
        self._compiled = compiled
        self._address = int(compiled.library.get_pointer_to_function(compiled.fndesc.llvm_cfunc_wrapper_name))

    def __wrapper_address__(self) -> int:
        return self._address

    def signature(self) -> Any:
        """Types of arguments and result."""
        return self._compiled.signature


@typeof_impl.register(_Address)
@typeof_impl.register(_Callback)
def _type_of_address(value: Any, _context: object) -> Any:
    """As the compiler itself has it, in a module with all that compiles such calls."""
    return numba.types.FunctionType(value.signature())


def _compiled(function: Any, examples: tuple[object, ...]) -> Any:
    signature = tuple(_type_of(example) for example in examples)
    function.compile(signature)
    return function.overloads[signature]


_TYPES: dict[object, Any] = {}
"""Compiled types of arrays and of tuples of them, by what they depend on: numba works out a structured one
anew each time, a millisecond each, and a ride asks for dozens."""


def _type_of(example: object) -> Any:
    kind = _kind(example)
    found = _TYPES.get(kind)
    if found is None:
        found = _TYPES[kind] = numba.typeof(example)  # type: ignore[no-untyped-call]
    return found


def _kind(example: object) -> object:
    """All of an argument that its compiled type depends on."""
    if type(example) is np.ndarray:
        flags, dtype = example.flags, example.dtype
        order = (flags.c_contiguous, flags.f_contiguous, flags.aligned, flags.writeable)
        return np.ndarray, dtype, dtype.isalignedstruct, example.ndim, order
    if isinstance(example, tuple):
        return type(example), *map(_kind, example)
    return numba.typeof(example)  # type: ignore[no-untyped-call]
