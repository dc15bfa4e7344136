"""The sensors' page: needs nothing else, says everything, and takes names as they are."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from rich.console import Console

from emulator.core.errors import RunFailed
from emulator.inspection.sensors.budget import ErrorBudget, budget_of
from emulator.inspection.sensors.capture import ReceivedOutput, Record, level_session
from emulator.inspection.sensors.checks import Row
from emulator.inspection.sensors.lean_lag import ROLLING_HZ
from emulator.inspection.sensors.lean_ride import Cause, LeanOnRide
from emulator.inspection.sensors.page import (
    SensorPage,
    age_figure,
    allan_figure,
    budget_figure,
    check_rows,
    condition_rows,
    console_tables,
    figure_of,
    fix_figure,
    ride_rows,
    rows_figure,
    sensors_html,
    signal_rows,
    write_sensors,
)
from tests.support.html_page import Page

RIG = Path(__file__).parents[3] / "scenarios" / "rigs" / "loopback.yaml"
BAD = "</script><script>alert(1)</script><img src=x onerror=alert(2)>"
ROWS = (
    Row("rest", "imu_rates", "age, mean", "ms", 2.0, 2.0, 2.0, 2.0),
    Row("rest", "imu_rates", "rate_x_rad_s, one sigma", "rad/s", 0.002, 0.0021, 0.0019, 0.0022),
    Row("turn", "lean", "lean_rad, mean", "rad", 0.6, 0.7, 0.59, 0.61),
    Row("turn", "gnss", "speed, mean", "m/s", 20.0, math.nan, 19.9, 20.1),
)


@pytest.fixture(scope="module")
def budget() -> ErrorBudget:
    session = level_session(RIG)
    return budget_of(session.rig, session.vehicle, session.codec)


@pytest.fixture(scope="module")
def rest(budget: ErrorBudget) -> Record:
    """White noise instead of a bench."""
    rng = np.random.default_rng(1)
    outputs = {}
    for o in budget.outputs:
        names = tuple(dict.fromkeys(c.signal for c in o.channels))
        n = int(o.rate_hz * 20)
        at = np.arange(n) * round(1e9 / o.rate_hz)
        outputs[o.name] = ReceivedOutput(names, at, at, 0.01 * rng.standard_normal((n, len(names))), 0)
    return Record(outputs, 20.0, np.zeros(36), (12,))


def traces(figure: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {t["name"]: t for t in (*figure["curves"], *figure.get("bars", ()))}


@pytest.mark.parametrize("measured", [False, True])
def test_one_file_that_needs_no_other(
    budget: ErrorBudget, rest: Record, tmp_path: Path, measured: bool
) -> None:
    page = SensorPage(budget, ROWS, rest) if measured else SensorPage(budget)
    write_sensors(page, tmp_path / "page.html")
    assert [p.name for p in tmp_path.iterdir()] == ["page.html"]
    read = Page((tmp_path / "page.html").read_text(encoding="utf-8"))
    assert read.addresses == []
    assert "link" not in read.tags
    figures = json.loads(read.scripts[0])["figures"]
    assert sorted(figures) == sorted(i for i in read.ids if i not in ("figures", "numbers"))
    assert {"budget", "age", "imu_rates", "imu_force"} <= set(figures)
    assert ("rows" in figures) == measured
    assert ("fix" in figures) == measured  # a circle with nothing in it says no more than the table
    assert ("2 of 4 rows differ from the configuration." in read.text) == measured
    for word in ("CAN 0x100", "rate_x_rad_s", "fixed (in use)", "72 km/h"):
        assert word in read.text


def test_hostile_names_stay_text(budget: ErrorBudget) -> None:
    odd = ErrorBudget(BAD, budget.speed_m_s, budget.outputs, budget.fixes)
    read = Page(sensors_html(SensorPage(odd, notes=(BAD,))))
    assert "img" not in read.tags
    assert read.tags.count("script") == 4
    assert BAD in read.text


def test_a_page_that_can_not_be_written_says_so(budget: ErrorBudget, tmp_path: Path) -> None:
    with pytest.raises(RunFailed, match="can't be written"):
        write_sensors(SensorPage(budget), tmp_path / "nowhere" / "page.html")


def test_shares_of_the_square_add_up_and_tell_themselves_apart(budget: ErrorBudget) -> None:
    figure = budget_figure(budget)
    total: dict[str, float] = {}
    for bar in figure["bars"]:
        for name, value in zip(figure["rows"], bar["values"], strict=True):
            total[name] = total.get(name, 0.0) + (value or 0.0)
    assert total["rate_x_rad_s"] == pytest.approx(100.0, abs=0.01)
    assert all(v == pytest.approx(100.0, abs=0.01) for v in total.values())
    assert "engine_rad_s" not in total
    looks = [(bar["colour"], bar["hatch"]) for bar in figure["bars"]]
    assert len(set(looks)) == len(looks)


def test_ages_stack_to_what_is_configured(budget: ErrorBudget) -> None:
    figure = age_figure(SensorPage(budget, ROWS))
    drawn, at = traces(figure), figure["rows"].index("lean")
    assert drawn["latency"]["values"][at] == 8.0
    (stated,) = (lag for lag in budget.lean_lags if lag.hertz == ROLLING_HZ)
    assert stated.filter_ms == pytest.approx(19.5, abs=0.05)
    assert drawn["sensor lag"]["values"][at] == pytest.approx(stated.lag_ms, abs=1e-3)
    assert stated.lag_ms > stated.filter_ms + 10.0
    assert "own time on the bus" not in drawn  # not known to this rig
    assert drawn["measured mean age on leaving"]["x"] == [2.0]


def test_the_configured_allan_curve_passes_its_density_at_one_second(
    budget: ErrorBudget, rest: Record
) -> None:
    output = budget.output("imu_rates")
    noise = {"rate_x_rad_s": rest.outputs["imu_rates"].of("rate_x_rad_s")}
    drawn = traces(allan_figure(SensorPage(budget, ROWS, rest, noise), output, "rad/s"))
    (name,) = [n for n in drawn if n.startswith("configured")]
    assert name == "configured: rate_x_rad_s, rate_y_rad_s, rate_z_rad_s"
    curve = drawn[name]
    near = np.interp(0.0, np.log(curve["x"]), np.log(curve["y"]))
    # rad/s/sqrt(Hz), 1.2 % of it folded, a little of the steps and of the drift
    assert math.exp(near) == pytest.approx(6e-5, rel=0.03)
    assert drawn["measured: rate_x_rad_s"]["y"][0] == pytest.approx(0.01, rel=0.05)


def test_the_circle_holds_95_percent(budget: ErrorBudget, rest: Record) -> None:
    assert fix_figure(SensorPage(budget)) is None
    figure = fix_figure(SensorPage(budget, ROWS, rest))
    assert figure is not None
    circle = traces(figure)["95 %"]
    radius = math.hypot(circle["x"][5], circle["y"][5])
    sigma = budget.channel("gnss_x_m", "fixed").sigma
    drawn = sigma * np.random.default_rng(6).standard_normal((200_000, 2))
    assert float(np.mean(np.hypot(*drawn.T) < radius)) == pytest.approx(0.95, abs=0.002)


def test_rows_are_placed_in_their_intervals_by_mark_and_word() -> None:
    drawn = traces(rows_figure(ROWS))
    assert drawn["agrees"]["x"] == [pytest.approx(1.0 / 3.0, abs=1e-4)]
    assert drawn["differs"]["x"] == [3.0]  # ten half intervals off, held at the edge
    assert drawn["agrees"]["symbol"] != drawn["differs"]["symbol"]
    words = check_rows(ROWS)
    assert [row[0] for row in words] == ["agrees", "agrees", "differs", "differs"]
    assert words[0][6] == "2"
    assert words[1][6] == "0.0019 to 0.0022"
    assert words[3][5] == "–"


def test_rows_that_agree_are_folded_and_only_those_that_differ_are_on_the_terminal(
    budget: ErrorBudget, rest: Record
) -> None:
    page = SensorPage(budget, ROWS, rest)
    html = sensors_html(page)
    folded = html[html.index("2 rows that agree") : html.index("</details>")]
    assert folded.count(">agrees</td>") == 2
    assert html.count(">agrees</td>") == 2
    assert html.index(">differs</td>") < html.index("2 rows that agree")
    console = Console(width=400, record=True, file=open("/dev/null", "w"))  # noqa: SIM115
    with console.file:
        console.print(console_tables(page))
        text = console.export_text()
    assert len(re.findall(r"^ *differs ", text, re.MULTILINE)) == 2
    assert not re.findall(r"^ *agrees ", text, re.MULTILINE)


def test_figures_of_numbers() -> None:
    assert figure_of(0.00012345678) == "0.0001235"
    assert figure_of(math.nan) == "–"
    assert figure_of(math.inf) == "any"


def test_the_terminal_shows_all_tables(budget: ErrorBudget) -> None:
    console = Console(width=160, record=True, file=open("/dev/null", "w"))  # noqa: SIM115
    with console.file:
        console.print(console_tables(SensorPage(budget, ROWS, notes=("mind [b]this[/b]",))))
        text = console.export_text()
    for part in (
        "Outputs",
        "imu_rates",
        "CAN 0x100",
        "Signals: resolution, range, errors at the receiver",
        "GNSS: one sigma by kind of fix",
        "Measured beside configured",
        "2 of 4 rows differ from the configuration.",
        "mind [b]this[/b]",
    ):
        assert part in text
    assert re.search(r"differs\s+turn\s+lean\s+lean_rad, mean\s+0.6\s+0.7\s+0.59 to 0.61\s+rad", text)


RIDE = LeanOnRide(
    f"lap {BAD}",
    81.4,
    0.0209,
    47.25,
    (Cause("own acceleration", 0.0123), Cause("noise", 0.0006)),
    0.0211,
    47.9,
)


def test_every_figure_names_the_condition_it_holds_under(budget: ErrorBudget) -> None:
    """On the page and on the terminal: of a lag, of each signal's errors, of each fix."""
    page = SensorPage(budget)
    read = Page(sensors_html(page)).text
    console = Console(width=400, record=True, file=open("/dev/null", "w"))  # noqa: SIM115
    with console.file:
        console.print(console_tables(page))
        text = console.export_text()
    for told in (read, text):
        for condition in (
            "rolling at 0.2 Hz, 72 km/h",
            "upright, straight on, not accelerating, at 72 km/h",
            "upright, at rest, warm, engine off",
            "rolling freely at 72 km/h",
            "always",
            "Each with its fix, 17 satellites, no reflections; course at 72 km/h.",
            "Lag of the computed lean",
        ):
            assert condition in told
    named = ", ".join(names for names, _ in condition_rows(budget)).split(", ")
    assert named == [row[0] for row in signal_rows(budget) if row[-1] != "no error modelled"]
    for output in budget.outputs:
        assert (output.behind_when != "") == (output.age.behind > 0.0), output.name


def test_a_ride_is_shown_part_by_part_beside_what_came_out(budget: ErrorBudget) -> None:
    rows = ride_rows(RIDE)
    assert rows[0] == ["as its motion makes it", "1.197°", "47.2 ms"]
    assert rows[1] == ["  own acceleration", "0.705°", ""]
    assert rows[-1] == ["as it came out", "1.209°", "47.9 ms"]
    page = SensorPage(budget, ride=RIDE)
    read = Page(sensors_html(page))
    assert "img" not in read.tags
    for word in ("own acceleration", "1.197°", "81 s free of the support", BAD):
        assert word in read.text
    other = replace(RIDE, shown_rms_rad=math.nan, shown_lag_ms=math.nan, lag_ms=math.nan)
    assert ride_rows(other)[0][2] == "–"
    assert "with another lean sensor" in Page(sensors_html(SensorPage(budget, ride=other))).text
