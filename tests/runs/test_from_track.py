"""From a log to a record that is judged: what goes out comes back, what is planted is found or refused."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import asammdf
import numpy as np
import pandas as pd
import pytest
from ruamel.yaml import YAML

from emulator.config.scenario.schema import load_scenario
from emulator.config.track.map_file import MAPPED
from emulator.core.errors import StartFailed
from emulator.core.signals import SIGNALS
from emulator.record.documents import read_manifest
from emulator.record.reader import Run, read_run
from emulator.report.run_report import write_report
from emulator.runs import from_track
from emulator.runs.from_track import import_track
from emulator.track import on_disk
from emulator.track.logs.log import LogError
from emulator.track.out.export import SUFFIX, Form, export
from emulator.verdict.judge import Verdict, read_verdict
from tests.guide.markdown import ROOT
from tests.support.command_line import emulator_command
from tests.support.stored_runs import unpack_runs
from tests.support.track_log import Planted, logged, made_up_ride

SCENARIO = ROOT / "scenarios" / "runs" / "short_straight.yaml"
US = 1e-6
FIRST_s = 0.03
"""When the receiver of a made-up log has its first sample, by the main clock, whatever its own says."""


def write_map(path: Path, **keys: object) -> Path:
    with path.open("w") as file:
        YAML().dump({"kind": "track_map", "name": "Made up", **keys}, file)
    return path


# -- out and in again --------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    return read_run(unpack_runs(tmp_path_factory.mktemp("runs")) / "virtual")


@pytest.mark.parametrize("form", ["csv", "parquet", "mdf"])
def test_what_goes_out_comes_back_to_the_bit(run: Run, form: Form, tmp_path: Path) -> None:
    names = [s for s in SIGNALS if s.name in MAPPED and s.name in run.signals]
    assert len(names) > 60
    channels = [{"channel": s.name, "signal": s.name, "unit": s.unit, "outliers": "kept"} for s in names]
    asked = write_map(tmp_path / "map.yaml", time={"channel": "time_s"}, channels=channels)
    export(run, tmp_path / "out", (form,))
    record = import_track([tmp_path / "out" / f"signals{SUFFIX[form]}"], asked, tmp_path / "back")
    back = read_run(tmp_path / "back")
    np.testing.assert_allclose(back.time_s + record.brought.zero_s, run.time_s, rtol=0, atol=US)
    for signal in names:
        np.testing.assert_array_equal(back.signals[signal.name], run.signals[signal.name])
    assert back.manifest["stage"] == "track"
    assert not back.losses


def test_frames_come_back_at_their_own_rate(run: Run, tmp_path: Path) -> None:
    export(run, tmp_path / "out", ("parquet",))
    logged_frames = pd.read_parquet(tmp_path / "out" / "frame_lean.parquet")
    channel = {"channel": "lean_rad", "signal": "output.lean_rad", "unit": "rad", "outliers": "kept"}
    asked = write_map(tmp_path / "map.yaml", time={"channel": "time_s"}, channels=[channel])
    record = import_track([tmp_path / "out" / "frame_lean.parquet"], asked, tmp_path / "back")
    assert record.brought.step_ms == 10
    values = logged_frames["lean_rad"].to_numpy()
    found = read_run(tmp_path / "back").signals["output.lean_rad"]
    assert np.isin(found[np.isfinite(found)], values).all()


# -- a made-up day -----------------------------------------------------------------------------------------

UNITS = {"front": "m/s", "rear": "m/s", "lean": "rad"} | {f"f{a}": "m/s2" for a in "xyz"} | {
    f"w{a}": "rad/s" for a in "xyz"
}  # fmt: skip
MAIN = {
    "front": "output.wheel_front_m_s",
    "rear": "output.wheel_rear_m_s",
    "lean": "output.lean_rad",
    **{f"f{a}": f"output.force_{a}_m_s2" for a in "xyz"},
    **{f"w{a}": f"output.rate_{a}_rad_s" for a in "xyz"},
}
RECEIVER = {
    "gnss_speed": ("output.gnss_speed_m_s", "m/s"),
    "gnss_course": ("course", "rad"),
    "gnss_east": ("output.gnss_x_m", "m"),
    "gnss_north": ("output.gnss_y_m", "m"),
}


def day(
    folder: Path, log: dict[str, np.ndarray], units: dict[str, str] | None = None, **keys: object
) -> tuple[list[Path], Path]:
    """Logs of the bike and of the receiver, and a map of both; ``units`` by column, where they are others."""
    bike = pd.DataFrame({name: log[name] for name in ("time", *MAIN)})
    receiver = pd.DataFrame({"time": log["gnss_time"]} | {name: log[name] for name in RECEIVER})
    bike.to_parquet(folder / "bike.parquet")
    receiver.to_parquet(folder / "receiver.parquet")
    told = UNITS | (units or {})
    channels = [{"channel": name, "signal": signal, "unit": told[name]} for name, signal in MAIN.items()]
    channels += [
        {"channel": name, "signal": signal, "unit": unit, "clock": "receiver"}
        for name, (signal, unit) in RECEIVER.items()
    ]
    clock = {"name": "receiver", "signal": "output.gnss_speed_m_s", "like": "output.wheel_front_m_s"}
    asked = write_map(
        folder / "map.yaml",
        **{
            "time": {"channel": "time"},
            "channels": channels,
            "clocks": [clock],
            "inertial_unit": {"mounting": "estimate"},
            **keys,
        },
    )
    return [folder / "bike.parquet", folder / "receiver.parquet"], asked


def condition_scenario(folder: Path) -> Path:
    """A scenario that asks for lean and for what follows a braking, on a line that any place lies beside."""
    path = folder / "asked.yaml"
    criteria = [
        {"kind": "lean", "limit_deg": 60.0},
        {
            "kind": "holds",
            "name": "never above 200 km/h",
            "that": {"always": {"signal": "truth.speed_m_s", "at_most": 55.6}},
        },
    ]
    with path.open("w") as file:
        kinds = {c.kind for c in load_scenario(SCENARIO)[0].criteria} - {"lean"}
        others = [{"kind": kind, "remove": True} for kind in sorted(kinds)]
        YAML().dump({"based_on": str(SCENARIO), "criteria": [*others, *criteria]}, file)
    return path


@pytest.fixture(scope="module")
def planted() -> Planted:
    return Planted(offset_s=0.37, drift_ppm=40.0, mounting_deg=(3.0, 0.0, 3.0))


@pytest.fixture(scope="module")
def record(planted: Planted, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Verdict | None]:
    folder = tmp_path_factory.mktemp("day")
    rng = np.random.default_rng(11)
    log = logged(made_up_ride(rng, 150.0), rng, planted)
    log["front"][3000:3100] = np.nan
    log["lean"][5000] = 1.5
    asked = condition_scenario(folder)
    conditions = {"rear": {"name": "slick", "cold_bar": 1.6}, "fuel_kg": 8.0, "wind_m_s": 3.0}
    logs, map_file = day(folder, log, scenario=str(asked), conditions=conditions)
    made = import_track(logs, map_file, folder / "record")
    return made.folder, made.verdict


def test_the_record_says_what_was_found(record: tuple[Path, Verdict | None], planted: Planted) -> None:
    found = read_manifest(record[0])["track"]
    clock = found["clocks"]["receiver"]
    assert abs(clock["offset_s"] - FIRST_s) <= 2 * clock["offset_95_s"]
    assert abs(clock["drift_ppm"] - planted.drift_ppm) <= 2 * clock["drift_95_ppm"]
    mounting = found["mounting"]
    off = np.abs(np.subtract(mounting["angles_deg"], planted.mounting_deg))
    assert (off <= 1.5 * np.array(mounting["half_deg"])).all()
    assert found["conditions"]["rear"]["cold_bar"] == 1.6
    assert found["stand_ins"]["truth.roll_rad"] == "output.lean_rad"
    assert all(one["holds"] is not False for one in found["agreements"])


def test_gaps_and_outliers_are_marked_and_not_filled(record: tuple[Path, Verdict | None]) -> None:
    run = read_run(record[0])
    marks = pd.read_csv(record[0] / "marks.csv")
    front, lean = run.signals["output.wheel_front_m_s"], run.signals["output.lean_rad"]
    assert np.flatnonzero(np.isnan(front)).tolist() == list(range(3000, 3100))
    assert np.flatnonzero(np.isnan(lean)).tolist() == [5000]
    outlier = marks[(marks.signal == "output.lean_rad") & (marks.kind == "outlier")]
    assert outlier.value.tolist() == [1.5]
    assert "gap" in marks[marks.signal == "output.wheel_front_m_s"].kind.tolist()
    assert any(e.kind == "gap" and e.name == "output.wheel_front_m_s" for e in run.events)


def test_a_wheel_that_froze_is_told_and_moves_no_clock(planted: Planted, tmp_path: Path) -> None:
    rng = np.random.default_rng(12)
    log = logged(made_up_ride(rng), rng, planted)
    first = int(np.argmax(np.abs(log["front"][6200:-2000] - log["front"][6000:-2200]))) + 6000
    log["front"][first : first + 200] = log["front"][first]
    logs, map_file = day(tmp_path, log)
    found = import_track(logs, map_file, tmp_path / "record").brought
    clock = found.clocks["receiver"]
    assert abs(clock.offset_s - FIRST_s) <= 2 * clock.offset_95_s
    assert clock.offset_95_s < 5e-3
    (told,) = (r for r in found.remarks if "stood still" in r)
    assert told.startswith(f"output.wheel_front_m_s stood still and then jumped, {first / 100:.2f} to")


def test_a_stated_lateness_is_taken_off_its_samples_and_recorded(planted: Planted, tmp_path: Path) -> None:
    """A lean that comes 50 ms late is, with that told, the lean that came at once."""
    rng = np.random.default_rng(13)
    log = logged(made_up_ride(rng), rng, planted)
    logs, map_file = day(tmp_path, log)
    asked = YAML().load(map_file)
    channel = next(one for one in asked["channels"] if one["signal"] == "output.lean_rad")
    at_once = import_track(logs, map_file, tmp_path / "at_once").brought.columns["truth.roll_rad"]
    bike = pd.read_parquet(logs[0])
    late = bike[["time", "lean"]].assign(time=bike["time"] + 0.05)
    bike.drop(columns="lean").to_parquet(logs[0])
    late.to_parquet(tmp_path / "lean.parquet")
    channel["late_ms"] = 50.0
    with map_file.open("w") as file:
        YAML().dump(asked, file)
    import_track([*logs, tmp_path / "lean.parquet"], map_file, tmp_path / "late")
    run = read_run(tmp_path / "late")
    both = slice(0, len(at_once) - 10)
    np.testing.assert_array_equal(run.signals["truth.roll_rad"][both], np.asarray(at_once)[both])
    told = next(c for c in run.manifest["track"]["channels"] if c["signal"] == "output.lean_rad")
    assert told["late_ms"] == 50.0


def test_criteria_and_conditions_are_judged_and_reported(record: tuple[Path, Verdict | None]) -> None:
    verdict = read_verdict(record[0])
    by_name = {c.name: c for c in verdict.criteria}
    assert "not a number 50.0 s into the ride" in by_name["lean"].sentence  # what was taken out
    # the wheel speed stands for the truth, and has a gap
    assert "not a number" in by_name["never above 200 km/h"].sentence
    assert verdict.result == "invalid"
    assert set(verdict.undecided) == {"lean", "never above 200 km/h"}
    assert not verdict.missed
    page = write_report(record[0]).read_text()
    assert "not met" not in page
    assert "undecided" in page
    assert "never above 200 km/h" in page
    assert "track" in page


def test_a_record_without_gaps_passes_and_fails_as_it_should(planted: Planted, tmp_path: Path) -> None:
    for name, scale, result in (("slow", 1.0, "pass"), ("fast", 1.6, "fail")):
        folder = tmp_path / name
        folder.mkdir()
        rng = np.random.default_rng(12)
        ride = made_up_ride(rng, 150.0)
        ride.speed *= scale
        ride.turning /= scale**2
        ride = replace(ride, lean=-np.arctan(ride.speed * ride.turning / 9.80665),
                       heading=np.cumsum(ride.turning) * 0.01)  # fmt: skip
        logs, asked = day(folder, logged(ride, rng, planted), scenario=str(condition_scenario(folder)))
        made = import_track(logs, asked, folder / "record")
        assert made.verdict is not None
        assert made.verdict.result == result, made.verdict.reasons


def test_what_lies_on_the_disk_meanwhile_changes_no_byte(
    planted: Planted, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With clocks, a mounting, places, gaps and outliers: every column on the disk, or none."""
    rng = np.random.default_rng(11)
    log = logged(made_up_ride(rng, 150.0), rng, planted)
    log["front"][3000:3100] = np.nan
    log["lean"][5000] = 1.5
    scenario = str(condition_scenario(tmp_path))
    logs, asked = day(tmp_path, log, scenario=scenario, antenna={"position_m": [0.3, 0.0, 0.9]})
    made = {}
    for name, long in (("none", 1 << 40), ("all", 1)):
        monkeypatch.setattr(on_disk, "LONG", long)
        made[name] = import_track(logs, asked, tmp_path / "record").folder.rename(tmp_path / name)
    for file in ("signals.arrow", "report.html", "marks.csv", "verdict.json", "events.jsonl"):
        assert (made["none"] / file).read_bytes() == (made["all"] / file).read_bytes(), file
    assert "line.station_m" in read_run(made["all"]).signals


