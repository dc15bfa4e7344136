"""From a rig file to what its sensors are configured to do, and whether they do: ``emulator sensors``."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.provenance import session_of_record
from emulator.assembly.session import Session
from emulator.config.rig.file import Rig
from emulator.core.errors import ConfigError, RecordError
from emulator.inspection.sensors.budget import budget_of
from emulator.inspection.sensors.capture import Record, level_session, listen
from emulator.inspection.sensors.checks import (
    INERTIAL,
    Row,
    all_rows,
    felt_at_rest,
    rest_checks,
    settled_s,
    taken_apart,
)
from emulator.inspection.sensors.imposed_motion import SteadyTurn, Sway
from emulator.inspection.sensors.inertial_budget import keys_of
from emulator.inspection.sensors.lean_ride import LeanOnRide, lean_on_ride, motion_at, shown_on_ride
from emulator.inspection.sensors.motion_checks import sway_checks, turn_checks
from emulator.inspection.sensors.page import SensorPage
from emulator.record.reader import Run, read_run
from emulator.vehicle.equilibrium import NoEquilibrium, Steady, steady_motion
from emulator.vehicle.state import ENGINE

_TURN_SHARE, _SWAY_SHARE = 0.3, 0.15  # length of these records over that at rest
_SWAY_ROLL = 0.1  # [rad] small, so that what a lean sensor computes stays in proportion
_LEAN_STEP = math.radians(5.0)  # from one equilibrium to the next


class NoSuchTurn(ValueError):
    """The vehicle can't hold the steady turn that was asked for."""


@dataclass(frozen=True)
class Plan:
    """What is measured: seconds at rest, the turn's speed and lean, and the frequency of the sway."""

    seconds: float = 200.0
    speed_m_s: float = 20.0
    lean_rad: float = math.radians(35.0)
    sway_hz: float = 1.1  # no multiple of any usual rate's part, so that every phase is met


def steady_turn(session: Session, speed_m_s: float, lean_rad: float) -> Steady:
    """The vehicle's steady turn. Raises NoSuchTurn where it has none."""
    found: Steady | None = None
    count = max(1, math.ceil(abs(lean_rad) / _LEAN_STEP))
    try:
        for k in range(1, count + 1):
            found = steady_motion(session.vehicle, speed_m_s, lean_rad * k / count, guess=found)
    except NoEquilibrium as error:
        raise NoSuchTurn(f"expected a turn the vehicle can hold: {error}") from error
    assert found is not None
    return found


