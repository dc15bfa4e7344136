"""The data sheet that a vehicle file is made from: what a maker prints, and what somebody measured besides.

Bounds are what a motorcycle can be; they are common practice, no source.
"""

from __future__ import annotations

import math
import os
import re
from collections.abc import Iterator
from typing import Annotated, Literal, NamedTuple, TypeAlias

from pydantic import AfterValidator, Field

from emulator.config.another_way import AnotherWay
from emulator.config.based_on import load_with_bases
from emulator.config.field_types import Name
from emulator.config.validation import Closed, Words, validate, wrong
from emulator.config.yaml_source import Loc, Source
from emulator.core.errors import ConfigError
from emulator.vehicle.driveline import TOP_GEAR

_SIZE = re.compile(r"([0-9]{2,3})\s*/\s*([0-9]{2,3})\s*(?:-|Z?R|B)?\s*([0-9]{2})", re.IGNORECASE)
_RPM = math.pi / 30.0
_NEXT_TO_THE_SAME = 0.99  # ratio of a gear that is not there, over that of the one before
_PRINTED = 1.01  # what a data sheet's rounding may hide


class TyreSize(NamedTuple):
    """What a size such as 120/70-17 says: width [m], outer radius [m], unloaded."""

    width: float
    radius: float


def tyre_size(size: str) -> TyreSize:
    """A size in metric designation. Raises ValueError.

    Width in mm, height over width in per cent, rim in inches: radius = rim / 2 + width * height. Source: the
    designation's definition (ISO 5751-1, from memory).
    """
    found = _SIZE.fullmatch(size.strip())
    if found is None:
        raise ValueError(size)
    width, share, rim = (int(part) for part in found.groups())
    return TyreSize(width * 1e-3, 0.5 * rim * 25.4e-3 + width * share * 1e-5)


def _tyre(text: str) -> str:
    try:
        size = tyre_size(text)
    except ValueError:
        raise wrong(
            f"expected a size such as 120/70-17 (width in mm, height over width in %, rim in inches), got "
            f"{text!r}; of a size in inches, such as 3.00-18, write 76/100-18"
        ) from None
    if not (0.04 <= size.width <= 0.3 and 0.2 <= size.radius <= 0.4):
        raise wrong(
            f"expected a tyre 40 to 300 mm wide with a radius of 200 to 400 mm; {text} has "
            f"{size.width * 1e3:.0f} and {size.radius * 1e3:.0f} mm"
        )
    return text.strip()


def _as_many_as_there_are(ratios: tuple[float, ...]) -> tuple[float, ...]:
    if not 1 <= len(ratios) <= TOP_GEAR:
        raise wrong(
            f"expected the ratios of one to six gears, as many as the model has, got {len(ratios)}; of a "
            "gearbox with more leave out the gear that is nearest to its neighbours"
        )
    return ratios


Tyre: TypeAlias = Annotated[str, AfterValidator(_tyre), Words("a tyre size such as 120/70-17")]
Ratio: TypeAlias = Annotated[float, Field(ge=0.3, le=6)]
Gears: TypeAlias = Annotated[
    tuple[Ratio, ...], AfterValidator(_as_many_as_there_are), Words("a list of up to six ratios")
]
Rpm: TypeAlias = Annotated[float, Field(ge=2000, le=25_000)]
Teeth: TypeAlias = Annotated[int, Field(ge=9, le=80)]