@pytest.mark.parametrize("rows", [1, 2, 5, 12, 150])
def test_a_log_of_moments_has_a_record_or_is_told(
    good: dict[str, np.ndarray], rows: int, tmp_path: Path
) -> None:
    """Cut off after its first rows: shorter than what the comparison of its signals looks around."""
    pd.DataFrame({name: good[name][:rows] for name in ("time", *MAIN)}).to_csv(
        tmp_path / "log.csv", index=False
    )
    channels = [{"channel": name, "signal": signal, "unit": UNITS[name]} for name, signal in MAIN.items()]
    for mounting in ("as_told", "estimate"):
        keys = {"time": {"channel": "time"}, "channels": channels, "inertial_unit": {"mounting": mounting}}
        asked = write_map(tmp_path / f"{mounting}.yaml", **keys)
        if mounting == "estimate" or rows == 1:
            with pytest.raises(LogError):
                import_track([tmp_path / "log.csv"], asked, tmp_path / mounting)
        else:
            made = import_track([tmp_path / "log.csv"], asked, tmp_path / mounting)
            assert len(made.brought.tick) == rows


# -- what is refused ---------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def good(planted: Planted) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(13)
    return logged(made_up_ride(rng, 150.0), rng, planted)


@pytest.mark.parametrize(
    ("columns", "units", "said"),
    [
        ({}, {"rear": "km/h"}, "m/s taken for km/h"),
        ({}, {"wx": "deg/s", "wy": "deg/s", "wz": "deg/s"}, "radians taken for degrees"),
        ({}, {"fx": "g", "fy": "g", "fz": "g"}, "specific force at standstill"),
        ({"wz": "-wz"}, {}, "wrong way round"),
        ({"wx": "-wx"}, {}, "wrong way round"),
        ({"lean": "-lean"}, {}, "wrong way round"),
        ({"fx": "fy", "fy": "fx"}, {}, "y points forward"),
        ({"fx": "fz", "fz": "fx"}, {}, "points up"),
        ({"gnss_speed": "-gnss_speed"}, {}, "wrong way round"),
        ({"lean": "-lean"}, {}, r"output.lean_rad \(channel 'lean'\) is .*\n.*all of them hang on the lean"),
        ({"front": "time"}, {}, "alike by"),
    ],
)
def test_planted_mistakes_are_refused_in_words(
    good: dict[str, np.ndarray],
    tmp_path: Path,
    columns: dict[str, str],
    units: dict[str, str],
    said: str,
) -> None:
    swapped = {name: -good[of[1:]] if of.startswith("-") else good[of] for name, of in columns.items()}
    logs, asked = day(tmp_path, good | swapped, units)
    with pytest.raises(LogError, match=said):
        import_track(logs, asked, tmp_path / "record")
    assert not (tmp_path / "record").exists()


