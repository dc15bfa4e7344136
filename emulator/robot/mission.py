"""What the rider is given before the ride, and the GNSS sentences on the way: Python around the step."""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass

import numpy as np

from emulator.core.compiled import bound, bound_to_other, entry
from emulator.core.frame_buffer import FrameBuffer, frame_buffer
from emulator.core.signals import COMMAND, R_HEARTBEAT
from emulator.road.line import Line, sample
from emulator.robot.design import Design, with_shares
from emulator.robot.estimator import align
from emulator.robot.fast.pace import brake_arm
from emulator.robot.gears import DOWN, UP
from emulator.robot.hearing.epochs import ears, epoch_age
from emulator.robot.kept_design import kept_design, kept_masses
from emulator.robot.linear_loop import FED_BACK
from emulator.robot.records import KNOWN_DTYPE, MIND_DTYPE, SEEN, Z_FX, Z_FY, Z_FZ
from emulator.robot.rider import COMMANDS, EMERGENCIES, Rider, hear_gnss, miss, step
from emulator.robot.timing import LoopTiming
from emulator.robot.tuning import STEP
from emulator.vehicle.params import Vehicle
from emulator.wire.can_frames import Codec
from emulator.wire.geodesy import Origin
from emulator.wire.nmea import Fix, burst
from emulator.wire.nmea_reading import Gga, Rmc, parse

_ACCELERATION, _BRAKING = 4.5, 7.0  # [m/s^2] it may ask for whatever its target speeds do ...
_REAR_SHARE, _REAR_USED = 0.25, 0.9  # of the braking; and of the load that hard braking leaves the rear wheel
_BESIDE = 0.5  # ... and beside what they do, to get back to them


@dataclass(frozen=True)
class Mission:
    """Everything a rider may know beforehand.

    line          target path with target speeds
    origin        of the line's ENU axes
    start         station [m] of the start
    grip          [1] the road it expects
    imu_age_s, lean_age_s, wheel_age_s  how old a sample is on arrival, the sensor's own lag included
    gnss_age_s    the same of a GNSS epoch, on the mean
    gnss_jitter_s how far its age strays from that
    imu_m, antenna_m  where they are in the main frame
    imu_axes      (9,) R_BS of the unit's axes S in the main frame B, row by row
    by_angle      whether it steers by the angle of a fork, not by torque
    command_limit of the steering: [N m] of the actuator, or [rad] of the fork
    acceleration, braking  [m/s^2] most of its target speeds, upright
    fast          whether it rides near what the vehicle can do
    throttle_lag_s  of the throttle's actuator
    timing        of the steering loop it closes; None: of a rig whose steering is not its own
    gain_shares   (5,) of its designed balance gains; 1 as designed
    cut_from      engine speed [rad/s] from which the bike's quickshifter cuts for a change up; inf: none
    """

    vehicle: Vehicle
    mass: float
    line: Line
    codec: Codec
    origin: Origin
    start: float
    grip: float
    imu_age_s: float
    lean_age_s: float
    wheel_age_s: float
    gnss_age_s: float
    gnss_jitter_s: float
    imu_m: tuple[float, float, float]
    imu_axes: tuple[float, ...]
    antenna_m: tuple[float, float, float]
    by_angle: bool
    command_limit: float
    acceleration: float
    braking: float
    fast: bool
    throttle_lag_s: float
    timing: LoopTiming | None
    gain_shares: tuple[float, ...] = (1.0,) * len(FED_BACK)
    cut_from: float = math.inf


def design_for(mission: Mission) -> Design:
    """The rider's design for a mission, worked out unless it is kept. Errors as of ``design_rider``."""
    fastest = float(mission.line.target_speed.max())
    return with_shares(
        kept_design(mission.vehicle, mission.grip, mission.timing, fastest), mission.gain_shares
    )


