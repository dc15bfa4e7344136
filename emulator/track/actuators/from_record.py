"""A record with commands and measured actuators becomes a rig file with the actuators that it tells of."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np

from emulator.config.rig.file import Rig, load_rig
from emulator.config.yaml_source import named_from
from emulator.core.errors import EmulatorError
from emulator.record.content_hash import signals_hash
from emulator.record.reader import Run, read_run
from emulator.record.writer import write_whole
from emulator.track.actuators.following import TICK_s
from emulator.track.actuators.identify import Identified, Log, NotIdentified, Number, identify
from emulator.track.comparison.readings import column_noise, row_ticks, sampled_rows

_STEP_OF_NOISE = 12.0**-0.5  # standard deviation of what a step of one leaves out


class ActuatorsRefused(EmulatorError):
    """A record can't say anything of actuators."""

    exit_status = 3


class Channel(NamedTuple):
    """An actuator of the rig.

    asked, seen  columns of a record;  unit of what it delivers, told times ``per`` in the rig
    rate_key     of its rate limit in the rig, empty: it has none there;  play_key  of its free play
    """

    name: str
    asked: str
    seen: str
    unit: str
    per: float
    rate_key: str
    play_key: str


CHANNELS: tuple[Channel, ...] = (
    Channel(
        "steering", "robot.steering_torque_Nm", "actuator.steering_torque_Nm", "N m", 1.0, "rate_limit_Nm_s",
        "free_play_Nm",
    ),
    Channel("throttle", "robot.throttle", "actuator.throttle", "1", 1.0, "", "free_play"),
    Channel(
        "front_brake", "robot.front_brake_Pa", "actuator.front_brake_Pa", "bar", 1e-5, "", "free_play_bar"
    ),
    Channel("rear_brake", "robot.rear_brake_Pa", "actuator.rear_brake_Pa", "bar", 1e-5, "", "free_play_bar"),
    Channel("clutch", "robot.clutch", "actuator.clutch", "1", 1.0, "", "free_play"),
)  # fmt: skip


@dataclass(frozen=True)
class FoundActuator:
    """What the record says of one actuator: ``found``, or ``refused`` and why.

    values  keys of the rig that the log tells, in the rig's units
    """

    channel: Channel
    found: Identified | None
    refused: str
    values: Mapping[str, float]


@dataclass(frozen=True)
class FoundActuators:
    """Of a record: each actuator of which both signals were logged, and the rig file that was written."""

    record: str
    sha256: str
    ones: tuple[FoundActuator, ...]
    path: Path | None


def identify_actuators(folder: Path, rig_file: Path, out: Path, *, command: str, date: str) -> FoundActuators:
    """Identify, and write the rig with what is told; no file where nothing is.

    command, date  that stand in the file
    Raises RecordError, ConfigError, ActuatorsRefused, RunFailed.
    """
    run, rig = read_run(folder), load_rig(rig_file)[0]
    if run.manifest.get("stage") != "track":
        raise ActuatorsRefused(
            f"{folder}: its actuator columns are the rig's own model of them, not what was measured",
            advice="import the bench's log: emulator track import, with robot.… and actuator.… in the map",
        )
    logged = [c for c in CHANNELS if c.asked in run.signals and c.seen in run.signals]
    ones = [_of_channel(run, channel, rig) for channel in logged]
    if not ones:
        raise ActuatorsRefused(
            f"{folder}: no actuator has both its command and what was measured of it",
            advice="map one of: " + ", ".join(f"{c.asked} with {c.seen}" for c in CHANNELS),
        )
    sha256 = signals_hash(run)
    path = None
    if any(one.values for one in ones):
        text = _text(rig.name, rig_file, out, ones, folder.resolve().name, sha256, command, date)
        _write(out, text)
        path = out
    return FoundActuators(folder.resolve().name, sha256, tuple(ones), path)


