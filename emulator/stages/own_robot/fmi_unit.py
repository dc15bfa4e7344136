"""A co-simulation unit by FMI 3.0, through fmpy: it gets the values it asks for and does steps of a period.

What it puts out belongs to the end of its step, so it is on the bus one period after what it was worked out
from. Source: Functional Mock-up Interface Specification 3.0, 2022 (fmi-standard.org; from memory),
co-simulation.
"""

from __future__ import annotations

import contextlib
import ctypes
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
            from fmpy import fmi3
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
        self._inputs = [
            _Inputs(kind, [(v.valueReference, inputs[v.name]) for v in variables])
            for kind, variables in _by_type([self._known(name) for name in inputs]).items()
        ]
        self._outputs = [
            _Outputs(kind, [(v.valueReference, v.name) for v in variables])
            for kind, variables in _by_type([self._known(name) for name in (*outputs, *notes)]).items()
        ]
        self._commands, self._notes = dict(outputs), tuple(notes)
        self.name, self.version = description.modelName, description.version or ""
        self._unit: Any = fmi3.FMU3Slave(
            guid=description.guid,
            unzipDirectory=self._folder,
            modelIdentifier=description.coSimulation.modelIdentifier,
            instanceName="robot",
        )
        self._steps, self._period_s = 0, 0.0
        answers = [fmi3.fmi3Boolean(), fmi3.fmi3Boolean(), fmi3.fmi3Boolean(), fmi3.fmi3Float64()]
        self._terminated, self._answers = answers[1], tuple(map(ctypes.byref, answers))

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
        unit, values, out = self._unit, moment.values, dict[str, float]()
        try:
            for inputs in self._inputs:
                inputs.set(unit, values)
            time_s, step_s = self._steps * self._period_s, self._period_s
            unit.fmi3DoStep(unit.component, time_s, step_s, True, *self._answers)
            for outputs in self._outputs:
                outputs.get(unit, out)
        except Exception as error:
            raise raised(f"the step of {self.name}", error) from error
        if self._terminated.value:
            raise RobotFailed("nonsense", "the unit asked to end the simulation")
        self._steps += 1
        commands = {command: out[name] for name, command in self._commands.items()}
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


class _Inputs:
    """Inputs of one type with the value that each gets; what a call takes is made once.

    Those that have a new value are set, in one call. Whole numbers have nothing for "not available".
    """

    def __init__(self, kind: str, inputs: Sequence[tuple[int, str]]) -> None:
        from fmpy import fmi3

        self._inputs, self._plain, self._call = tuple(inputs), _plain(kind), f"fmi3Set{kind}"
        self._references = (fmi3.fmi3ValueReference * len(inputs))()
        self._values = (getattr(fmi3, f"fmi3{kind}") * len(inputs))()

    def set(self, unit: Any, values: Mapping[str, float]) -> None:
        plain, references, new, n = self._plain, self._references, self._values, 0
        for reference, name in self._inputs:
            value = values.get(name)
            if value is None or (plain is int and math.isnan(value)):
                continue
            references[n], new[n] = reference, plain(value)
            n += 1
        getattr(unit, self._call)(unit.component, references, n, new, n)


class _Outputs:
    """Outputs of one type; what a call takes is made once."""

    def __init__(self, kind: str, outputs: Sequence[tuple[int, str]]) -> None:
        from fmpy import fmi3

        n = len(outputs)
        self._names, self._call = [name for _, name in outputs], f"fmi3Get{kind}"
        self._references = (fmi3.fmi3ValueReference * n)(*(reference for reference, _ in outputs))
        self._values = (getattr(fmi3, f"fmi3{kind}") * n)()

    def get(self, unit: Any, out: dict[str, float]) -> None:
        n = len(self._names)
        getattr(unit, self._call)(unit.component, self._references, n, self._values, n)
        out.update(zip(self._names, map(float, self._values), strict=True))


def _plain(kind: str) -> type[float]:
    return float if kind.startswith("Float") else int


def _by_type(variables: Sequence[Any]) -> dict[str, list[Any]]:
    """Variables that one call of the interface reads or writes."""
    found: dict[str, list[Any]] = {}
    for variable in variables:
        found.setdefault(variable.type, []).append(variable)
    return found