class ReferenceRider:
    """The rider with its GNSS receiver's sentences; the caller brings time and frames.

    design  worked out from the mission if not given
    """

    def __init__(self, mission: Mission, design: Design | None = None) -> None:
        self.mission = mission
        self.rider = _rider(mission, design_for(mission) if design is None else design)
        buffer = frame_buffer(1)
        self._rx = self._tx = buffer
        self._step = bound(step, (self.rider, buffer, buffer))
        self._miss = entry(miss, self.rider, buffer, 0)
        self._hear_gnss = entry(hear_gnss, self.rider, 0.0, 0.0, 0.0, 0.0, 0.0, 0, 0.0)
        self._line_buffer = b""
        self.ears = ears(mission.origin.frame, mission.gnss_age_s, mission.gnss_jitter_s)
        """What it keeps of sentences; whoever hears many in compiled code uses it, too."""
        self._epoch_age = entry(epoch_age, self.ears, 0, 0, 0)

    def rehearse(self) -> None:
        """Call everything once on a copy, so that no control period of a ride has to compile."""
        trial, origin = copy.deepcopy(self), self.mission.origin
        fix = Fix(0, origin.latitude_rad, origin.longitude_rad, origin.height_m, 0.0, 4, 9, 1.0, 0.0, None)
        for epoch_ns in (0, 100_000_000):
            trial.hear(burst(fix._replace(utc_ns=epoch_ns)), epoch_ns, epoch_ns)
            trial.miss(frame_buffer(8), 1)
            trial.step(frame_buffer(8), frame_buffer(16))

    def step(self, rx: FrameBuffer, tx: FrameBuffer) -> int:
        """One control period; see :func:`emulator.robot.rider.step`. Other buffers take a while."""
        if rx is not self._rx or tx is not self._tx:
            self._rx, self._tx, self._step = rx, tx, bound_to_other(self._step, rx, tx)
        return self._step()

    def miss(self, rx: FrameBuffer, periods: int) -> None:
        """Control periods it was held up for; see :func:`emulator.robot.rider.miss`. Empties ``rx``."""
        self._miss(self.rider, rx, periods)

    @property
    def stopped(self) -> tuple[str, float] | None:
        """Why it stopped of its own accord, and when [s] of the ride; None: it did not."""
        e = self.rider.mind[0]
        if e["emergency"] == 0:
            return None
        return EMERGENCIES[int(e["emergency"])], float(e["emergency_steps"]) * STEP

    def hear(self, stream: bytes, arrived_ns: int, stepped_ns: int) -> None:
        """Bytes from the GNSS port, in any pieces, and when they arrived by the rider's own clock.

        An epoch is complete when both GGA and RMC of one time have arrived. stepped_ns: when the last control
        period was due, which the estimate belongs to.
        """
        heard = self.ears.heard[0]
        *sentences, left = (self._line_buffer + stream).split(b"\n")
        self._line_buffer = left[-256:]
        heard["partial"] = len(self._line_buffer)
        for sentence in sentences:
            if sentence[3:6] not in (b"GGA", b"RMC"):
                continue
            parsed = parse(sentence + b"\n")
            if isinstance(parsed, Gga):
                heard["placed"] = 0
                if parsed.fix_quality > 0 and parsed.time_of_day_ns is not None:
                    height = parsed.altitude_msl_m + parsed.geoid_separation_m
                    position = self.mission.origin.geodetic_to_enu(
                        parsed.latitude_rad, parsed.longitude_rad, height
                    )
                    if all(map(math.isfinite, position)):  # empty fields are sound, and say nothing
                        heard["placed"], heard["place"], heard["quality"] = 1, position, parsed.fix_quality
            elif isinstance(parsed, Rmc) and parsed.valid and heard["placed"]:
                if parsed.utc_ns is not None and math.isfinite(parsed.speed_m_s):
                    self._epoch(parsed, parsed.utc_ns, arrived_ns, stepped_ns)
                heard["placed"] = 0

    def _epoch(self, rmc: Rmc, utc_ns: int, arrived_ns: int, stepped_ns: int) -> None:
        heard = self.ears.heard[0]
        age = self._epoch_age(self.ears, utc_ns, arrived_ns, stepped_ns)
        if math.isnan(age):
            return
        place, quality = heard["place"].tolist(), int(heard["quality"])
        self._hear_gnss(self.rider, place[0], place[1], place[2], rmc.speed_m_s, rmc.course_rad, quality, age)


