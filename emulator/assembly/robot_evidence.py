"""What is known of the robot's frames when it comes to whose a trip was: heard, missing, spoilt, strange."""

from __future__ import annotations

from typing import Any

from emulator.config.rig.limits import Limits
from emulator.core.frame_buffer import identifier_digits
from emulator.core.signals import RUNNING, UNARMED_TICK
from emulator.core.trip_reasons import TripReason
from emulator.plant.commands import (
    ACCEPTED,
    BUS_FAULTY,
    CAME_AGAIN,
    CAME_DAMAGED,
    CAME_EMPTY,
    CAME_LAST,
    CAME_UNCHANGED,
    DAMAGED,
    HEARD,
    LONGEST,
    LONGEST_END,
    LOST,
    REPEATED,
    WATCH_DRIVE,
    WATCH_HEARTBEAT,
    WATCH_STEERING,
    WATCHES,
)
from emulator.plant.states import ESTOP, GUARD, HEARTBEAT
from emulator.plant.step import Plant
from emulator.wire.can_frames import Codec

HOW = {
    CAME_DAMAGED: "damaged",
    CAME_AGAIN: "frozen",
    CAME_EMPTY: "not available",
    CAME_UNCHANGED: "unchanged",
}
"""How frames came that told nothing new; without any the frame is 'missing'."""
_WORDS = {
    "missing": "no '{frame}' ({id}) for {ms:.0f} ms",
    "damaged": "'{frame}' ({id}) came damaged for {ms:.0f} ms ({n} frames: length, check or data id wrong)",
    "frozen": "'{frame}' ({id}) came with the same alive counter for {ms:.0f} ms ({n} frames)",
    "not available": "'{frame}' ({id}) said 'not available' for {ms:.0f} ms ({n} frames)",
    "unchanged": "'{frame}' ({id}) came with the same heartbeat for {ms:.0f} ms ({n} frames)",
}


def trip_evidence(plant: Plant, codec: Codec, reason: int) -> dict[str, Any]:
    """What the plant knows, in the tick it trips, of what that reason asks for; plain values.

    silences  of the watches that ran out, each: watch, frame, id, how ('missing', 'damaged', 'frozen', 'not
              available', 'unchanged'), frames that came in that time, since_tick (scenario tick of the last
              news; None: never), silent_ms, allowed_ms, bus_fault_ms (how long events of the scenario
              disturbed the bus meanwhile); and, filled in at the end of the run by :func:`seen_to_the_end`,
              until_tick: when there was news again, or the run was over
              Of the arming timeout, where nothing but the heartbeat was missing
    said_no   the input that tripped said no; False: it stayed away or had no value. Of the bench's inputs
    """
    run, rig = plant.run[0], plant.rig[0]
    if reason in (TripReason.ESTOP, TripReason.GUARD):
        which = ESTOP if reason == TripReason.ESTOP else GUARD
        return {"said_no": bool(plant.robot.inputs[which] == 0.0)}
    alone = run["trip_missing"] == 1 << HEARTBEAT
    if reason == TripReason.HEARTBEAT or (reason == TripReason.ARMING and alone):
        due = [(WATCH_HEARTBEAT, int(run["heartbeat_tick"]))]
    elif reason == TripReason.COMMAND:
        last = [(WATCH_STEERING, int(run["steering_tick"])), (WATCH_DRIVE, int(run["drive_tick"]))]
        # in the tick of the trip run.tick is one ahead already
        due = [pair for pair in last if run["tick"] - 1 - pair[1] > rig["command_ticks"]]
    else:
        return {}
    return {"silences": [_silence(plant, codec, *pair) for pair in due]}


