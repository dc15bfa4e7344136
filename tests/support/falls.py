"""Falls of the bare vehicle, with a ledger of where their energy goes, and where a lying bike has to lie."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from emulator.core.axes import rotation_of
from emulator.core.compiled import jit, jit_with_memory
from emulator.vehicle.contact.tyre import contact
from emulator.vehicle.driveline import engine_drag, engine_torque
from emulator.vehicle.dynamics import derivative
from emulator.vehicle.integrate import PARTS_OF_A_STEP, advance, begin, finish
from emulator.vehicle.params import HARD_PARTS, Vehicle
from emulator.vehicle.state import (
    BEND,
    BEND_RATE,
    CLUTCH_TWIST,
    DEFLECTION,
    ENGINE,
    FORK,
    FRONT,
    FRONT_WHEEL,
    IDLE,
    JOINT,
    JOINT_RATE,
    N_BODIES,
    N_X,
    OMEGA,
    P_DEPTH,
    P_LOAD,
    P_SINKING,
    P_SLIDING,
    POSITION,
    QUATERNION,
    REAR,
    REAR_WHEEL,
    STEER,
    SWAY_RATE,
    SWINGARM,
    TORSION,
    TREAD,
    U_AIR_DENSITY,
    U_ENGINE_CUT,
    U_GEAR,
    U_GRIP_FRONT,
    U_GRIP_REAR,
    U_THROTTLE,
    VELOCITY,
    scratch,
)
from emulator.vehicle.tree import kinematics

Array = NDArray[np.float64]

ENGINE_WORK, DRIVELINE, AIR, TYRES, JOINTS, RUBBING, IMPACT = range(7)
N_LEDGER = 7
VISCOSITY, STRONGEST = 8e3, 4.5e4
"""[N s/m] of a part that sticks, and at most of one pressed in: emulator.vehicle.contact.hard_parts."""


def kinetic_and_raised(vehicle: Vehicle, x: Array) -> float:
    """Energy [J] of the bodies' motion and height, over that at rest at height zero."""
    work = scratch()
    s = work[0]
    kinematics(vehicle.body[0], x, s)
    m, hx, hy, hz, ixx, iyy, izz, ixy, ixz, iyz = s["inertia"][:, :N_BODIES]
    wx, wy, wz, vx, vy, vz = s["V"][:, :N_BODIES]
    ux, uy, uz = s["R"][6:]
    double = (
        m * (vx * vx + vy * vy + vz * vz)
        + ixx * wx * wx + iyy * wy * wy + izz * wz * wz
        + 2.0 * (ixy * wx * wy + ixz * wx * wz + iyz * wy * wz)
    )  # fmt: skip
    mixed = vx * (wy * hz - wz * hy) + vy * (wz * hx - wx * hz) + vz * (wx * hy - wy * hx)
    raised = m * x[POSITION + 2] + ux * hx + uy * hy + uz * hz
    return float((0.5 * double + mixed + float(vehicle.body[0]["gravity"]) * raised).sum())


def held(vehicle: Vehicle, x: Array) -> float:
    """Energy [J] that the ledger's columns take from: bodies and crankshaft. Springs are in the columns."""
    return (
        kinetic_and_raised(vehicle, x)
        + 0.5 * float(vehicle.body[0]["engine_inertia"]) * float(x[ENGINE]) ** 2
    )


