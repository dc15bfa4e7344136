"""Postures that the robot is asked to take, and what its frames say of them: sign, scale, lines, zero."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from emulator.assembly.session import Session
from emulator.config.rig.outputs import commands_in
from emulator.core.signals import ROBOT_COMMANDS
from emulator.inspection.rehearsal.findings import Finding, Whose

REST = "rest"
ZERO_LIMIT_rad = math.radians(0.2)
"""How far from zero the middle of both steering stops may lie (common practice, no source)."""
_BY_HAND, _ON_REQUEST = 2.0, 1.25
"""Factor that an amount may be off: by hand it is a rough one."""
_SHARE_BY_HAND, _SHARE_ON_REQUEST = 0.3, 0.1  # of what goes from 0 to 1
_STOP = 1.5  # factor that a stop may be off the vehicle's file
_UNMOVED = 0.01  # of the amount: a tenth of what a value ten times too small does
_BRAKE_Pa, _TORQUE_Nm = 5e5, 20.0
_PAIRS = (("front_brake_Pa", "rear_brake_Pa"), ("throttle", "clutch"))
_FACTORS = {
    10.0: "ten times too large",
    0.1: "ten times too small",
    100.0: "a hundred times too large",
    0.01: "a hundred times too small",
    1e3: "a thousand times too large",
    1e-3: "a thousand times too small",
    1e5: "a hundred thousand times too large",
    1e-5: "a hundred thousand times too small: in bar instead of Pa",
    180.0 / math.pi: "in degrees instead of radians",
    math.pi / 180.0: "turned from degrees to radians twice",
}


@dataclass(frozen=True)
class Prompt:
    """One posture, held until it was read.

    words   what a person is asked to do
    signal  what has to follow; none at rest
    amount  it has to have then [unit]
    kind    of amount: size (off by a factor), share (of 1), stop, exact
    """

    key: str
    words: str
    signal: str
    amount: float
    unit: str
    kind: str

    @property
    def of_unit(self) -> str:
        """The unit as it stands behind a number: nothing for a plain one."""
        return "" if self.unit == "1" else f" {self.unit}"

    def band(self, *, by_hand: bool) -> tuple[float, float]:
        """Lowest and highest reading that is as asked."""
        if self.kind == "exact":
            return self.amount - 0.5, self.amount + 0.5
        if self.kind == "share":
            slack = _SHARE_BY_HAND if by_hand else _SHARE_ON_REQUEST
            return self.amount - slack, self.amount + slack
        factor = _STOP if self.kind == "stop" else _BY_HAND if by_hand else _ON_REQUEST
        ends = sorted((self.amount / factor, self.amount * factor))
        return ends[0], ends[1]


@dataclass(frozen=True)
class Reading:
    """What was read while a posture was held.

    values    by signal, the median; NaN: not available; none where no sound frame came
    delay_ms  from the request to half of the way; None: by hand, or not to be told
    samples   frames in hexadecimal
    """

    values: Mapping[str, float]
    delay_ms: float | None = None
    samples: tuple[str, ...] = ()


@dataclass(frozen=True)
class Posture:
    """A prompt and what came of it; ``reading`` None: skipped. ``whole``: the bench kept its timing."""

    prompt: Prompt
    reading: Reading | None
    by_hand: bool
    whole: bool = True


@dataclass(frozen=True)
class _Case:
    """A posture in the light of rest and of the range its signal has."""

    posture: Posture
    value: float
    rest: float
    span: float  # of the signal over all postures: how far it went at all
    others: Mapping[str, tuple[float, float]] = field(default_factory=dict)  # value, at rest
    ends: tuple[float, float] = (-math.inf, math.inf)


def prompts_of(session: Session) -> tuple[Prompt, ...]:
    """What this rig's robot is asked for: at rest first, then each of its controls."""
    rig, codec = session.rig, session.codec
    there = {s for name in commands_in(codec.frames) for s in codec.signals[codec.frame(name)]}
    stop = float(session.nominal.body[0]["steering_stop_angle"])
    a = rig.actuators
    torque = min(_TORQUE_Nm, 0.25 * a.steering.limit_Nm)
    front, rear = (min(_BRAKE_Pa, 0.5e5 * brake.limit_bar) for brake in (a.front_brake, a.rear_brake))
    all_of_them = [
        Prompt(
            "left_stop",
            "turn the fork to its left stop and hold it there",
            "steering_angle_rad",
            stop,
            "rad",
            "stop",
        ),
        Prompt(
            "right_stop",
            "turn the fork to its right stop and hold it there",
            "steering_angle_rad",
            -stop,
            "rad",
            "stop",
        ),
        Prompt(
            "steer_left",
            f"steer to the left with {torque:g} N m",
            "steering_torque_Nm",
            torque,
            "N m",
            "size",
        ),
        Prompt(
            "steer_right",
            f"steer to the right with {torque:g} N m",
            "steering_torque_Nm",
            -torque,
            "N m",
            "size",
        ),
        Prompt("throttle_half", "open the throttle half way", "throttle", 0.5, "1", "share"),
        Prompt("throttle_closed", "close the throttle", "throttle", 0.0, "1", "share"),
        Prompt("clutch_pulled", "pull the clutch lever all the way", "clutch", 1.0, "1", "share"),
        Prompt("clutch_half", "let the clutch lever half way out", "clutch", 0.5, "1", "share"),
        Prompt("clutch_released", "let go of the clutch lever", "clutch", 0.0, "1", "share"),
        Prompt(
            "front_brake",
            f"squeeze the front brake to {front * 1e-5:g} bar",
            "front_brake_Pa",
            front,
            "Pa",
            "size",
        ),
        Prompt(
            "rear_brake", f"press the rear brake to {rear * 1e-5:g} bar", "rear_brake_Pa", rear, "Pa", "size"
        ),
        Prompt("gear_up", "ask for second gear", "gear_request", 2.0, "1", "exact"),
        Prompt("gear_down", "ask for first gear", "gear_request", 1.0, "1", "exact"),
    ]
    asked = [
        p
        for p in all_of_them
        if p.signal in there and not (p.signal == "steering_torque_Nm" and rig.steering == "angle_driven")
    ]
    return (Prompt(REST, "let go of everything, fork about straight ahead", "", 0.0, "", "rest"), *asked)


