"""How a ride on the bench ended: as its loop says, or, where that can say nothing, as it was seen."""

from __future__ import annotations

from typing import Any

from emulator.plant.states import END_NAMES, END_STOPPED, END_TRIPPED
from emulator.shared_memory.stalls import Role
from emulator.stages.bench.evidence import RideTime
from emulator.stages.bench.watch import Bench, RideWatch


def how_it_ended(bench: Bench, watch: RideWatch) -> tuple[dict[str, Any], list[str]]:
    """How the ride ended as the loop says, or, if it could not say so, as it was seen; the end of its log."""
    loop_child = bench.children["loop"]
    if "outcome" in loop_child.messages:
        return dict(loop_child.messages["outcome"]), []
    if "error" in loop_child.messages:
        loop_child.raise_its_error()
    nothing: dict[str, Any] = {"trip_reason": "", "trip_tick": None, "rig_problems": []}
    if bench.stop.at_once and not watch.stood_still and (seen := _seen_at_once(bench, watch)):
        return {**nothing, **seen}, []
    if watch.stood_still:
        reason = f"the loop stood still for {watch.stood_still['for_s']:.1f} s and was ended by force"
        return {**nothing, "ended": "crashed", "trip_reason": reason}, loop_child.tail()
    watch.left["loop"] = loop_child
    reason = f"the loop process broke (exit {loop_child.returncode})"
    return {**nothing, "ended": "crashed", "trip_reason": reason}, loop_child.tail()


def _seen_at_once(bench: Bench, watch: RideWatch) -> dict[str, Any]:
    """How a ride had ended whose loop was ended at once: by what came before the person's first word.

    Empty if that was the end of the loop itself. ``watch`` takes note of a loop that stood still.
    """
    if bench.children["loop"].left_before(bench.stop):
        return {}
    hand_ns = bench.stop.hand_ns
    ride_time, stalls = RideTime(bench.snapshot.status, hand_ns), bench.snapshot.stalls(Role.LOOP)
    still_s = 0.0 if stalls.ended or not stalls.last_ns else (hand_ns - stalls.last_ns) * 1e-9
    if still_s * 1e3 > bench.session.rig.limits.overrun_limit_ms:
        watch.stood_still = {"for_s": round(still_s, 3), "time_ns": hand_ns}
        return {}
    hand_tick = int(ride_time.ms(hand_ns)) if ride_time.base == "scenario" else None
    trip = watch.trip
    if trip is not None and (hand_tick is None or trip.tick <= hand_tick):
        code = {"trip_code": trip.index, "trip_reason": trip.text, "trip_tick": trip.tick}
        return {"ended": END_NAMES[END_TRIPPED], **code}
    return {"ended": END_NAMES[END_STOPPED], "end_tick": hand_tick}
