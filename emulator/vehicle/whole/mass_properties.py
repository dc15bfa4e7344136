"""Mass, mass centre and moments of inertia of the whole bike, as it stands on its wheels."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from emulator.core.axes import rotation_of
from emulator.vehicle.dynamics import derivative
from emulator.vehicle.equilibrium import rest_inputs, standing
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import FRONT, N_X, POSITION, QUATERNION, REAR, T_LOAD, T_X, T_Y, T_Z, scratch

BODIES = ("main_frame", "swingarm", "rear_wheel", "steered_frame", "fork_lower", "front_wheel")
"""Groups of the vehicle's record that have a mass, but for a robot whose mount gives."""


class MassProperties(NamedTuple):
    """The bike standing upright at rest on a level road, and what is fixed to its main frame.

    mass           [kg]
    ahead          [m]     mass centre forward of the rear axle
    height         [m]     mass centre above the road
    ixx, iyy, izz  [kg m2] about the mass centre: roll, pitch, yaw; level axes, x forward, z up
    ixz            [kg m2] integral of x z dm there
    front_share    [1]     front wheel's load over both
    wheelbase      [m]     between the contacts
    """

    mass: float
    ahead: float
    height: float
    ixx: float
    iyy: float
    izz: float
    ixz: float
    front_share: float
    wheelbase: float


def total_mass(vehicle: Vehicle) -> float:
    """Mass [kg] of bike and robot."""
    return float(sum(float(vehicle.body[0][f"{name}_mass"]) for name in (*BODIES, "robot")))


def mass_properties(vehicle: Vehicle) -> MassProperties:
    """Of the bike as its springs and tyres let it stand. The crankshaft is no body of its own: left out.

    Raises NoEquilibrium if the suspension can't carry the bike.
    """
    x, work = standing(vehicle, 0.0, 0.0, 0.0), scratch()
    derivative(vehicle.body, vehicle.tyre, x, rest_inputs(), work, np.zeros(N_X))
    s = work[0]
    # The derivative leaves the composite inertia of the whole tree about B's origin in the root's row.
    mass, *rest = (float(v) for v in s["inertia"][:, 0])
    centre = np.array(rest[:3]) / mass
    xx, yy, zz, xy, xz, yz = rest[3:]
    about_origin = np.array([[xx, xy, xz], [xy, yy, yz], [xz, yz, zz]])
    about_centre = about_origin - mass * (centre @ centre * np.eye(3) - np.outer(centre, centre))
    R = np.array(rotation_of(*x[QUATERNION : QUATERNION + 4])).reshape(3, 3)
    level = R @ about_centre @ R.T
    contacts = s["tyre"]
    rear, front = float(contacts[REAR, T_LOAD]), float(contacts[FRONT, T_LOAD])
    between = R @ (contacts[FRONT, [T_X, T_Y, T_Z]] - contacts[REAR, [T_X, T_Y, T_Z]])
    return MassProperties(
        mass=mass,
        ahead=float((R @ (centre - s["centre"][REAR]))[0]),
        height=float((R @ centre)[2] + x[POSITION + 2]),
        ixx=float(level[0, 0]),
        iyy=float(level[1, 1]),
        izz=float(level[2, 2]),
        ixz=-float(level[0, 2]),
        front_share=front / (rear + front),
        wheelbase=float(between[0]),
    )
