"""Three drawings of axes and signs, as shapes: from the right to scale, from behind, from above.

Shapes are plain values; ``templates/interface_view.svg`` writes them, every value escaped. Each view says in
words what it shows.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

from emulator.inspection.interface.description import Interface
from emulator.report.figures.drawing import BLUE, GREY, INK, ORANGE

WIDTH, HEIGHT = 340, 280

_LIMB = 2.4


@dataclass(frozen=True)
class Stroke:
    """A line through points [px]; ``arrow``: with a head at its end."""

    points: Sequence[tuple[float, float]]
    colour: str = INK
    width: float = 2.0
    dash: str = ""
    arrow: bool = False
    kind: Literal["stroke"] = "stroke"

    @property
    def path(self) -> str:
        """As SVG writes it."""
        return "M" + " L".join(f"{x:.1f} {y:.1f}" for x, y in self.points)

    @property
    def head(self) -> str:
        """Corners of the arrow's head; empty without one."""
        if not self.arrow:
            return ""
        (ax, ay), (bx, by) = self.points[-2:]
        a = math.atan2(by - ay, bx - ax)
        corners = [(bx, by)]
        corners += [(bx - 9.0 * math.cos(a + s), by - 9.0 * math.sin(a + s)) for s in (-0.45, 0.45)]
        return " ".join(f"{x:.1f},{y:.1f}" for x, y in corners)


@dataclass(frozen=True)
class Ring:
    """A circle; filled if it is a mark."""

    x: float
    y: float
    r: float
    colour: str = INK
    filled: bool = False
    kind: Literal["ring"] = "ring"


@dataclass(frozen=True)
class Words:
    """A text beside a point."""

    x: float
    y: float
    text: str
    anchor: Literal["start", "middle", "end"] = "start"
    colour: str = INK
    kind: Literal["words"] = "words"


Shape: TypeAlias = Stroke | Ring | Words


@dataclass(frozen=True)
class View:
    """A drawing: its name in file names, what it shows to who can't see it, its shapes."""

    key: str
    title: str
    words: str
    shapes: Sequence[Shape] = field(default_factory=tuple)
    width: int = WIDTH
    height: int = HEIGHT


def views(interface: Interface) -> list[View]:
    """From the right, from behind, from above."""
    return [_from_right(interface), _from_behind(interface), _from_above(interface)]


def arc(x: float, y: float, r: float, begin_deg: float, end_deg: float) -> list[tuple[float, float]]:
    """Points of an arc, angles from right, anticlockwise as seen; from begin to end either way."""
    n = max(2, round(abs(end_deg - begin_deg) / 6.0) + 1)
    angles = [math.radians(begin_deg + (end_deg - begin_deg) * k / (n - 1)) for k in range(n)]
    return [(x + r * math.cos(a), y - r * math.sin(a)) for a in angles]


def _from_right(interface: Interface) -> View:
    m, base = interface.mounting, interface.mounting.wheelbase_m
    rear, front = interface.wheel_rear.radius_m, interface.wheel_front.radius_m
    antenna = interface.gnss.antenna_m
    left, right = -0.45, base + 0.45
    top = max(1.15, antenna[2], m.imu_m[2]) + 0.12
    scale = min(WIDTH / (right - left), (HEIGHT - 50) / top)

    def at(forward: float, up: float) -> tuple[float, float]:
        return (forward - left) * scale, HEIGHT - 34 - up * scale

    origin = at(0.0, 0.0)
    shapes: list[Shape] = [
        Stroke([at(left, 0.0), at(right, 0.0)], GREY),
        Ring(*at(0.0, rear), rear * scale),
        Ring(*at(base, front), front * scale),
        Stroke([at(0.0, rear), at(0.42 * base, 0.38), at(0.78 * base, 0.85), at(base, front)], GREY, _LIMB),
        Stroke([at(0.12 * base, 0.82), at(0.45 * base, 0.78), at(0.78 * base, 0.85)], GREY, _LIMB),
        Stroke([origin, at(0.5, 0.0)], BLUE, 3.0, arrow=True),
        Stroke([origin, at(0.0, 0.5)], BLUE, 3.0, arrow=True),
        Words(at(0.5, 0.0)[0] + 2, origin[1] + 16, "x forward", "middle", BLUE),
        Words(origin[0] - 5, at(0.0, 0.5)[1] + 4, "z up", "end", BLUE),
        Stroke(arc(*at(base, front), front * scale + 14, 75.0, 15.0), ORANGE, 2.5, arrow=True),
        Words(WIDTH - 4, at(base, 0.98)[1], "+ pitch: nose down", "end", ORANGE),
    ]
    for name, place, below in (("inertial unit", m.imu_m, 17.0), ("GNSS antenna", antenna, -6.0)):
        x, y = at(place[0], place[2])
        shapes += [
            Ring(x, y, 4.5, ORANGE, filled=True),
            Words(x + 9, y + below, f"{name} ({place[0]:.2f}, {place[2]:.2f})"),
        ]
    shapes.append(Words(4, HEIGHT - 4, "seen from the right; y points away from you", colour=INK))
    return View(
        "right",
        "From the right, to scale",
        "Side view: origin where the rear tyre touches, x forward, z up, pitch positive nose down; "
        "inertial unit at "
        f"{m.imu_m[0]:.2f} m forward and {m.imu_m[2]:.2f} m up, GNSS antenna at {antenna[0]:.2f} and "
        f"{antenna[2]:.2f} m.",
        tuple(shapes),
    )


