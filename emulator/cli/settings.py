"""``--set NAME=NUMBER``, as several commands take it."""

from __future__ import annotations

import math
from typing import Annotated, TypeAlias

import typer

Settings: TypeAlias = Annotated[
    list[str] | None,
    typer.Option(
        "--set", metavar="NAME=NUMBER", help="value of a parameter of the scenario; may be repeated"
    ),
]


def parameter_values(settings: list[str] | None) -> dict[str, int | float]:
    """Values by name of --set NAME=NUMBER. Raises typer.BadParameter."""
    values: dict[str, int | float] = {}
    for text in settings or []:
        name, equals, number = (part.strip() for part in text.partition("="))
        try:
            value = int(number) if number.lstrip("+-").isdecimal() else float(number)
        except ValueError:
            value = math.nan
        if not (name and equals and math.isfinite(value)):
            raise typer.BadParameter(f"--set: expected NAME=NUMBER, such as wet_grip=0.5, got {text!r}")
        if name in values:
            raise typer.BadParameter(f"--set: {name} is set twice")
        values[name] = value
    return values
