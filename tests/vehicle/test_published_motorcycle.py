"""The motorcycle of Sharp (1971) through the very code the loop runs.

R. S. Sharp, *The stability and control of motorcycles*, J. Mech. Eng. Sci. 13 (1971) 316-329: two rigid
frames, rigid rider, linear tyres with camber thrust and first-order lag, steering damper. Beyond the
benchmark bicycle it has finite cornering and camber stiffness, relaxation and damper at work together.

What the reference is, and is not: the parameter values are *from memory*, and the eigenvalues and critical
speeds are *computed* from the paper's model with them, by a derivation of its own that shares nothing with
this package. They are no printed values; none could be seen. So this shows that the code solves that model,
not that the paper's table reads so. Open in the paper is the sign of the rear frame's product of inertia:
it is an input here, and both signs are compared. For the other sign the table has critical speeds only;
there the equations are written down once more below, and checked against the table where it has values.

The parameters are taken in the units they are round in, by exact conversions. Their SI column, rounded to
six digits, moves the capsize root near its zero by 2e-5 1/s, far more than the table's last digit.
"""

from __future__ import annotations

import csv
import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import brentq, linear_sum_assignment

from emulator.core.axes import quaternion_of
from emulator.vehicle.equilibrium import steady_motion
from emulator.vehicle.linearise import (
    D_JOINT_RATE,
    D_OMEGA,
    D_STEER,
    D_TORSION,
    D_VELOCITY,
    LATERAL,
    ROLL,
    lateral,
    linearise,
)
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import FRONT, JOINT, N_X, QUATERNION, STEER, TORSION, scratch
from emulator.vehicle.tree import accelerations, kinematics
from tests.support.machines import sharp_motorcycle

REFERENCE = Path(__file__).parents[1] / "reference"

# International foot and pound exactly; standard gravity exactly (NIST SP 811, appendix B, from memory).
FOOT = 0.3048
POUND_FORCE = 0.45359237 * 9.80665
SLUG = POUND_FORCE / FOOT
UNITS = {
    "ft": FOOT,
    "slug": SLUG,
    "slug ft2": SLUG * FOOT**2,
    "lbf (magnitude)": POUND_FORCE,
    "lbf/rad": POUND_FORCE,
    "lbf ft s/rad": POUND_FORCE * FOOT,
    "deg": math.radians(1.0),
}

GRAVITY = 9.81

# Frame torsion is locked: its two states are empty rows and columns.
MOVING = [k for k, state in enumerate(LATERAL) if state not in (D_TORSION, D_JOINT_RATE + TORSION)]


