"""Whose it was: from what was measured of bench, bus, robot and operator to who began what went wrong.

A fail sends people looking for a fault in the robot, so it has to be proven by evidence that excludes the
bench. What nobody can tell counts against the bench. What a person did is neither.

The robot's frames missing is the hard case: the robot, its process on this host, the bus, or the loop may
have stood still. Each process of ours tells its own stalls; the bus server tells how long it held a frame;
the kernel tells how long processes waited for a core. A silence is the robot's if it would have been too long
even without everything of that: the bench's own standing still is taken off it.

What a kind of link has to offer as evidence that it was not the bench; without it the silence is the bench's,
on a serial adapter nobody's:

    loopback          stalls of server and loop; how long processes of this host waited for a core
    socketcan         stalls of the loop; the controller's state and errors, since our frames are acknowledged
    vcan              stalls of the loop; how long processes of this host waited for a core
    serial adapter    frames of others heard meanwhile, or the robot's own, spoilt
    GNSS port         a pseudo terminal and TCP tell when nobody reads: frames lost, with their time

Events of the scenario that disturb the bus are neither the robot's nor the bench's: a silence that would not
have been too long without them is the scenario's own. The ride failed under it, and nobody else is to blame.

A second sender of the robot's frames can't make a silence, but everything else: the bike rides what it sends.
The virtual bus knows its participants. On the other links only the alive counters tell: those of two senders
run against each other. Where they do, what the commands brought about is nobody's.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple, TypeAlias

from emulator.core.signals import in_the_ride
from emulator.core.trip_reasons import TripReason, trip_reason_of

Whose: TypeAlias = Literal["robot", "bench", "operator", "scenario", "unknown"]


@dataclass(frozen=True)
class Cause:
    """Something that went wrong or was done.

    whose    robot | bench | operator | scenario | unknown
    text     a sentence
    at_s     [s]  scenario time at which it began; None if that is not known
    follows  whether it is a consequence of what is told before it
    broke    whether the run broke down by it and says nothing
    """

    whose: Whose
    text: str
    at_s: float | None = None
    follows: bool = False
    broke: bool = False


class _LinkEvidence(NamedTuple):
    """What a kind of link can tell about a missing frame.

    robot_here  the robot's process may run on this host and wait for the same cores
    alive       that the link works shows without frames of others: it is ours, or the controller tells
    senders     it tells its participants apart
    """

    robot_here: bool
    alive: bool
    senders: bool


_LINKS: dict[str, _LinkEvidence] = {
    # the virtual stage: nothing there can stand still
    "stepped": _LinkEvidence(robot_here=False, alive=True, senders=True),
    "loopback": _LinkEvidence(robot_here=True, alive=True, senders=True),
    "vcan": _LinkEvidence(robot_here=True, alive=True, senders=False),
    "socketcan": _LinkEvidence(robot_here=False, alive=True, senders=False),
    "serial": _LinkEvidence(robot_here=False, alive=False, senders=False),
}
_UNKNOWN_LINK = _LinkEvidence(robot_here=True, alive=False, senders=False)
SUPERVISOR_GONE = "supervisor gone"
"""Why a loop stopped that was left alone (emulator.loop.runner)."""
COMMANDED = "command"
"""Why one stopped that was told to; who told it stands elsewhere."""
_WAITED_SHARE = 0.5
"""A host on which something waited for a core for more than this share of a time was too busy to say whose a
silence on it was. Our own choice, no source: a bench at rest shows a few hundredths."""
_BUSY_ms = 1000.0
"""With so much of a ride on such a host, what a robot missed there may be the host's. Our own choice, too."""
_COUNTED_OUT = 0.1
"""Alive counters left out or repeated, for each frame taken, beyond which they may be those of two senders:
those of two in turns leave out or repeat half a round, fifteen counts, for every frame. Our own choice, no
source: a healthy link has none."""

