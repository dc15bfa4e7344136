"""Who rides in the virtual stage, by the rig: the reference robot, or a robot's own software."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

from emulator.assembly.session import Session
from emulator.config.rig.file import load_rig
from emulator.config.software.own_software import nobody
from emulator.config.software.stepped_robot import FmiRobot, PythonRobot, SocketRobot, SteppedRobot
from emulator.core.axes import wrapped
from emulator.core.errors import ConfigError, StartFailed
from emulator.core.signals import TICK_NS
from emulator.road.line import sample
from emulator.stages.own_robot.at_socket.socket_speaker import SocketSpeaker
from emulator.stages.own_robot.in_process import InProcess
from emulator.stages.own_robot.own_process import OwnProcess
from emulator.stages.own_robot.protocol import Answer, Moment, RobotFailed, Speaker, Start, Wants


class OwnRobot(NamedTuple):
    """A robot's own software.

    speaker  has begun, or fails at once as it failed at its beginning
    how      as the rig has it
    about    who it is, for the manifest: kind, name, version, how, and what of its timing was declared
    """

    speaker: Speaker
    how: SteppedRobot
    about: dict[str, Any]


class _NeverBegan:
    """Stands in for a robot that failed before its first period."""

    wants: Wants = "values"
    lag_periods = 0

    def __init__(self, failure: RobotFailed, name: str) -> None:
        self._failure, self.name, self.version = failure, name, ""

    def begin(self, start: Start) -> None:
        """Never called."""

    def act(self, moment: Moment) -> Answer:
        """Fail as it did."""
        raise self._failure

    def end(self, why: str) -> None:
        """Nothing has to be ended."""


@contextlib.contextmanager
def robot_of(
    session: Session,
    *,
    patient: bool = False,
    hashes: Callable[[], Iterable[str]] | None = None,
    say: Callable[[str], None] = lambda _text: None,
) -> Iterator[OwnRobot | None]:
    """The robot of a session's virtual ride, made and begun; None: the reference robot. It ends with the
    context.

    patient  a step may take as long as it likes, as in a debugger
    hashes   of the descriptions of this interface (``emulator interface``) that it may have been written for
    say      tells people what it waits for
    Raises ConfigError where the rig names nobody who can be stepped, StartFailed where a program is not
    there. A robot that fails at its beginning raises nothing: its ride is a result.
    """
    device = session.rig.device_under_test
    how = device.virtual
    if how is None:
        if device.kind == "external":
            raise ConfigError([nobody(load_rig(session.paths["rig"])[1])])
        yield None
        return
    limit_s = None if patient else how.step_limit_s
    with contextlib.ExitStack() as ends:
        speaker: Speaker
        try:
            speaker = _made(session, how, limit_s, hashes, say)
            ends.callback(getattr(speaker, "close", lambda: None))
            speaker.begin(_start(session, how))
        except RobotFailed as error:
            speaker = _NeverBegan(error, _name_without_word(how))
        yield OwnRobot(speaker, how, _about(session, how, speaker))
        speaker.end("the ride is over")


def _made(
    session: Session,
    how: SteppedRobot,
    limit_s: float | None,
    hashes: Callable[[], Iterable[str]] | None,
    say: Callable[[str], None],
) -> Speaker:
    if isinstance(how, SocketRobot):
        joining = session.joining
        assert joining is not None
        command, path = joining.command, joining.path
        return SocketSpeaker(how.port, path, command, limit_s, how.join_limit_s, hashes, say)
    file = session.paths.get("robot")
    if file is None:
        raise StartFailed(
            f"the robot's file {how.file} is not there",
            advice="correct device_under_test.virtual.file (paths are relative to the rig's file)",
        )
    if isinstance(how, FmiRobot):
        job = {"kind": "fmi", "file": file, "inputs": how.inputs, "outputs": how.outputs, "notes": how.notes}
        return OwnProcess({**job, "lag_periods": 1}, limit_s)
    if how.process == "ours":
        return InProcess(file, how.name, limit_s)
    return OwnProcess({"kind": "python", "file": file, "name": how.name}, limit_s)


def _start(session: Session, how: SteppedRobot) -> Start:
    x, y, heading, _, _ = sample(session.line, session.scenario.start.station_m)
    return Start(
        period_ns=how.period_ms * TICK_NS,
        rig=session.rig.name,
        scenario=session.scenario.name,
        start_east_m=float(x),
        start_north_m=float(y),
        start_heading_rad=float(wrapped(heading)),
        settings=dict(how.settings),
    )


def _name_without_word(how: SteppedRobot) -> str:
    if isinstance(how, PythonRobot):
        return how.name
    return Path(how.file).stem if isinstance(how, FmiRobot) else "robot"


_KINDS = {
    ("python", "own"): "Python class in a process of its own",
    ("python", "ours"): "Python class in the emulator's process",
    ("socket", ""): "program at a local socket",
    ("fmi", ""): "FMI 3.0 co-simulation unit",
}


def _about(session: Session, how: SteppedRobot, speaker: Speaker) -> dict[str, Any]:
    about: dict[str, Any] = {
        "kind": how.kind,
        "name": speaker.name,
        "version": speaker.version or session.files.get("robot", "")[:12],
        "how": _KINDS[how.kind, getattr(how, "process", "")],
        "period_ms": how.period_ms,
        "compute_ms": how.compute_ms,
        "compute_jitter_ms": how.compute_jitter_ms,
        "lag_ms": speaker.lag_periods * how.period_ms,
    }
    if isinstance(speaker, SocketSpeaker):
        about["interface_sha256"] = speaker.interface
    return about
