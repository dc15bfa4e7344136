"""The reference robot while it is rehearsed: stepped, with frames of a bench that stands by."""

from __future__ import annotations

import copy
import math

import numpy as np
import pytest

from emulator.assembly.session import Session, mission
from emulator.core.frame_buffer import FrameBuffer, frame_buffer
from emulator.core.signals import COMMAND, RUNNING, STANDBY
from emulator.inspection.sensors.capture import level_session
from emulator.robot.rehearsed import RehearsedRider
from emulator.wire.can_frames import Codec, check, pack, protect, unpack
from emulator.wire.dbc_frames import load_codec
from tests.support.scripted_robot import RIG, ScriptedRobot


class Stand:
    """A rider and the frames it gets: state, inertial unit, requests, each as long as it is wanted."""

    def __init__(self, session: Session, request: Codec) -> None:
        self.codec, self.request = session.codec, request
        self.rider = RehearsedRider(mission(session), request)
        self.bench = ScriptedRobot(session.codec)  # it packs the bench's frames as well
        self.state = float(STANDBY)
        self.imu = True
        self.asked: tuple[str, float] | None = None
        self.alive = 0
        self.tx = frame_buffer(16)

    def steps(self, count: int) -> dict[str, float]:
        """So many periods; the values last sent, by signal."""
        said: dict[str, float] = {}
        for _ in range(count):
            rx = frame_buffer(8)
            self.bench.send(rx, "emulator_state", {"state": self.state})
            if self.imu:
                self.bench.send(
                    rx, "imu_rates", dict.fromkeys(("rate_x_rad_s", "rate_y_rad_s", "rate_z_rad_s"), 0.0)
                )
            if self.asked is not None:
                self._ask(rx)
            self.rider.step(rx, self.tx)
            said |= self._read()
        return said

    def _ask(self, rx: FrameBuffer) -> None:
        assert self.asked is not None
        signal, amount = self.asked
        table, n = self.request.table, int(rx.count[0])
        values = {"prompt": COMMAND[signal] + 1.0 if signal else 0.0, "amount": amount}
        pack(table, 0, np.array([values[s] for s in self.request.signals[0]]), rx.data[n])
        protect(table, 0, self.alive, rx.data[n])
        self.alive += 1
        rx.can_id[n], rx.length[n], rx.count[0] = table.can_id[0], 8, n + 1

    def _read(self) -> dict[str, float]:
        codec, found = self.codec, {}
        for i in range(int(self.tx.count[0])):
            f = int(np.flatnonzero(codec.table.can_id == self.tx.can_id[i])[0])
            row = np.zeros(len(codec.signals[f]))
            assert check(codec.table, f, self.tx.data[i], int(self.tx.length[i])) >= 0
            unpack(codec.table, f, self.tx.data[i], row)
            found |= dict(zip(codec.signals[f], row.tolist(), strict=True))
        return found


@pytest.fixture(scope="module")
def fresh() -> Stand:
    session = level_session(RIG)
    return Stand(session, load_codec(RIG.parent / session.rig.dbc, ["rehearsal_request"]))


@pytest.fixture
def stand(fresh: Stand) -> Stand:
    return copy.deepcopy(fresh)


def test_it_holds_what_it_is_asked_for_and_lets_go(stand: Stand) -> None:
    assert stand.steps(10)["front_brake_Pa"] == 0.0
    stand.asked = ("front_brake_Pa", 5e5)
    said = stand.steps(10)
    assert (said["front_brake_Pa"], said["rear_brake_Pa"]) == (5e5, 0.0)
    stand.asked = ("steering_angle_rad", -0.3)
    said = stand.steps(10)
    assert said["front_brake_Pa"] == 0.0
    assert said["steering_angle_rad"] == pytest.approx(-0.3, abs=5e-5)
    stand.asked = None  # nobody asks any more
    assert math.isclose(stand.steps(240)["steering_angle_rad"], -0.3, abs_tol=5e-5)
    assert stand.steps(20)["steering_angle_rad"] == 0.0


def test_on_a_ride_it_takes_no_posture(stand: Stand) -> None:
    stand.asked, stand.state = ("front_brake_Pa", 5e5), float(RUNNING)
    stand.steps(20)
    assert stand.steps(5)["front_brake_Pa"] != 5e5


def test_it_holds_its_heartbeat_while_the_inertial_unit_is_silent(stand: Stand) -> None:
    stand.asked = ("", 0.0)
    stand.steps(20)
    stand.imu = False
    stand.steps(30)  # 60 ms, longer than on a ride
    first = stand.steps(10)["heartbeat"]
    assert stand.steps(40)["heartbeat"] == first
    stand.imu = True
    stand.steps(10)
    assert stand.steps(20)["heartbeat"] > first
