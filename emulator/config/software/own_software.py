"""A rig's own software held against its files: a program, class or unit that is not there, or can't ride.

Nothing is run or loaded. What only shows then is the ride's to tell.
"""

from __future__ import annotations

import ast
import os
import shutil
from collections.abc import Iterator
from typing import NamedTuple

from emulator.config.rig.file import DeviceUnderTest
from emulator.config.software.python_class import NoPython, names_in
from emulator.config.software.stepped_robot import FmiRobot, PythonRobot, SocketRobot, SteppedRobot
from emulator.config.software.unit_file import NoUnit, Unit, read_unit
from emulator.config.validation import did_you_mean
from emulator.config.yaml_source import Loc, Source, beside
from emulator.core.errors import Problem

_HERE: Loc = ("device_under_test", "virtual")
_METHODS = {
    "__init__": ("self",),
    "begin": ("self", "start"),
    "act": ("self", "moment"),
    "end": ("self", "why"),
}
"""Methods of a robot's class, and what each is called with."""
_NEEDED = ("begin", "act")


def wrong_software(how: SteppedRobot | None, source: Source) -> list[Problem]:
    """What is wrong with the software that a rig names; empty where it names none."""
    if isinstance(how, PythonRobot):
        return _wrong_file(how, source)
    if isinstance(how, SocketRobot):
        return list(_wrong_command(how, source))
    return [] if how is None else list(_wrong_unit(how, source))


def who_is_stepped(device: DeviceUnderTest, source: Source) -> list[Problem]:
    """Why nobody, or not the one who is named, can ride the virtual stage of a rig; empty if somebody can."""
    if device.virtual is None and device.kind == "external":
        return [nobody(source)]
    return wrong_software(device.virtual, source)


def nobody(source: Source) -> Problem:
    """That a rig names nobody who can be stepped."""
    return source.problem(
        ("device_under_test", "kind"),
        "expected a robot that can be stepped: this rig's joins a bus in real time and can't ride the "
        "virtual stage. Name its software at device_under_test.virtual (kind: python, socket or fmi), or "
        "with --robot FILE:CLASS; or say kind: reference, and ours rides",
    )


def wrong_class(file: str, name: str) -> list[Problem]:
    """What is wrong with a class in a Python file, at its line of that file."""
    try:
        names = names_in(file)
    except NoPython as error:
        return [Problem(file, max(error.line, 1), max(error.column, 1), "", str(error))]
    if lacking := names.without(file, name):
        return [Problem(file, 1, 1, "", lacking)]
    found = names.classes.get(name)
    return [] if found is None else list(_wrong_methods(file, found))


def program_path(robot: PythonRobot | FmiRobot, source: Source) -> str:
    """The file of a robot's program."""
    return beside(source.file_of((*_HERE, "file")), robot.file)


class Joining(NamedTuple):
    """How a program comes to its socket: words of the command that starts it, and the path of a Unix socket.

    command  a word that names a file from the folder of the file it stands in stands for that file; empty: it
             is started by hand
    path     None: TCP
    """

    command: tuple[str, ...]
    path: str | None


def joining_of(robot: SocketRobot, source: Source) -> Joining:
    """How a rig's program joins."""
    words = [_file_or_word(source, i, word) for i, word in enumerate(robot.command)]
    command = [shutil.which(words[0]) or words[0], *words[1:]] if words else []
    path = None if robot.path is None else beside(source.file_of((*_HERE, "path")), robot.path)
    return Joining(tuple(command), path)


def _file_or_word(source: Source, i: int, word: str) -> str:
    near = beside(source.file_of((*_HERE, "command", i)), word)
    return near if os.path.isfile(near) else word


# ---- a class ---------------------------------------------------------------------------------------------


def _wrong_file(how: PythonRobot, source: Source) -> list[Problem]:
    file = program_path(how, source)
    if not os.path.isfile(file):
        return [_no_such_file(source, (*_HERE, "file"), file)]
    try:
        names = names_in(file)
    except NoPython as error:
        if error.line and file.endswith(".py"):
            return [Problem(file, error.line, error.column, "", str(error))]
        text = f"{error}; a program in another language is of kind: socket"
        return [source.problem((*_HERE, "file"), text)]
    if lacking := names.without(file, how.name):
        return [source.problem((*_HERE, "name"), lacking)]
    found = names.classes.get(how.name)
    return [] if found is None else list(_wrong_methods(file, found))


