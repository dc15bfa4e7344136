"""Machine code as it was kept, handed to the processor without what only compiling needs.

numba's own way of loading brings in all it can compile (a third of a second of imports).
Here the object file is linked as it lies, and the rest follows if somebody asks for it.
"""

from __future__ import annotations

from typing import Any

from llvmlite import binding  # type: ignore[import-untyped]
from numba.core.compiler import CompileResult

from emulator.core.keeping.inner_code import ENTRY, INNER, EntryLibrary, KeptInnerLibrary

_WITH_MEMORY = b"NRT_"
"""Beginning of the names by which an object file asks for the compiler's own memory."""


class LoadedLibrary(EntryLibrary):
    """Machine code of one function with all that it calls, linked."""

    def __init__(self, codegen: Any, name: str, object_code: bytes) -> None:
        # Without the base's own beginning, which makes an empty module to be filled and compiled.
        self._codegen, self._name = codegen, name
        self._linking_libraries: list[Any] = []
        self._reload_init: set[Any] = set()
        self._dynamic_globals: list[str] = []
        self._finalized = self._disable_inspection = True
        self._object = object_code
        engine = codegen._engine
        engine._ee.add_object_file(binding.ObjectFileRef.from_data(object_code))
        engine.finalize_object()

    def get_pointer_to_function(self, name: str) -> int:
        """Address of a function that the object file has for callers from outside; 0: it has not."""
        if name.encode() not in self._object:
            return 0
        return int(self._codegen._engine.get_function_address(name))


def loaded(target_context: Any, kept: tuple[Any, ...]) -> Any:
    """The compiled function from what its compiling was reduced to."""
    libdata, fndesc, env, signature, objectmode, lifted, annotation, reload_init, referenced = kept
    name, kind, data = libdata
    if kind not in (ENTRY, INNER) or reload_init:
        raise TypeError(f"{name}: kept as {kind}, with {len(reload_init)} things to begin with")
    codegen = target_context.codegen()
    if kind == INNER:
        library: Any = KeptInnerLibrary(codegen, name, data)
    else:
        if _WITH_MEMORY in data:
            target_context.refresh()
        library = LoadedLibrary(codegen, name, data)
    function = target_context.get_executable(library, fndesc, env)
    for other in referenced:
        library.codegen.set_env(other.env_name, other)
    compiled: Any = CompileResult  # whose types leave out its fields
    return compiled(
        target_context=target_context,
        typing_context=target_context.typing_context,
        library=library,
        environment=env,
        entry_point=function,
        fndesc=fndesc,
        type_annotation=annotation,
        signature=signature,
        objectmode=objectmode,
        lifted=lifted,
        typing_error=None,
        call_helper=None,
        metadata=None,
        reload_init=reload_init,
        referenced_envs=referenced,
    )
