"""The columns of a campaign's results: name, type, unit and meaning of each, in this one place.

A row is one case as it was ridden, or why it could not be. What is the same on every night for the same case
and versions comes first; behind it stand the timings, which differ from one run of the same to the next and
are compared by nobody.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple, TypeAlias

import pyarrow as pa

Row: TypeAlias = dict[str, Any]
"""Values by column; what is left out is null."""

ERROR = "error"
"""Result of a case that could not be ridden or judged."""
RESULTS = ("pass", "fail", "invalid", "stopped", ERROR)
"""What stands in ``result``: a verdict's."""
WRONG_FILES = "files"
"""Kind of cause of an error: files of the case are wrong."""
NO_POSSIBLE_BIKE = "drawn vehicle"
"""Kind of cause of an error: the bike that was drawn is none."""
COUNTING = ("pass", "fail")
"""Results that say something about the robot."""


class Column(NamedTuple):
    """A column of the table.

    unit     of its numbers; empty for text and for what has none
    missing  what null means; empty: it is never null
    timing   whether it differs from one run of the same to the next
    """

    name: str
    type: pa.DataType
    meaning: str
    unit: str = ""
    missing: str = ""
    timing: bool = False


def _struct(**fields: pa.DataType) -> pa.DataType:
    return pa.struct([pa.field(name, kind) for name, kind in fields.items()])


_TEXT, _NUMBER, _COUNT, _FLAG = pa.string(), pa.float64(), pa.int64(), pa.bool_()
_NOT_RIDDEN = "it was not ridden"

DISTURBANCE = _struct(kind=_TEXT, signal=_TEXT, onset_s=_NUMBER, size=_NUMBER, duration_s=_NUMBER)
CRITERION = _struct(
    name=_TEXT,
    kind=_TEXT,
    met=_FLAG,
    margin=_NUMBER,
    limit=_NUMBER,
    unit=_TEXT,
    percent=_NUMBER,
    at_s=_NUMBER,
)

WEAR = _struct(
    steering_cycles=_COUNT, front_brake_strokes=_COUNT, rear_brake_strokes=_COUNT, gear_changes=_COUNT
)

