"""WGS-84 and the local ENU frame at the scenario's origin, both ways.

Compiled, because a GNSS epoch is written within a tick of the loop. ENU is the tangent plane at the origin:
x east, y north, z along the ellipsoid normal, so a level track a kilometre away lies 8 cm higher above
the ellipsoid than its z says; that is geometry, not an error.

Source: NIMA TR8350.2, 3rd ed. (2000) for the two defining constants used; Bowring (1976), Survey Review
23:323-327 for the latitude from ECEF (from memory; checked in the tests against PROJ).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TypeAlias

from emulator.core.compiled import jit

SEMI_MAJOR_AXIS_m = 6378137.0
FLATTENING = 1.0 / 298.257223563
_SEMI_MINOR_AXIS_m = SEMI_MAJOR_AXIS_m * (1.0 - FLATTENING)
_E2 = FLATTENING * (2.0 - FLATTENING)  # first eccentricity squared
_EP2 = _E2 / (1.0 - _E2)  # second eccentricity squared


@jit
def geodetic_to_ecef(
    latitude_rad: float, longitude_rad: float, height_m: float
) -> tuple[float, float, float]:
    """Earth-centred, earth-fixed x, y, z [m] of a geodetic position (height above the ellipsoid)."""
    sin_lat, cos_lat = math.sin(latitude_rad), math.cos(latitude_rad)
    prime_vertical_m = SEMI_MAJOR_AXIS_m / math.sqrt(1.0 - _E2 * sin_lat * sin_lat)
    from_axis_m = (prime_vertical_m + height_m) * cos_lat
    return (
        from_axis_m * math.cos(longitude_rad),
        from_axis_m * math.sin(longitude_rad),
        (prime_vertical_m * (1.0 - _E2) + height_m) * sin_lat,
    )


@jit
def ecef_to_geodetic(x_m: float, y_m: float, z_m: float) -> tuple[float, float, float]:
    """Latitude [rad], longitude [rad], height above the ellipsoid [m] of an ECEF position.

    Valid: more than 1000 km from the earth's centre. On the axis the longitude is 0.
    """
    from_axis_m = math.hypot(x_m, y_m)
    latitude_rad = 0.0
    parametric_rad = math.atan2(z_m, from_axis_m * (1.0 - FLATTENING))
    for _ in range(3):  # each round gains about five digits near the surface
        sin_p, cos_p = math.sin(parametric_rad), math.cos(parametric_rad)
        latitude_rad = math.atan2(
            z_m + _EP2 * _SEMI_MINOR_AXIS_m * sin_p**3,
            from_axis_m - _E2 * SEMI_MAJOR_AXIS_m * cos_p**3,
        )
        parametric_rad = math.atan2((1.0 - FLATTENING) * math.sin(latitude_rad), math.cos(latitude_rad))
    sin_lat, cos_lat = math.sin(latitude_rad), math.cos(latitude_rad)
    # This form keeps its digits at the poles and at the equator alike.
    height_m = (
        from_axis_m * cos_lat + z_m * sin_lat - SEMI_MAJOR_AXIS_m * math.sqrt(1.0 - _E2 * sin_lat * sin_lat)
    )
    return latitude_rad, math.atan2(y_m, x_m), height_m


Frame: TypeAlias = tuple[float, float, float, float, float, float, float]
"""The origin's ECEF position x, y, z [m], sine and cosine of its latitude, of its longitude."""


@jit
def enu_to_geodetic(frame: Frame, east_m: float, north_m: float, up_m: float) -> tuple[float, float, float]:
    """Latitude [rad], longitude [rad], ellipsoidal height [m] of a point in the local frame."""
    x_m, y_m, z_m, sin_lat, cos_lat, sin_lon, cos_lon = frame
    meridian = cos_lat * up_m - sin_lat * north_m  # away from the axis, in the origin's meridian plane
    return ecef_to_geodetic(
        x_m - sin_lon * east_m + cos_lon * meridian,
        y_m + cos_lon * east_m + sin_lon * meridian,
        z_m + cos_lat * north_m + sin_lat * up_m,
    )


@jit
def geodetic_to_enu(
    frame: Frame, latitude_rad: float, longitude_rad: float, height_m: float
) -> tuple[float, float, float]:
    """East, north, up [m] in the local frame of a geodetic position (height above the ellipsoid)."""
    origin_x_m, origin_y_m, origin_z_m, sin_lat, cos_lat, sin_lon, cos_lon = frame
    x_m, y_m, z_m = geodetic_to_ecef(latitude_rad, longitude_rad, height_m)
    dx, dy, dz = x_m - origin_x_m, y_m - origin_y_m, z_m - origin_z_m
    meridian = cos_lon * dx + sin_lon * dy
    return (
        cos_lon * dy - sin_lon * dx,
        cos_lat * dz - sin_lat * meridian,
        cos_lat * meridian + sin_lat * dz,
    )


@dataclass(frozen=True)
class Origin:
    """Where the local ENU frame sits.

    latitude_rad   -pi/2..pi/2  geodetic, WGS-84
    longitude_rad  -pi..pi      east positive
    height_m                    above the ellipsoid (not above sea level)

    Raises ValueError for a latitude or longitude out of range (degrees by mistake) or not finite.
    """

    latitude_rad: float
    longitude_rad: float
    height_m: float
    _ecef_m: tuple[float, float, float] = field(init=False, repr=False, compare=False)
    _turn: tuple[float, float, float, float] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Check, and keep what every conversion needs."""
        if not (abs(self.latitude_rad) <= math.pi / 2 and abs(self.longitude_rad) <= math.pi):
            raise ValueError(
                "expected an origin latitude of -pi/2..pi/2 and longitude of -pi..pi in radians, "
                f"got {self.latitude_rad} and {self.longitude_rad}"
            )
        if not math.isfinite(self.height_m):
            raise ValueError(f"expected a finite origin height in metres, got {self.height_m}")
        ecef = geodetic_to_ecef(self.latitude_rad, self.longitude_rad, self.height_m)
        object.__setattr__(self, "_ecef_m", ecef)
        turn = (
            math.sin(self.latitude_rad),
            math.cos(self.latitude_rad),
            math.sin(self.longitude_rad),
            math.cos(self.longitude_rad),
        )
        object.__setattr__(self, "_turn", turn)

    @property
    def frame(self) -> Frame:
        """The same for compiled code, see :func:`enu_to_geodetic`."""
        return self._ecef_m + self._turn

    def enu_to_geodetic(self, east_m: float, north_m: float, up_m: float) -> tuple[float, float, float]:
        """Latitude [rad], longitude [rad], ellipsoidal height [m] of a point in the local frame."""
        return enu_to_geodetic(self.frame, east_m, north_m, up_m)

    def geodetic_to_enu(
        self, latitude_rad: float, longitude_rad: float, height_m: float
    ) -> tuple[float, float, float]:
        """East, north, up [m] of a geodetic position (height above the ellipsoid)."""
        return geodetic_to_enu(self.frame, latitude_rad, longitude_rad, height_m)
