"""A day from logs as files to a vehicle file, and what its history says."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
import typer

from emulator.campaign.evidence.vehicle_uses import uses_of
from emulator.cli.track.calibrate import calibrate as calibrate_command
from emulator.cli.track.plan import plan as plan_command
from emulator.cli.vehicle.history import history as history_command
from emulator.config.vehicle.file import load_vehicle
from emulator.core.errors import ConfigError
from emulator.runs.calibration import calibrated, forecast_of
from emulator.track.calibration.from_records import CalibrationRefused
from emulator.track.calibration.version import history
from tests.support.made_up_day import calibration_file, made_up_day
from tests.support.made_up_logs import VEHICLE


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> tuple[np.ndarray, list[Path]]:
    return made_up_day(tmp_path_factory.mktemp("day"))


@pytest.mark.slow
def test_logs_become_a_vehicle_file_that_says_where_it_is_from(
    day: tuple[np.ndarray, list[Path]], tmp_path: Path
) -> None:
    truth, records = day
    file, out = calibration_file(tmp_path), tmp_path / "new.yaml"
    found = calibrated(file, records[:3], records[3], out, command="as typed", date="2026-01-02")
    off = np.abs(found.estimate.values - truth) / found.estimate.standard
    assert off.max() < 4.0
    assert found.estimate.told.tolist() == [True, True, False]
    assert found.gain > 10.0
    assert found.after is not None
    assert found.before is not None
    assert abs(found.after.mean_square - 1.0) < 0.1 < found.before.mean_square - found.after.mean_square + 0.1
    made = load_vehicle(out)
    old = load_vehicle(VEHICLE)
    assert made.name == "demo racer, calibrated"
    assert made.bases == (str(VEHICLE),)
    assert made.values["steering"]["damping"] == found.values["steering.damping"]
    changed = {
        f"{g}.{k}" for g, entries in made.values.items() for k, v in entries.items() if v != old.values[g][k]
    }
    assert changed == {"steering.damping", "main_frame.ixx"}
    first, last = history(out)
    assert first.calibrated is None
    assert last.changed.keys() == changed
    told = last.calibrated
    assert told is not None
    assert (told.date, told.command, told.refused) == (
        "2026-01-02",
        "as typed",
        ("tyre_rear.pneumatic_trail",),
    )
    assert [log.name for log in told.logs] == ["record0", "record1", "record2"]
    assert len({log.sha256 for log in told.logs}) == 3
    assert [one.sd for one in told.values] == found.estimate.standard[:2].tolist()
    assert np.allclose(told.correlation, found.estimate.correlation[:2, :2], atol=1e-4)
    assert last.base_as_then


@pytest.mark.slow
def test_a_base_that_changed_since_is_told(day: tuple[np.ndarray, list[Path]], tmp_path: Path) -> None:
    _, records = day
    base = tmp_path / "base.yaml"
    base.write_bytes(VEHICLE.read_bytes())
    out = tmp_path / "new.yaml"
    calibrated(
        calibration_file(tmp_path, vehicle="base.yaml"),
        records[:2],
        None,
        out,
        command="c",
        date="2026-01-02",
    )
    assert history(out)[-1].base_as_then is True
    base.write_text(base.read_text(encoding="utf-8") + "# later\n", encoding="utf-8")
    assert history(out)[-1].base_as_then is False


@pytest.mark.slow
def test_commands_tell_what_they_found(
    day: tuple[np.ndarray, list[Path]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, records = day
    file, out = calibration_file(tmp_path), tmp_path / "new.yaml"
    with pytest.raises(typer.Exit) as ended:
        calibrate_command(file, records[:3], records[3], out)
    said = capsys.readouterr().out
    assert ended.value.exit_code == 0
    for part in ("steering.damping", "refused", "held-out record: mean square", f"vehicle: {out}"):
        assert part in said
    assert (
        len(re.findall(r"record\d: wind and drive change within 0\.\d+ s \(.*\), 0\.1 s stated", said)) == 3
    )
    with pytest.raises(typer.BadParameter, match="is there already"):
        calibrate_command(file, records[:3], records[3], out)
    history_command(out)
    said = capsys.readouterr().out
    for part in ("1. demo racer", "2. demo racer, calibrated", "by record0", "judged by record3", "±"):
        assert part in said
    history_command(out, None, True)
    assert json.loads(capsys.readouterr().out)[1]["calibration"]["refused"] == ["tyre_rear.pneumatic_trail"]
    plan_command(file, tmp_path / "dither.csv")
    said = capsys.readouterr().out
    assert "note: 1 speeds, both leans" in said
    rows = (tmp_path / "dither.csv").read_text(encoding="utf-8").splitlines()
    assert rows[0] == "leg,time_s,torque_Nm"
    assert len(rows) == 1 + 2 * 500


def test_a_forecast_is_what_a_made_up_day_comes_to(tmp_path: Path) -> None:
    found = forecast_of(calibration_file(tmp_path))
    assert found.forecast.told.tolist() == [True, True, False]
    assert (found.without_dither.standard[:2] > 1.2 * found.forecast.standard[:2]).all()
    assert (found.speeds, found.both_leans) == (1, True)


def test_what_cannot_be_is_told_at_its_place(day: tuple[np.ndarray, list[Path]], tmp_path: Path) -> None:
    _, records = day
    twice = [{"name": "steering.damping", "sd": sd} for sd in (1.0, 2.0)]
    for keys, words in (
        ({"parameters": twice}, "expected each once; steering.damping"),
        ({"parameters": [{"name": "steering.damqing", "sd": 1.0}]}, "did you mean 'steering.damping'"),
        ({"parameters": [], "others": "exact"}, "expected a parameter, or others: usual"),
        ({"vehicle": "no_such.yaml"}, "no_such.yaml"),
    ):
        with pytest.raises(ConfigError, match=words):
            calibrated(
                calibration_file(tmp_path, **keys),
                records[:1],
                None,
                tmp_path / "o.yaml",
                command="",
                date="",
            )
    file = calibration_file(tmp_path)
    with pytest.raises(CalibrationRefused, match="hold the same"):
        calibrated(file, [records[0], records[0]], None, tmp_path / "o.yaml", command="", date="")
    assert not (tmp_path / "o.yaml").exists()


def test_runs_are_known_by_the_version_they_rode(tmp_path: Path) -> None:
    versions = history(VEHICLE)
    run = tmp_path / "run"
    run.mkdir()
    manifest = {"files": {"vehicle": versions[0].sha256, "rig": "0" * 64}, "stage": "virtual"}
    (run / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    other = tmp_path / "other"
    other.mkdir()
    manifest["files"]["vehicle"] = "1" * 64
    (other / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    assert uses_of([tmp_path], versions) == {versions[0].sha256: {run: 1}}
