"""A whole vehicle from a data sheet: every parameter of the table.

What a sheet does not tell is scaled from the two invented demo vehicles: by mass, wheelbase or torque, as it
goes by dimension. The main frame is what is left of the whole bike's mass, mass centre and inertia when
wheels, fork and swingarm are taken off. Springs carry bike and robot at the design position.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from emulator.config.vehicle.consistency import inertia_fault
from emulator.config.vehicle.data_sheet import DataSheet, TyreSize, six_ratios, tyre_size
from emulator.core.constants import GRAVITY
from emulator.survey.own_vehicle.left_out import completed

Values = dict[str, dict[str, float]]

_RPM = math.pi / 30.0
_SPRINGS_IN_A_TURN = math.radians(4.0)
"""How much later a peg touches with the springs as at standstill; common practice, no source."""
_ROBOT_AT = (0.37, 0.605)  # forward and up, in wheelbases: where the demo rig's robot sits


class Impossible(ValueError):
    """No vehicle has these numbers: ``key`` of the sheet, and what it would have to be."""

    def __init__(self, key: str, text: str) -> None:
        super().__init__(text)
        self.key = key


class Parts(NamedTuple):
    """The vehicle in SI, by group and name as in its file, and the torque curve (rad/s, N m)."""

    values: Values
    torque: list[tuple[float, float]]


class _Whole(NamedTuple):
    """Masses [kg], lengths [m] and loads [N] that several parts need."""

    mass: float
    base: float
    rake: float
    ahead: float
    height: float
    front_load: float
    rear_load: float
    front: TyreSize
    rear: TyreSize

    @property
    def ridden(self) -> float:
        """Mass with the robot."""
        return (self.front_load + self.rear_load) / GRAVITY


def parts_of(sheet: DataSheet) -> Parts:
    """All parameters. Raises Impossible."""
    more = completed(sheet)
    w = _whole(sheet, more)
    values: Values = {}
    values["tyre_front"], values["tyre_rear"] = (
        _tyre(size, more["rolling_resistance"], stiffness)
        for size, stiffness in ((w.front, 140e3), (w.rear, 155e3))
    )
    front_z = w.front.radius - w.front_load / values["tyre_front"]["vertical_stiffness"]
    rear_z = w.rear.radius - w.rear_load / values["tyre_rear"]["vertical_stiffness"]
    values["front_wheel"] = _wheel(more["front_wheel_mass_kg"], w.base, front_z, w.front.radius)
    values["rear_wheel"] = _wheel(more["rear_wheel_mass_kg"], 0.0, rear_z, w.rear.radius)
    values["steering"] = _steering(sheet, more, w)
    values["steered_frame"], values["fork_lower"] = _fork_bodies(w, values["steering"], front_z)
    values["swingarm"] = _swingarm(more["swingarm_length_mm"] * 1e-3, w, rear_z)
    values["fork"] = _fork(more["fork_travel_mm"] * 1e-3, w, values)
    values["shock"] = _shock(more["rear_travel_mm"] * 1e-3, w, values)
    values["main_frame"] = _main_frame(sheet, more, w, values)
    values["frame_torsion"] = {
        "x": 0.67 * w.base,
        "z": 0.55 * w.base,
        "inclination": w.rake,
        "stiffness": 270.0 * w.ridden,
        "damping": 0.37 * w.ridden,
    }
    torque = _torque(sheet, more)
    values |= _drive(sheet, more, max(value for _, value in torque), values["swingarm"])
    values["brakes"] = _brakes(w.ridden)
    values["air"] = {
        "drag_area": more["drag_area_m2"],
        "lift_area": 0.05,
        "side_area": 0.7,
        "centre_x": 0.5 * w.base,
        "centre_z": 0.44 * w.base,
    }
    peg = math.radians(more["largest_lean_deg"])
    values["fall"] = {
        "peg_angle": peg,
        "roll_limit": min(max(peg + math.radians(9.0), math.radians(55.0)), 1.5),
    }
    values |= _hard_parts(w, values, peg)
    return Parts(values, torque)


def _whole(sheet: DataSheet, more: dict[str, float]) -> _Whole:
    base, mass, robot = sheet.wheelbase_mm * 1e-3, sheet.wet_mass_kg, more["robot_mass_kg"]
    ahead = base * sheet.front_share_pct * 1e-2
    front = GRAVITY * (mass * ahead / base + robot * _ROBOT_AT[0])
    return _Whole(
        mass=mass,
        base=base,
        rake=math.radians(sheet.head_angle_deg),
        ahead=ahead,
        height=more["centre_of_mass_height_mm"] * 1e-3,
        front_load=front,
        rear_load=GRAVITY * (mass + robot) - front,
        front=tyre_size(sheet.front_tyre),
        rear=tyre_size(sheet.rear_tyre),
    )


# -- bodies ----------------------------------------------------------------------------------------------


def _wheel(mass: float, x: float, z: float, radius: float) -> dict[str, float]:
    spin = 0.51 * mass * radius**2
    return {"mass": mass, "x": x, "z": z, "spin_inertia": spin, "diametral_inertia": 0.6 * spin}


def _body(
    mass: float, x: float, z: float, radii: tuple[float, float, float], product: float = 0.0
) -> dict[str, float]:
    """A body by its radii of gyration [m] and its product of inertia over its mass [m2]."""
    ixx, iyy, izz = (mass * r * r for r in radii)
    return {"mass": mass, "x": x, "z": z, "ixx": ixx, "iyy": iyy, "izz": izz, "ixz": product * mass}


def _steering(sheet: DataSheet, more: dict[str, float], w: _Whole) -> dict[str, float]:
    z = 0.6 * w.base
    return {
        "rake": w.rake,
        "axis_x": w.base + sheet.trail_mm * 1e-3 - z * math.tan(w.rake),
        "axis_z": z,
        "damping": 7.5,
        "stop_angle": math.radians(more["steering_stop_deg"]),
        "stop_stiffness": 3000.0,
        "stop_damping": 15.0,
    }


def _fork_bodies(
    w: _Whole, steering: dict[str, float], front_z: float
) -> tuple[dict[str, float], dict[str, float]]:
    z = 0.9 * steering["axis_z"]
    on_axis = steering["axis_x"] + (steering["axis_z"] - z) * math.tan(w.rake)
    steered = _body(0.055 * w.mass, on_axis + 0.017, z, (0.24, 0.25, 0.165), -0.0045)
    lower = _body(0.042 * w.mass, w.base - 0.045, front_z + 0.055, (0.14, 0.15, 0.09), -0.0027)
    return steered, lower


def _swingarm(length: float, w: _Whole, rear_z: float) -> dict[str, float]:
    rise = 0.04
    forward = math.sqrt(length**2 - rise**2)
    body = _body(0.038 * w.mass, 0.5 * forward, rear_z + 0.5 * rise, (0.09, 0.2, 0.2))
    return body | {"pivot_x": forward, "pivot_z": rear_z + rise}


def _apart(part: dict[str, float], w: _Whole) -> dict[str, float]:
    """What a part adds to the whole's inertia for not being at its mass centre."""
    m, x, z = part["mass"], part["x"] - w.ahead, part["z"] - w.height
    return {"ixx": m * z * z, "iyy": m * (x * x + z * z), "izz": m * x * x, "ixz": m * x * z}