def table(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


@cache
def parameters() -> dict[str, float]:
    """SI values by symbol."""
    rows = table("sharp1971_parameters.csv")
    values = {row["symbol"]: float(row["imperial"]) * UNITS[row["imperial_unit"]] for row in rows}
    for row in rows:  # the two columns say the same
        assert values[row["symbol"]] == pytest.approx(float(row["si"]), rel=5e-6)
    return values


def load_shift(vehicle: Vehicle, less: float) -> NDArray[np.float64]:
    """What ``less`` [N] of front load changes in the lateral state matrix (10, 10).

    In the paper the front load is an input; here the masses make it. The difference is taken off the front
    wheel at its contact and given to the frame at ground level below: upright nobody feels it, leaned or
    steered the two are apart by the trail, and only that may count. Both push vertically.
    """
    par, step = vehicle.body[0], 1e-4
    out = np.zeros((len(LATERAL), len(LATERAL)))
    below = np.array([float(par["front_wheel_x"]), 0.0, 0.0])
    rows = [LATERAL.index(k) for k in (D_OMEGA, D_OMEGA + 2, D_VELOCITY + 1, D_JOINT_RATE + STEER)]
    for deviation in (ROLL, D_STEER):
        rates = []
        for sign, force in ((1.0, less), (1.0, 0.0), (-1.0, less), (-1.0, 0.0)):
            x, s = np.zeros(N_X), scratch()[0]
            x[QUATERNION] = 1.0
            if deviation == ROLL:
                quaternion_of(sign * step, 0.0, 0.0, x[QUATERNION : QUATERNION + 4])
            else:
                x[JOINT + STEER] = sign * step
            kinematics(par, x, s)
            up, axle, centre = s["R"][6:9], s["axle"][FRONT], s["centre"][FRONT]
            across = up - (up @ axle) * axle
            contact = centre - parameters()["Rf"] * across / np.linalg.norm(across)
            s["wrench"][:] = s["torque"][:] = 0.0
            s["wrench"][0] = *np.cross(below, force * up), *(force * up)
            s["wrench"][6] = *np.cross(contact, -force * up), *(-force * up)
            accelerations(par, False, 0.0, s)
            rates.append(s["rhs"][[0, 2, 4, 6 + STEER]].copy())
        with_plus, plus, with_minus, minus = rates
        out[rows, LATERAL.index(deviation)] = ((with_plus - plus) - (with_minus - minus)) / (2.0 * step)
    return out


def eigenvalues(speed: float, *, front_load: float | None = None, **changes: float) -> NDArray[np.complex128]:
    """The model's eight eigenvalues as our linearisation has them [1/s]; front load as the masses make it."""
    p = parameters()
    vehicle = sharp_motorcycle(p, **({"product": p["Crxz"], "rake": p["eps"], "damper": p["K"]} | changes))
    steady = steady_motion(vehicle, speed)
    A = lateral(linearise(vehicle, steady)).A
    if front_load is not None:
        A += load_shift(vehicle, steady.loads[1] - front_load)
    return np.asarray(np.linalg.eigvals(A[np.ix_(MOVING, MOVING)]), np.complex128)


def tabled(row: dict[str, str]) -> NDArray[np.complex128]:
    values: list[complex] = [float(row[f"real{k}"]) for k in range(1, 6) if row[f"real{k}"]]
    for mode in ("weave", "wobble", "rear"):
        if row[f"{mode}_re"]:
            pair = complex(float(row[f"{mode}_re"]), float(row[f"{mode}_im"]))
            values += [pair, pair.conjugate()]
    assert len(values) == 8
    return np.array(values)


def distance(found: NDArray[np.complex128], expected: NDArray[np.complex128]) -> float:
    """Largest distance [1/s] between the two sets, each value having one partner."""
    apart = np.abs(found[:, None] - expected[None, :])
    return float(np.max(apart[linear_sum_assignment(apart)]))


EIGENVALUES = table("sharp1971_eigenvalues_computed.csv")


@pytest.mark.parametrize("row", EIGENVALUES, ids=lambda row: f"{row['v_m_s']} m/s")
def test_eigenvalues_are_those_of_the_model_to_the_last_printed_digit(row: dict[str, str]) -> None:
    found = eigenvalues(float(row["v_m_s"]), front_load=parameters()["Zf"])
    assert distance(found, tabled(row)) < 1e-6


def equations(speed: float, product: float, front_load: float) -> NDArray[np.float64]:
    """State matrix (8, 8) of the paper's model written down directly, for what the table leaves out.

    x forward, y right, z down, origin at the rear contact. Lateral displacement of a point of the rear frame
    y + psi x - phi z, of the front frame delta u more; u is the distance ahead of the steering axis.
    Speeds: y', psi', phi', delta'; then phi, delta, front and rear tyre force.
    """
    p = parameters()
    c, s = math.cos(p["eps"]), math.sin(p["eps"])
    base, axis = p["b"] + (p["a"] - p["an"]) / c, p["b"] + p["a"] / c
    front = p["a"] + p["e"]
    x, z = p["b"] + front * c + p["f"] * s, -front * s + p["f"] * c
    u = (x - axis) * c - z * s
    place_r, place_f = np.array([1.0, p["b"], p["h"], 0.0]), np.array([1.0, x, -z, u])
    turn_r = np.array([[0.0, 0.0, 1.0, 0.0], [0.0, 1.0, 0.0, 0.0]])  # about x and z
    turn_f = turn_r + np.array([[0.0, 0.0, 0.0, s], [0.0, 0.0, 0.0, c]])
    along = np.array([[s * s, s * c], [s * c, c * c]])
    inertia_r = np.array([[p["Irx"], -product], [-product, p["Irz"]]])
    inertia_f = p["Ifx"] * (np.eye(2) - along) + p["Ifz"] * along
    mass = p["Mr"] * np.outer(place_r, place_r) + p["Mf"] * np.outer(place_f, place_f)
    mass += turn_r.T @ inertia_r @ turn_r + turn_f.T @ inertia_f @ turn_f
    rates = np.zeros((4, 4))
    rates[:, 1] = -speed * (p["Mr"] * place_r + p["Mf"] * place_f)
    for turn, spin in ((turn_r, p["iry"] / p["Rr"]), (turn_f, p["ify"] / p["Rf"])):
        rates += speed * spin * turn.T @ [[0.0, -1.0], [1.0, 0.0]] @ turn
    rates[3, 3] -= p["K"]
    # an unsteered frame falls by its height, a steered one by what its weight and the road do about the axis
    sideways = p["Mf"] * GRAVITY * u + p["an"] * front_load
    angles = np.zeros((4, 2))
    angles[2:] = [[GRAVITY * (p["Mr"] * p["h"] - p["Mf"] * z), sideways], [sideways, sideways * s]]
    contact_f, contact_r = np.array([1.0, base, 0.0, -p["an"]]), np.array([1.0, 0.0, 0.0, 0.0])
    A = np.zeros((8, 8))
    A[:4] = np.linalg.solve(
        mass, np.hstack([rates, angles, contact_f[:, np.newaxis], contact_r[:, np.newaxis]])
    )
    A[4, 2] = A[5, 3] = 1.0
    carried = speed / p["sig"]
    A[6, :4], A[7, :4] = -p["Cf1"] / p["sig"] * contact_f, -p["Cr1"] / p["sig"] * contact_r
    A[6, 4], A[6, 5] = carried * p["Cf2"], carried * (p["Cf1"] * c + p["Cf2"] * s)
    A[7, 4] = carried * p["Cr2"]
    A[6, 6] = A[7, 7] = -carried
    return A


def test_the_equations_are_those_the_table_was_made_with() -> None:
    p = parameters()
    for row in EIGENVALUES:
        direct = np.linalg.eigvals(equations(float(row["v_m_s"]), p["Crxz"], p["Zf"]))
        assert distance(direct, tabled(row)) < 1e-6


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("quoted", [True, False])
def test_eigenvalues_agree_for_either_sign_of_the_product_of_inertia(sign: float, quoted: bool) -> None:
    p = parameters()
    product = sign * p["Crxz"]
    vehicle = sharp_motorcycle(p, product=product, rake=p["eps"], damper=p["K"])
    made = steady_motion(vehicle, 10.0).loads[1]
    assert made == pytest.approx(1012.6, abs=0.05)  # the table's note on the front load the masses make
    for row in EIGENVALUES:
        speed = float(row["v_m_s"])
        direct = np.linalg.eigvals(equations(speed, product, p["Zf"] if quoted else made))
        found = eigenvalues(speed, product=product, front_load=p["Zf"] if quoted else None)
        assert distance(found, direct) < 1e-7


@pytest.mark.parametrize("speed", [3.0, 10.0, 60.0])
def test_nothing_lateral_depends_on_the_vertical_stiffness(speed: float) -> None:
    soft, stiff = (eigenvalues(speed, stiffness=k) for k in (1e5, 1e7))
    assert distance(soft, stiff) < 1e-6


OPPOSITE = -1.28 * UNITS["slug ft2"]
CASES: dict[str, dict[str, float]] = {
    "baseline (K=6.779, Zf=1005.3, eps=27 deg)": {},
    "eps=0.4715 rad": {"rake": 0.4715},
    "Zf from mass geometry 1012.6 N": {},
    "no steering damper K=0": {"damper": 0.0},
    "opposite sign of rear-frame product of inertia": {"product": OPPOSITE},
    "opposite sign of product of inertia and K=0": {"product": OPPOSITE, "damper": 0.0},
}


def growth(mode: str, values: NDArray[np.complex128]) -> float:
    """Real part of a mode: fastest oscillation, slowest one, or last real root."""
    if mode == "capsize":
        return float(max(v.real for v in values if v.imag == 0.0))
    pairs = sorted((v for v in values if v.imag > 0.0), key=lambda v: v.imag)
    return float(pairs[-1 if mode == "wobble" else 0].real)


@pytest.mark.parametrize("mode", ["weave", "capsize", "wobble"])
@pytest.mark.parametrize(
    "row", table("sharp1971_critical_speeds_computed.csv"), ids=lambda row: str(row["case"])
)
def test_stability_changes_at_the_speeds_of_the_model(row: dict[str, str], mode: str) -> None:
    front_load = None if row["case"].startswith("Zf from mass") else parameters()["Zf"]
    way = "stable" if mode == "weave" else "unstable"
    expected = float(row[f"{mode}_{way}_above"])

    def at(speed: float) -> float:
        return growth(mode, eigenvalues(speed, front_load=front_load, **CASES[row["case"]]))

    below, above = at(expected - 0.5), at(expected + 0.5)
    assert (below > 0.0 > above) if way == "stable" else (below < 0.0 < above)
    assert brentq(at, expected - 0.5, expected + 0.5, xtol=1e-6) == pytest.approx(expected, abs=1e-4)