Interval: TypeAlias = tuple[float, float]
"""Begin and end [ms], scenario time."""


@dataclass(frozen=True)
class BenchEvidence:
    """What is known of the bench.

    link       kind of the rig's bus
    reference  whether the robot is our reference robot: its process is the bench's, too
    stalls     by process (loop, bus, supervisor, recorder, robot): when it stood still
    waited     when the host let something wait for a core, for what share of that time; None: not known
    sharers    identifiers of the robot under which more than one participant sent
    heard      frames of others that were heard (identifiers nobody declared)
    crossed    the robot's frames whose alive counters ran as those of two senders would, by name: how many
               counts were left out or repeated; none where the link tells its participants apart
    gone       processes of ours that had left before the ride was over
    taken      how many of each of the robot's frames were news since the loop began, by name
    """

    link: str = "loopback"
    reference: bool = False
    stalls: Mapping[str, Sequence[Interval]] | None = None
    waited: Sequence[tuple[float, float, float]] | None = None
    sharers: Sequence[str] = ()
    heard: int = 0
    crossed: Mapping[str, int] | None = None
    gone: frozenset[str] = frozenset()
    taken: Mapping[str, int] | None = None


def total_ms(intervals: Iterable[Interval], within: Interval) -> float:
    """How much [ms] of ``within`` the intervals cover together; overlaps count once."""
    covered, reached = 0.0, within[0]
    for begin, end in sorted(intervals):
        first, last = max(begin, reached), min(end, within[1])
        if last > first:
            covered += last - first
            reached = last
    return covered


def whose_silence(silence: Mapping[str, Any], allowed_ms: float, bench: BenchEvidence) -> tuple[Whose, str]:
    """Whose a silence of one of the robot's frames was, and what proves it.

    silence     since_ms, until_ms (scenario time; until: when there was news again, or it was looked for no
                longer), how, bus_fault_ms (as in emulator.assembly.robot_evidence), frame, id
    allowed_ms  how long the rig lets it be silent
    """
    evidence = _LINKS.get(bench.link, _UNKNOWN_LINK)
    stalls = bench.stalls or {}
    if silence.get("id") in bench.sharers or silence.get("frame") in bench.sharers:
        return "unknown", "more than one participant sends it"
    if silence["how"] != "missing":
        return "robot", "the frames came, so loop and bus were there"
    if bench.reference and "robot" in bench.gone:
        return "bench", "the reference robot's process was gone, which is the bench's own"
    window = (float(silence["since_ms"]), float(silence["until_ms"]))
    ours = ["loop", "bus", *(["robot"] if bench.reference else [])]
    stood = {role: total_ms(stalls.get(role, ()), window) for role in ours}
    left_ms = window[1] - window[0] - total_ms((s for role in ours for s in stalls.get(role, ())), window)
    worst = max(stood, key=lambda role: stood[role])
    if left_ms <= allowed_ms and stood[worst] > 0.0:
        return "bench", f"the {_ROLE_WORDS[worst]} stood still for {stood[worst]:.0f} ms of it"
    faulty_ms = float(silence.get("bus_fault_ms", 0.0))
    if faulty_ms > 0.0 and left_ms - faulty_ms <= allowed_ms:
        return "scenario", f"events of the scenario disturbed the bus for {faulty_ms:.0f} ms of it"
    if left_ms <= allowed_ms:
        return "unknown", "it ended too early to tell"
    if evidence.robot_here and not bench.reference:  # whose process tells of its own stalls
        beside = [s for role in ("supervisor", "recorder") for s in stalls.get(role, ())]
        if left_ms - total_ms(beside, window) <= allowed_ms:
            return "unknown", "other processes on this host stood still meanwhile, too"
        if bench.waited is None:
            return "unknown", "whether processes on this host had to wait for a core is not known"
        share = _waited_share(bench.waited, window)
        if share > _WAITED_SHARE:
            return "unknown", f"processes on this host waited for a core for {share:.0%} of that time"
    if not evidence.alive and not bench.heard:
        return "unknown", "nothing else was heard on this adapter, which may have stopped"
    if not any(stood.values()):
        return "robot", "loop and bus kept going"
    return "robot", f"without the bench's own stalls it still was {left_ms:.0f} ms"


