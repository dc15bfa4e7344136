"""Check configuration files without running anything: what ``emulator check`` does.

Stands here and not in emulator.config because it knows scenarios and circuits as well.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterable, Mapping
from typing import NamedTuple

from emulator.config.based_on import load_with_bases
from emulator.config.rig.bus_load import BusLoad, bus_load
from emulator.config.rig.consistency import rig_warnings
from emulator.config.rig.file import load_rig, vehicle_path
from emulator.config.rig.frames import frame_contradictions, read_codec
from emulator.config.scenario.circuit import load_circuit
from emulator.config.scenario.schema import circuit_path, load_scenario
from emulator.config.validation import did_you_mean
from emulator.config.vehicle.file import load_vehicle
from emulator.config.yaml_source import Source, beside, show
from emulator.core.errors import ConfigError, Problem


class Checked(NamedTuple):
    """One file: its kind ('' if it says none), what is wrong with it, what is doubtful.

    budget  of a rig whose bus has a known bit rate, also of one with problems as long as it can be read
    """

    path: str
    kind: str
    problems: list[Problem]
    warnings: list[Problem]
    budget: BusLoad | None = None


def check(
    paths: Iterable[str | os.PathLike[str]], given: Mapping[str, int | float] | None = None
) -> list[Checked]:
    """Check each file and the files it names, each once, in the order met. Never raises for a wrong file.

    given  values of the scenarios' parameters

    The kind of a file is its top-level key ``kind``. A rig leads to its vehicle, a scenario to its circuit.
    A rig's DBC is looked at with it.
    """
    waiting = [os.fspath(path) for path in paths]
    done: dict[str, Checked] = {}
    while waiting:
        path = waiting.pop(0)
        same = os.path.realpath(path)
        if same in done:
            continue
        result, named = _check_one(path, given or {})
        done[same] = result
        waiting[:0] = named
    return list(done.values())


def _check_one(path: str, given: Mapping[str, int | float]) -> tuple[Checked, list[str]]:
    try:
        source = load_with_bases(path)
    except ConfigError as error:
        return Checked(path, "", error.problems, []), []
    kind = source.data.get("kind")
    if not isinstance(kind, str) or kind not in _KINDS:
        near = did_you_mean(kind, _KINDS) if isinstance(kind, str) else ""
        if "kind" in source.data:
            problem = source.problem(
                ("kind",), f"expected one of {', '.join(_KINDS)}, got {show(kind)}{near}"
            )
        else:
            problem = source.problem((), f"missing key 'kind': one of {', '.join(_KINDS)}")
        return Checked(path, "", [problem], []), []
    try:
        warnings, named = _scenario(path, given) if kind == "scenario" else _KINDS[kind](path)
    except ConfigError as error:
        named = _named_anyway(source, kind)
        own = [p for p in error.problems if p.file not in named]
        return Checked(path, kind, own, [], _bus_load(path, kind)), named
    return Checked(path, kind, [], warnings, _bus_load(path, kind)), named


def _bus_load(path: str, kind: str) -> BusLoad | None:
    if kind != "rig":
        return None
    try:
        rig, source = load_rig(path)
        return bus_load(rig, read_codec(rig, source))
    except ConfigError:
        return None


def _rig(path: str) -> tuple[list[Problem], list[str]]:
    rig, source = load_rig(path)
    codec = read_codec(rig, source)
    problems, warnings = frame_contradictions(rig, source, codec)
    if problems:
        raise ConfigError(problems)
    vehicle = vehicle_path(rig, source)
    with contextlib.suppress(ConfigError):  # the vehicle's problems are told with its own file
        warnings += rig_warnings(rig, source, load_vehicle(vehicle).values)
    return [*source.warnings, *warnings], [vehicle]


def _vehicle(path: str) -> tuple[list[Problem], list[str]]:
    return load_vehicle(path).warnings, []


def _scenario(path: str, given: Mapping[str, int | float] | None = None) -> tuple[list[Problem], list[str]]:
    scenario, source = load_scenario(path, given)
    circuit = circuit_path(scenario, source)
    return list(source.warnings), [] if circuit is None else [circuit]


def _circuit(path: str) -> tuple[list[Problem], list[str]]:
    _, source = load_circuit(path)
    return list(source.warnings), []


_KINDS: dict[str, Callable[[str], tuple[list[Problem], list[str]]]] = {
    "rig": _rig,
    "vehicle": _vehicle,
    "scenario": _scenario,
    "circuit": _circuit,
}


_NAMED = {"rig": "vehicle", "scenario": "circuit"}


def named_anyway(path: str, kind: str) -> list[str]:
    """Files that a wrong file names all the same, where they exist: their problems can be told at once."""
    try:
        source = load_with_bases(path)
    except ConfigError:
        return []
    return _named_anyway(source, kind)


def _named_anyway(source: Source, kind: str) -> list[str]:
    key = _NAMED.get(kind, "")
    named = source.data.get(key)
    file = beside(source.file_of((key,)), named) if isinstance(named, str) and named else ""
    return [file] if os.path.isfile(file) else []