def test_a_channel_of_another_group_is_not_called_missing(tmp_path: Path) -> None:
    mdf, log = asammdf.MDF(version="4.10"), tmp_path / "log.mf4"
    mdf.append([asammdf.Signal(np.zeros(2), np.array([0.0, 0.1]), name="lean")])
    mdf.save(log)
    mdf.close()
    channel = {"channel": "lean", "group": 9, "signal": "output.lean_rad", "unit": "rad"}
    asked = write_map(tmp_path / "map.yaml", channels=[channel])
    with pytest.raises(LogError, match=r"no channel 'lean' in group 9 of log\.mf4, but in another"):
        import_track([log], asked, tmp_path / "record")


@pytest.mark.parametrize(
    ("signal", "value", "said"),
    [
        ("output.steering_angle_rad", 4.0, "reaches 4 rad as output.steering_angle_rad, .*\n.*is it in deg?"),
        ("actuator.throttle", 80.0, "reaches 80 1 as actuator.throttle, .*\n.*is it in %?"),
        ("output.fork_travel_m", 90.0, "reaches 90 m .*\n.*is it in mm?"),
    ],
)
def test_what_no_motorcycle_does_is_refused(
    good: dict[str, np.ndarray], tmp_path: Path, signal: str, value: float, said: str
) -> None:
    unit = next(s.unit for s in SIGNALS if s.name == signal)
    table = {"time": good["time"], "it": np.where(good["front"] > 10.0, value, 0.0)}
    pd.DataFrame(table).to_csv(tmp_path / "log.csv", index=False)
    channel = {"channel": "it", "signal": signal, "unit": unit}
    asked = write_map(tmp_path / "map.yaml", time={"channel": "time"}, channels=[channel])
    with pytest.raises(LogError, match=said):
        import_track([tmp_path / "log.csv"], asked, tmp_path / "record")


