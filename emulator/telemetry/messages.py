"""Every message of a run over MQTT: topic, kept by the broker or not, and its keys as a model.

What is published is made from these models, so the JSON Schema made from them (``emulator schema telemetry``,
scenarios/schemas/telemetry.json) says what is sent and nothing else.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import ConfigDict, Field
from pydantic.json_schema import models_json_schema

from emulator.config.validation import Closed

_DIALECT = "https://json-schema.org/draft/2020-12/schema"

BenchState: TypeAlias = Literal["standby", "armed", "running", "stopping", "tripped"]
Count: TypeAlias = Annotated[int, Field(ge=0)]


class Message(Closed):
    """Base of all messages that are JSON objects."""

    def payload(self) -> str:
        """As it is sent."""
        return self.model_dump_json()


class State(Message):
    """Where the bench is, at every change."""

    state: BenchState
    """State of the bench."""
    trip_reason: str
    """Why it tripped, in words; none if it did not."""
    time_s: float | None
    """Scenario time, 0 where running begins; null before."""
    run: str
    """Name of the run's folder."""


class Signals(Message):
    """The signals that the rig names under ``signals``, by name; null where a value is no number."""

    model_config = ConfigDict(extra="allow")
    __pydantic_extra__: dict[str, float | None]

    time_s: float
    """Scenario time of the row."""


class Percentiles(Closed):
    """Percentiles of a duration since the ride began."""

    p50: float
    """Half were no longer."""
    p99: float
    """All but one of a hundred were no longer."""
    p999: float
    """All but one of a thousand were no longer."""
    max: float
    """The longest."""


class Timing(Message):
    """How punctual the loop is, once a second."""

    lateness_us: Percentiles
    """How late it woke."""
    compute_us: Percentiles
    """How long a tick took to compute."""
    overruns: Count
    """Ticks that were not done in time."""
    missed_ticks: Count
    """Ticks that were made up for."""
    frames_sent: Count
    """Frames handed to the bus."""
    frames_received: Count
    """Frames that came from the bus."""
    send_lost: Count
    """Frames that the bus did not take."""
    bus_errors: Count
    """Errors that the bus told."""


class Event(Message):
    """Something that happened."""

    time_s: float
    """Scenario time."""
    kind: str
    """What kind of event."""
    text: str
    """What happened, in words."""


class CriterionTold(Closed):
    """How one criterion came out."""

    name: str
    """Its name in the scenario."""
    kind: str
    """Its kind."""
    passed: bool
    """Whether it was met."""
    margin: float | None
    """Limit less worst value, in ``unit``; null where nothing could be judged."""
    unit: str
    """Unit of ``margin`` and ``limit``."""
    worst_time_s: float | None
    """Scenario time of the worst instant."""
    worst_station_m: float | None
    """Station of the line there."""
    sentence: str
    """The same for people."""
    limit: float | None
    """Its limit; null where it has no number."""
    signal: str | None
    """Recorded signal that the limit is one of."""
    bounds: str
    """Whether the limit is the upper, the lower or both bounds of the signal."""
    from_s: float | None
    """First instant looked at; null where it was the whole ride."""
    to_s: float | None
    """Last instant looked at; null where it was the whole ride."""


class CauseTold(Closed):
    """Something that went wrong or was done."""

    whose: Literal["robot", "bench", "operator", "scenario", "unknown"]
    """Whose it was."""
    text: str
    """What it was, in words."""
    at_s: float | None
    """Scenario time at which it began; null where that is not known."""
    follows: bool
    """Whether it is a consequence of what is told before it."""
    broke: bool
    """Whether the run broke down by it and says nothing."""


