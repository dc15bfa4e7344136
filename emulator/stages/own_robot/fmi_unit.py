"""A co-simulation unit by FMI 3.0, through fmpy: it gets the values it asks for and does steps of a period.

What it puts out belongs to the end of its step, so it is on the bus one period after what it was worked out
from. Source: Functional Mock-up Interface Specification 3.0, 2022 (fmi-standard.org; from memory),
co-simulation.
"""

from __future__ import annotations

import contextlib
import math
import shutil
from collections.abc import Mapping, Sequence
from typing import Any

from emulator.stages.own_robot.protocol import Answer, Moment, RobotFailed, Start, Wants, raised

_WHOLE = ("Int8", "UInt8", "Int16", "UInt16", "Int32", "UInt32", "Int64", "UInt64", "Boolean")
_NUMBERS = ("Float64", "Float32", *_WHOLE)


class FmiUnit:
    """The unit in ``file``, unpacked and instantiated.

    inputs   value it gets by its variable; a whole-number one keeps its last while it is not available
    outputs  command it gives by its variable
    notes    variables that are recorded besides
    Raises RobotFailed for a unit that is none, or has no such variables.
    """

    wants: Wants = "values"
    lag_periods = 1

    def __init__(
        self, file: str, inputs: Mapping[str, str], outputs: Mapping[str, str], notes: Sequence[str]
    ) -> None:
        try:
            import fmpy
            from fmpy.fmi3 import FMU3Slave
        except ImportError as error:
            raise RobotFailed(
                "nonsense", "co-simulation units need fmpy: pip install 'emulator[fmi]'"
            ) from error
        try:
            description = fmpy.read_model_description(file)
            self._folder = fmpy.extract(file)
        except Exception as error:  # fmpy raises whatever its parser does
            raise RobotFailed("nonsense", f"{file} is no co-simulation unit: {error}") from error
        if not description.fmiVersion.startswith("3") or description.coSimulation is None:
            raise RobotFailed("nonsense", f"{file} is no co-simulation unit of FMI 3")
        self._variables = {v.name: v for v in description.modelVariables}
        self._inputs = {
            kind: [(v.valueReference, inputs[v.name]) for v in variables]
            for kind, variables in _by_type([self._known(name) for name in inputs]).items()
        }
        self._outputs, self._notes = dict(outputs), tuple(notes)
        self._read = {
            kind: (
                [variable.valueReference for variable in variables],
                [variable.name for variable in variables],
            )
            for kind, variables in _by_type([self._known(name) for name in (*outputs, *notes)]).items()
        }
        self.name, self.version = description.modelName, description.version or ""
        self._unit: Any = FMU3Slave(
            guid=description.guid,
            unzipDirectory=self._folder,
            modelIdentifier=description.coSimulation.modelIdentifier,
            instanceName="robot",
        )
        self._steps, self._period_s = 0, 0.0

    def _known(self, name: str) -> Any:
        variable = self._variables.get(name)
        if variable is None or variable.type not in _NUMBERS:
            raise RobotFailed("nonsense", f"the unit has no variable {name!r} that is a number")
        return variable

    def begin(self, start: Start) -> None:
        """Set its parameters, by the names of the settings and ``start_east_m`` and so on; initialise."""
        self._period_s = start.period_ns * 1e-9
        told = {
            "start_east_m": start.start_east_m,
            "start_north_m": start.start_north_m,
            "start_heading_rad": start.start_heading_rad,
        }
        unit = self._unit
        try:
            unit.instantiate()
            unit.enterInitializationMode(startTime=0.0)
            for name, value in {k: v for k, v in told.items() if k in self._variables}.items():
                self._set([(self._known(name), value)])
            self._set([(self._known(name), value) for name, value in start.settings.items()])
            unit.exitInitializationMode()
        except Exception as error:  # fmpy's, whatever the unit says
            raise raised(f"the initialisation of {self.name}", error) from error

    def act(self, moment: Moment) -> Answer:
        """Inputs, a step, outputs."""
        values = moment.values
        try:
            for kind, inputs in self._inputs.items():
                plain = _plain(kind)
                given = [(reference, values[name]) for reference, name in inputs if name in values]
                if plain is int:
                    given = [(reference, value) for reference, value in given if not math.isnan(value)]
                references, new = zip(*given, strict=True) if given else ((), ())
                getattr(self._unit, f"set{kind}")(references, tuple(map(plain, new)))
            _, terminated, *_ = self._unit.doStep(self._steps * self._period_s, self._period_s)
            out = self._get()
        except Exception as error:
            raise raised(f"the step of {self.name}", error) from error
        if terminated:
            raise RobotFailed("nonsense", "the unit asked to end the simulation")
        self._steps += 1
        commands = {command: out[name] for name, command in self._outputs.items()}
        return Answer((), commands, {name: out[name] for name in self._notes})

    def end(self, why: str) -> None:
        """Terminate and free it; what that says no longer matters."""
        with contextlib.suppress(Exception):
            self._unit.terminate()
            self._unit.freeInstance()
        shutil.rmtree(self._folder, ignore_errors=True)

    def _set(self, new: Sequence[tuple[Any, float]]) -> None:
        values = {variable.name: value for variable, value in new}
        for kind, variables in _by_type([variable for variable, _ in new]).items():
            plain = _plain(kind)
            setter = getattr(self._unit, f"set{kind}")
            setter([v.valueReference for v in variables], [plain(values[v.name]) for v in variables])

    def _get(self) -> dict[str, float]:
        out: dict[str, float] = {}
        for kind, (references, names) in self._read.items():
            out.update(zip(names, map(float, getattr(self._unit, f"get{kind}")(references)), strict=True))
        return out


def _plain(kind: str) -> type[float]:
    return float if kind.startswith("Float") else int


def _by_type(variables: Sequence[Any]) -> dict[str, list[Any]]:
    """Variables that one call of the interface reads or writes."""
    found: dict[str, list[Any]] = {}
    for variable in variables:
        found.setdefault(variable.type, []).append(variable)
    return found