def test_places_far_from_the_scenarios_line_are_refused(good: dict[str, np.ndarray], tmp_path: Path) -> None:
    far = {"gnss_north": good["gnss_north"] + 3e5}
    logs, asked = day(tmp_path, good | far, scenario=str(SCENARIO))
    with pytest.raises(LogError, match=r"never come nearer to the scenario's line than \d+ km"):
        import_track(logs, asked, tmp_path / "record")


def test_one_channel_twice_is_told(good: dict[str, np.ndarray], tmp_path: Path) -> None:
    logs, asked = day(tmp_path, good | {"rear": good["front"]})
    remarks = import_track(logs, asked, tmp_path / "record").brought.remarks
    assert "output.wheel_rear_m_s is output.wheel_front_m_s to the bit: one channel twice?" in remarks


@pytest.mark.parametrize("falls", [False, True])
def test_a_fall_is_told_by_a_lean_that_lasts(
    good: dict[str, np.ndarray], tmp_path: Path, falls: bool
) -> None:
    """A spike is none, nor is a moment without a lean; without a fall a ride on its line passes no_fall."""
    lean = good["lean"].copy()
    lean[5000:5020], lean[6000:6050] = 1.4, np.nan
    if falls:
        lean[14000:14200] = 1.4
    logs, asked = day(tmp_path, good | {"lean": lean})
    import_track(logs, asked, tmp_path / "record")
    fallen = read_run(tmp_path / "record").signals["truth.fallen"]
    assert bool(np.nanmax(fallen)) == falls
    if falls:
        assert int(np.argmax(fallen == 1.0)) == 14000
        assert (fallen[14000:] == 1.0).all()
    assert np.isnan(fallen[6020])


