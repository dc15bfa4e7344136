"""What a compiled function depends on, as one key: the same key, the same machine code.

The compiler sees a function's byte code, the values of the globals it names (it freezes them), the functions
it calls with all that these reach, and the types of its arguments. Exactly that is described here, of the
objects in memory and not of files: a source edited after it was imported can't lend its key to the code of
before. What the compiler does not see does not count: comments, docstrings, line numbers, paths.

Objects are described by content, those of the libraries (whose versions are in ``machine_text``) by name. An
object of a kind that is not listed here is refused instead of overlooked.
"""

from __future__ import annotations

import dis
import hashlib
import platform
import sys
from collections.abc import Callable
from enum import Enum
from functools import cache
from inspect import unwrap
from types import BuiltinFunctionType, CodeType, FunctionType, ModuleType
from typing import Any

import numpy as np
from numba.core import config, types
from numba.extending import is_jitted

from emulator.core.compiled import Compiled
from emulator.core.keeping.versions import version_of

_LIBRARIES = ("numba", "llvmlite", "numpy", "scipy")
_BY_NAME = sys.stdlib_module_names | set(_LIBRARIES)
"""Top-level packages whose objects are what their version says."""

_TYPES_BY_NAME = (types.Number, types.Boolean, types.NoneType, types.UnicodeType, types.Record)
"""Types whose name says all: of a record every field with type and place."""

_NOT_IN_THE_CODE = ("CACHE_", "COLOR_SCHEME", "CUDA_", "GDB_", "NUMBA_", "SHOW_HELP", "THREADING_")
"""Beginnings of compiler settings that differ between machines and don't reach the code of one thread."""

_PLAIN = frozenset({bool, int, float, str, bytes, tuple, dict, set})
"""Kinds of constants whose text is the same in every process, of a set once it is sorted."""

_CACHE, _EXTENDED_ARG, _LOAD_GLOBAL = (dis.opmap[name] for name in ("CACHE", "EXTENDED_ARG", "LOAD_GLOBAL"))
_CONSTANT, _LOCAL = frozenset(dis.hasconst), frozenset(dis.haslocal)
_GLOBAL = frozenset({_LOAD_GLOBAL, dis.opmap["LOAD_NAME"]})
_ATTRIBUTE = frozenset(dis.opmap[name] for name in ("LOAD_ATTR", "LOAD_METHOD") if name in dis.opmap)
_NAME = frozenset(dis.hasname) - _GLOBAL - _ATTRIBUTE
_ATTRIBUTE_SHIFT = int(sys.version_info >= (3, 12))
"""Bits beside the name's number in such an instruction; in one that loads a global there is one always."""

_Global = tuple[str, str]
"""Name of a global, and of the attribute that is taken of it at once; empty if none is."""
_READ: dict[int, tuple[CodeType, str, frozenset[_Global]]] = {}
"""By id of the code object, which is kept so that the id stays its own: text and the globals in it."""


class NoKey(TypeError):
    """A compiled function reaches something whose content is not known how to describe."""


def code_key(function: Callable[..., object]) -> str:
    """Key (64 hex digits) of a function and all it reaches, on any machine with this version of Python.

    Raises NoKey if it reaches an object that can't be described.
    """
    return _digest(_Reach(function).text)


def signature_key(signature: object) -> str:
    """Key (64 hex digits) of argument types, the fields of named tuples among them included.

    numba takes two named tuple types for one if their class goes by the same name, whatever its fields.
    """
    args = getattr(signature, "args", signature)
    return _digest(_Reach(None).of((getattr(signature, "return_type", None), args)))


def machine_text(processor: tuple[str, ...]) -> str:
    """Everything outside the sources that decides about machine code, ``processor`` as numba names it."""
    settings = {
        name: repr(value)
        for name, value in vars(config).items()
        if name.isupper() and not name.startswith(("_", *_NOT_IN_THE_CODE)) and not callable(value)
    }
    versions = [f"{name} {version_of(name)}" for name in _LIBRARIES]
    python = f"{_way()} {platform.python_implementation()} {platform.python_version()} {sys.flags.optimize}"
    return repr((python, versions, sorted(settings.items()), processor))


@cache
def _way() -> str:
    """How this package has functions compiled beyond the compiler's settings: what it puts in its place.

    Of each module every function and every method, by its instructions, and the constants.
    """
    from emulator.core.keeping import inner_code, plain_lowering, plain_steps

    texts = ["calls by type, arrays as arrays wherever they lie"]
    for module in (inner_code, plain_lowering, plain_steps):
        for name, value in sorted(vars(module).items()):
            own = getattr(value, "__module__", None) == module.__name__
            if own and isinstance(value, type):
                texts += [_read(code)[0] for code in map(_code_of, vars(value).values()) if code is not None]
            elif own and (code := _code_of(value)) is not None:
                texts.append(_read(code)[0])
            elif type(value) in _PLAIN and not name.startswith("__"):
                texts.append(f"{name} {sorted(map(repr, value)) if type(value) is set else value!r}")
    return _digest("\n".join(texts))


