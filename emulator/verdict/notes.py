"""What was seen of a run and decided nothing: strangers on the bus, spoilt frames, processes standing still.

A run that counts may still have had company. None of it is a reason for the verdict, all of it is told.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from emulator.record.reader import Run

_STOOD_STILL_ms = 500.0
"""A process beside the loop that stands still for so long is worth a word; our own choice, no source."""


def notes_of(run: Run, certificate: Mapping[str, Any], outcome: Mapping[str, Any]) -> list[str]:
    """Sentences, none if there is nothing to tell.

    certificate  outputs as in emulator.loop.certificate, robot_frames as in emulator.assembly.robot_evidence
    outcome      robot_stopped: why and when [s] the reference robot stopped of its own accord; strangers,
                 processes as in emulator.verdict.attribution.evidence_of
    """
    return [
        *_robot_stopped(outcome.get("robot_stopped")),
        *disturbed_outputs(certificate.get("outputs") or {}),
        *_spoilt(certificate.get("robot_frames") or {}),
        *_strangers(outcome.get("strangers") or {}),
        *_still(outcome.get("processes") or {}, riding=outcome.get("time_base", "scenario") == "scenario"),
        *_company(outcome.get("bus_events") or ()),
        *_beyond(run),
    ]


def _robot_stopped(stopped: Sequence[Any] | None) -> list[str]:
    if not stopped:
        return []
    why, at_s = stopped
    return [f"the reference robot stopped of its own accord after {at_s:.2f} s: {why}"]


def disturbed_outputs(outputs: Mapping[str, Any]) -> list[str]:
    """What the scenario's own load of the bus did to the outputs' ages, which nothing was judged by."""
    told = []
    for name, output in outputs.items():
        if not isinstance(output, Mapping):
            continue
        ages, never = output.get("disturbed"), (output.get("left_out") or {}).get("never_arrived", 0)
        if ages and ages.get("late"):
            told.append(
                f"{name} {ages['late']:,} of {output['sent']:,} late, up to {ages['age_ms_max']:.1f} ms old "
                f"(promised {output['latency_ms']:g})" + (f", {never:,} never" if never else "")
            )
    return [f"frames that the scenario put on the bus held outputs up: {'; '.join(told)}"] if told else []


def _spoilt(frames: Mapping[str, Any]) -> list[str]:
    told = []
    for name, heard in frames.items():
        counts = [
            f"{heard[key]:,} {words}"
            for key, words in (
                ("damaged", "damaged (length, check or data id wrong)"),
                ("repeated", "with the alive counter of the one before"),
                ("lost", "left out by the alive counter"),
            )
            if heard.get(key)
        ]
        if counts:
            told.append(
                f"of the robot's frame '{name}' {', '.join(counts)}; {heard['accepted']:,} were taken"
            )
    return told


def _strangers(frames: Mapping[str, int]) -> list[str]:
    if not frames:
        return []
    named = ", ".join(f"{can_id} ({n:,})" for can_id, n in frames.items() if can_id)
    others = f" and others ({frames['']:,})" if frames.get("") else ""
    return [f"frames on the bus that no DBC of this rig knows: {named}{others}"]


def _still(processes: Mapping[str, Any], *, riding: bool) -> list[str]:
    """Who stood still, in the ride where there was one: what starting takes is no news."""
    told = []
    for role in ("supervisor", "recorder", "robot"):
        stalls = (processes.get(role) or {}).get("stalls") or ()
        longest = max(
            (end - max(begin, 0.0) if riding else end - begin for begin, end in stalls), default=0.0
        )
        if longest >= _STOOD_STILL_ms:
            told.append(f"the {role}'s process stood still for up to {longest:.0f} ms")
    return told


_COMPANY = {
    "cut_off": "did not read from the virtual bus and was cut off",
    "babbles": "sent more on the virtual bus than any bus could carry and was made to wait",
    "full": "found no room on the virtual bus: the system gave no more descriptors",
}
"""What participants of the virtual bus did, by the kinds of emulator.stages.bench.evidence."""


def _company(events: Sequence[Mapping[str, Any]]) -> list[str]:
    times: Counter[str] = Counter()
    for event in events:
        if did := _COMPANY.get(event["kind"]):
            who = " and ".join(event.get("participants") or ()) or "somebody"
            times[f"{who} {did}"] += 1
    return [f"{text} ({n} times)" if n > 1 else text for text, n in times.items()]


def _beyond(run: Run) -> list[str]:
    times = Counter(event.text for event in run.events if event.kind == "monitor")
    return [f"{text} ({n} times)" if n > 1 else text for text, n in times.items()]
