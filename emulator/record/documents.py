"""Manifest, certificate and outcome of a run folder: read, and of the form that readers of a record rely on.

Only what is read elsewhere is looked at, and everything may be missing: earlier versions wrote less, later
ones write more. What is there has to be of its kind, so that nobody who draws or replays a record meets text
where numbers are.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from emulator.core.errors import RecordError, UnreadableError
from emulator.core.outside.reading import MANIFEST, FileKind, read_whole
from emulator.record.writer import CERTIFICATE_FILE, MANIFEST_FILE, OUTCOME_FILE, VERDICT_FILE

MOST_JSON_VALUES = 500_000
"""Of a manifest, certificate or verdict; a short ride's manifest has 1,500, a lap of 4 km 20,000."""

_Finite: TypeAlias = Annotated[float, Field(ge=-1e15, le=1e15)]
Number: TypeAlias = _Finite | None
"""A number that can be reckoned with; nothing where it was not finite."""
Numbers: TypeAlias = list[_Finite]
_Counts: TypeAlias = list[Annotated[float, Field(ge=0.0, le=1e15)]]


class _Part(BaseModel):
    model_config = ConfigDict(strict=True, extra="ignore", frozen=True, defer_build=True)


class _Event(_Part):
    name: str | None = None
    kind: str | None = None


class _Named(_Part):
    """A scenario or rig: in full, or in old records and replays by name alone."""

    name: str | None = None
    events: list[_Event] | None = None


class _Line(_Part):
    x_m: Numbers | None = None
    y_m: Numbers | None = None
    station_m: Numbers | None = None
    length_m: Annotated[float, Field(gt=0.0, le=1e7)] | None = None
    closed: bool | None = None


class _BusFrame(_Part):
    name: str | None = None
    from_robot: bool | None = None
    in_time: bool | None = None
    can_id: int | None = None
    worst_ms: Number = None
    deadline_ms: Number = None


class _Bus(_Part):
    frames: list[_BusFrame] = []
    frame_times: str | None = None


class _Vehicle(_Part):
    name: str | None = None
    values: dict[str, Any] | None = None


class _Told(_Part):
    stage: str | None = None


class _Thin(_Part):
    every_ticks: Annotated[int, Field(ge=1)]


class _Manifest(_Told):
    seed: Annotated[int, Field(ge=0)] | None = None
    rig: _Named | str | None = None
    scenario: _Named | str | None = None
    vehicle: _Vehicle | str | None = None
    replay_of: _Told = _Told()
    files: dict[str, str] = {}
    copies: dict[str, str] = {}
    from_root: dict[str, str] = {}
    given: dict[str, str] = {}
    code: dict[str, str] = {}
    versions: dict[str, str] = {}
    host: dict[str, str | int | None] = {}
    parameters: dict[str, _Finite] = {}
    line: _Line | None = None
    patches: list[dict[str, Any]] | None = None
    bus_budget: _Bus | None = None
    thin: _Thin | None = None


class _Ages(_Part):
    edges_ms: Numbers | None = None
    counts: _Counts | None = None


class _Lateness(_Part):
    edges_us: Numbers | None = None
    counts: _Counts | None = None


class _Output(_Part):
    latency_ms: Number = None
    lost: Number = None
    age_histogram: _Ages | None = None


class _Host(_Part):
    refused: list[str] | None = None


class _Loop(_Part):
    lateness_histogram: _Lateness | None = None
    host: _Host = _Host()


class _RobotFrame(_Part):
    accepted: int
    lost: int = 0
    repeated: int = 0
    damaged: int = 0
    silence_ms_max: Number = None
    silence_ms_allowed: Number = None


class _Certificate(_Part):
    outputs: dict[str, _Output] = {}
    loop: _Loop = _Loop()
    robot_frames: dict[str, _RobotFrame] = {}
    processes: dict[str, dict[str, Any]] = {}


class _Setting(_Part):
    link: str | None = None
    reference: bool | None = None


class _Process(_Part):
    stalls: list[Annotated[Numbers, Field(min_length=2)]] = []
    promise_ms: Number = None
    longest_ms: Number = None
    count: Number = None
    lag_ms: Number = None
    delay_us: dict[str, Number] | None = None


