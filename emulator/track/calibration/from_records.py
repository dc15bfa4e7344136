"""Records of the track and a calibration file become a vehicle file."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from emulator.config.rig.file import load_rig
from emulator.config.track.calibration_file import CalibrationFile, load_calibration, path_from
from emulator.config.vehicle.calibrated import Calibrated, CalibratedLog, CalibratedValue, HeldOut
from emulator.config.vehicle.file import VehicleFile, load_vehicle
from emulator.config.yaml_source import named_from
from emulator.core.errors import ConfigError, EmulatorError
from emulator.record.content_hash import signals_hash
from emulator.record.reader import read_run
from emulator.record.writer import write_whole
from emulator.track.calibration.estimate import Calibration, Estimate, NotApart
from emulator.track.calibration.excitation import Leg
from emulator.track.calibration.innovations import Stretch
from emulator.track.calibration.judging import Judged, gain, judge
from emulator.track.calibration.least_squares import NotFitted
from emulator.track.calibration.parameters import (
    USUALLY_HELD,
    USUALLY_UNKNOWN,
    Free,
    Measured,
    Parameters,
    usually,
)
from emulator.track.calibration.steady_model import Noise
from emulator.track.calibration.stretches import NotSteady, stretches_of_record
from emulator.track.calibration.version import version_text
from emulator.vehicle.params import RigidMass


class CalibrationRefused(EmulatorError):
    """The logs can't give what was asked of them."""

    exit_status = 3


@dataclass(frozen=True)
class Asked:
    """A calibration file with what it names.

    vehicle_path  of the vehicle that is corrected;  robot  on it
    beside        parameters that the file takes for exact, and that are usually not
    """

    file: CalibrationFile
    vehicle: VehicleFile
    vehicle_path: Path
    robot: RigidMass | None
    parameters: Parameters
    noise: Noise
    legs: tuple[Leg, ...]
    beside: tuple[Free, ...]


@dataclass(frozen=True)
class Log:
    """A record's stretches of steady riding, and the hash of what it holds."""

    name: str
    sha256: str
    stretches: list[Stretch]

    @property
    def seconds(self) -> float:
        """How long its stretches are together [s]."""
        return sum(len(s.torque) * s.step_s for s in self.stretches)


@dataclass(frozen=True)
class Result:
    """What came of it.

    before, after  what the held-out log makes of both vehicles; None: none was held out
    values         group and key -> value, of the parameters that the logs told
    path           of the file; None: none was written
    apart          combinations that the logs leave open
    """

    estimate: Estimate
    logs: list[Log]
    held_out: Log | None
    before: Judged | None
    after: Judged | None
    values: dict[str, float]
    path: Path | None
    apart: tuple[NotApart, ...]

    @property
    def gain(self) -> float:
        """Logarithm of how much more likely the new vehicle makes the held-out log."""
        return gain(self.before, self.after) if self.before and self.after else math.nan


def asked_of(path: Path) -> Asked:
    """A calibration file and what it names. Raises ConfigError."""
    file, source = load_calibration(path)
    vehicle_path = path_from(source, file.vehicle)
    vehicle = load_vehicle(vehicle_path)
    robot = None
    if file.rig is not None:
        on_it = load_rig(path_from(source, file.rig))[0].robot
        robot = RigidMass(on_it.mass_kg, *on_it.position_m, *on_it.inertia_kg_m2)
    problems = [
        source.problem(("parameters", k, "name"), f"expected a section that {vehicle.name} has")
        for k, one in enumerate(file.parameters)
        if one.name.split(".")[0] not in vehicle.values
    ]
    if problems:
        raise ConfigError(problems)
    free = tuple(Free(one.name, one.sd) for one in file.parameters)
    held: tuple[Free, ...] = ()
    beside: tuple[Free, ...] = ()
    if file.others == "usual":
        free += usually(USUALLY_UNKNOWN, vehicle.values, free)
        held = usually(USUALLY_HELD, vehicle.values, free)
    elif free:
        beside = usually(USUALLY_UNKNOWN | USUALLY_HELD, vehicle.values, free)
    else:
        raise ConfigError([source.problem(("others",), "expected a parameter, or others: usual")])
    parameters = Parameters(
        vehicle.values,
        vehicle.tables,
        free,
        tuple(Measured(one.figure, one.value, one.sd) for one in file.measured),
        robot,
        held,
    )
    acting, sensors = file.not_measured, file.sensor_noise
    noise = Noise(
        acting.steering_Nm_rtHz,
        acting.wind_m_s_rtHz,
        acting.drive_Nm_rtHz,
        (
            sensors.roll_rate_rad_s,
            sensors.yaw_rate_rad_s,
            sensors.steer_rad,
            sensors.roll_rad,
            sensors.speed_m_s,
        ),
        acting.wind_drive_lag_s,
    )
    legs = tuple(
        Leg(leg.speed_km_h / 3.6, math.radians(leg.lean_deg), leg.seconds, leg.dither_Nm) for leg in file.legs
    )
    return Asked(file, vehicle, vehicle_path, robot, parameters, noise, legs, beside)


