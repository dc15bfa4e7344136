"""A robot that says what it is told to say, on a bench that is stepped tick by tick."""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.bench import Bench
from emulator.assembly.session import Session, load_session
from emulator.config.rig.file import frames_of
from emulator.config.rig.outputs import Output
from emulator.config.scenario.events import Happening, Trigger
from emulator.core.compiled import bound, jit
from emulator.core.frame_buffer import MAX_DATA, FrameBuffer, frame_buffer
from emulator.core.signals import INDEX, RUNNING
from emulator.shared_memory.status import Command
from emulator.wire.can_frames import Codec, FrameCodec, check, pack, protect, unpack
from emulator.wire.dbc_frames import load_codec
from tests.support.events import FaultEvent

SCENARIOS = Path(__file__).parents[2] / "scenarios"
RIG = SCENARIOS / "rigs" / "loopback.yaml"
RUN = SCENARIOS / "runs" / "first_lap.yaml"

HELD_CLUTCH = {
    "steering": {"steering_torque_Nm": 0.0, "steering_angle_rad": 0.0},
    "drive": {"throttle": 0.0, "clutch": 1.0, "front_brake_Pa": 0.0, "rear_brake_Pa": 0.0},
    "gear": {"gear_request": 1.0},
}
"""Commands of a robot that only sits on the bike while it is towed; what is not named is not available."""

Commands = Mapping[str, Mapping[str, float]]


@functools.cache
def demo_session(rig: Path = RIG) -> Session:
    """The demo files without events, and with the support holding the bike upright for the whole test."""
    session = load_session(rig, RUN, seed=7)
    support = session.scenario.support.model_copy(update={"release_speed_km_h": 100.0})
    return variant(session, scenario={"support": support, "events": ()})


def variant(
    session: Session,
    *,
    rig: Mapping[str, object] | None = None,
    scenario: Mapping[str, object] | None = None,
    sensors: Mapping[str, Mapping[str, object]] | None = None,
    outputs: Mapping[str, Mapping[str, float] | None] | None = None,
    seed: int | None = None,
) -> Session:
    """The session with other values; ``outputs`` maps a frame to new timing values, or to None: not sent."""
    new_rig = session.rig.model_copy(update=dict(rig or {}))
    for name, values in (sensors or {}).items():
        part = getattr(new_rig.sensors, name).model_copy(update=dict(values))
        new_rig = new_rig.model_copy(update={"sensors": new_rig.sensors.model_copy(update={name: part})})
    codec, frames = session.codec, session.outputs
    if rig and "permissives" in rig:
        codec = load_codec(RIG.parent / new_rig.dbc, frames_of(new_rig))
    if outputs:
        timing: dict[str, Output] = {str(frame): output for frame, output in new_rig.outputs.items()}
        for frame, changes in outputs.items():
            if changes is None:
                del timing[frame]
            else:
                timing[frame] = timing[frame].model_copy(update=dict(changes))
        new_rig = new_rig.model_copy(update={"outputs": timing})
        frames = tuple(timing)
        codec = load_codec(RIG.parent / new_rig.dbc, frames_of(new_rig))
    return dataclasses.replace(
        session,
        rig=new_rig,
        scenario=session.scenario.model_copy(update=dict(scenario or {})),
        codec=codec,
        outputs=frames,
        seed=session.seed if seed is None else seed,
    )


def with_events(session: Session, *events: Happening) -> Session:
    """The session with these events only."""
    return variant(session, scenario={"events": events})


def fault(
    signal: str, effect: str, at_s: float, duration_s: float, value: float | None = None, ramp_s: float = 0.0
) -> Happening:
    """A fault by time."""
    return FaultEvent(
        kind="fault",
        name=f"{signal} {effect}",
        signal=signal,
        effect=effect,
        value=value,
        at=Trigger(time_s=at_s),
        duration_s=duration_s,
        ramp_s=ramp_s,
    )


@jit
def packed(
    table: FrameCodec, values: NDArray[np.float64], data: NDArray[np.uint8], frame: int, alive: int
) -> None:
    """Write a protected frame into ``data``."""
    pack(table, frame, values, data)
    protect(table, frame, alive, data)


@jit
def decoded(table: FrameCodec, frame: int, payloads: NDArray[np.uint8], values: NDArray[np.float64]) -> bool:
    """Decode payloads (N, length) into values (N, signals); False: one of them is not sound."""
    for n in range(len(payloads)):
        if check(table, frame, payloads[n], payloads.shape[1]) < 0:
            return False
        unpack(table, frame, payloads[n], values[n])
    return True


