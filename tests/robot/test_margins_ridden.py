"""The margin against the ride: plant and reference robot with their frames, the robot's ones held back."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import butter, sosfiltfilt

from emulator.assembly.bench import Bench
from emulator.assembly.session import mission
from emulator.core.frame_buffer import frame_buffer
from emulator.core.signals import INDEX
from emulator.plant.step import tick
from emulator.robot.margins import delay_margins, loop_timing
from emulator.robot.mission import ReferenceRider
from emulator.robot.rider import step
from emulator.shared_memory.status import Command
from emulator.stages.virtual import RIDER_EVERY, hear

SPEED, SWING = INDEX["truth.speed_m_s"], INDEX["truth.steer_rate_rad_s"]
SLOWING_DOWN = 8.0  # [m/s] below the fastest so far: the straight is over


def longest_straight(line):
    """Station [m] where it begins."""
    bent = np.flatnonzero(np.abs(line.curvature) > 1e-5)
    length = np.diff(line.station[bent], append=line.station[bent[0]] + line.length)
    return line.station[bent[np.argmax(length)]]


def straight(session, ticks):
    """Speed [m/s] and steer rate [rad/s] by tick, from rest to the straight's end; frames ``ticks`` late."""
    begins = round(float(longest_straight(session.line)), 1)
    start = session.scenario.start.model_copy(update={"station_m": begins})
    session = replace(session, scenario=session.scenario.model_copy(update={"start": start}))
    bench, rider = Bench(session), ReferenceRider(mission(session))
    plant = bench.plant
    run = plant.run[0]
    rx, tx, inbox, out = frame_buffer(64), frame_buffer(64), frame_buffer(256), frame_buffer(64)
    held = deque()
    bench.command(Command.ARM, 0.0)
    rows, fastest, n = [], 0.0, 0
    while not bench.finished and not (fastest > 45.0 and rows[-1][0] < fastest - SLOWING_DOWN):
        tick(plant, rx, tx, 0.0, 0.0)
        n += 1
        rx.count[0] = 0
        append(inbox, tx.can_id, tx.length, tx.data, int(tx.count[0]))
        if (int(run["tick"]) - 1) % RIDER_EVERY == 0:
            step(rider.rider, inbox, out)
            inbox.count[0] = 0
            c = int(out.count[0])
            held.append((n + ticks, out.can_id[:c].copy(), out.length[:c].copy(), out.data[:c].copy()))
        while held and held[0][0] <= n:
            _, ids, lengths, data = held.popleft()
            append(rx, ids, lengths, data, len(ids))
        bench.take_events()
        if burst := bench.take_gnss():
            hear(rider, burst, n - 1)
        if run["start_tick"] > 0:
            rows.append((float(bench.row[SPEED]), float(bench.row[SWING])))
            fastest = max(fastest, rows[-1][0])
    return np.array(rows), bench.outcome()["ended"] == "fallen"


def append(into, ids, lengths, data, count):
    m = int(into.count[0])
    into.can_id[m : m + count], into.length[m : m + count] = ids[:count], lengths[:count]
    into.data[m : m + count] = data[:count]
    into.count[0] = m + count


@pytest.mark.slow
def test_the_robot_rides_fast_inside_its_margin_and_wobbles_outside(session):
    """Noise, alive counters, quantised frames, the return to the line: what the linear loop leaves out."""
    told = mission(session)
    top = float(session.line.target_speed.max())
    rider = ReferenceRider(told)
    margin = delay_margins(
        told.vehicle, rider.rider.design, loop_timing(session.rig, session.codec), [top]
    ).loop[0, 0]
    band = butter(4, [5.0, 12.0], "band", fs=1000.0, output="sos")  # where wobble swings

    def swing(rows):
        fast = rows[:, 0] > 0.85 * top
        return float(np.std(sosfiltfilt(band, rows[:, 1])[fast])) if fast.any() else math.inf

    inside, fell = straight(session, math.floor(0.8 * margin * 1e3))
    assert not fell
    assert swing(inside) < 0.05  # rad/s; a plain ride shows 0.003
    outside, fell = straight(session, math.ceil(1.25 * margin * 1e3))
    assert fell or swing(outside) > 1.0
