"""The plant on a road with shape, wind and gusts: what the tick hands to the vehicle."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from emulator.assembly.session import Session
from emulator.config.scenario.events import Trigger
from emulator.config.scenario.schema import Wind
from emulator.events.table import GUST
from emulator.plant.states import EV_BEGAN, EV_ENDED
from emulator.road.iso8608 import CLASS_DEGREE_m3, roughness
from emulator.road.shape import Bump, road_profile
from emulator.vehicle.state import U_ROAD_REAR, U_WIND_X, U_WIND_Y
from tests.support.events import GustEvent
from tests.support.scripted_robot import Ride, variant, with_events

START_m = 50.0  # away from the lap's end, where a slope that never ends has its step


def shaped(session: Session, *, rise: float = 0.0, bank: float = 0.0, **more: object) -> Session:
    """The session on a road with these shapes only, started at START_m."""
    n, station = session.line.station.size, session.line.station
    shape = road_profile(session.line, rise * (station - START_m), np.full(n, rise), np.full(n, bank), **more)  # type: ignore[arg-type]
    start = session.scenario.start.model_copy(update={"station_m": START_m})
    return dataclasses.replace(variant(session, scenario={"start": start}), road_profile=shape)


def test_the_bike_starts_on_the_slope_and_is_towed_up_it(session: Session) -> None:
    ride = Ride(shaped(session, rise=0.05)).start(3000)
    up, along = ride["truth.z_m"], ride["line.station_m"] - START_m
    assert along > 5.0
    assert up == pytest.approx(0.05 * along, abs=0.03)
    assert ride["truth.pitch_rad"] == pytest.approx(-math.atan(0.05), abs=0.02)


def test_on_a_banked_road_the_left_tyre_side_is_higher(session: Session) -> None:
    ride = Ride(shaped(session, bank=0.1)).start(500)
    heading = ride["truth.heading_rad"]
    gx, gy = ride.plant.u[U_ROAD_REAR + 1 : U_ROAD_REAR + 3]
    left = -gx * math.sin(heading) + gy * math.cos(heading)
    assert left == pytest.approx(math.tan(0.1), rel=1e-4)


def test_a_bump_lifts_one_wheel_after_the_other(session: Session) -> None:
    flat, bumpy = Ride(shaped(session)), Ride(shaped(session, bumps=[Bump(54.0, 0.8, 0.03, 9.0, -9.0)]))
    loads: list[tuple[float, float]] = []
    for ride in (flat, bumpy):
        ride.start(1)
    for _ in range(3500):
        flat.step()
        bumpy.step()
        loads.append(
            (
                bumpy["truth.load_front_N"] - flat["truth.load_front_N"],
                bumpy["truth.load_rear_N"] - flat["truth.load_rear_N"],
            )
        )
    front, rear = np.array(loads).T
    assert front.max() > 100.0
    assert rear.max() > 100.0
    assert 0 < np.argmax(front > 50.0) < np.argmax(rear > 50.0)


def test_rougher_classes_shake_twice_as_much(session: Session) -> None:
    shaken = []
    for name in "AB":
        rough, step = roughness(session.line, CLASS_DEGREE_m3[name], 1)
        ride = Ride(shaped(session, rough=rough, rough_step_m=step)).start(1)
        force = []
        ride.step(4000, lambda r, into=force: into.append(r["truth.load_front_N"]))
        shaken.append(float(np.std(np.diff(np.array(force)[1500:]))))
    assert shaken[0] > 0.0
    assert shaken[1] / shaken[0] == pytest.approx(
        2.0, rel=0.25
    )  # free play of the damper is all that differs


def test_a_gust_rises_and_falls_on_top_of_the_wind(session: Session) -> None:
    gust = GustEvent(
        kind="gust", name="g", at=Trigger(time_s=0.1), duration_s=0.2, speed_m_s=8.0, from_deg=270.0
    )
    wind = Wind(speed_m_s=3.0, from_deg=0.0)
    ride = Ride(variant(with_events(session, gust), scenario={"wind": wind})).start(1)
    seen: list[tuple[float, float]] = []
    ride.step(400, lambda r: seen.append((float(r.plant.u[U_WIND_X]), float(r.plant.u[U_WIND_Y]))))
    east, north = np.array(seen).T
    assert np.allclose(north, -3.0)  # from the north
    assert east.max() == pytest.approx(8.0, abs=1e-3)  # from the west
    assert np.argmax(east) in (198, 199, 200)
    blowing = np.flatnonzero(np.abs(east) > 1e-6)
    assert (blowing[0], blowing[-1]) == (99, 297) or blowing[-1] - blowing[0] == 198
    assert [e[1] for e in ride.events if e[1] >= EV_BEGAN] == [EV_BEGAN + GUST, EV_ENDED + GUST]
