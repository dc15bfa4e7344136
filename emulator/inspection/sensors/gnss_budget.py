"""Errors of the GNSS receiver by kind of fix."""

from __future__ import annotations

import math

from emulator.config.rig.gnss import Gnss
from emulator.inspection.sensors.error_terms import Channel, Term, rounding
from emulator.sensors.gnss import FIX_QUALITY, USUAL_ACCURACY, Accuracy
from emulator.wire.nmea import KNOT_m_s

NAUTICAL_MILE_m = 1852.0
"""A minute of latitude is about that (by its old definition); figures to a percent."""
GNSS_STEPS = {
    "gnss_x_m": 1e-6 * NAUTICAL_MILE_m,
    "gnss_y_m": 1e-6 * NAUTICAL_MILE_m,
    "gnss_z_m": 0.01,
    "gnss_speed_m_s": 1e-3 * KNOT_m_s,
    "gnss_course_rad": math.radians(0.01),
}
"""Steps of what the sentences say, as ``wire.nmea`` writes them; of x at the equator, finer elsewhere."""


def gnss_accuracies(gnss: Gnss) -> tuple[tuple[str, Accuracy], ...]:
    """Errors by kind of fix, the one in use first; what the rig leaves out is as usual there."""
    found = []
    for name in sorted(FIX_QUALITY, key=lambda fix: (fix != gnss.fix, FIX_QUALITY[fix] != 4, fix)):
        if gnss.accuracy is None:
            accuracy = Accuracy(
                noise_m=gnss.position_noise_m,
                noise_height_m=gnss.height_noise_m,
                velocity_m_s=gnss.speed_noise_m_s,
            )
        else:
            own = gnss.accuracy.get(name)  # type: ignore[call-overload]
            accuracy = USUAL_ACCURACY[name]._replace(
                **({} if own is None else own.model_dump(exclude_none=True))
            )
        found.append((name, accuracy))
    return tuple(found)


def gnss_channels(gnss: Gnss, fix: str, a: Accuracy, speed_m_s: float) -> list[Channel]:
    """GNSS with one kind of fix: Gauss-Markov drift and white noise of position, white noise of velocity.

    Speed v has the noise of velocity along the way; course that across it over v, and its own part.
    """

    holds = f"{fix}, {gnss.satellites} satellites, no reflections"

    def position(signal: str, drift: float, white: float) -> Channel:
        terms = []
        if drift > 0.0:
            how = f"correlated over {a.correlation_time_s:g} s"
            terms.append(Term("drift", "drift", drift, how, a.correlation_time_s))
        if white > 0.0:
            terms.append(Term("white noise", "white", white, "as configured"))
        step = GNSS_STEPS[signal]
        return Channel(signal, "m", step, -math.inf, math.inf, (*terms, rounding(step)), fix, holds)

    moving = (
        [Term("velocity noise", "white", a.velocity_m_s, "along the way")] if a.velocity_m_s > 0.0 else []
    )
    step = GNSS_STEPS["gnss_speed_m_s"]
    most = 999.999 * KNOT_m_s
    speed = Channel("gnss_speed_m_s", "m/s", step, 0.0, most, (*moving, rounding(step)), fix, holds)
    channels = [
        position("gnss_x_m", a.drift_m, a.noise_m),
        position("gnss_y_m", a.drift_m, a.noise_m),
        position("gnss_z_m", a.drift_height_m, a.noise_height_m),
        speed,
    ]
    if speed_m_s > gnss.course_from_m_s:
        terms = []
        if a.velocity_m_s > 0.0:
            how = f"{a.velocity_m_s:g} m/s across {speed_m_s:.3g} m/s"
            terms.append(Term("velocity noise", "white", a.velocity_m_s / speed_m_s, how))
        if gnss.course_noise_rad > 0.0:
            terms.append(Term("course noise", "white", gnss.course_noise_rad, "as configured"))
        step = GNSS_STEPS["gnss_course_rad"]
        held = f"{holds}, at {speed_m_s * 3.6:.0f} km/h"
        around = 2.0 * math.pi
        channels.append(
            Channel("gnss_course_rad", "rad", step, 0.0, around, (*terms, rounding(step)), fix, held)
        )
    return channels