@jit
def _powers(body, tyre, x, u, work, spare, later, xdot, out):  # type: ignore[no-untyped-def]
    """Power [W] of each column of the ledger at x, on a level road at height zero; ``xdot`` as the vehicle's.

    later  whether this is one of the later stages of a step

    Each from its own law: friction from load and sliding speed, impact from load and sinking, drag from the
    wind, tyres from a call of theirs alone, the engine from its torque.
    """
    work[0].far = 1 if later and work[0].near == 0 else 0
    derivative(body, tyre, x, u, work, xdot)
    work[0].far = 0
    par, s, t = body[0], work[0], spare[0]
    out[:] = 0.0
    if u[U_ENGINE_CUT] > 0.0:
        out[ENGINE_WORK] = engine_drag(par, x[ENGINE]) * x[ENGINE]
    else:
        out[ENGINE_WORK] = engine_torque(par, x[ENGINE], u[U_THROTTLE], x[IDLE]) * x[ENGINE]
    ratio = 0.0
    if u[U_GEAR] > 0.0:
        ratio = par.gearbox_gear_1 * par.final_drive_rear_radius / par.final_drive_front_radius
        out[DRIVELINE] = -s.chain_torque / ratio * xdot[CLUTCH_TWIST]
    # the frame bears the crankshaft's acceleration
    out[DRIVELINE] -= par.engine_inertia * xdot[ENGINE] * x[OMEGA + 1]

    vx, vy, vz = x[VELOCITY], x[VELOCITY + 1], x[VELOCITY + 2]
    pressure = 0.5 * u[U_AIR_DENSITY] * math.sqrt(vx * vx + vy * vy + vz * vz)
    bx = pressure * (-par.air_drag_area * vx - par.air_lift_area * vz)
    by = -pressure * par.air_side_area * vy
    bz = pressure * (-par.air_drag_area * vz + par.air_lift_area * vx)
    wx, wy, wz = x[OMEGA], x[OMEGA + 1], x[OMEGA + 2]
    out[AIR] = bx * (vx + wy * par.air_centre_z) + bz * (vz - wy * par.air_centre_x)
    out[AIR] += by * (vy + wz * par.air_centre_x - wx * par.air_centre_z)

    for i in range(9):
        t.R[i] = s.R[i]
    for which in range(2):
        b = 2 if which == REAR else 6
        for k in range(6):
            t.wrench[b, k] = 0.0
            t.V[k, b] = s.V[k, b]
        for k in range(3):
            t.centre[which, k], t.axle[which, k] = s.centre[which, k], s.axle[which, k]
        spin = x[JOINT_RATE + (REAR_WHEEL if which == REAR else FRONT_WHEEL)]
        d = DEFLECTION + 2 * which
        grip = u[U_GRIP_REAR] if which == REAR else u[U_GRIP_FRONT]
        contact(
            tyre[which],
            which,
            b,
            s.R[6],
            s.R[7],
            s.R[8],
            x[POSITION + 2],
            spin,
            x[d],
            x[d + 1],
            x[TREAD + which],
            grip,
            t,
        )
        for k in range(6):
            out[TYRES] += t.wrench[b, k] * s.V[k, b]
    for j in range(6):
        out[JOINTS] += s.torque[j] * x[JOINT_RATE + j]
    out[JOINTS] += s.bend_torque * x[BEND_RATE] + s.sway_torque * x[SWAY_RATE]
    for i in range(par.parts):
        grip = u[U_GRIP_REAR] + par.part_share[i] * (u[U_GRIP_FRONT] - u[U_GRIP_REAR])
        for k in range(2):
            p = s.part[i, k]
            if p[P_LOAD] > 0.0:
                limit = par.part_friction[i] * grip * p[P_LOAD]
                if limit > 0.0:
                    v = p[P_SLIDING]
                    out[RUBBING] -= limit * v * v / math.sqrt(v * v + (limit / VISCOSITY) ** 2)
                out[IMPACT] -= p[P_LOAD] * p[P_SINKING]


@jit_with_memory
def _fall(body, tyre, x, u, dt, ticks, work, spare, ledger, deepest, path):  # type: ignore[no-untyped-def]
    """``ticks`` steps of the vehicle with the ledger's columns integrated by the very rule of the step.

    Returns how far the states the ledger was taken along are off those of the vehicle's own steps: 0.
    """
    off = 0.0
    k, y, probe = np.zeros((4, x.shape[0])), x.copy(), x.copy()
    out = np.zeros((4, 7))
    for n in range(ticks):
        begin(body, tyre, x, u, work)
        parts = PARTS_OF_A_STEP if work[0].near > 0 else 1
        h = dt / parts
        y[:] = x
        for _part in range(parts):
            _powers(body, tyre, y, u, work, spare, False, k[0], out[0])
            for stage in range(1, 4):
                step = h if stage == 3 else 0.5 * h
                probe[:] = y + step * k[stage - 1]
                _powers(body, tyre, probe, u, work, spare, True, k[stage], out[stage])
            for c in range(7):
                ledger[c] += h / 6.0 * (out[0, c] + 2.0 * out[1, c] + 2.0 * out[2, c] + out[3, c])
            # where the plant's own step puts it: with the friction elements brought back to their limits
            begin(body, tyre, y, u, work)
            advance(body, tyre, y, u, h, work)
            begin(body, tyre, y, u, work)
            for i in range(body[0].parts):
                for side in range(2):
                    if work[0].part[i, side, P_LOAD] > 0.0:
                        deepest[i] = max(deepest[i], work[0].part[i, side, P_DEPTH])
        begin(body, tyre, x, u, work)
        finish(body, tyre, x, u, dt, work)
        off = max(off, np.max(np.abs(x - y)))
        path[n] = x
    return off


class Fall(NamedTuple):
    """A fall: states (n, N_X) by tick, work [J] of each column on the bike, deepest [m] by part."""

    path: Array
    ledger: Array
    deepest: dict[str, float]
    lost: float
    """Energy [J] that bodies and crankshaft have lost."""

    @property
    def closes(self) -> float:
        """What the columns leave open, over what was lost and brought in."""
        turned_over = self.lost + max(0.0, float(self.ledger[ENGINE_WORK]))
        return abs(self.lost + float(self.ledger.sum())) / turned_over


def fall(vehicle: Vehicle, x: Array, u: Array, seconds: float, dt: float = 1e-3) -> Fall:
    """Let the bike go from x, which is left at the end, with the inputs held: in gear 1 or in neutral."""
    ticks = round(seconds / dt)
    ledger, deepest, path = np.zeros(N_LEDGER), np.zeros(len(HARD_PARTS)), np.zeros((ticks, N_X))
    before = held(vehicle, x)
    off = _fall(vehicle.body, vehicle.tyre, x, u, dt, ticks, scratch(), scratch(), ledger, deepest, path)
    assert off == 0.0
    names = [HARD_PARTS[k][0].name for k in vehicle.body[0]["part_kind"][: int(vehicle.body[0]["parts"])]]
    return Fall(path, ledger, dict(zip(names, map(float, deepest), strict=False)), before - held(vehicle, x))


