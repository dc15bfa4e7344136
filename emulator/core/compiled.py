"""The one way this package compiles: numba, strict floating point, machine code kept by content.

numba's own cache names its entries after a file's path and looks only at the file a function stands in, so a
change in a callee would run stale code, and another checkout compiles all over. It lets one place the files
elsewhere, not name them after something else, and two processes that save at once can give one signature the
other's code. So :class:`ContentCache` takes its place in the dispatcher: an entry is named after all that its
machine code was made from (``code_key``), and kept in a folder of the user's own (``code_store``).

``fastmath`` is banned: it changes results between machines, and same inputs must give the same bytes.
"""

from __future__ import annotations

import ctypes
import pickle
import re
from collections.abc import Callable
from typing import Any, TypeAlias, TypeVar, cast

import numba
import numpy as np
from numba.core.caching import _Cache
from numba.core.compiler import CompileResult
from numba.core.registry import cpu_target
from numba.core.serialize import dumps

from emulator.core.keeping import code_store
from emulator.core.keeping.code_key import code_key, machine_key, signature_key

Record: TypeAlias = Any
"""One element of a structured array inside compiled code: its fields are attributes there, writes go through.

numpy's own type for it knows no attributes, so to the type checker it is Any.
"""

F = TypeVar("F", bound=Callable[..., object])


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
        target_context.refresh()
        if not self._enabled:
            return None
        name = self._asked[sig] = self._name(sig, target_context.codegen().magic_tuple())
        content = code_store.load(name)
        if content is None:
            return None
        return CompileResult._rebuild(target_context, *pickle.loads(content))  # type: ignore[no-untyped-call]

    def save_overload(self, sig: object, data: Any) -> None:
        """Keep what was compiled for a signature."""
        if not self._enabled:
            return
        if data.lifted or data.library.has_dynamic_globals:
            raise TypeError(f"{self._dispatcher}: its machine code is good for this process only")
        name = self._name(sig, data.codegen.magic_tuple())
        if name == self._asked.get(sig):  # else something it reaches was changed while it compiled
            code_store.save(name, dumps(data._reduce()))  # type: ignore[no-untyped-call]

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
    if not hasattr(function, "overloads"):  # compiling is switched off
        return True, True
    dispatcher = cast(Any, function)
    start = _start(dispatcher)
    here = start + machine_key(dispatcher.targetctx.codegen().magic_tuple())[:16]
    found = code_store.names(start)
    return any(name.startswith(here) for name in found), bool(found)


def processor_name() -> str:
    """What the compiler calls the processor it compiles for: this one, or the one in ``NUMBA_CPU_NAME``."""
    return str(cpu_target.target_context.codegen().magic_tuple()[1])


def machine() -> str:
    """Key (64 hex digits) of the libraries, compiler settings and processor that decide about last bits."""
    return machine_key(cpu_target.target_context.codegen().magic_tuple())


def entry(function: F, *examples: object) -> F:
    """The machine code of a compiled function for arguments of exactly these types, without the dispatcher.

    The dispatcher looks at the type of every array on every call, which costs a 1 kHz cycle several times
    the computation. The result takes positional arguments of the same types and checks nothing.
    """
    if not hasattr(function, "overloads"):  # compiling is switched off
        return function
    return cast(F, _compiled(function, examples).entry_point)


def by_address(function: F, *examples: object) -> F:
    """A compiled function as an argument of other compiled code, for arguments like the examples.

    The caller's machine code then holds an address instead of a copy of everything the function calls, so
    neither has to be compiled again when the other changes. A call costs some 0.3 us more.
    """
    if not hasattr(function, "overloads"):  # compiling is switched off
        return function
    return cast(F, _Address(_compiled(function, examples)))


def called_back(function: Callable[[int], int]) -> Callable[[int], int]:
    """A Python function of a whole number as an argument of compiled code, which calls it by its address.

    Compiled code that goes on computing saves the call from Python, which takes every array apart again and
    costs more than a tick. What the function raises is lost, and what it returns then is anything.
    """
    if numba.core.config.DISABLE_JIT:  # type: ignore[attr-defined]
        return function
    return cast(Callable[[int], int], _Callback(function))


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


def jit(function: F) -> F:
    """Compile on first call, keep in the cache; strict IEEE arithmetic, no Python objects, no GIL.

    The compiled code asks for no memory: a function that would is refused by the compiler. Nor does it count
    who uses an array, which would cost a tick as much as what it computes: of a tuple that is handed on, each
    array is counted in and out. Whoever calls from Python holds what it handed over anyway.
    """
    return _compiled_as(function, _nrt=False)


def jit_with_memory(function: F) -> F:
    """As :func:`jit`, for what makes arrays of its own."""
    return _compiled_as(function, _nrt=True)  # said, since else it is as in whoever calls it


def _compiled_as(function: F, **options: bool) -> F:
    njit: Any = numba.njit  # whose types leave out the option
    compiled = njit(nogil=True, error_model="numpy", **options)(function)
    if hasattr(compiled, "overloads"):  # else compiling is switched off
        compiled._cache = ContentCache(compiled)
    return cast(F, compiled)
