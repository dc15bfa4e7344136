"""Quantities that scenario and circuit files share: stations, times, UTC, names of signals."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Annotated, TypeAlias

from pydantic import BeforeValidator, Field

from emulator.config.validation import Words, wrong
from emulator.config.yaml_source import show

_FIRST_YEAR, _LAST_YEAR = 1981, 2078


def _utc(value: object) -> object:
    if isinstance(value, datetime):
        return value
    example = "expected a time with zone such as 2027-05-01T09:30:00Z"
    if not isinstance(value, str):
        raise wrong(f"{example}, got {show(value)}")
    try:
        moment = datetime.fromisoformat(value)
    except ValueError:
        raise wrong(f"{example}, got {show(value)}") from None
    if moment.tzinfo is None:
        raise wrong(f"{example}, got {show(value)}, which has no zone; add Z for UTC")
    try:
        utc = moment.astimezone(UTC)
    except OverflowError:
        raise wrong(f"{example}, got {show(value)}") from None
    if not _FIRST_YEAR <= utc.year <= _LAST_YEAR:
        raise wrong(
            f"expected a year from {_FIRST_YEAR} to {_LAST_YEAR} (GPS time began in 1980, and GNSS sentences "
            f"give two digits of the year), got {show(value)}"
        )
    return utc


def _leap_day(value: object) -> object:
    if isinstance(value, date):
        return value
    example = "expected the date of a month's last day such as 2028-06-30, which then ends with second 60"
    try:
        day = date.fromisoformat(value) if isinstance(value, str) else None
    except ValueError:
        day = None
    if day is None or (day + timedelta(days=1)).day != 1:
        raise wrong(f"{example}, got {show(value)}")
    return day


LeapDay: TypeAlias = Annotated[
    date, BeforeValidator(_leap_day), Words("the date of a month's last day such as 2028-06-30")
]
UtcTime: TypeAlias = Annotated[
    datetime, BeforeValidator(_utc), Words("a time with zone such as 2027-05-01T09:30:00Z")
]
Station: TypeAlias = Annotated[float, Field(ge=0, le=100_000)]
Duration: TypeAlias = Annotated[float, Field(gt=0, le=86_400)]
FromTime: TypeAlias = Annotated[float, Field(ge=0, le=86_400)]


def either(one: str, value: float | None, other: str, other_value: float | None) -> None:
    """Exactly one of two keys is given."""
    if (value is None) == (other_value is None):
        raise wrong(f"expected either {one} or {other}, got {'none of them' if value is None else 'both'}")


def left_of(left_m: float, right_m: float) -> None:
    """A stretch across the road has a width."""
    if left_m <= right_m:
        raise wrong(
            f"expected more than right_m ({right_m:g}; offsets are positive to the left), got {left_m:g}",
            "left_m",
        )
