"""Mistakes with surveyed points: ``my.csv`` and ``my.gpx``, which the test makes from a small oval."""

from tests.support.plausible_mistakes.mistake import Mistake

_CSV, _GPX = "circuit import my.csv --width-m 9", "circuit import my.gpx --width-m 9"


def m(did: str, typed: str, files: dict[str, tuple[str, str] | str], at: str, *says: str) -> Mistake:
    return Mistake(did, typed, files, at, says)


POINTS = [
    m(
        "has no line that names the columns",
        _CSV,
        {"my.csv": ("east,north\n", "^")},
        "",
        "names the columns",
        "east",
    ),
    m(
        "has decimal commas between commas",
        _CSV,
        {"my.csv": ("east,north\n0,0\n", "east,north\n^0,0,0,0\n")},
        "",
        *("2 columns", "semicolon"),
    ),
    m(
        "has degrees and minutes",
        _CSV,
        {"my.csv": "latitude,longitude\n^47 15.0,5 51.0\n" + "47 15.1,5 51.1\n" * 15},
        "",
        "decimal degrees",
    ),
    m(
        "swapped latitude and longitude, and knows the length",
        "circuit import swapped.gpx --width-m 9 --length-m 551",
        {},
        "swapped.gpx:1:1",
        *("551", "swapped"),
    ),
    m(
        "has waypoints instead of a track",
        _GPX,
        {
            "my.gpx": '<gpx xmlns="http://www.topografix.com/GPX/1/1">'
            + '<wpt lat="47.25" lon="5.85"/>' * 14
            + "</gpx>"
        },
        "my.gpx:1:1",
        *("a track or a route", "14 waypoints"),
    ),
    m(
        "has a KML file",
        _GPX,
        {"my.gpx": '^<kml xmlns="http://www.opengis.net/kml/2.2"><Document/></kml>'},
        "",
        *("<kml>", "gpx", "CSV"),
    ),
    m(
        "renamed a table's file to CSV",
        _CSV,
        {"my.csv": "PK\x03\x04\x14\x00\x06\x00\x08"},
        "my.csv:1:1",
        *("text", "CSV"),
    ),
    m("did not say how wide the road is", "circuit import my.csv", {}, "my.csv:1:1", "--width-m"),
]
