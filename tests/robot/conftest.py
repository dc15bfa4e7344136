import copy
import math
from pathlib import Path

import numpy as np
import pytest

from emulator.assembly.session import Session, load_session, mission
from emulator.core.compiled import bound
from emulator.core.constants import GRAVITY
from emulator.core.frame_buffer import MAX_DATA, FrameBuffer, frame_buffer
from emulator.robot.mission import Mission, ReferenceRider
from emulator.wire.can_frames import Codec
from emulator.wire.nmea import Fix
from tests.support.scripted_robot import packed

SCENARIOS = Path(__file__).parents[2] / "scenarios"


@pytest.fixture(scope="session")
def session() -> Session:
    """The demo bench."""
    return load_session(SCENARIOS / "rigs" / "loopback.yaml", SCENARIOS / "runs" / "first_lap.yaml", seed=7)


@pytest.fixture(scope="session")
def told(session: Session) -> Mission:
    """What the rider is told before the ride."""
    return mission(session)


@pytest.fixture(scope="session")
def prepared(told: Mission) -> ReferenceRider:
    """A rider nobody may touch: its tables take a second to work out."""
    return ReferenceRider(told)


@pytest.fixture
def rider(prepared: ReferenceRider) -> ReferenceRider:
    """A rider of the test's own."""
    return copy.deepcopy(prepared)


class BenchVoice:
    """Speaks to a rider as the bench does: protected frames with values by signal name."""

    def __init__(self, codec: Codec) -> None:
        self.codec = codec
        self.counters = dict.fromkeys(codec.frames, 0)
        self.values = {
            "wheel_front_m_s": 0.0,
            "wheel_rear_m_s": 0.0,
            "rate_x_rad_s": 0.0,
            "rate_y_rad_s": 0.0,
            "rate_z_rad_s": 0.0,
            "force_x_m_s2": 0.0,
            "force_y_m_s2": 0.0,
            "force_z_m_s2": GRAVITY,
            "lean_rad": 0.0,
            "steering_angle_rad": 0.0,
            "steering_rate_rad_s": 0.0,
            "engine_rad_s": 130.0,
            "gear": 1.0,
            "throttle": 0.0,
            "state": 2.0,
        }
        self.rx = frame_buffer(32)
        self._row, self._data = np.zeros(codec.most_signals), np.zeros(MAX_DATA, np.uint8)
        self._pack = bound(packed, (codec.table, self._row, self._data), 0, 0)

    def say(self, *frames: str) -> FrameBuffer:
        """A fresh buffer with these frames."""
        self.rx.count[0] = 0
        for name in frames:
            f, n = self.codec.frame(name), int(self.rx.count[0])
            names = self.codec.signals[f]
            self._row[: len(names)] = [self.values.get(s, 0.0) for s in names]
            self._pack(f, self.counters[name])
            self.rx.data[n] = self._data
            self.counters[name] = (self.counters[name] + 1) % 15
            self.rx.can_id[n] = self.codec.table.can_id[f]
            self.rx.length[n] = self.codec.table.length[f]
            self.rx.count[0] = n + 1
        return self.rx


@pytest.fixture
def voice(told: Mission) -> BenchVoice:
    """The bench's side of the bus."""
    return BenchVoice(told.codec)


class Receiver:
    """Makes GNSS fixes at places of the line's axes."""

    utc_ns = 1_800_000_000 * 1_000_000_000

    def __init__(self, told: Mission) -> None:
        self._origin = told.origin

    def fix(self, east: float, north: float, speed: float, at_s: float, quality: int = 4) -> Fix:
        """An epoch valid ``at_s`` after the start."""
        latitude, longitude, height = self._origin.enu_to_geodetic(east, north, 0.0)
        return Fix(
            utc_ns=self.utc_ns + round(at_s * 1000) * 1_000_000,
            latitude_rad=latitude,
            longitude_rad=longitude,
            altitude_msl_m=height,
            geoid_separation_m=0.0,
            fix_quality=quality,
            satellites=17,
            hdop=0.7,
            speed_m_s=speed,
            course_rad=math.pi / 2,
        )


@pytest.fixture
def receiver(told: Mission) -> Receiver:
    """A GNSS receiver."""
    return Receiver(told)
