"""Lockstep: the plant's ticks go on until the robot's next period, and stand still while it works it out.

The robot lives by the rules of the reference robot (``stages.virtual``): at the instant of its period it
hears what has arrived by then, and what it sends competes for the bus from that instant on. A robot that
computes for some time hands over so much later, in the first tick that begins when it is done: the bus of
the stepped clock goes by ticks. It works on one period after the other, so no frame overtakes one of the
period before.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.bench import Bench
from emulator.assembly.session import Session
from emulator.config.rig.file import carries_fd
from emulator.config.rig.outputs import commands_in
from emulator.config.software.stepped_robot import SteppedRobot
from emulator.core.compiled import by_address, called_back, entry, jit
from emulator.core.frame_buffer import EXTENDED, EXTENDED_MASK, STANDARD_MASK, FrameBuffer, frame_buffer
from emulator.core.random_streams import normal, stream_start
from emulator.core.signals import R_HEARTBEAT, ROBOT_COMMANDS, TICK_NS
from emulator.events.progress import NEVER
from emulator.loop.certificate import FrameAccounts, TimingAccounts
from emulator.plant.step import Plant, tick
from emulator.record.writer import MAX_NAME
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
from emulator.stages.stepped_bus import carry, robot_hands_over
from emulator.stages.stepped_loop import Block
from emulator.stages.stepped_ticks import FRAMES_A_TICK, on_the_bus, plant_tick
from emulator.wire.arbitration import Bus, arrived_by, drop_first, known
from emulator.wire.can_timing import CLASSICAL_BYTES, FD_LENGTHS

_ASKED = 4 * MOST_FRAMES
ENDED = -1
"""Instead of a tick: there is no next turn."""


@jit
def with_the_robot(
    step_plant: Callable[[Plant, FrameBuffer, FrameBuffer, float, float], int],
    its_turn: Callable[[int], int],
    turn: NDArray[np.int64],
    plant: Plant,
    rx: FrameBuffer,
    tx: FrameBuffer,
    inbox: FrameBuffer,
    asked: FrameBuffer,
    bus: Bus,
    accounts: FrameAccounts,
    rows: NDArray[np.float64],
    frames: NDArray[np.int64],
    payloads: NDArray[np.uint8],
    n: int,
    m: int,
    until: int,
    attend: int,
) -> tuple[int, int]:
    """Ticks, with the robot called within each that is its turn; returns where rows and frames end.

    its_turn  called in such a tick, when the plant has had it and the bus has not gone on; what the robot
              sends is in ``asked`` then, and the tick of its next turn in ``turn``; if that is still
              ``ENDED``, this returns
    attend    tick of the loop in which it is its turn
    The others as in ``virtual.run_ticks``, and so is when it stops.
    """
    run, memory = plant.run[0], plant.memory[0]
    room = frames.shape[0] - FRAMES_A_TICK
    shared = known(bus)
    while n < rows.shape[0] and m < room and run.tick < until:
        now = run.tick * TICK_NS
        m = plant_tick(step_plant, plant, rx, tx, inbox, bus, accounts, rows[n], frames, payloads, m)
        n += 1
        if run.tick - 1 == attend:
            turn[0] = ENDED
            its_turn(attend)
            attend = turn[0]
            if attend == ENDED:
                break
            if shared:
                robot_hands_over(bus, asked, 0, asked.count[0], now)
            else:
                for i in range(asked.count[0]):
                    j = rx.count[0]
                    rx.can_id[j], rx.length[j] = asked.can_id[i], asked.length[i]
                    for k in range(asked.length[i]):
                        rx.data[j, k] = asked.data[i, k]
                    rx.count[0] = j + 1
            asked.count[0] = 0
        if shared:
            carry(bus, accounts, now + TICK_NS, inbox, rx)
        if memory.event_count > 0 or run.gnss_ready > 0 or run.finished == 1:
            break
    return n, m


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
        self._heard, self._sent, self._note = HeardValues(session), SentValues(session), note
        self._codec = session.codec
        self._period = how.period_ms
        self._lag_ns = robot.lag_periods * how.period_ms * TICK_NS
        self._compute_ns, self._jitter_ns = how.compute_ms * 1e6, how.compute_jitter_ms * 1e6
        self._streams = np.array([stream_start(session.seed, "robot's computing time")])
        self._normal = entry(normal, self._streams, 0)
        self._longest = 64 if carries_fd(session.rig) else CLASSICAL_BYTES
        self._wants_values, self._wants_frames = robot.wants != "frames", robot.wants != "values"
        rx, tx, inbox, _, bus = on_the_bus(session)
        self.buffers = (rx, tx, inbox, frame_buffer(_ASKED), bus)
        self._inbox, self._asked = inbox, self.buffers[3]
        self._arrived_by, self._drop_first = entry(arrived_by, inbox, 0), entry(drop_first, inbox, 0)
        self._sentences: list[Sentences] = []
        self._fix: dict[str, float] = {}
        self._waiting: deque[tuple[int, list[tuple[int, bytes]]]] = deque()
        self._next, self._done = 0, 0  # tick of its next period; by which all it has sent is handed over
        self._notes: set[str] = set()
        self._turns = np.zeros(1, np.int64)
        self._raised: BaseException | None = None

    failure: RobotFailed | None
    failed_tick = 0
    """Scenario tick of its failure."""

    def drive(self, bench: Bench, block: Block, timing: TimingAccounts) -> None:
        """Say whose plant it is and where the ticks go; before ``advance``."""
        self._bench, self._block, self._run = bench, block, bench.plant.run[0]
        step = by_address(tick, bench.plant, self.buffers[0], self.buffers[1], 0.0, 0.0)
        self._arguments = (
            *(
                step,
                called_back(self._its_turn),
                self._turns,
                bench.plant,
                *self.buffers,
                timing.frame_accounts,
            ),
            *(block.all_rows, block.all_frames, block.all_data),
        )
        self._go = entry(with_the_robot, *self._arguments, 0, 0, NEVER, NEVER)

    def advance(self, until: int = NEVER) -> None:
        """Ticks until the loop is wanted, see :class:`.stepped_loop.Driver`, or up to ``until``."""
        block = self._block
        first = block.n
        block.n, block.m = self._go(*self._arguments, block.n, block.m, until, self._attend())
        if self._turns[0] == ENDED:
            raise self._raised or KeyboardInterrupt  # which came before ``_its_turn`` had begun
        now = self._bench.tick_number
        block.all_ticks[first : block.n] = np.arange(now - (block.n - first) + 1, now + 1)

    def _its_turn(self, tick: int) -> int:
        """Called by compiled code, which nothing can be raised through: not even Ctrl-C."""
        try:
            self._turn(tick)
            self._turns[0] = self._attend()
        except BaseException as error:
            self._raised = error
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
        if never := self._sent.never_given(frame):
            text += f"it gave none of its values ({', '.join(never)}), with which the heartbeat goes"
        else:
            text += "look at the identifier, length, counter and CRC that it sends"
        return RobotFailed("silent", text)

    def _attend(self) -> int:
        waiting = self._waiting[0][0] if self._waiting else NEVER
        return waiting if self.failure is not None else min(self._next, waiting)

    def _turn(self, tick: int) -> None:
        while self._waiting and self._waiting[0][0] <= tick:
            self._put(self._waiting.popleft()[1])
        if tick < self._next or self.failure is not None:
            return
        self._next = tick + self._period
        try:
            frames = self._period_of(tick)
        except RobotFailed as error:
            self.failure, self.failed_tick = error, int(self._run["scenario_tick"])
            return
        done = max(self._done, tick + self._delay_ticks())
        self._done = done
        if done <= tick:
            self._put(frames)
        elif frames:
            self._waiting.append((done, frames))

    def _period_of(self, tick: int) -> list[tuple[int, bytes]]:
        """What it sends in answer to what has arrived by now. Raises RobotFailed."""
        now, inbox = tick * TICK_NS, self._inbox
        n = self._arrived_by(inbox, now)
        values: dict[str, float] = {}
        if self._wants_values:
            values = self._heard.of_frames(inbox, n)
            if self._fix:
                values |= self._fix
                self._fix = {}
        frames = self._frames(n) if self._wants_frames else []
        self._drop_first(inbox, n)
        sentences, self._sentences = self._sentences, []
        answer = self.robot.act(Moment(now, frames, sentences if self._wants_frames else [], values))
        return self._taken(answer, now)

    def _frames(self, n: int) -> list[Frame]:
        box = self._inbox
        rows = zip(
            box.time_ns[:n].tolist(),
            box.can_id[:n].tolist(),
            box.length[:n].tolist(),
            box.data[:n],
            strict=True,
        )
        return [Frame(time_ns, can_id, data[:length].tobytes()) for time_ns, can_id, length, data in rows]

    def _taken(self, answer: Answer, now_ns: int) -> list[tuple[int, bytes]]:
        for can_id, data in answer.frames:
            self._sense(can_id, data)
        if len(answer.frames) > MOST_FRAMES:
            raise RobotFailed("nonsense", f"it sent {len(answer.frames)} frames at once; most: {MOST_FRAMES}")
        if answer.notes:
            if not answer.notes.keys() <= self._notes:
                self._name(answer.notes)
            self._note(int(self._run["scenario_tick"]), answer.notes)
        if answer.values:
            self._sent.take(answer.values)
        asked = self._asked
        before = int(asked.count[0])
        self._sent.send(asked, now_ns)
        made = range(before, int(asked.count[0]))
        frames = [(int(asked.can_id[i]), asked.data[i, : asked.length[i]].tobytes()) for i in made]
        asked.count[0] = before
        return [*frames, *answer.frames]

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
        extra = abs(self._normal(self._streams, 0)) * self._jitter_ns if self._jitter_ns else 0.0
        return math.ceil((self._compute_ns + extra + self._lag_ns) / TICK_NS)

    def _put(self, frames: list[tuple[int, bytes]]) -> None:
        asked = self._asked
        for can_id, data in frames:
            n = int(asked.count[0])
            if n == len(asked.can_id):
                return
            asked.can_id[n], asked.length[n] = can_id, len(data)
            asked.data[n, : len(data)] = np.frombuffer(data, np.uint8)
            asked.count[0] = n + 1
