"""Grip that was used is never more than the road had, and near what the tyres' own forces say."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from emulator.config.scenario.schema import load_scenario
from emulator.core.constants import GRAVITY
from emulator.record.reader import Frames, Run
from emulator.survey.ridden_surface.grip_used import Air, STEP_s, by_station, grip_used
from emulator.survey.ridden_surface.surface import RiddenSurface, ridden_surface
from emulator.survey.ridden_surface.surface_file import held_more, scenario_text, table_text
from emulator.survey.ridden_surface.surface_page import (
    bump_rows,
    console_tables,
    rows,
    slide_rows,
    surface_html,
)
from tests.guide.markdown import ROOT
from tests.support.command_line import emulator_command
from tests.support.html_page import Page
from tests.support.made_up_road import made_up_surface
from tests.support.planted_road import RIG, as_log, ridden

SLIDES = ROOT / "scenarios" / "runs" / "grip" / "patch_in_corner.yaml"
PLANTED_GRIP = 0.4
STILL_AIR = Air(0.0, 0.0, 1.2)


def steady(speed: float, turning: float, drive: float = 0.0, bank: float = 0.0, lean_off: float = 0.0) -> Run:
    """A minute of a steady turn to the left at 100 Hz, the bike in balance on a banked road."""
    n = 6000
    tick = np.arange(n) * 10
    lean = -math.atan(speed * turning / GRAVITY)
    across = speed * turning
    y = across * math.cos(lean) + GRAVITY * math.sin(lean)
    z = -across * math.sin(lean) + GRAVITY * math.cos(lean)
    values = {
        "output.force_x_m_s2": drive,
        "output.force_y_m_s2": y,
        "output.force_z_m_s2": z,
        "truth.roll_rad": lean + lean_off,
        "truth.speed_m_s": speed,
        "truth.yaw_rate_rad_s": turning * math.cos(lean),
        "truth.pitch_rate_rad_s": turning * math.sin(lean),
        "truth.roll_rate_rad_s": 0.0,
    }
    signals = {name: np.full(n, value) for name, value in values.items()}
    return Run(Path("made_up"), {}, tick, tick * 10**6, signals, Frames(*[np.empty(0)] * 8), [])


@pytest.mark.parametrize("drive", [0.0, 3.0, -5.0])
def test_a_steady_turn_uses_its_acceleration_over_gravity(drive: float) -> None:
    used = grip_used(steady(20.0, 0.3, drive), None, STILL_AIR)
    assert used.used == pytest.approx(np.full(600, math.hypot(6.0, drive) / GRAVITY), rel=1e-9)
    assert used.spread_m_s2 == pytest.approx(0.0, abs=1e-9)


def test_on_a_banked_road_it_uses_less() -> None:
    """Of a block on an inclined plane: tan(angle of balance less bank)."""
    bank = -0.2
    level = math.atan(6.0 / GRAVITY)
    used = grip_used(steady(20.0, 0.3), np.full(6000, bank), STILL_AIR)
    assert used.used == pytest.approx(np.full(600, math.tan(level + bank)), rel=1e-9)


def test_the_air_is_taken_off() -> None:
    air = Air(0.3 / 220.0, 0.05 / 220.0, 1.2)
    used = grip_used(steady(60.0, 0.0), None, air)
    pressure = 0.5 * 1.2 * 60.0**2
    expected = pressure * air.drag_m2_kg / (GRAVITY - pressure * air.lift_m2_kg)
    assert used.used == pytest.approx(np.full(600, expected), rel=1e-9)


@pytest.mark.parametrize("off", [0.02, -0.03])
def test_a_lean_that_is_off_is_in_the_bound(off: float) -> None:
    true = 9.0 / GRAVITY
    used = grip_used(steady(20.0, 0.45, lean_off=off), None, STILL_AIR)
    assert abs(used.used[5] - true) > 0.5 * abs(off)
    assert abs(used.used[5] - true) < 1.96 * used.sd[5]
    assert used.sd[5] < 0.1


def test_stretches_tell_the_most_and_who_rode_it() -> None:
    used = grip_used(steady(20.0, 0.3), None, STILL_AIR)
    n = len(used.time_s)
    station = used.time_s * 20.0 + 15.0  # two laps of 500 m and a bit
    more = used._replace(used=np.where(np.arange(n) == 200, 0.9, used.used))
    found = by_station(more, station, 500.0, 10.0, 1.25)
    k = int((station[200] % 500.0) // 10.0)
    assert found.used[k] == pytest.approx(0.9 / 1.25)
    assert found.lap[k] == 1 + station[200] // 500.0
    assert (found.least <= found.used).all()
    one = by_station(more, np.where(station < 500.0, station, np.nan), 500.0, 10.0, 1.25)
    assert np.nanmin(one.least - found.least) > -1e-12  # of fewer laps each has to be less sure
    assert np.isnan(by_station(more, np.full(n, np.nan), 500.0, 10.0, 1.25).used).all()


# -- ridden ------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def ride() -> Run:
    return ridden(SLIDES)


@pytest.fixture(scope="module")
def found(ride: Run) -> RiddenSurface:
    return ridden_surface(as_log(ride, np.random.default_rng(0)), SLIDES, RIG)


def true_use(ride: Run) -> np.ndarray:
    """(n,) force along the road over force across it, of both tyres, by the plant."""
    count = round(STEP_s / 1e-3)
    n = len(ride.tick) // count

    def of(name: str) -> np.ndarray:
        both = (
            ride.signals[f"truth.{name.format('front')}_N"] + ride.signals[f"truth.{name.format('rear')}_N"]
        )
        return both[: n * count].reshape(n, count).mean(axis=1)

    load = np.maximum(of("load_{}"), 1.0)
    return np.hypot(of("longitudinal_{}"), of("lateral_{}")) / load


@pytest.mark.slow
def test_what_was_used_is_what_the_tyres_say(ride: Run) -> None:
    log = as_log(ride, np.random.default_rng(0))
    from emulator.survey.ridden_line.places import places_of
    from emulator.survey.ridden_surface import surface

    used = grip_used(log, None, Air(0.0, 0.0, 1.2), surface._over_ground(log, places_of(log)))
    before = used.time_s < next(e.time_s for e in ride.events if e.kind == "slide")
    told = np.isfinite(used.used) & before
    off = used.used[told] - true_use(ride)[: len(told)][told]
    assert np.count_nonzero(told) > 80
    assert np.mean(np.abs(off) < 1.96 * used.sd[told]) > 0.93
    assert np.median(used.sd[told]) < 0.06


@pytest.mark.slow
def test_the_bound_is_never_above_the_road(found: RiddenSurface, ride: Run) -> None:
    assert found.grip is not None
    g = found.grip
    patch = load_scenario(SLIDES)[0].surface.patches[0]
    assert patch.from_m is not None
    on = (g.station > patch.from_m + 5.0) & (g.station < float(patch.to_m or 1e9))
    base = load_scenario(SLIDES)[0].surface.grip
    told = np.isfinite(g.least)
    assert (g.least[told] <= np.where(on, PLANTED_GRIP, base)[told]).all()
    assert np.nanmax(g.least) > 0.5  # and says something


@pytest.mark.slow
def test_a_slide_tells_the_grip_itself(found: RiddenSurface, ride: Run) -> None:
    (slide,) = found.slides
    assert slide.tyre == "front"
    assert slide.at_s == pytest.approx(next(e.time_s for e in ride.events if e.kind == "slide"), abs=0.1)
    assert slide.grip.least <= PLANTED_GRIP <= slide.grip.most
    patch = load_scenario(SLIDES)[0].surface.patches[0]
    assert slide.station_m == pytest.approx(float(patch.from_m or 0.0), abs=4.0)


@pytest.mark.slow
def test_what_is_written_is_a_scenario_with_that_road(found: RiddenSurface, tmp_path: Path) -> None:
    path = tmp_path / "as ridden.yaml"
    path.write_text(scenario_text(found, "as ridden", path))
    made, _ = load_scenario(path)
    (own,) = (p for p in made.surface.patches if p.name == "ridden slide 1")
    assert own.grip == found.slides[0].grip.estimated
    assert {p.name for p in made.surface.patches} >= {p.name for p in found.scenario.surface.patches}
    assert "SHA-256 " + "0" * 64 in path.read_text()
    table = table_text(found).splitlines()
    assert table[0] == "station_m,grip_used,grip_at_least,lap"
    assert found.grip is not None
    assert len(table) == 1 + len(found.grip.station)


@pytest.mark.slow
def test_more_than_the_scenario_has_is_a_patch(found: RiddenSurface, tmp_path: Path) -> None:
    slippery = found.scenario.model_copy(
        update={"surface": found.scenario.surface.model_copy(update={"grip": 0.45})}
    )
    held = held_more(replace(found, scenario=slippery))
    assert held
    assert found.grip is not None
    for stretch in held:
        inside = (found.grip.station > stretch.from_m) & (found.grip.station < stretch.to_m)
        assert 0.45 < stretch.grip <= found.grip.least[inside].min()
    path = tmp_path / "held.yaml"
    path.write_text(scenario_text(replace(found, scenario=slippery), "held", path))
    assert any(p.name == "ridden held 1" for p in load_scenario(path)[0].surface.patches)


@pytest.mark.slow
def test_the_page_shows_all_and_needs_nothing_else(found: RiddenSurface) -> None:
    page = Page(surface_html(found, "Road <b>"))
    assert page.addresses == []
    assert "Road <b>" in page.text
    assert "grip" in page.ids
    assert "profile" not in page.ids  # it turns all along
    for row in (*rows(found), *slide_rows(found)):
        assert all(" ".join(cell.split()) in page.text for cell in row)
    other = made_up_surface()
    page = Page(surface_html(other, "Road"))
    assert {"grip", "profile"} <= set(page.ids)
    for row in bump_rows(other):
        assert all(" ".join(cell.split()) in page.text for cell in row)
    assert console_tables(found, "x")
    assert found.grip is not None
    k = int(np.nanargmax(found.grip.least))
    assert f"at least {found.grip.least[k]:.2f}" in dict(rows(found))["greatest grip used"]


@pytest.mark.slow
def test_the_command_writes_all_or_nothing(
    ride: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from emulator.record import reader

    monkeypatch.setattr(reader, "read_run", lambda _: as_log(ride, np.random.default_rng(0)))
    monkeypatch.chdir(tmp_path)
    asked = ("track", "surface", "made_up", "--scenario", str(SLIDES), "--rig", str(RIG))
    assert emulator_command(*asked) == 0
    assert "scenario: made_up-surface.yaml" in capsys.readouterr().out
    for name in ("made_up-surface.yaml", "made_up-surface.csv", "made_up-surface-page.html"):
        assert (tmp_path / name).exists()
    assert emulator_command(*asked) != 0
    assert "--overwrite replaces it" in capsys.readouterr().err
    moved = as_log(ride, np.random.default_rng(0))
    moved.signals["truth.x_m"][:] += 4000.0  # type: ignore[index]
    monkeypatch.setattr(reader, "read_run", lambda _: moved)
    assert emulator_command(*asked, "--out", "o.yaml") == 3
    assert "m beside the line of" in capsys.readouterr().err
    assert not (tmp_path / "o.yaml").exists()