def up_in_frame(x: Array) -> Array:
    """The road's upward normal (3,) in the main frame, on the level."""
    return np.array(rotation_of(*x[QUATERNION : QUATERNION + 4])[6:])


def lies_by_statics(vehicle: Vehicle, x: Array) -> Array:
    """Upward normals (n, 3) in the main frame of the planes a rigid bike with the joints of x can lie on.

    A body lies where its mass centre is above a face of the convex hull of all that can touch: its hard
    parts and its tyres, two tori, whose points are laid out here from the bodies' places alone.
    """
    s = scratch()
    par = vehicle.body[0]
    kinematics(par, x, s[0])
    mass = sum(float(s[0]["inertia"][0, b]) for b in range(N_BODIES))
    centre = sum(np.array(s[0]["inertia"][1:4, b], float) for b in range(N_BODIES)) / mass
    points = [p for _i, _k, _body, p in body_points(vehicle, x)]
    for which in (REAR, FRONT):
        points.extend(_torus(vehicle, np.array(s[0]["centre"][which]), np.array(s[0]["axle"][which]), which))
    cloud = np.array(points)
    hull = ConvexHull(cloud)
    normals = []
    for simplex, plane in zip(hull.simplices, hull.equations, strict=True):
        outward = plane[:3]
        foot = centre - (float(outward @ centre) + plane[3]) * outward
        a, b, c = cloud[simplex]
        weights = np.linalg.lstsq(
            np.vstack([np.array([a, b, c]).T, np.ones(3)]), np.append(foot, 1.0), rcond=None
        )[0]
        if weights.min() > -1e-6:
            normals.append(-outward)
    return np.array(normals)


def body_points(vehicle: Vehicle, x: Array) -> list[tuple[int, int, int, Array]]:
    """Hard parts (part, side, body, place in the main frame), by rotation matrices joint after joint."""
    par = vehicle.body[0]
    out = []
    for i in range(int(par["parts"])):
        body = int(par["part_body"][i])
        for k, side in enumerate((1.0, -1.0)):
            p = np.array([par["part_x"][i], side * par["part_y"][i], par["part_z"][i]], float)
            if body == 1:
                pivot = np.array([par["swingarm_pivot_x"], 0.0, par["swingarm_pivot_z"]], float)
                p = pivot + _turn(np.array([0.0, 1.0, 0.0]), float(x[JOINT + SWINGARM])) @ (p - pivot)
            elif body in (4, 5):
                rake, rise = float(par["steering_rake"]), float(par["frame_torsion_inclination"])
                axis = np.array([-math.sin(rake), 0.0, math.cos(rake)])
                head = np.array([par["steering_axis_x"], 0.0, par["steering_axis_z"]], float)
                if body == 5:
                    p = p + axis * float(x[JOINT + FORK])
                    if par["fork_bends"]:
                        hinge = np.array([par["fork_bending_x"], 0.0, par["fork_bending_z"]], float)
                        ahead = np.array([math.cos(rake), 0.0, math.sin(rake)])
                        p = hinge + _turn(ahead, float(x[BEND])) @ (p - hinge)
                p = head + _turn(axis, float(x[JOINT + STEER])) @ (p - head)
                foot = np.array([par["frame_torsion_x"], 0.0, par["frame_torsion_z"]], float)
                twist = np.array([math.cos(rise), 0.0, math.sin(rise)])
                p = foot + _turn(twist, float(x[JOINT + TORSION])) @ (p - foot)
            out.append((i, k, body, p))
    return out


def _turn(axis: Array, angle: float) -> Array:
    k = np.array([[0.0, -axis[2], axis[1]], [axis[2], 0.0, -axis[0]], [-axis[1], axis[0], 0.0]])
    return np.asarray(np.eye(3) + math.sin(angle) * k + (1.0 - math.cos(angle)) * k @ k)


def _torus(vehicle: Vehicle, centre: Array, axle: Array, which: int) -> list[Array]:
    tyre = vehicle.tyre[which]
    crown = float(tyre["crown_radius"])
    ring = float(tyre["radius"]) - crown
    a = np.cross(axle, [0.0, 0.0, 1.0])
    a /= np.linalg.norm(a)
    b = np.cross(axle, a)
    around, across = np.meshgrid(
        np.radians(np.arange(0.0, 360.0, 2.0)), np.radians(np.arange(-90.0, 91.0, 6.0))
    )
    out_of = np.multiply.outer(np.cos(around), a) + np.multiply.outer(np.sin(around), b)
    cloud = (ring + crown * np.cos(across))[..., None] * out_of + np.multiply.outer(
        crown * np.sin(across), axle
    )
    return list(centre + cloud.reshape(-1, 3))
