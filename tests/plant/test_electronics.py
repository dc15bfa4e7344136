"""The bike's own electronics on the whole bench: what they are worth, what a lying sensor makes of them.

Brakes and drive are held against an oracle that knows the grip: the quasi-steady limit of the same bike
(tests of emulator.vehicle.limit_motion hold it against rides). Below a share of 0.80 a unit is no help; above
0.97 it knows what no unit can.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from numpy.typing import NDArray

from emulator.config.scenario.events import Happening, Trigger
from emulator.core.compiled import jit
from emulator.plant.electronics import ACTING, QUIET_TICKS, tell_units
from emulator.plant.records import MEMORY_DTYPE
from emulator.plant.states import EV_UNIT
from emulator.vehicle.driveline import gear_ratio
from emulator.vehicle.electronics.record import electronics_record
from tests.support.events import ActuatorEvent, FaultEvent, GripEvent
from tests.support.scripted_robot import Ride, variant
from tests.support.units_ride import Ridden, bench, driving, hardest, oracle_way, ride

LEAST, MOST = 0.80, 0.97
FAST, SLOW = 25.0, 5.0
"""[m/s] between which stopping is looked at: braking begins at 28."""

FRONT, REAR = 1.4e6, 1.0e6
"""[Pa] of levers pulled to the end: either locks its wheel on any of these grips but for lifting."""


def full_braking(tick: int, _: Ride) -> Mapping[str, float]:
    return {"front_brake_Pa": FRONT, "rear_brake_Pa": REAR} if tick > 300 else {}


def full_throttle(tick: int, _: Ride) -> Mapping[str, float]:
    return {"throttle": 1.0 if tick > 300 else 0.02, "clutch": 0.0}


def fault(signal: str, effect: str, at_s: float, value: float | None = None) -> Happening:
    return FaultEvent(
        kind="fault",
        name="a lie",
        signal=signal,
        effect=effect,
        value=value,
        at=Trigger(time_s=at_s),
        duration_s=60.0,
    )


@cache
def stopped(grip: float, antilock: str, *events: Happening) -> Ridden:
    return ride(bench(grip, *events, antilock=antilock), 28.0, 9.0, full_braking, until=2.0)


# ---- antilock ----------------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("grip", [0.3, 0.5, 0.65, 0.8, 1.0])
def test_full_braking_stops_nearly_as_well_as_who_knows_the_grip(grip: float) -> None:
    stop = stopped(grip, "modelled")
    share = oracle_way(grip, FAST, SLOW) / stop.way(FAST, SLOW)
    assert LEAST <= share <= MOST
    assert stop["truth.fallen"].max() == 0.0


@pytest.mark.slow
@pytest.mark.parametrize("grip", [0.3, 0.5, 0.8])
def test_it_stops_sooner_than_locked_wheels_do(grip: float) -> None:
    locked = stopped(grip, "off")
    assert np.mean(locked["truth.wheel_front_rad_s"][500:] < 1.0) > 0.9
    assert stopped(grip, "modelled").way(FAST, SLOW) < 0.95 * locked.way(FAST, SLOW)


@pytest.mark.slow
def test_on_a_grip_of_one_the_bike_goes_over_without_it_and_stays_down_with_it() -> None:
    assert stopped(1.0, "off")["truth.fallen"].max() == 1.0
    stop = stopped(1.0, "modelled")
    assert stop["truth.fallen"].max() == 0.0
    assert abs(stop["truth.pitch_rad"]).max() < 0.15


@pytest.mark.slow
def test_a_grip_that_changes_is_settled_with_within_a_second() -> None:
    """1.0 to 0.4 and back: from a second after each change on, half a second's share is within the bounds."""
    film = GripEvent(kind="grip", name="film", factor=0.4, at=Trigger(time_s=1.2), duration_s=1.6)
    stop = ride(bench(1.0, film, antilock="modelled"), 36.0, 12.0, full_braking, until=2.0)
    v, grip = stop["truth.speed_m_s"], stop["truth.grip_front"]
    down = int(np.argmax(grip < 0.5))
    up = down + int(np.argmax(grip[down:] > 0.5))
    assert up - down == 1600
    for row in (down + 1000, down + 1100, up + 1000, up + 1300):
        middle, known = float(v[row + 250]), float(grip[row + 250])
        share = (v[row] - v[row + 500]) / 0.5 / hardest(round(known, 3), round(middle, 2))
        assert LEAST <= share <= MOST, (row, share)


