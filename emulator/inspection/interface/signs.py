"""What zero and a positive value mean in each signal, in words; what the numbers do is shown by samples."""

from __future__ import annotations

from typing import NamedTuple


class Sign(NamedTuple):
    """What 0 is, and which way a positive value points; empty for what has no sides."""

    zero: str
    positive: str = ""


_TORQUE = Sign("no torque about the steering axis", "turns the fork to the left")
_ANGLE = Sign("front wheel straight ahead", "front wheel turned to the left")
_OPENING = Sign("closed; 1 is fully open")
_LEVER = Sign("released, the clutch is engaged; 1 is pulled")
_PRESSURE = Sign("no pressure")
_GEAR = Sign("neutral")
_COUNTER = Sign("a count like any other; the next one after the highest")

COMMAND_SIGNS = {
    "steering_torque_Nm": _TORQUE,
    "steering_angle_rad": _ANGLE,
    "throttle": _OPENING,
    "front_brake_Pa": _PRESSURE,
    "rear_brake_Pa": _PRESSURE,
    "clutch": _LEVER,
    "gear_request": _GEAR,
    "heartbeat": _COUNTER,
    "estimate_x_m": Sign("origin of the scenario", "east of it"),
    "estimate_y_m": Sign("origin of the scenario", "north of it"),
    "estimate_heading_rad": Sign("heading east", "anticlockwise, seen from above"),
    "estimate_roll_rad": Sign("upright", "leaned to the right"),
    "estimate_speed_m_s": Sign("standing", "forward"),
}
"""Of the robot's values (emulator.core.signals.COMMANDS)."""

_WHEEL = Sign("standing, or slower than the sensor can tell; never negative, whichever way it turns")
_EDGES = Sign("a count like any other; the next one after the highest")
_AGE = Sign("an edge passes just now")
_HERTZ = Sign("standing")
_STROKE = Sign("fully extended", "compressed")

OUTPUT_SIGNS = {
    "wheel_front_m_s": _WHEEL,
    "wheel_rear_m_s": _WHEEL,
    "rate_x_rad_s": Sign("does not roll", "rolls to the right"),
    "rate_y_rad_s": Sign("does not pitch", "nose goes down; negative in a steady turn to either side"),
    "rate_z_rad_s": Sign("does not yaw", "turns to the left"),
    "force_x_m_s2": Sign("no force along the bike", "pushed forward: accelerating; braking is negative"),
    "force_y_m_s2": Sign("no force across the bike; near 0 in a steady turn", "pushed to the left"),
    "force_z_m_s2": Sign("free fall; standing upright it shows gravity, positive", "pushed up"),
    "lean_rad": Sign("upright", "leaned to the right"),
    "steering_angle_rad": _ANGLE,
    "steering_rate_rad_s": Sign("steering held", "turning to the left"),
    "engine_rad_s": Sign("engine stands", "crankshaft speed, never negative"),
    "gear": _GEAR,
    "throttle": _OPENING,
    "throttle_position": _OPENING,
    "clutch_position": _LEVER,
    "front_brake_line_Pa": _PRESSURE,
    "rear_brake_line_Pa": _PRESSURE,
    "fork_travel_m": _STROKE,
    "shock_travel_m": _STROKE,
    "chain_torque_Nm": Sign("chain slack", "the engine drives the wheel"),
    "reaction_torque_Nm": Sign(
        "the fork stays where it is by itself", "held where it is by a torque to the left: set the opposite"
    ),
    "fork_angle_rad": _ANGLE,
    "gnss_x_m": Sign("origin of the scenario", "east of it"),
    "gnss_y_m": Sign("origin of the scenario", "north of it"),
    "gnss_z_m": Sign("height of the scenario's origin", "above it"),
    "gnss_speed_m_s": Sign("standing"),
    "gnss_course_rad": Sign("moving north", "clockwise from there"),
    "gnss_fix": Sign("no fix"),
    "gnss_fix_in_use": Sign("no fix"),
    "gnss_satellites": Sign("none in use"),
    "heartbeat": _COUNTER,
    "state": Sign("standby"),
    "trip_reason": Sign("none"),
    "emulated": Sign("never sent"),
    "scenario_time_s": Sign("the ride begins now, or has not begun"),
    "wheel_front_hz": _HERTZ,
    "wheel_rear_hz": _HERTZ,
    "wheel_front_edges": _EDGES,
    "wheel_rear_edges": _EDGES,
    "wheel_front_edge_age_s": _AGE,
    "wheel_rear_edge_age_s": _AGE,
}
"""Of the values the bench sends (emulator.core.signals.OUTPUTS)."""

INPUT_SIGNS = {
    "estop_released": Sign("an emergency stop is pressed; 1 is released"),
    "guard_closed": Sign("a guard is open; 1 is closed"),
    "enable_pressed": Sign("the button of the local enable is let go of; 1 is pressed"),
}
"""Of the bench's inputs: permissives (emulator.plant.states.PERMISSIVES), and the local enable."""

REQUEST_SIGNS = {
    "prompt": ("number of the value to hold", Sign("all at rest")),
    "amount": ("how much of it, in that value's unit", Sign("none of it", "the way that value is positive")),
}
"""Of a rehearsal's request (emulator.config.rig.outputs.REQUEST_SIGNALS), with what each is."""