def test_an_import_that_is_broken_off_leaves_nothing_and_is_refused_before_it_reads(
    good: dict[str, np.ndarray], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    logs, asked = day(tmp_path, good)

    def interrupted(*_: object) -> None:
        assert (tmp_path / "deep" / "record" / "signals.arrow").exists()
        raise KeyboardInterrupt

    monkeypatch.setattr(from_track, "report_html", interrupted)
    with pytest.raises(KeyboardInterrupt):
        import_track(logs, asked, tmp_path / "deep" / "record")
    assert not (tmp_path / "deep").exists()
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "mine.txt").write_text("mine")
    with pytest.raises(StartFailed, match="already holds files"):
        import_track([tmp_path / "no such log"], asked, tmp_path / "full")
    assert (tmp_path / "full" / "mine.txt").read_text() == "mine"


def test_axes_of_the_map_put_swapped_channels_right(good: dict[str, np.ndarray], tmp_path: Path) -> None:
    turned = {"fx": "-fy", "fy": "fx", "wx": "-wy", "wy": "wx"}
    swapped = {name: -good[of[1:]] if of.startswith("-") else good[of] for name, of in turned.items()}
    unit = {"axes": ["y", "-x", "z"], "mounting": "estimate"}
    logs, asked = day(tmp_path, good | swapped, inertial_unit=unit)
    found = import_track(logs, asked, tmp_path / "record").brought.mounting
    assert found is not None
    assert np.abs(np.subtract(found.angles_deg, (3.0, 0.0, 3.0))).max() < 1.0


def test_the_command_tells_and_ends_as_a_run_does(
    good: dict[str, np.ndarray], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    logs, asked = day(tmp_path, good)
    words = ["track", "import", *map(str, logs), "--map", str(asked), "--out", str(tmp_path / "record")]
    assert emulator_command(*words) == 0
    out = capsys.readouterr().out
    assert re.search(r"clock receiver: its first sample comes \+0\.0[23]\d* s after", out)
    assert "inertial unit: roll +3." in out
    assert emulator_command(*words) == 3
    assert "already holds files" in capsys.readouterr().err
    words[-1] = str(tmp_path / "other")
    assert emulator_command(*words, "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["clocks"]["receiver"]["offset_s"] == pytest.approx(FIRST_s, abs=0.01)
