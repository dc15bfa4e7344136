"""A class's docstring that lists what it holds lists nothing that is not there."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import emulator

PACKAGE = Path(emulator.__file__).parent
LISTED = re.compile(r"([A-Za-z_]\w*(?:, [A-Za-z_]\w*)*)  +\S")
"""One or more names in front of a wide gap."""


def held(declared: ast.ClassDef) -> set[str]:
    """Fields and methods of a class, what its constructor takes, and what it puts into itself."""
    names = set()
    for node in ast.walk(declared):
        match node:
            case ast.AnnAssign(target=ast.Name(id=name)) | ast.Name(id=name, ctx=ast.Store()):
                names.add(name)
            case ast.Attribute(value=ast.Name(id="self"), attr=name, ctx=ast.Store()):
                names.add(name)
            case ast.FunctionDef(name=name, args=args) | ast.AsyncFunctionDef(name=name, args=args):
                names.add(name)
                if name == "__init__":
                    names |= {a.arg for a in (*args.posonlyargs, *args.args, *args.kwonlyargs)}
            case _:
                pass
    return names


def listed_in_vain(source: str) -> Iterator[tuple[str, str]]:
    """Class and name of what is listed and not there."""
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.ClassDef):
            continue
        lines = [line for line in (ast.get_docstring(node) or "").splitlines() if "  " in line]
        names = held(node) if lines else set()
        for line in lines:
            if found := LISTED.match(line):
                yield from ((node.name, name) for name in found[1].split(", ") if name not in names)


def test_a_name_that_was_left_behind_is_seen() -> None:
    source = '''
class Wheel:
    """A wheel.

    radius_m, speed   (1,), (1,) of it
    tyre              its rubber
    The mass is left out.
    """

    radius_m: float
    rubber: float
'''
    assert list(listed_in_vain(source)) == [("Wheel", "speed"), ("Wheel", "tyre")]


def test_docstrings_list_what_is_there() -> None:
    wrong = [
        f"{path.relative_to(PACKAGE)}: {place} lists {name}"
        for path in sorted(PACKAGE.rglob("*.py"))
        for place, name in listed_in_vain(path.read_text())
    ]
    assert not wrong, "\n".join(wrong)
