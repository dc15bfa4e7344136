"""What a vehicle can do, kept on disk: found again, made anew where it is damaged or of another vehicle."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from emulator.assembly import kept_limits as module
from emulator.assembly.kept_limits import kept_limits, limits_along
from emulator.core.keeping import code_store
from emulator.lap.steady_limits import GripLimits, limits_on
from tests.support.machines import demo
from tests.support.plain_python import PACKAGE, files_entered


def made_up(value: float) -> GripLimits:
    return GripLimits(*(np.full((2, 3), value) for _ in GripLimits._fields))


@pytest.fixture
def made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Grips that limits were worked out for, in a folder of the test's own; their numbers are made up."""
    grips: list[float] = []

    def limits_on(_vehicle: object, grip: float) -> GripLimits:
        grips.append(grip)
        return made_up(grip)

    monkeypatch.setenv("EMULATOR_CACHE", str(tmp_path / "kept"))
    monkeypatch.setattr(module, "limits_on", limits_on)
    return grips


def same(one: GripLimits, other: GripLimits) -> bool:
    return all(np.array_equal(a, b) for a, b in zip(one, other, strict=True))


def test_once_for_a_vehicle_and_a_grip(made: list[float]) -> None:
    first = kept_limits(demo(), 0.9)
    assert same(kept_limits(demo(), 0.9), first)
    assert made == [0.9]
    assert same(kept_limits(demo(), 0.8), made_up(0.8))
    kept_limits(demo(main_frame__mass=125.0), 0.9)
    kept_limits(demo(tyre_front__friction_y=1.2), 0.9)
    assert made == [0.9, 0.8, 0.9, 0.9]


def test_of_another_making_it_is_made_anew(made: list[float], monkeypatch: pytest.MonkeyPatch) -> None:
    kept_limits(demo(), 0.9)
    monkeypatch.setattr(module, "AIR_DENSITY", 1.1)
    module._making.cache_clear()
    try:
        kept_limits(demo(), 0.9)
    finally:
        module._making.cache_clear()
    assert made == [0.9, 0.9]


def test_every_module_whose_python_runs_on_the_way_is_in_the_name() -> None:
    """Which those are is seen by running it: files of the package whose functions are entered uncompiled."""
    ran = files_entered(lambda: limits_on(demo(), 1.0))
    assert PACKAGE / "vehicle" / "quasi_steady.py" in ran
    assert ran <= set(module.source_files())


@pytest.mark.parametrize("content", [b"", b"nothing", b"PK\x03\x04 cut off"])
def test_what_is_damaged_is_made_anew_and_put_right(made: list[float], content: bytes) -> None:
    kept_limits(demo(), 0.9)
    (path,) = code_store.cache_folder().iterdir()
    path.write_bytes(content)
    assert same(kept_limits(demo(), 0.9), made_up(0.9))
    assert made == [0.9] * 2
    kept_limits(demo(), 0.9)
    assert len(made) == 2


def test_a_folder_that_can_not_be_written_costs_only_time(
    made: list[float], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(code_store, "save", lambda *_: None)
    assert same(kept_limits(demo(), 0.9), kept_limits(demo(), 0.9))
    assert made == [0.9, 0.9]


def test_several_grips_become_one_table(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []

    def of_grip(_vehicle: object, grip: float) -> GripLimits:
        asked.append(grip)
        one = made_up(grip)
        return one._replace(ends=np.array([[-grip, grip, 0.0]] * 2), angles=np.array([1.0, 1.5, 2.0]))

    monkeypatch.setattr(module, "kept_limits", of_grip)
    table = limits_along(demo(), [0.9, 0.5, 0.9])
    assert asked == [0.5, 0.9]
    np.testing.assert_array_equal(table.grips, [0.5, 0.9])
    np.testing.assert_array_equal(table.ends[0], [[-0.5, 0.5]] * 2)
    np.testing.assert_array_equal(table.drive, [[0.0, 0.9]] * 2)
    np.testing.assert_allclose(table.ellipse[1][0] * np.sin([1.0, 1.5, 2.0]), 0.9)