class VerdictTold(Message):
    """The verdict, once the run is judged: as verdict.json, with the run's name."""

    run: str
    """Name of the run's folder."""
    result: Literal["pass", "fail", "invalid", "stopped", "error"]
    """What it came to."""
    reasons: list[str]
    """Why, what began it first."""
    criteria: list[CriterionTold]
    """The criteria in the order of the scenario."""
    laps: dict[str, Any] | None
    """Lap and sector times, as in verdict.json; null where nobody timed laps."""
    place: dict[str, Any] | None
    """Error of the robot's position estimate, as in verdict.json; null where it told none."""
    ridden_s: float
    """How long the bench was running."""
    expectation: str
    """Whether the scenario expected it, in words."""
    trip_code: int
    """Number of the reason it tripped for, 0 for none."""
    timing_missed: bool
    """Whether the bench's timing is what began it."""
    causes: list[CauseTold]
    """Whose each reason was."""
    notes: list[str]
    """What was seen besides, and decides nothing."""
    undecided: list[str]
    """Names of criteria that a stopped ride left open."""
    robot: str
    """Who rode, with version; empty if nobody knows."""
    traceback: str
    """Of what its software raised; empty if it raised nothing."""


class Surprise(Closed):
    """Runs that came out otherwise than expected, by cause."""

    direction: Literal["worse", "better"]
    """Which way."""
    cause: str
    """The cause, in words."""
    cause_kind: str
    """The cause's kind."""
    runs: Count
    """How many runs."""


class CampaignTold(Message):
    """What many runs came to, left by `emulator campaign page --tell`."""

    model_config = ConfigDict(extra="allow")

    format: int
    """Changes when a key changes its meaning or goes; a new key does not change it."""
    campaign: str
    """The campaign's name."""
    status: Literal["as expected", "surprises", "does not count", "stopped"]
    """What it came to."""
    exit_status: int
    """What the command ends with."""
    sentence: str
    """The same for people."""
    counts: dict[str, int]
    """How many runs came out how."""
    regressions: Count
    """What came out worse than the baseline by more than chance; 0 without a baseline, too."""
    state: str
    """How far the campaign is."""
    began: str | None
    """When it began, as ISO 8601 has it; null where nobody knows."""
    versions: dict[str, list[str]]
    """Versions that rode: of tool, model, robot_version, processor."""
    surprises: list[Surprise]
    """What was not expected."""


class Challenge(Message):
    """What a command has to carry, once a second where commands are taken; taken away after the run."""

    nonce: str
    """Drawn anew for every run."""
    time_s: float
    """Seconds of the run, by a clock that nobody sets."""


class CommandAsked(Message):
    """A command: this object, a line feed, and its code (emulator.telemetry.commands)."""

    topic: str
    """Full name of the topic it is sent to."""
    nonce: str
    """From ``challenge``."""
    time_s: float
    """From ``challenge``; taken up to 5 s from the run's time."""
    command: str
    """stop, trip, hold, go, start NAME, end NAME."""
    id: str = Field(min_length=1, max_length=100)
    """Any text; taken once in a run."""


class Answered(Message):
    """What became of a command."""

    id: str
    """Id of the command; empty for what was not signed."""
    taken: bool
    """Whether it is done."""
    why: str
    """Why it is not, or taken."""


PRESENT: Mapping[str, Any] = {
    "description": "1 while a run is on, else 0; also when the machine is lost (last will).",
    "enum": [0, 1],
}


@dataclass(frozen=True)
class Topic:
    """A topic below the one that the rig names.

    model     of its messages; None: a number, see PRESENT
    retained  the broker keeps the last message for those who come later
    qos       quality of service that it is sent with
    example   a message as it may be read there
    """

    model: type[Message] | None
    retained: bool
    qos: Literal[0, 1]
    example: Any


