"""Local frame and geodetic position against PROJ and published values."""

from __future__ import annotations

import math

import pyproj
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.wire.geodesy import FLATTENING, Origin, SEMI_MAJOR_AXIS_m, ecef_to_geodetic, geodetic_to_ecef

MILLIMETRE_m = 1e-3


@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg", "height_m", "ecef_m"),
    [
        # First row: a widely used example of open geodesy test suites. The others: closed form, confirmed
        # with PROJ 9 through pyproj 3.7.2 (EPSG:4979 to EPSG:4978), printed to six decimals.
        (42, -82, 200, (660675.251825, -4700948.683162, 4245737.662222)),
        (48.1173, 11.516667, 592.3, (4180514.561344, 851801.799264, 4726034.686384)),
        (0, 0, 0, (6378137.0, 0.0, 0.0)),
        (90, 0, 0, (0.0, 0.0, 6356752.314245)),
        (45, 45, 1000, (3194919.145061, 3194919.145061, 4488055.515647)),
    ],
)
def test_ecef_of_published_points(
    latitude_deg: float, longitude_deg: float, height_m: float, ecef_m: tuple[float, float, float]
) -> None:
    latitude_rad, longitude_rad = math.radians(latitude_deg), math.radians(longitude_deg)
    assert geodetic_to_ecef(latitude_rad, longitude_rad, height_m) == pytest.approx(ecef_m, abs=1e-6)
    back = ecef_to_geodetic(*ecef_m)
    assert back == pytest.approx((latitude_rad, longitude_rad, height_m), abs=2e-6)


@pytest.mark.parametrize(
    ("point_deg", "enu_m"),
    [
        # Closed form, confirmed with PROJ's topocentric step; origin 48.1173, 11.516667, 592.3 m.
        ((48.1183, 11.516667, 592.3), (0.0, 111.202951183, -0.000970429)),
        ((48.1173, 11.517667, 592.3), (74.462930402, 0.000483794, -0.00043382)),
        ((48.1263, 11.53, 600.0), (992.642030891, 1000.914454578, 7.544288893)),
    ],
)
def test_enu_of_known_points(
    point_deg: tuple[float, float, float], enu_m: tuple[float, float, float]
) -> None:
    origin = Origin(math.radians(48.1173), math.radians(11.516667), 592.3)
    point = (math.radians(point_deg[0]), math.radians(point_deg[1]), point_deg[2])
    assert origin.geodetic_to_enu(*point) == pytest.approx(enu_m, abs=1e-8)
    back = origin.enu_to_geodetic(*enu_m)
    assert back[:2] == pytest.approx(point[:2], abs=1e-8 / SEMI_MAJOR_AXIS_m * 3)
    assert back[2] == pytest.approx(point[2], abs=1e-7)


latitudes = st.floats(-89.9, 89.9)
longitudes = st.floats(-180, 180)


@settings(max_examples=150)
@given(
    latitude_deg=latitudes,
    longitude_deg=longitudes,
    height_m=st.floats(-400, 4000),
    enu_m=st.tuples(st.floats(-10e3, 10e3), st.floats(-10e3, 10e3), st.floats(-500, 500)),
)
def test_ten_kilometres_around_any_origin_agree_with_proj_to_a_millimetre(
    latitude_deg: float, longitude_deg: float, height_m: float, enu_m: tuple[float, float, float]
) -> None:
    origin = Origin(math.radians(latitude_deg), math.radians(longitude_deg), height_m)
    proj = pyproj.Transformer.from_pipeline(
        "+proj=pipeline +step +proj=unitconvert +xy_in=rad +xy_out=rad +step +proj=cart +ellps=WGS84 +step "
        f"+proj=topocentric +ellps=WGS84 +lat_0={latitude_deg!r} +lon_0={longitude_deg!r} +h_0={height_m!r}"
    )
    latitude_rad, longitude_rad, point_height_m = origin.enu_to_geodetic(*enu_m)
    theirs = proj.transform(longitude_rad, latitude_rad, point_height_m, radians=True)
    assert theirs == pytest.approx(enu_m, abs=MILLIMETRE_m)
    assert origin.geodetic_to_enu(latitude_rad, longitude_rad, point_height_m) == pytest.approx(
        enu_m, abs=1e-5
    )


@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg"),
    [(0.0, 10.0), (0.02, -60.0), (-0.02, 180.0), (52.0, 179.95), (-17.0, -180.0)],
)
def test_over_the_equator_and_the_date_line_within_a_millimetre(
    latitude_deg: float, longitude_deg: float
) -> None:
    """Ten kilometres each way cross what is near; the longitude stays within half a turn."""
    origin = Origin(math.radians(latitude_deg), math.radians(longitude_deg), 100.0)
    to_ecef = pyproj.Transformer.from_crs("EPSG:4979", "EPSG:4978", always_xy=True)
    x0, y0, z0 = to_ecef.transform(longitude_deg, latitude_deg, 100.0)
    la, lo = math.radians(latitude_deg), math.radians(longitude_deg)
    sides = set()
    for east, north in [(e, n) for e in (-10e3, -1.0, 0.0, 1.0, 10e3) for n in (-10e3, 0.0, 10e3)]:
        latitude_rad, longitude_rad, height_m = origin.enu_to_geodetic(east, north, 0.0)
        assert -math.pi <= longitude_rad <= math.pi
        sides.add((latitude_rad > 0, longitude_rad > 0))
        x, y, z = to_ecef.transform(math.degrees(longitude_rad), math.degrees(latitude_rad), height_m)
        d = (x - x0, y - y0, z - z0)
        theirs_east = -math.sin(lo) * d[0] + math.cos(lo) * d[1]
        out = math.cos(lo) * d[0] + math.sin(lo) * d[1]
        theirs_north = -math.sin(la) * out + math.cos(la) * d[2]
        assert (theirs_east, theirs_north) == pytest.approx((east, north), abs=MILLIMETRE_m)
        assert origin.geodetic_to_enu(latitude_rad, longitude_rad, height_m) == pytest.approx(
            (east, north, 0.0), abs=1e-5
        )
    assert len(sides) > 1  # something was crossed


