"""Faults of units: what each sets up, which counts of several, and what a scenario may ask of a rig."""

from __future__ import annotations

import math
from typing import Any

import pytest

from emulator.config.vehicle.electronics import Electronics
from emulator.core.signals import ANTILOCK, BIKE_UNITS, TRACTION
from emulator.events.table import event_table
from emulator.events.unit_faults import (
    CUTS,
    INLET_OPEN,
    INLET_SHUT,
    LIMP,
    OFF,
    OUTLET_OPEN,
    OUTLET_SHUT,
    PUMP_OFF,
    UNIT_EFFECTS,
    VALVE_STUCK,
    break_unit,
    units_intact,
)
from emulator.vehicle.electronics.parameters import CONTROL_UNIT, ELECTRONICS
from tests.support.own_units import units

FRONT, REAR = 0, 1


def event(effect: int, unit: int = ANTILOCK, value: float = math.nan, brake: int = FRONT) -> Any:
    e = event_table(1)[0]
    e["effect"], e["signal"], e["value"], e["brake"] = effect, unit, value, brake
    return e


def broken(*events: Any) -> Any:
    b = units(*BIKE_UNITS)
    units_intact(b)
    for e in events:
        break_unit(b, e)
    return b


def faults_of(b: Any) -> dict[str, Any]:
    names = ("off", "inlet_open", "inlet_shut", "outlet_open", "outlet_shut", "takes", "limp", "cuts")
    found = {name: getattr(b, name).tolist() if getattr(b, name).ndim else float(b[name]) for name in names}
    return {**found, "stuck_at": repr(float(b.stuck_at))}


INTACT = faults_of(broken())


def test_units_are_the_same_to_rigs_vehicles_and_scenarios() -> None:
    assert tuple(Electronics.model_fields) == BIKE_UNITS
    assert tuple(g.name for g in ELECTRONICS if g is not CONTROL_UNIT) == BIKE_UNITS


def test_effects_are_numbered_in_the_order_of_their_names() -> None:
    numbers = (OFF, INLET_OPEN, INLET_SHUT, OUTLET_OPEN, OUTLET_SHUT, PUMP_OFF, VALVE_STUCK, LIMP, CUTS)
    assert [UNIT_EFFECTS[k] for k in numbers] == [
        *(
            "off",
            "inlet_open",
            "inlet_shut",
            "outlet_open",
            "outlet_shut",
            "pump_off",
            "stuck",
            "limp",
            "cuts",
        )
    ]


@pytest.mark.parametrize(
    ("fault", "changed"),
    [
        (event(OFF, TRACTION), {"off": [0, 1, 0, 0, 0, 0]}),
        (event(INLET_OPEN, brake=REAR), {"inlet_open": [0, 1]}),
        (event(INLET_SHUT, brake=FRONT), {"inlet_shut": [1, 0]}),
        (event(OUTLET_OPEN, brake=FRONT), {"outlet_open": [1, 0]}),
        (event(OUTLET_OPEN, brake=REAR), {"outlet_open": [0, 1]}),
        (event(OUTLET_SHUT, brake=REAR), {"outlet_shut": [0, 1]}),
        (event(PUMP_OFF, value=3e5), {"takes": 3e5}),
        (event(VALVE_STUCK, value=0.3), {"stuck_at": "0.3"}),
        (event(LIMP, value=0.15), {"limp": 0.15}),
        (event(CUTS), {"cuts": 1.0}),
    ],
    ids=lambda v: UNIT_EFFECTS[v["effect"]] if not isinstance(v, dict) else "",
)
def test_a_fault_sets_up_what_it_is_and_nothing_else_and_leaves_nothing(
    fault: Any, changed: dict[str, Any]
) -> None:
    b = broken(fault)
    assert faults_of(b) == {**INTACT, **changed}
    units_intact(b)
    assert faults_of(b) == INTACT


def test_of_several_of_a_valve_the_last_and_of_several_limits_the_lowest_counts() -> None:
    b = broken(event(INLET_OPEN), event(INLET_SHUT), event(OUTLET_SHUT), event(OUTLET_OPEN))
    assert (b.inlet_open[0], b.inlet_shut[0], b.outlet_open[0], b.outlet_shut[0]) == (0, 1, 1, 0)
    b = broken(*(event(k, value=v) for k in (PUMP_OFF, LIMP) for v in (0.6, 0.2, 0.4)))
    assert (b.takes, b.limp) == (0.2, 0.2)
    assert broken(event(VALVE_STUCK, value=0.2), event(VALVE_STUCK, value=0.7)).stuck_at == 0.7


def test_stuck_without_a_value_it_stays_where_it_was_at_onset() -> None:
    b, e = units("ride_by_wire"), event(VALVE_STUCK)
    for valve in (0.31, 0.5, 0.9):
        b.valve = valve
        units_intact(b)
        break_unit(b, e)
        assert b.stuck_at == 0.31