def as_asked(posture: Posture) -> bool:
    """Whether a reading needs no second look."""
    if posture.reading is None or posture.prompt.key == REST:
        return True
    low, high = posture.prompt.band(by_hand=posture.by_hand)
    return low <= posture.reading.values.get(posture.prompt.signal, math.nan) <= high


def judge_prompts(postures: Sequence[Posture], ends: Mapping[str, tuple[float, float]]) -> list[Finding]:
    """What the readings prove.

    ends  lowest and highest number that each signal can carry
    """
    rest = next((p.reading for p in postures if p.prompt.key == REST), None)
    asked = [p for p in postures if p.prompt.key != REST]
    found = [_skipped(p) for p in postures if p.reading is None]
    read = [p for p in asked if p.reading is not None]
    cases = {p.prompt.key: _case(p, rest, read, ends) for p in read}
    # a robot that follows none of the requests does not know the request frame: nothing is proven by that
    follows = any(_moved(case) for case in cases.values() if not case.posture.by_hand)
    for case in cases.values():
        found += _judge(case, follows=follows)
    found += _zero(cases)
    found += _at_rest(rest, cases)
    return _told_once(found)


def _case(
    posture: Posture, rest: Reading | None, read: Sequence[Posture], ends: Mapping[str, tuple[float, float]]
) -> _Case:
    assert posture.reading is not None
    signal, values = posture.prompt.signal, posture.reading.values
    at_rest = {} if rest is None else rest.values
    went = [p.reading.values.get(signal, math.nan) for p in read if p.reading is not None]
    there = [v for v in (*went, at_rest.get(signal, math.nan)) if not math.isnan(v)]
    partners = [o for pair in _PAIRS if signal in pair for o in pair if o != signal]
    return _Case(
        posture,
        values.get(signal, math.nan),
        at_rest.get(signal, 0.0),
        max(there) - min(there) if there else 0.0,
        {o: (values[o], at_rest.get(o, 0.0)) for o in partners if o in values},
        ends.get(signal, (-math.inf, math.inf)),
    )