_ROLE_WORDS = {
    "loop": "loop",
    "bus": "virtual bus",
    "robot": "reference robot's process",
    "supervisor": "supervisor",
    "recorder": "recorder",
}


def _waited_share(waited: Sequence[tuple[float, float, float]], window: Interval) -> float:
    """The largest share of its time in which something waited, of the intervals that meet the window."""
    met = [(b, e, share) for b, e, share in waited if e > window[0] and b < window[1]]
    length = sum(e - b for b, e, _ in met)
    return sum((e - b) * share for b, e, share in met) / length if length else 0.0


def evidence_of(
    outcome: Mapping[str, Any], robot_frames: Mapping[str, Mapping[str, Any]] | None = None
) -> BenchEvidence:
    """What a run's outcome tells of the bench, and its certificate of the robot's frames.

    robot_frames  as in emulator.assembly.robot_evidence
    outcome  setting     link, reference; see :class:`BenchEvidence`
             processes, left, waited, bus_events  as in emulator.stages.bench.evidence
             strangers   frames by identifiers nobody declared
    Whatever of it is missing was not measured.
    """
    setting, waited = outcome.get("setting") or {}, outcome.get("waited")
    link = str(setting.get("link", ""))
    crossed = {} if _LINKS.get(link, _UNKNOWN_LINK).senders else _crossed(robot_frames or {})
    processes = outcome.get("processes") or {}
    return BenchEvidence(
        link=link,
        reference=bool(setting.get("reference", False)),
        stalls={role: [(s[0], s[1]) for s in p.get("stalls", ())] for role, p in processes.items()},
        waited=None if waited is None else [(w[0], w[1], w[2]) for w in waited],
        sharers=[_frame_of(event) for event in _shared(outcome)],
        heard=sum((outcome.get("strangers") or {}).values()),
        crossed=crossed,
        gone=frozenset(str(p["role"]) for p in outcome.get("left") or ()),
        taken={name: int(frame.get("accepted", 0)) for name, frame in (robot_frames or {}).items()},
    )


def _crossed(frames: Mapping[str, Mapping[str, Any]]) -> dict[str, int]:
    """Frames of which too many counts were left out or repeated."""
    counts = {name: int(heard.get("lost", 0) + heard.get("repeated", 0)) for name, heard in frames.items()}
    return {name: n for name, n in counts.items() if n > _COUNTED_OUT * frames[name].get("accepted", 0)}


def crossed_causes(bench: BenchEvidence) -> list[Cause]:
    """That the robot's frames may have had a second sender, on a link that does not tell."""
    return [
        Cause(
            "unknown",
            f"{n:,} alive counts of frame '{name}' were left out or repeated: it may have a second sender",
        )
        for name, n in (bench.crossed or {}).items()
    ]


def host_causes(bench: BenchEvidence, hole_ms: float) -> list[Cause]:
    """That a robot on this host may not have been let: it missed what it could have met elsewhere.

    hole_ms  what the rig allows an output to be silent beyond its period; the reference robot's process, too
    """
    if bench.reference:
        return _held_up(bench, hole_ms)
    if not _LINKS.get(bench.link, _UNKNOWN_LINK).robot_here:
        return []
    busy = [(b, e) for b, e, share in bench.waited or () if b >= 0.0 and share > _WAITED_SHARE]
    waited_ms = sum(e - b for b, e in busy)
    if waited_ms <= _BUSY_ms:
        return []
    text = f"processes on this host had to wait for a core for {waited_ms * 1e-3:.1f} s of the ride"
    return [Cause("unknown", text, busy[0][0] * 1e-3)]


