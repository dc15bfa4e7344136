"""Criteria about one quantity: it stays within a limit at every instant.

What is judged is the recorded truth as it is, one value a tick. Rates of change that are not recorded:

- of the lean, from recorded angular velocity and attitude: p + (q sin(roll) + r cos(roll)) tan(pitch), which
  is exact (ISO 8855 angles; any book on rigid bodies, from memory);
- of the steering rate, the difference of neighbouring ticks: the mean acceleration over each tick. A sine
  reads low by sinc(f T): 0.1 % at 25 Hz, 1.6 % at 100 Hz with T = 1 ms. The truth has no noise to amplify.
"""

from __future__ import annotations

import math
from abc import abstractmethod
from typing import Literal, NamedTuple, TypeAlias

import numpy as np
from pydantic import Field

from emulator.criteria.base import KM_H, SHOWN, Criterion, Finding
from emulator.criteria.ride import JudgedRide, NotJudged, Rows, Values
from emulator.criteria.windows import Window

Wheel: TypeAlias = Literal["front", "rear"]


class Measured(NamedTuple):
    """A quantity in SI over the whole record, sound in ``rows``, and how to speak of it.

    subject  what it is called; of a distance from something nothing
    digits   behind the point, in the unit that people are told
    signal   the column it is, None if it was worked out
    off      what it is a distance from
    """

    values: Values
    rows: Rows
    subject: str
    digits: int
    signal: str | None = None
    off: str = ""


class WithinLimit(Window):
    """A criterion about a quantity whose size stays within its limit; a subclass says which."""

    miss_stands = True

    @abstractmethod
    def measured(self, ride: JudgedRide, rows: Rows) -> Measured:
        """The quantity in the rows of the window, or in those of them that count. Raises NotJudged."""

    def find(self, ride: JudgedRide) -> Finding:
        """The instant closest to the limit, or the worst one beyond it."""
        m = self.measured(ride, self.rows(ride))
        ride.column("line.station_m", m.rows)
        size = np.where(m.rows, np.abs(m.values), -1.0)
        row = int(np.argmax(size))
        worst = float(size[row])
        passed = worst <= self.limit_si
        limit_text = f"limit {self._shown(self.limit_si, m)}"
        where = ride.instant(row)
        if passed:
            said = (
                f"stayed within {self._shown(worst, m)} of {m.off}"
                if m.off
                else f"{m.subject} at most {self._shown(worst, m)}"
            )
            sentence = f"{said} ({limit_text}), closest to the limit {where}"
        else:
            first = int(np.argmax(size > self.limit_si))
            said = (
                f"was up to {self._shown(worst, m)} off {m.off}"
                if m.off
                else f"{m.subject} up to {self._shown(worst, m)}"
            )
            sentence = f"{said} ({limit_text}), worst {where}; beyond the limit first {ride.instant(first)}"
        seen = np.flatnonzero(m.rows)
        return Finding(
            passed,
            self.limit_si - worst,
            row,
            sentence,
            m.signal,
            "both" if m.signal else "",
            (int(seen[0]), int(seen[-1])),
        )

    def _shown(self, value: float, m: Measured) -> str:
        scale, unit = SHOWN.get(self.unit, (1.0, self.unit))
        text = f"{value * scale:.{m.digits}f}"
        return text if unit == "1" else f"{text}{'' if unit.startswith('°') else ' '}{unit}"


class NoFall(Criterion):
    """The bike stays up."""

    miss_stands = True
    panel = "truth.roll_rad"

    kind: Literal["no_fall"]

    def find(self, ride: JudgedRide) -> Finding:
        """The fall, margin -1, or the largest lean, margin +1."""
        # Past running too: the tick that sees the fall is often the one that leaves running.
        begun = ride.running()
        rows = np.arange(len(begun)) >= int(np.argmax(begun))
        first = int(np.argmax(rows))
        fallen = ride.column("truth.fallen", rows) != 0
        roll = ride.column("truth.roll_rad", rows)
        ride.column("line.station_m", begun)  # behind it the place of a log may be lost
        if fallen.any():
            row = first + int(np.argmax(fallen))
            speed = 3.6 * ride.column("truth.speed_m_s", rows)[row - first]
            return Finding(False, -1.0, row, f"fell {ride.instant(row)}, at {speed:.0f} km/h")
        row = first + int(np.argmax(np.abs(roll)))
        roll_rad = float(ride.run.signals["truth.roll_rad"][row])
        side = "right" if roll_rad > 0 else "left"
        lean = f"{abs(math.degrees(roll_rad)):.1f}° to the {side}"
        return Finding(True, 1.0, row, f"stayed up; largest lean {lean}, {ride.instant(row)}")


class DistanceFromLine(WithinLimit):
    """The bike stays near the line."""

    panel = "line.offset_m"
    panel_bounds = "both"

    kind: Literal["distance_from_line"]
    limit_m: float = Field(gt=0, le=50)
    """Most distance from the line, to either side."""

    @property
    def of_position(self) -> bool:
        """It does."""
        return True

    def measured(self, ride: JudgedRide, rows: Rows) -> Measured:
        """As recorded."""
        name = "line.offset_m"
        return Measured(ride.whole_column(name, rows), rows, "", 2, name, "the line")


class SpeedError(WithinLimit):
    """Speed stays near the target speed."""

    panel = "line.target_speed_m_s"
    panel_bounds = "around"

    kind: Literal["speed_error"]
    limit_km_h: float = Field(gt=0, le=300)
    """Most difference from the target speed, up or down."""

    def measured(self, ride: JudgedRide, rows: Rows) -> Measured:
        """True speed less target speed."""
        speed = ride.whole_column("truth.speed_m_s", rows)
        error = speed - ride.whole_column("line.target_speed_m_s", rows)
        return Measured(error, rows, "", 1, None, "the target speed")