@pytest.mark.slow
def test_a_front_wheel_that_reads_too_little_makes_it_let_the_front_brake_off() -> None:
    """A fifth too little passes for a wheel about to lock, at any pressure."""
    lied_to = stopped(0.8, "modelled", fault("wheel_front_m_s", "gain", 0.0, 0.8))
    assert lied_to.rows.shape[0] > 1.5 * stopped(0.8, "modelled").rows.shape[0]
    assert lied_to["unit.front_caliper_Pa"][1000:3000].mean() < 0.1 * FRONT


@pytest.mark.slow
def test_a_front_wheel_that_reads_on_as_it_ran_makes_it_let_the_wheel_lock() -> None:
    lied_to = stopped(0.8, "modelled", fault("wheel_front_m_s", "freeze", 0.3))
    assert np.mean(lied_to["truth.wheel_front_rad_s"][500:] < 1.0) > 0.9
    assert lied_to.way(FAST, SLOW) > 1.2 * stopped(0.8, "modelled").way(FAST, SLOW)


@pytest.mark.slow
def test_a_wheel_that_reads_nothing_makes_it_let_off_until_it_switches_itself_off() -> None:
    """``fault_time`` of the demo racer: 1 s. From then on brakes are as without a unit."""
    lied_to = stopped(0.8, "modelled", fault("wheel_front_m_s", "dropout", 0.5))
    off = int(np.argmax(lied_to["unit.acting"] == 64.0))
    assert 1400 < off < 1700  # the pick-up's time-out comes on top
    assert lied_to["unit.front_caliper_Pa"][800:off].max() < 0.1 * FRONT
    assert lied_to["unit.front_caliper_Pa"][-1] == pytest.approx(FRONT, rel=1e-6)


@pytest.mark.slow
def test_a_hand_that_lets_go_is_obeyed() -> None:
    def grabbed(tick: int, r: Ride) -> Mapping[str, float]:
        return full_braking(tick, r) if tick < 1000 else {}

    let_go = ride(bench(0.5, antilock="modelled"), 28.0, 1.4, grabbed)
    assert let_go["unit.front_caliper_Pa"][-1] < 1e3
    assert let_go["unit.acting"][-1] == 0.0


@pytest.mark.slow
def test_a_brake_that_fades_does_so_behind_it() -> None:
    """Pressure is the unit's, torque is the pad's: half of it is left, and twice the pressure is needed."""
    fade = ActuatorEvent(
        kind="actuator",
        name="hot",
        channel="front_brake",
        effect="brake_fade",
        factor=0.5,
        at=Trigger(time_s=0.0),
        duration_s=60.0,
    )
    faded, cool = stopped(0.5, "modelled", fade), stopped(0.5, "modelled")
    mean = [float(r["unit.front_caliper_Pa"][800:2500].mean()) for r in (faded, cool)]
    assert 1.6 < mean[0] / mean[1] < 2.4


def test_off_nothing_is_between_lever_and_caliper() -> None:
    short = ride(bench(0.8), 28.0, 0.6, full_braking)
    for end in ("front", "rear"):
        assert np.array_equal(short[f"unit.{end}_caliper_Pa"], short[f"actuator.{end}_brake_Pa"])
    assert np.array_equal(short["unit.throttle"], short["actuator.throttle"])
    assert not short["unit.acting"].any()