def _main_frame(sheet: DataSheet, more: dict[str, float], w: _Whole, values: Values) -> dict[str, float]:
    """What is left of the whole bike without the parts that are there already."""
    others = [values[name] for name in ("swingarm", "steered_frame", "fork_lower")]
    others += [
        wheel
        | {"ixx": wheel["diametral_inertia"], "iyy": wheel["spin_inertia"], "ixz": 0.0}
        | {"izz": wheel["diametral_inertia"]}
        for wheel in (values["rear_wheel"], values["front_wheel"])
    ]
    mass = w.mass - sum(part["mass"] for part in others)
    if mass < 0.3 * w.mass:
        raise Impossible(
            "wet_mass_kg",
            f"expected more than {(w.mass - mass) / 0.7:.0f} kg: wheels, fork and swingarm alone make "
            f"{w.mass - mass:.0f} kg",
        )
    x = (w.mass * w.ahead - sum(part["mass"] * part["x"] for part in others)) / mass
    z = (w.mass * w.height - sum(part["mass"] * part["z"] for part in others)) / mass
    if not 0.2 * w.base < x < 0.8 * w.base:
        raise Impossible(
            "front_share_pct",
            f"expected a share with which frame, engine and tank have their mass centre between the wheels; "
            f"with {sheet.front_share_pct:g} % it is {x:.2f} m ahead of the rear axle",
        )
    if not 0.25 < z < 1.2:
        raise Impossible(
            "centre_of_mass_height_mm",
            f"expected a height with which frame, engine and tank have their mass centre 0.25 to 1.2 m up; "
            f"with {w.height * 1e3:.0f} mm it is at {z:.2f} m",
        )
    frame = {"mass": mass, "x": x, "z": z, "ixz": 0.0}
    whole = {
        "ixx": more["roll_inertia_kg_m2"],
        "iyy": more["pitch_inertia_kg_m2"],
        "izz": more["yaw_inertia_kg_m2"],
        "ixz": 0.0054 * w.mass * w.base**2,
    }
    shifted = [_apart(part, w) for part in (*others, frame)]
    for name, inertia in whole.items():
        frame[name] = inertia - sum(part[name] for part in others) - sum(shift[name] for shift in shifted)
    fault = inertia_fault(frame["ixx"], frame["iyy"], frame["izz"], frame["ixz"])
    least = 1e-3 * mass
    for name, key in (("ixx", "roll"), ("iyy", "pitch"), ("izz", "yaw")):
        if frame[name] < least:
            raise Impossible(
                f"{key}_inertia_kg_m2",
                f"expected more than {whole[name] - frame[name] + least:.3g} kg m2: wheels, fork, swingarm "
                f"and where they are make that much, got {whole[name]:.3g}",
            )
    if fault is not None:
        key = {"ixx": "roll", "iyy": "pitch", "izz": "yaw", "ixz": "yaw"}[fault[0]]
        raise Impossible(
            f"{key}_inertia_kg_m2",
            "expected moments of inertia that go together: with these, frame, engine and tank would have "
            f"{frame['ixx']:.3g}, {frame['iyy']:.3g} and {frame['izz']:.3g} kg m2 about x, y and z, and no "
            "principal moment of a body is greater than the sum of the other two",
        )
    return frame


