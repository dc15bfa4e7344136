"""GPX of points: tracks and routes, and files that mean harm."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest

from emulator.core.errors import ConfigError
from emulator.survey.gpx_points import read_gpx
from tests.support.surveyed import write_gpx

TABLE = np.array([(47.0 + k * 1e-5, 5.0 + k * 2e-5, 200.0 + k) for k in range(15)])
NAMESPACE = "http://www.topografix.com/GPX/1/1"


def changed(tmp_path: Path, *changes: tuple[str, str]) -> str:
    def change(text: str) -> str:
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        return text

    return str(write_gpx(tmp_path / "lap.gpx", TABLE, change=change))


def problem(path: str) -> str:
    with pytest.raises(ConfigError) as caught:
        read_gpx(path)
    assert len(caught.value.problems) == 1
    return str(caught.value.problems[0]).removeprefix(path + ":")


def test_a_track_is_read_with_heights_and_times(tmp_path: Path) -> None:
    times = [f"2027-05-01T09:30:{k:02}Z" for k in range(15)]
    points = read_gpx(str(write_gpx(tmp_path / "lap.gpx", TABLE, times)))
    assert points.geodetic
    np.testing.assert_allclose(points.places, TABLE[:, :2], atol=1e-8)
    np.testing.assert_allclose(points.elevation, TABLE[:, 2])
    assert np.diff(points.time).tolist() == [1.0] * 14
    assert points.lines.tolist() == list(range(4, 19))


def test_a_route_is_read_and_version_1_0_is(tmp_path: Path) -> None:
    path = changed(tmp_path, ("<trk><trkseg>", "<rte>"), ("</trkseg></trk>", "</rte>"), ("trkpt", "rtept"))
    assert len(read_gpx(path).places) == 15
    assert len(read_gpx(changed(tmp_path, (NAMESPACE, NAMESPACE[:-1] + "0"))).places) == 15


def test_segments_are_joined_and_that_is_told(tmp_path: Path) -> None:
    mark = f'<trkpt lat="{TABLE[7, 0]:.8f}"'
    points = read_gpx(changed(tmp_path, (mark, "</trkseg><trkseg>" + mark)))
    assert len(points.places) == 15
    assert points.remarks == ("the track's 2 segments are joined",)


def test_what_other_makers_put_in_between_is_passed_over(tmp_path: Path) -> None:
    other = '<extensions><o:ele xmlns:o="urn:other">5</o:ele><o:trkpt xmlns:o="urn:other"/></extensions>'
    waypoint = ("<trk>", '<wpt lat="1" lon="2"/><trk>')
    points = read_gpx(changed(tmp_path, ("</ele>", "</ele>" + other), waypoint))
    np.testing.assert_allclose(points.elevation, TABLE[:, 2])


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("<trkseg>\n<trkpt", "<trkseg>\n<trkpt nothing"), "4:16: this is no XML: not well-formed"),
        (('lat="47.00003000"', ""), "7:1: expected <trkpt lat=... lon=...>, got no lat"),
        (('lat="47.00003000"', 'lat="147"'), "7:1: expected a latitude from -90 to 90 degrees, got 147"),
        (("<ele>203.00</ele>", "<ele>high</ele>"), "7:52: expected a number, got 'high'"),
        (("</trkpt>\n</trkseg>", "<time>noon</time></trkpt>\n</trkseg>"), "18:70: expected seconds, or"),
        (("<gpx ", "<kml "), "2:1: expected <gpx xmlns='http://www.topografix.com/GPX/1/1'>, got <kml>"),
        (("</gpx>", "</kml>"), "20:3: this is no XML: mismatched tag"),
        ((NAMESPACE, "urn:x"), "2:1: expected <gpx xmlns='http://www.topografix.com/GPX/1/1'>, got <gpx>"),
        (("</trkseg></trk>", "</trkseg></trk><trk/>"), "expected one track, got 2 (of 15, 0 points)"),
        (("trkpt", "wpt"), "expected at least 12 points, got 0"),
        (('encoding="UTF-8"', 'encoding="klingon"'), "this is no XML"),
    ],
)
def test_what_is_wrong_is_told_by_line_and_column(tmp_path: Path, change: tuple[str, str], said: str) -> None:
    path = changed(tmp_path, change)
    assert said in problem(path)


def test_waypoints_alone_are_no_line(tmp_path: Path) -> None:
    path = changed(tmp_path, ("<trk><trkseg>", ""), ("</trkseg></trk>", ""), ("trkpt", "wpt"))
    assert problem(path) == "1:1: expected a track or a route, got 15 waypoints"


def test_a_document_type_is_refused_before_an_entity_grows(tmp_path: Path) -> None:
    """The classic of ten entities, each ten of the one before, that fills any memory."""
    entities = '<!ENTITY a0 "ha">' + "".join(f'<!ENTITY a{k + 1} "{f"&a{k};" * 10}">' for k in range(12))
    path = changed(
        tmp_path, ("?>\n", f"?>\n<!DOCTYPE gpx [{entities}]>\n"), ("<ele>203.00</ele>", "<name>&a12;</name>")
    )
    began = time.process_time()
    assert problem(path) == "2:15: a document type (DTD) is not read; take its declaration away"
    assert time.process_time() - began < 0.5


def test_an_entity_that_names_a_file_is_never_followed(tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("47.0")
    doctype = f'?>\n<!DOCTYPE gpx [<!ENTITY s SYSTEM "{secret}">]>\n'
    path = changed(tmp_path, ("?>\n", doctype), ("203.00", "&s;"))
    assert "document type" in problem(path)


def test_nesting_without_end_is_refused(tmp_path: Path) -> None:
    path = changed(tmp_path, ("<ele>203.00</ele>", "<a>" * 10_000))
    assert "nested deeper than 30 levels" in problem(path)


def test_points_where_none_belong_are_not_taken(tmp_path: Path) -> None:
    ends = ("</trkseg></trk>", "</trkseg></metadata>")
    path = changed(tmp_path, ("<trk><trkseg>", "<metadata><trkseg>"), ends)
    assert problem(path) == "1:1: expected a track or a route, got none"