def test_a_real_unit_is_what_is_measured_behind_it() -> None:
    """The robot's frame brings the calipers' pressures as the bench's unit left them, and they stay so."""
    session = bench(0.8, antilock="real")
    still = {"time_constant_ms": 0.0}
    actuators = session.rig.actuators
    brakes = {key: getattr(actuators, key).model_copy(update=still) for key in ("front_brake", "rear_brake")}
    session = variant(session, rig={"actuators": actuators.model_copy(update=brakes)})

    def let_off(tick: int, _: Ride) -> Mapping[str, float]:
        return {"front_brake_Pa": 6e5 if tick // 50 % 2 else 2e5, "rear_brake_Pa": 1e5}

    read_back = ride(session, 28.0, 0.4, let_off)
    for end in ("front", "rear"):
        caliper = read_back[f"unit.{end}_caliper_Pa"][10:]
        assert np.array_equal(caliper, read_back[f"robot.{end}_brake_Pa"][10:])
    assert set(read_back["unit.acting"]) == {0.0}


# ---- traction --------------------------------------------------------------------------------------------


@cache
def driven(grip: float, gear: int, speed: float, events: tuple[Happening, ...] = (), **units: str) -> Ridden:
    return ride(bench(grip, *events, **units), speed, 2.25, full_throttle, gear=gear)


def drive_share(drive: Ridden, grip: float) -> float:
    """Mean acceleration from 0.4 s after the throttle opened on, over the oracle's at the mean speed."""
    v = drive["truth.speed_m_s"]
    return float((v[2200] - v[700]) / 1.5 / driving(grip, round(float(v[700:2200].mean()), 2)))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("grip", "gear", "speed"),
    [
        *((0.3, 2, 14.0), (0.3, 1, 9.0), (0.3, 3, 20.0), (0.4, 2, 14.0), (0.4, 1, 9.0), (0.5, 1, 9.0)),
        *((0.6, 2, 14.0), (0.8, 2, 14.0), (0.8, 1, 4.0), (0.9, 2, 14.0), (1.0, 2, 14.0)),
    ],
)
def test_full_throttle_drives_nearly_as_well_as_who_knows_the_grip(
    grip: float, gear: int, speed: float
) -> None:
    held = driven(grip, gear, speed, traction="modelled")
    assert LEAST <= drive_share(held, grip) <= MOST
    assert held["truth.slip_ratio_rear"][700:].mean() < bench().vehicle_file.values["traction"]["slip"]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("grip", "gear", "speed"), [(0.3, 2, 14.0), (0.4, 2, 14.0), (0.4, 1, 9.0), (0.5, 1, 9.0), (0.6, 2, 14.0)]
)
def test_without_it_the_wheel_spins_and_drives_less(grip: float, gear: int, speed: float) -> None:
    held, spun = driven(grip, gear, speed, traction="modelled"), driven(grip, gear, speed)
    assert spun["truth.slip_ratio_rear"][700:].mean() > 0.5
    assert drive_share(held, grip) > drive_share(spun, grip) + 0.1


@pytest.mark.slow
def test_a_front_wheel_that_reads_too_little_takes_the_throttle_away() -> None:
    """Nothing spins, and yet there is no drive."""
    lied_to = driven(1.0, 3, 20.0, (fault("wheel_front_m_s", "gain", 0.0, 0.85),), traction="modelled")
    assert lied_to["unit.throttle"][1000:].max() < 0.05
    assert lied_to["actuator.throttle"][1000:].min() > 0.99
    assert lied_to["truth.slip_ratio_rear"].max() < 0.02


@pytest.mark.slow
def test_a_front_wheel_that_reads_too_much_lets_the_rear_one_spin() -> None:
    lied_to = driven(0.4, 2, 14.0, (fault("wheel_front_m_s", "gain", 0.0, 1.6),), traction="modelled")
    assert lied_to["truth.slip_ratio_rear"].max() > 0.5


# ---- wheelie ---------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_the_front_wheel_stays_near_the_road_and_the_drive_near_its_limit() -> None:
    held = driven(1.0, 1, 10.0, wheelie="modelled")
    assert LEAST <= drive_share(held, 1.0) <= MOST
    assert held["truth.fallen"].max() == 0.0
    assert held["truth.pitch_rad"].min() > -0.2
    assert driven(1.0, 1, 10.0)["truth.pitch_rad"].min() < -1.0  # over backwards


@pytest.mark.slow
def test_a_force_that_is_felt_too_small_lets_it_go_over() -> None:
    lied_to = driven(1.0, 1, 10.0, (fault("force_x_m_s2", "offset", 0.0, -8.0),), wheelie="modelled")
    assert lied_to["truth.pitch_rad"].min() < -1.0


@pytest.mark.slow
def test_a_force_that_is_felt_too_large_takes_the_drive_away() -> None:
    lied_to = driven(1.0, 1, 10.0, (fault("force_x_m_s2", "offset", 0.0, 8.0),), wheelie="modelled")
    assert drive_share(lied_to, 1.0) < 0.4


# ---- ride by wire, quickshifter, slipper clutch ------------------------------------------------------------


def test_the_engine_gets_the_opening_of_the_valve_and_not_of_the_grip() -> None:
    """Exponent 1.3 of the demo racer; the sensor at the grip shows the grip."""
    wound = ride(bench(1.0, ride_by_wire="modelled"), 15.0, 1.2, lambda _tick, _r: {"throttle": 0.4})
    assert wound["unit.throttle"][-1] == pytest.approx(0.4**1.3, rel=1e-6)
    assert wound["actuator.throttle"][-1] == pytest.approx(0.4, rel=1e-6)


