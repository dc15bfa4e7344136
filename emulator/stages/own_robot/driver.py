"""Lockstep: the plant's ticks go on until the robot's next period, and stand still while it works it out.

The robot lives by the rules of the reference robot (``stages.virtual``): at the instant of its period it
hears what has arrived by then, and what it sends competes for the bus from that instant on. A robot that
computes for some time hands over so much later, in the first tick that begins when it is done: the bus of
the stepped clock goes by ticks. It works on one period after the other, so no frame overtakes one of the
period before.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence

import numpy as np

from emulator.assembly.bench import Bench
from emulator.assembly.session import Session
from emulator.config.rig.file import carries_fd
from emulator.config.rig.outputs import commands_in
from emulator.config.software.stepped_robot import SteppedRobot
from emulator.core.compiled import called_back, entry
from emulator.core.frame_buffer import EXTENDED, EXTENDED_MASK, MAX_DATA, STANDARD_MASK, identifier_digits
from emulator.core.random_streams import normal, stream_start
from emulator.core.signals import R_HEARTBEAT, ROBOT_COMMANDS, TICK_NS
from emulator.events.progress import NEVER
from emulator.loop.certificate import TimingAccounts
from emulator.record.writer import MAX_NAME
from emulator.stages.own_robot.lockstep_ticks import (
    ARRIVED,
    ENDED,
    HANDED_OVER,
    NEW,
    NEXT,
    turns,
    with_the_robot,
)
from emulator.stages.own_robot.protocol import (
    MOST_FRAMES,
    MOST_NOTES,
    Answer,
    Frame,
    Moment,
    RobotFailed,
    Sentences,
    Speaker,
)
from emulator.stages.own_robot.values import HeardValues, SentValues
from emulator.stages.stepped_loop import Block
from emulator.stages.stepped_ticks import held_tick, on_the_bus
from emulator.wire.can_timing import CLASSICAL_BYTES, FD_LENGTHS

_MOST_SIGMA = 8.0
"""Of the jitter: what is longer is never drawn."""
_MOST_TOLD = 8
"""Identifiers that a sentence names."""


class InLockstep:
    """A plant and a robot's own software, computed tick by tick into a block, as ``virtual.TogetherInSteps``.

    robot    it has begun
    how      its period, delays and so on
    note     takes what it notes: scenario tick, values by name
    ``failure`` is None until it has failed; then it is silent, and the plant goes on.
    """

    def __init__(
        self,
        session: Session,
        robot: Speaker,
        how: SteppedRobot,
        note: Callable[[int, Mapping[str, float]], None],
    ) -> None:
        self.robot, self.failure = robot, None
        self._wants_values, self._wants_frames = robot.wants != "frames", robot.wants != "values"
        self._heard = HeardValues(session, wanted=self._wants_values)
        self._sent, self._note, self._codec = SentValues(session), note, session.codec
        self._period = how.period_ms
        self._compute_ns = how.compute_ms * 1e6 + robot.lag_periods * how.period_ms * TICK_NS
        self._jitter_ns = how.compute_jitter_ms * 1e6
        self._streams = np.array([stream_start(session.seed, "robot's computing time")])
        self._normal = entry(normal, self._streams, 0)
        self._longest = 64 if carries_fd(session.rig) else CLASSICAL_BYTES
        longest_ns = self._compute_ns + _MOST_SIGMA * self._jitter_ns
        waiting = math.ceil(longest_ns / (how.period_ms * TICK_NS)) + 1
        self._turns = turns(self._heard.hearing, self._sent.sending, waiting)
        self._now = self._turns.now.data.cast("B").cast("q")
        self.buffers = on_the_bus(session)
        self._sentences: list[Sentences] = []
        self._fix: dict[str, float] = {}
        self._done = 0  # tick by which all that it has sent is handed over
        self._notes: set[str] = set()
        self._identifiers: set[int] = set()  # of frames it gave itself
        self._raised: BaseException | None = None

    failure: RobotFailed | None
    failed_tick = 0
    """Scenario tick of its failure."""

    def drive(self, bench: Bench, block: Block, timing: TimingAccounts) -> None:
        """Say whose plant it is and where the ticks go; before ``advance``."""
        self._bench, self._block, self._run = bench, block, bench.plant.run[0]
        rx, tx, inbox, _, bus = self.buffers
        self._inbox = inbox
        self._arguments = (
            *(*held_tick(bench.plant, rx, tx), called_back(self._its_turn), self._turns),
            *(bench.plant, rx, tx, inbox, bus, timing.frame_accounts),
            *(block.all_rows, block.all_frames, block.all_data),
        )
        self._go = entry(with_the_robot, *self._arguments, 0, 0, NEVER)

    def advance(self, until: int = NEVER) -> None:
        """Ticks until the loop is wanted, see :class:`.stepped_loop.Driver`, or up to ``until``."""
        block = self._block
        first = block.n
        block.n, block.m = self._go(*self._arguments, block.n, block.m, until)
        if self._now[NEXT] == ENDED:
            raise self._raised or KeyboardInterrupt  # which came before ``_its_turn`` had begun
        now = self._bench.tick_number
        block.all_ticks[first : block.n] = np.arange(now - (block.n - first) + 1, now + 1)

    def _its_turn(self, tick: int) -> int:
        """Called by compiled code, which nothing can be raised through: not even Ctrl-C."""
        try:
            self._turn(tick)
        except BaseException as error:
            self._raised = error
            self._now[NEXT] = ENDED
        return 0

    def hear(self, burst: bytes, tick: int) -> None:
        """Sentences sent in ``tick`` of the loop, after the robot's own period if it has one there."""
        if self.failure is None:
            self._sentences.append(Sentences(tick * TICK_NS, burst))
            if self._wants_values:
                self._fix |= self._heard.of_sentences(burst)

    def without_heartbeat(self) -> RobotFailed:
        """That the ride could not begin, since no heartbeat of the robot's was taken; and what to do."""
        codec = self._codec
        heartbeat = ROBOT_COMMANDS[R_HEARTBEAT]
        frame = next(f for f in commands_in(codec.frames) if heartbeat in codec.signals[codec.frame(f)])
        text = f"no heartbeat of it was taken, which is in frame {codec.label(frame)}: "
        own, given = int(codec.table.can_id[codec.frame(frame)]), self._identifiers
        never = self._sent.never_given(frame)
        if own in given:
            text += f"0x{identifier_digits(own)} came, look at its length, counter and CRC"
        elif given or never:
            instead = f"frames of {_told(given)} instead of 0x{identifier_digits(own)}" if given else ""
            none = f"none of its values ({', '.join(never)}), with which the heartbeat goes" if never else ""
            text += f"it gave {', and '.join(filter(None, (instead, none)))}"
        else:
            text += "look at the heartbeat that it gives, which has to count"
        return RobotFailed("silent", text)

    def _turn(self, tick: int) -> None:
        """A control period: what has arrived by now is in the inbox, and decoded."""
        now = self._now
        try:
            self._take(self.robot.act(self._moment(tick)))
        except RobotFailed as error:
            self.failure, self.failed_tick = error, int(self._run["scenario_tick"])
            now[NEXT] = NEVER
            return
        self._done = now[HANDED_OVER] = max(self._done, tick + self._delay_ticks())
        now[NEXT] = tick + self._period

    def _moment(self, tick: int) -> Moment:
        frames: list[Frame] = []
        sentences, self._sentences = self._sentences, []
        values = self._heard.by_name(self._now[NEW])
        if self._fix:
            values |= self._fix
            self._fix = {}
        if self._wants_frames:
            frames = self._frames(self._now[ARRIVED])
        return Moment(tick * TICK_NS, frames, sentences, values)

    def _frames(self, n: int) -> list[Frame]:
        box = self._inbox
        data = box.data[:n].tobytes()
        rows = zip(
            range(0, n * MAX_DATA, MAX_DATA),
            box.time_ns[:n].tolist(),
            box.can_id[:n].tolist(),
            box.length[:n].tolist(),
            strict=True,
        )
        return [Frame(time_ns, can_id, data[at : at + length]) for at, time_ns, can_id, length in rows]

    def _take(self, answer: Answer) -> None:
        """What it gives, to where compiled code finds it. Raises RobotFailed."""
        frames, values, notes = answer
        if frames:
            for can_id, data in frames:
                self._sense(can_id, data)
            if len(self._identifiers) < MOST_FRAMES:
                self._identifiers.update(can_id for can_id, _ in frames)
            self._say(frames)
        if notes:
            if not notes.keys() <= self._notes:
                self._name(notes)
            self._note(int(self._run["scenario_tick"]), notes)
        if values:
            self._sent.take(values)

    def _say(self, frames: Sequence[tuple[int, bytes]]) -> None:
        if len(frames) > MOST_FRAMES:
            raise RobotFailed("nonsense", f"it sent {len(frames)} frames at once; most: {MOST_FRAMES}")
        said = self._turns.said
        for n, (can_id, data) in enumerate(frames):
            said.can_id[n], said.length[n] = can_id, len(data)
            said.data[n, : len(data)] = np.frombuffer(data, np.uint8)
        said.count[0] = len(frames)

    def _name(self, notes: Mapping[str, float]) -> None:
        self._notes |= notes.keys()
        if len(self._notes) > MOST_NOTES or any(len(name.encode()) > MAX_NAME for name in notes):
            most = f"{MOST_NOTES} names of up to {MAX_NAME} bytes"
            raise RobotFailed("nonsense", f"it notes under {len(self._notes)} names; expected {most}")

    def _sense(self, can_id: int, data: bytes) -> None:
        most = EXTENDED_MASK if can_id & EXTENDED else STANDARD_MASK
        if not 0 <= can_id & ~EXTENDED <= most or can_id < 0:
            raise RobotFailed("nonsense", f"it sent a frame of identifier {can_id:#x}, which no bus has")
        if len(data) > self._longest or len(data) not in FD_LENGTHS:
            raise RobotFailed(
                "nonsense",
                f"it sent {len(data)} bytes in frame {can_id & EXTENDED_MASK:#x}, too many for this bus",
            )

    def _delay_ticks(self) -> int:
        if not self._jitter_ns:
            return math.ceil(self._compute_ns / TICK_NS)
        extra_ns = abs(self._normal(self._streams, 0)) * self._jitter_ns
        return math.ceil((self._compute_ns + extra_ns) / TICK_NS)


def _told(identifiers: Collection[int]) -> str:
    """Identifiers in words, some of many."""
    told = ", ".join(f"0x{identifier_digits(can_id)}" for can_id in sorted(identifiers)[:_MOST_TOLD])
    return told + (" and others" if len(identifiers) > _MOST_TOLD else "")
