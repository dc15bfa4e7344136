"""How much the robot under test bears, as rides: what it sends and gets, later, stronger, weaker, at a speed.

Straight on, a gust from the side, and from then on the disturbance (``gust_at_speed.yaml``). A delay of what
the robot sends is that of its frame, so all channels of the frame come later. One gain is asked upwards and
downwards from 1. At no size at all there is no disturbance: that ride is the same for all of a speed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from emulator.campaign.search.asked_ride import AskedRide, MadeCase, PlannedQuestion, SizedRide
from emulator.campaign.search.bisection import EdgeQuestion
from emulator.campaign.search.rides import Lost
from emulator.config.campaign.search import NO_GAIN, MarginKind, Margins

READY = Path(__file__).with_name("gust_at_speed.yaml")
GUST, LOOKED_AT = "gust", "what is looked at"
"""Its event, and the one that a question puts in."""
FRAME_OF = {
    "steering": "steering",
    "throttle": "drive",
    "front_brake": "drive",
    "rear_brake": "drive",
    "clutch": "drive",
    "gear": "gear",
}
"""The robot's frame that each channel comes in."""
WORDS: dict[MarginKind, str] = {"delay": "delay", "gain_up": "gain up", "gain_down": "gain down"}
"""What each margin is called."""

_REACHED = 0.985  # of the speed: 5 s later there is the gust
_SETTLES_s, _BEYOND_s = 5.0, 4.0
_LEAST_ACCELERATION = 1.5  # [m/s^2] on the mean of a run-up


def margins_question(ride: AskedRide, asked: Margins) -> PlannedQuestion:
    """All margins of a question, by what is looked at, each over the speeds."""
    ride = replace(ride, lost=Lost(criteria=(), swing_after=GUST, watched_s=asked.watched_s))
    sized = tuple(
        _margin(ride, asked, of, kind, speed) for of, kind in looked_at(asked) for speed in asked.speeds_km_h
    )

    def ends() -> Iterator[MadeCase]:
        for one in sized:
            yield one.made(one.question.mildest, None)
            yield one.made(one.question.harshest, None)

    return PlannedQuestion(ride.name, asked, ride, sum(one.question.most_rides for one in sized), sized, ends)


def looked_at(asked: Margins) -> list[tuple[str, MarginKind]]:
    """What is looked at, in the order of the plan: frames and channels of the robot, then sensors' values."""
    found: list[tuple[str, MarginKind]] = []
    for kind in asked.of:
        if kind == "delay":
            frames = dict.fromkeys(f"frame {FRAME_OF[channel]}" for channel in asked.actuators)
            found += [(frame, kind) for frame in frames]
        else:
            found += [(channel, kind) for channel in asked.actuators if channel != NO_GAIN]
    return found + [(signal, kind) for kind in asked.of for signal in asked.sensors]


def disturbance(of: str, kind: MarginKind, size: float) -> dict[str, Any]:
    """The event of a size, from the gust on."""
    at = {"name": LOOKED_AT, "at": {"started": GUST}}
    if of.startswith("frame "):
        frame = of.removeprefix("frame ")
        return {"kind": "frame", "frame": frame, "effect": "delay", "delay_ms": size, **at}
    if of in FRAME_OF:
        effect = "strong" if kind == "gain_up" else "weak"
        return {"kind": "actuator", "channel": of, "effect": effect, "factor": size, **at}
    if kind == "delay":
        return {"kind": "fault", "signal": of, "effect": "delay", "delay_ms": size, **at}
    return {"kind": "fault", "signal": of, "effect": "gain", "value": size, **at}


def straight(speed_km_h: float, asked: Margins) -> dict[str, float]:
    """Parameters of the ride at a speed, on a line that is long enough to watch it."""
    speed = speed_km_h / 3.6
    run_up = speed * speed / (2.0 * _LEAST_ACCELERATION)
    return {
        "speed": speed_km_h,
        "nearly": round(_REACHED * speed, 6),
        "release": round(min(15.0, 0.95 * speed_km_h), 6),
        "length": round(100.0 + run_up + speed * (_SETTLES_s + asked.watched_s + _BEYOND_s), 1),
        "gust": asked.gust_m_s,
    }


def _margin(ride: AskedRide, asked: Margins, of: str, kind: MarginKind, speed_km_h: float) -> SizedRide:
    mildest, harshest, step = {
        "delay": (0.0, asked.longest_delay_ms, asked.delay_step_ms),
        "gain_up": (1.0, asked.greatest_gain, asked.gain_step),
        "gain_down": (1.0, asked.least_gain, asked.gain_step),
    }[kind]
    quantity = WORDS[kind]

    def made(size: float, seed: int | None) -> MadeCase:
        events = [] if size == mildest else [disturbance(of, kind, size)]
        told: dict[str, str | int | float] = {"of": of, quantity: size, "speed_km_h": speed_km_h}
        return ride.made(seed=seed, parameters=straight(speed_km_h, asked), events=events, told=told)

    question = EdgeQuestion(mildest, harshest, step, asked.probes_below, asked.probes_above)
    return SizedRide(of, quantity, "ms" if kind == "delay" else "", question, made, speed_km_h)
