"""What a co-simulation unit's file says of itself, without unpacking or loading anything of it.

Source: Functional Mock-up Interface Specification 3.0, 2022 (fmi-standard.org; from memory): a zip
archive with ``modelDescription.xml`` and ``binaries/SYSTEM/``.
"""

from __future__ import annotations

import io
import platform
import sys
import zipfile
from typing import NamedTuple, NoReturn
from xml.parsers import expat

from emulator.core.errors import UnreadableError
from emulator.core.outside.reading import UNIT, read_whole

_DESCRIPTION = "modelDescription.xml"
_MOST_BYTES = 8 << 20
_DEEPEST = 30
_MACHINES = {"amd64": "x86_64", "arm64": "aarch64", "i386": "x86", "i686": "x86"}
_SYSTEMS = {"win32": "windows"}


class NoUnit(Exception):
    """The file is no unit that can ride; the text says why."""


class Variable(NamedTuple):
    """Type and causality of a variable, as the description has them."""

    type: str
    causality: str


class Unit(NamedTuple):
    """A unit: its variables by name."""

    variables: dict[str, Variable]

    def of(self, *causalities: str) -> list[str]:
        """Names of its variables of these causalities."""
        return [name for name, variable in self.variables.items() if variable.causality in causalities]


def read_unit(file: str) -> Unit:
    """Read a unit's description. Raises NoUnit: no archive, another FMI, no co-simulation, no binaries."""
    try:
        raw = read_whole(file, UNIT)
    except UnreadableError as error:
        raise NoUnit(error.why) from error
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as archive:
            names = archive.namelist()
            if _DESCRIPTION not in names:
                raise NoUnit(f"expected a co-simulation unit, {file} has no {_DESCRIPTION}")
            with archive.open(_DESCRIPTION) as packed:
                text = packed.read(_MOST_BYTES + 1)
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, OSError, ValueError) as error:
        raise NoUnit(f"expected a co-simulation unit, {file} is no archive of one: {error}") from error
    if len(text) > _MOST_BYTES:
        raise NoUnit(f"expected a {_DESCRIPTION} of at most 8 MiB")
    description = _Description()
    description.read(text)
    _rides(description, names)
    return Unit(description.variables)


def _rides(description: _Description, names: list[str]) -> None:
    """Raises NoUnit where the unit is none of FMI 3 for co-simulation on this system."""
    if not description.version.startswith("3"):
        raise NoUnit(
            f"expected a unit of FMI 3, got one of FMI {description.version[:20] or '?'}: export it anew"
        )
    if not description.co_simulation:
        raise NoUnit("expected a unit for co-simulation, got none (model exchange?): export it anew")
    ours = this_system()
    systems = sorted(
        {name.split("/")[1] for name in names if name.startswith("binaries/") and name.count("/") > 1}
    )
    if ours not in systems:
        has = ", ".join(systems)[:200] or "nothing that is built"
        raise NoUnit(f"expected a unit with binaries for {ours}, got {has}: export it for this system")


def this_system() -> str:
    """This machine as FMI 3.0 names the folder of its binaries, such as x86_64-linux."""
    machine = platform.machine().lower()
    return f"{_MACHINES.get(machine, machine)}-{_SYSTEMS.get(sys.platform, sys.platform)}"


class _Description:
    """What expat finds in a description. A document type is refused: entities without bound come with one."""

    def __init__(self) -> None:
        self.version, self.co_simulation = "", False
        self.variables: dict[str, Variable] = {}
        self._open: list[str] = []

    def read(self, text: bytes) -> None:
        """Raises NoUnit."""
        parser = expat.ParserCreate()
        parser.StartDoctypeDeclHandler = self._doctype
        parser.EntityDeclHandler = self._doctype
        parser.StartElementHandler = self._start
        parser.EndElementHandler = lambda _name: self._open.pop()
        try:
            parser.Parse(text, True)
        except (expat.ExpatError, LookupError, ValueError) as error:
            raise NoUnit(f"expected XML in {_DESCRIPTION}: {error}") from error

    def _doctype(self, *_: object) -> NoReturn:
        raise NoUnit(f"a document type (DTD) is not read; take its declaration out of {_DESCRIPTION}")

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        if len(self._open) >= _DEEPEST:
            raise NoUnit(f"{_DESCRIPTION} is nested deeper than {_DEEPEST} levels")
        self._open.append(name)
        if len(self._open) == 1:
            self.version = attributes.get("fmiVersion", "")
        elif self._open == ["fmiModelDescription", "CoSimulation"]:
            self.co_simulation = True
        elif self._open == ["fmiModelDescription", "ModelVariables", name] and "name" in attributes:
            self.variables[attributes["name"]] = Variable(name, attributes.get("causality", "local"))
