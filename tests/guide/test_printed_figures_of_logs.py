"""The page of printed figures of logs holds together with what is printed of records and logs."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from numpy.typing import NDArray
from pyarrow import csv

from emulator.track.calibration.version import history
from emulator.track.into.agreement import agreements
from tests.guide.markdown import GUIDE
from tests.guide.printed_numbers import Printed, of_source, of_terminal
from tests.guide.printed_output import printed_by, source
from tests.guide.printed_rows import named_twice, naming_nothing, rows_of, unconfirmed, without_a_row
from tests.support.bench_logs import bench_record
from tests.support.made_up_day import calibration_file, made_up_day
from tests.support.made_up_logs import VEHICLE
from tests.support.scripted_robot import RIG
from tests.support.stored_runs import unpack_runs
from tests.support.track_log import Planted, logged, made_up_ride

ROWS = rows_of((GUIDE / "printed-figures-logs.md").read_text(encoding="utf-8"))
OF = {
    "`emulator export`": {"export"},
    "`emulator track import`": {"import"},
    "`emulator track plan`": {"plan"},
    "`emulator track calibrate`": {"calibrate"},
    "`emulator track actuators`": {"actuators"},
    "`emulator vehicle history`": {"history"},
    "`emulator track finding`": {"finding"},
}

MAP = """\
kind: track_map
name: Made up
time: {channel: time}
channels:
- {channel: front, signal: output.wheel_front_m_s, unit: m/s}
- {channel: rear, signal: output.wheel_rear_m_s, unit: m/s}
- {channel: lean, signal: output.lean_rad, unit: rad}
- {channel: fx, signal: output.force_x_m_s2, unit: m/s2}
- {channel: fy, signal: output.force_y_m_s2, unit: m/s2}
- {channel: fz, signal: output.force_z_m_s2, unit: m/s2}
- {channel: wx, signal: output.rate_x_rad_s, unit: rad/s}
- {channel: wy, signal: output.rate_y_rad_s, unit: rad/s}
- {channel: wz, signal: output.rate_z_rad_s, unit: rad/s}
- {channel: gnss_speed, signal: output.gnss_speed_m_s, unit: m/s, clock: receiver}
clocks:
- {name: receiver, signal: output.gnss_speed_m_s, like: output.wheel_front_m_s}
inertial_unit: {mounting: estimate}
"""


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> set[Printed]:
    folder = tmp_path_factory.mktemp("printed")
    run = unpack_runs(tmp_path_factory.mktemp("stored")) / "virtual"
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)  # so that no number of a path is printed
        return set().union(
            _of_export(run), _of_import(), _of_calibration(folder), _of_actuators(folder), _of_finding()
        )


def _of_export(run: Path) -> Iterator[Printed]:
    for item in printed_by("export", run, "--to", "csv", "--to", "geojson", "--out", "…"):
        yield from of_terminal("export", item)
    for module in ("groups", "export"):
        yield from of_source("export", source(f"track/out/{module}.py"))


def _of_finding() -> Iterator[Printed]:
    for module in ("cli/track/finding", "track/findings/cut"):
        yield from of_source("finding", source(f"{module}.py"))


def _of_import() -> Iterator[Printed]:
    """Of a made-up log with a gap and an outlier, and what readers say of logs that are cut off or odd."""
    rng = np.random.default_rng(11)
    log = logged(made_up_ride(rng, 150.0), rng, Planted(0.37, 40.0, (3.0, 0.0, 3.0)))
    log["front"][3000:3100], log["lean"][5000] = np.nan, 1.5
    receiver = {"time": log["gnss_time"], "gnss_speed": log["gnss_speed"]}
    bike = {name: values for name, values in log.items() if not name.startswith("gnss")}
    csv.write_csv(pa.table(bike), "bike.csv")
    csv.write_csv(pa.table(receiver), "receiver.csv")
    with Path("receiver.csv").open("a") as file:
        file.write("1\n2\n")
    Path("map.yaml").write_text(MAP)
    for item in printed_by("track", "import", "bike.csv", "receiver.csv", "--map", "map.yaml", "--out", "in"):
        yield from of_terminal("import", item)
    for one in agreements(_unlike(rng), 0.05):
        yield from of_terminal("import", f"{one.signal} beside {one.beside}: {one.words}")
    for module in ("bus", "mdf", "nmea", "tables"):
        yield from of_source("import", source(f"track/logs/{module}.py"))


def _of_calibration(folder: Path) -> Iterator[Printed]:
    """Of a made-up day, and what is said where the model can't do it."""
    _, records = made_up_day(folder)
    file = str(calibration_file(folder))
    for item in printed_by("track", "plan", file):
        yield from of_terminal("plan", item)
    names = [str(record) for record in records]
    asked = ("track", "calibrate", file, *names[:3], "--held-out", names[3], "--out", "new.yaml")
    for item in printed_by(*asked):
        yield from of_terminal("calibrate", item)
    for module in ("model_error", "stand_ins", "stretches", "wind_lag"):
        yield from of_source("calibrate", source(f"track/calibration/{module}.py"))
    ridden = {"stage": "virtual", "files": {"vehicle": history(VEHICLE)[0].sha256}}
    Path("ridden").mkdir()
    Path("ridden/manifest.json").write_text(json.dumps(ridden))
    for item in printed_by("vehicle", "history", "new.yaml", "--used-in", "."):
        yield from of_terminal("history", item)


def _of_actuators(folder: Path) -> Iterator[Printed]:
    """Of a bench's log with a throttle that stood still; what is said where an actuator is another one."""
    (folder / "bench").mkdir()
    record = bench_record(folder / "bench")
    for item in printed_by("track", "actuators", str(record), "--rig", str(RIG), "--out", "identified.yaml"):
        yield from of_terminal("actuators", item)
    yield from of_source("actuators", source("track/actuators/identify.py"))


def _unlike(rng: np.random.Generator) -> Callable[[str], NDArray[np.float64] | None]:
    """Two wheels' speeds that have nothing to do with each other."""
    return {f"output.wheel_{end}_m_s": rng.normal(20.0, 5.0, 2000) for end in ("front", "rear")}.get


def test_every_printed_number_has_one_row_and_every_row_a_number(printed: set[Printed]) -> None:
    assert {one.section for one in printed} == {section for of in OF.values() for section in of}
    assert without_a_row(printed, ROWS, OF) == []
    assert named_twice(printed, ROWS, OF) == []
    assert naming_nothing(printed, ROWS, OF) == []


def test_every_row_says_what_confirms_it_and_how_closely_or_that_nothing_does() -> None:
    assert {row.heading for row in ROWS} == set(OF)
    assert unconfirmed(ROWS) == []
