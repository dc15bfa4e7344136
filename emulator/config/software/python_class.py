"""What can be said of a class in a Python file without running the file: a hook's, or a robot's."""

from __future__ import annotations

import ast
from typing import NamedTuple

from emulator.config.validation import did_you_mean
from emulator.core.errors import UnreadableError
from emulator.core.outside.reading import PYTHON, read_whole


class NoPython(Exception):
    """The file can't be read, or is no Python; ``line`` and ``column`` where, 0 if nobody knows."""

    def __init__(self, text: str, line: int = 0, column: int = 0) -> None:
        super().__init__(text)
        self.line, self.column = line, column


class Names(NamedTuple):
    """What a file has under names: its classes by name, and what else a class may come from."""

    classes: dict[str, ast.ClassDef]
    others: frozenset[str]

    def without(self, file: str, name: str) -> str | None:
        """What is wrong if there can be no class of that name; None: there may be one."""
        if name in self.classes or name in self.others or "*" in self.others:
            return None
        known = f"one of {', '.join(self.classes)}" if self.classes else "it has none"
        return f"expected a class of {file} ({known}), got {name!r}{did_you_mean(name, self.classes)}"


def names_in(file: str) -> Names:
    """The names that a file defines. Raises NoPython."""
    try:
        tree = ast.parse(read_whole(file, PYTHON), file)
    except UnreadableError as error:
        raise NoPython(f"{file} can't be read: {error.why}") from error
    except SyntaxError as error:
        line, column = error.lineno or 1, error.offset or 1
        text = f"expected a Python file; line {line} of {file} is none: {error.msg}"
        raise NoPython(text, line, column) from error
    except (ValueError, RecursionError, MemoryError) as error:  # a zero byte, or nested beyond all reason
        raise NoPython(f"expected a Python file, {file} is none") from error
    nodes = list(ast.walk(tree))
    imported = [alias.asname or alias.name for node in nodes for alias in getattr(node, "names", [])
                if isinstance(alias, ast.alias)]  # fmt: skip
    assigned = [node.id for node in nodes if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store)]
    classes = {node.name: node for node in nodes if isinstance(node, ast.ClassDef)}
    return Names(classes, frozenset((*imported, *assigned)))
