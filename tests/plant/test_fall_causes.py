"""What is told of slides, lifted wheels, pegs, the road's edge and stalls, and what a fall is put down to."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from emulator.assembly.session import Session
from emulator.core.signals import UNARMED_TICK
from emulator.plant.fall_causes import (
    FELL_BALANCE,
    FELL_FRONT,
    FELL_HIGH_SIDE,
    FELL_OVER,
    FELL_REAR,
    LOCKED,
    LONGEST_FALL_TICKS,
    SIDEWAYS,
    SPINNING,
    STILL_TICKS,
    watch,
)
from emulator.plant.records import MEMORY_DTYPE, RIG_DTYPE, RUN_DTYPE
from emulator.plant.states import (
    EV_FALL,
    EV_LIFT,
    EV_PEG,
    EV_RELEASE,
    EV_REST,
    EV_RUN_OFF,
    EV_SLIDE,
    EV_STALL,
)
from emulator.road.line import surface
from emulator.vehicle.params import VEHICLE_DTYPE
from emulator.vehicle.state import (
    FRONT,
    LEFT,
    P_LOAD,
    REAR,
    RIGHT,
    T_LOAD,
    T_SLIDING,
    T_SLIP_ANGLE,
    T_SLIP_RATIO,
    scratch,
)
from tests.support.scripted_robot import HELD_CLUTCH, Ride, variant

Told = list[tuple[int, int, int]]


class Watched:
    """A bike whose attitude, tyres and engine are set by hand, watched tick by tick."""

    def __init__(self) -> None:
        self.rig, self.run = np.zeros(1, RIG_DTYPE), np.zeros(1, RUN_DTYPE)
        self.body, self.memory, self.work = np.zeros(1, VEHICLE_DTYPE), np.zeros(1, MEMORY_DTYPE), scratch()
        self.rig["half_width"] = 5.0
        self.run["fallen_tick"], self.run["slide_end"] = -1, UNARMED_TICK
        self.body["fall_roll_limit"], self.body["fall_peg_angle"] = 1.1, 0.9
        self.body["engine_stall_speed"] = 50.0
        self.speed, self.engine = 20.0, 500.0
        self.tyres()
        self.attitude()

    def attitude(self, roll: float = 0.0, pitch: float = 0.0) -> None:
        R = self.work[0]["R"]
        R[6], R[7], R[8] = (
            -math.sin(pitch),
            math.cos(pitch) * math.sin(roll),
            math.cos(pitch) * math.cos(roll),
        )

    def tyres(
        self,
        front: float = 0.0,
        rear: float = 0.0,
        *,
        angle: float = 0.1,
        ratio: float = 0.0,
        load: float = 900.0,
    ) -> None:
        for which, sliding in ((FRONT, front), (REAR, rear)):
            row = self.work[0]["tyre"][which]
            row[T_LOAD], row[T_SLIDING], row[T_SLIP_ANGLE], row[T_SLIP_RATIO] = load, sliding, angle, ratio

    def ticks(self, n: int) -> Told:
        told: Told = []
        m = self.memory[0]
        for _ in range(n):
            self.run["scenario_tick"] += 1
            m["event_count"] = 0
            watch(self.rig[0], self.run[0], self.body[0], m, self.work[0], self.speed, self.engine)
            for i in range(int(m["event_count"])):
                told.append((int(self.run["scenario_tick"][0]), int(m["code"][i]), int(m["index"][i])))
        return told


@pytest.fixture
def bike() -> Watched:
    w = Watched()
    assert w.ticks(100) == []
    return w


@pytest.mark.parametrize(
    ("angle", "ratio", "kind"), [(0.3, -0.05, SIDEWAYS), (0.1, -0.9, LOCKED), (0.1, 0.8, SPINNING)]
)
@pytest.mark.parametrize("which", [0, 1])
def test_a_slide_is_told_once_with_its_kind(
    bike: Watched, which: int, angle: float, ratio: float, kind: int
) -> None:
    bike.tyres(front=1.0 - which, rear=float(which), angle=angle, ratio=ratio)
    assert bike.ticks(500) == [(121, EV_SLIDE, 3 * which + kind)]
    bike.tyres()
    assert bike.ticks(10) == []
    bike.tyres(front=1.0 - which, rear=float(which), angle=angle, ratio=ratio)
    assert [code for _, code, _ in bike.ticks(100)] == [EV_SLIDE]


def test_a_slide_and_a_peg_are_told_with_their_size_in_that_tick(bike: Watched) -> None:
    said = bike.memory[0]["value"]
    for angle, ratio, value in ((0.3, -0.05, 0.3), (0.1, -0.9, -0.9), (0.1, 0.8, 0.8)):
        bike.tyres(front=1.0, angle=angle, ratio=ratio)
        bike.ticks(21)  # it is told in the last of them
        assert float(said[0]) == value
        bike.tyres()
        bike.ticks(100)
    bike.attitude(roll=-0.95)
    assert [code for _, code, _ in bike.ticks(1)] == [EV_PEG]
    assert float(said[0]) == pytest.approx(-0.95)


def test_chatter_shorter_than_a_slide_and_slides_at_rest_are_not_told(bike: Watched) -> None:
    for _ in range(10):
        bike.tyres(front=1.0)
        assert bike.ticks(15) == []
        bike.tyres()
        assert bike.ticks(2) == []
    bike.speed = 0.5
    bike.tyres(front=1.0, rear=1.0)
    assert bike.ticks(200) == []


def test_a_wheel_in_the_air_is_told_once_until_it_lands(bike: Watched) -> None:
    bike.tyres(load=0.0)
    assert bike.ticks(300) == [(130, EV_LIFT, 0), (130, EV_LIFT, 1)]
    bike.tyres()
    assert bike.ticks(5) == []
    bike.tyres(load=0.0)
    assert len(bike.ticks(100)) == 2


def test_peg_road_edge_and_stall_are_told_once_and_again_after_they_ended(bike: Watched) -> None:
    bike.attitude(roll=-0.95)
    bike.run["offset"] = 5.1
    bike.engine = 40.0
    assert bike.ticks(50) == [(101, EV_PEG, 1), (101, EV_RUN_OFF, 0), (101, EV_STALL, 0)]
    bike.attitude(roll=-0.89)
    bike.run["offset"] = 4.9
    bike.engine = 55.0
    assert bike.ticks(5) == []
    bike.attitude(roll=-0.95)
    bike.run["offset"], bike.engine = 5.1, 40.0
    assert bike.ticks(5) == []  # never really ended
    bike.attitude(roll=0.2)
    bike.run["offset"], bike.engine = 0.0, 300.0
    bike.ticks(5)
    bike.attitude(roll=0.95)
    bike.run["offset"], bike.engine = -5.1, 0.0
    assert [(code, index) for _, code, index in bike.ticks(5)] == [
        (EV_PEG, 0),
        (EV_RUN_OFF, 0),
        (EV_STALL, 0),
    ]


def fall(bike: Watched, roll: float = 0.0, pitch: float = 0.0) -> int:
    bike.attitude(roll, pitch)
    (cause,) = [index for _, code, index in bike.ticks(10) if code == EV_FALL]
    assert bike.ticks(50) == []
    return cause


def test_without_a_slide_balance_was_lost(bike: Watched) -> None:
    assert fall(bike, roll=1.2) == FELL_BALANCE


@pytest.mark.parametrize(("first", "cause"), [("front", FELL_FRONT), ("rear", FELL_REAR)])
def test_the_tyre_that_slid_first_is_the_cause(bike: Watched, first: str, cause: int) -> None:
    bike.attitude(roll=0.7)
    bike.tyres(**{first: 1.0})
    bike.ticks(30)
    bike.tyres(front=1.0, rear=1.0)
    bike.ticks(100)
    assert fall(bike, roll=1.2) == cause


def test_a_slide_long_ago_is_not_the_cause(bike: Watched) -> None:
    bike.attitude(roll=0.7)
    bike.tyres(rear=1.0)
    bike.ticks(100)
    bike.tyres()
    bike.ticks(1600)
    assert fall(bike, roll=1.2) == FELL_BALANCE


def test_thrown_over_to_the_other_side_is_a_high_side(bike: Watched) -> None:
    bike.attitude(roll=0.7)
    bike.tyres(rear=1.0)
    bike.ticks(200)
    bike.tyres()
    bike.attitude(roll=0.3)
    bike.ticks(150)
    assert fall(bike, roll=-1.2) == FELL_HIGH_SIDE


def test_standing_on_its_nose_is_pitched_over(bike: Watched) -> None:
    assert fall(bike, pitch=1.2) == FELL_OVER


def test_in_the_support_nothing_falls(bike: Watched) -> None:
    bike.run["support"] = 1
    bike.attitude(roll=1.3)
    assert EV_FALL not in [code for _, code, _ in bike.ticks(10)]


def test_a_peg_of_a_bike_that_has_pegs_is_told_by_its_load_not_by_an_angle(bike: Watched) -> None:
    bike.body["parts"] = 1
    bike.attitude(roll=-0.95)
    assert bike.ticks(50) == []
    bike.attitude(roll=0.8)
    bike.work[0]["part"][0, RIGHT, P_LOAD] = 300.0
    assert [(code, index) for _, code, index in bike.ticks(50)] == [(EV_PEG, 0)]
    bike.work[0]["part"][0, RIGHT, P_LOAD] = 0.0
    bike.ticks(200)
    bike.work[0]["part"][0, RIGHT, P_LOAD] = 300.0
    assert bike.ticks(50) == []  # it scrapes on
    bike.work[0]["part"][0, RIGHT, P_LOAD] = 0.0
    bike.ticks(400)
    bike.attitude(roll=-0.8)
    bike.work[0]["part"][0, LEFT, P_LOAD] = 300.0
    assert [(code, index) for _, code, index in bike.ticks(50)] == [(EV_PEG, 1)]


@pytest.mark.parametrize("column", range(6))
def test_a_bike_that_lies_still_for_half_a_second_has_come_to_rest(bike: Watched, column: int) -> None:
    bike.body["parts"] = 1
    bike.attitude(roll=-1.2)
    bike.work[0]["V"][column, 0] = -0.051
    assert [code for _, code, _ in bike.ticks(1000)] == [EV_FALL]
    bike.work[0]["V"][column, 0] = -0.049
    bike.ticks(STILL_TICKS - 1)
    bike.work[0]["V"][column, 0] = 0.051
    bike.ticks(1)
    bike.work[0]["V"][column, 0] = 0.0
    assert bike.ticks(STILL_TICKS - 1) == []
    assert bike.run["fall_over"][0] == 0
    assert bike.ticks(1) == [(2100, EV_REST, 1)]
    assert float(bike.memory[0]["value"][0]) == pytest.approx(1.999)
    assert bike.run["fall_over"][0] == 1


def test_a_fall_is_played_out_for_fifteen_seconds_and_half_a_one_without_parts(bike: Watched) -> None:
    bike.attitude(roll=1.2)
    bike.ticks(501)
    assert bike.run["fall_over"][0] == 0
    bike.ticks(1)
    assert bike.run["fall_over"][0] == 1
    other = Watched()
    other.body["parts"] = 1
    other.attitude(roll=1.2)
    other.work[0]["V"][3, 0] = 1.0
    other.ticks(LONGEST_FALL_TICKS)
    assert other.run["fall_over"][0] == 0
    other.ticks(1)
    assert other.run["fall_over"][0] == 1


def test_what_lies_tells_no_slides_lifted_wheels_and_pegs(bike: Watched) -> None:
    bike.body["parts"] = 1
    bike.attitude(roll=1.2)
    bike.work[0]["V"][3, 0] = 1.0
    bike.ticks(1)
    bike.tyres(front=1.0, rear=1.0)
    bike.work[0]["part"][0, RIGHT, P_LOAD] = 300.0
    assert bike.ticks(100) == []
    bike.tyres(load=0.0)
    assert bike.ticks(100) == []


# --- on the whole plant ------------------------------------------------------------------------------


def test_a_locked_front_wheel_is_told_and_blamed(session: Session) -> None:
    """Let go at 40 km/h in the wet, front brake full on, bar a little turned: the wheel slides away."""
    support = session.scenario.support.model_copy(update={"release_speed_km_h": 40.0})
    wet = dataclasses.replace(variant(session, scenario={"support": support}), road=surface(0.4))
    ride = Ride(wet).start(1)
    while not any(e[1] == EV_RELEASE for e in ride.events):
        ride.step(10)
    ride.commands = {
        **HELD_CLUTCH,
        "steering": {"steering_torque_Nm": 5.0, "steering_angle_rad": 0.0},
        "drive": {**HELD_CLUTCH["drive"], "front_brake_Pa": 20e5},
    }
    ride.step(3000)
    told = [(e[1], e[2], e[4]) for e in ride.events if e[1] in (EV_SLIDE, EV_FALL)]
    assert told[0][:2] == (EV_SLIDE, LOCKED)
    assert told[0][2].startswith("front tyre locks, slip -")
    fell = next(t for t in told if t[0] == EV_FALL)
    assert fell[1] == FELL_FRONT
    assert fell[2].endswith("the front tyre slid away")


def test_the_same_on_a_road_of_much_grip_pitches_it_over(session: Session) -> None:
    """Friction above the stoppie limit: it goes over its front wheel before the tyre slides for long."""
    support = session.scenario.support.model_copy(update={"release_speed_km_h": 40.0})
    sticky = dataclasses.replace(variant(session, scenario={"support": support}), road=surface(1.3))
    ride = Ride(sticky).start(1)
    while not any(e[1] == EV_RELEASE for e in ride.events):
        ride.step(10)
    ride.commands = {**HELD_CLUTCH, "drive": {**HELD_CLUTCH["drive"], "front_brake_Pa": 20e5}}
    ride.step(3000)
    told = [(e[1], e[2]) for e in ride.events if e[1] in (EV_LIFT, EV_FALL)]
    assert told[:2] == [(EV_LIFT, 1), (EV_FALL, FELL_OVER)]
