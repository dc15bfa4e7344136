"""Faults of the bike's own electronics on the whole bench: each does the wrong thing that it is.

Beside the same ride with the unit sound, or with none at all where a dead one has to be like none.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest

from emulator.config.scenario.events import Happening, Trigger
from emulator.shared_memory.status import Command
from tests.support.events import UnitFault
from tests.support.scripted_robot import Ride
from tests.support.units_ride import Ridden, bench, ride

FRONT, REAR = 1.4e6, 1.0e6
"""[Pa] of levers pulled to the end from 0.3 s on."""
_FILLS, _EMPTIES = 1.0 - np.exp(-1.0 / 15.0), 1.0 - np.exp(-1.0 / 25.0)  # line_time, release_time [ms]
BALANCE = _FILLS * (1.0 - _EMPTIES) / (1.0 - (1.0 - _FILLS) * (1.0 - _EMPTIES))
"""Share of the lever's pressure where what fills and what empties balance, in ticks of 1 ms."""


def broken(
    unit: str, effect: str, at_s: float = 0.0, lasts_s: float = 60.0, **keys: float | str
) -> Happening:
    return UnitFault(
        kind="electronics",
        name=f"{unit} {effect} {at_s}",
        unit=unit,
        effect=effect,
        at=Trigger(time_s=at_s),
        duration_s=lasts_s,
        **keys,
    )


def full_braking(tick: int, _: Ride) -> Mapping[str, float]:
    return {"front_brake_Pa": FRONT, "rear_brake_Pa": REAR} if tick > 300 else {}


def stopped(*events: Happening, seconds: float = 2.5, antilock: str = "modelled") -> Ridden:
    return ride(bench(0.6, *events, antilock=antilock), 28.0, seconds, full_braking, until=2.0)


@pytest.mark.slow
def test_antilock_that_goes_off_leaves_both_wheels_to_the_levers_from_then_on() -> None:
    stop = stopped(broken("antilock", "off", 1.0))
    for end in ("front", "rear"):
        assert stop[f"truth.wheel_{end}_rad_s"][500:1000].min() > 50.0
    assert stop["truth.wheel_front_rad_s"][1200:].max() < 1.0
    assert stop["unit.front_caliper_Pa"][-1] == pytest.approx(FRONT, rel=1e-6)
    assert stop["unit.rear_caliper_Pa"][-1] == pytest.approx(REAR, rel=1e-6)
    assert set(stop["unit.acting"][1050:]) == {0.0}


@pytest.mark.slow
def test_antilock_that_comes_back_has_the_wheels_turn_again() -> None:
    stop = stopped(broken("antilock", "off", 1.0, 0.3))
    assert stop["truth.wheel_front_rad_s"][1200:1300].max() < 1.0
    assert np.median(stop["truth.wheel_front_rad_s"][1800:2400]) > 20.0


@pytest.mark.slow
def test_an_inlet_stuck_shut_leaves_a_lever_without_its_brake_and_the_other_alone() -> None:
    stop, sound = stopped(broken("antilock", "inlet_shut", brake="front")), stopped()
    assert stop["unit.front_caliper_Pa"].max() == 0.0
    assert stop["unit.rear_caliper_Pa"][500:].mean() > 1e5
    lost, slowed = (float(r["truth.speed_m_s"][300] - r["truth.speed_m_s"][2300]) for r in (stop, sound))
    assert lost < 0.6 * slowed


@pytest.mark.slow
@pytest.mark.parametrize("effect", ["inlet_open", "outlet_shut"])
def test_a_valve_that_lets_no_pressure_be_held_or_let_off_lets_its_wheel_lock(effect: str) -> None:
    """An inlet that stays open fills while the outlet empties; one brake's fault is not the other's."""
    stop = stopped(broken("antilock", effect, brake="front"))
    assert stop["truth.wheel_front_rad_s"][700:].max() < 1.0
    assert stop["truth.wheel_rear_rad_s"][300:1500].min() > 20.0
    held = BALANCE * FRONT if effect == "inlet_open" else stop["unit.front_caliper_Pa"][500]
    assert stop["unit.front_caliper_Pa"][800:1500] == pytest.approx(held, rel=1e-3)
    assert (stop["unit.acting"][700:1300].astype(int) & 1).all()  # it tries, until it switches itself off


@pytest.mark.slow
def test_an_outlet_stuck_open_holds_a_brake_below_its_lever() -> None:
    """Before anything slips."""
    soft = ride(
        bench(1.0, broken("antilock", "outlet_open", brake="front"), antilock="modelled"),
        28.0,
        0.8,
        lambda tick, _: {"front_brake_Pa": 2e5} if tick > 300 else {},
    )
    assert soft["unit.front_caliper_Pa"][-1] == pytest.approx(BALANCE * 2e5, rel=1e-3)


@pytest.mark.slow
def test_a_pump_that_is_off_holds_the_wheels_until_the_accumulator_is_full() -> None:
    stop = stopped(broken("antilock", "pump_off", value=1e6))
    turning = stop["truth.wheel_front_rad_s"]
    stands = 300 + int(np.argmax(turning[300:] < 1.0))
    assert 500 < stands < 1500
    assert turning[stands + 100 :].max() < 1.0
    assert stopped()["truth.wheel_front_rad_s"][stands + 100 :].min() > 1.0