def _silence(plant: Plant, codec: Codec, watch: int, last: int) -> dict[str, Any]:
    run, rig, r = plant.run[0], plant.rig[0], plant.robot
    frame = next(
        ((f, codec.label(name)) for f, name in enumerate(codec.frames) if r.carries[f, watch]),
        (-1, WATCHES[watch]),
    )
    came = r.since[watch, :CAME_LAST]
    now, shift = int(run["tick"]) - 1, int(run["tick"]) - 1 - int(run["scenario_tick"])
    # a stray one at the beginning does not make a frame that stays away a damaged one
    coming = came.any() and now - int(r.since[watch, CAME_LAST]) <= (now - last) / 2
    return {
        "watch": WATCHES[watch],
        "frame": frame[1],
        "id": f"0x{identifier_digits(int(codec.table.can_id[frame[0]]))}" if frame[0] >= 0 else "",
        "how": HOW[int(came.argmax())] if coming else "missing",
        "frames": int(came.sum()),
        "since_tick": None if last < 0 else last - shift,
        "silent_ms": float(now - last),
        "bus_fault_ms": float(r.since[watch, BUS_FAULTY]),
        "allowed_ms": float(rig["heartbeat_ticks" if watch == WATCH_HEARTBEAT else "command_ticks"]),
    }


def seen_to_the_end(plant: Plant, evidence: dict[str, Any]) -> dict[str, Any]:
    """The evidence of a trip with how long each silence went on after it.

    A frame that was held up by a stall of ours comes as soon as that is over; a robot that has stopped stays
    away. What tells them apart comes after the trip, while the signals go to rest.
    """
    run, r = plant.run[0], plant.robot
    now, shift = int(run["tick"]) - 1, int(run["tick"]) - 1 - int(run["scenario_tick"])
    silences = []
    for silence in evidence.get("silences", ()):
        renewed = int(r.renewed[WATCHES.index(silence["watch"])])
        silences.append({**silence, "until_tick": (now if renewed < 0 else renewed) - shift})
    return {**evidence, "silences": silences} if silences else evidence


def silences_in_words(evidence: dict[str, Any]) -> str:
    """Frame, kind and time of each silence, as a sentence goes on; empty for none."""
    return "; ".join(
        _WORDS[s["how"]].format(frame=s["frame"], id=s["id"], ms=s["silent_ms"], n=s["frames"])
        for s in evidence.get("silences", ())
    )


def frames_heard(plant: Plant, codec: Codec, limits: Limits) -> dict[str, dict[str, Any]]:
    """What came of each frame of the robot and of the bench's inputs, by its label.

    accepted, lost (by the alive counter), repeated, damaged; and while the ride ran the longest silence:
    silence_ms_max, silence_end_s (scenario time), silence_ms_allowed (None: nothing trips on it)
    """
    run, r = plant.run[0], plant.robot
    started = int(run["start_tick"])
    # a silence that has not ended lasts until the ride's end: from then on nobody asks for commands
    end = int(run["tick"]) if run["state"] == RUNNING else int(run["ramp_start"])
    heard = {}
    for f, name in enumerate(codec.frames):
        if not r.is_robot[f]:
            continue
        longest, longest_end = int(r.silences[f, LONGEST]), int(r.silences[f, LONGEST_END])
        ran = started > 0 and run["scenario_tick"] > UNARMED_TICK and end > started
        if ran and (open_since := end - max(int(r.silences[f, HEARD]), started)) > longest:
            longest, longest_end = open_since, end
        allowed = [
            ms
            for watch, ms in (
                (WATCH_HEARTBEAT, limits.heartbeat_timeout_ms),
                (WATCH_STEERING, limits.command_timeout_ms),
                (WATCH_DRIVE, limits.command_timeout_ms),
            )
            if r.carries[f, watch]
        ]
        heard[codec.label(name)] = {
            "accepted": int(r.counts[f, ACCEPTED]),
            "lost": int(r.counts[f, LOST]),
            "repeated": int(r.counts[f, REPEATED]),
            "damaged": int(r.counts[f, DAMAGED]),
            "silence_ms_max": float(longest) if ran else None,
            "silence_end_s": round((longest_end - started) * 1e-3, 3) if ran else None,
            "silence_ms_allowed": min(allowed) if allowed else None,
        }
    return heard


def strangers_heard(plant: Plant) -> dict[str, int]:
    """Frames under identifiers that no DBC has, by identifier in hex; '': those beyond the first few."""
    r = plant.robot
    told = {
        f"0x{identifier_digits(int(can_id))}": int(n)
        for can_id, n in zip(r.stranger_ids, r.strangers[:-1], strict=True)
        if n
    }
    return told | ({"": int(r.strangers[-1])} if r.strangers[-1] else {})