def _from_behind(interface: Interface) -> View:
    lean = interface.bend.lean_rad
    foot, length = (170.0, HEIGHT - 40.0), 190.0

    def head(roll: float, share: float = 1.0) -> tuple[float, float]:
        return foot[0] + share * length * math.sin(roll), foot[1] - share * length * math.cos(roll)

    shapes: list[Shape] = [
        Stroke([(10.0, foot[1]), (WIDTH - 10.0, foot[1])], GREY),
        Stroke([foot, head(0.0)], GREY, 1.5, "5 4"),
        Stroke([foot, head(lean)], INK, 9.0),
        Stroke([foot, (foot[0] - 105.0, foot[1])], BLUE, 3.0, arrow=True),
        Stroke([foot, (foot[0], foot[1] - 105.0)], BLUE, 3.0, arrow=True),
        Words(foot[0] - 107, foot[1] + 16, "y left", "middle", BLUE),
        Words(foot[0] + 6, foot[1] - 92, "z up", "start", BLUE),
        Stroke(arc(*foot, 150.0, 88.0, 55.0), ORANGE, 2.5, arrow=True),
        Words(foot[0] + 42, 90, "+ roll, lean:", "start", ORANGE),
        Words(foot[0] + 74, 107, "to the right", "start", ORANGE),
        Words(max(4.0, head(lean)[0] - 30), head(lean)[1] - 10, f"left-hand bend: {math.degrees(lean):.0f}°"),
        Words(4, HEIGHT - 4, "seen from behind; x points away from you"),
    ]
    return View(
        "behind",
        "From behind",
        "Rear view: y to the left, z up, roll positive to the right; in a left-hand bend lean is "
        f"{math.degrees(lean):.0f} "
        "degrees.",
        tuple(shapes),
    )


def _from_above(interface: Interface) -> View:
    rear = (150.0, HEIGHT - 45.0)
    front = (150.0, 95.0)
    turned = math.radians(20.0)
    wheel = (front[0] - 26.0 * math.sin(turned), front[1] - 26.0 * math.cos(turned))
    back = (front[0] + 26.0 * math.sin(turned), front[1] + 26.0 * math.cos(turned))
    shapes: list[Shape] = [
        Stroke([rear, front], INK, _LIMB),
        Stroke([(rear[0], rear[1] + 26.0), (rear[0], rear[1] - 26.0)], INK, 9.0),
        Stroke([back, wheel], INK, 9.0),
        Stroke([rear, (rear[0], rear[1] - 80.0)], BLUE, 3.0, arrow=True),
        Stroke([rear, (rear[0] - 80.0, rear[1])], BLUE, 3.0, arrow=True),
        Words(rear[0] + 8, rear[1] - 62, "x forward", "start", BLUE),
        Words(rear[0] - 84, rear[1] - 8, "y left", "start", BLUE),
        Stroke(arc(*front, 62.0, 90.0, 140.0), ORANGE, 2.5, arrow=True),
        Words(4, 16, "+ steering angle and torque, yaw,", "start", ORANGE),
        Words(4, 33, "yaw rate: to the left", "start", ORANGE),
        Stroke([(262.0, 210.0), (262.0, 140.0)], GREY, 2.0, arrow=True),
        Stroke([(262.0, 210.0), (326.0, 210.0)], GREY, 2.0, arrow=True),
        Words(262, 133, "north", "middle"),
        Words(330, 226, "east", "end"),
        Stroke(arc(262.0, 210.0, 46.0, 0.0, 78.0), BLUE, 2.0, arrow=True),
        Words(WIDTH - 2, 158, "heading", "end", BLUE),
        Stroke(arc(262.0, 210.0, 26.0, 90.0, 8.0), ORANGE, 2.0, "4 3", arrow=True),
        Words(256, 196, "course", "end", ORANGE),
        Words(4, HEIGHT - 4, "seen from above; z points at you"),
    ]
    return View(
        "above",
        "From above",
        "Top view: x forward, y to the left; steering, yaw and yaw rate positive to the left; headings "
        "from east "
        "anticlockwise, a GNSS course from north clockwise.",
        tuple(shapes),
    )
