"""Ticks of the plant with a robot that is called in each that is its turn, compiled.

All that can be compiled of a turn is: what has arrived is decoded before the robot is called, what it says is
packed behind that and waits here until it is handed over.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.core.frame_buffer import FrameBuffer, frame_buffer
from emulator.core.signals import TICK_NS
from emulator.loop.certificate import FrameAccounts
from emulator.plant.step import Plant
from emulator.stages.own_robot.protocol import MOST_FRAMES
from emulator.stages.own_robot.values import Hearing, Sending, hear, send
from emulator.stages.stepped_bus import carry, robot_hands_over
from emulator.stages.stepped_ticks import FRAMES_A_TICK, Held, StepPlant, plant_tick
from emulator.wire.arbitration import Bus, arrived_by, drop_first, known

MOST_AT_ONCE = 4 * MOST_FRAMES
"""Frames that are handed over in a tick; what more there is waits for the next."""
ENDED = -1
"""Instead of a tick: there is no next turn."""
SILENT = -1
"""Instead of a tick: the robot has said nothing."""
NEXT, HANDED_OVER, ARRIVED, NEW = range(4)
"""Places in ``Turns.now``."""


class Turns(NamedTuple):
    """What passes between the ticks and the robot's turn.

    now      (4,)  tick of the loop that is its next turn (or ENDED); in which what it says in this one is
             handed over (or SILENT); frames of the inbox that have arrived; places of ``hearing.new`` written
    hearing  decodes what has arrived
    said     frames that it gives in this turn
    sending  makes those of the values it gives
    asked    what waits to be handed over: time_ns is when; rising
    """

    now: NDArray[np.int64]
    hearing: Hearing
    said: FrameBuffer
    sending: Sending
    asked: FrameBuffer


def turns(hearing: Hearing, sending: Sending, most_waiting: int) -> Turns:
    """Before the first turn, which is in the loop's first tick.

    most_waiting  turns of which frames can wait to be handed over at once
    """
    a_turn = MOST_FRAMES + len(sending.frame_of)
    return Turns(
        now=np.zeros(4, np.int64),
        hearing=hearing,
        said=frame_buffer(MOST_FRAMES),
        sending=sending,
        asked=frame_buffer(a_turn * (most_waiting + 1)),
    )


@jit
def with_the_robot(
    step_plant: StepPlant,
    held: Held,
    its_turn: Callable[[int], int],
    robot: Turns,
    plant: Plant,
    rx: FrameBuffer,
    tx: FrameBuffer,
    inbox: FrameBuffer,
    bus: Bus,
    accounts: FrameAccounts,
    rows: NDArray[np.float64],
    frames: NDArray[np.int64],
    payloads: NDArray[np.uint8],
    n: int,
    m: int,
    until: int,
) -> tuple[int, int]:
    """Ticks, with the robot called within each that is its turn; returns where rows and frames end.

    its_turn  called in such a tick, when the plant has had it and the bus has not gone on. It says in
              ``robot`` what comes of it; if its next turn is ENDED after that, this returns
    robot     what passes between
    The others as in ``virtual.run_ticks``, and so is when it stops.
    """
    run, memory, asked = plant.run[0], plant.memory[0], robot.asked
    room = frames.shape[0] - FRAMES_A_TICK
    shared = known(bus)
    while n < rows.shape[0] and m < room and run.tick < until:
        now = run.tick * TICK_NS
        m = plant_tick(step_plant, held, plant, rx, tx, inbox, bus, accounts, rows[n], frames, payloads, m)
        n += 1
        if run.tick - 1 == robot.now[NEXT]:
            take_turn(its_turn, robot, inbox, now)
            if robot.now[NEXT] == ENDED:
                break
        if asked.count[0] > 0:
            due = min(arrived_by(asked, now), MOST_AT_ONCE)
            if shared:
                robot_hands_over(bus, asked, 0, due, now)
            else:
                append(asked, due, rx)
            drop_first(asked, due)
        if shared:
            carry(bus, accounts, now + TICK_NS, inbox, rx)
        if memory.event_count > 0 or run.gnss_ready > 0 or run.finished == 1:
            break
    return n, m


@jit
def take_turn(its_turn: Callable[[int], int], robot: Turns, inbox: FrameBuffer, now_ns: int) -> None:
    """The robot hears what has arrived by now, and what it says waits until it is handed over."""
    now, asked = robot.now, robot.asked
    arrived = arrived_by(inbox, now_ns)
    now[ARRIVED], now[NEW] = arrived, hear(robot.hearing, inbox, arrived)
    now[NEXT], now[HANDED_OVER] = ENDED, SILENT
    robot.said.count[0] = 0
    its_turn(now_ns // TICK_NS)
    drop_first(inbox, arrived)
    first = asked.count[0]
    most = robot.said.can_id.shape[0] + robot.sending.frame_of.shape[0]
    if now[HANDED_OVER] == SILENT or first + most > asked.can_id.shape[0]:
        return
    send(robot.sending, asked, now_ns)
    append(robot.said, robot.said.count[0], asked)
    for i in range(first, asked.count[0]):
        asked.time_ns[i] = now[HANDED_OVER] * TICK_NS


@jit
def append(frames: FrameBuffer, n: int, into: FrameBuffer) -> None:
    """The first ``n`` frames behind those that are there."""
    for i in range(n):
        j = into.count[0]
        into.can_id[j], into.length[j] = frames.can_id[i], frames.length[i]
        for k in range(frames.length[i]):
            into.data[j, k] = frames.data[i, k]
        into.count[0] = j + 1