def sensors_of(
    rig_file: Path,
    *,
    seed: int = 0,
    plan: Plan | None = None,
    ride: Path | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> SensorPage:
    """Budget of a rig, with a plan the measurement beside it, with a run folder what it makes of that ride.

    progress  told what is measured and the share of it that is done
    Raises ConfigError with every problem of the rig's files; NoSuchTurn for a turn the vehicle can't hold;
    RecordError for a ride that can't be read or shows no motion.
    """
    session = level_session(rig_file, seed=seed)
    speed = Plan.speed_m_s if plan is None else plan.speed_m_s
    budget = budget_of(session.rig, session.vehicle, session.codec, speed_m_s=speed)
    notes = tuple(str(w) for w in session.warnings)
    ridden = None if ride is None else ridden_lean(session, ride)
    if plan is None:
        return SensorPage(budget, notes=notes, ride=ridden)
    turn = SteadyTurn(steady_turn(session, speed, plan.lean_rad), float(session.vehicle.body[0]["gravity"]))
    rows, rest = measured(session, plan, turn, progress or (lambda _what, _share: None))
    noise = _noise_at_rest(session, rest, turn.gravity)
    return SensorPage(budget, tuple(rows), rest, noise, notes, ridden)


def ridden_lean(session: Session, folder: Path) -> LeanOnRide:
    """What the rig's lean sensor makes of a recorded ride, beside what came out if that one rode.

    Raises RecordError for a ride that can't be read, is thin or shows no motion.
    """
    run, rig, codec = read_run(folder), session.rig, session.codec
    if run.left_out:
        raise RecordError(
            f"{folder}: {run.left_out[0]}", advice="make the whole record again, and name that folder"
        )
    motion = motion_at(run, (0.0, 0.0, 0.0))
    speed = float(np.mean(motion.velocity[motion.riding, 0])) if motion.riding.any() else 0.0
    output = budget_of(rig, session.vehicle, codec, speed_m_s=speed).output_of("lean_rad")
    channel = next(c for c in output.channels if c.signal == "lean_rad")
    added = math.hypot(*(t.sigma for t in channel.terms if t.kind in ("white", "step")))
    found = lean_on_ride(rig, session.vehicle, run, output.age, added)
    if not _same_lean(rig, run):
        return found
    rms_rad, late_ms = shown_on_ride(run, codec, output.name)
    return replace(found, shown_rms_rad=rms_rad, shown_lag_ms=late_ms)


def _same_lean(rig: Rig, run: Run) -> bool:
    """Whether a run was ridden with this rig's lean sensor; one that keeps no files can't tell."""
    try:
        then = session_of_record(run.folder, run.manifest).rig
    except (RecordError, ConfigError):
        return False
    return then.sensors.lean == rig.sensors.lean and then.outputs.get("lean") == rig.outputs.get("lean")


def _noise_at_rest(session: Session, rest: Record, gravity: float) -> dict[str, NDArray[np.float64]]:
    """What the inertial signals show at rest besides warming and the engine, for their Allan deviations."""
    found = {}
    for name in ("imu_rates", "imu_force"):
        if name in rest.outputs:
            received = rest.outputs[name].after(settled_s(session.rig, name))
            for signal in received.signals:
                if signal.startswith(INERTIAL):
                    force, engine = felt_at_rest(rest.x, gravity), float(rest.x[ENGINE])
                    found[signal] = taken_apart(
                        signal, received, session.rig.sensors.imu, force, engine
                    ).noise
    return found


def measured(
    session: Session, plan: Plan, turn: SteadyTurn, progress: Callable[[str, float], None]
) -> tuple[list[Row], Record]:
    """Rows of the records at rest, in the turn and swaying, and the one at rest."""
    rig, vehicle = session.rig, session.vehicle
    budget = budget_of(rig, vehicle, session.codec, speed_m_s=plan.speed_m_s)
    still = budget_of(rig, vehicle, session.codec, speed_m_s=0.0)

    def told(what: str, seconds: float) -> Callable[[float], None]:
        return lambda done: progress(what, done / seconds)

    begun_s = max(settled_s(rig, name) for name in rig.outputs)
    turn_s, sway_s = (begun_s + max(8.0, share * plan.seconds) for share in (_TURN_SHARE, _SWAY_SHARE))
    rest_s = begun_s + plan.seconds
    rest = listen(session, rest_s, None, told("at rest", rest_s))
    turning = listen(session, turn_s, turn.impose, told("in a steady turn", turn_s))
    most = keys_of(rig.sensors.imu, "rate").limit / (2.0 * math.pi * plan.sway_hz)  # rates within their range
    sway = Sway(vehicle, rest.x, plan.sway_hz, roll=min(_SWAY_ROLL, 0.5 * most), speed=plan.speed_m_s)
    swaying = listen(session, sway_s, sway.impose, told("swaying", sway_s))
    felt = replace(sway, roll=0.5 * sway.roll, felt=True)
    feeling = listen(session, sway_s, felt.impose, told("swaying, felt", sway_s), felt.accelerate)
    gear = float(session.scenario.start.gear)
    rows = all_rows(
        [
            ("rest", rest_checks(still, rig, vehicle, rest, turn.gravity, gear)),
            ("turn", turn_checks(budget, rig, vehicle, turn, turning)),
            ("sway", [*sway_checks(budget, rig, sway, swaying), *sway_checks(budget, rig, felt, feeling)]),
        ]
    )
    return rows, rest
