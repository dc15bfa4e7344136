"""Company on the bus: frames of strangers, spoilt, copied or invented, on a real plant's ticks.

All of it is told, and nobody is blamed for what somebody else may have sent.
"""

from __future__ import annotations

import functools
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from emulator.assembly.session import Session
from emulator.core.frame_buffer import FrameBuffer
from emulator.core.trip_reasons import TripReason
from emulator.record.reader import Run, read_run
from emulator.verdict.judge import Verdict, judge
from tests.support.criteria_in_si import DistanceFromLine, NoFall
from tests.support.scripted_robot import HELD_CLUTCH, Ride, ScriptedRobot, variant

Company = Callable[[Ride], None]
WIDE, NARROW = 2.0, 0.1
"""[m] distances from the line that the made-up ride keeps and misses."""


def append(rx: FrameBuffer, can_id: int, length: int, data: Any) -> None:
    """A frame as somebody else put it on the bus."""
    n = int(rx.count[0])
    rx.can_id[n], rx.length[n], rx.data[n] = can_id, length, data
    rx.count[0] = n + 1


def damaged() -> Company:
    """28 frames a tick under the identifier of 'steering', none of which holds together."""

    def put(ride: Ride) -> None:
        f = ride.session.codec.frame("steering")
        table = ride.session.codec.table
        for _ in range(28):
            append(ride.rx, int(table.can_id[f]), int(table.length[f]), 0x5A)

    return put


def flood() -> Company:
    """5,000 frames a second under an identifier nobody declared: half of what the rig calls a flood."""

    def put(ride: Ride) -> None:
        for _ in range(5):
            append(ride.rx, 0x7F0, 8, 0)

    return put


def second_sender() -> Company:
    """Somebody who sends 'steering' in turns with the robot, whole and with a counter of its own."""
    of_its_own: list[ScriptedRobot] = []

    def put(ride: Ride) -> None:
        if not of_its_own:
            of_its_own.append(ScriptedRobot(ride.session.codec))
        if ride.count % ride.every == ride.every // 2:
            of_its_own[0].send(ride.rx, "steering", HELD_CLUTCH["steering"])

    return put


def impostor(later: int) -> Company:
    """Somebody who sends what the robot sent so many ticks before once more."""
    heard: deque[tuple[int, int, int, Any]] = deque()

    def put(ride: Ride) -> None:
        rx = ride.rx
        while heard and heard[0][0] <= ride.count - later:
            append(rx, *heard.popleft()[1:])
        if ride.every and ride.count % ride.every == 0:
            robot = ScriptedRobot(ride.session.codec)
            robot.alive.update(ride.robot.alive)
            into = ride.session.codec
            for name, values in ride.commands.items():
                n = int(rx.count[0])
                said = {**values, "heartbeat": float(ride.robot.heartbeat + 1)} if name == "gear" else values
                robot.send(rx, name, said)
                f = into.frame(name)
                heard.append((ride.count, int(into.table.can_id[f]), int(rx.length[n]), rx.data[n].copy()))
                rx.count[0] = n  # the robot itself is what sends it now

    return put


def ridden(session: Session, company: Company, ticks: int = 1000) -> Ride:
    """So many ticks of a ride with that company."""
    ride = Ride(session).start()
    for _ in range(ticks):
        company(ride)
        ride.step()
    return ride


@functools.cache
def made_up(folder: Path) -> Run:
    """The ride that nobody changes."""
    return read_run(folder)


def verdict(folder: Path, ride: Ride, link: str, limit_m: float = WIDE, **end: Any) -> Verdict:
    """What is made of it: a made-up ride with what this one heard, and that end."""
    run = made_up(folder)
    certificate = {**(run.certificate or {}), "robot_frames": ride.bench.frame_counts()}
    setting = {"setting": {"link": link, "reference": False}, "waited": [[0, 20_000, 0.05]]}
    outcome = {**ride.bench.outcome(), "ended": "complete", "trip_tick": None, **setting, **end}
    return judge(run, [NoFall(), DistanceFromLine(limit_m)], certificate, outcome)


