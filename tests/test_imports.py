"""The import contracts of pyproject.toml: kept by the package, and each one able to fail."""

from __future__ import annotations

import contextlib
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[1]
PHYSICS = {"plant", "vehicle", "road", "sensors", "events", "lap"} | {
    f"core.{name}" for name in ("axes", "constants", "frame_buffer", "random_streams")
}
HIDDEN_FROM_ROBOT = {"sensors.motion_at_point", "shared_memory", "plant", "loop"}


def lint_imports(folder: Path) -> subprocess.CompletedProcess[str]:
    """Run the contracts of the pyproject.toml in ``folder`` over the package beside it."""
    command = [str(Path(sys.executable).with_name("lint-imports")), "--no-logo", "--no-cache"]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=60, check=False)


def contract(name: str) -> dict[str, Any]:
    """One contract by the beginning of its name."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]
    found = [c for c in settings["contracts"] if c["name"].startswith(name)]
    assert len(found) == 1
    return dict(found[0])


def existing(names: set[str]) -> set[str]:
    """Those of ``names`` that are modules of the package today, with the package's name before them."""
    package = ROOT / "emulator"
    paths = {n: package.joinpath(*n.split(".")) for n in names}
    return {f"emulator.{n}" for n, path in paths.items() if path.is_dir() or path.with_suffix(".py").exists()}


def only_sources(folder: str, names: list[str]) -> set[str]:
    """Names in a folder that the linter does not read."""
    return {
        name
        for name in names
        if name == "__pycache__" or not (name.endswith(".py") or Path(folder, name).is_dir())
    }


@pytest.fixture(scope="module")
def copy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the package and its settings that a test may break, and mends again."""
    folder = tmp_path_factory.mktemp("copy")
    shutil.copy(ROOT / "pyproject.toml", folder)
    shutil.copytree(ROOT / "emulator", folder / "emulator", ignore=only_sources)
    return folder


@contextlib.contextmanager
def written(path: Path, line: str) -> Iterator[None]:
    """A line more at the end of a module, new or not, for a while."""
    before = path.read_bytes() if path.exists() else None
    path.write_bytes((before or b"") + line.encode())
    try:
        yield
    finally:
        if before is None:
            path.unlink()
        else:
            path.write_bytes(before)


def test_the_package_keeps_its_contracts() -> None:
    result = lint_imports(ROOT)
    assert result.returncode == 0, result.stdout + result.stderr
    assert "0 broken" in result.stdout


def test_so_does_the_copy(copy: Path) -> None:
    """What the tests behind this one add is all that is wrong in it."""
    result = lint_imports(copy)
    assert result.returncode == 0, result.stdout + result.stderr


@pytest.mark.parametrize(
    ("name", "module", "line"),
    [
        ("layers", "core", "import emulator.wire"),
        ("layers", "sensors", "import emulator.wire"),  # beside, not above
        ("physics", "vehicle", "import time"),
        ("physics", "plant", "from emulator.core import clock"),
        ("wire", "wire", "import socket"),
        ("the loop", "loop", "import json"),
        ("only the supervisor", "record", "import asyncio"),
        ("the robot", "robot", "import emulator.plant"),
    ],
)
def test_a_forbidden_import_is_caught(copy: Path, name: str, module: str, line: str) -> None:
    package = copy / "emulator" / module
    added = package / "stray.py" if package.is_dir() else package.with_suffix(".py")
    with written(added, f"\n{line}\n"):
        result = lint_imports(copy)
    assert result.returncode != 0
    assert f"{contract(name)['name']} BROKEN" in result.stdout.replace("\n", " ")
    imported = line.rsplit(maxsplit=1)[-1]
    culprit = f"emulator.{module}.stray" if package.is_dir() else f"emulator.{module}"
    told = [told for told in result.stdout.splitlines() if told.strip(" -").startswith(f"{culprit} -> ")]
    assert any(imported in line for line in told), result.stdout


def test_a_module_outside_the_layers_is_caught(copy: Path) -> None:
    with written(copy / "emulator" / "stray.py", ""):
        result = lint_imports(copy)
    assert result.returncode != 0
    assert "emulator.stray" in result.stdout


def test_the_contract_on_physics_covers_every_physics_module() -> None:
    """The linter refuses names of modules that do not exist, so the list can only hold today's."""
    assert set(contract("physics")["source_modules"]) == existing(PHYSICS)


def test_the_contract_on_the_robot_covers_everything_it_must_not_see() -> None:
    assert set(contract("the robot")["forbidden_modules"]) == existing(HIDDEN_FROM_ROBOT)


def test_no_room_is_crowded_and_nothing_lies_loose() -> None:
    package = ROOT / "emulator"
    rooms = [package, *(path.parent for path in package.rglob("__init__.py"))]
    crowded = {str(r): n for r in rooms if (n := len(list(r.glob("*.py"))) - 1) > 14}
    assert crowded == {}
    assert {path.name for path in package.glob("*.py")} == {"__init__.py", "__main__.py"}