@pytest.mark.slow
def test_a_change_up_with_throttle_open_needs_the_cut() -> None:
    """10 ms dead time and 60 ms from gear to gear: without a cut the dogs never let go."""

    def asked(_tick: int, _r: Ride) -> Mapping[str, float]:
        return {"throttle": 0.8, "clutch": 0.0}

    def gears(**units: str) -> Ridden:
        return ride(
            bench(1.0, **units), 20.0, 1.2, asked, gear=2, request=lambda tick: 2.0 if tick < 400 else 3.0
        )

    without = gears()
    assert set(without["truth.gear"]) == {2.0}
    shifted = gears(quickshifter="modelled")
    gear, cut = shifted["truth.gear"], shifted["unit.acting"] == 16.0
    assert gear[-1] == 3.0
    assert 400 + 70 <= int(np.argmax(gear == 3.0)) < 400 + 120
    assert 60 <= np.count_nonzero(cut) <= 75
    engine = shifted["truth.engine_rad_s"]
    assert engine[int(np.argmax(cut)) + 40] < engine[int(np.argmax(cut))] - 20.0  # it burns nothing meanwhile
    assert shifted["truth.fallen"].max() == 0.0


@pytest.mark.slow
def test_a_wheel_that_drives_the_engine_is_held_by_the_back_torque_only() -> None:
    """Let in at once at speed, throttle shut: the rear brakes with the clutch's capacity, or with 30 N m."""

    def asked(tick: int, _: Ride) -> Mapping[str, float]:
        return {"clutch": 1.0 if 100 < tick < 400 else 0.0}

    def pull(**units: str) -> Ridden:
        return ride(bench(1.0, **units), 22.0, 0.7, asked, gear=1)

    given_way, held = pull(slipper_clutch="modelled"), pull()
    body = bench().vehicle.body[0]
    ratio = gear_ratio(body, 1) * float(body["final_drive_rear_radius"] / body["final_drive_front_radius"])
    limit = -30.0 * ratio / 0.29  # [N] at the smallest radius the tyre may roll on
    assert given_way["truth.longitudinal_rear_N"][420:].min() > 1.2 * limit
    assert held["truth.longitudinal_rear_N"][420:].min() < 1.2 * limit
    assert (given_way["unit.acting"] == 32.0).any()
    assert not held["unit.acting"].any()


# ---- what is told ------------------------------------------------------------------------------------------


@jit
def told_of(
    masks: NDArray[np.int64], units: NDArray[np.void], memories: NDArray[np.void], told: NDArray[np.int64]
) -> bool:
    """Count what is told in each tick (n, units) of what acts then; False: an event of another kind."""
    b, m = units[0], memories[0]
    for tick in range(len(masks)):
        b.acting, m.event_count = masks[tick], 0
        tell_units(b, m)
        for k in range(m.event_count):
            if m.code[k] != EV_UNIT:
                return False
            told[tick, m.index[k]] += 1
    return True


@given(st.lists(st.tuples(st.integers(0, 2 ** len(ACTING) - 1), st.integers(1, 700)), max_size=8))
@example([(1, 1), (0, QUIET_TICKS - 1), (1, 1), (0, QUIET_TICKS), (1, 1)])
def test_a_unit_that_has_not_acted_for_half_a_second_is_told_of(spans: list[tuple[int, int]]) -> None:
    """Against the masks' own history, bit by bit: ``spans`` are what acts, and for how many ticks."""
    masks = np.repeat([mask for mask, _ in spans], [ticks for _, ticks in spans]).astype(np.int64)
    units = electronics_record({}, set(), (0.3, 0.3), 1e-3)
    assert units["quiet_ticks"].shape == (1, len(ACTING))
    told = np.zeros((len(masks), len(ACTING)), np.int64)
    assert told_of(masks, units, np.zeros(1, MEMORY_DTYPE), told)
    acts = masks[:, None] >> np.arange(len(ACTING)) & 1
    so_far = np.vstack([np.zeros((1, len(ACTING)), np.int64), np.cumsum(acts, axis=0)])
    ticks = np.arange(len(masks))
    before = so_far[ticks] - so_far[np.maximum(0, ticks - QUIET_TICKS)]
    np.testing.assert_array_equal(told, acts * (before == 0))
