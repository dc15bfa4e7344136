"""The compiled code's cache is named after every source it can depend on."""

import ast
from pathlib import Path

import emulator.core.compiled
from emulator.core.compiled import _CORE, _ROBOT

PACKAGE = Path(emulator.core.compiled.__file__).parent
STATEMENTS = ("errors.py",)
"""Of what is imported: nothing that is compiled."""


def sources(names: tuple[str, ...]) -> set[Path]:
    files = [[PACKAGE / n] if n.endswith(".py") else sorted((PACKAGE / n).rglob("*.py")) for n in names]
    return {file for part in files for file in part}


def imported(file: Path) -> set[Path]:
    """Modules of the package that a module imports."""
    found = set()
    for node in ast.walk(ast.parse(file.read_text())):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("emulator."):
            path = PACKAGE / Path(*str(node.module).split(".")[1:])
            found |= {path.with_suffix(".py")} if path.with_suffix(".py").exists() else set()
            found |= {p for a in node.names if (p := path / f"{a.name}.py").exists()}
    return found


def test_whatever_the_plant_imports_is_in_the_hash_of_its_cache() -> None:
    core = sources(_CORE)
    left_out = {f for file in core for f in imported(file)} - core - {PACKAGE / s for s in STATEMENTS}
    assert {str(f.relative_to(PACKAGE)) for f in left_out if "jit" in f.read_text()} == set()


def test_every_name_in_the_hash_is_there() -> None:
    assert [name for name in _CORE + _ROBOT if not (PACKAGE / name).exists()] == []
