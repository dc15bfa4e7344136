"""Code of functions that only compiled code calls: not machine code yet, but what goes into their callers'.

numba finishes every function by itself: it links what that calls, optimises all of it and makes machine
code. So a tyre's force was optimised in its own name, then in the derivative's, the step's and the tick's,
each time a larger whole, and of all this only what Python or an address calls is ever carried out. Here an
inner function stays as it came from the compiler's first passes, with what it calls beside it; the whole is
optimised, and made machine code, once, in what is called from outside.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from typing import Any

from llvmlite import binding  # type: ignore[import-untyped]
from numba.core import codegen as untyped_codegen
from numba.core import compiler as untyped_compiler
from numba.core import environment as untyped_environment
from numba.core import itanium_mangler as untyped_mangler

from emulator.core.keeping.plain_steps import Unsaid, plain_steps, remember_operators

# the library's own types leave most of these out
numba_codegen: Any = untyped_codegen
numba_compiler: Any = untyped_compiler
numba_environment: Any = untyped_environment
numba_mangler: Any = untyped_mangler

INNER, ENTRY = "inner", "entry"
"""Kinds of what is kept of a function: what is linked into its callers, or machine code."""
_KEY_DIGITS = 16
_ENVIRONMENT = "_ZN08NumbaEnv"
"""Beginning of the names of the variables that hold what a function may want of Python."""


class _NoMachineCode:
    """In place of what a library's machine code is made and linked by."""

    def set_env(self, _name: str, _environment: object) -> None:
        """Nothing: the variable for it lies in the caller's machine code."""


class InnerLibrary(numba_codegen.JITCodeLibrary):  # type: ignore[misc]
    """A function and what it calls, to be linked into its callers."""

    def _optimize_final_module(self) -> None:
        """Nothing: the caller's whole is optimised."""

    def _finalize_final_module(self) -> None:
        """Ready to be linked; no machine code is made."""
        self._finalize_dynamic_globals()
        self._verify_declare_only_symbols()
        for function in self._final_module.functions:
            if not function.is_declaration and function.linkage == binding.Linkage.external:
                function.linkage = binding.Linkage.linkonce_odr
        self._finalized = True

    def _get_module_for_linking(self) -> Any:
        """Itself: nothing else is made of it, so the callers need no copy to be linked once each."""
        self._ensure_finalized()
        return self._final_module

    @property
    def codegen(self) -> Any:
        """None of its own."""
        return _NoMachineCode()

    def get_pointer_to_function(self, name: str) -> int:
        """0: it has none."""
        return 0

    def serialize_using_object_code(self) -> tuple[str, str, bytes]:
        """What is kept of it."""
        module: Any = self._get_module_for_linking()
        return self.name, INNER, module.as_bitcode()


class KeptInnerLibrary(InnerLibrary):
    """The same as it was kept, read when a function that calls it is compiled."""

    def __init__(self, codegen: Any, name: str, bitcode: bytes) -> None:
        # Without the base's own beginning, which makes an empty module to be filled.
        self._codegen, self._name, self._bitcode = codegen, name, bitcode
        self._linking_libraries: list[Any] = []
        self._reload_init: set[Any] = set()
        self._dynamic_globals: list[str] = []
        self._finalized = self._disable_inspection = True
        self._shared_module: Any = None

    def _get_module_for_linking(self) -> Any:
        if self._shared_module is None:
            self._shared_module = binding.parse_bitcode(self._bitcode)
        return self._shared_module


class EntryLibrary(numba_codegen.JITCodeLibrary):  # type: ignore[misc]
    """Machine code of a function that is called from outside, with all that it calls."""

    def _get_module_for_linking(self) -> Any:
        raise TypeError(f"{self.name} is compiled to be called from outside, not by compiled code")

    def serialize_using_object_code(self) -> tuple[str, str, bytes]:
        """What is kept of it."""
        return self.name, ENTRY, self._get_compiled_object()

    def _finalize_specific(self) -> None:
        super()._finalize_specific()
        for variable in self._final_module.global_variables:
            if variable.name.startswith(_ENVIRONMENT):
                environment = numba_environment.lookup_environment(variable.name)
                if environment is not None:
                    self._codegen.set_env(variable.name, environment)


def short_name(
    name: str, kinds: tuple[Any, ...], *, abi_tags: tuple[str, ...] = (), uid: int | None = None
) -> str:
    """Name of a function's machine code: a key of its arguments in place of their types.

    numba writes all types out, of a plant 75 kB in each function that is called with it, and more of the
    code's text than all else.
    """
    told = " ".join(str(kind) for kind in kinds)
    key = hashlib.sha256(told.encode()).hexdigest()[:_KEY_DIGITS]
    return str(numba_mangler.mangle(name, (), abi_tags=(*abi_tags, key), uid=uid))


class _Compiler(numba_compiler.Compiler):  # type: ignore[misc]
    """numba's compiler; functions without its memory go by our steps."""

    def __init__(self, *told: Any) -> None:
        super().__init__(*told)
        self.state.targetctx.mangler = short_name
        self.state.args = Unsaid(self.state.args)
        remember_operators(self.state.typingctx)

    def define_pipelines(self) -> list[Any]:
        """Its steps, in order."""
        [steps] = super().define_pipelines()
        if not self.state.flags.nrt:
            steps.passes = plain_steps(steps.passes, self.state.func_id.code)
            steps.finalize()
        return [steps]


class InnerCompiler(_Compiler):
    """numba's compiler, for functions that only compiled code calls."""

    def compile_extra(self, func: Callable[..., object]) -> Any:
        """The compiled function."""
        self.state.library = InnerLibrary(self.state.targetctx.codegen(), func.__qualname__)
        return super().compile_extra(func)


class EntryCompiler(_Compiler):
    """The same for functions that are called from outside."""

    def compile_extra(self, func: Callable[..., object]) -> Any:
        """The compiled function."""
        library = EntryLibrary(self.state.targetctx.codegen(), func.__qualname__)
        library.enable_object_caching()
        self.state.library = library
        return super().compile_extra(func)
