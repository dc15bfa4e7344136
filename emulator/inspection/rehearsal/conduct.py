"""The course of a rehearsal: listen, ask for one posture after another, leave out one sensor after another.

Time and bus are behind :class:`Exchange`, so that all of it runs on a stepped clock, too. Where the bench
missed its own timing a step is done again, three times at most; what then remains is told as the bench's.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np

from emulator.assembly.session import Session
from emulator.config.rig.buses import LoopbackBus
from emulator.config.rig.outputs import GNSS_OUTPUT, commands_in
from emulator.inspection.rehearsal.findings import Finding, Result, result_of
from emulator.inspection.rehearsal.heard import Heard, expected_frames, values_of
from emulator.inspection.rehearsal.listening import (
    FrameFigures,
    figures_of,
    in_hex,
    judge_listening,
    listening_seconds,
)
from emulator.inspection.rehearsal.prompts import (
    REST,
    Posture,
    Prompt,
    Reading,
    as_asked,
    judge_prompts,
    prompts_of,
)
from emulator.inspection.rehearsal.silence import Reaction, Silence, judge_silence, reaction_of
from emulator.wire.can_frames import Codec

_TRIES = 3
_READ_BY_HAND_s = 0.3
"""What is read lies so long before Enter: the posture is held while it is pressed."""
_LOOK_s = 0.1
_READ_SHARE = 0.4
"""Last part of the time to answer in that is read."""

Ask = Callable[[str], bool]
"""Shows a person what to do; True once it is done, False if it is left out."""
Say = Callable[[str], None]


class Exchange(Protocol):
    """The bench at standstill: its outputs go on until it is closed."""

    def now_ns(self) -> int:
        """Time of arrivals."""
        ...

    def wait(self, seconds: float) -> None:
        """Let time pass. Raises Stopped if a person asked for it, RunFailed if the bus is gone."""
        ...

    def heard(self, begin_ns: int, end_ns: int) -> Heard:
        """What came in a stretch of time that has passed."""
        ...

    def leave_out(self, output: str) -> None:
        """Stop sending this output; empty: send all of them."""
        ...

    def request(self, prompt: Prompt) -> None:
        """Say so in the request frame from now on."""
        ...


@dataclass(frozen=True)
class Rehearsed:
    """What a rehearsal came to.

    by_hand        a person was asked, not the robot's software
    bench_late_ms  longest time in which the bench did not come round while it listened
    """

    rig: str
    frames: tuple[FrameFigures, ...]
    postures: tuple[Posture, ...]
    reactions: tuple[Reaction, ...]
    findings: tuple[Finding, ...]
    by_hand: bool
    seconds: float
    bench_late_ms: float

    @property
    def result(self) -> Result:
        """Sound, defects, or not judged."""
        return result_of(self.findings)


class _Bench(NamedTuple):
    session: Session
    exchange: Exchange
    say: Say

    @property
    def codec(self) -> Codec:
        return self.session.codec

    def whole(self, *heard: Heard) -> bool:
        """Whether the bench kept its timing: no hole beyond what the rig allows its outputs."""
        hole_ns = self.session.rig.timing.hole_ms * 1e6
        return all(h.longest_deaf_ns <= hole_ns for h in heard)


def conduct(
    session: Session, exchange: Exchange, ask: Ask | None, say: Say = lambda _text: None
) -> Rehearsed:
    """Go through a robot and judge it.

    ask  for a person at the terminal; None: nobody is there, and only a request frame asks
    """
    rig, bench = session.rig, _Bench(session, exchange, say)
    expected = expected_frames(session)
    by_hand = rig.rehearsal.request_frame is None
    begin_ns = exchange.now_ns()
    _await_robot(bench)
    heard = _listen(bench, listening_seconds(expected, rig.rehearsal.listen_s))
    findings = [] if bench.whole(heard) else [_stalled(heard, rig.timing.hole_ms)]
    findings += judge_listening(heard, expected, session.codec, one_host=isinstance(rig.bus, LoopbackBus))
    postures: tuple[Posture, ...] = ()
    reactions: list[Reaction] = []
    if any(arrivals.count for arrivals in heard.frames.values()):
        if by_hand and ask is None:
            findings.append(_NOBODY)
        else:
            postures = tuple(
                _posture(bench, prompt, ask if by_hand else None) for prompt in prompts_of(session)
            )
            findings += judge_prompts(postures, _ends(session.codec))
        if not by_hand:
            exchange.request(prompts_of(session)[0])
        for output in (*rig.outputs, GNSS_OUTPUT):
            silence = _silence(bench, output)
            reactions.append(reaction_of(silence, expected, session.codec))
            findings += judge_silence(silence, expected, session.codec)
    return Rehearsed(
        rig=rig.name,
        frames=tuple(figures_of(e, heard, session.codec) for e in expected),
        postures=postures,
        reactions=tuple(reactions),
        findings=tuple(findings),
        by_hand=by_hand,
        seconds=(exchange.now_ns() - begin_ns) * 1e-9,
        bench_late_ms=heard.longest_deaf_ns * 1e-6,
    )


_NOBODY = Finding(
    kind="skipped",
    about="prompts",
    whose="nobody knows",
    what="nobody was there to be asked, and the rig names no request frame",
    measured="no posture was taken: signs, scales, lines and zero are not known",
    expected="a terminal, or rehearsal.request_frame",
    look="run it at a terminal",
)


def _stalled(heard: Heard, hole_ms: float) -> Finding:
    return Finding(
        kind="stall",
        about="bench",
        whose="bench",
        what="the bench did not keep its own timing while it listened",
        measured=f"it did not come round for {heard.longest_deaf_ns * 1e-6:.0f} ms, {_TRIES} times over",
        expected=f"{hole_ms:g} ms at most (timing.hole_ms)",
        look="this machine: `emulator host`",
    )


def _await_robot(bench: _Bench) -> None:
    """Until its first frame, or for as long as a ride would wait for it."""
    exchange, begin_ns = bench.exchange, bench.exchange.now_ns()
    bench.say("waiting for the robot's first frame")
    while (now_ns := exchange.now_ns()) < begin_ns + bench.session.rig.limits.arming_timeout_s * 1e9:
        if any(arrivals.count for arrivals in exchange.heard(begin_ns, now_ns).frames.values()):
            return
        exchange.wait(_LOOK_s)


def _listen(bench: _Bench, seconds: float) -> Heard:
    bench.say(f"listening for {seconds:.1f} s")
    for _ in range(_TRIES):
        begin_ns = bench.exchange.now_ns()
        bench.exchange.wait(seconds)
        heard = bench.exchange.heard(begin_ns, bench.exchange.now_ns())
        if bench.whole(heard):
            break
    return heard


def _posture(bench: _Bench, prompt: Prompt, ask: Ask | None) -> Posture:
    """One posture, asked again where the bench stalled, and by hand once where it is not as asked."""
    if ask is None:
        bench.say(f"requested: {prompt.words}")
        for _ in range(_TRIES):
            posture = _requested(bench, prompt)
            if posture.whole:
                break
        return posture
    posture = _held(bench, prompt, ask, f"{prompt.words}, hold it")
    if not posture.whole or not as_asked(posture):
        assert posture.reading is not None
        read = posture.reading.values.get(prompt.signal, math.nan)
        posture = _held(
            bench, prompt, ask, f"read {read:.4g}{prompt.of_unit}; once more: {prompt.words}, hold it"
        )
    return posture


def _requested(bench: _Bench, prompt: Prompt) -> Posture:
    exchange, answer_s = bench.exchange, bench.session.rig.rehearsal.answer_s
    asked_ns = exchange.now_ns()
    exchange.request(prompt)
    exchange.wait(answer_s)
    end_ns = exchange.now_ns()
    reading = _read(bench, round(end_ns - _READ_SHARE * answer_s * 1e9), end_ns)
    answer = exchange.heard(asked_ns, end_ns)
    delay_ms = None
    if prompt.key != REST and not answer.deaf:
        before = _read(bench, asked_ns - round(0.1 * answer_s * 1e9), asked_ns)
        delay_ms = _delay_ms(bench, prompt, answer, before, reading)
    reading = Reading(reading.values, delay_ms, reading.samples)
    return Posture(prompt, reading, by_hand=False, whole=bench.whole(answer))


def _held(bench: _Bench, prompt: Prompt, ask: Ask, words: str) -> Posture:
    if not ask(words):
        return Posture(prompt, None, by_hand=True)
    end_ns = bench.exchange.now_ns()
    begin_ns = end_ns - round(_READ_BY_HAND_s * 1e9)
    whole = bench.whole(bench.exchange.heard(begin_ns, end_ns))
    return Posture(prompt, _read(bench, begin_ns, end_ns), by_hand=True, whole=whole)


def _read(bench: _Bench, begin_ns: int, end_ns: int) -> Reading:
    """Medians of what was available, and the last frame of each kind."""
    codec, heard = bench.codec, bench.exchange.heard(begin_ns, end_ns)
    values: dict[str, float] = {}
    samples = []
    for name in commands_in(codec.frames):
        f, payloads = codec.frame(name), heard.frames[name].payloads
        table = values_of(codec, f, payloads)
        for k, signal in enumerate(codec.signals[f]):
            if not table.shape[0]:
                continue  # nothing was readable, which is something else than "not available"
            there = table[:, k][~np.isnan(table[:, k])]
            values[signal] = float(np.median(there)) if there.size else math.nan
        if payloads:
            samples.append(in_hex(int(codec.table.can_id[f]), payloads[-1]))
    return Reading(values, None, tuple(samples))


def _delay_ms(bench: _Bench, prompt: Prompt, answer: Heard, before: Reading, after: Reading) -> float | None:
    """From the request to the first arrival beyond half of the way; None where there was no way to go."""
    codec, signal = bench.codec, prompt.signal
    name = next(n for n in commands_in(codec.frames) if signal in codec.signals[codec.frame(n)])
    start, end = (r.values.get(signal, math.nan) for r in (before, after))
    if not abs(end - start) > 0.1 * (abs(prompt.amount) or 1.0):
        return None
    arrivals = answer.frames[name]
    table = values_of(codec, codec.frame(name), arrivals.payloads)
    if table.shape[0] != arrivals.count:
        return None
    gone = (table[:, codec.signal(name, signal)] - start) / (end - start)
    beyond = np.flatnonzero(gone >= 0.5)
    return float(arrivals.at_ns[beyond[0]] - answer.begin_ns) * 1e-6 if beyond.size else None


def _silence(bench: _Bench, output: str) -> Silence:
    exchange, rules = bench.exchange, bench.session.rig.rehearsal
    bench.say(f"leaving out {output} for {rules.silence_s:g} s")
    for _ in range(_TRIES):
        begin_ns = exchange.now_ns()
        exchange.leave_out(output)
        exchange.wait(rules.silence_s)
        back_ns = exchange.now_ns()
        exchange.leave_out("")
        exchange.wait(rules.answer_s)
        before = exchange.heard(begin_ns - round(rules.silence_s * 1e9), begin_ns)
        meanwhile = exchange.heard(begin_ns, back_ns)
        after = exchange.heard(back_ns, exchange.now_ns())
        if whole := bench.whole(before, meanwhile, after):
            break
    return Silence(output, before, meanwhile, after, output in rules.notices, whole)


def _ends(codec: Codec) -> dict[str, tuple[float, float]]:
    """Lowest and highest number each of the robot's signals can carry."""
    table = codec.table
    found = {}
    for name in commands_in(codec.frames):
        f = codec.frame(name)
        for k, signal in enumerate(codec.signals[f]):
            s = int(table.first[f]) + k
            low, high = (
                float(raw * table.factor[s] + table.offset[s])
                for raw in (table.raw_low[s], table.raw_high[s])
            )
            found[signal] = (min(low, high), max(low, high))
    return found
