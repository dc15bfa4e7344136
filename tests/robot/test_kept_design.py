"""The rider's design kept on disk: the same as worked out, made anew for whatever else it is made of."""

from __future__ import annotations

import math
from pathlib import Path

import grimp
import numpy as np
import pytest

import emulator
from emulator.core.errors import StartFailed
from emulator.robot import kept_design as module
from emulator.robot.design import SPEEDS, Design, Designed, blank_design, design_rider
from emulator.robot.kept_design import kept_design
from emulator.robot.timing import LoopTiming
from emulator.vehicle.equilibrium import NoEquilibrium
from tests.support.machines import demo

TIMING = LoopTiming(0.004, 0.005, 0.005, 0.003, 0.002, 0.01)


@pytest.fixture
def made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Grips that a design was worked out for, in a folder of the test's own; its numbers are made up.

    On a grip above 2 nothing can be ridden; on one above 1 the bike is held up at the first three speeds.
    """
    grips: list[float] = []

    def made_up(_vehicle: object, grip: float, _timing: object) -> Designed:
        grips.append(grip)
        if grip > 2.0:
            raise NoEquilibrium
        slowest = np.full(len(SPEEDS), -3.0)
        slowest[3:] = 0.25 if grip > 1.0 else -3.0
        return Designed(blank_design()._replace(rolling=np.array([grip, math.pi])), slowest)

    monkeypatch.setenv("EMULATOR_CACHE", str(tmp_path / "kept"))
    monkeypatch.setattr(module, "work_out", made_up)
    return grips


def same(one: Design, other: Design) -> bool:
    return all(np.array_equal(a, b) for a, b in zip(one, other, strict=True))


def test_what_is_kept_is_what_is_worked_out() -> None:
    worked_out = design_rider(demo(), 1.0, None, 30.0)
    for _ in range(2):
        kept = kept_design(demo(), 1.0, None, 30.0)
        assert same(kept, worked_out)
        assert all(array.flags.writeable and array.flags.c_contiguous for array in kept)


def test_once_for_a_vehicle_a_grip_and_a_timing_however_fast(made: list[float]) -> None:
    for _ in range(2):
        assert same(
            kept_design(demo(), 0.9, TIMING, 30.0),
            blank_design()._replace(rolling=np.array([0.9, math.pi])),
        )
    assert made == [0.9]
    kept_design(demo(), 0.8, TIMING, 30.0)
    kept_design(demo(main_frame__mass=125.0), 0.9, TIMING, 30.0)
    kept_design(demo(tyre_front__friction_y=1.2), 0.9, TIMING, 30.0)
    kept_design(demo(), 0.9, TIMING._replace(command_s=0.003), 30.0)
    kept_design(demo(), 0.9, None, 30.0)
    assert made == [0.9, 0.8, *[0.9] * 4]
    kept_design(demo(), 0.9, None, 30.0)
    kept_design(demo(), 0.9, TIMING, math.inf)
    assert len(made) == 6


def test_a_bike_it_can_not_ride_is_told_each_time(made: list[float]) -> None:
    for _ in range(2):
        with pytest.raises(NoEquilibrium):
            kept_design(demo(), 3.0, TIMING, 30.0)
    assert made == [3.0, 3.0]


def test_a_speed_at_which_it_would_not_hold_the_bike_up_is_told_each_time_and_no_slower_one(
    made: list[float],
) -> None:
    for _ in range(2):
        with pytest.raises(StartFailed, match=r"leave a mode at \+0\.25 1/s at 6\.5 m/s"):
            kept_design(demo(), 1.5, TIMING, SPEEDS[2] + 0.1)
        assert kept_design(demo(), 1.5, TIMING, SPEEDS[2]).rolling[0] == 1.5
    assert made == [1.5]


def test_every_module_that_it_can_reach_is_in_its_name() -> None:
    graph = grimp.build_graph("emulator", cache_dir=None)
    for importer in ("emulator.robot.design", "emulator.robot.linear_loop"):
        graph.remove_import(importer=importer, imported="emulator.robot.timing")  # a record's type alone
    package = Path(emulator.__path__[0])
    reached = {*graph.find_upstream_modules("emulator.robot.design"), "emulator.robot.design"}
    assert len(reached) > 10
    for name in reached:
        path = package.joinpath(*name.split(".")[1:])
        assert {path.with_suffix(".py"), path / "__init__.py"} & set(module.source_files()), name