def _moved(case: _Case) -> bool:
    """Whether the signal, or the one it may be mistaken for, did anything."""
    amount = abs(case.posture.prompt.amount) or 1.0
    went = [case.span, *(abs(value - rest) for value, rest in case.others.values())]
    return max(went) > _UNMOVED * amount


_LOOK_UNMOVED = (
    "does the robot's software follow this request",
    "was it done? once more; then its sensor and wire",
)
_PACKED = "factor and unit where the robot packs it"


def _said(value: float, prompt: Prompt) -> str:
    return "not available" if math.isnan(value) else f"{value:.5g}{prompt.of_unit}"


def _finding(case: _Case, kind: str, whose: Whose, what: str, look: str) -> Finding:
    prompt, by_hand = case.posture.prompt, case.posture.by_hand
    low, high = prompt.band(by_hand=by_hand)
    assert case.posture.reading is not None
    others = "".join(f"; {name} {v:.5g}, at rest {r:.5g}" for name, (v, r) in case.others.items())
    return Finding(
        kind=kind,
        about=prompt.signal,
        whose=whose,
        what=what,
        measured=f"asked to {prompt.words}: {_said(case.value, prompt)}, "
        f"at rest {_said(case.rest, prompt)}{others}",
        expected=f"{prompt.amount:.5g}{prompt.of_unit}, from {low:.5g} to {high:.5g}",
        look=look,
        samples=case.posture.reading.samples,
    )


def _judge(case: _Case, *, follows: bool) -> list[Finding]:
    """What a reading beyond its band is a case of, the most telling first."""
    prompt, by_hand = case.posture.prompt, case.posture.by_hand
    low, high = prompt.band(by_hand=by_hand)
    value, size = case.value, abs(prompt.amount) or 1.0
    if not case.posture.whole:
        return [
            _finding(
                case, "stall", "bench", "the bench did not keep its own timing meanwhile", "`emulator host`"
            )
        ]
    swapped = _swapped(case, low, high)
    if swapped:
        return [swapped]
    if low <= value <= high:
        return []
    assert case.posture.reading is not None
    if prompt.signal not in case.posture.reading.values:
        what = "nothing was read: its frame did not come, or was refused"
        return [_finding(case, "unread", "nobody knows", what, "what is found of its frame")]
    if math.isnan(value):
        whose: Whose = "robot" if follows else "nobody knows"
        return [
            _finding(case, "empty", whose, "the value is not available", "the robot's sensor or its packing")
        ]
    if prompt.kind in ("size", "stop") and low <= -value <= high:
        return [
            _finding(
                case, "sign", "robot", "the sign is swapped", "the sign where the robot reads or packs it"
            )
        ]
    if case.span < _UNMOVED * size:
        whose = "robot" if follows and not by_hand else "nobody knows"
        return [_finding(case, "unmoved", whose, "the value did not move", _LOOK_UNMOVED[by_hand])]
    if prompt.kind == "share" and low <= 1.0 - value <= high:
        return [
            _finding(
                case,
                "sign",
                "robot",
                "the value is inverted: 1 less what it should be",
                "the sense of the lever's sensor",
            )
        ]
    if prompt.amount and prompt.kind != "exact":
        ratio = value / prompt.amount
        for factor, words in _FACTORS.items():
            if low <= value / factor <= high:
                return [
                    _finding(
                        case,
                        "scale",
                        "robot",
                        f"the value is {words} ({ratio:.3g} of what was asked)",
                        _PACKED,
                    )
                ]
        if any(math.isclose(value, end) for end in case.ends):
            return [
                _finding(
                    case,
                    "scale",
                    "robot",
                    f"the value stands at the end of its range, at least {ratio:.3g} of what was asked",
                    _PACKED,
                )
            ]
    whose = "nobody knows" if by_hand or not follows else "robot"
    return [
        _finding(
            case,
            "amount",
            whose,
            "the value is not what was asked for",
            "was the amount as asked? then the sensor's curve",
        )
    ]