class _Left(_Part):
    role: Literal["loop", "bus", "supervisor", "recorder", "robot"]
    time_s: _Finite
    exit: int | None = None
    signal: str | None = None


class _BusEvent(_Part):
    kind: str
    time_s: _Finite
    participants: list[str] = []
    frame: str | None = None


class _Stop(_Part):
    cause: str | None = None


class _Outcome(_Part):
    stop: _Stop | None = None
    stopped_by: str | None = None
    end_tick: Annotated[int, Field(ge=-(10**12), le=10**12)] | None = None
    setting: _Setting | None = None
    processes: dict[str, _Process] | None = None
    waited: list[Annotated[Numbers, Field(min_length=3)]] | None = None
    left: list[_Left] | None = None
    bus_events: list[_BusEvent] | None = None
    time_base: str | None = None
    robot_stopped: tuple[str, _Finite] | None = None


def read_manifest(folder: Path) -> dict[str, Any]:
    """The manifest of a run folder. Raises RecordError with the key that is not of the kind it has to be."""
    return _read(folder / MANIFEST_FILE, _Manifest)


def read_certificate(folder: Path) -> dict[str, Any]:
    """The certificate of a run folder. Raises RecordError as :func:`read_manifest` does."""
    return _read(folder / CERTIFICATE_FILE, _Certificate)


def read_outcome(folder: Path) -> dict[str, Any]:
    """The outcome of a bench run. Raises RecordError as :func:`read_manifest` does."""
    return _read(folder / OUTCOME_FILE, _Outcome)


def read_verdict_document(folder: Path) -> dict[str, Any]:
    """The verdict of a run folder as it stands; its form is emulator.verdict's. Raises RecordError."""
    return read_json_object(folder / VERDICT_FILE)


def _read(path: Path, form: type[BaseModel]) -> dict[str, Any]:
    document = read_json_object(path)
    try:
        form.model_validate(document)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        key = ".".join(str(part) for part in first["loc"])
        raise RecordError(
            f"{path}: {key:.200}: {first['msg']}, found {first['input']!r:.80}",
            advice="restore it from a copy",
        ) from error
    return document


def read_json_object(path: Path) -> dict[str, Any]:
    """A JSON file that holds an object. Raises RecordError with line and column if it does not."""
    content = bytes_of(path, MANIFEST)
    if sum(content.count(mark) for mark in b",[{") > MOST_JSON_VALUES:
        raise RecordError(f"{path}: expected at most {MOST_JSON_VALUES} values; it is no file of a run")
    try:
        value = parsed(content)
    except json.JSONDecodeError as error:
        raise RecordError(f"{path}:{error.lineno}:{error.colno}: not JSON: {error.msg}") from error
    except (ValueError, RecursionError) as error:
        raise RecordError(f"{path}: not JSON: {error}") from error
    if not isinstance(value, dict):
        raise RecordError(f"{path}: expected a JSON object, found {type(value).__name__}")
    return value


def parsed(content: bytes) -> Any:
    """A JSON document, its numbers finite and such as have a place in 64 bits.

    Raises ValueError (JSONDecodeError, UnicodeDecodeError), RecursionError.
    """
    return json.loads(
        content.decode("utf-8"), parse_constant=_no_number, parse_float=_finite, parse_int=_whole
    )


def _no_number(text: str) -> None:
    raise ValueError(f"{text} is no number of JSON")


def _finite(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise ValueError(f"{text:.40} is too large for a number")
    return number


def _whole(text: str) -> int:
    number = int(text) if len(text) <= len("-9223372036854775808") else 1 << 63
    if not -(1 << 63) <= number < 1 << 63:
        raise ValueError(f"{text:.40} is too large for a whole number")
    return number


def bytes_of(path: Path, kind: FileKind) -> bytes:
    """A file of a run folder. Raises RecordError."""
    try:
        return read_whole(path, kind)
    except UnreadableError as error:
        raise RecordError(
            f"{path} can't be read: {error.why}",
            advice="a run folder holds manifest.json, signals.arrow, frames.arrow and events.jsonl",
        ) from error
