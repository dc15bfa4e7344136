"""Who rides in the virtual stage instead of the reference robot: a robot's own software, step by step."""

from __future__ import annotations

from typing import Annotated, Literal, TypeAlias

from pydantic import Field, model_validator

from emulator.config.field_types import FileName, Name
from emulator.config.validation import Closed, Words, wrong
from emulator.core.signals import COMMAND, OUTPUT

ClassName: TypeAlias = Annotated[
    str, Field(pattern=r"^[A-Za-z_][A-Za-z0-9_]*$"), Words("the name of a class")
]
SettingName: TypeAlias = Annotated[
    str, Field(pattern=r"^[A-Za-z_][A-Za-z0-9_.]*$"), Words("a name without blanks")
]


class _SteppedRobot(Closed):
    """What all of them have."""

    period_ms: int = Field(default=2, ge=1, le=100)
    """From one control period to the next, in whole ticks of the bench."""
    compute_ms: float = Field(default=0.0, ge=0, le=200)
    """How long it computes in a period, so that the virtual stage is no kinder than the bench: what it sends
    is on the bus so much later, rounded up to a whole tick."""
    compute_jitter_ms: float = Field(default=0.0, ge=0, le=200)
    """One sigma of what it sometimes takes longer (half-normal), drawn from the run's seed."""
    step_limit_s: float = Field(default=5.0, gt=0, le=3600)
    """How long a step may really take before it counts as hung, which fails the ride; `--patient` waits."""
    settings: dict[SettingName, float] = Field(default_factory=dict)
    """Numbers that it is told at the beginning, by name. Left out: none."""


class PythonRobot(_SteppedRobot):
    """A class in a Python file."""

    kind: Literal["python"]
    file: FileName
    """The Python file, path from this file. It is run as a program: only use one you have read."""
    name: ClassName
    """Name of the class in it."""
    process: Literal["own", "ours"] = "own"
    """own: it runs in a process of its own; ours: in the emulator's, faster and without a shield."""


class SocketRobot(_SteppedRobot):
    """A program of any language that joins a local socket."""

    kind: Literal["socket"]
    port: int = Field(default=0, ge=0, le=65535)
    """TCP port on 127.0.0.1; 0: any free one, which is told."""
    path: FileName | None = None
    """Of a Unix socket instead, path from this file. Left out: TCP."""
    command: tuple[Name, ...] = ()
    """Words of the command that starts it; those that name a file from this one's folder stand for that file.
    The socket's address is put behind them. Left out: it is started by hand."""
    join_limit_s: float = Field(default=60.0, gt=0, le=3600)
    """How long it is waited for."""

    @model_validator(mode="after")
    def _one_address(self) -> SocketRobot:
        if self.path is not None and self.port:
            raise wrong("expected either port or path", "path")
        return self


class FmiRobot(_SteppedRobot):
    """A co-simulation unit by FMI 3.0 (needs the extra emulator[fmi])."""

    kind: Literal["fmi"]
    file: FileName
    """The unit, path from this file. It is run as a program: only use one you trust."""
    inputs: dict[Name, Name]
    """Its input variables, each with the value of a frame or of the GNSS receiver that it gets."""
    outputs: dict[Name, Name]
    """Its output variables, each with the value of the robot's frames that it gives."""
    notes: tuple[Name, ...] = ()
    """Variables of it that are recorded beside. Left out: none."""

    @model_validator(mode="after")
    def _known_values(self) -> FmiRobot:
        for key, named, known in (("inputs", self.inputs, OUTPUT), ("outputs", self.outputs, COMMAND)):
            for variable, value in named.items():
                if value not in known:
                    text = f"expected one of {', '.join(known)}, got {value!r}; a variable of the unit"
                    raise wrong(f"{text} stands first, as in variable: value", key, variable)
        return self


SteppedRobot: TypeAlias = Annotated[PythonRobot | SocketRobot | FmiRobot, Field(discriminator="kind")]
