"""What the outcome of a bench run tells of its processes: made up in a block, read as a verdict reads it."""

from types import SimpleNamespace

import pytest

from emulator.core.signals import UNARMED_TICK
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.layout import Sizes
from emulator.shared_memory.stalls import Role
from emulator.shared_memory.status import BusWord, Status
from emulator.stages.bench.evidence import RideTime, leaving, processes

MS = 1_000_000
ZERO = 5_000 * MS  # CLOCK_MONOTONIC at scenario tick 0


def child(returncode=0, left_ms=None, started=True, **messages):
    left_ns = None if left_ms is None else ZERO + left_ms * MS
    process = SimpleNamespace(pid=7) if started else None
    return SimpleNamespace(returncode=returncode, left_ns=left_ns, process=process, messages=messages)


@pytest.fixture
def snapshot():
    block = Snapshot.create(Sizes(2, 2, 2, 2))
    block.status[Status.TICK], block.status[Status.TICK_ZERO_NS] = 1234, ZERO
    yield block
    block.close()


def turns(snapshot, role, *at_ms, ended=True):
    writer = snapshot.stall_writer(role)
    for ms in at_ms:
        writer.turn(ZERO + ms * MS)
    if ended:
        writer.end()


def measured(snapshot, now_ms=10_000, **children):
    now_ns = ZERO + now_ms * MS
    others = [role.name.lower() for role in Role if role != Role.SUPERVISOR]
    everyone = {name: child(started=False) for name in others} | children
    return processes(snapshot, everyone, RideTime(snapshot.status, now_ns), now_ns)


def test_stalls_stand_on_scenario_time(snapshot):
    turns(snapshot, Role.LOOP, -3000, -2900, 0, 1, 2, 252, 253)
    loop = measured(snapshot, loop=child())["loop"]
    assert loop["stalls"] == [[-3000.0, -2900.0], [-2900.0, 0.0], [2.0, 252.0]]
    assert (loop["count"], loop["longest_ms"], loop["turns"], loop["exit"]) == (3, 2900.0, 7, 0)


def test_who_died_standing_still_has_a_stall_up_to_its_death_and_not_beyond(snapshot):
    turns(snapshot, Role.ROBOT, 0, 2, ended=False)
    killed = child(returncode=-9, left_ms=802)
    assert measured(snapshot, robot=killed)["robot"]["stalls"] == [[2.0, 802.0]]
    at_once = child(returncode=-9, left_ms=3)
    assert measured(snapshot, robot=at_once)["robot"]["stalls"] == []


def test_the_longest_are_kept_in_the_order_of_time(snapshot):
    at = [0]
    for n in range(300):
        at.append(at[-1] + 10 + n)
    turns(snapshot, Role.BUS, *at)
    bus = measured(snapshot, bus=child())["bus"]
    assert bus["count"] == 300
    assert len(bus["stalls"]) == 200
    assert bus["stalls"] == sorted(bus["stalls"])
    assert min(end - begin for begin, end in bus["stalls"]) == 110.0


def test_only_who_took_part_is_told_of(snapshot):
    assert set(measured(snapshot, loop=child(), recorder=child())) == {"loop", "recorder", "supervisor"}
    assert measured(snapshot)["supervisor"]["exit"] is None


def test_the_bus_tells_delay_and_counts(snapshot):
    bus = measured(snapshot, bus=child())["bus"]
    assert bus["delay_us"] == {"p50": None, "p99": None, "p999": None, "max": None}
    snapshot.bus[BusWord.CUT_OFF], snapshot.bus[BusWord.DELAY_MAX_NS] = 3, 52 * MS
    snapshot.bus_delays[1000] = 99
    snapshot.bus_delays[2500] = 1
    bus = measured(snapshot, bus=child(participants=[{"name": "x"}], host={"cpu": 1}))["bus"]
    assert bus["cut_off"] == 3
    assert bus["delay_us"]["p50"] == bus["delay_us"]["p99"] < bus["delay_us"]["p999"] <= 52_000.0
    assert bus["delay_us"]["max"] == 52_000.0
    assert (bus["participants"], bus["host"]) == ([{"name": "x"}], {"cpu": 1})


@pytest.mark.parametrize(
    ("status", "told"), [(-9, (-9, "SIGKILL")), (-11, (-11, "SIGSEGV")), (3, (3, "")), (None, (None, ""))]
)
def test_who_left_when_and_how(snapshot, status, told):
    now_ns = ZERO + 9000 * MS
    left = leaving("robot", child(returncode=status, left_ms=1500), RideTime(snapshot.status, now_ns), now_ns)
    assert (left["role"], left["time_s"], (left["exit"], left["signal"])) == ("robot", 1.5, told)


def test_before_a_ride_was_armed_times_count_from_the_end(snapshot):
    snapshot.status[Status.TICK] = UNARMED_TICK + 4000
    ride_time = RideTime(snapshot.status, ZERO)
    assert (ride_time.base, ride_time.s(ZERO - 2000 * MS)) == ("end", -2.0)
    snapshot.status[Status.TICK] = 5
    assert RideTime(snapshot.status, 0).base == "scenario"