def _held_up(bench: BenchEvidence, hole_ms: float) -> list[Cause]:
    """That the reference robot's process stood still for longer than ``hole_ms`` during the ride."""
    stalls = (bench.stalls or {}).get("robot", ())
    late = [(begin, end) for begin, end in stalls if begin >= 0.0 and end - begin > hole_ms]
    if not late:
        return []
    longest = max(end - begin for begin, end in late)
    times = "once" if len(late) == 1 else f"{len(late)} times"
    still = f"the {_ROLE_WORDS['robot']} stood still {times}, for up to {longest:.0f} ms"
    return [Cause("bench", f"{still} (allowed {hole_ms:g} ms)", late[0][0] * 1e-3)]


def rig_problem(problem: object) -> Cause:
    """What the rig reported about itself: a sentence, or one with its time."""
    if isinstance(problem, Mapping):
        return Cause("bench", str(problem.get("text")), problem.get("at_s"))
    return Cause("bench", str(problem))


def seen_causes(outcome: Mapping[str, Any]) -> list[Cause]:
    """What the supervisor saw: processes of ours that left before the ride was over, frames sent by two."""
    causes = []
    for gone in outcome.get("left") or ():
        how = f"ended by {gone['signal']}" if gone.get("signal") else f"exit status {gone.get('exit')}"
        causes.append(
            Cause(
                "bench", f"the {_ROLE_WORDS[gone['role']]} was gone ({how})", _riding(outcome, gone["time_s"])
            )
        )
    for event in _shared(outcome):
        who = " and ".join(event.get("participants") or ())
        text = f"frame '{_frame_of(event)}' has more than one sender: {who}"
        causes.append(Cause("unknown", text, _riding(outcome, event["time_s"])))
    return causes


def seen_before_stop(outcome: Mapping[str, Any]) -> list[Cause]:
    """Processes of ours that had left when a person asked for a stop, whether a ride had begun or not."""
    stop = outcome.get("stop") or {}
    left = [gone for gone in outcome.get("left") or () if gone["time_s"] < stop.get("time_s", -math.inf)]
    return seen_causes({**outcome, "left": left, "bus_events": ()})


def _riding(outcome: Mapping[str, Any], time_s: float) -> float | None:
    """The time if it is scenario time: of a run that was never armed nobody knows where that begins."""
    return time_s if outcome.get("time_base", "scenario") == "scenario" else None


