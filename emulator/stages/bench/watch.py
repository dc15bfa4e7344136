"""What the supervisor looks at while a ride lasts."""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Callable

from emulator.assembly.session import Session
from emulator.links.loopback import BusServer
from emulator.plant.states import EV_HOLD, EV_MONITOR, EV_PERMISSIVE, EV_TRIP
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.status import Command, LoopState, RecorderState, Status
from emulator.stages.bench.child_process import ChildProcess

_TOLD_AT_ONCE = {EV_PERMISSIVE: "", EV_HOLD: "", EV_MONITOR: "implausible: ", EV_TRIP: "tripped: "}
"""Events that are told on the screen as they happen, and how."""

Say = Callable[[str], None]


class RideWatch:
    """What the supervisor looks at while the ride lasts; each thing it sees is said once."""

    def __init__(
        self,
        session: Session,
        snapshot: Snapshot,
        children: dict[str, ChildProcess],
        server: BusServer,
        stop_asked: list[str],
        say: Say,
    ) -> None:
        self.problems: list[str] = []
        self.hook_failed = ""
        self.looking: asyncio.Task[None] | None = None
        self.recorder_gone = False
        self._status, self._snapshot, self._say = snapshot.status, snapshot, say
        self._loop, self._recorder, self._robot = children["loop"], children["recorder"], children["robot"]
        self._with_robot = self._robot.process is not None
        self._events = snapshot.event_reader(from_now=True)
        self._server, self._stop_asked = server, stop_asked
        self._stopping = self._robot_gone = False
        self._dropped = self._pauses = 0

    def tell_events(self) -> None:
        """Those that somebody at the bench wants to hear of at once."""
        for event in self._events.read()[0]:
            if event.code in _TOLD_AT_ONCE:
                self._say(_TOLD_AT_ONCE[event.code] + event.text)

    def look_at_hook(self) -> None:
        """A hook that failed stops the ride."""
        if self.looking is not None and self.looking.done():
            self.hook_failed, self.looking = str(self.looking.exception()), None
            self._stop_asked.append("hook failed")
            self._say(self.hook_failed)

    def pass_on_stop(self) -> None:
        """The first time a stop was asked for."""
        if not self._stop_asked or self._stopping:
            return
        self._stopping = True
        self._say(f"{self._stop_asked[0]}: stopping in an orderly way, the signals go to rest")
        if self._status[Status.LOOP_STATE] == LoopState.CYCLING:
            self._snapshot.post(Command.STOP)
        else:
            self._loop.signal(signal.SIGTERM)

    def look_at_processes(self) -> None:
        """Robot and recorder, as long as they are needed."""
        if self._with_robot and self._robot.gone and not self._robot_gone and not self._stopping:
            self._robot_gone = True
            self._say(f"the robot process is gone (exit {self._robot.returncode})")
        gone = self._recorder.gone or self._status[Status.RECORDER_STATE] == RecorderState.FAILED
        if gone and not self.recorder_gone and self._status[Status.LOOP_STATE] == LoopState.CYCLING:
            self.recorder_gone = True
            self.problems.append("the recorder is gone: the loop went on, the record ends early")
            self._say(
                f"the recorder is gone (exit {self._recorder.returncode}); the loop goes on, "
                "the record ends here"
            )

    def look_at_bus(self) -> None:
        """Who does not read, and who sends more than a bus carries, on the virtual bus."""
        served = self._server.counts()
        if served.dropped_clients > self._dropped:
            self._dropped = served.dropped_clients
            self._say(f"virtual bus: a participant did not read and was cut off ({self._dropped} so far)")
        if served.pauses and not self._pauses:
            self._say("virtual bus: a participant sends more than any bus could carry and is made to wait")
        self._pauses = served.pauses
