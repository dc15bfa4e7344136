"""What one step of the same machine costs in MuJoCo, a general-purpose rigid-body engine written in C.

Its model has the vehicle's twelve degrees of freedom, bodies and masses, built from the same record, and
nothing else: no contact, no actuator, no spring, its default integrator (semi-implicit Euler), steps of
1 ms. Ours carries tyres, suspension, driveline, brakes and air on top, so the comparison leans MuJoCo's way.
Before anything is timed both have to accelerate alike.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from typing import TYPE_CHECKING

import mujoco
import numpy as np
from numpy.typing import NDArray

from emulator.vehicle.state import JOINT, JOINT_RATE, OMEGA, POSITION, QUATERNION, VELOCITY, scratch
from emulator.vehicle.tree import accelerations, kinematics

if TYPE_CHECKING:
    from tests.bench.pieces import Riding

Array = NDArray[np.float64]

STEP_S = 1e-3


def _numbers(*values: float) -> str:
    return " ".join(repr(float(value)) for value in values)


def description(par: np.void) -> str:
    """The vehicle as an MJCF text: a free frame, a swingarm with its wheel, a fork with its wheel."""

    def at(name: str) -> Array:
        return np.array([float(par[f"{name}_x"]), 0.0, float(par[f"{name}_z"])])

    def frame(name: str, origin: Array) -> str:
        ixx, iyy, izz, ixz = (float(par[f"{name}_{k}"]) for k in ("ixx", "iyy", "izz", "ixz"))
        return (
            f'<inertial mass="{_numbers(par[f"{name}_mass"])}" pos="{_numbers(*(at(name) - origin))}" '
            f'fullinertia="{_numbers(ixx, iyy, izz, 0.0, -ixz, 0.0)}"/>'
        )

    def wheel(name: str, origin: Array) -> str:
        spin, diametral = par[f"{name}_spin_inertia"], par[f"{name}_diametral_inertia"]
        return (
            f'<body pos="{_numbers(*(at(name) - origin))}"><joint type="hinge" axis="0 1 0"/>'
            f'<inertial mass="{_numbers(par[f"{name}_mass"])}" pos="0 0 0" '
            f'diaginertia="{_numbers(diametral, spin, diametral)}"/></body>'
        )

    slope, rake = float(par["frame_torsion_inclination"]), float(par["steering_rake"])
    twist = _numbers(math.cos(slope), 0.0, math.sin(slope))
    steer = _numbers(-math.sin(rake), 0.0, math.cos(rake))
    pivot, knee, head = at("swingarm_pivot"), at("frame_torsion"), at("steering_axis")
    return f"""
<mujoco>
  <compiler angle="radian" inertiafromgeom="false"/>
  <option timestep="{_numbers(STEP_S)}" gravity="{_numbers(0.0, 0.0, -par["gravity"])}"/>
  <worldbody>
    <body>
      <freejoint/>
      {frame("main_frame", np.zeros(3))}
      <body pos="{_numbers(*pivot)}">
        <joint type="hinge" axis="0 1 0"/>
        {frame("swingarm", pivot)}
        {wheel("rear_wheel", pivot)}
      </body>
      <body pos="{_numbers(*head)}">
        <joint type="hinge" axis="{twist}" pos="{_numbers(*(knee - head))}"/>
        <joint type="hinge" axis="{steer}"/>
        {frame("steered_frame", head)}
        <body>
          <joint type="slide" axis="{steer}"/>
          {frame("fork_lower", head)}
          {wheel("front_wheel", head)}
        </body>
      </body>
    </body>
  </worldbody>
</mujoco>"""


class Yardstick:
    """MuJoCo's model of a vehicle record ``par`` and its memory."""

    def __init__(self, par: np.void) -> None:
        self.par = par
        self.model = mujoco.MjModel.from_xml_string(description(par))
        self.data = mujoco.MjData(self.model)
        assert self.model.nv == 12

    def pose(self, x: Array) -> None:
        """Take over the vehicle's state: there the base moves in world components, but turns in its own."""
        s = scratch()[0]
        kinematics(self.par, x, s)
        R = s["R"].reshape(3, 3)
        self.data.qpos[:] = (
            *x[POSITION : POSITION + 3],
            *x[QUATERNION : QUATERNION + 4],
            *x[JOINT : JOINT + 6],
        )
        self.data.qvel[:] = *(R @ x[VELOCITY : VELOCITY + 3]), *x[OMEGA : OMEGA + 3], *x[JOINT_RATE:][:6]

    def best_step_us(self, blocks: int, steps: int = 100) -> float:
        """Processor time of a step from the pose it is in [us], the best of so many blocks of steps."""
        qpos, qvel, best = self.data.qpos.copy(), self.data.qvel.copy(), math.inf
        for _ in range(blocks):
            # without forces the parts would drift away from each other over many blocks
            self.data.qpos[:], self.data.qvel[:] = qpos, qvel
            begun = time.process_time()
            mujoco.mj_step(self.model, self.data, nstep=steps)
            best = min(best, (time.process_time() - begun) / steps * 1e6)
        return best

    def disagreement(self, x: Array, torque: Array) -> float:
        """Largest difference of the two accelerations at ``x`` under joint torques (6,), over the largest."""
        s = scratch()[0]
        kinematics(self.par, x, s)
        s["torque"][:] = torque
        s["wrench"][:] = 0.0
        R = np.array(s["R"]).reshape(3, 3)
        accelerations(self.par, False, 0.0, s)
        a, w, v = s["rhs"], x[OMEGA : OMEGA + 3], x[VELOCITY : VELOCITY + 3]
        ours = np.concatenate([R @ (a[3:6] + np.cross(w, v)), a[:3], a[6:]])
        self.pose(x)
        self.data.qfrc_applied[:] = [0.0] * 6 + list(torque)
        mujoco.mj_forward(self.model, self.data)
        theirs = np.array(self.data.qacc)
        self.data.qfrc_applied[:] = 0.0
        return float(np.max(np.abs(ours - theirs)) / np.max(np.abs(theirs)))


def beside(riding: Riding, calls: int) -> dict[str, tuple[Callable[[], object], int]]:
    """MuJoCo's steps as one more piece to time, from the state the bike rides in."""
    plant = riding.bench.plant
    stick, x = Yardstick(plant.body[0]), np.array(plant.x)
    torque = np.array([100.0, 50.0, 10.0, -20.0, 300.0, -40.0])
    apart = stick.disagreement(x, torque)
    if not apart < 1e-9:
        raise RuntimeError(f"the yardstick is another machine: its accelerations differ by {apart:.3g}")
    model, data = stick.model, stick.data
    stick.pose(x)
    qpos, qvel = data.qpos.copy(), data.qvel.copy()

    def run() -> None:
        # without forces the parts would drift away from each other over many blocks
        data.qpos[:], data.qvel[:] = qpos, qvel
        mujoco.mj_step(model, data, nstep=calls)

    run()
    if any(warning.number for warning in data.warning):  # it would have begun anew from rest
        raise RuntimeError("the yardstick does not step through a block")
    return {"mj_step": (run, calls)}
