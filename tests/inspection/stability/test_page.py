"""The stability page: every number of the diagram drawn in the shown units, gaps and reasons said."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from rich.console import Console

from emulator.core.errors import RunFailed
from emulator.inspection.stability.page import (
    ModesPage,
    console_tables,
    frequency_figure,
    gap_sentences,
    growth_figure,
    headline,
    margin_figure,
    margin_rows,
    mode_rows,
    modes_html,
    ridden_words,
    thinned,
    write_modes,
)
from emulator.inspection.stability.ridden import RiddenMargin
from emulator.robot.margins import Margins
from emulator.robot.timing import LoopTiming
from emulator.vehicle.modes import Gap, Stability

SPEEDS = np.array([10.0, 20.0, 30.0, 40.0])
LEANS = np.radians([0.0, 40.0])
NAN = complex(math.nan, math.nan)
TIMING = LoopTiming(0.0035, 0.0025, 0.0035, 0.002, 0.0015, 0.008)
RIDDEN = (
    RiddenMargin(10.0, 0.049, 0.04925, 0.8),
    RiddenMargin(20.0, 0.104, math.inf, math.nan),
    RiddenMargin(40.0, math.nan, math.inf, math.nan, "speed not reached: 131 km/h"),
)


@pytest.fixture
def diagram() -> Stability:
    """Weave (curves 0, 1), wobble (2, 3), capsize (4) and one other root (5); leaned, 10 m/s is missing."""
    upright = [
        [1.0 + 2.0j, 1.0 - 2.0j, -8.0 + 50.0j, -8.0 - 50.0j, -1.0, -10.0],
        [-1.0 + 9.0j, -1.0 - 9.0j, -6.0 + 48.0j, -6.0 - 48.0j, 0.1, -10.0],
        [-2.0 + 15.0j, -2.0 - 15.0j, -4.0 + 46.0j, -4.0 - 46.0j, 0.2, -10.0],
        [-2.0 + 20.0j, -2.0 - 20.0j, -2.0 + 44.0j, -2.0 - 44.0j, 0.1, -10.0],
    ]
    leaned = [[NAN] * 6, *([v + 0.5 if v.imag else v for v in map(complex, row)] for row in upright[1:])]
    names = {"weave": (0, 1), "wobble": (2, 3), "capsize": (4,)}
    gaps = (Gap(10.0, float(LEANS[1]), "no steady motion at 10.00 m/s </script>"),)
    return Stability(SPEEDS, LEANS, np.array([upright, leaned]), names, gaps)


@pytest.fixture
def margins(diagram: Stability) -> Margins:
    inf, nan = math.inf, math.nan
    loop = np.array([[0.05, 0.06, 0.012, inf], [nan, 0.04, 0.0, 0.01]])
    weave = np.array([[0.05, 0.06, 0.2, inf], [nan, 0.04, 0.0, 0.2]])
    wobble = np.array([[inf, inf, 0.012, inf], [nan, inf, 0.03, 0.01]])
    return Margins(
        speeds=SPEEDS,
        leans=LEANS,
        growth=np.array([[-1.0] * 4, [nan, -1.0, 0.3, -1.0]]),
        loop=loop,
        frequency=np.array([[20.0, 22.0, 60.0, nan], [nan, 21.0, 18.0, 58.0]]),
        first=[["weave", "weave", "wobble", ""], ["", "weave", "weave", "wobble"]],
        modes={"weave": weave, "wobble": wobble, "capsize": np.where(np.isnan(loop), nan, inf)},
        gaps=diagram.gaps,
    )


def traces(figure: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {t["name"]: t for t in figure["curves"]}


def figures_of(text: str) -> dict[str, Any]:
    (payload,) = re.findall(r'<script type="application/json" id="figures">(.*?)</script>', text, re.DOTALL)
    return dict(json.loads(payload)["figures"])


def test_growth_rates_are_drawn_over_km_h(diagram: Stability) -> None:
    figure = growth_figure(diagram)
    drawn = traces(figure)
    assert drawn["weave, upright"]["x"] == [36.0, 72.0, 108.0, 144.0]
    assert drawn["weave, upright"]["y"] == [1.0, -1.0, -2.0, -2.0]
    assert drawn["capsize, 40° lean"]["y"] == [None, 0.1, 0.2, 0.1]
    assert drawn["other roots, all leans"]["y"].tolist() == [-10.0] * 7
    low, high = figure["y"]["range"]
    assert low < -10.0
    assert high > 1.0
    assert figure["x"]["title"] == "speed / (km/h)"
    assert figure["y"]["title"] == "growth rate / (1/s)"


def test_frequencies_are_drawn_in_hertz_and_what_grows_is_ringed(diagram: Stability) -> None:
    drawn = traces(frequency_figure(diagram))
    assert drawn["wobble, upright"]["y"] == pytest.approx(
        [v / 2.0 / math.pi for v in (50, 48, 46, 44)], abs=1e-4
    )
    assert not any(name.startswith("capsize") for name in drawn)  # it does not swing
    assert drawn["unstable"]["x"] == [36.0]
    assert drawn["unstable"]["y"] == pytest.approx([2.0 / 2.0 / math.pi], abs=1e-4)


def test_modes_and_leans_are_told_apart_without_colour(diagram: Stability) -> None:
    named = [t for t in growth_figure(diagram)["curves"] if "dash" in t]
    assert len(named) == 6
    assert len({(t["dash"], t["symbol"]) for t in named}) == 6


def test_margins_are_drawn_in_milliseconds(margins: Margins) -> None:
    figure = margin_figure(margins)
    drawn = traces(figure)
    assert drawn["the loop, upright"]["y"] == [50.0, 60.0, 12.0, None]
    assert drawn["the loop, 40° lean"]["y"] == [None, 40.0, 0.0, 10.0]
    first = [tip.partition("first ")[2] for tip in drawn["the loop, upright"]["tips"][:3]]
    assert first == ["weave, 3.2 Hz", "weave, 3.5 Hz", "wobble, 9.5 Hz"]
    assert drawn["weave crosses, upright"]["y"] == [50.0, 60.0, 200.0, None]
    assert "capsize crosses, upright" not in drawn  # it never does
    assert figure["y"]["range"][1] > 60.0


def test_the_table_says_where_a_mode_is_unstable(diagram: Stability) -> None:
    rows = {(r[0], r[1]): r[2:] for r in mode_rows(diagram)}
    assert rows["upright", "weave"] == [
        "0.32 to 3.2 Hz",
        "36 to 54 km/h",
        "+1.00 1/s at 36 km/h, doubles in 0.7 s",
    ]
    assert rows["upright", "wobble"][1] == "nowhere"
    # capsize crosses zero 10/11 of the way from 10 to 20 m/s
    assert rows["upright", "capsize"] == ["–", "69 to 144 km/h", "+0.20 1/s at 108 km/h, doubles in 3.5 s"]
    assert rows["40° lean", "weave"][1] == "nowhere"
    absent = diagram._replace(names={"weave": (0, 1)})
    assert [r[3] for r in mode_rows(absent) if r[1] == "wobble"] == ["no such mode"] * 2
    nothing = diagram._replace(roots=np.full_like(diagram.roots, NAN))
    assert {r[3] for r in mode_rows(nothing)} == {"no steady motion"}


def test_the_table_says_the_delay_margin(margins: Margins) -> None:
    rows = {(r[0], r[1]): r[2:] for r in margin_rows(margins)}
    assert rows["upright", "36"] == ["50.0 ms", "weave, 3.2 Hz", "50.0 ms", "never", "never"]
    assert rows["upright", "144"] == ["any", "–", "never", "never", "never"]
    assert rows["40° lean", "108"] == ["unstable without any", "weave, 2.9 Hz", "0.0 ms", "30.0 ms", "never"]
    assert ("40° lean", "36") not in rows


def test_what_was_ridden_stands_beside_what_was_computed(margins: Margins) -> None:
    rows = {(r[0], r[1]): r[2:] for r in margin_rows(margins, RIDDEN)}
    assert rows["upright", "36"][:3] == ["50.0 ms", "weave, 3.2 Hz", "49.00 ms, 0.8 Hz"]
    assert rows["upright", "72"][2] == "104 ms and more"
    assert rows["upright", "108"][2] == "–"  # not ridden
    assert rows["upright", "144"][2] == "speed not reached: 131 km/h"
    assert rows["40° lean", "72"][2] == "–"  # rides are on a straight
    assert all(
        len(a) == len(b) + 1 for a, b in zip(margin_rows(margins, RIDDEN), margin_rows(margins), strict=True)
    )


def test_what_was_ridden_is_marked_where_there_is_a_margin(margins: Margins) -> None:
    marks = traces(margin_figure(margins, RIDDEN))["ridden, upright"]
    assert marks["x"] == [36.0, 72.0]
    assert marks["y"] == [49.0, 104.0]
    assert marks["tips"] == ["36 km/h: 49.00 ms, 0.8 Hz", "72 km/h: 104 ms and more"]
    assert margin_figure(margins, RIDDEN)["y"]["range"][1] > 104.0
    nowhere = [RIDDEN[2]]
    assert "ridden, upright" not in traces(margin_figure(margins, nowhere))


def test_a_margin_without_a_swing_has_no_frequency() -> None:
    assert ridden_words(RiddenMargin(10.0, 0.01225, 0.0125, math.nan)) == "12.25 ms"


def test_at_most_thirteen_speeds_are_shown_and_ridden() -> None:
    assert list(thinned(range(5))) == [0, 1, 2, 3, 4]
    assert list(thinned(range(49))) == list(range(0, 49, 4))


def test_gaps_are_counted_with_their_reason(diagram: Stability) -> None:
    (said,) = gap_sentences(diagram)
    assert said.startswith("40° lean: left out 1 speed at 36 km/h; no steady motion at 10.00 m/s")
    lean = float(LEANS[1])
    more = diagram._replace(gaps=(*diagram.gaps, Gap(20.0, lean, "nor here"), Gap(40.0, lean, "too fast")))
    slow, fast = gap_sentences(more)
    assert "left out 2 speeds from 36 to 72 km/h; no steady motion at 10.00 m/s" in slow
    assert fast == "40° lean: left out 1 speed at 144 km/h; too fast"
    assert gap_sentences(diagram._replace(gaps=())) == []


def test_the_headline_names_the_worst_and_the_thinnest(diagram: Stability, margins: Margins) -> None:
    assert headline(ModesPage("bike", diagram, margins, TIMING)) == (
        "Hands off: weave is the most unstable, it doubles in 0.7 s when ridden at 36 km/h, upright. With "
        "the reference robot it is unstable without any delay at 108 km/h, 40° lean: weave. "
        "Upright the least is 12.0 ms, at 108 km/h; of all 7 speeds and leans half bear 40.0 ms and more."
    )
    upright = margins._replace(leans=LEANS[:1], loop=margins.loop[:1], growth=margins.growth[:1])
    assert headline(ModesPage("bike", diagram, upright, TIMING)).endswith(
        "With the reference robot the least delay margin is 12.0 ms, at 108 km/h, upright: wobble crosses. "
        "Of all 4 speeds and leans half bear 60.0 ms and more."
    )
    worse = margins._replace(loop=np.where(LEANS[:, None] > 0.0, 0.0, margins.loop))
    assert headline(ModesPage("bike", diagram, worse, TIMING)).endswith(
        "of all 7 speeds and leans 3 are unstable without any, half bear 12.0 ms and more."
    )
    calm = diagram._replace(roots=diagram.roots - 100.0)
    assert headline(ModesPage("bike", calm, None, None, held=True)) == (
        "Fork held: no named mode is unstable at the speeds shown."
    )
    text = modes_html(ModesPage("bike", diagram, margins, TIMING))
    assert text.index("doubles in 0.7 s when ridden at 36 km/h, upright. With") < text.index("<section>")


def test_the_page_holds_everything_and_nothing_escapes(
    diagram: Stability, margins: Margins, tmp_path: Path
) -> None:
    page = ModesPage("a <b> bike", diagram, margins, TIMING, ("mind the & gap",))
    write_modes(page, tmp_path / "page.html")
    assert [p.name for p in tmp_path.iterdir()] == ["page.html"]
    text = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert "<h1>a &lt;b&gt; bike</h1>" in text
    assert "mind the &amp; gap" in text
    assert "no steady motion at 10.00 m/s &lt;/script&gt;" in text
    assert set(figures_of(text)) == {"growth", "frequency", "margin"}
    body = text[: text.index("<script")]
    assert not re.search(r"(src|href)=", body)  # needs nothing else
    for key in ("growth", "frequency", "margin"):
        assert f'id="{key}"' in body
    assert "gyro rates 3.5 ms old, attitude and place 2.5 ms, steering angle 2 ms; 1.5 ms until" in body


def test_the_page_tells_of_rides_only_where_there_were_any(diagram: Stability, margins: Margins) -> None:
    without, ridden = (
        modes_html(ModesPage("bike", diagram, margins, TIMING, (), rides)) for rides in ((), RIDDEN)
    )
    for word in (
        "speed not reached: 131 km/h",
        "what virtual rides on the straight found",
        'scope="col">ridden</th>',
    ):
        assert word in ridden
        assert word not in without


def test_above_the_top_speed_there_are_no_margins(diagram: Stability, margins: Margins) -> None:
    """Of the two slower speeds; without it the thinnest would be none at all, at 30 m/s and leaned."""
    page = ModesPage("bike", diagram, margins, TIMING, top_speed=25.0)
    rows = {(r[0], r[1]): r[2:] for r in margin_rows(margins, top_speed=25.0)}
    assert rows["upright", "108"] == ["not reached", "–", "–", "–", "–"]
    assert rows["upright", "72"][0] == "60.0 ms"
    drawn = traces(margin_figure(margins, top_speed=25.0))
    assert [v is None or math.isnan(v) for v in drawn["the loop, upright"]["y"]] == [False, False, True, True]
    assert headline(page).endswith(
        "the least delay margin is 40.0 ms, at 72 km/h, 40° lean: weave crosses. "
        "Upright the least is 50.0 ms, at 36 km/h; of all 3 speeds and leans half bear 50.0 ms and more."
    )
    none = ModesPage("bike", diagram, margins, TIMING, top_speed=5.0)
    assert headline(none).endswith("It reaches none of these speeds.")


def test_without_a_robot_there_is_no_margin_figure(diagram: Stability) -> None:
    text = modes_html(ModesPage("bike", diagram, None, None, ("no rig",)))
    assert "Delay margins" not in text
    assert "no rig" in text
    assert set(figures_of(text)) == {"growth", "frequency"}


def test_a_page_that_can_not_be_written_says_so(diagram: Stability, tmp_path: Path) -> None:
    with pytest.raises(RunFailed, match="can't be written"):
        write_modes(ModesPage("bike", diagram, None, None), tmp_path / "nowhere" / "page.html")


def test_the_terminal_shows_both_tables(diagram: Stability, margins: Margins) -> None:
    console = Console(width=140, record=True, file=open("/dev/null", "w"))  # noqa: SIM115
    with console.file:
        console.print(console_tables(ModesPage("bike", diagram, margins, TIMING, (), RIDDEN)))
        text = console.export_text()
    assert "Hands off: where each mode is unstable" in text
    assert "36 to 54 km/h" in text
    assert "extra loop delay until a root crosses" in text
    assert "unstable without any" in text
    assert "49.00 ms, 0.8 Hz" in text
    assert "left out 1 speed" in text
