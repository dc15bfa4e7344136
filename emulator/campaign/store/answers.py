"""The answers to a campaign's questions: a row each, in the plan's order, in ``answers.parquet``.

A file that appears whole and is written anew after each question. What is told of an answer stands in it; the
rides it rests on are rows of their own, in ``searched/``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import pyarrow as pa

from emulator.campaign.store.reading import read_table
from emulator.campaign.store.schema import Column, as_schema

ANSWERS_FILE = "answers.parquet"
UNKNOWN = "not known"
"""What was found where rides that were needed do not count."""

_TEXT, _NUMBER, _COUNT, _FLAG = pa.string(), pa.float64(), pa.int64(), pa.bool_()
_NO_SIZE = "no size is searched, or none was so"
_NO_CHANCE = "no probability is asked for, or none is known"
_NO_CURVE = "no curve was ridden, or there is none"
_NO_FAILURE = "no failure is looked for, or none was found"

ANSWER_COLUMNS: tuple[Column, ...] = (
    Column("question", _TEXT, "name of the question in the plan"),
    Column("kind", _TEXT, "edge, margins, failure or probability"),
    Column("of", _TEXT, "what is varied: the path of a value; of a margin the channel, signal or frame"),
    Column("quantity", _TEXT, "which figure of it: the last part of a path; delay, gain up, gain down"),
    Column("unit", _TEXT, "unit of the sizes; empty for a share or a factor"),
    Column("speed_km_h", _NUMBER, "speed that a margin is of", "km/h", "it is of no one speed"),
    Column("found", _TEXT, "what it came to: edge, all survived, no one edge, failure found, estimated ..."),
    Column("mildest", _NUMBER, "the mild end of what was searched", "", "no size is searched"),
    Column("harshest", _NUMBER, "the harsh end", "", "no size is searched"),
    Column("resolution", _NUMBER, "step between two sizes that are told apart", "", "no size is searched"),
    Column("survived", _NUMBER, "largest size that was survived", "", _NO_SIZE),
    Column("lost", _NUMBER, "smallest size that was lost", "", _NO_SIZE),
    Column("borne", _NUMBER, "from the mild end to the largest size survived", "", _NO_SIZE),
    Column("monotone", _FLAG, "whether the probes say it is one edge", missing="they do not say"),
    Column("half_lost", _NUMBER, "size at which half of the seeds are lost", "", _NO_CURVE),
    Column("half_low", _NUMBER, "lower end of its interval", "", "open, or no curve"),
    Column("half_high", _NUMBER, "upper end of its interval", "", "open, or no curve"),
    Column("probability", _NUMBER, "estimate of the probability that the ride is lost", "", _NO_CHANCE),
    Column("low", _NUMBER, "lower end of its interval", "", _NO_CHANCE),
    Column("high", _NUMBER, "upper end of its interval", "", _NO_CHANCE),
    Column("confidence", _NUMBER, "of the intervals", "", "there is none"),
    Column("method", _TEXT, "how it was found, in a line"),
    Column("rides", _COUNT, "rides that the answer rests on, those that served another one, too, included"),
    Column("not_counted", _COUNT, "of those, rides that do not count"),
    Column("case_id", _TEXT, "identity of the failure that was found, made smaller", missing=_NO_FAILURE),
    Column("percent", _NUMBER, "its thinnest margin in percent of its limit", "%", "it has none"),
    Column("values", _TEXT, "what is left of it, as JSON: values by name", missing=_NO_FAILURE),
    Column("saved", _TEXT, "folder of its scenario and rig, in the campaign's", missing=_NO_FAILURE),
    Column("command", _TEXT, "what rides it again", missing=_NO_FAILURE),
    Column(
        "as_expected", _FLAG, "whether the plan expects it", missing="it expects nothing, or nobody knows"
    ),
    Column("sentence", _TEXT, "the answer for people"),
)
ANSWER_SCHEMA = as_schema(ANSWER_COLUMNS)


@dataclass(frozen=True)
class Answer:
    """One answer; every field is a column, and what it means stands there."""

    question: str
    kind: str
    of: str
    quantity: str
    unit: str
    found: str
    sentence: str
    method: str
    rides: int
    not_counted: int = 0
    speed_km_h: float | None = None
    mildest: float | None = None
    harshest: float | None = None
    resolution: float | None = None
    survived: float | None = None
    lost: float | None = None
    borne: float | None = None
    monotone: bool | None = None
    half_lost: float | None = None
    half_low: float | None = None
    half_high: float | None = None
    probability: float | None = None
    low: float | None = None
    high: float | None = None
    confidence: float | None = None
    case_id: str | None = None
    percent: float | None = None
    values: str | None = None
    saved: str | None = None
    command: str | None = None
    as_expected: bool | None = None

    @property
    def key(self) -> tuple[str, str, str, float | None]:
        """What answers of different nights to the same question share."""
        return self.question, self.of, self.quantity, self.speed_km_h

    @property
    def label(self) -> str:
        """What it is of, for people."""
        speed = "" if self.speed_km_h is None else f"at {self.speed_km_h:g} km/h"
        parts = (
            [self.question] if self.kind != "margins" else [self.question, f"{self.quantity} of {self.of}"]
        )
        return " · ".join([*parts, *([speed] if speed else [])])


def answers_table(answers: Sequence[Answer]) -> pa.Table:
    """Answers as the file has them."""
    return pa.Table.from_pylist([asdict(one) for one in answers], schema=ANSWER_SCHEMA)


def read_answers(folder: Path) -> tuple[Answer, ...]:
    """The answers in a campaign's folder; none where nothing was asked. Raises RecordError."""
    path = folder / ANSWERS_FILE
    if not path.exists():
        return ()
    return tuple(Answer(**row) for row in read_table(path, ANSWER_SCHEMA).to_pylist())