class ScriptedRobot:
    """Builds the robot's frames, with counters of its own."""

    def __init__(self, codec: Codec) -> None:
        self.codec = codec
        self.alive = dict.fromkeys(codec.frames, 0)
        self.heartbeat = 0
        self._values, self._data = np.zeros(codec.table.byte.size), np.zeros(MAX_DATA, np.uint8)
        self._pack = bound(packed, (codec.table, self._values, self._data), 0, 0)

    def send(self, into: FrameBuffer, frame: str, values: Mapping[str, float], *, skip: int = 0) -> int:
        """Append a protected frame and return its row; ``skip`` counts are left out before it."""
        table, f, n = self.codec.table, self.codec.frame(frame), int(into.count[0])
        names = self.codec.signals[f]
        self._values[: len(names)] = [values.get(name, math.nan) for name in names]
        self.alive[frame] += skip
        self._pack(f, self.alive[frame])
        into.data[n] = self._data
        self.alive[frame] += 1
        into.can_id[n], into.length[n] = table.can_id[f], table.length[f]
        into.count[0] = n + 1
        return n

    def send_all(self, into: FrameBuffer, commands: Commands) -> None:
        """All command frames, the heartbeat counted up."""
        self.heartbeat = (self.heartbeat + 1) % 65536
        for frame, values in commands.items():
            self.send(
                into, frame, {**values, "heartbeat": float(self.heartbeat)} if frame == "gear" else values
            )


class Ride:
    """A bench and its robot, one tick at a time; everything sent is kept."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self.bench = Bench(session)
        self.plant = self.bench.plant
        self.robot = ScriptedRobot(session.codec)
        self.ids = dict(zip(session.codec.table.can_id.tolist(), session.codec.frames, strict=True))
        self.rx, self.tx = frame_buffer(32), frame_buffer(64)
        self.commands: Commands = HELD_CLUTCH
        self.every = 10  # ticks between the robot's frames; 0: silent
        self.count = 0
        self.frames: list[tuple[int, str, bytes, int, int]] = []  # tick, frame, payload, due, valid
        self.events: list[tuple[int, int, int, float, str]] = []  # tick, code, index, value, text
        self.bursts: list[tuple[int, bytes, int, int]] = []  # tick, sentences, due, valid
        self.rows: list[np.ndarray] = []
        self.keep_rows = False
        self.states: list[int] = []

    def step(self, ticks: int = 1, then: Callable[[Ride], None] | None = None) -> int:
        """So many ticks; ``then`` is called after each. Returns the state."""
        state = -1
        for _ in range(ticks):
            if self.every and self.count % self.every == 0:
                self.robot.send_all(self.rx, self.commands)
            state = self.bench.tick(self.rx, self.tx, 0.0, 0.0)
            self.rx.count[0] = 0
            self.count += 1
            tick, tx = self.bench.tick_number, self.tx
            if n := int(tx.count[0]):
                numbers = [part[:n].tolist() for part in (tx.can_id, tx.length, tx.time_ns, tx.valid_ns)]
                for can_id, length, due, valid, data in zip(*numbers, tx.data[:n], strict=True):
                    self.frames.append((tick, self.ids[can_id], data[:length].tobytes(), due, valid))
            self.events += [(tick, *event) for event in self.bench.take_events()]
            burst = self.bench.take_gnss()
            if burst:
                self.bursts.append((tick, burst, self.bench.gnss_due_ns, self.bench.gnss_valid_ns))
            if self.keep_rows:
                self.rows.append(self.bench.row.copy())
            self.states.append(state)
            if then is not None:
                then(self)
        return state

    def arm(self) -> None:
        """Ask for it, after the robot was heard."""
        self.bench.command(Command.ARM, 0.0)

    def start(self, ticks: int = 0) -> Ride:
        """Arm, wait until it runs, and ride on for so many ticks."""
        self.step()
        self.arm()
        while self.step() != RUNNING:
            assert self.count < 5000, "the ride never started"
        self.step(ticks)
        return self

    def __getitem__(self, signal: str) -> float:
        """A recorded signal of the last tick."""
        return float(self.bench.row[INDEX[signal]])

    def sent(self, frame: str) -> tuple[np.ndarray, np.ndarray]:
        """(N,) ticks the frame was sent in, (N, signals) what its receiver decodes."""
        f = self.session.codec.frame(frame)
        table = self.session.codec.table
        chosen = [(tick, payload) for tick, name, payload, _, _ in self.frames if name == frame]
        values = np.zeros((len(chosen), len(self.session.codec.signals[f])))
        assert {len(payload) for _, payload in chosen} <= {int(table.length[f])}
        payloads = np.frombuffer(b"".join(payload for _, payload in chosen), np.uint8)
        assert decoded(table, f, payloads.reshape(len(chosen), -1 if chosen else 0), values)
        return np.array([tick for tick, _ in chosen]), values

    def value(self, frame: str, signal: str) -> tuple[np.ndarray, np.ndarray]:
        """Ticks and values of one signal of a frame."""
        ticks, values = self.sent(frame)
        return ticks, values[:, self.session.codec.signal(frame, signal)]