_HASH = "5a0c6d1e9b3f47a28c5d7e6f01a2b3c4"
TOPICS: Mapping[str, Topic] = {
    "present": Topic(None, True, 1, 1),
    "state": Topic(
        State,
        True,
        1,
        {"state": "running", "trip_reason": "none", "time_s": 12.3, "run": "20261127-093000-first_lap"},
    ),
    "signals": Topic(
        Signals, False, 0, {"time_s": 12.3, "truth.speed_m_s": 41.2, "robot.estimate_lean_rad": None}
    ),
    "timing": Topic(
        Timing,
        False,
        0,
        {
            "lateness_us": {"p50": 8.1, "p99": 24.5, "p999": 61.0, "max": 140.2},
            "compute_us": {"p50": 95.0, "p99": 130.4, "p999": 210.9, "max": 402.7},
            "overruns": 0,
            "missed_ticks": 0,
            "frames_sent": 25830,
            "frames_received": 9312,
            "send_lost": 0,
            "bus_errors": 0,
        },
    ),
    "events": Topic(Event, False, 1, {"time_s": 30.0, "kind": "fault", "text": "front wheel speed lost"}),
    "verdict": Topic(
        VerdictTold,
        True,
        1,
        {
            "run": "20261127-093000-first_lap",
            "result": "pass",
            "reasons": ["all criteria met"],
            "criteria": [
                {
                    "name": "lean",
                    "kind": "lean",
                    "passed": True,
                    "margin": 0.07,
                    "unit": "rad",
                    "worst_time_s": 41.2,
                    "worst_station_m": 1220.0,
                    "sentence": "lean at most 46.0° (limit 50.0°)",
                    "limit": 0.87,
                    "signal": "truth.roll_rad",
                    "bounds": "both",
                    "from_s": None,
                    "to_s": None,
                }
            ],
            "laps": None,
            "place": None,
            "ridden_s": 88.4,
            "expectation": "",
            "trip_code": 0,
            "timing_missed": False,
            "causes": [],
            "notes": [],
            "undecided": [],
            "robot": "reference robot",
            "traceback": "",
        },
    ),
    "campaign": Topic(
        CampaignTold,
        True,
        1,
        {
            "format": 1,
            "campaign": "night",
            "status": "surprises",
            "exit_status": 1,
            "sentence": "2 of 12 runs came out worse than expected",
            "counts": {"planned": 12, "counted": 12, "surprises": 2},
            "regressions": 0,
            "state": "done",
            "began": "2026-11-27T01:30:00+01:00",
            "versions": {"tool": ["0.1.0"], "robot_version": ["reference robot"]},
            "surprises": [{"direction": "worse", "cause": "fell", "cause_kind": "fall", "runs": 2}],
        },
    ),
    "challenge": Topic(Challenge, True, 1, {"nonce": _HASH, "time_s": 17.0}),
    "command": Topic(
        CommandAsked,
        False,
        1,
        {"topic": "bench/1/command", "nonce": _HASH, "time_s": 17.0, "command": "stop", "id": "a1"},
    ),
    "answer": Topic(Answered, False, 1, {"id": "a1", "taken": True, "why": "taken"}),
}


def schema_text() -> str:
    """JSON Schema (draft 2020-12) of all messages: an object with a property a topic.

    ``retained`` and ``qos`` beside each are notes to it. Of ``command`` it is the object before the code.
    """
    models = [topic.model for topic in TOPICS.values() if topic.model is not None]
    _, together = models_json_schema([(model, "serialization") for model in models])
    properties: dict[str, Any] = {}
    for name, topic in TOPICS.items():
        of = dict(PRESENT) if topic.model is None else {"$ref": f"#/$defs/{topic.model.__name__}"}
        notes = {"retained": topic.retained, "qos": topic.qos, "examples": [topic.example]}
        properties[name] = {**of, **notes}
    whole = {
        "$schema": _DIALECT,
        "title": "telemetry",
        "description": "Payload of every topic below the one that a rig names under telemetry.topic.",
        "type": "object",
        "properties": properties,
        "additionalProperties": False,
        "$defs": together["$defs"],
    }
    return json.dumps(whole, indent=1, ensure_ascii=False) + "\n"