def _swapped(case: _Case, low: float, high: float) -> Finding | None:
    """The other line moved and this one stayed."""
    size = abs(case.posture.prompt.amount)
    if not size or abs(case.value - case.rest) > 0.1 * size:
        return None
    for other, (value, rest) in case.others.items():
        if low <= value <= high and abs(value - rest) > 0.5 * min(size, abs(low)):
            return _finding(
                case,
                "swapped",
                "robot",
                f"{other} moves instead: the two are swapped",
                "the lines, their sensors' plugs, and where the robot packs them",
            )
    return None


def _zero(cases: Mapping[str, _Case]) -> list[Finding]:
    """The middle of both stops is straight ahead, where the angle is zero."""
    if not {"left_stop", "right_stop"} <= cases.keys():
        return []
    left, right = cases["left_stop"], cases["right_stop"]
    stop = left.posture.prompt.amount
    apart = abs(left.value - right.value)
    if not (left.posture.whole and right.posture.whole and stop / _STOP <= 0.5 * apart <= stop * _STOP):
        return []
    middle = 0.5 * (left.value + right.value)
    if abs(middle) <= ZERO_LIMIT_rad:
        return []
    degrees = math.degrees(middle)
    assert right.posture.reading is not None
    assert left.posture.reading is not None
    return [
        Finding(
            kind="zero",
            about="steering_angle_rad",
            whose="robot",
            what=f"the zero of the steering angle is off by {degrees:+.2f} deg",
            measured=f"left stop {math.degrees(left.value):+.2f} deg, "
            f"right stop {math.degrees(right.value):+.2f} deg: their middle is at {degrees:+.2f} deg",
            expected=f"0 deg straight ahead, {math.degrees(ZERO_LIMIT_rad):g} deg more or less; both stops "
            f"alike, as the vehicle's file has them ({math.degrees(stop):.1f} deg)",
            look="the zero of the robot's angle sensor; a stop that is bent or packed",
            samples=(*left.posture.reading.samples[:1], *right.posture.reading.samples[:1]),
        )
    ]


_AT_REST = {"throttle": 0.1, "front_brake_Pa": 0.5e5, "rear_brake_Pa": 0.5e5, "steering_torque_Nm": 5.0}
"""What controls may show that nobody touches (common practice, no source)."""


def _at_rest(rest: Reading | None, cases: Mapping[str, _Case]) -> list[Finding]:
    """Controls that show something while nobody touches them; a swapped sense is told by its own prompts."""
    if rest is None:
        return []
    asked = {case.posture.prompt.signal: case.posture.prompt.of_unit for case in cases.values()}
    return [
        Finding(
            kind="rest",
            about=signal,
            whose="robot",
            what="the value is not at rest while nothing is touched",
            measured=f"{rest.values[signal]:.5g}{asked[signal]}",
            expected=f"0, {limit:g}{asked[signal]} more or less",
            look="the sensor's zero; something that is stuck",
            samples=rest.samples,
        )
        for signal, limit in _AT_REST.items()
        if signal in asked and abs(rest.values.get(signal, math.nan)) > limit
    ]


def _skipped(posture: Posture) -> Finding:
    prompt = posture.prompt
    return Finding(
        kind="skipped",
        about=prompt.signal or prompt.key,
        whose="nobody knows",
        what="was left out",
        measured=f"asked to {prompt.words}: skipped",
        expected="to be done",
        look="do it before the first ride",
    )


def _told_once(found: Sequence[Finding]) -> list[Finding]:
    """One finding a kind and signal, and one for both of two swapped ones."""
    kept: dict[tuple[str, frozenset[str] | str], Finding] = {}
    for finding in found:
        about: frozenset[str] | str = finding.about
        if finding.kind == "swapped":
            about = frozenset(next(pair for pair in _PAIRS if finding.about in pair))
        kept.setdefault((finding.kind if finding.kind != "skipped" else finding.measured, about), finding)
    return list(kept.values())


def request_number(prompt: Prompt) -> int:
    """What a request frame says for it: 0 at rest, else the signal's place among the robot's, from 1."""
    return ROBOT_COMMANDS.index(prompt.signal) + 1 if prompt.signal else 0
