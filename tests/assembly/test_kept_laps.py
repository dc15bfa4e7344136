"""Ideal laps kept on disk: the same as worked out, ridden anew where anything they are made of differs."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from emulator.assembly import kept_laps as module
from emulator.assembly.kept_laps import kept_laps
from emulator.assembly.kept_limits import limits_along
from emulator.core.keeping import code_store
from emulator.lap import ideal_lap as solver
from emulator.lap.ideal_lap import Bike, IdealLap, bike_of, ideal_lap
from emulator.road.line import Line
from tests.support.machines import demo
from tests.support.plain_python import PACKAGE, files_entered

RADIUS, STEPS = 60.0, 40


def circle() -> Line:
    heading = np.linspace(0.0, 2.0 * np.pi, STEPS + 1)
    flat = np.zeros(STEPS + 1)
    return Line(
        RADIUS * heading,
        RADIUS * np.sin(heading),
        RADIUS * (1.0 - np.cos(heading)),
        heading,
        np.full(STEPS + 1, 1.0 / RADIUS),
        *(flat.copy() for _ in range(4)),
        2.0 * np.pi * RADIUS,
        True,
    )


LINE, GRIP = circle(), np.ones(STEPS + 1)


@pytest.fixture(scope="module")
def bike() -> Bike:
    made = bike_of(demo(), limits_along(demo(), [1.0]), steer_torque_Nm=200.0)
    ideal_lap(LINE, made, grip=GRIP, initial_speed_m_s=0.0)  # compiled before the folder is another
    return made


@pytest.fixture
def made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bike: Bike) -> list[float]:
    """Grips at which laps were ridden, in a folder of the test's own."""
    ridden: list[float] = []

    def counted(line: Line, bike: Bike, *, grip: np.ndarray, **more: object) -> IdealLap:
        ridden.append(float(grip[0]))
        return ideal_lap(line, bike, grip=grip, **more)  # type: ignore[arg-type]

    monkeypatch.setenv("EMULATOR_CACHE", str(tmp_path / "kept"))
    monkeypatch.setattr(module, "ideal_lap", counted)
    return ridden


def same(one: IdealLap, other: IdealLap) -> bool:
    return all(np.array_equal(a, b) for a, b in zip(one, other, strict=True))


def test_what_is_found_again_is_what_was_worked_out(made: list[float], bike: Bike) -> None:
    flying = ideal_lap(LINE, bike, grip=GRIP)
    standing = ideal_lap(LINE, bike, grip=GRIP, initial_speed_m_s=0.0)
    for _ in range(2):
        kept = kept_laps(LINE, bike, GRIP)
        assert same(kept[0], flying)
        assert same(kept[1], standing)
        assert isinstance(kept[0].error_s, float)
    assert len(made) == 2


def test_a_target_speed_makes_no_other_lap(made: list[float], bike: Bike) -> None:
    kept_laps(LINE, bike, GRIP)
    kept_laps(LINE._replace(target_speed=np.full(STEPS + 1, 20.0)), bike, GRIP)
    assert len(made) == 2


@pytest.mark.parametrize(
    "changed",
    [
        lambda line, bike, grip: (line, bike, 0.99 * grip),
        lambda line, bike, grip: (line._replace(bank=line.bank + 1e-6), bike, grip),
        lambda line, bike, grip: (line._replace(length=line.length * (1.0 + 1e-9)), bike, grip),
        lambda line, bike, grip: (line, bike._replace(drag=bike.drag * (1.0 + 1e-9)), grip),
        lambda line, bike, grip: (line, bike._replace(roll_rate=0.5 * bike.roll_rate), grip),
        lambda line, bike, grip: (
            line,
            bike._replace(limits=bike.limits._replace(ends=0.999 * bike.limits.ends)),
            grip,
        ),
    ],
    ids=["grip", "line", "length", "bike", "roll rate", "limits"],
)
def test_whatever_differs_is_ridden_anew(
    changed: Callable[..., tuple[Line, Bike, np.ndarray]], made: list[float], bike: Bike
) -> None:
    kept_laps(LINE, bike, GRIP)
    kept_laps(*changed(LINE, bike, GRIP))
    assert len(made) == 4


def test_other_code_makes_another_lap(made: list[float], bike: Bike, monkeypatch: pytest.MonkeyPatch) -> None:
    kept_laps(LINE, bike, GRIP)
    monkeypatch.setattr(solver, "COMPILED", solver.COMPILED[:-1])
    module._making.cache_clear()
    try:
        kept_laps(LINE, bike, GRIP)
    finally:
        module._making.cache_clear()
    assert len(made) == 4


def test_the_only_plain_python_on_the_way_is_the_solver_s(bike: Bike) -> None:
    """Seen by running it: files of the package whose functions are entered uncompiled."""
    ran = files_entered(lambda: ideal_lap(LINE, bike, grip=GRIP, initial_speed_m_s=0.0))
    assert ran == {PACKAGE / "lap" / "ideal_lap.py"}


def test_what_can_not_be_ridden_is_told_each_time_and_nothing_kept(made: list[float], bike: Bike) -> None:
    steep = LINE._replace(bank=np.full(STEPS + 1, 1.5))
    for _ in range(2):
        with pytest.raises(ValueError, match="can't stand"):
            kept_laps(steep, bike, GRIP)
    assert len(made) == 2
    assert not [p for p in code_store.cache_folder().iterdir() if p.name.startswith("laps-")]


def test_what_is_damaged_is_ridden_anew(made: list[float], bike: Bike) -> None:
    first = kept_laps(LINE, bike, GRIP)
    (path,) = (p for p in code_store.cache_folder().iterdir() if p.name.startswith("laps-"))
    path.write_bytes(b"PK nothing")
    assert same(kept_laps(LINE, bike, GRIP)[0], first[0])
    assert len(made) == 4
