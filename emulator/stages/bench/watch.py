"""What the supervisor looks at while a ride lasts."""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from emulator.assembly.session import Session
from emulator.core.clock import Clock
from emulator.core.errors import RunFailed
from emulator.core.frame_buffer import identifier_digits
from emulator.plant.states import EV_ENABLE, EV_HOLD, EV_MONITOR, EV_PERMISSIVE, EV_TRIP
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.rings import EventRecord
from emulator.shared_memory.status import BusWord, Command, LoopState, RecorderState, Status
from emulator.stages.bench.child_process import LEAVE_TIMEOUT_S, ChildProcess
from emulator.stages.bench.heartbeat import Heartbeat, Pulse
from emulator.stages.bench.stopping import StopAsked

_TOLD_AT_ONCE = {
    EV_ENABLE: "",
    EV_PERMISSIVE: "",
    EV_HOLD: "",
    EV_MONITOR: "implausible: ",
    EV_TRIP: "tripped: ",
}
"""Events that are told on the screen as they happen, and how."""

Say = Callable[[str], None]


@dataclass
class Bench:
    """What a bench run consists of, from the supervisor's side."""

    session: Session
    snapshot: Snapshot
    children: dict[str, ChildProcess]
    stop: StopAsked
    say: Say
    clock: Clock
    spare_recorder: ChildProcess
    recorder_job: dict[str, Any] = field(default_factory=dict)


@dataclass
class BusEvent:
    """Something on the virtual bus that somebody should hear of; see ``evidence`` for the kinds."""

    kind: str
    time_ns: int
    participants: list[str] = field(default_factory=list)
    identifier: str = ""
    frame: str = ""

    @property
    def text(self) -> str:
        """In a sentence."""
        who = " and ".join(self.participants)
        if self.kind == "two_senders":
            return f"two participants send frame {self.frame or '0x' + self.identifier}: {who}"
        if self.kind == "cut_off":
            return f"{who} did not read and was cut off"
        if self.kind == "babbles":
            return f"{who} sends more than any bus could carry and is made to wait"
        return "no room for another participant: the system gives no more descriptors"