def read_log(folder: Path, number: int) -> Log:
    """A record's steady stretches. Raises RecordError, CalibrationRefused."""
    run = read_run(folder)
    try:
        found = stretches_of_record(run.tick, run.signals, number)
    except NotSteady as why:
        raise CalibrationRefused(f"{folder}: {why}", advice="see emulator track plan") from why
    return Log(folder.name, signals_hash(run), found)


def calibrate(
    asked: Asked, records: Sequence[Path], held_out: Path | None, out: Path, *, command: str, date: str
) -> Result:
    """Estimate, judge, and write the vehicle file.

    records   run folders;  held_out  one that judges
    command, date   that stand in the file
    No file is written where the model cannot do what the logs show, or nothing is told.
    Raises RecordError, CalibrationRefused, RunFailed.
    """
    logs = [read_log(folder, number) for number, folder in enumerate(records)]
    judging = None if held_out is None else read_log(held_out, 0)
    known = {log.sha256 for log in logs}
    if len(known) < len(logs) or (judging is not None and judging.sha256 in known):
        raise CalibrationRefused("two of the records hold the same", advice="name each once")
    try:
        stretches = [s for log in logs for s in log.stretches]
        problem = Calibration(
            asked.parameters, stretches, asked.noise, whole=True, beside=asked.beside, seek_lag=True
        )
        estimate = problem.estimate()
        apart = problem.not_told_apart(estimate)
        told = {
            name: float(value)
            for name, value, is_told in zip(estimate.names, estimate.values, estimate.told, strict=True)
            if is_told
        }
        after_values = {group: dict(entries) for group, entries in asked.vehicle.values.items()}
        for name, value in told.items():
            group, key = name.split(".")
            after_values[group][key] = value
        before = after = None
        if judging is not None:
            # its own lag would hide a wrong vehicle's errors in part
            lag = math.exp(np.mean([math.log(one.found) for one in estimate.lags]))
            noise = asked.noise._replace(lag=lag)
            common = (asked.vehicle.tables, asked.robot, judging.stretches, noise)
            before, after = judge(asked.vehicle.values, *common), judge(after_values, *common)
    except NotFitted as why:
        raise CalibrationRefused(f"nothing can be fitted: {why}") from why
    path = None
    if told and not estimate.cannot:
        text = _text(asked, logs, judging, estimate, before, after, out, command, date)
        write_whole(out, text)
        path = out
    return Result(estimate, logs, judging, before, after, told, path, apart)


def _text(
    asked: Asked,
    logs: list[Log],
    judging: Log | None,
    estimate: Estimate,
    before: Judged | None,
    after: Judged | None,
    out: Path,
    command: str,
    date: str,
) -> str:
    told = np.flatnonzero(estimate.told)
    held = None
    if judging is not None and before is not None and after is not None:
        held = HeldOut(
            name=judging.name,
            sha256=judging.sha256,
            before=round(before.mean_square, 4),
            after=round(after.mean_square, 4),
            gain=round(gain(before, after), 2),
        )
    calibrated = Calibrated(
        date=date,
        command=command,
        base_sha256=hashlib.sha256(asked.vehicle_path.read_bytes()).hexdigest(),
        logs=tuple(CalibratedLog(name=log.name, sha256=log.sha256) for log in logs),
        held_out=held,
        values=tuple(
            CalibratedValue(
                name=estimate.names[k],
                before=float(estimate.before[k]),
                value=float(estimate.values[k]),
                sd=float(estimate.standard[k]),
            )
            for k in told
        ),
        correlation=tuple(
            tuple(round(float(v), 4) for v in row) for row in estimate.correlation[np.ix_(told, told)]
        ),
        refused=tuple(
            name for name, is_told in zip(estimate.names, estimate.told, strict=True) if not is_told
        ),
    )
    base = named_from(out.resolve().parent, asked.vehicle_path.resolve())
    return version_text(asked.file.name, base, calibrated)