class Lean(WithinLimit):
    """Lean to either side stays within a limit."""

    kind: Literal["lean"]
    limit_deg: float = Field(gt=0, le=90)
    """Most roll of the main frame, to either side."""

    def measured(self, ride: JudgedRide, rows: Rows) -> Measured:
        """As recorded."""
        name = "truth.roll_rad"
        return Measured(ride.whole_column(name, rows), rows, "lean", 1, name)


class LeanRate(WithinLimit):
    """The bike does not roll faster than that."""

    panel = "truth.roll_rad"

    kind: Literal["lean_rate"]
    limit_deg_s: float = Field(gt=0, le=3600)
    """Most rate of the roll angle, either way."""

    def measured(self, ride: JudgedRide, rows: Rows) -> Measured:
        """Rate of the roll angle, from angular velocity and attitude."""
        p, q, r = (ride.whole_column(f"truth.{axis}_rate_rad_s", rows) for axis in ("roll", "pitch", "yaw"))
        roll = ride.whole_column("truth.roll_rad", rows)
        turning = q * np.sin(roll) + r * np.cos(roll)
        rate = p + turning * np.tan(ride.whole_column("truth.pitch_rad", rows))
        return Measured(rate, rows, "lean rate", 1)


class SteeringRate(WithinLimit):
    """The steering does not turn faster than that."""

    kind: Literal["steering_rate"]
    limit_deg_s: float = Field(gt=0, le=36_000)
    """Most rate of the steering angle, either way."""

    def measured(self, ride: JudgedRide, rows: Rows) -> Measured:
        """As recorded."""
        name = "truth.steer_rate_rad_s"
        return Measured(ride.whole_column(name, rows), rows, "steering rate", 1, name)


class SteeringAcceleration(WithinLimit):
    """The steering's rate does not change faster than that."""

    panel = "truth.steer_rad"

    kind: Literal["steering_acceleration"]
    limit_deg_s2: float = Field(gt=0, le=10_000_000)
    """Most change of the steering rate, either way."""

    def measured(self, ride: JudgedRide, rows: Rows) -> Measured:
        """Difference of neighbouring rates; nothing is known before the first one of the ride."""
        riding = ride.running()
        rate = ride.column("truth.steer_rate_rad_s", riding)
        change = np.zeros(len(rows))
        change[riding] = np.diff(rate, prepend=rate[:1]) / ride.step_s(riding)
        return Measured(change, rows, "steering acceleration", 0)


class OfOneWheel(WithinLimit):
    """A criterion about one wheel, which says so in its name; a subclass names the quantity."""

    wheel: Wheel
    """The wheel whose tyre it is about."""

    @property
    def title(self) -> str:
        """Its name in reports."""
        return self.name or f"{self.wheel} {self.kind.replace('_', ' ')}"


class SlipRatio(OfOneWheel):
    """A tyre's longitudinal slip stays within a limit, while it bears load."""

    kind: Literal["slip_ratio"]
    limit: float = Field(gt=0, le=100)
    """[1] Most longitudinal slip, driving or braking; 1 is a locked wheel."""
    above_km_h: float = Field(default=10.0, ge=0, le=300)
    """Looked at only while the bike is faster."""

    def measured(self, ride: JudgedRide, rows: Rows) -> Measured:
        """As recorded, where it counts."""
        rows = _rolling(ride, rows, self.wheel, self.above_km_h * KM_H)
        name = f"truth.slip_ratio_{self.wheel}"
        return Measured(ride.whole_column(name, rows), rows, f"{self.wheel} slip ratio", 3, name)


class SlipAngle(OfOneWheel):
    """A tyre's slip angle stays within a limit, while it bears load."""

    kind: Literal["slip_angle"]
    limit_deg: float = Field(gt=0, le=90)
    """Most slip angle, to either side."""
    above_km_h: float = Field(default=10.0, ge=0, le=300)
    """Looked at only while the bike is faster."""

    def measured(self, ride: JudgedRide, rows: Rows) -> Measured:
        """As recorded, where it counts."""
        rows = _rolling(ride, rows, self.wheel, self.above_km_h * KM_H)
        name = f"truth.slip_angle_{self.wheel}_rad"
        return Measured(ride.whole_column(name, rows), rows, f"{self.wheel} slip angle", 1, name)


def _rolling(ride: JudgedRide, rows: Rows, wheel: Wheel, above_m_s: float) -> Rows:
    """Those of the rows in which a tyre bears load and the bike is faster than that."""
    fast = ride.whole_column("truth.speed_m_s", rows) > above_m_s
    rows = rows & fast & (ride.whole_column(f"truth.load_{wheel}_N", rows) > 0.0)
    if not rows.any():
        raise NotJudged(f"the {wheel} tyre never bore load above {above_m_s * 3.6:.0f} km/h in its window")
    return rows


class FrictionUse(OfOneWheel):
    """How much of a tyre's friction is asked stays within a share."""

    kind: Literal["friction_use"]
    limit: float = Field(gt=0, lt=1)
    """[1] Most of its friction that is asked; at 1 all of the contact slides."""

    def measured(self, ride: JudgedRide, rows: Rows) -> Measured:
        """As recorded."""
        name = f"truth.friction_use_{self.wheel}"
        return Measured(ride.whole_column(name, rows), rows, f"{self.wheel} friction use", 2, name)
