"""What no vehicle can be, although every number by itself could: entries that contradict each other.

Each check names the entry to look at first, says what the others allow, and is skipped where one of its
entries is already known to be wrong. Impossible is a problem; possible but unlike any motorcycle a warning.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.config.yaml_source import Loc, Source
from emulator.core.errors import Problem
from emulator.vehicle.params import JOINTS

Array = NDArray[np.float64]
Values = dict[str, dict[str, float]]
Tables = dict[str, list[tuple[float, float]]]

BODIES = ("main_frame", "swingarm", "steered_frame", "fork_lower")
WHEELS = ("rear_wheel", "front_wheel")
MASSES = (*BODIES, *WHEELS)
LONGEST_TRAIL = 0.15
"""[m] of a road or racing motorcycle; common practice, no source."""
DEEPEST_CONTACT = 0.04
"""[m] a tyre is pressed in at the design position at most; common practice, no source."""
_ROUNDING = 1e-9
_DEFINITE = 1e-10  # least eigenvalue of the mass matrix with ones on its diagonal


class Contradiction(NamedTuple):
    """One contradiction: the entry it is about, what was expected, and whether the vehicle is impossible."""

    loc: Loc
    text: str
    impossible: bool = True


class _Known:
    """Entries that are right by themselves; asking for another one raises KeyError."""

    def __init__(self, values: Values, tables: Tables) -> None:
        self._values = values
        self.tables = tables

    def __call__(self, group: str, name: str) -> float:
        value = self._values[group][name]
        if math.isnan(value):
            raise KeyError(name)
        return value


def contradictions(source: Source, values: Values, tables: Tables) -> tuple[list[Problem], list[Problem]]:
    """(problems, warnings) of entries in SI that are each within their own range.

    Entries missing from ``values`` or NaN, and tables missing from ``tables``, are ones already reported.
    """
    problems: list[Problem] = []
    warnings: list[Problem] = []
    for finding in findings(values, tables):
        into = problems if finding.impossible else warnings
        into.append(source.problem(finding.loc, finding.text))
    return problems, warnings


def findings(values: Values, tables: Tables) -> Iterator[Contradiction]:
    """The same, wherever the entries stand."""
    known = _Known(values, tables)
    for check in _CHECKS:
        with contextlib.suppress(KeyError):
            yield from check(known)


# -- masses ----------------------------------------------------------------------------------------------


def inertia_fault(ixx: float, iyy: float, izz: float, ixz: float) -> tuple[str, str] | None:
    """Which of four inertias [kg m2] no body can have and what was expected; None if they belong to a body.

    The tensor must be positive definite, and no principal moment greater than the sum of the other two.
    """
    most = math.sqrt(max(ixx, 0.0)) * math.sqrt(max(izz, 0.0))
    slack = _ROUNDING * (ixx + izz)
    if abs(ixz) > most + slack:
        return (
            "ixz",
            f"expected from {-most:.4g} to {most:.4g} kg m2 (root of ixx times izz), got {ixz:g} kg m2",
        )
    middle, half = 0.5 * (ixx + izz), math.hypot(0.5 * (ixx - izz), ixz)
    rule = "no principal moment is greater than the sum of the other two"
    if iyy > 2.0 * middle + slack:
        return "iyy", f"expected at most ixx + izz = {2.0 * middle:.4g} kg m2 ({rule}), got {iyy:g} kg m2"
    # the two principal moments in the plane of symmetry are middle +- half
    if 2.0 * half > iyy + slack:
        key, own = ("ixx", ixx) if ixx >= izz else ("izz", izz)
        if abs(ixx - izz) <= iyy + slack:
            limit = math.sqrt(max(iyy * iyy - (ixx - izz) ** 2, 0.0)) / 2.0
            return "ixz", f"expected from {-limit:.4g} to {limit:.4g} kg m2 ({rule}), got {ixz:g} kg m2"
        return key, f"expected at most {iyy + min(ixx, izz):.4g} kg m2 ({rule}), got {own:g} kg m2"
    return None


def _inertias(known: _Known) -> Iterator[Contradiction]:
    for body in BODIES:
        try:
            found = inertia_fault(*(known(body, name) for name in ("ixx", "iyy", "izz", "ixz")))
        except KeyError:
            continue
        if found is not None:
            yield Contradiction((body, found[0], "value"), found[1])


def _wheel_inertias(known: _Known) -> Iterator[Contradiction]:
    for wheel in WHEELS:
        try:
            spin, most = known(wheel, "spin_inertia"), 2.0 * known(wheel, "diametral_inertia")
        except KeyError:
            continue
        if spin > most * (1.0 + _ROUNDING):
            yield Contradiction(
                (wheel, "spin_inertia", "value"),
                f"expected at most {most:.4g} kg m2 (twice the diametral one, as of a thin ring), "
                f"got {spin:g} kg m2",
            )


def mass_matrix(values: Values) -> Array:
    """Mass matrix (12, 12) at the design position: the main frame's twist about the origin, then the joints.

    Units: kg, kg m, kg m2. Each body's spatial inertia is taken at the origin; a joint's column is what its
    axis moves. Source: R. Featherstone, *Rigid Body Dynamics Algorithms* (2008), chapter 6, from memory.
    """
    v = values
    spatial = {name: _spatial(v[name]) for name in BODIES}
    for name in WHEELS:
        w = v[name]
        spatial[name] = _spatial(
            {
                "mass": w["mass"],
                "x": w["x"],
                "z": w["z"],
                "ixx": w["diametral_inertia"],
                "iyy": w["spin_inertia"],
                "izz": w["diametral_inertia"],
                "ixz": 0.0,
            }
        )
    lean, rake = v["frame_torsion"]["inclination"], v["steering"]["rake"]
    axis = np.array([-math.sin(rake), 0.0, math.cos(rake)])
    across = np.array([0.0, 1.0, 0.0])
    twist = np.array([math.cos(lean), 0.0, math.sin(lean)])
    motion = {
        "swingarm": _turning(across, v["swingarm"]["pivot_x"], v["swingarm"]["pivot_z"]),
        "rear_wheel": _turning(across, v["rear_wheel"]["x"], v["rear_wheel"]["z"]),
        "frame_torsion": _turning(twist, v["frame_torsion"]["x"], v["frame_torsion"]["z"]),
        "steering": _turning(axis, v["steering"]["axis_x"], v["steering"]["axis_z"]),
        "fork": np.concatenate([np.zeros(3), axis]),
        "front_wheel": _turning(across, v["front_wheel"]["x"], v["front_wheel"]["z"]),
    }
    carried: dict[str, tuple[str, ...]] = {
        "main_frame": (),
        "swingarm": ("swingarm",),
        "rear_wheel": ("swingarm", "rear_wheel"),
        "steered_frame": ("frame_torsion", "steering"),
        "fork_lower": ("frame_torsion", "steering", "fork"),
        "front_wheel": ("frame_torsion", "steering", "fork", "front_wheel"),
    }
    total = np.zeros((12, 12))
    for body, inertia in spatial.items():
        moves = np.zeros((6, 12))
        moves[:, :6] = np.eye(6)
        for joint in carried[body]:
            moves[:, 6 + JOINTS.index(joint)] = motion[joint]
        total += moves.T @ inertia @ moves
    return total


def _turning(axis: Array, x: float, z: float) -> Array:
    return np.concatenate([axis, np.cross([x, 0.0, z], axis)])


def _spatial(body: dict[str, float]) -> Array:
    """Spatial inertia (6, 6) about the origin, angular first; product = integral of x z dm."""
    m, x, z = body["mass"], body["x"], body["z"]
    centre = np.array([[0.0, -z, 0.0], [z, 0.0, -x], [0.0, x, 0.0]])
    tensor = np.array(
        [[body["ixx"], 0.0, -body["ixz"]], [0.0, body["iyy"], 0.0], [-body["ixz"], 0.0, body["izz"]]]
    )
    out = np.zeros((6, 6))
    out[:3, :3] = tensor - m * centre @ centre
    out[:3, 3:] = m * centre
    out[3:, :3] = -m * centre
    out[3:, 3:] = m * np.eye(3)
    return out


def _mass_matrix_is_definite(known: _Known) -> Iterator[Contradiction]:
    names: dict[str, tuple[str, ...]] = dict.fromkeys(BODIES, _NEEDED_BODY)
    names |= dict.fromkeys(WHEELS, _NEEDED_WHEEL)
    names["swingarm"] = (*_NEEDED_BODY, "pivot_x", "pivot_z")
    names["frame_torsion"] = ("x", "z", "inclination")
    names["steering"] = ("rake", "axis_x", "axis_z")
    values = {group: {name: known(group, name) for name in parts} for group, parts in names.items()}
    matrix = mass_matrix(values)
    diagonal = np.diagonal(matrix)
    if (diagonal > 0.0).all():
        scaled = matrix / np.sqrt(np.outer(diagonal, diagonal))
        eigenvalues, vectors = np.linalg.eigh(scaled)
        if eigenvalues[0] > _DEFINITE:
            return
        weight = np.abs(vectors[:, 0])
    else:
        weight = (diagonal <= 0.0).astype(float)
    groups = ("main_frame",) * 6 + JOINTS
    involved = sorted({groups[k] for k in range(12) if weight[k] > 0.2}, key=groups.index)
    yield Contradiction(
        (involved[-1],),
        "expected a mass matrix that is positive definite at the design position; "
        f"{' and '.join(involved)} can move without moving any mass: look at their axes and inertias",
    )


_NEEDED_BODY = ("mass", "x", "z", "ixx", "iyy", "izz", "ixz")
_NEEDED_WHEEL = ("mass", "x", "z", "spin_inertia", "diametral_inertia")


def _stands_on_both_wheels(known: _Known) -> Iterator[Contradiction]:
    masses = [known(group, "mass") for group in MASSES]
    x = sum(m * known(group, "x") for m, group in zip(masses, MASSES, strict=True)) / sum(masses)
    rear, front = known("rear_wheel", "x"), known("front_wheel", "x")
    if not rear < x < front:
        yield Contradiction(
            ("main_frame", "x", "value"),
            f"expected the bike's mass centre between its wheels ({rear:.3f} to {front:.3f} m), or it tips "
            f"over; all bodies together are at {x:.3f} m",
        )


# -- geometry --------------------------------------------------------------------------------------------


def _wheels_clear_each_other(known: _Known) -> Iterator[Contradiction]:
    base = known("front_wheel", "x") - known("rear_wheel", "x")
    both = known("tyre_front", "radius") + known("tyre_rear", "radius")
    if base <= both:
        yield Contradiction(
            ("front_wheel", "x", "value"),
            f"expected a wheelbase of more than the two tyre radii ({both:.4g} m), or the wheels overlap; "
            f"it is {base:.4g} m",
        )


def _crowns_fit(known: _Known) -> Iterator[Contradiction]:
    for tyre in ("tyre_front", "tyre_rear"):
        try:
            crown, radius = known(tyre, "crown_radius"), known(tyre, "radius")
        except KeyError:
            continue
        if crown >= radius:
            yield Contradiction(
                (tyre, "crown_radius", "value"),
                f"expected less than the tyre's radius ({radius:g} m), got {crown:g} m",
            )


def _wheels_touch_the_ground(known: _Known) -> Iterator[Contradiction]:
    for wheel, tyre in (("front_wheel", "tyre_front"), ("rear_wheel", "tyre_rear")):
        try:
            z, radius = known(wheel, "z"), known(tyre, "radius")
        except KeyError:
            continue
        if not radius - DEEPEST_CONTACT <= z <= radius:
            yield Contradiction(
                (wheel, "z", "value"),
                f"unusual, at the design position a tyre of {radius:g} m is pressed in by 0 to "
                f"{DEEPEST_CONTACT:g} m (axle {radius - DEEPEST_CONTACT:.4g} to {radius:.4g} m high), "
                f"got {z:g} m",
                impossible=False,
            )


def _trail(known: _Known) -> Iterator[Contradiction]:
    rake = known("steering", "rake")
    ground = known("steering", "axis_x") + known("steering", "axis_z") * math.tan(rake)
    trail = ground - known("front_wheel", "x")
    if not 0.0 < trail <= LONGEST_TRAIL:
        yield Contradiction(
            ("steering", "axis_x", "value"),
            f"unusual, motorcycles show a trail above 0 and up to {LONGEST_TRAIL:g} m (the steering axis "
            f"meets the ground ahead of the front contact), these entries make {trail:.4f} m",
            impossible=False,
        )


def _pegs(known: _Known) -> Iterator[Contradiction]:
    peg, down = known("fall", "peg_angle"), known("fall", "roll_limit")
    if peg >= down:
        yield Contradiction(
            ("fall", "peg_angle", "value"),
            "unusual, a footpeg touches before the bike counts as down "
            f"(roll_limit, {math.degrees(down):.4g} deg), got {math.degrees(peg):.4g} deg",
            impossible=False,
        )


def _pegs_are_where_they_touch(known: _Known) -> Iterator[Contradiction]:
    touching, peg = peg_angle_of_place(known), known("fall", "peg_angle")
    if touching < peg < known("fall", "roll_limit"):
        yield Contradiction(
            ("footpegs", "y", "value"),
            f"unusual, footpegs touch at peg_angle ({math.degrees(peg):.4g} deg) in a turn, springs deep; "
            f"these touch at {math.degrees(touching):.4g} deg with the springs as at standstill",
            impossible=False,
        )


def peg_angle_of_place(value: Callable[[str, str], float]) -> float:
    """Roll angle [rad] at which footpegs that are where the vehicle says touch, springs as at standstill.

    value  of a parameter in SI, by group and name
    The bike rolls on its two crowns: at the roll a a point is t + (z - t) cos a - y sin a high, t the crowns'
    radius where it is. Pegs above t touch between upright and lying flat; pi/2 if that is not so.
    """
    share = value("footpegs", "x") / value("front_wheel", "x")
    t = value("tyre_rear", "crown_radius")
    t += share * (value("tyre_front", "crown_radius") - t)
    up, out = value("footpegs", "z") - t, value("footpegs", "y")
    far = math.hypot(up, out)
    if not t < far:
        return 0.5 * math.pi
    return min(0.5 * math.pi, math.acos(-t / far) - math.atan2(out, up))


def _travels(known: _Known) -> Iterator[Contradiction]:
    for strut in ("fork", "shock"):
        try:
            design, travel = known(strut, "design_travel"), known(strut, "travel")
        except KeyError:
            continue
        if travel <= design:
            yield Contradiction(
                (strut, "travel", "value"),
                f"expected more than design_travel ({design:g} m), got {travel:g} m",
            )


# -- driveline -------------------------------------------------------------------------------------------


def _gears_fall(known: _Known) -> Iterator[Contradiction]:
    for n in range(2, 7):
        try:
            before, ratio = known("gearbox", f"gear_{n - 1}"), known("gearbox", f"gear_{n}")
        except KeyError:
            continue
        if ratio >= before:
            yield Contradiction(
                ("gearbox", f"gear_{n}", "value"),
                f"expected less than gear_{n - 1} ({before:g}; ratios fall from gear to gear), got {ratio:g}",
            )


def _clutch_lever(known: _Known) -> Iterator[Contradiction]:
    bite, full = known("clutch", "bite_lever"), known("clutch", "full_lever")
    if bite <= full:
        yield Contradiction(
            ("clutch", "bite_lever", "value"),
            f"expected more than full_lever ({full:g}; 0 is released, so it bites before it holds fully), "
            f"got {bite:g}",
        )


def _engine_speeds(known: _Known) -> Iterator[Contradiction]:
    idle, limiter = known("engine", "idle_speed"), known("engine", "limiter_speed")
    if idle >= limiter:
        yield Contradiction(
            ("engine", "idle_speed", "value"),
            f"expected less than limiter_speed ({_rpm(limiter)}), got {_rpm(idle)}",
        )


def _stall(known: _Known) -> Iterator[Contradiction]:
    stall, idle = known("engine", "stall_speed"), known("engine", "idle_speed")
    if stall >= idle:
        yield Contradiction(
            ("engine", "stall_speed", "value"),
            f"expected less than idle_speed ({_rpm(idle)}), got {_rpm(stall)}",
        )


def _rpm(speed: float) -> str:
    return f"{speed * 30.0 / math.pi:.6g} rpm"


def _torque_curve(known: _Known) -> Iterator[Contradiction]:
    curve = known.tables["engine_torque"]
    if max(torque for _, torque in curve) <= 0.0:
        yield Contradiction(("engine_torque", "points"), "expected a torque above 0 N m at some speed")
        return
    last, limiter = curve[-1][0], known("engine", "limiter_speed")
    if last < limiter * (1.0 - _ROUNDING):
        yield Contradiction(
            ("engine_torque", "points", len(curve) - 1),
            f"unusual, the curve ends before limiter_speed ({_rpm(limiter)}); its last torque is held from "
            f"{_rpm(last)} on",
            impossible=False,
        )


def _sprockets(known: _Known) -> Iterator[Contradiction]:
    apart = math.hypot(
        known("final_drive", "countershaft_x") - known("rear_wheel", "x"),
        known("final_drive", "countershaft_z") - known("rear_wheel", "z"),
    )
    both = known("final_drive", "front_radius") + known("final_drive", "rear_radius")
    if apart <= both:
        yield Contradiction(
            ("final_drive", "countershaft_x", "value"),
            f"expected the sprockets' centres more than their radii apart ({both:.4g} m), "
            f"they are {apart:.4g} m",
        )


# -- electronics -----------------------------------------------------------------------------------------


def _slips(known: _Known) -> Iterator[Contradiction]:
    few, many = known("antilock", "slip"), known("antilock", "most_slip")
    if many <= few:
        yield Contradiction(
            ("antilock", "most_slip", "value"),
            f"expected more than slip ({few:g}, from which a wheel is let off that slows too fast as well), "
            f"got {many:g}",
        )


_CHECKS: tuple[Callable[[_Known], Iterator[Contradiction]], ...] = (
    _inertias,
    _wheel_inertias,
    _stands_on_both_wheels,
    _wheels_clear_each_other,
    _crowns_fit,
    _wheels_touch_the_ground,
    _trail,
    _pegs,
    _pegs_are_where_they_touch,
    _travels,
    _gears_fall,
    _clutch_lever,
    _engine_speeds,
    _stall,
    _torque_curve,
    _sprockets,
    _slips,
    _mass_matrix_is_definite,
)
