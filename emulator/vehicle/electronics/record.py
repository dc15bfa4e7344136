"""The electronics' numbers and memory as one structured record that compiled code reads and writes."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from emulator.core.signals import BIKE_UNITS
from emulator.vehicle.electronics.brake_line import LONGEST_DEAD_TIME
from emulator.vehicle.electronics.parameters import SHARED
from emulator.vehicle.electronics.wheel_speeds import RATE_LAG

Sections = Mapping[str, Mapping[str, float]]

ELECTRONICS_DTYPE = np.dtype(
    [
        # 1: modelled
        ("wheels", np.int64),  # a unit that goes by wheel speeds is
        ("antilock", np.int64),
        ("traction", np.int64),
        ("wheelie", np.int64),
        ("ride_by_wire", np.int64),
        ("quickshifter", np.int64),
        ("slipper_clutch", np.int64),
        # antilock
        ("line_gain", np.float64),  # share of the way in a tick
        ("release_gain", np.float64),
        ("dead_ticks", np.int64),
        ("slip", np.float64),
        ("most_slip", np.float64),
        ("deceleration", np.float64),  # [m/s^2]
        ("acceleration", np.float64),
        ("build_rate", np.float64),  # [Pa/s]
        ("brake_lift_share", np.float64),
        # drive
        ("traction_slip", np.float64),
        ("traction_cut_rate", np.float64),  # [1/s]
        ("traction_return_rate", np.float64),
        ("traction_dead_ticks", np.int64),
        ("traction_lead", np.float64),  # [s]
        ("wheelie_lift_share", np.float64),
        ("wheelie_cut_rate", np.float64),
        ("wheelie_return_rate", np.float64),
        ("wheelie_dead_ticks", np.int64),
        ("exponent", np.float64),
        ("most_opening", np.float64),
        ("opening_rate", np.float64),
        ("closing_rate", np.float64),
        ("valve_gain", np.float64),
        ("cut_dead_time", np.float64),  # [s]
        ("cut_time", np.float64),
        ("lowest_engine", np.float64),  # [rad/s]
        ("back_torque", np.float64),  # [N m]
        # what those share that go by wheel speeds
        ("full_lean", np.float64),  # [rad]
        ("lowest_speed", np.float64),  # [m/s]
        ("fault_time", np.float64),  # [s]
        ("radius", np.float64, (2,)),  # [m] front, rear; what it was told
        ("crown", np.float64, (2,)),
        # what they remember; front, rear
        ("tilt", np.float64),  # [rad] size of the lean, as told
        ("speed", np.float64, (2,)),  # [m/s] last read
        ("rate", np.float64, (2,)),  # [m/s^2]
        ("reference", np.float64),  # [m/s] the bike's speed as it believes it
        ("phase", np.int64, (2,)),
        ("pressure", np.float64, (2,)),  # [Pa] at the calipers
        ("slipped_at", np.float64, (2,)),  # [Pa]
        ("allowed", np.float64, (2,)),  # [Pa]
        ("built", np.float64, (2,)),  # [s] since it was let off last
        ("stood", np.float64, (2,)),  # [s] a wheel has read standstill on a moving bike
        ("failed", np.int64),
        ("acting", np.int64),  # mask of what acts: emulator.plant.electronics.ACTING
        ("quiet_ticks", np.int64, (7,)),  # by bit of that: since it acted last
        ("command_at", np.int64),
        ("commands", np.int64, (2, LONGEST_DEAD_TIME)),
        ("ceilings", np.float64, (2, LONGEST_DEAD_TIME)),
        ("throttle", np.float64),  # that the engine gets
        ("valve", np.float64),
        ("traction_share", np.float64),  # of the throttle it lets through
        ("wheelie_share", np.float64),
        ("share_at", np.int64),
        ("shares", np.float64, (2, LONGEST_DEAD_TIME)),
        ("cut", np.float64),  # [s] since the gear lever was felt; 0: it is not
        ("cut_spent", np.int64),  # 1: this change has had its cut
        ("let_off", np.float64, (2,)),  # [Pa] of pressure let off that nothing has pumped back
        # faults of this tick (emulator.events.unit_faults)
        ("off", np.int64, (len(BIKE_UNITS),)),  # 1: it does nothing
        ("inlet_open", np.int64, (2,)),  # 1: its valve is stuck so
        ("inlet_shut", np.int64, (2,)),
        ("outlet_open", np.int64, (2,)),
        ("outlet_shut", np.int64, (2,)),
        ("takes", np.float64),  # [Pa] an accumulator that nobody empties takes; inf: it is emptied
        ("stuck_at", np.float64),  # opening of a throttle valve that is stuck; NaN: it moves
        ("limp", np.float64),  # opening it does not pass
        ("cuts", np.int64),  # 1: the ignition is cut
    ]
)


_NEVER_ACTED = 1 << 40  # [ticks]


def _gain(time_s: float, tick_s: float) -> float:
    return 1.0 - math.exp(-tick_s / time_s) if time_s > 0.0 else 1.0


def electronics_record(
    sections: Sections, modelled: set[str], radii: tuple[float, float], tick_s: float
) -> NDArray[np.void]:
    """(1,) the units at rest.

    sections  of the vehicle file, in SI, by name and parameter
    modelled  names of those that are; each has a section, and those it shares with others (SHARED)
    radii     [m] front and rear, that wheels' readings are made with
    tick_s    [s] at which they work
    """
    record = np.zeros(1, ELECTRONICS_DTYPE)
    r = record[0]
    r["ceilings"] = r["allowed"] = r["takes"] = math.inf
    r["stuck_at"], r["limp"] = math.nan, 1.0
    r["quiet_ticks"] = _NEVER_ACTED
    r["shares"] = r["traction_share"] = r["wheelie_share"] = 1.0
    for name in modelled:
        r[name] = 1
        _FILL[name](r, sections[name], tick_s)
    if modelled & set(SHARED):
        v = sections["control_unit"]
        r["wheels"] = 1
        for name in ("full_lean", "lowest_speed", "fault_time"):
            r[name] = v[name]
        r["radius"], r["crown"] = radii, (v["front_crown"], v["rear_crown"])
    return record


def _dead_ticks(section: Mapping[str, float], tick_s: float) -> int:
    return min(LONGEST_DEAD_TIME - 1, round(section["dead_time"] / tick_s))


def _antilock(r: np.void, v: Mapping[str, float], tick_s: float) -> None:
    r["line_gain"], r["release_gain"] = _gain(v["line_time"], tick_s), _gain(v["release_time"], tick_s)
    r["dead_ticks"], r["brake_lift_share"] = _dead_ticks(v, tick_s), v["lift_share"]
    for name in ("slip", "most_slip", "deceleration", "acceleration", "build_rate"):
        r[name] = v[name]


def _traction(r: np.void, v: Mapping[str, float], tick_s: float) -> None:
    r["traction_slip"], r["traction_dead_ticks"] = v["slip"], _dead_ticks(v, tick_s)
    r["traction_cut_rate"], r["traction_return_rate"] = v["cut_rate"], v["return_rate"]
    r["traction_lead"] = v["dead_time"] + RATE_LAG  # what it loses on its own way


def _wheelie(r: np.void, v: Mapping[str, float], tick_s: float) -> None:
    r["wheelie_lift_share"], r["wheelie_dead_ticks"] = v["lift_share"], _dead_ticks(v, tick_s)
    r["wheelie_cut_rate"], r["wheelie_return_rate"] = v["cut_rate"], v["return_rate"]


def _ride_by_wire(r: np.void, v: Mapping[str, float], tick_s: float) -> None:
    for name in ("exponent", "most_opening", "opening_rate", "closing_rate"):
        r[name] = v[name]
    r["valve_gain"] = _gain(v["valve_time"], tick_s)


def _quickshifter(r: np.void, v: Mapping[str, float], _: float) -> None:
    r["cut_dead_time"], r["cut_time"], r["lowest_engine"] = v["dead_time"], v["cut_time"], v["lowest_engine"]


def _slipper_clutch(r: np.void, v: Mapping[str, float], _: float) -> None:
    r["back_torque"] = v["back_torque"]


_FILL: dict[str, Callable[[np.void, Mapping[str, float], float], None]] = {
    "antilock": _antilock,
    "traction": _traction,
    "wheelie": _wheelie,
    "ride_by_wire": _ride_by_wire,
    "quickshifter": _quickshifter,
    "slipper_clutch": _slipper_clutch,
}
