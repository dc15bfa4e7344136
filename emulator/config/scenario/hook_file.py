"""What can be said of a hook's file without running it.

Apart from the class itself (emulator.config.scenario.hook), whose process loads nothing that reads files.
"""

from __future__ import annotations

import ast

from emulator.config.scenario.hook import FORMER_MODULE
from emulator.config.validation import did_you_mean
from emulator.core.errors import Problem, UnreadableError
from emulator.core.outside.reading import PYTHON, read_whole
from emulator.core.signals import FORMER_SIGNALS


def wrong_in(file: str, name: str) -> tuple[str, str] | None:
    """What keeps a file from having a class of that name: the key of ``hook`` it shows at, and the sentence.

    The file is read, not run: what only shows then is the host's to find.
    """
    try:
        tree = ast.parse(read_whole(file, PYTHON), file)
    except UnreadableError as error:
        return "file", f"{file} can't be read: {error.why}"
    except SyntaxError as error:
        return "file", f"expected a Python file; line {error.lineno or 1} of {file} is none: {error.msg}"
    except (ValueError, RecursionError, MemoryError):  # a zero byte, or nested beyond all reason
        return "file", f"expected a Python file, {file} is none"
    nodes = list(ast.walk(tree))
    classes = [node.name for node in nodes if isinstance(node, ast.ClassDef)]
    imported = [alias.asname or alias.name for node in nodes for alias in getattr(node, "names", [])
                if isinstance(alias, ast.alias)]  # fmt: skip
    assigned = [node.id for node in nodes if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store)]
    if name in (*classes, *imported, *assigned) or "*" in imported:
        return None
    known = f"one of {', '.join(classes)}" if classes else "it has none"
    return "name", f"expected a class of {file} ({known}), got {name!r}{did_you_mean(name, classes)}"


def former_names_in(file: str) -> list[Problem]:
    """A warning for every line of a hook's file that has a name of the version before."""
    present = {FORMER_MODULE: "emulator", **FORMER_SIGNALS}
    try:
        lines = read_whole(file, PYTHON).decode("utf-8").splitlines()
    except (UnreadableError, UnicodeDecodeError):
        return []  # whoever runs the file says so
    return [
        Problem(
            file,
            number,
            line.index(former) + 1,
            "",
            f"{former!r} is called {now!r} now; the former name works in this version and no further",
        )
        for number, line in enumerate(lines, start=1)
        for former, now in present.items()
        if former in line
    ]