def _rider(m: Mission, design: Design) -> Rider:
    body, (rear, front) = m.vehicle.body[0], m.vehicle.tyre
    known = np.zeros(1, KNOWN_DTYPE)
    k = known[0]
    k["mass"], k["gravity"], k["drag_area"] = m.mass, body["gravity"], body["air_drag_area"]
    k["rolling"] = front["rolling_resistance"]
    k["front_radius"], k["front_crown"] = front["radius"], front["crown_radius"]
    k["rear_radius"], k["rear_crown"] = rear["radius"], rear["crown_radius"]
    k["front_gain"], k["rear_gain"] = body["brakes_front_gain"], body["brakes_rear_gain"]
    k["primary"] = body["gearbox_primary"]
    k["final"] = body["final_drive_rear_radius"] / body["final_drive_front_radius"]
    k["gears"] = [0.0, *(float(body[f"gearbox_gear_{n}"]) for n in range(1, 7))]
    k["up_rate"], k["down_rate"] = UP * body["engine_limiter_speed"], DOWN * body["engine_limiter_speed"]
    k["cut_from"] = m.cut_from
    k["most_acceleration"] = m.acceleration if m.fast else max(_ACCELERATION, m.acceleration + _BESIDE)
    k["most_braking"] = max(_BRAKING, m.braking + _BESIDE)
    built = kept_masses(m.vehicle)
    moved = built.height / built.wheelbase * m.braking / float(body["gravity"])  # of the load, to the front
    k["rear_share"] = min(_REAR_SHARE, _REAR_USED * (1.0 - built.front_share - moved))
    k["fast"] = m.fast
    k["front_share"], k["height"] = built.front_share, built.height
    k["transfer"] = built.height / built.wheelbase
    k["front_inertia"] = body["front_wheel_spin_inertia"] / front["radius"] ** 2
    k["rear_inertia"] = body["rear_wheel_spin_inertia"] / rear["radius"] ** 2
    k["brake_arm"] = brake_arm(m.vehicle) if m.fast and not m.by_angle else 0.0
    k["throttle_lag"] = m.throttle_lag_s
    k["engine_inertia"] = body["engine_inertia"]
    k["wheel_inertia"] = (
        body["front_wheel_spin_inertia"] / front["radius"] ** 2
        + body["rear_wheel_spin_inertia"] / rear["radius"] ** 2
    )
    k["imu"], k["imu_axes"], k["antenna"] = m.imu_m, m.imu_axes, m.antenna_m
    k["imu_age"], k["lean_age"], k["wheel_age"] = m.imu_age_s, m.lean_age_s, m.wheel_age_s
    k["by_angle"], k["command_limit"] = m.by_angle, m.command_limit

    mind = np.zeros(1, MIND_DTYPE)
    e = mind[0]
    x, y, heading, _, _ = sample(m.line, m.start)
    e["x"], e["y"], e["heading"], e["station"] = x, y, math.remainder(heading, 2.0 * math.pi), m.start
    e["gear"] = 1
    level = np.zeros(len(SEEN))
    level[Z_FX], level[Z_FY], level[Z_FZ] = np.array(m.imu_axes).reshape(3, 3).T @ (0.0, 0.0, body["gravity"])
    align(k, e, level)
    e["still"] = 0

    codec = m.codec
    width = codec.most_signals
    seen_of = np.full((len(codec.frames), width), -1, np.int64)
    for f, name in enumerate(codec.frames):
        if name in COMMANDS:
            seen_of[f] = -2
            continue
        for i, signal in enumerate(codec.signals[f]):
            if signal in SEEN:
                seen_of[f, i] = SEEN.index(signal)
    frame_of = [codec.frames.index(name) if name in codec.frames else -1 for name in COMMANDS]
    sent_of = np.zeros((len(COMMANDS), width), np.int64)
    beats = np.zeros(len(COMMANDS), np.int64)
    for i, f in enumerate(frame_of):
        for j, signal in enumerate(codec.signals[f] if f >= 0 else ()):
            sent_of[i, j] = COMMAND[signal]
            beats[i] |= COMMAND[signal] == R_HEARTBEAT
    return Rider(
        known=known,
        mind=mind,
        body=m.vehicle.body,
        design=design,
        line=m.line,
        codec=codec.table,
        seen=np.zeros(len(SEEN)),
        seen_of=seen_of,
        received=np.full(len(SEEN), -1_000_000, np.int64),
        alive=np.full(len(codec.frames), -1, np.int64),
        frame_of=np.array(frame_of, np.int64),
        sent_of=sent_of,
        beats=beats,
        counter=np.zeros(len(COMMANDS), np.int64),
        values=np.zeros(len(COMMAND)),
        payload=np.zeros(width),
    )
