"""What a receiver on the rig's bus and GNSS port gets while the bench stands by, and what it decodes.

The same compiled tick as in a ride: sense, measure, delay line, packing, counter and CRC, sentences; on a
stepped clock and without a robot, so the bench stays in standby. The bike stands in its support, or a motion
is put on it (:mod:`emulator.inspection.sensors.imposed_motion`).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.bench import Bench
from emulator.assembly.files import files_of_rig
from emulator.assembly.session import Session
from emulator.config.rig.consistency import rig_warnings
from emulator.config.rig.file import load_rig
from emulator.config.rig.ports import SerialPort
from emulator.config.scenario.schema import Origin, Scenario, SpeedProfile, Start, Support, Surface
from emulator.core.compiled import jit
from emulator.core.errors import ConfigError, Problem
from emulator.core.frame_buffer import MAX_DATA, frame_buffer
from emulator.core.signals import TICK_NS
from emulator.criteria.limits import NoFall
from emulator.inspection.sensors.imposed_motion import Motion
from emulator.record.frame_columns import TX
from emulator.road.build_line import Straight, build_line
from emulator.road.line import surface
from emulator.road.shape import flat
from emulator.stages.stepped_loop import Block, SteppedLoop
from emulator.vehicle.params import RigidMass, vehicle_record
from emulator.wire import geodesy
from emulator.wire.can_frames import FrameCodec, check, unpack
from emulator.wire.nmea_reading import Gga, Rmc, parse

TICK_S = TICK_NS * 1e-9
GNSS_RECEIVED = ("gnss_x_m", "gnss_y_m", "gnss_z_m", "gnss_speed_m_s", "gnss_course_rad", "gnss_fix")
"""What is read from the sentences, by the names of the outputs; NaN where a field is empty."""
_BITS_A_BYTE = 10  # 8N1
_DAY_NS = 86_400_000_000_000
_STRAIGHT_M = 2000.0
_SAY_EVERY = 2000  # ticks
_FRAMES, _TX_ROWS = 20_000, 64


def level_session(rig_path: Path, *, seed: int = 0) -> Session:
    """The rig on a level, straight road where nothing happens; no scenario file is needed.

    Raises ConfigError with every problem of the rig and the files it names.
    """
    rig, source = load_rig(rig_path)
    problems: list[Problem] = []
    vehicle_file, codec, frame_doubts = files_of_rig(rig, source, problems)
    if problems or vehicle_file is None or codec is None:
        raise ConfigError(problems)
    line = build_line([Straight(_STRAIGHT_M)], closed=False, ds_m=1.0)
    scenario = Scenario(
        kind="scenario",
        name="standing by",
        purpose="what the sensors show",
        circuit="none",
        laps=1,
        duration_limit_s=86_400.0,
        utc=datetime(2030, 6, 15, 12, tzinfo=UTC),
        origin=Origin(latitude_deg=20.0, longitude_deg=10.0, height_m=100.0),
        start=Start(station_m=0.5 * _STRAIGHT_M),
        support=Support(tow_acceleration_m_s2=1.0, release_speed_km_h=20.0),
        speed=SpeedProfile(
            lean_limit_deg=30.0, acceleration_limit_m_s2=3.0, braking_limit_m_s2=3.0, top_speed_km_h=100.0
        ),
        surface=Surface(grip=1.0),
        criteria=(NoFall(kind="no_fall"),),
    )
    vehicle = vehicle_record(
        vehicle_file.values,
        vehicle_file.tables,
        robot=RigidMass(rig.robot.mass_kg, *rig.robot.position_m, *rig.robot.inertia_kg_m2),
    )
    return Session(
        rig=rig,
        scenario=scenario,
        vehicle_file=vehicle_file,
        vehicle=vehicle,
        nominal=vehicle,
        line=line,
        road=surface(1.0, []),
        sector_ends=(math.inf,),  # no ride that comes to an end
        road_profile=flat(line),
        width=12.0,
        codec=codec,
        outputs=tuple(rig.outputs),
        seed=seed,
        files={},
        paths={},
        warnings=[
            *source.warnings,
            *frame_doubts,
            *rig_warnings(rig, source, vehicle_file.values),
            *vehicle_file.warnings,
        ],
    )


@dataclass(frozen=True)
class ReceivedOutput:
    """What came from one output: (n,) times of the loop, (n, k) decoded values in the codec's order.

    stamped_ns  tick its content was sampled at: of frames by the loop's own account, of GNSS as the
                sentences say
    arrived_ns  tick it left in; of GNSS on a serial line when its last byte has arrived
    damaged     frames whose CRC, length or counter was not right, or sentences that could not be read
    """

    signals: tuple[str, ...]
    stamped_ns: NDArray[np.int64]
    arrived_ns: NDArray[np.int64]
    values: NDArray[np.float64]
    damaged: int

    @property
    def stamped(self) -> NDArray[np.float64]:
        """[s] of the loop."""
        return np.asarray(self.stamped_ns * 1e-9)

    @property
    def arrived(self) -> NDArray[np.float64]:
        """[s] of the loop."""
        return np.asarray(self.arrived_ns * 1e-9)

    @property
    def age_ms(self) -> NDArray[np.float64]:
        """(n,) from the sampling to the tick it left in."""
        return np.asarray((self.arrived_ns - self.stamped_ns) * 1e-6)

    def of(self, signal: str) -> NDArray[np.float64]:
        """(n,) of one signal. ValueError if it is not in there."""
        return self.values[:, self.signals.index(signal)]

    def after(self, time_s: float) -> ReceivedOutput:
        """Only what was sampled from then on."""
        keep = self.stamped_ns >= time_s * 1e9
        return ReceivedOutput(
            self.signals, self.stamped_ns[keep], self.arrived_ns[keep], self.values[keep], self.damaged
        )


@dataclass(frozen=True)
class Record:
    """All outputs over ``seconds``; ``x`` is the state the bike stood in at first."""

    outputs: dict[str, ReceivedOutput]
    seconds: float
    x: NDArray[np.float64]
    satellites: tuple[int, ...]

    def of(self, signal: str) -> NDArray[np.float64] | None:
        """(n,) of a signal in whichever output carries it; None if none does."""
        for received in self.outputs.values():
            if signal in received.signals:
                return received.of(signal)
        return None


@jit
def _read(codec: FrameCodec, f: int, data: NDArray[np.uint8], values: NDArray[np.float64]) -> int:
    """Decode (n, 64) payloads of frame ``f`` into (n, k); how many had a wrong CRC, length or counter."""
    damaged = 0
    for i in range(data.shape[0]):
        counter = check(codec, f, data[i], codec.length[f])
        if counter < 0 or counter != i % codec.counters[f]:
            damaged += 1
        unpack(codec, f, data[i], values[i])
    return damaged


class _Imposed:
    """Drives the bench in standby for so many ticks, with a motion put on the bike before each."""

    def __init__(
        self,
        ticks: int,
        motion: Motion | None,
        progress: Callable[[float], None] | None,
        accelerations: Motion | None,
    ) -> None:
        self._ticks, self._done = ticks, 0
        self._motion, self._accelerations = motion, accelerations
        self._progress = progress
        self._rx, self._tx = frame_buffer(1), frame_buffer(_TX_ROWS)

    def advance(self, bench: Bench, block: Block) -> bool:
        """See :class:`emulator.stages.stepped_loop.Driver`."""
        if self._done == self._ticks:
            return False
        x, rates = bench.plant.x, bench.plant.run["imposed_rates"][0]
        while self._done < self._ticks and not block.full:
            if self._motion is not None:
                self._motion(self._done * TICK_S, x)
            if self._accelerations is not None:
                self._accelerations(self._done * TICK_S, rates)
            bench.tick(self._rx, self._tx, 0.0, 0.0)
            block.add_frames(bench.tick_number, TX, self._tx)
            if self._progress is not None and self._done % _SAY_EVERY == 0:
                self._progress(self._done * TICK_S)
            self._done += 1
            if bench.wants_attention:
                break
        return True

    def hear(self, burst: bytes) -> None:
        """Nobody rides."""


def listen(
    session: Session,
    seconds: float,
    motion: Motion | None = None,
    progress: Callable[[float], None] | None = None,
    accelerations: Motion | None = None,
) -> Record:
    """Everything sent within ``seconds`` of the loop from its start, decoded.

    motion         put on the bike before each tick; None: it stands in its support
    progress       told the seconds done, now and then
    accelerations  of that motion: writes the rates (6,) of angular velocity and velocity, components of the
                   main frame [rad/s^2], [m/s^2]; None: its velocities are taken not to change in there
    """
    bench = Bench(session)
    x_0, first_tick, ticks = bench.plant.x.copy(), bench.tick_number + 1, round(seconds / TICK_S)
    block = Block(1, _FRAMES, MAX_DATA, _TX_ROWS)
    loop = SteppedLoop(bench, _Imposed(ticks, motion, progress, accelerations), block, keep_unarmed=True)
    frames, data, bursts = [], [], []
    for part in loop.blocks():
        frames.append(part.frames.copy())
        data.append(part.data.copy())
        bursts += [(tick - first_tick, burst) for tick, burst in part.bursts]
    sent, payloads = np.concatenate(frames), np.concatenate(data)
    # Outside the loop time counts from the start of a ride, which here lies far ahead.
    origin_ns = -first_tick * TICK_NS
    codec, outputs = session.codec, {}
    for name in session.outputs:
        f = codec.frame(name)
        mine = np.flatnonzero(sent[:, 4] == codec.table.can_id[f])
        values = np.zeros((mine.size, len(codec.signals[f])))
        damaged = _read(codec.table, f, payloads[mine], values)
        arrived_ns = sent[mine, 0] * TICK_NS + origin_ns
        outputs[name] = ReceivedOutput(
            codec.signals[f], sent[mine, 2] + origin_ns, arrived_ns, values, damaged
        )
    outputs["gnss"], satellites = _sentences(session, bursts, origin_ns)
    return Record(outputs, seconds, x_0, satellites)


def _sentences(
    session: Session, bursts: list[tuple[int, bytes]], origin_ns: int
) -> tuple[ReceivedOutput, tuple[int, ...]]:
    """Epochs as their receiver reads them, times of validity from the sentences."""
    o = session.scenario.origin
    place = geodesy.Origin(math.radians(o.latitude_deg), math.radians(o.longitude_deg), o.height_m)
    at_zero = session.scenario.utc
    midnight_ns = ((at_zero.hour * 60 + at_zero.minute) * 60 + at_zero.second) * 1_000_000_000
    stamped, arrived, rows, satellites = [], [], [], set()
    port = session.rig.gnss_port
    byte_ns = round(_BITS_A_BYTE * 1e9 / port.baud) if isinstance(port, SerialPort) else 0
    damaged = 0
    for tick, burst in bursts:
        row = dict.fromkeys(GNSS_RECEIVED, math.nan)
        time_ns: int | None = None
        for text in burst.split(b"\r\n")[:-1]:
            if text[3:6] not in (b"GGA", b"RMC"):
                continue
            said = parse(text)
            if isinstance(said, Gga):
                time_ns = said.time_of_day_ns
                row["gnss_fix"] = said.fix_quality
                satellites.add(said.satellites)
                height = said.altitude_msl_m + said.geoid_separation_m
                if math.isfinite(said.latitude_rad + said.longitude_rad + height):
                    east, north, up = place.geodetic_to_enu(said.latitude_rad, said.longitude_rad, height)
                    row |= {"gnss_x_m": east, "gnss_y_m": north, "gnss_z_m": up}
            elif isinstance(said, Rmc):
                time_ns = said.utc_ns if time_ns is None else time_ns
                row |= {"gnss_speed_m_s": said.speed_m_s, "gnss_course_rad": said.course_rad}
            else:
                damaged += 1
        if time_ns is None:
            damaged += 1
            continue
        # time of day to time of the loop; the day is that of the arrival
        since = (time_ns - midnight_ns + origin_ns) % _DAY_NS
        arrived_ns = tick * TICK_NS + byte_ns * len(burst)
        stamped.append(arrived_ns - (arrived_ns - since) % _DAY_NS)
        arrived.append(arrived_ns)
        rows.append(list(row.values()))
    values = np.array(rows).reshape(-1, len(GNSS_RECEIVED))
    received = ReceivedOutput(
        GNSS_RECEIVED, np.array(stamped, np.int64), np.array(arrived, np.int64), values, damaged
    )
    return received, tuple(sorted(satellites))
