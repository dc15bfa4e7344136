"""Whether a robot shows that one of its sensors fell silent, and whether it comes back.

What counts as showing it: its heartbeat stands still, a value that was there becomes "not available", or one
of its frames stops. What does not count: values that change, since a standing robot has no reason to move.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emulator.inspection.rehearsal.findings import Finding
from emulator.inspection.rehearsal.heard import ExpectedFrame, Heard, values_of
from emulator.inspection.rehearsal.listening import in_hex
from emulator.wire.can_frames import Codec

_STOPPED_PERIODS, _STOPPED_ns = 5.0, 50_000_000
"""A frame that is missing for longer than both has stopped."""


@dataclass(frozen=True)
class Silence:
    """One output that was left out.

    before  what was heard until then; meanwhile: while it was left out; after: once it came again
    asked   the rig says the robot has to show it
    whole   the bench kept its timing, but for what was left out
    """

    output: str
    before: Heard
    meanwhile: Heard
    after: Heard
    asked: bool
    whole: bool


@dataclass(frozen=True)
class Reaction:
    """What a robot did about a silence; delay_ms from its beginning, None where it showed nothing."""

    output: str
    shown: str
    delay_ms: float | None
    recovered: bool
    recovered_ms: float | None


def reaction_of(silence: Silence, expected: tuple[ExpectedFrame, ...], codec: Codec) -> Reaction:
    """What the robot showed, the earliest sign first, and when it was whole again."""
    signs = sorted((at_ns, words) for frame in expected for at_ns, words in _signs(silence, frame, codec))
    begin_ns = silence.meanwhile.begin_ns
    back_ns = [_back(silence, frame, codec) for frame in expected]
    recovered = all(b is not None for b in back_ns)
    latest = max((b for b in back_ns if b is not None), default=None)
    return Reaction(
        silence.output,
        signs[0][1] if signs else "",
        (signs[0][0] - begin_ns) * 1e-6 if signs else None,
        recovered,
        (latest - silence.after.begin_ns) * 1e-6 if recovered and latest is not None else None,
    )


def judge_silence(silence: Silence, expected: tuple[ExpectedFrame, ...], codec: Codec) -> list[Finding]:
    """What is proven by it."""
    reaction = reaction_of(silence, expected, codec)
    name, seconds = silence.output, silence.meanwhile.seconds
    if not silence.whole:
        longest_ms = max(h.longest_deaf_ns for h in (silence.before, silence.meanwhile, silence.after)) * 1e-6
        return [
            Finding(
                kind="stall",
                about=name,
                whose="bench",
                what="the bench did not keep its own timing: all outputs paused, not only this one",
                measured=f"it did not come round for {longest_ms:.0f} ms, at each of its tries",
                expected="no hole beyond timing.hole_ms of the rig",
                look="this machine: `emulator host`",
            )
        ]
    found = []
    if silence.asked and reaction.delay_ms is None and not _beat_before(silence, expected, codec):
        found.append(
            Finding(
                kind="unread",
                about=name,
                whose="nobody knows",
                what="whether the robot notices could not be seen: no sound, beating heartbeat came before",
                measured=f"{name} left out for {seconds:.2f} s",
                expected="a heartbeat that counts",
                look="what is found of the frame with the heartbeat",
            )
        )
    elif silence.asked and reaction.delay_ms is None:
        found.append(
            Finding(
                kind="silence",
                about=name,
                whose="robot",
                what="the robot did not show that it notices",
                measured=f"{name} left out for {seconds:.2f} s: the heartbeat went on, no frame stopped, no "
                "value became not available",
                expected="rehearsal.notices of the rig names it",
                look="what the robot does when this sensor's frames stay away",
                samples=_last_samples(silence.meanwhile, expected, codec),
            )
        )
    if not reaction.recovered:
        gone = [frame.name for frame in expected if _back(silence, frame, codec) is None]
        found.append(
            Finding(
                kind="recovery",
                about=name,
                whose="robot",
                what=f"the robot did not come back after {name} did",
                measured=f"{silence.after.seconds:.2f} s after it came again, not as before: "
                f"{', '.join(gone)}; meanwhile: {reaction.shown or 'nothing shown'}",
                expected="all frames again, the heartbeat counting (rehearsal.answer_s of the rig)",
                look="whether the robot has to be started anew after such a gap",
                samples=_last_samples(silence.before, expected, codec),
            )
        )
    return found


def _beat_before(silence: Silence, expected: tuple[ExpectedFrame, ...], codec: Codec) -> bool:
    for frame in expected:
        if "heartbeat" in codec.signals[frame.f]:
            was = values_of(codec, frame.f, silence.before.frames[frame.name].payloads)
            beats = was[:, codec.signal(frame.name, "heartbeat")]
            return beats.size > 1 and bool((np.diff(beats) != 0.0).any())
    return False


def _signs(silence: Silence, frame: ExpectedFrame, codec: Codec) -> list[tuple[int, str]]:
    """(when, what) this frame shows of the silence."""
    heard, before = silence.meanwhile, silence.before.frames[frame.name]
    arrivals = heard.frames[frame.name]
    if before.count == 0:
        return []
    found = []
    last_ns = int(arrivals.at_ns[-1]) if arrivals.count else heard.begin_ns
    silent_ns = heard.end_ns - last_ns - heard.deaf_ns(last_ns, heard.end_ns)
    if silent_ns > max(_STOPPED_PERIODS * frame.period_ms * 1e6, _STOPPED_ns):
        found.append((last_ns, f"{frame.name} stopped"))
    was, now = (values_of(codec, frame.f, a.payloads) for a in (before, arrivals))
    if not was.shape[0] or not now.shape[0]:
        return found
    for k, signal in enumerate(codec.signals[frame.f]):
        if signal == "heartbeat":
            if (at := _stood_from(now[:, k], was[:, k])) is not None and now.shape[0] == arrivals.count:
                still_ns = heard.end_ns - int(arrivals.at_ns[at])
                if still_ns > max(_STOPPED_PERIODS * frame.period_ms * 1e6, _STOPPED_ns):
                    found.append((int(arrivals.at_ns[at]), "the heartbeat stood still"))
        elif not np.isnan(was[-1, k]) and np.isnan(now[-1, k]):
            first = int(np.flatnonzero(np.isnan(now[:, k]))[0])
            found.append((int(arrivals.at_ns[first]), f"{signal} not available"))
    return found


def _stood_from(now: NDArray[np.float64], was: NDArray[np.float64]) -> int | None:
    """First of the frames at the end that all have one value; None if the value stood before, too."""
    if was.size > 1 and (was == was[-1]).all():
        return None
    changed = np.flatnonzero(np.diff(now) != 0.0)
    first = int(changed[-1]) + 1 if changed.size else 0
    return first if now.size - first > 2 else None


def _back(silence: Silence, frame: ExpectedFrame, codec: Codec) -> int | None:
    """When a frame was as before again [ns]; None if it was not by the end."""
    after = silence.after
    if silence.before.frames[frame.name].count == 0:
        return after.begin_ns
    arrivals = after.frames[frame.name]
    if not arrivals.count:
        return None
    silent_ns = after.end_ns - int(arrivals.at_ns[-1])
    silent_ns -= after.deaf_ns(int(arrivals.at_ns[-1]), after.end_ns)
    if silent_ns > max(_STOPPED_PERIODS * frame.period_ms * 1e6, _STOPPED_ns):
        return None
    was = values_of(codec, frame.f, silence.before.frames[frame.name].payloads)
    now = values_of(codec, frame.f, arrivals.payloads)
    if not now.shape[0]:
        return None if was.shape[0] else int(arrivals.at_ns[0])
    back = int(arrivals.at_ns[0])
    for k, signal in enumerate(codec.signals[frame.f]):
        if signal == "heartbeat":
            beat = was.shape[0] > 1 and (np.diff(was[:, k]) != 0.0).any()
            if beat and _stood_from(now[:, k], was[:, k]) is not None:
                return None
            changed = np.flatnonzero(np.diff(now[:, k]) != 0.0)
            if beat and changed.size:
                back = max(back, int(arrivals.at_ns[min(int(changed[0]) + 1, arrivals.count - 1)]))
        elif was.shape[0] and not np.isnan(was[-1, k]) and np.isnan(now[-1, k]):
            return None
    return back


def _last_samples(heard: Heard, expected: tuple[ExpectedFrame, ...], codec: Codec) -> tuple[str, ...]:
    return tuple(
        in_hex(int(codec.table.can_id[e.f]), heard.frames[e.name].payloads[-1])
        for e in expected
        if heard.frames[e.name].count and "heartbeat" in codec.signals[e.f]
    )