def _wrong_methods(file: str, found: ast.ClassDef) -> Iterator[Problem]:
    """Methods that are not there, or take other arguments; one that is made in another way is let be."""
    if found.bases or found.keywords or found.decorator_list:
        return
    methods = {n.name: n for n in found.body if isinstance(n, ast.FunctionDef | ast.AsyncFunctionDef)}
    for name in _NEEDED if _tells_all(found) else ():
        if name not in methods:
            text = (
                f"expected a class with begin(self, start) and act(self, moment); {found.name} has no {name}"
            )
            yield Problem(file, found.lineno, found.col_offset + 1, "", text)
    for name, arguments in _METHODS.items():
        node = methods.get(name)
        if node is None or node.decorator_list:
            continue
        wanted = f"{found.name}.{name}({', '.join(arguments)})"
        text = ""
        if isinstance(node, ast.AsyncFunctionDef):
            text = f"expected a plain function, def {wanted}: async it returns a coroutine, no dict"
        elif not _takes(node.args, len(arguments)):
            text = f"expected {wanted}, got {name}({ast.unparse(node.args)[:60]})"
            if name == "__init__":
                text += ": it is made without arguments; the rig's settings come in begin, as start.settings"
        if text:
            yield Problem(file, node.lineno, node.col_offset + 1, "", text)


def _tells_all(found: ast.ClassDef) -> bool:
    """Whether every method that a class has is a function in its body."""
    return all(
        isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Expr | ast.Pass | ast.AnnAssign)
        or (isinstance(node, ast.Assign) and not _names_a_method(node))
        for node in found.body
    )


def _names_a_method(node: ast.Assign) -> bool:
    return any(isinstance(n, ast.Name) and n.id in _NEEDED for t in node.targets for n in ast.walk(t))


def _takes(arguments: ast.arguments, count: int) -> bool:
    """Whether a function can be called with so many arguments in order."""
    most = len(arguments.posonlyargs) + len(arguments.args)
    least = most - len(arguments.defaults)
    needs_names = sum(default is None for default in arguments.kw_defaults)
    return not needs_names and least <= count and (count <= most or arguments.vararg is not None)


# ---- a program -------------------------------------------------------------------------------------------


def _wrong_command(how: SocketRobot, source: Source) -> Iterator[Problem]:
    for i, word in enumerate(how.command):
        loc: Loc = (*_HERE, "command", i)
        near = beside(source.file_of(loc), word)
        if os.path.isfile(near):
            if i == 0 and not os.access(near, os.X_OK):
                text = (
                    f"expected a program, {near} is not executable: chmod +x, or name what runs it before it"
                )
                yield source.problem(loc, text)
        elif word.startswith(("./", "../")) or (i == 0 and "/" in word):
            yield source.problem(
                loc, f"no such file: {near} (paths are relative to this file): build it first?"
            )
        elif i == 0 and shutil.which(word) is None:
            yield source.problem(loc, f"expected a program beside this file or on the PATH, got {word!r}")


def _no_such_file(source: Source, loc: Loc, file: str) -> Problem:
    return source.problem(loc, f"no such file: {file} (paths are relative to this file)")


# ---- a unit ----------------------------------------------------------------------------------------------


def _wrong_unit(how: FmiRobot, source: Source) -> Iterator[Problem]:
    file = program_path(how, source)
    if not os.path.isfile(file):
        yield _no_such_file(source, (*_HERE, "file"), file)
        return
    try:
        unit = read_unit(file)
    except NoUnit as error:
        yield source.problem((*_HERE, "file"), str(error))
        return
    for key, names, wanted in (
        ("inputs", how.inputs, ("input",)),
        ("outputs", how.outputs, ("output", "local", "calculatedParameter")),
        ("settings", how.settings, ("parameter", "structuralParameter", "local", "input")),
    ):
        for name in names:
            if text := _wrong_variable(unit, name, wanted):
                yield source.problem((*_HERE, key, name), text, at_key=True)
    for i, name in enumerate(how.notes):
        if name not in unit.variables:
            yield source.problem((*_HERE, "notes", i), _no_variable(name, "a variable", list(unit.variables)))


def _wrong_variable(unit: Unit, name: str, wanted: tuple[str, ...]) -> str:
    what = f"{'an' if wanted[0][0] in 'aeiou' else 'a'} {wanted[0]}"
    variable = unit.variables.get(name)
    if variable is None:
        return _no_variable(name, what, unit.of(*wanted))
    if variable.causality not in wanted:
        return f"expected {what} of the unit, got {name!r}, which is of causality {variable.causality}"
    return ""


def _no_variable(name: str, what: str, known: list[str]) -> str:
    listed = f"{', '.join(known[:12])}{', ...' if len(known) > 12 else ''}" if known else "it has none"
    return f"expected {what} of the unit ({listed}), got {name!r}{did_you_mean(name, known)}"