# -- springs and tyres -----------------------------------------------------------------------------------


def _strut(moved: float, frequency: float, travel: float, force: float) -> dict[str, float]:
    """A strut on ``moved`` kg along itself, its natural frequency in Hz."""
    stiffness = moved * (2.0 * math.pi * frequency) ** 2
    critical = 2.0 * math.sqrt(stiffness * moved)
    return {
        "stiffness": stiffness,
        "bump_damping": 0.45 * critical,
        "rebound_damping": 0.7 * critical,
        "design_force": force,
        "design_travel": 0.28 * travel,
        "travel": travel,
        "stop_stiffness": 8.0 * stiffness,
    }


def _fork(travel: float, w: _Whole, values: Values) -> dict[str, float]:
    along = math.cos(w.rake)
    unsprung = values["front_wheel"]["mass"] + values["fork_lower"]["mass"]
    carried = w.front_load - unsprung * GRAVITY
    return _strut(carried / GRAVITY * along**2, 2.15, travel, carried * along)


def _shock(travel: float, w: _Whole, values: Values) -> dict[str, float]:
    arm, wheel = values["swingarm"], values["rear_wheel"]
    lever = 0.46 * arm["pivot_x"]
    over = arm["pivot_x"] / lever
    moment = w.rear_load * arm["pivot_x"] - GRAVITY * (
        wheel["mass"] * arm["pivot_x"] + arm["mass"] * (arm["pivot_x"] - arm["x"])
    )
    carried = moment / arm["pivot_x"]
    strut = _strut(carried / GRAVITY * over**2, 2.3, travel / over, moment / lever)
    return {"lever": lever, **strut}


def _tyre(size: TyreSize, resistance: float, stiffness: float) -> dict[str, float]:
    return {
        "radius": size.radius,
        "crown_radius": 0.5 * size.width,
        "vertical_stiffness": stiffness,
        "vertical_damping": 2e-3 * stiffness,
        "cornering_stiffness": 0.0,
        "cornering_per_load": 15.0,
        "camber_stiffness": 0.0,
        "camber_per_load": 0.9,
        "slip_stiffness_per_load": 21.0,
        "relaxation_length": 0.1 + size.width * 0.48,
        "relaxation_length_x": 0.065 + size.width * 0.28,
        "carcass_damping": 110.0,
        "friction_x": 1.15,
        "friction_y": 1.2,
        "rolling_resistance": resistance,
        "pneumatic_trail": 0.02,
        "twisting_arm": 0.006,
        "rolling_radius_share": 0.35,
    }


# -- what touches the road when it falls -------------------------------------------------------------------