@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg"),
    [(0.0, 10.0), (0.02, -60.0), (52.0, 179.98), (-17.0, -180.0), (60.0, 25.0)],
)
def test_ten_kilometres_of_geodesic_on_the_ellipsoid_within_a_millimetre(
    latitude_deg: float, longitude_deg: float
) -> None:
    """Two libraries say where such a point lies; in the plane it is as far, and so it is back."""
    origin = Origin(math.radians(latitude_deg), math.radians(longitude_deg), 0.0)
    for azimuth_deg in range(0, 360, 30):
        for distance_m in (1.0, 500.0, 10_000.0):
            there = Geodesic.WGS84.Direct(latitude_deg, longitude_deg, azimuth_deg, distance_m)
            lon, lat, _ = pyproj.Geod(ellps="WGS84").fwd(longitude_deg, latitude_deg, azimuth_deg, distance_m)
            metre = math.radians(1.0) * 6.4e6
            assert abs(there["lat2"] - lat) * metre < MILLIMETRE_m
            assert abs(math.remainder(there["lon2"] - lon, 360.0)) * metre < MILLIMETRE_m
            enu = origin.geodetic_to_enu(math.radians(there["lat2"]), math.radians(there["lon2"]), 0.0)
            latitude_rad, longitude_rad, height_m = origin.enu_to_geodetic(*enu)
            assert abs(height_m) < MILLIMETRE_m
            inverse = Geodesic.WGS84.Inverse(
                latitude_deg, longitude_deg, math.degrees(latitude_rad), math.degrees(longitude_rad)
            )
            assert inverse["s12"] == pytest.approx(distance_m, abs=MILLIMETRE_m)
            # the chord of an arc of R: the geodesic is longer by s^3 / 24 R^2, R between 6,335 and 6,400 km
            chord_m = math.hypot(*enu)
            assert chord_m == pytest.approx(distance_m - distance_m**3 / (24.0 * 6.37e6**2), abs=MILLIMETRE_m)


@given(latitude_deg=st.floats(-90, 90), longitude_deg=longitudes, height_m=st.floats(-10e3, 1e6))
def test_ecef_round_trip(latitude_deg: float, longitude_deg: float, height_m: float) -> None:
    ecef_m = geodetic_to_ecef(math.radians(latitude_deg), math.radians(longitude_deg), height_m)
    back_m = geodetic_to_ecef(*ecef_to_geodetic(*ecef_m))
    assert back_m == pytest.approx(ecef_m, abs=1e-7)


def test_axes_point_east_north_up() -> None:
    origin = Origin(math.radians(-30.0), math.radians(150.0), 0.0)
    latitude_rad, longitude_rad, height_m = origin.enu_to_geodetic(0.0, 0.0, 0.0)
    assert origin.enu_to_geodetic(1.0, 0.0, 0.0)[1] > longitude_rad
    assert origin.enu_to_geodetic(0.0, 1.0, 0.0)[0] > latitude_rad
    assert origin.enu_to_geodetic(0.0, 0.0, 1.0)[2] == pytest.approx(height_m + 1.0, abs=1e-8)


def test_a_level_kilometre_rises_over_the_ellipsoid() -> None:
    # d^2 / 2R with the meridian radius at 45 degrees, 6367381.816 m (NIMA TR8350.2 constants).
    origin = Origin(math.radians(45.0), 0.0, 100.0)
    rise_m = origin.enu_to_geodetic(0.0, 1000.0, 0.0)[2] - 100.0
    assert rise_m == pytest.approx(1000.0**2 / (2 * 6367381.816), rel=1e-4)


def test_defining_constants() -> None:
    # NIMA TR8350.2, third edition, amendment 1 (2000): a and 1/f.
    assert SEMI_MAJOR_AXIS_m == 6378137.0
    assert pytest.approx(298.257223563, abs=1e-9) == 1 / FLATTENING


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ((48.1, 0.2, 0.0), "latitude of -pi/2..pi/2 and longitude of -pi..pi in radians, got 48.1 and 0.2"),
        ((0.8, 11.5, 0.0), "got 0.8 and 11.5"),
        ((math.nan, 0.0, 0.0), "got nan and 0.0"),
        ((0.8, 0.2, math.inf), "finite origin height in metres, got inf"),
    ],
)
def test_impossible_origins_are_refused(values: tuple[float, float, float], said: str) -> None:
    with pytest.raises(ValueError, match="expected") as error:
        Origin(*values)
    assert said in str(error.value)