@pytest.mark.slow
def test_traction_control_that_goes_off_lets_the_wheel_spin() -> None:
    def full_throttle(tick: int, _: Ride) -> Mapping[str, float]:
        return {"throttle": 1.0 if tick > 300 else 0.02, "clutch": 0.0}

    spun = ride(
        bench(0.4, broken("traction", "off", 1.2), traction="modelled"), 14.0, 2.0, full_throttle, gear=2
    )
    assert spun["truth.slip_ratio_rear"][700:1200].mean() < 0.15
    assert spun["truth.slip_ratio_rear"][1500:].min() > 0.4
    assert spun["unit.throttle"][1300] == pytest.approx(1.0, rel=1e-6)


@pytest.mark.slow
def test_wheelie_control_that_is_off_lets_the_bike_go_over() -> None:
    def full_throttle(tick: int, _: Ride) -> Mapping[str, float]:
        return {"throttle": 1.0 if tick > 300 else 0.02, "clutch": 0.0}

    over = ride(bench(1.0, broken("wheelie", "off"), wheelie="modelled"), 10.0, 2.0, full_throttle, gear=1)
    assert over["truth.pitch_rad"].min() < -1.0


@pytest.mark.parametrize(("keys", "opening"), [({}, 0.4**1.3), ({"value": 0.7}, 0.7)])
def test_a_valve_that_is_stuck_drives_on_with_the_grip_shut(keys: dict[str, float], opening: float) -> None:
    stuck = ride(
        bench(1.0, broken("ride_by_wire", "stuck", 0.6, **keys), ride_by_wire="modelled"),
        15.0,
        1.2,
        lambda tick, _: {"throttle": 0.4 if tick < 700 else 0.0},
    )
    assert stuck["unit.throttle"][-1] == pytest.approx(opening, rel=1e-6)
    assert stuck["actuator.throttle"][-1] < 1e-5


def test_a_valve_that_limps_opens_no_further_than_it_may() -> None:
    limping = ride(
        bench(1.0, broken("ride_by_wire", "limp", 0.6, value=0.15), ride_by_wire="modelled"),
        15.0,
        1.2,
        lambda _tick, _r: {"throttle": 0.4},
    )
    assert limping["unit.throttle"][590] == pytest.approx(0.4**1.3, rel=1e-3)
    assert limping["unit.throttle"][-1] == pytest.approx(0.15, rel=1e-9)
    assert limping["actuator.throttle"][-1] == pytest.approx(0.4, rel=1e-6)


def up(*events: Happening, request: bool = True, **units: str) -> Ridden:
    return ride(
        bench(1.0, *events, **units),
        20.0,
        1.0,
        lambda _tick, _r: {"throttle": 0.8, "clutch": 0.0},
        gear=2,
        request=lambda tick: 3.0 if request and tick >= 400 else 2.0,
    )


@pytest.mark.slow
def test_a_quickshifter_that_is_off_changes_nothing_and_one_that_cuts_by_itself_stops_the_drive() -> None:
    dead = up(broken("quickshifter", "off"), quickshifter="modelled")
    assert set(dead["truth.gear"]) == {2.0}
    assert set(dead["unit.acting"]) == {0.0}
    cutting = up(broken("quickshifter", "cuts", 0.5, 0.3), request=False, quickshifter="modelled")
    cut = cutting["unit.acting"] == 16.0
    assert cut.sum() == 300
    assert not cut[:490].any()
    drive = cutting["truth.longitudinal_rear_N"]
    assert drive[550:790].mean() < 0.0 < drive[300:490].mean()
    assert cutting["truth.gear"][-1] == 2.0  # nobody asked for another


@pytest.mark.slow
def test_a_slipper_clutch_that_is_jammed_is_an_ordinary_one() -> None:
    def pull(*events: Happening, **units: str) -> Ridden:
        return ride(
            bench(1.0, *events, **units),
            22.0,
            0.6,
            lambda tick, _: {"clutch": 1.0 if 100 < tick < 400 else 0.0},
            gear=1,
        )

    jammed, plain = pull(broken("slipper_clutch", "off"), slipper_clutch="modelled"), pull()
    same = [
        i for i in range(jammed.rows.shape[1]) if np.array_equal(jammed.rows[:, i], plain.rows[:, i], True)
    ]
    assert len(same) >= jammed.rows.shape[1] - 3  # but for what is on of the scenario, and times of the host


@pytest.mark.slow
def test_what_was_broken_is_sound_again_when_it_is_over() -> None:
    short = stopped(*(broken("antilock", e, 0.0, 0.2, brake="front") for e in ("inlet_shut", "outlet_open")))
    assert np.array_equal(short["unit.front_caliper_Pa"], stopped()["unit.front_caliper_Pa"])


def test_a_fault_is_started_and_ended_by_hand() -> None:
    by_hand = broken("ride_by_wire", "limp", value=0.1).model_copy(
        update={"at": Trigger(on_request=True), "duration_s": None}
    )

    def asked(tick: int, r: Ride) -> Mapping[str, float]:
        if tick in (500, 800):
            r.bench.command(Command.START_EVENT if tick == 500 else Command.END_EVENT, 0.0)
        return {"throttle": 0.4}

    limped = ride(bench(1.0, by_hand, ride_by_wire="modelled"), 15.0, 1.2, asked)["unit.throttle"]
    assert limped[[490, -1]] == pytest.approx(0.4**1.3, rel=1e-3)
    assert limped[790] == pytest.approx(0.1, rel=1e-3)
