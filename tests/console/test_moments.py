"""What a look shows: the newest row, what trips, how old things are, whether the loop comes round."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing

import numpy as np
import pytest

from emulator.console.live_margins import LiveMargins
from emulator.console.moments import Observer, strips
from emulator.core.frame_buffer import UNTIMED, frame_buffer
from emulator.core.signals import STANDBY, TRIPPED, UNARMED_TICK
from emulator.core.trip_reasons import TripReason
from emulator.plant.states import EV_ENABLE
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.rings import RX, TX
from emulator.shared_memory.status import BY_BUTTON, Command, LoopEvent, LoopState, Status
from tests.support.live_page import CRITERIA, MANIFEST, row


@pytest.fixture
def snapshot() -> Iterator[Snapshot]:
    with closing(Snapshot.create()) as one:
        yield one


def observer(snapshot: Snapshot) -> Observer:
    return Observer(snapshot, LiveMargins(CRITERIA, MANIFEST))


def send(
    snapshot: Snapshot, tick: int, can_id: int, time_ns: int, valid_ns: int, direction: int = TX
) -> None:
    buffer = frame_buffer(1)
    buffer.count[0], buffer.can_id[0], buffer.length[0] = 1, can_id, 8
    buffer.time_ns[0], buffer.valid_ns[0] = time_ns, valid_ns
    snapshot.write_frames(tick, direction, buffer, time_ns)


def test_before_the_first_row_nothing_is_known(snapshot: Snapshot) -> None:
    moment, rows = observer(snapshot).look(0.0)
    assert moment["state"] == "standby"
    assert moment["time_s"] is moment["speed"] is moment["trip"] is None
    assert not moment["armed"]
    assert len(rows.time_s) == 0


def test_the_newest_row_is_shown_and_strips_have_a_hundred_a_second(snapshot: Snapshot) -> None:
    looking = observer(snapshot)
    for tick in range(50):
        snapshot.write_signals(tick, row(truth__speed_m_s=tick))
    moment, rows = looking.look(0.0)
    assert moment["time_s"] == 0.049
    assert moment["speed"] == 49.0
    assert moment["margins"][1] == [0.4, 0.4, 180.0]
    assert strips(rows, ["truth.speed_m_s", "no such signal"]) == {
        "time_s": [0.0, 0.01, 0.02, 0.03, 0.04],
        "values": {"truth.speed_m_s": [0.0, 10.0, 20.0, 30.0, 40.0]},
    }
    assert len(looking.look(0.1)[1].time_s) == 0


def test_a_value_that_is_no_number_is_none(snapshot: Snapshot) -> None:
    looking = observer(snapshot)
    snapshot.write_signals(0, row(truth__roll_rad=np.nan, truth__speed_m_s=np.inf))
    moment, _ = looking.look(0.0)
    assert moment["roll"] is moment["speed"] is None


def test_a_trip_has_its_reason_and_what_to_do(snapshot: Snapshot) -> None:
    looking = observer(snapshot)
    snapshot.write_signals(5, row(bench__state=TRIPPED, bench__trip_reason=TripReason.HEARTBEAT))
    trip = looking.look(0.0)[0]["trip"]
    assert trip == {"text": TripReason.HEARTBEAT.text, "what_to_do": TripReason.HEARTBEAT.what_to_do}


def test_what_is_missing_is_named_and_arming_is_seen(snapshot: Snapshot) -> None:
    looking = observer(snapshot)
    snapshot.write_signals(UNARMED_TICK + 10, row(bench__state=STANDBY, bench__permissives_missing=0b101))
    moment, rows = looking.look(0.0)
    assert moment["missing"] == ["robot heartbeat", "guard closed"]
    assert moment["time_s"] is None
    assert len(rows.time_s) == 0  # ticks before arming are no scenario time
    assert not moment["armed"]
    snapshot.write_event(UNARMED_TICK + 6, LoopEvent.COMMAND, Command.ARM, 0.0, "command arm")
    assert looking.look(0.1)[0]["armed"]
    assert looking.events_since(0) == (1, [{"time_s": None, "kind": "command", "text": "command arm"}])
    assert looking.events_since(1) == (1, [])


def test_a_button_that_is_awaited_is_told_and_only_its_press_arms(snapshot: Snapshot) -> None:
    looking = observer(snapshot)
    snapshot.write_event(UNARMED_TICK + 6, LoopEvent.COMMAND, Command.ARM, BY_BUTTON, "command arm")
    missing = {"bench__permissives_missing": 9.0}
    snapshot.write_signals(UNARMED_TICK + 10, row(bench__state=STANDBY, **missing))
    moment, _ = looking.look(0.0)
    assert (moment["armed"], moment["button_awaited"]) == (False, True)
    assert moment["missing"] == ["robot heartbeat"]
    snapshot.write_event(UNARMED_TICK + 20, EV_ENABLE, 0, 0.0, "local enable")
    snapshot.write_signals(UNARMED_TICK + 20, row(bench__state=STANDBY))
    moment, _ = looking.look(0.1)
    assert (moment["armed"], moment["button_awaited"]) == (True, False)


def test_ages_are_those_of_what_was_sent_and_worst_counts_in_the_ride(snapshot: Snapshot) -> None:
    looking = observer(snapshot)
    send(snapshot, 0, 0x100, 90_000_000, 0)  # 90 ms old, before the ride
    snapshot.write_signals(0, row(bench__state=STANDBY))
    looking.look(0.0)
    for tick, age_ms in ((100, 2), (110, 31), (120, 3)):
        send(snapshot, tick, 0x100, tick * 1_000_000, (tick - age_ms) * 1_000_000)
    send(snapshot, 121, 0x100, 121_000_000, UNTIMED)  # a fault's frame promises nothing
    send(snapshot, 115, 0x80, 115_000_000, 0, RX)
    snapshot.write_signals(125, row())
    moment, _ = looking.look(0.1)
    assert moment["sent"] == [[0x100, 5, 0.0, 3.0, 31.0]]
    assert moment["received"] == [[0x80, 1, 0.0, 10.0]]
    snapshot.write_signals(2500, row())
    moment, _ = looking.look(0.2)
    assert moment["sent"][0][2] == 2.0  # five in 2.5 s
    assert moment["received"][0][3] == 2385.0


def test_a_loop_that_stands_still_is_told_after_a_second(snapshot: Snapshot) -> None:
    looking = observer(snapshot)
    snapshot.status[Status.LOOP_STATE] = LoopState.CYCLING
    snapshot.status[Status.LOOP_HEARTBEAT] = 7
    assert looking.look(10.0)[0]["loop"]["still_s"] == 0.0
    assert looking.look(10.9)[0]["loop"]["still_s"] == 0.0
    assert looking.look(11.5)[0]["loop"]["still_s"] == 1.5
    snapshot.status[Status.LOOP_HEARTBEAT] = 8
    assert looking.look(11.6)[0]["loop"]["still_s"] == 0.0


def test_who_looks_too_seldom_is_told_what_it_lost(snapshot: Snapshot) -> None:
    looking = observer(snapshot)
    for tick in range(snapshot.sizes.signal_rows + 100):
        snapshot.write_signals(tick, row())
    assert looking.look(0.0)[0]["lost"] == 100
