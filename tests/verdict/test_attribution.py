"""Whose it was: a table of what happened, what was measured of it, and whom that accuses."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.core.trip_reasons import TripReason
from emulator.verdict.attribution import (
    evidence_of,
    host_causes,
    in_order,
    seen_causes,
    stop_cause,
    total_ms,
    trip_cause,
)

BEGAN = 10_000  # tick of the last news
ALLOWED = 150.0


def silent(
    until: int = BEGAN + 1500, how: str = "missing", bus_fault_ms: float = 0.0, **more: Any
) -> dict[str, Any]:
    """A run that tripped because steering frames were no news for longer than allowed, until that tick."""
    silence: dict[str, Any] = {
        "watch": "steering",
        "frame": "steering",
        "id": "0x080",
        "how": how,
        "frames": 0,
        "since_tick": BEGAN,
        "until_tick": until,
        "silent_ms": ALLOWED + 1.0,
        "allowed_ms": ALLOWED,
    }
    silence |= {"bus_fault_ms": bus_fault_ms} if bus_fault_ms else {}
    return {
        "ended": "tripped",
        "trip_code": int(TripReason.COMMAND),
        "trip_reason": "robot commands stale",
        "trip_tick": BEGAN + 151,
        "trip_evidence": {"silences": [silence]},
        "setting": {"link": "loopback", "reference": False},
        "waited": [[BEGAN - 20, BEGAN + 1600, 0.05]],
        **more,
    }


def never(how: str = "missing", **more: Any) -> dict[str, Any]:
    """A run that tripped because steering frames never were news."""
    outcome = silent(how=how, **more)
    outcome["trip_evidence"]["silences"][0]["since_tick"] = None
    return outcome


def stalls(**roles: tuple[float, float]) -> dict[str, Any]:
    """Processes that stood still once, from and to in ms after the last news."""
    return {role: {"stalls": [[BEGAN + a, BEGAN + b]]} for role, (a, b) in roles.items()}


def setting(link: str, *, reference: bool = False) -> dict[str, Any]:
    return {"link": link, "reference": reference}


SHARED = [
    {
        "kind": "two_senders",
        "time_s": 9.0,
        "participants": ["127.0.0.1:40100", "127.0.0.1:40102"],
        "frame": "steering",
        "identifier": "080",
    },
    {"kind": "cut_off", "time_s": 9.5, "participants": ["127.0.0.1:40104"], "frame": "", "identifier": ""},
]
LEFT = [{"role": "robot", "time_s": 10.02, "exit": -9, "signal": "SIGKILL"}]
TABLE: dict[str, tuple[dict[str, Any], str]] = {
    "the robot stops, all else keeps going": (silent(), "robot"),
    "the robot stops, a short stall beside it": (silent(processes=stalls(bus=(50, 60))), "robot"),
    "the robot stops, a long stall beside it": (silent(processes=stalls(bus=(20, 170))), "robot"),
    "the bus holds its frames": (silent(BEGAN + 160, processes=stalls(bus=(5, 155))), "bench"),
    "the loop does not look": (silent(BEGAN + 160, processes=stalls(loop=(5, 155))), "bench"),
    "a pause that is allowed, and a stall": (silent(BEGAN + 152, processes=stalls(bus=(60, 152))), "bench"),
    "bus and loop one after the other": (
        silent(BEGAN + 156, processes=stalls(bus=(0, 70), loop=(70, 150))),
        "bench",
    ),
    "it was there again too soon to tell": (silent(BEGAN + 150), "unknown"),
    "the scenario takes the bus, and it comes as soon as that is over": (
        silent(BEGAN + 152, bus_fault_ms=150.0, setting=setting("stepped", reference=True)),
        "scenario",
    ),
    "the scenario takes the bus, and the robot stays away": (
        silent(bus_fault_ms=150.0, setting=setting("stepped", reference=True)),
        "robot",
    ),
    "the scenario takes the bus for too little of it": (
        silent(BEGAN + 400, bus_fault_ms=100.0, setting=setting("stepped", reference=True)),
        "robot",
    ),
    "the scenario takes the bus, and the frames come damaged": (
        silent(BEGAN + 152, "damaged", bus_fault_ms=150.0),
        "robot",
    ),
    "a stall of the bus while the scenario takes it": (
        silent(BEGAN + 152, bus_fault_ms=150.0, processes=stalls(bus=(0, 152))),
        "bench",
    ),
    "the host stood still": (silent(BEGAN + 200, processes=stalls(supervisor=(0, 190))), "unknown"),
    "the host had no core to spare": (silent(waited=[[BEGAN - 20, BEGAN + 1600, 0.9]]), "unknown"),
    "the host was busy before, not then": (silent(waited=[[BEGAN - 900, BEGAN - 100, 0.9]]), "robot"),
    "whether the host was busy is not known": (silent(waited=None), "unknown"),
    "on a wire a busy host does not excuse a robot": (
        silent(setting=setting("socketcan"), waited=[[BEGAN - 20, BEGAN + 1600, 0.9]]),
        "robot",
    ),
    "on a wire a stall of the loop does": (
        silent(BEGAN + 160, setting=setting("socketcan"), processes=stalls(loop=(5, 155))),
        "bench",
    ),
    "an adapter that may have stopped": (silent(setting=setting("serial")), "unknown"),
    "an adapter on which others were heard": (
        silent(setting=setting("serial"), strangers={"0x7F0": 40}),
        "robot",
    ),
    "spoilt frames on an adapter": (silent(how="damaged", setting=setting("serial")), "robot"),
    "a kind of link nobody knows": (silent(setting=setting("pigeon")), "unknown"),
    "damaged frames": (silent(how="damaged"), "robot"),
    "the same frame again and again": (silent(how="frozen"), "robot"),
    "frames without values": (silent(how="not available"), "robot"),
    "damaged frames, and a second one sends them": (silent(how="damaged", bus_events=SHARED), "unknown"),
    "a second one sends another frame": (silent(bus_events=[{**SHARED[0], "frame": "gear"}]), "robot"),
    "the reference robot stops, and a busy host": (
        silent(setting=setting("loopback", reference=True), waited=[[BEGAN - 20, BEGAN + 1600, 0.9]]),
        "robot",
    ),
    "the reference robot is held up": (
        silent(setting=setting("loopback", reference=True), processes=stalls(robot=(0, 1490))),
        "bench",
    ),
    "another robot's stalls are its own": (silent(processes=stalls(robot=(0, 1490))), "robot"),
    "the reference robot's process is gone": (
        silent(setting=setting("loopback", reference=True), left=LEFT),
        "bench",
    ),
    "nothing was recorded of the frames": (silent(trip_evidence={}), "unknown"),
    "never heard": (silent(trip_evidence={"silences": [{"since_tick": None}]}), "unknown"),
    "never heard, it came damaged": (never(how="damaged"), "robot"),
    "never heard, it never had a value": (never(how="not available"), "robot"),
    "never heard, and more than one sends it": (never(how="damaged", bus_events=SHARED), "unknown"),
    "never heard, nor anything else of the robot's": (never(), "unknown"),
    "no heartbeat until the arming timeout, as damaged as all": (
        never(how="damaged", trip_code=int(TripReason.ARMING)),
        "robot",
    ),
    "no heartbeat until the arming timeout, nor anything else": (
        never(trip_code=int(TripReason.ARMING)),
        "unknown",
    ),
    "something of the bench's is missing at the arming timeout": (
        silent(trip_code=int(TripReason.ARMING), trip_evidence={}),
        "bench",
    ),
    "nothing was measured at all": (silent(setting={}), "unknown"),
    "beyond a limit": (silent(trip_code=int(TripReason.COMMAND_LIMIT)), "robot"),
    "beyond a limit, or a second sender was": (
        silent(trip_code=int(TripReason.COMMAND_LIMIT), bus_events=SHARED),
        "unknown",
    ),
    "the loop ran over": (silent(trip_code=int(TripReason.OVERRUN)), "bench"),
    "the operator": (silent(trip_code=int(TripReason.OPERATOR)), "operator"),
    "the emergency stop was pressed": (
        silent(trip_code=int(TripReason.ESTOP), trip_evidence={"said_no": True}),
        "operator",
    ),
    "the emergency stop's wire": (
        silent(trip_code=int(TripReason.ESTOP), trip_evidence={"said_no": False}),
        "bench",
    ),
    "the guard was opened": (
        silent(trip_code=int(TripReason.GUARD), trip_evidence={"said_no": True}),
        "operator",
    ),
    "a reason of another version": (silent(trip_code=99), "unknown"),
}


@pytest.mark.parametrize("name", TABLE)
def test_whom_it_accuses(name: str) -> None:
    outcome, whose = TABLE[name]
    cause = trip_cause(outcome, evidence_of(outcome), "")
    assert cause.whose == whose, cause.text


def test_a_proof_is_told_and_a_silence_began_with_the_last_news() -> None:
    outcome = silent(processes=stalls(bus=(50, 60)))
    cause = trip_cause(outcome, evidence_of(outcome), " 10.2 s into the ride")
    assert cause.at_s == 10.0
    assert cause.text == (
        "the rig tripped on the robot 10.2 s into the ride: robot commands stale "
        "(without the bench's own stalls it still was 1490 ms)"
    )


def test_a_frame_that_never_came_while_others_of_the_robot_did_is_the_robots() -> None:
    steering = {"steering": {"accepted": 0}}
    heard = {
        **steering,
        "drive": {"accepted": 332},
        "gear": {"accepted": 166},
        "bench_inputs": {"accepted": 9},
    }
    cause = trip_cause(never(), evidence_of(never(), heard), " 0.0 s into the ride")
    assert (cause.whose, cause.at_s) == ("robot", BEGAN * 1e-3 + 0.151)
    assert cause.text.endswith("(its frames drive, gear came, this one never did)")
    inputs_alone = {**steering, "bench_inputs": {"accepted": 9}}
    assert trip_cause(never(), evidence_of(never(), inputs_alone), "").whose == "unknown"


def test_of_several_silences_one_that_is_proven_is_enough() -> None:
    outcome = silent(processes=stalls(bus=(5, 155)))
    (steering,) = outcome["trip_evidence"]["silences"]
    outcome["trip_evidence"]["silences"] = [
        {**steering, "until_tick": BEGAN + 160},
        {**steering, "watch": "drive", "frame": "drive"},
    ]
    assert trip_cause(outcome, evidence_of(outcome), "").whose == "robot"


def test_who_stops_a_ride() -> None:
    asked = stop_cause({"stopped_by": "SIGINT", "end_tick": 4200}, " 4.2 s into the ride")
    assert (asked.whose, asked.at_s) == ("operator", 4.2)
    assert asked.text == "stopped by hand (SIGINT) 4.2 s into the ride"
    alone = stop_cause({"stopped_by": "supervisor gone", "end_tick": 4200}, " 4.2 s into the ride")
    assert alone.whose == "bench"
    assert stop_cause({"stopped_by": "SIGTERM", "end_tick": None}, "").text == (
        "stopped by hand (SIGTERM) before the ride"
    )


def test_a_process_that_left_is_told_with_its_time() -> None:
    (cause,) = seen_causes({"left": LEFT})
    assert (cause.whose, cause.at_s) == ("bench", 10.02)
    assert cause.text == "the reference robot's process was gone (ended by SIGKILL)"


def test_a_frame_with_two_senders_is_told_with_both() -> None:
    (cause,) = seen_causes({"bus_events": SHARED})
    assert (cause.whose, cause.at_s) == ("unknown", 9.0)
    assert cause.text == ("frame 'steering' has more than one sender: 127.0.0.1:40100 and 127.0.0.1:40102")


def test_what_a_robot_missed_on_a_busy_host_may_be_the_hosts() -> None:
    quiet = silent()
    assert host_causes(evidence_of(quiet), 45.0) == []
    for waited, told in (
        ([[0, 900, 0.9]], 0),
        ([[0, 1100, 0.9]], 1),
        ([[0, 9000, 0.4]], 0),
        ([[-9000, -1, 1.0]], 0),
    ):
        causes = host_causes(evidence_of(silent(waited=waited)), 45.0)
        assert [c.whose for c in causes] == ["unknown"] * told
        on_a_wire = evidence_of(silent(waited=waited, setting=setting("socketcan")))
        assert host_causes(on_a_wire, 45.0) == []


def test_a_reference_robot_that_was_held_up_is_the_benchs() -> None:
    held_up = {"robot": {"stalls": [[-50, 90], [1000, 1044], [2000, 2046], [3000, 3300]]}}
    ours = evidence_of(silent(processes=held_up, setting=setting("loopback", reference=True)))
    (cause,) = host_causes(ours, 45.0)
    assert (cause.whose, cause.at_s) == ("bench", 2.0)
    assert cause.text == (
        "the reference robot's process stood still 2 times, for up to 300 ms (allowed 45 ms)"
    )
    assert host_causes(evidence_of(silent(processes=held_up)), 45.0) == []


def test_causes_without_a_time_come_last() -> None:
    (late,) = seen_causes({"left": LEFT})
    (early,) = seen_causes({"left": [{**LEFT[0], "time_s": 1.0}]})
    (unknown,) = seen_causes({"left": LEFT, "time_base": "end"})
    assert in_order([unknown, late, early]) == [early, late, unknown]


INTERVAL = st.tuples(st.integers(-50, 150), st.integers(0, 60)).map(
    lambda t: (float(t[0]), float(t[0] + t[1]))
)


@given(st.lists(INTERVAL, max_size=12))
def test_a_total_counts_every_millisecond_once(intervals: list[tuple[float, float]]) -> None:
    covered = {ms for a, b in intervals for ms in range(int(a), int(b)) if 0 <= ms < 100}
    assert total_ms(intervals, (0.0, 100.0)) == len(covered)