class DataSheet(Closed):
    """A motorcycle by its data sheet, from which `emulator vehicle new` makes a vehicle file."""

    kind: Literal["data_sheet"]
    name: Name
    """What the vehicle is called in reports."""
    purpose: Name | None = None
    """What the vehicle is for, in one line. Left out: nothing is said."""

    wheelbase_mm: float = Field(ge=900, le=2200)
    """Distance of the two contacts."""
    trail_mm: float = Field(ge=20, le=200)
    """How far the front contact lies behind the point where the steering axis meets the ground."""
    head_angle_deg: Annotated[
        float,
        Field(ge=15, le=45),
        AnotherWay(lambda deg: 90.0 - deg, "from the ground? from the vertical it is {ours}"),
    ]
    """Steering axis from the vertical; a sheet that says 65 counts from the ground: 25."""
    wet_mass_kg: float = Field(ge=40, le=500)
    """Mass ready to ride, without rider or robot."""
    front_share_pct: float = Field(ge=30, le=70)
    """Front wheel's load over both, on level scales, without rider or robot."""
    front_tyre: Tyre
    """Size of the front tyre."""
    rear_tyre: Tyre
    """Size of the rear tyre."""
    power_kW: float = Field(ge=2, le=250)
    """Greatest power at the crankshaft."""
    power_rpm: Rpm
    """Engine speed of the greatest power."""
    torque_Nm: float = Field(ge=3, le=400)
    """Greatest torque at the crankshaft."""
    torque_rpm: Rpm
    """Engine speed of the greatest torque."""
    primary_ratio: Ratio
    """[1] Crankshaft over gearbox input."""
    gear_ratios: Gears
    """[1] Ratios of the gears from the first on, input over output; up to six. Of fewer the model's others
    follow the last one closely."""
    front_sprocket_teeth: Teeth
    """[1] Teeth of the sprocket at the gearbox."""
    rear_sprocket_teeth: Teeth
    """[1] Teeth of the sprocket at the wheel."""

    limiter_rpm: Rpm | None = None
    """Engine speed at which the limiter cuts in. Left out: 7 % above that of the greatest power."""
    idle_rpm: float | None = Field(default=None, ge=500, le=3000)
    """Engine speed that idle control holds. Left out: 1400."""
    drive_loss_pct: float | None = Field(default=None, ge=0, le=25)
    """What of the power is lost between crankshaft and wheel. Left out: 6."""
    chain_pitch_mm: float | None = Field(default=None, ge=6, le=20)
    """Pitch of the chain. Left out: 15.875, five eighths of an inch."""
    centre_of_mass_height_mm: float | None = Field(default=None, ge=200, le=1000)
    """Height of the mass centre, without rider or robot. Left out: 0.37 of the wheelbase."""
    roll_inertia_kg_m2: float | None = Field(default=None, gt=0, le=200)
    """Moment of inertia about the axis ahead through the mass centre. Left out: radius 0.185 wheelbases."""
    pitch_inertia_kg_m2: float | None = Field(default=None, gt=0, le=400)
    """Moment of inertia about the axis across through the mass centre. Left out: radius 0.332 wheelbases."""
    yaw_inertia_kg_m2: float | None = Field(default=None, gt=0, le=400)
    """Moment of inertia about the axis upwards through the mass centre. Left out: radius 0.3 wheelbases."""
    front_wheel_mass_kg: float | None = Field(default=None, ge=2, le=40)
    """Mass of front wheel, tyre and discs. Left out: 6 % of the wet mass."""
    rear_wheel_mass_kg: float | None = Field(default=None, ge=2, le=50)
    """Mass of rear wheel, tyre, disc and sprocket. Left out: 7.3 % of the wet mass."""
    swingarm_length_mm: float | None = Field(default=None, ge=250, le=900)
    """Pivot to rear axle. Left out: 0.41 of the wheelbase."""
    fork_travel_mm: float | None = Field(default=None, ge=60, le=350)
    """Travel of the fork along its legs. Left out: 125."""
    rear_travel_mm: float | None = Field(default=None, ge=50, le=350)
    """Travel of the rear axle. Left out: 135."""
    steering_stop_deg: float | None = Field(default=None, ge=10, le=60)
    """Steering angle to each side at which a stop is met. Left out: 30."""
    largest_lean_deg: float | None = Field(default=None, ge=20, le=70)
    """Lean at which a footpeg touches the road. Left out: 48."""
    drag_area_m2: float | None = Field(default=None, ge=0.1, le=1.5)
    """Drag coefficient times frontal area, with the robot. Left out: 0.4."""
    rolling_resistance: float | None = Field(default=None, ge=0.003, le=0.06)
    """[1] Power that the tyres lose over load and speed. Left out: 0.018."""
    robot_mass_kg: float | None = Field(default=None, ge=0, le=150)
    """Mass of the robot with which springs and tyres stand in the middle of their travel. Left out: 45."""


