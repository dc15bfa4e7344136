"""The panels of a ride over time: one for every output, what is true beside what was sent and thought.

What the scenario hits is found by the signals that its events act on; a signal that is hit, or that a
criterion bounds, and that no panel shows gets a panel of its own.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from emulator.core.signals import COMMANDS, INDEX, OUTPUTS, SIGNALS
from emulator.report.figures.drawing import BLUE, GREY, INK, ORANGE

_LOOKS = {
    "target": (GREY, "dashdot"),
    "true": (INK, "solid"),
    "second": (BLUE, "longdash"),
    "sent": (BLUE, "dash"),
    "estimate": (ORANGE, "dot"),
    "asked": (ORANGE, "dot"),
}
_SHOWN: dict[str, tuple[str, float]] = {
    "m/s": ("km/h", 3.6),
    "rad": ("°", 180.0 / math.pi),
    "rad/s": ("°/s", 180.0 / math.pi),
    "Pa": ("bar", 1e-5),
    "m/s2": ("m/s²", 1.0),
    "1": ("", 1.0),
}
_PERCENT, _MM, _RPM = ("%", 100.0), ("mm", 1000.0), ("1/min", 30.0 / math.pi)


@dataclass(frozen=True)
class Trace:
    """How one signal is drawn: its name in the record, in the legend, its look, factor to the shown unit."""

    signal: str
    label: str
    colour: str
    dash: str
    factor: float


@dataclass(frozen=True)
class PanelOf:
    """A panel of signals of one unit.

    fast      whether what it shows can swing
    zero      whether its axis begins at zero, since nothing it shows is ever negative
    whole     whether its axis has whole numbers only
    unless    a signal that has to differ somewhere from another one, or from 0, or there is nothing to show
    """

    title: str
    unit: str
    traces: tuple[Trace, ...]
    fast: bool = False
    zero: bool = False
    whole: bool = False
    unless: tuple[str, str] | None = None


def _panel(
    title: str,
    *given: tuple[str, str, str],
    shown: tuple[str, float] | None = None,
    fast: bool = False,
    zero: bool = False,
    whole: bool = False,
    unless: tuple[str, str] | None = None,
) -> PanelOf:
    """``given``: signal, its words, its look."""
    unit, factor = shown or shown_unit(_unit(given[0][0]))
    traces = tuple(Trace(signal, label, *_LOOKS[look], factor) for signal, label, look in given)
    return PanelOf(title, unit, traces, fast, zero, whole, unless)


def shown_unit(unit: str) -> tuple[str, float]:
    """The unit that values of one are shown in, and the factor to it."""
    return _SHOWN.get(unit, (unit, 1.0))


def _unit(signal: str) -> str:
    return SIGNALS[INDEX[signal]].unit


PANELS: tuple[PanelOf, ...] = (
    _panel(
        "Speed",
        ("line.target_speed_m_s", "target", "target"),
        ("truth.speed_m_s", "true", "true"),
        ("output.gnss_speed_m_s", "sent, GNSS", "sent"),
        ("robot.estimate_speed_m_s", "estimate", "estimate"),
    ),
    _panel(
        "Roll, positive to the right",
        ("truth.roll_rad", "true", "true"),
        ("output.lean_rad", "sent, lean sensor", "sent"),
        ("robot.estimate_roll_rad", "estimate", "estimate"),
    ),
    _panel("Offset from the line, positive to its left", ("line.offset_m", "true", "true")),
    _panel(
        "Wheel speeds",
        ("truth.speed_m_s", "true, the bike", "true"),
        ("output.wheel_front_m_s", "sent, front", "sent"),
        ("output.wheel_rear_m_s", "sent, rear", "estimate"),
    ),
    _panel(
        "Steering torque",
        ("actuator.steering_torque_Nm", "on the bike", "true"),
        ("robot.steering_torque_Nm", "from the robot", "asked"),
        fast=True,
    ),
    _panel(
        "Steering angle, positive to the left",
        ("truth.steer_rad", "true", "true"),
        ("output.steering_angle_rad", "sent", "sent"),
        ("robot.steering_angle_rad", "measured by the robot", "asked"),
        fast=True,
    ),
    _panel("Steering rate", ("truth.steer_rate_rad_s", "true", "true"), fast=True),
    _panel(
        "Roll rate",
        ("truth.roll_rate_rad_s", "true", "true"),
        ("output.rate_x_rad_s", "sent, about the sensor's x", "sent"),
        fast=True,
    ),
    _panel(
        "Pitch rate",
        ("truth.pitch_rate_rad_s", "true", "true"),
        ("output.rate_y_rad_s", "sent, about the sensor's y", "sent"),
        fast=True,
    ),
    _panel(
        "Yaw rate",
        ("truth.yaw_rate_rad_s", "true", "true"),
        ("output.rate_z_rad_s", "sent, about the sensor's z", "sent"),
        fast=True,
    ),
    _panel(
        "Specific force",
        ("output.force_x_m_s2", "sent, along x", "true"),
        ("output.force_y_m_s2", "sent, along y", "sent"),
        ("output.force_z_m_s2", "sent, along z", "estimate"),
        fast=True,
    ),
    _panel(
        "Throttle",
        ("actuator.throttle", "on the bike", "true"),
        ("output.throttle_position", "sent", "sent"),
        ("robot.throttle", "from the robot", "asked"),
        shown=_PERCENT,
        zero=True,
    ),
    _panel(
        "Front brake",
        ("actuator.front_brake_Pa", "on the bike", "true"),
        ("output.front_brake_line_Pa", "sent", "sent"),
        ("robot.front_brake_Pa", "from the robot", "asked"),
        zero=True,
    ),
    _panel(
        "Rear brake",
        ("actuator.rear_brake_Pa", "on the bike", "true"),
        ("output.rear_brake_line_Pa", "sent", "sent"),
        ("robot.rear_brake_Pa", "from the robot", "asked"),
        zero=True,
    ),
    *(
        _panel(
            f"{end} caliper, beside its master cylinder",
            (f"unit.{end.lower()}_caliper_Pa", "at the caliper", "true"),
            (f"actuator.{end.lower()}_brake_Pa", "at the master cylinder", "second"),
            zero=True,
            unless=(f"unit.{end.lower()}_caliper_Pa", f"actuator.{end.lower()}_brake_Pa"),
        )
        for end in ("Front", "Rear")
    ),
    _panel(
        "Engine's throttle, beside the grip",
        ("unit.throttle", "the engine gets", "true"),
        ("actuator.throttle", "at the grip", "second"),
        shown=_PERCENT,
        zero=True,
        unless=("unit.throttle", "actuator.throttle"),
    ),
    _panel(
        "The bike's electronics that act: antilock front 1, rear 2, traction 4, wheelie 8, "
        "ignition cut 16, slipper clutch 32, off 64",
        ("unit.acting", "sum of those that act", "true"),
        zero=True,
        whole=True,
        unless=("unit.acting", ""),
    ),
    _panel(
        "Clutch lever, pulled",
        ("actuator.clutch", "on the bike", "true"),
        ("output.clutch_position", "sent", "sent"),
        ("robot.clutch", "from the robot", "asked"),
        shown=_PERCENT,
        zero=True,
    ),
    _panel(
        "Engine speed",
        ("truth.engine_rad_s", "true", "true"),
        ("output.engine_rad_s", "sent", "sent"),
        shown=_RPM,
        zero=True,
    ),
    _panel(
        "Gear",
        ("truth.gear", "true", "true"),
        ("output.gear", "sent", "sent"),
        ("robot.gear_request", "from the robot", "asked"),
        zero=True,
        whole=True,
    ),
    _panel(
        "Friction use, 1 when all of it slides",
        ("truth.friction_use_front", "true, front", "second"),
        ("truth.friction_use_rear", "true, rear", "estimate"),
        fast=True,
        zero=True,
    ),
    _panel(
        "Tyre load",
        ("truth.load_front_N", "true, front", "second"),
        ("truth.load_rear_N", "true, rear", "estimate"),
        fast=True,
        zero=True,
    ),
    _panel(
        "Tyre force across, positive to the left",
        ("truth.lateral_front_N", "true, front", "second"),
        ("truth.lateral_rear_N", "true, rear", "estimate"),
        fast=True,
    ),
    _panel(
        "Tyre force along, positive forward",
        ("truth.longitudinal_front_N", "true, front", "second"),
        ("truth.longitudinal_rear_N", "true, rear", "estimate"),
        fast=True,
    ),
    _panel(
        "Suspension travel",
        ("truth.fork_travel_m", "true, fork", "true"),
        ("output.fork_travel_m", "sent, fork", "sent"),
        ("output.shock_travel_m", "sent, shock absorber", "estimate"),
        shown=_MM,
    ),
    _panel("Chain torque", ("output.chain_torque_Nm", "sent", "sent")),
    _panel("Kind of GNSS fix, by its number in GGA",
        ("output.gnss_fix", "sent", "sent"), zero=True, whole=True),
)  # fmt: skip
"""In the order they are shown; what was hit comes before."""
NEVER_NEGATIVE = frozenset(t.signal for p in PANELS if p.zero for t in p.traces)
"""Signals whose limit has no other side."""


_WHOSE = {
    "truth": "true, ",
    "output": "sent, ",
    "actuator": "on the bike, ",
    "unit": "on the bike, ",
    "robot": "from the robot, ",
    "line": "true, ",
}


def panel_of(signal: str) -> PanelOf:
    """A panel for a recorded signal of its own."""
    told = SIGNALS[INDEX[signal]]
    title = f"{told.meaning[:1].upper()}{told.meaning[1:]}"
    whose = _WHOSE.get(signal.partition(".")[0], "")
    return _panel(title, (signal, f"{whose}{signal}", "true"), fast=True)


_ROBOT_FRAMES = {
    "steering": ("steering_torque_Nm", "steering_angle_rad"),
    "drive": ("throttle", "front_brake_Pa", "rear_brake_Pa", "clutch"),
    "gear": ("gear_request", "heartbeat"),
}
_CHANNELS = {
    "steering": "actuator.steering_torque_Nm",
    "throttle": "actuator.throttle",
    "front_brake": "actuator.front_brake_Pa",
    "rear_brake": "actuator.rear_brake_Pa",
    "clutch": "actuator.clutch",
    "gear": "truth.gear",
}
_UNITS = {
    "antilock": ("unit.front_caliper_Pa", "unit.rear_caliper_Pa"),
    "quickshifter": ("unit.acting",),
    "slipper_clutch": ("unit.acting",),
}
_DEVICES = {"imu": ("imu_rates", "imu_force")}


def signals_hit(event: Mapping[str, Any]) -> list[str]:
    """Recorded signals that an event of a scenario acts on, as the manifest has it; none for many kinds."""
    kind, named = event.get("kind"), [str(event.get(key)) for key in ("signal", "frame", "channel", "sensor")]
    signal, frame, channel, sensor = named
    wanted: list[str] = []
    if kind == "fault":
        wanted = [f"output.{signal}", f"robot.{signal}"]
        if signal == "fork_angle_rad":
            wanted.append("robot.steering_angle_rad")
    elif kind == "frame":
        wanted = [f"output.{o.name}" for o in OUTPUTS if o.source == frame]
        wanted += [f"robot.{name}" for name in _ROBOT_FRAMES.get(frame, ())]
        if frame == "estimate":
            wanted += [f"robot.{c.name}" for c in COMMANDS if c.name.startswith("estimate")]
    elif kind == "actuator":
        wanted = [_CHANNELS.get(channel, "")]
    elif kind == "electronics":
        found = _UNITS.get(str(event.get("unit")), ("unit.throttle",))
        wanted = [name for name in found if str(event.get("brake") or "") in name]
    elif kind == "gearbox":
        wanted = ["truth.gear"]
    elif kind == "gnss":
        wanted = [f"output.{o.name}" for o in OUTPUTS if o.source == "gnss"]
    elif kind == "restart":
        sources = _DEVICES.get(sensor, (sensor,))
        wanted = [f"output.{o.name}" for o in OUTPUTS if o.source in sources]
    return [name for name in wanted if name in INDEX]
