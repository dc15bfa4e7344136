"""Check configuration files without running anything: what ``emulator check`` does.

Nothing is decided here. Files that are to ride together go through ``load_session``, as for a run; a file by
itself through the functions that ``load_session`` reads its kind with. What neither can know is named.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import NamedTuple

from emulator.assembly.files import Stage, files_of_rig, named_anyway, problems_in
from emulator.assembly.session import load_session
from emulator.config.based_on import kind_of, load_with_bases
from emulator.config.rig.bus_load import BusLoad, bus_load
from emulator.config.rig.buses import LoopbackBus, SerialBus, SocketcanBus
from emulator.config.rig.consistency import rig_warnings
from emulator.config.rig.file import Rig, load_rig, vehicle_path
from emulator.config.rig.frames import read_codec
from emulator.config.rig.on_bench import bench_findings
from emulator.config.rig.ports import PtyPort, SerialPort, TcpPort
from emulator.config.scenario.circuit import load_circuit
from emulator.config.scenario.schema import Scenario, circuit_path, load_scenario
from emulator.config.software.own_software import wrong_software
from emulator.config.track.calibration_file import load_calibration, path_from
from emulator.config.track.findings_file import load_findings
from emulator.config.track.map_file import load_map, named_path
from emulator.config.validation import did_you_mean
from emulator.config.vehicle.file import load_vehicle
from emulator.config.yaml_source import Loc, beside, show
from emulator.core.errors import ConfigError, Problem


class Checked(NamedTuple):
    """One file, or a scenario with its rig: its kind ('' if it says none), what is wrong, what is doubtful.

    budget     of a rig whose bus has a known bit rate, also of one with problems as long as it can be read
    unchecked  what a run needs as well and files can't tell, in words
    """

    path: str
    kind: str
    problems: list[Problem]
    warnings: list[Problem]
    budget: BusLoad | None = None
    unchecked: tuple[str, ...] = ()


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


def check_on_rig(
    paths: Iterable[str | os.PathLike[str]],
    rig: str | os.PathLike[str],
    given: Mapping[str, int | float] | None = None,
    *,
    virtual: bool = False,
) -> list[Checked]:
    """Check scenarios as a run on ``rig`` does, by the function it begins with. Never raises for a wrong one.

    Files of another kind are checked by themselves. A problem of the rig is told with the first scenario.
    virtual  as a run on the stepped clock would: what only the bench needs is not looked at
    """
    done: list[Checked] = []
    before: set[Problem] = set()
    for path in paths:
        if kind_of(path) in set(_KINDS) - {"scenario"}:
            done += check([path], given)
            continue
        found = _check_ride(os.fspath(path), os.fspath(rig), given or {}, virtual=virtual)
        new = [[p for p in problems if p not in before] for problems in (found.problems, found.warnings)]
        before |= {*found.problems, *found.warnings}
        # one with nothing but what was told already is still wrong
        done.append(found._replace(problems=new[0] or found.problems, warnings=new[1]))
    return done


def _check_ride(path: str, rig_path: str, given: Mapping[str, int | float], *, virtual: bool) -> Checked:
    stage: Stage = "virtual" if virtual else "bench"
    try:
        session = load_session(Path(rig_path), Path(path), parameters=given, stage=stage)
    except ConfigError as error:
        return Checked(path, f"scenario on {rig_path}", error.problems, [], _bus_load(rig_path))
    left = [*_beyond_files(session.rig, virtual=virtual), *_of_scenario(session.scenario)]
    return Checked(path, f"scenario on {rig_path}", [], session.warnings, session.bus, tuple(left))


# ---- one file --------------------------------------------------------------------------------------------


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
    budget = _bus_load(path) if kind == "rig" else None
    try:
        found, named = _KINDS[kind](path, given)
    except ConfigError as error:
        named = named_anyway(path, kind)
        own = [p for p in error.problems if p.file not in named]
        return Checked(path, kind, own, [], budget), named
    return found._replace(budget=budget), named


def _bus_load(path: str) -> BusLoad | None:
    try:
        rig, source = load_rig(path)
        return bus_load(rig, read_codec(rig, source))
    except ConfigError:
        return None


def _rig(path: str, _: Mapping[str, int | float]) -> tuple[Checked, list[str]]:
    rig, source = load_rig(path)
    vehicle = vehicle_path(rig, source)
    problems: list[Problem] = []
    vehicle_file, _codec, warnings = files_of_rig(rig, source, problems)
    needed, open_to_all = bench_findings(rig, source)
    elsewhere = problems_in(vehicle, "vehicle", load_vehicle)  # told with that file
    problems = [p for p in problems if p not in elsewhere] + needed
    problems += wrong_software(rig.device_under_test.virtual, source)
    if problems:
        raise ConfigError(problems)
    warnings = [*source.warnings, *warnings, *open_to_all]
    if vehicle_file is not None:
        warnings += rig_warnings(rig, source, vehicle_file.values)
    left = (_NO_SCENARIO, *_beyond_files(rig, virtual=False))
    return Checked(path, "rig", [], warnings, unchecked=left), [vehicle]


def _vehicle(path: str, _: Mapping[str, int | float]) -> tuple[Checked, list[str]]:
    return Checked(path, "vehicle", [], load_vehicle(path).warnings), []


def _scenario(path: str, given: Mapping[str, int | float]) -> tuple[Checked, list[str]]:
    scenario, source = load_scenario(path, given)
    circuit = circuit_path(scenario, source)
    left = (_NO_RIG, *_of_scenario(scenario))
    return Checked(path, "scenario", [], list(source.warnings), unchecked=left), (
        [] if circuit is None else [circuit]
    )


def _data_sheet(path: str, _: Mapping[str, int | float]) -> tuple[Checked, list[str]]:
    from emulator.config.vehicle.data_sheet import load_data_sheet

    _sheet, source = load_data_sheet(path)
    left = ("whether these numbers make a vehicle: emulator vehicle new",)
    return Checked(path, "data sheet", [], list(source.warnings), unchecked=left), []


def _circuit(path: str, _: Mapping[str, int | float]) -> tuple[Checked, list[str]]:
    _circuit_file, source = load_circuit(path)
    return Checked(path, "circuit", [], list(source.warnings)), []


def _plan(path: str, _: Mapping[str, int | float]) -> tuple[Checked, list[str]]:
    from emulator.config.campaign.schema import load_plan

    _plan_file, source = load_plan(path)
    left = ("the files it names and the runs it makes: emulator campaign check",)
    return Checked(path, "campaign", [], list(source.warnings), unchecked=left), []


def _acknowledged(path: str, _: Mapping[str, int | float]) -> tuple[Checked, list[str]]:
    from emulator.config.campaign.acknowledged import load_acknowledged

    _list, source = load_acknowledged(path)
    return Checked(path, "acknowledged", [], list(source.warnings)), []


def _track_map(path: str, _: Mapping[str, int | float]) -> tuple[Checked, list[str]]:
    asked, source = load_map(path)
    left = ("whether a log has these channels: emulator track import",)
    named = [] if asked.scenario is None else [str(named_path(source, asked.scenario))]
    return Checked(path, "track map", [], list(source.warnings), unchecked=left), named


def _calibration(path: str, _: Mapping[str, int | float]) -> tuple[Checked, list[str]]:
    asked, source = load_calibration(path)
    left = ("what its legs would tell: emulator track plan",)
    named = [str(path_from(source, name)) for name in (asked.vehicle, asked.rig) if name is not None]
    return Checked(path, "calibration", [], list(source.warnings), unchecked=left), named


def _findings(path: str, _: Mapping[str, int | float]) -> tuple[Checked, list[str]]:
    register, source = load_findings(path)
    places: list[Loc] = [("findings", k, "scenario") for k in range(len(register.findings))]
    named = [
        beside(source.file_of(place), entry.scenario)
        for place, entry in zip(places, register.findings, strict=True)
    ]
    missing = [
        source.problem(place, f"no such file: {file} (paths are relative to this file)")
        for place, file in zip(places, named, strict=True)
        if not os.path.isfile(file)
    ]
    there = [file for file in named if os.path.isfile(file)]
    return Checked(path, "findings", missing, list(source.warnings)), there


_KINDS: dict[str, Callable[[str, Mapping[str, int | float]], tuple[Checked, list[str]]]] = {
    "rig": _rig,
    "vehicle": _vehicle,
    "scenario": _scenario,
    "circuit": _circuit,
    "data_sheet": _data_sheet,
    "campaign": _plan,
    "acknowledged": _acknowledged,
    "track_map": _track_map,
    "calibration": _calibration,
    "findings": _findings,
}


# ---- what files can't tell -------------------------------------------------------------------------------

_NO_RIG = (
    "how it meets a rig (signals and frames of its events, what it changes at the vehicle, its speeds with "
    "that engine): name one with --rig RIG"
)
_NO_SCENARIO = "how a scenario meets it: emulator check SCENARIO --rig RIG"


def _of_scenario(scenario: Scenario) -> list[str]:
    if scenario.hook is None:
        return []
    return [f"what the program {scenario.hook.file} does: a run starts it, a check does not"]


def _beyond_files(rig: Rig, *, virtual: bool) -> list[str]:
    """What only the devices, the host, or a computation at the start can say."""
    left = []
    own = rig.device_under_test.virtual is not None
    if virtual and own:
        left.append("what the robot's software does: a ride starts it, a check does not")
    elif virtual or rig.device_under_test.kind == "reference":
        left.append(
            "whether the reference robot can hold this vehicle up: it works that out when it starts "
            "(emulator modes RIG shows it)"
        )
    if virtual:
        return left
    left += _links(rig)
    if rig.loop.priority > 0 or rig.loop.lock_memory or rig.loop.cpu != "auto":
        left.append("whether this host grants the loop its core, priority and locked memory: emulator host")
    if rig.telemetry is not None:
        where = f"{rig.telemetry.host}:{rig.telemetry.port}"
        left.append(f"whether the broker on {where} is there and lets us in; a run goes on without it")
    return left


def _links(rig: Rig) -> list[str]:
    """Interfaces, devices and ports that have to be there, free and permitted."""
    bus, port = rig.bus, rig.gnss_port
    left = []
    if isinstance(bus, SocketcanBus):
        left.append(f"whether CAN interface {bus.channel} is there and up")
    devices = [bus.device] if isinstance(bus, SerialBus) else []
    devices += [port.device] if isinstance(port, SerialPort) else []
    devices += [] if rig.pulse_per_second is None else [rig.pulse_per_second.device]
    left += [f"whether {name} is there, free, and this user may open it" for name in dict.fromkeys(devices)]
    if isinstance(bus, LoopbackBus) and bus.port:
        left.append(f"whether TCP port {bus.port} on {bus.host} is free")
    if isinstance(port, TcpPort) and port.port:
        left.append(f"whether TCP port {port.port} on {port.host} is free")
    if isinstance(port, PtyPort) and port.path:
        left.append(f"whether a link can be put at {port.path}")
    return left