def load_data_sheet(path: str | os.PathLike[str]) -> tuple[DataSheet, Source]:
    """Read a data sheet. Raises ConfigError with every problem in it, alone and of values together."""
    source = load_with_bases(path, DataSheet)
    sheet = validate(DataSheet, source)
    problems = [source.problem(loc, text) for loc, text in _contradictions(sheet)]
    if problems:
        raise ConfigError(problems)
    return sheet, source


def six_ratios(sheet: DataSheet) -> tuple[float, ...]:
    """Ratios of the model's gears (6,): those beyond the sheet's last one follow it so closely that a change
    into them does next to nothing."""
    told = sheet.gear_ratios
    more = range(1, TOP_GEAR - len(told) + 1)
    return (*told, *(told[-1] * _NEXT_TO_THE_SAME**k for k in more))


def limiter_rpm(sheet: DataSheet) -> float:
    """Where the limiter cuts in, also of a sheet that does not say."""
    return 1.07 * sheet.power_rpm if sheet.limiter_rpm is None else sheet.limiter_rpm


def _contradictions(sheet: DataSheet) -> Iterator[tuple[Loc, str]]:
    yield from _engine_contradictions(sheet)
    for i in range(1, len(sheet.gear_ratios)):
        before, ratio = sheet.gear_ratios[i - 1], sheet.gear_ratios[i]
        if ratio >= before:
            yield (
                ("gear_ratios", i),
                f"expected less than the gear before it ({before:g}): ratios are input over output, that of "
                f"the first gear is the largest; got {ratio:g}",
            )


def _engine_contradictions(sheet: DataSheet) -> Iterator[tuple[Loc, str]]:
    if sheet.torque_rpm >= sheet.power_rpm:
        yield (
            ("torque_rpm",),
            f"expected less than power_rpm ({sheet.power_rpm:g}): torque peaks before power, got "
            f"{sheet.torque_rpm:g}",
        )
        return
    at_power = sheet.power_kW * 1e3 / (sheet.power_rpm * _RPM)
    if at_power > _PRINTED * sheet.torque_Nm:
        yield (
            ("torque_Nm",),
            f"expected at least the {at_power:.4g} N m that {sheet.power_kW:g} kW at {sheet.power_rpm:g} rpm "
            f"takes, got {sheet.torque_Nm:g}; is the power in hp (1 hp = 0.746 kW), or the torque in kgf m?",
        )
    at_torque = sheet.torque_Nm * sheet.torque_rpm * _RPM * 1e-3
    if at_torque > _PRINTED * sheet.power_kW:
        yield (
            ("power_kW",),
            f"expected at least the {at_torque:.4g} kW that {sheet.torque_Nm:g} N m at "
            f"{sheet.torque_rpm:g} rpm makes, got {sheet.power_kW:g}",
        )
    if limiter_rpm(sheet) < 1.03 * sheet.power_rpm:  # the limiter takes the drive away over its last 2 %
        yield (
            ("limiter_rpm",),
            f"expected at least 3 % above power_rpm ({1.03 * sheet.power_rpm:.0f}), got "
            f"{limiter_rpm(sheet):g}",
        )
    if sheet.idle_rpm is not None and sheet.idle_rpm >= 0.6 * sheet.torque_rpm:
        yield (
            ("idle_rpm",),
            f"expected less than 0.6 of torque_rpm ({0.6 * sheet.torque_rpm:.0f}), got {sheet.idle_rpm:g}",
        )