COLUMNS: tuple[Column, ...] = (
    Column("number", _COUNT, "place of the case in the plan's order, from 0"),
    Column("case_id", _TEXT, "identity of the case by its contents, 16 hexadecimal digits"),
    Column("attempt", pa.int32(), "which result of this case it is, from 1; invalid ones are ridden again"),
    Column("scenario", _TEXT, "name of the scenario, its file's name where that can't be read"),
    Column("scenario_file", _TEXT, "file of the scenario, relative to the plan's folder"),
    Column("rig", _TEXT, "file of the rig, relative to the plan's folder"),
    Column("vehicle", _TEXT, "file of the vehicle, likewise", missing="the one that the rig names"),
    Column("robot", _TEXT, "who rode: FILE:CLASS; empty for who the rig names"),
    Column("stage", _TEXT, "virtual or bench"),
    Column("seed", _COUNT, "of all random numbers"),
    Column("repeat", pa.int32(), "number of the repeat, from 0"),
    Column("parameters", _TEXT, "parameters of the scenario that were set, as JSON, keys sorted"),
    Column("factors", _TEXT, "what the plan varied and to what, as JSON, keys sorted"),
    Column(
        "drawn",
        _TEXT,
        "values in SI of the bike that was drawn from its calibration's posterior, as JSON, keys sorted",
        missing="it is the file's",
    ),
    Column(
        "disturbances",
        pa.list_(DISTURBANCE),
        "the events that the plan put into the scenario; size in the unit of what it acts on, null in it: "
        "not given",
    ),
    Column("requirements", pa.list_(_TEXT), "requirements that the scenario carries"),
    Column("result", _TEXT, "pass, fail, invalid, stopped or error"),
    Column("expected", _TEXT, "the result that the scenario expects", missing=_NOT_RIDDEN),
    Column("as_expected", _FLAG, "whether it came out as the scenario expects", missing="it does not count"),
    Column("expectation", _TEXT, "the same in a sentence"),
    Column("cause_kind", _TEXT, "kind of what began it; empty for a pass"),
    Column("cause", _TEXT, "what began it, in a sentence; empty for a pass"),
    Column("whose", _TEXT, "robot, bench, operator, nobody or unknown"),
    Column("fell", _FLAG, "whether the bike fell", missing=_NOT_RIDDEN),
    Column(
        "ended", _TEXT, "how the ride ended: complete, fallen, tripped, time_limit ...", missing=_NOT_RIDDEN
    ),
    Column("ridden_s", _NUMBER, "how long the bench was running", "s", _NOT_RIDDEN),
    Column("distance_m", _NUMBER, "way along the line", "m", _NOT_RIDDEN),
    Column(
        "thinnest", _TEXT, "name of the criterion with the least margin in percent", missing="none has one"
    ),
    Column("thinnest_percent", _NUMBER, "its margin in percent of its limit", "%", "none has one"),
    Column(
        "thinnest_at_s", _NUMBER, "when that was, scenario time", "s", "none has one, or it has no instant"
    ),
    Column(
        "criteria",
        pa.list_(CRITERION),
        "every criterion: margin and limit in unit (SI), percent is margin of limit, at_s its worst instant; "
        "null in it: there is none",
    ),
    Column("signals_sha256", _TEXT, "of the recorded signals, see signals_hash", missing=_NOT_RIDDEN),
    Column("frames_sha256", _TEXT, "of the recorded bus frames, see frames_hash", missing=_NOT_RIDDEN),
    Column("tool", _TEXT, "version of the emulator"),
    Column("model", _TEXT, "key of the plant's code, 16 hexadecimal digits"),
    Column("robot_version", _TEXT, "version that the robot says it has", missing=_NOT_RIDDEN),
    Column("rig_sha256", _TEXT, "of the rig's file and of those it is based on", missing=_NOT_RIDDEN),
    Column("scenario_sha256", _TEXT, "the same of the scenario's", missing=_NOT_RIDDEN),
    Column("vehicle_sha256", _TEXT, "the same of the vehicle's", missing=_NOT_RIDDEN),
    Column("kept", _TEXT, "run folder, relative to the campaign's", missing="no record was kept"),
    Column("wear", WEAR, "how often actuators moved on the bench", missing="not on a bench", timing=True),
    Column(
        "notices",
        pa.list_(_TEXT),
        "what was told beside a ride on the bench, such as a broker that was away",
        missing="not on a bench",
        timing=True,
    ),
    Column("cpu_setup_s", _NUMBER, "processor time to read files and build the ride", "s", timing=True),
    Column("cpu_design_s", _NUMBER, "processor time of the reference robot's design", "s", timing=True),
    Column("cpu_ride_s", _NUMBER, "processor time of the ride itself", "s", timing=True),
    Column("cpu_judge_s", _NUMBER, "processor time to judge it and make the row", "s", timing=True),
    Column("wall_s", _NUMBER, "from beginning to end by the clock", "s", timing=True),
    Column("processor", _TEXT, "what rode it, as the system names it", timing=True),
    Column("worker", pa.int32(), "which worker rode it, from 0", timing=True),
    Column("began", pa.timestamp("us", tz="UTC"), "when it began", timing=True),
)

CASE_COLUMNS: tuple[Column, ...] = (
    *COLUMNS[:2],
    Column("turn", _COUNT, "when it is ridden, from 0: failed last time, never ridden, the rest"),
    Column("label", _TEXT, "the case in words"),
    *(
        c
        for c in COLUMNS
        if c.name in ("scenario_file", "rig", "vehicle", "robot", "stage", "seed", "repeat")
    ),
    *(c for c in COLUMNS if c.name in ("parameters", "factors", "drawn", "disturbances")),
    Column("scenario_overlay", _TEXT, "values over the scenario's file, as JSON"),
    Column("rig_overlay", _TEXT, "values over the rig's file, as JSON"),
    Column("vehicle_overlay", _TEXT, "values over the vehicle's file, as JSON"),
)


def as_schema(columns: Sequence[Column]) -> pa.Schema:
    """Columns as pyarrow has them, with what they mean as metadata."""

    def about(column: Column) -> dict[str, str]:
        told = {"meaning": column.meaning, "unit": column.unit, "missing": column.missing}
        return {key: text for key, text in told.items() if text}

    return pa.schema([pa.field(c.name, c.type, metadata=about(c)) for c in columns])


SCHEMA = as_schema(COLUMNS)
"""Of every file in ``results/`` and ``searched/``, and of what is read from them."""
CASE_SCHEMA = as_schema(CASE_COLUMNS)
"""Of ``cases.parquet``."""

TIMINGS = tuple(column.name for column in COLUMNS if column.timing)
"""Columns that are compared by nobody."""


def without_timings(table: pa.Table) -> pa.Table:
    """What has to be the same whoever rode it, how many there were and how fast."""
    return table.drop_columns(list(TIMINGS))