def _shared(outcome: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    return [event for event in outcome.get("bus_events") or () if event["kind"] == "two_senders"]


def _frame_of(event: Mapping[str, Any]) -> str:
    return str(event.get("frame") or f"0x{event.get('identifier')}")


def stop_cause(outcome: Mapping[str, Any], when: str) -> Cause:
    """Whose it was that the ride was stopped; ``when`` in words."""
    tick, by = outcome.get("end_tick"), str((outcome.get("stop") or {}).get("cause") or "")
    by = by or str(outcome.get("stopped_by") or "")
    at_s = tick * 1e-3 if isinstance(tick, int) and tick >= 0 else None
    if by == SUPERVISOR_GONE:
        return Cause("bench", f"the supervisor was gone{when}, and the loop ended the ride", at_s)
    named = "" if by in ("", COMMANDED) else f" ({by})"
    return Cause("operator", f"stopped by hand{named}{when or ' before the ride'}", at_s)


def software_cause(failure: Mapping[str, Any]) -> Cause:
    """That the robot's own software, stepped in the virtual stage, raised, hung, left or made no sense."""
    tick, text = failure.get("tick"), str(failure.get("text") or "it failed")
    if not isinstance(tick, int):
        return Cause("robot", f"the robot's software failed before the ride: {text}")
    at_s = tick * 1e-3 if tick >= 0 else None
    return Cause("robot", f"the robot's software failed {in_the_ride(tick)}: {text}", at_s)


def trip_cause(outcome: Mapping[str, Any], bench: BenchEvidence, when: str) -> Cause:
    """Whose the trip was that ended a run, from its reason and what is known besides; ``when`` in words.

    outcome  trip_code, trip_reason, trip_tick, trip_evidence as in emulator.verdict.judge
    """
    reason, trip = str(outcome.get("trip_reason") or "no reason given"), trip_reason_of(outcome)
    tick = outcome.get("trip_tick")
    at_s = tick * 1e-3 if isinstance(tick, int) and tick >= 0 else None
    known = outcome.get("trip_evidence") or {}
    whose: Whose = "unknown"
    why = ""
    if trip in (TripReason.ESTOP, TripReason.GUARD):
        by_hand = known.get("said_no", False)
        whose = "operator" if by_hand else "bench"
        why = "" if by_hand else "the input did not say so: it stayed away or had no value"
    elif trip in (TripReason.HEARTBEAT, TripReason.COMMAND) or (
        trip is TripReason.ARMING and known.get("silences")  # nothing but the robot's heartbeat was missing
    ):
        whose, why, began_s = _whose_silences(known.get("silences") or (), bench)
        at_s = at_s if began_s is None else began_s
    elif trip is not None and trip.whose == "robot" and bench.sharers:
        why = f"more than one participant sends {', '.join(bench.sharers)}"
    elif trip is not None and trip.whose == "robot" and bench.crossed:
        why = f"there may be a second sender of {', '.join(bench.crossed)}"
    elif trip is not None and trip.whose != "nobody":
        whose = trip.whose
    on = " on the robot" if whose == "robot" else ""
    return Cause(whose, f"the rig tripped{on}{when}: {reason}{f' ({why})' if why else ''}", at_s)


def _whose_silences(
    silences: Sequence[Mapping[str, Any]], bench: BenchEvidence
) -> tuple[Whose, str, float | None]:
    """Whose, what proves it, and when it began [s]; of several silences the one that proves most decides."""
    judged: list[tuple[Whose, str, float]] = []
    for s in silences:
        if s.get("since_tick") is None and s.get("how"):
            judged.append((*_whose_never_heard(s, bench), -math.inf))
        elif s.get("since_tick") is not None:
            begin = float(s["since_tick"])
            silence = {**s, "since_ms": begin, "until_ms": float(s.get("until_tick", begin + s["silent_ms"]))}
            judged.append((*whose_silence(silence, float(s["allowed_ms"]), bench), begin * 1e-3))
    if not judged:
        return "unknown", "what had come of its frames was not recorded", None
    order = ("robot", "bench", "operator", "scenario", "unknown")
    whose, why, began_s = min(judged, key=lambda j: order.index(j[0]))
    return whose, why, began_s if began_s >= 0.0 else None


def _whose_never_heard(silence: Mapping[str, Any], bench: BenchEvidence) -> tuple[Whose, str]:
    """Whose it was that one of the robot's frames never told anything new, and what proves it.

    A stall of ours ends. A frame that is no news from the loop's beginning on, while others of the same
    robot are, was not held up by one.
    """
    if silence.get("id") in bench.sharers or silence.get("frame") in bench.sharers:
        return "unknown", "more than one participant sends it"
    if silence["how"] != "missing":
        return "robot", "the frames came, so loop and bus were there"
    others = [name for name, n in (bench.taken or {}).items() if n and name != silence.get("frame")]
    others = [name for name in others if name != "bench_inputs"]  # which another device sends
    if not others:
        return "unknown", "nothing of the robot's was heard"
    return "robot", f"its frames {', '.join(others)} came, this one never did"


def in_order(causes: Iterable[Cause]) -> list[Cause]:
    """Causes by the time they began; those without one, which may have been there all along, behind them."""
    return sorted(causes, key=lambda c: (c.at_s is None, c.at_s or 0.0))