def _code_of(value: object) -> CodeType | None:
    """Of a function however it is wrapped."""
    if isinstance(value, property):
        value = value.fget
    return getattr(unwrap(getattr(value, "__func__", value)), "__code__", None)  # type: ignore[arg-type]


def machine_key(processor: tuple[str, ...]) -> str:
    """Key (64 hex digits) of libraries, compiler settings and processor."""
    return _digest(machine_text(processor))


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def _known_by_name(module: str) -> bool:
    return module.partition(".")[0] in _BY_NAME


def _read(code: CodeType) -> tuple[str, frozenset[_Global]]:
    """Text of a function's instructions and signature, and the globals in them.

    Their bytes are gone through one by one: every start asks this of a thousand functions, and by the
    standard library's way of telling instructions it takes three times as long.
    """
    known = _READ.get(id(code))
    if known is not None:
        return known[1], known[2]
    names: set[_Global] = set()
    steps: list[tuple[int, object]] = []
    loaded = ""  # the global that the instruction before loaded
    raw, high = code.co_code, 0
    for at in range(0, len(raw), 2):
        op, said = raw[at], raw[at + 1] | high
        if op == _CACHE:
            continue
        if op == _EXTENDED_ARG:
            high = said << 8
            continue
        high = 0
        if loaded:
            names.add((loaded, code.co_names[said >> _ATTRIBUTE_SHIFT] if op in _ATTRIBUTE else ""))
            loaded = ""
        if op in _CONSTANT:
            value = code.co_consts[said]
            if isinstance(value, CodeType):
                text, inner = _read(value)
                names |= inner
            else:
                text = _Reach(None).of(value)
            steps.append((op, text))
        elif op in _GLOBAL:
            loaded = code.co_names[said >> 1 if op == _LOAD_GLOBAL else said]
            steps.append((op, loaded))
        elif op in _ATTRIBUTE:
            steps.append((op, (code.co_names[said >> _ATTRIBUTE_SHIFT], said & _ATTRIBUTE_SHIFT)))
        elif op in _NAME and said < len(code.co_names):
            steps.append((op, code.co_names[said]))
        elif op in _LOCAL and said < len(code.co_varnames):
            steps.append((op, code.co_varnames[said]))
        else:
            steps.append((op, said))
    n = code.co_argcount + code.co_kwonlyargcount
    n += bool(code.co_flags & 4) + bool(code.co_flags & 8)  # *args, **kwargs
    arguments = (code.co_argcount, code.co_posonlyargcount, code.co_kwonlyargcount, code.co_varnames[:n])
    handlers = getattr(code, "co_exceptiontable", b"")
    text = repr((code.co_name, arguments, code.co_freevars, code.co_cellvars, handlers, steps))
    _READ[id(code)] = code, text, frozenset(names)
    return text, frozenset(names)