@pytest.mark.parametrize("link", ["loopback", "socketcan", "serial"])
def test_28_000_damaged_frames_are_told_and_are_nobody_s_failing(
    session: Session, whole_ride: Path, link: str
) -> None:
    told = verdict(whole_ride, ridden(session, damaged()), link)
    assert told.result == "pass"
    assert any("'steering' 28,000 damaged" in note for note in told.notes), told.notes


def test_a_flood_below_the_rig_s_limit_is_told(session: Session, whole_ride: Path) -> None:
    told = verdict(whole_ride, ridden(session, flood()), "socketcan")
    assert told.result == "pass"
    assert told.notes == ["frames on the bus that no DBC of this rig knows: 0x7F0 (5,000)"]


IN_TURNS: dict[str, Callable[[], Company]] = {
    "a second sender": second_sender,
    "an impostor": lambda: impostor(173),
    "an impostor whose counters are the robot's": lambda: impostor(150),  # fifteen frames later
}


@pytest.mark.parametrize("name", IN_TURNS)
@pytest.mark.parametrize("link", ["socketcan", "vcan", "serial"])
def test_alive_counters_tell_of_a_second_sender_and_nobody_fails_for_what_it_sent(
    session: Session, whole_ride: Path, link: str, name: str
) -> None:
    ride = ridden(session, IN_TURNS[name]())
    told = verdict(whole_ride, ride, link)
    assert told.result == "pass"
    assert any("of the robot's frame 'steering'" in note for note in told.notes), told.notes
    off = verdict(whole_ride, ride, link, NARROW)
    assert off.result == "invalid"
    assert off.causes[0].whose == "unknown"
    assert "frame 'steering'" in off.reasons[0]
    for end in (
        {"ended": "fallen"},
        {"ended": "time_limit"},
        {"ended": "tripped", "trip_code": 10, "trip_tick": 9000},
    ):
        assert verdict(whole_ride, ride, link, **end).result == "invalid"


def test_a_robot_that_falls_silent_beside_a_second_sender_of_another_frame_failed(
    session: Session, whole_ride: Path
) -> None:
    """Nobody can make a frame stay away by sending one."""
    ride = ridden(session, second_sender())
    silence = {"watch": "drive", "frame": "drive", "id": "0x081", "how": "missing", "frames": 0}
    ticks = {"since_tick": 8850, "until_tick": 10_500, "silent_ms": 151.0, "allowed_ms": 150.0}
    end = {
        "ended": "tripped",
        "trip_code": int(TripReason.COMMAND),
        "trip_tick": 9001,
        "trip_evidence": {"silences": [silence | ticks]},
    }
    assert verdict(whole_ride, ride, "socketcan", **end).result == "fail"


def test_where_the_bus_knows_its_participants_it_is_the_one_to_tell(
    session: Session, whole_ride: Path
) -> None:
    ride = ridden(session, second_sender())
    assert verdict(whole_ride, ride, "loopback", NARROW).result == "fail"  # it saw one sender only
    seen = {
        "kind": "two_senders",
        "time_s": 2.0,
        "participants": ["a", "b"],
        "frame": "steering",
        "identifier": "080",
    }
    assert verdict(whole_ride, ride, "loopback", NARROW, bus_events=[seen]).result == "invalid"


def test_a_frame_that_got_lost_now_and_then_excuses_nobody(session: Session, whole_ride: Path) -> None:
    ride = Ride(variant(session)).start()
    for n in range(100):
        if n % 20 == 0:
            ride.robot.alive["steering"] += 1
        ride.step(10)
    told = verdict(whole_ride, ride, "socketcan", NARROW)
    assert told.result == "fail"
    assert any("5 left out by the alive counter" in note for note in told.notes)
