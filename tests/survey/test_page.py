"""What an import shows, read back."""

from __future__ import annotations

import numpy as np
import pytest

from emulator.survey.circuit_import import Imported, Wishes, import_circuit
from emulator.survey.page import import_html, rows
from tests.support.html_page import Page
from tests.support.recorded import carried
from tests.support.surveyed import geodetic, sampled, shipped, write_gpx


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Imported:
    places, heights = sampled(shipped(), 1200, 0.03)
    path = write_gpx(tmp_path_factory.mktemp("gpx") / "<b>lap\x1b.gpx", geodetic(places, heights))
    return import_circuit(str(path), Wishes(name="<i>invented", width_m=10.0))


def test_the_table_says_what_was_measured(found: Imported) -> None:
    told = dict(rows(found))
    assert f"{abs(found.offsets[found.worst]):.3f} m to the" in told["greatest deviation"]
    assert "allowed 0.2 m" in told["greatest deviation"]
    assert told["rms deviation"] == f"{found.rms_m:.3f} m"
    assert told["line"].startswith(f"closed, ridden anticlockwise, {found.length_m:.2f} m")
    assert told["origin for a scenario"].startswith("{latitude_deg: 47.25")
    assert "greatest height error" in told


def test_the_page_needs_nothing_else_and_shows_all(found: Imported) -> None:
    page = Page(import_html(found))
    assert page.addresses == []
    assert {"plan", "deviation", "curvature", "elevation"} <= set(page.ids)
    for row in rows(found):
        assert all(" ".join(cell.split()) in page.text for cell in row)
    assert "<i>invented" in page.text
    assert "<b>lap\\x1b.gpx" in page.text


def test_figures_hold_the_points_and_the_line(found: Imported) -> None:
    figures = carried(Page(import_html(found)))["figures"]
    (points,) = figures["deviation"]["curves"]
    assert np.abs(points["y"]).max() == pytest.approx(float(np.abs(found.offsets).max()), abs=5e-4)
    assert [area["y"] for area in figures["deviation"]["areas"]] == [[-0.2, -0.2], [0.2, 0.2]]
    (bend,) = figures["curvature"]["curves"]
    assert np.abs(bend["y"]).max() == pytest.approx(float(np.abs(found.line.curvature).max()), abs=5e-7)
