"""A robot on a drawn clock: frames with jitter, postures on request, and one defect if asked for one.

It stands behind the same seam as the live bus (:class:`emulator.inspection.rehearsal.conduct.Exchange`), so a
rehearsal of a minute takes a moment. What arrives bears the time of the bench's next turn, as on a bench.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from emulator.assembly.session import Session
from emulator.core.signals import ROBOT_COMMANDS
from emulator.inspection.rehearsal.heard import ExpectedFrame, Heard, Received, expected_frames, sort_frames
from emulator.inspection.rehearsal.prompts import Prompt
from emulator.wire.can_frames import pack, protect
from emulator.wire.e2e import crc8_1d

_NOISE_rad = 1e-4
_TURN_NS = 1_000_000
_AT_REST = dict.fromkeys(ROBOT_COMMANDS, 0.0) | {"clutch": 1.0, "gear_request": 1.0}


@dataclass(frozen=True)
class Robot:
    """What is wrong with it; nothing by default.

    jitter       one sigma of a frame's time, as a share of its period
    delay_s      from a request to the posture
    hand         factor by which amounts are off, as a person's are
    notices      outputs whose silence stops its heartbeat
    """

    jitter: float = 0.15
    delay_s: float = 0.08
    hand: float = 1.0
    factors: Mapping[str, float] = field(default_factory=dict)
    missing: frozenset[str] = frozenset()
    silent: bool = False
    crc_start: int | None = None
    stuck: frozenset[str] = frozenset()
    rates: Mapping[str, float] = field(default_factory=dict)
    swapped: tuple[str, str] = ("", "")
    zero_rad: float = 0.0
    notices: frozenset[str] = frozenset({"imu_rates", "emulator_state"})
    comes_back: bool = True
    follows: bool = True
    dropped: float = 0.0  # share of its frames that are lost on the way


class DrawnExchange:
    """The bench's side. ``stalls``: (begin, end) [s] in which the bench does not come round."""

    def __init__(
        self, session: Session, robot: Robot, seed: int = 0, stalls: tuple[tuple[float, float], ...] = ()
    ) -> None:
        self._session, self._robot = session, robot
        self._random = np.random.default_rng(seed)
        self._now_ns = 10**12
        self._stalls = tuple((10**12 + round(b * 1e9), 10**12 + round(e * 1e9)) for b, e in stalls)
        self._received: list[Received] = []
        self._values = dict(_AT_REST)
        self._then: tuple[int, dict[str, float]] = (0, self._values)
        self._left_out, self._left_out_ns, self._gone = "", 0, False
        self._heartbeat = float(self._random.integers(60_000))
        ppm = self._random.normal(0.0, 50e-6)
        self._frames = [self._start(e, ppm) for e in expected_frames(session) if e.name not in robot.missing]
        self._payloads: dict[tuple[int, int, tuple[float, ...]], bytes] = {}  # they come again and again
        self.asked: list[str] = []

    def _start(self, expected: ExpectedFrame, ppm: float) -> _Sender:
        period = expected.period_ms * 1e6 * (1.0 + ppm) / self._robot.rates.get(expected.name, 1.0)
        first = self._now_ns + self._random.uniform(0.0, period)
        return _Sender(expected, period, first, int(self._random.integers(15)))

    # --- the seam ---------------------------------------------------------------------------------

    def now_ns(self) -> int:
        return self._now_ns

    def wait(self, seconds: float) -> None:
        end_ns = self._now_ns + round(seconds * 1e9)
        fresh: list[Received] = []
        for sender in self._frames:
            fresh += self._send_until(sender, end_ns)
        self._received += sorted(fresh, key=lambda frame: frame[0])
        self._now_ns = end_ns

    def heard(self, begin_ns: int, end_ns: int) -> Heard:
        return sort_frames(self._received, self._session.codec, begin_ns, end_ns, self._stalls)

    def leave_out(self, output: str) -> None:
        self._left_out, self._left_out_ns = output, self._now_ns

    def request(self, prompt: Prompt) -> None:
        self.asked.append(prompt.key)
        if self._robot.follows:
            self.take(prompt)

    # --- the robot --------------------------------------------------------------------------------

    def take(self, prompt: Prompt) -> None:
        """Take this posture, after the robot's delay."""
        self._values = self._held(self._now_ns)
        values = dict(_AT_REST)
        if prompt.signal:
            exact = prompt.kind in ("exact", "share", "stop")
            values[prompt.signal] = prompt.amount * (1.0 if exact else self._robot.hand)
        self._then = (self._now_ns + round(self._robot.delay_s * 1e9), values)

    def _held(self, at_ns: int) -> dict[str, float]:
        return self._then[1] if at_ns >= self._then[0] else self._values

    def _send_until(self, sender: _Sender, end_ns: int) -> list[Received]:
        robot, table, f = self._robot, self._session.codec.table, sender.expected.f
        found: list[Received] = []
        while sender.next_ns < end_ns:
            jitter = min(0.45, max(-0.45, self._random.normal(0.0, robot.jitter))) * sender.period_ns
            at_ns = round(sender.next_ns + max(0.0, jitter))
            sender.next_ns += sender.period_ns
            if not self._beats(at_ns) and not robot.comes_back:
                self._gone = True
            if robot.silent or (self._gone and sender.expected.name == "gear"):
                continue
            payload = self._payload(sender, at_ns)
            if self._random.random() >= robot.dropped:
                found.append((self._turn_of(at_ns), int(table.can_id[f]), payload))
        return found

    def _beats(self, at_ns: int) -> bool:
        return self._left_out not in self._robot.notices or at_ns < self._left_out_ns + 60_000_000

    def _payload(self, sender: _Sender, at_ns: int) -> bytes:
        robot, codec, name = self._robot, self._session.codec, sender.expected.name
        f = sender.expected.f
        if name == "gear" and self._beats(at_ns):
            self._heartbeat = (self._heartbeat + 1.0) % 65536.0
        held = dict(self._held(at_ns))
        a, b = robot.swapped
        if a:
            held[a], held[b] = held[b], held[a]
        held["steering_angle_rad"] += robot.zero_rad + _NOISE_rad * int(self._random.integers(-9, 10))
        values = tuple(
            self._heartbeat if s == "heartbeat" else held[s] * robot.factors.get(s, 1.0)
            for s in codec.signals[f]
        )
        payload = self._packed(f, sender.counter, values)
        if name not in robot.stuck:
            sender.counter = (sender.counter + 1) % 15
        return payload

    def _packed(self, f: int, counter: int, values: tuple[float, ...]) -> bytes:
        known = self._payloads.get((f, counter, values))
        if known is not None:
            return known
        codec, data = self._session.codec, np.zeros(64, np.uint8)
        length = int(codec.table.length[f])
        pack(codec.table, f, np.array(values), data)
        protect(codec.table, f, counter, data)
        if self._robot.crc_start is not None:
            data[0] = crc8_1d(self._robot.crc_start, data, 1, length)
        payload = self._payloads[f, counter, values] = data[:length].tobytes()
        return payload

    def _turn_of(self, at_ns: int) -> int:
        """The bench's turn that hears of it: up to a millisecond later, or behind a stall."""
        turn_ns = -(-at_ns // _TURN_NS) * _TURN_NS
        return next((end for begin, end in self._stalls if begin <= turn_ns < end), turn_ns)


@dataclass
class _Sender:
    expected: ExpectedFrame
    period_ns: float
    next_ns: float
    counter: int


def by_hand(session: Session) -> Session:
    """The same rig without a request frame: a person is asked."""
    return with_rehearsal(session, request_frame=None)


def with_rehearsal(session: Session, **changes: object) -> Session:
    """The same session with other keys of ``rehearsal``."""
    rig = session.rig
    rules = rig.rehearsal.model_copy(update=changes)
    return dataclasses.replace(session, rig=rig.model_copy(update={"rehearsal": rules}))


def hand_of(exchange: DrawnExchange, prompts: tuple[Prompt, ...]):  # type: ignore[no-untyped-def]
    """A person who does what is asked for."""
    by_words = {prompt.words: prompt for prompt in prompts}

    def ask(words: str) -> bool:
        prompt = next(p for text, p in by_words.items() if text in words)
        exchange.asked.append(prompt.key)
        exchange.take(prompt)
        exchange.wait(1.0)
        return True

    return ask


ZERO_OFF_rad = math.radians(0.3)