class RideWatch:
    """What the supervisor looks at while the ride lasts; each thing it sees is said once."""

    def __init__(self, bench: Bench) -> None:
        self.problems: list[str] = []
        self.hook_failed = ""
        self.looking: asyncio.Task[None] | None = None
        self.recorder_gone = False
        self.left: dict[str, ChildProcess] = {}  # those that left before they were told to
        self.replacing: asyncio.Task[None] | None = None  # the recorder that was killed
        self.bus_events: list[BusEvent] = []
        self.stood_still: dict[str, Any] = {}
        self.trip: EventRecord | None = None  # the first one, as the loop told it
        self._bench, self._say, self._stop, self._clock = bench, bench.say, bench.stop, bench.clock
        self._status, self._snapshot = bench.snapshot.status, bench.snapshot
        self._children = bench.children
        self._events = bench.snapshot.event_reader(from_now=True)
        self._stopping = False
        self._heartbeat = Heartbeat()
        self._loop_ended_ns = 0  # when its cycle was first seen to be over
        self._frames = _frame_names(bench.session)

    def tell_events(self) -> None:
        """Those that somebody at the bench wants to hear of at once."""
        for event in self._events.read()[0]:
            if event.code in _TOLD_AT_ONCE:
                self._say(_TOLD_AT_ONCE[event.code] + event.text)
            if event.code == EV_TRIP and self.trip is None:
                self.trip = event

    def look_at_hook(self) -> None:
        """A hook that failed stops the ride."""
        if self.looking is not None and self.looking.done():
            self.hook_failed, self.looking = str(self.looking.exception()), None
            self._stop.ask("hook failed")
            self._say(self.hook_failed)

    def post(self, command: int, argument: float = 0.0) -> None:
        """Command the loop, unless it takes none any more; then its heartbeat is what tells."""
        try:
            self._snapshot.post(command, argument)
        except RunFailed as error:
            self._say(error.what)

    def pass_on_stop(self) -> None:
        """The first time a stop was asked for."""
        if not self._stop or self._stopping or self._stop.at_once:
            return
        self._stopping = True
        self._say(f"{self._stop.causes[0]}: stopping in an orderly way, the signals go to rest")
        if self._status[Status.LOOP_STATE] == LoopState.CYCLING:
            self.post(Command.STOP)
        else:
            self._children["loop"].signal(signal.SIGTERM)

    def look_at_loop(self) -> None:
        """Whether it comes round; one that does not is told of and ended."""
        loop = self._children["loop"]
        if loop.gone or self.stood_still:
            return
        if self._status[Status.LOOP_STATE] != LoopState.CYCLING:
            self._look_at_loop_leaving()
            return
        pulse = self._heartbeat.look(self._status[Status.LOOP_HEARTBEAT], self._clock.now_ns() * 1e-9)
        still_s = self._heartbeat.still_s
        if pulse is Pulse.STANDS_STILL:
            self._say(
                f"the loop stands still since {still_s:.1f} s: nothing goes out, the robot hears silence"
            )
        elif pulse is Pulse.HAS_TO_END:
            self._say(f"the loop stood still for {still_s:.1f} s: it is ended by force")
            self._end_loop(still_s)

    def _look_at_loop_leaving(self) -> None:
        """Its cycle is over, the signals are at rest; what is left of it may hang all the same."""
        self._loop_ended_ns = self._loop_ended_ns or self._clock.now_ns()
        still_s = (self._clock.now_ns() - self._loop_ended_ns) * 1e-9
        if still_s >= LEAVE_TIMEOUT_S:
            self._say(f"the loop has not left {still_s:.1f} s after the ride: it is ended by force")
            self._end_loop(still_s)

    def _end_loop(self, still_s: float) -> None:
        self.stood_still = {"for_s": round(still_s, 3), "time_ns": self._clock.now_ns()}
        self._children["loop"].signal(signal.SIGKILL)

    def look_at_processes(self) -> None:
        """Bus, robot and recorder, as long as they are needed."""
        cycling = self._status[Status.LOOP_STATE] == LoopState.CYCLING
        for role, words in (("robot", "the robot process"), ("bus", "the virtual bus's process")):
            child = self._children[role]
            if child.gone and role not in self.left:
                if (self._stop.at_once or (role == "robot" and self._stopping)) and not child.left_before(
                    self._stop
                ):
                    continue
                self.left[role] = child
                self._say(f"{words} is gone (exit {child.returncode})")
        recorder, recording = self._children["recorder"], self._status[Status.RECORDER_STATE]
        gone = recorder.gone or recording == RecorderState.FAILED
        told_to = self._stop.at_once and not recorder.left_before(self._stop)
        # A loop that dies goes on saying that it cycles, and the recorder closes the record behind it; both
        # can be seen to be gone in the same look.
        followed = self._children["loop"].gone and recording == RecorderState.CLOSED
        if gone and not self.recorder_gone and cycling and not (told_to or followed):
            self.recorder_gone = True
            self.left["recorder"] = recorder
            killed = recorder.returncode is not None and recorder.returncode < 0
            if killed:
                self.replacing = asyncio.create_task(self._replace_recorder())
            self._say(
                f"the recorder is gone (exit {recorder.returncode}); the loop goes on, "
                + ("another recorder goes on with the record" if killed else "the record ends here")
            )

    async def _replace_recorder(self) -> None:
        """Have another process go on with the record: the rings hold what happened meanwhile."""
        bench = self._bench
        spare = self._children["recorder"] = bench.spare_recorder
        await spare.start({**bench.recorder_job, "go_on": True}, bench.snapshot.fd)

    def look_at_bus(self) -> None:
        """What the bus process noticed about its participants."""
        notices = self._children["bus"].notices
        while notices:
            notice = notices.popleft()
            participants = [self._who(p) for p in notice.get("participants", [])]
            identifier = str(notice.get("identifier", ""))
            event = BusEvent(
                str(notice["notice"]),
                self._clock.now_ns(),
                participants,
                identifier,
                self._frames.get(identifier, ""),
            )
            self.bus_events.append(event)
            count = self._snapshot.bus[BusWord.CUT_OFF]
            so_far = f" ({count} so far)" if event.kind == "cut_off" else ""
            self._say(f"virtual bus: {event.text}{so_far}")

    def _who(self, participant: dict[str, Any]) -> str:
        """A participant by its name; those that belong to the run by what they are."""
        words = {"loop": "the loop", "robot": "the reference robot"}
        for role, child in self._children.items():
            if participant["pid"] and child.process is not None and child.process.pid == participant["pid"]:
                return words.get(role, role)
        return str(participant["name"])


def _frame_names(session: Session) -> dict[str, str]:
    """Names of the frames of this bench by their identifier as the virtual bus writes it."""
    table = session.codec.table
    labels = map(session.codec.label, session.codec.frames)
    frames = zip(labels, table.can_id.tolist(), strict=True)
    return {identifier_digits(can_id): name for name, can_id in frames}