class _Reach:
    """Description of everything that can be reached from a function; each function in it once, by number.

    Numbers instead of nesting, so that functions may call each other in a circle.
    """

    def __init__(self, root: object) -> None:
        self._place: dict[int, int] = {}
        self._functions: list[Any] = []
        texts = [] if root is None else [self.of(root)]
        done = 0
        while done < len(self._functions):
            texts.append(self._function(self._functions[done]))
            done += 1
        self.text = "\n".join(texts)

    def _function(self, function: Any) -> str:
        body, names = _read(function.__code__)
        builtins = function.__builtins__
        reached = {}
        for name, attribute in sorted(names):
            if name in function.__globals__:
                value = function.__globals__[name]
                if attribute and isinstance(value, ModuleType) and not _known_by_name(value.__name__):
                    value = getattr(value, attribute)
                reached[name, attribute] = self.of(value)
            else:
                reached[name, attribute] = "built in" if name in builtins else "undefined"
        cells = [cell.cell_contents for cell in function.__closure__ or ()]
        rest = self.of((function.__defaults__, function.__kwdefaults__, tuple(cells)))
        return repr((function.__module__, function.__qualname__, body, sorted(reached.items()), rest))

    def of(self, value: Any) -> str:
        """Text of one object; functions are put down to be described later."""
        kind = type(value)
        if value is None or value is Ellipsis or kind in {bool, int, str, bytes, complex}:
            return f"{kind.__name__} {value!r}"
        if kind is float:
            return f"float {value.hex()}"
        if kind in {tuple, list}:
            return f"{kind.__name__}({', '.join(map(self.of, value))})"
        if kind is dict:
            return f"dict({', '.join(sorted(f'{self.of(k)}: {self.of(v)}' for k, v in value.items()))})"
        if kind in {frozenset, set}:
            return f"set({', '.join(sorted(map(self.of, value)))})"
        if isinstance(value, Enum):
            return f"{self.of(kind)}.{value.name}"
        if isinstance(value, tuple) and hasattr(kind, "_fields"):
            return f"{self.of(kind)}{self.of(tuple(value))}"
        if isinstance(value, np.dtype):
            return self._dtype(value)
        if isinstance(value, (np.ndarray, np.generic)):
            return self._array(np.asarray(value))
        if isinstance(value, types.Type):
            return self._type(value)
        return self._code(value)

    def _code(self, value: Any) -> str:
        """Text of functions, classes and modules."""
        if isinstance(value, Compiled):
            value = value.dispatcher
        kind = type(value)
        if is_jitted(value):
            return f"compiled {self._number(value.py_func)} {self.of(value.targetoptions)}"
        if hasattr(value, "_defn") and kind.__module__ == "numba.core.extending":  # an @intrinsic
            return f"intrinsic {self._number(value._defn)}"
        home = value.__name__ if isinstance(value, ModuleType) else getattr(value, "__module__", None)
        if kind is np.ufunc:
            return f"ufunc {value.__name__}"
        known = _known_by_name(str(home))
        if known and isinstance(value, (ModuleType, FunctionType, BuiltinFunctionType, type)):
            return f"{kind.__name__} {home} {getattr(value, '__qualname__', '')}"
        if known and callable(value) and hasattr(value, "__name__"):  # numpy's functions that dispatch
            return f"{kind.__name__} {home} {value.__name__}"
        if isinstance(value, FunctionType):
            return self._number(unwrap(value))
        if isinstance(value, type):
            return self._class(value)
        raise NoKey(
            f"compiled code reaches {value!r} of {kind.__module__}.{kind.__qualname__}: no key is known"
        )

    def _number(self, function: Any) -> str:
        if id(function) not in self._place:
            self._place[id(function)] = len(self._functions)
            self._functions.append(function)
        return f"function {self._place[id(function)]}"

    def _class(self, cls: type) -> str:
        name = f"{cls.__module__}.{cls.__qualname__}"
        if issubclass(cls, Enum):
            return f"{name} {[(member, self.of(item.value)) for member, item in cls.__members__.items()]}"
        if issubclass(cls, tuple) and hasattr(cls, "_fields"):
            return f"{name} {cls._fields} {self.of(getattr(cls, '_field_defaults', {}))}"
        if issubclass(cls, BaseException):
            return f"{name} {[base.__qualname__ for base in cls.__mro__]}"
        raise NoKey(f"compiled code reaches the class {name}: no key is known")

    def _dtype(self, dtype: np.dtype[Any]) -> str:
        if dtype.hasobject:
            raise NoKey(f"compiled code reaches Python objects in an array of {dtype}")
        inner = ""
        if dtype.subdtype is not None:
            inner = f"{self._dtype(dtype.subdtype[0])} {dtype.subdtype[1]}"
        elif dtype.fields is not None:
            places = [(name, *dtype.fields[name][:2]) for name in dtype.names or ()]
            inner = ", ".join(f"{name} {self._dtype(part)} at {place}" for name, part, place in places)
        return f"dtype {dtype.str} {dtype.itemsize} {dtype.alignment} {dtype.isalignedstruct} ({inner})"

    def _array(self, array: np.ndarray[Any, Any]) -> str:
        flags = array.flags
        what = (array.shape, flags.c_contiguous, flags.f_contiguous, flags.writeable, flags.aligned)
        return f"array {self._dtype(array.dtype)} {what} {hashlib.sha256(array.tobytes('A')).hexdigest()}"

    def _type(self, kind: types.Type) -> str:
        name = type(kind).__qualname__
        if isinstance(kind, types.Dispatcher):
            return f"{name} {self.of(kind.dispatcher)}"
        if isinstance(kind, types.FunctionType):
            return f"{name} {self.of((kind.signature.return_type, kind.signature.args))}"
        if isinstance(kind.key, str) and not isinstance(kind, _TYPES_BY_NAME):
            raise NoKey(f"an argument of the compiled type {kind} ({name}): no key is known")
        return f"{name} {self.of(kind.key)}"