def log_of(run: Run, channel: Channel, rig: Rig) -> Log:
    """Command and measured signal of the longest stretch in which no command is missing."""
    asked, step = run.signals[channel.asked], row_ticks(run)
    there = np.isfinite(asked)
    there[1:] &= np.diff(run.tick) == step
    edges = np.flatnonzero(np.diff(np.concatenate([[False], there, [False]]).astype(int)))
    spans = edges.reshape(-1, 2)
    if not len(spans):
        raise NotIdentified("no command was logged")
    first, end = spans[int(np.argmax(spans[:, 1] - spans[:, 0]))]
    seen = run.signals[channel.seen][first:end]
    sampled = sampled_rows(run, channel.seen)[first:end] & np.isfinite(seen)
    rows = np.flatnonzero(sampled)
    steps = np.abs(np.diff(seen[rows]))
    least = float(np.min(steps[steps > 0.0], initial=math.inf))
    coarse = _STEP_OF_NOISE * least if math.isfinite(least) else 0.0
    low, high = _limits(channel, rig)
    return Log(
        np.repeat(asked[first:end], step),
        rows * step,
        seen[rows],
        max(column_noise(run, channel.seen), coarse),
        low,
        high,
        _STEP_OF_NOISE * step * TICK_s if step > 1 else 0.0,
    )


def _limits(channel: Channel, rig: Rig) -> tuple[float, float]:
    a = rig.actuators
    if channel.name == "steering":
        return -a.steering.limit_Nm, a.steering.limit_Nm
    if channel.name.endswith("brake"):
        return 0.0, 1e5 * (a.front_brake if channel.name == "front_brake" else a.rear_brake).limit_bar
    return 0.0, 1.0


def _of_channel(run: Run, channel: Channel, rig: Rig) -> FoundActuator:
    try:
        found = identify(log_of(run, channel, rig))
    except NotIdentified as why:
        return FoundActuator(channel, None, str(why), {})
    if found.cannot:
        return FoundActuator(channel, found, found.cannot, {})
    values: dict[str, float] = {}
    for key, number, per in (
        ("time_constant_ms", found.time_constant, 1e3),
        (channel.rate_key, found.rate_limit, channel.per),
        (channel.play_key, found.free_play, channel.per),
    ):
        if key and number.told:
            values[key] = per * number.value
    return FoundActuator(channel, found, "", values)


def told_words(number: Number, per: float) -> str:
    """A number with half of its 95 % interval, or how large or small it may be."""
    if number.told:
        return f"{per * number.value:.4g} ± {1.96 * per * number.sd:.2g}"
    if math.isfinite(number.at_most):
        return f"at most {per * number.at_most:.3g}"
    return f"at least {per * number.at_least:.3g}" if math.isfinite(number.at_least) else "nothing"


def _text(
    name: str,
    rig_file: Path,
    out: Path,
    ones: list[FoundActuator],
    record: str,
    sha256: str,
    command: str,
    date: str,
) -> str:
    base = named_from(out.resolve().parent, rig_file.resolve())
    lines = [
        f"# Written by emulator track actuators, {date}: {command}",
        f"# Of the record {record}, SHA-256 {sha256}. Half of a 95 % interval stands behind each value.",
        f"based_on: {base!r}",
        f"name: {name + ', actuators identified'!r}",
        "actuators:",
    ]
    for one in ones:
        if not one.values or one.found is None:
            continue
        lines.append(f"  {one.channel.name}:")
        sds = {
            "time_constant_ms": 1e3 * one.found.time_constant.sd,
            one.channel.rate_key: one.channel.per * one.found.rate_limit.sd,
            one.channel.play_key: one.channel.per * one.found.free_play.sd,
        }
        lines += [
            f"    {key}: {float(f'{value:.6g}')!r} # ± {1.96 * sds[key]:.2g}"
            for key, value in one.values.items()
        ]
    return "\n".join(lines) + "\n"


def _write(out: Path, text: str) -> None:
    """Write the rig file if it can be read as one. Raises ConfigError, RunFailed."""
    trial = out.with_name(f".{out.stem}-not-yet.yaml")
    write_whole(trial, text)
    try:
        load_rig(trial)
        trial.replace(out)
    finally:
        trial.unlink(missing_ok=True)