def _hard_parts(w: _Whole, values: Values, peg: float) -> Values:
    """Hard parts, in wheelbases as of the invented demo vehicles; pegs where they touch at ``peg`` [rad]."""
    steering = values["steering"]
    bar_x = steering["axis_x"] - 0.05 * w.base
    x, z = 0.32 * w.base, 0.255 * w.base
    crown = values["tyre_rear"]["crown_radius"]
    crown += 0.32 * (values["tyre_front"]["crown_radius"] - crown)
    # springs as at standstill leave it some degrees above the road at that angle
    deep = min(peg + _SPRINGS_IN_A_TURN, 1.5)
    places = {
        "footpegs": (x, (crown + (z - crown) * math.cos(deep)) / math.sin(deep), z),
        "engine_covers": (0.49 * w.base, 0.15 * w.base, 0.27 * w.base),
        "fairing": (0.66 * w.base, 0.17 * w.base, 0.46 * w.base),
        "tail": (0.0, 0.14 * w.base, 0.56 * w.base),
        "handlebar": (bar_x, 0.265 * w.base, 0.66 * w.base),
        "levers": (bar_x + 0.075 * w.base, 0.22 * w.base, 0.66 * w.base),
        "front_axle": (w.base, 0.075 * w.base, values["front_wheel"]["z"]),
        "rear_axle": (0.0, 0.09 * w.base, values["rear_wheel"]["z"]),
    }
    return {
        name: {
            "x": place[0],
            "y": place[1],
            "z": place[2],
            "stiffness": (4e3 if name in ("handlebar", "levers") else 7e3) * w.ridden,
            "damping": 3.0 if name in ("handlebar", "levers") else 2.0,
            "friction": 0.45,
        }
        for name, place in places.items()
    }


# -- engine, drive, brakes -------------------------------------------------------------------------------


def _torque(sheet: DataSheet, more: dict[str, float]) -> list[tuple[float, float]]:
    """Torque that reaches the wheel at full throttle: through both peaks, nowhere above the peak power."""
    left = 1.0 - more["drive_loss_pct"] * 1e-2
    peak, at_power = sheet.torque_Nm, sheet.power_kW * 1e3 / (sheet.power_rpm * _RPM)
    at_power = min(at_power, peak)
    first, last = 1000.0, more["limiter_rpm"]
    points = [(first, 0.5 * peak), (0.5 * (first + sheet.torque_rpm), 0.8 * peak), (sheet.torque_rpm, peak)]
    steps = 5
    for k in range(1, steps):
        rpm = sheet.torque_rpm + (sheet.power_rpm - sheet.torque_rpm) * k / steps
        straight = peak + (at_power - peak) * k / steps
        points.append((rpm, min(straight, sheet.power_kW * 1e3 / (rpm * _RPM))))
    points.append((sheet.power_rpm, at_power))
    points.append((last, at_power * max(0.5, 1.0 - 1.7 * (last / sheet.power_rpm - 1.0))))
    return [(rpm * _RPM, torque * left) for rpm, torque in points]


def _drive(sheet: DataSheet, more: dict[str, float], peak: float, arm: dict[str, float]) -> Values:
    capacity = max(100.0, 2.2 * peak * sheet.primary_ratio)
    pitch = more["chain_pitch_mm"] * 1e-3
    front, rear = (
        0.5 * pitch / math.sin(math.pi / teeth)
        for teeth in (sheet.front_sprocket_teeth, sheet.rear_sprocket_teeth)
    )
    return {
        "engine": {
            "inertia": 0.009 + 1.2e-4 * peak,
            "idle_speed": more["idle_rpm"] * _RPM,
            "idle_torque_per_speed": 0.24 + 0.0033 * peak,
            "idle_torque_per_angle": 0.28 + 0.0066 * peak,
            "idle_torque": 8.0 + 0.2 * peak,
            "stall_speed": 0.34 * more["idle_rpm"] * _RPM,
            "limiter_speed": more["limiter_rpm"] * _RPM,
            "drag_torque": 2.3 + 0.034 * peak,
            "drag_torque_per_speed": 0.0035 + 7.7e-5 * peak,
        },
        "clutch": {
            "capacity": capacity,
            "bite_lever": 0.7,
            "full_lever": 0.25,
            "stiffness": 6.0 * capacity,
            "damping": 0.022 * capacity,
        },
        "gearbox": {
            "primary": sheet.primary_ratio,
            **{f"gear_{n}": ratio for n, ratio in enumerate(six_ratios(sheet), 1)},
            "shift_time": 0.07,
        },
        "final_drive": {
            "front_radius": front,
            "rear_radius": rear,
            "countershaft_x": arm["pivot_x"] + 0.08,
            "countershaft_z": arm["pivot_z"] + 0.01,
        },
    }


def _brakes(ridden: float) -> dict[str, float]:
    bar = 1e-5
    return {
        "front_gain": 0.28 * ridden * bar,
        "rear_gain": 0.08 * ridden * bar,
        "stiffness": 93.0 * ridden,
        "damping": 0.14 * ridden,
        "front_heat_capacity": 6.5 * ridden,
        "rear_heat_capacity": 2.4 * ridden,
        "front_cooling": 0.08 * ridden,
        "rear_cooling": 0.038 * ridden,
        "fade_from": 400.0,
        "fade_per_kelvin": 0.003,
    }
