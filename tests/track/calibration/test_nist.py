"""The 27 nonlinear regression problems of NIST's Statistical Reference Datasets, two starts each.

Source: NIST/ITL StRD, nonlinear regression (National Institute of Standards and Technology, public domain);
data, starts and certified values are read from NIST's own files in tests/reference/nist_strd, as they were
published; the models are typed from their heads.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np

from emulator.track.calibration.least_squares import NotFitted, fit

FOLDER = Path(__file__).parents[2] / "reference" / "nist_strd"
exp, pi = np.exp, np.pi


def _two_hills(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    return (
        b[0] * exp(-b[1] * x)
        + b[2] * exp(-((x - b[3]) ** 2) / b[4] ** 2)
        + b[5] * exp(-((x - b[6]) ** 2) / b[7] ** 2)
    )


def _three_decays(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    return b[0] * exp(-b[1] * x) + b[2] * exp(-b[3] * x) + b[4] * exp(-b[5] * x)


MODELS: dict[str, Callable[..., np.ndarray]] = {
    "Bennett5": lambda b, x: b[0] * (b[1] + x) ** (-1 / b[2]),
    "BoxBOD": lambda b, x: b[0] * (1 - exp(-b[1] * x)),
    "Chwirut1": lambda b, x: exp(-b[0] * x) / (b[1] + b[2] * x),
    "Chwirut2": lambda b, x: exp(-b[0] * x) / (b[1] + b[2] * x),
    "DanWood": lambda b, x: b[0] * x ** b[1],
    "ENSO": lambda b, x: (
        b[0]
        + b[1] * np.cos(2 * pi * x / 12)
        + b[2] * np.sin(2 * pi * x / 12)
        + b[4] * np.cos(2 * pi * x / b[3])
        + b[5] * np.sin(2 * pi * x / b[3])
        + b[7] * np.cos(2 * pi * x / b[6])
        + b[8] * np.sin(2 * pi * x / b[6])
    ),
    "Eckerle4": lambda b, x: (b[0] / b[1]) * exp(-0.5 * ((x - b[2]) / b[1]) ** 2),
    "Gauss1": _two_hills,
    "Gauss2": _two_hills,
    "Gauss3": _two_hills,
    "Hahn1": lambda b, x: (
        (b[0] + b[1] * x + b[2] * x**2 + b[3] * x**3) / (1 + b[4] * x + b[5] * x**2 + b[6] * x**3)
    ),
    "Kirby2": lambda b, x: (b[0] + b[1] * x + b[2] * x**2) / (1 + b[3] * x + b[4] * x**2),
    "Lanczos1": _three_decays,
    "Lanczos2": _three_decays,
    "Lanczos3": _three_decays,
    "MGH09": lambda b, x: b[0] * (x**2 + x * b[1]) / (x**2 + x * b[2] + b[3]),
    "MGH10": lambda b, x: b[0] * exp(b[1] / (x + b[2])),
    "MGH17": lambda b, x: b[0] + b[1] * exp(-x * b[3]) + b[2] * exp(-x * b[4]),
    "Misra1a": lambda b, x: b[0] * (1 - exp(-b[1] * x)),
    "Misra1b": lambda b, x: b[0] * (1 - (1 + b[1] * x / 2) ** -2.0),
    "Misra1c": lambda b, x: b[0] * (1 - (1 + 2 * b[1] * x) ** -0.5),
    "Misra1d": lambda b, x: b[0] * b[1] * x * (1 + b[1] * x) ** -1.0,
    "Nelson": lambda b, x: b[0] - b[1] * x[:, 0] * exp(-b[2] * x[:, 1]),
    "Rat42": lambda b, x: b[0] / (1 + exp(b[1] - b[2] * x)),
    "Rat43": lambda b, x: b[0] / (1 + exp(b[1] - b[2] * x)) ** (1 / b[3]),
    "Roszman1": lambda b, x: b[0] - b[1] * x - np.arctan(b[2] / (x - b[3])) / pi,
    "Thurber": lambda b, x: (
        (b[0] + b[1] * x + b[2] * x**2 + b[3] * x**3) / (1 + b[4] * x + b[5] * x**2 + b[6] * x**3)
    ),
}

CORRECT_DIGITS = 6.0
"""Of values and standard errors; common practice, no source."""


class Problem(NamedTuple):
    y: np.ndarray
    x: np.ndarray
    starts: tuple[np.ndarray, np.ndarray]
    certified: np.ndarray
    standard: np.ndarray


def problem(name: str) -> Problem:
    lines = (FOLDER / f"{name}.dat").read_text(encoding="ascii").splitlines()
    rows = [re.split(r"=", line)[1].split() for line in lines[:60] if re.match(r"\s*b\d+\s*=", line)]
    table = np.array(rows, float)
    begin = max(i for i, line in enumerate(lines) if line.startswith("Data:")) + 1
    data = np.array([line.split() for line in lines[begin:] if line.strip()], float)
    y, x = data[:, 0], data[:, 1:]
    return Problem(
        np.log(y) if name == "Nelson" else y,
        x if x.shape[1] > 1 else x[:, 0],
        (table[:, 0], table[:, 1]),
        table[:, 2],
        table[:, 3],
    )


def digits(found: np.ndarray, certified: np.ndarray) -> float:
    """Correct digits of the worst value."""
    error = np.abs(found - certified) / np.abs(certified)
    return float(-np.log10(np.maximum(error, 1e-16)).min())


def solved(name: str, start: int) -> tuple[float, float]:
    p = problem(name)
    with np.errstate(all="ignore"):
        try:
            found = fit(lambda b: MODELS[name](b, p.x) - p.y, p.starts[start], most_steps=3000)
        except NotFitted:
            return -np.inf, -np.inf
    return digits(found.values, p.certified), digits(found.standard, p.standard)


def test_certified_values_and_errors_are_found_from_52_of_54_starts() -> None:
    names = sorted(path.stem for path in FOLDER.glob("*.dat"))
    assert names == sorted(MODELS)
    assert len(names) == 27
    results = {(name, start): solved(name, start) for name in names for start in (0, 1)}
    missed = {key: got for key, got in results.items() if min(got) < CORRECT_DIGITS}
    # Lanczos1's certified squares of 1.4e-25 are below what rounding of its data in doubles leaves:
    # its values come out, its standard errors don't
    assert {name for name, _ in missed} <= {"Lanczos1"}, missed
    assert len(results) - len(missed) >= 52, missed
