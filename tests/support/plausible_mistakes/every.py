"""All of them: a hundred, written before the messages that answer them, and the files they are made in."""

from pathlib import Path

from tests.support.plausible_mistakes import line_clients, units
from tests.support.plausible_mistakes.line_clients import LINE_CLIENTS
from tests.support.plausible_mistakes.mistake import Mistake
from tests.support.plausible_mistakes.names import NAMES
from tests.support.plausible_mistakes.points import POINTS
from tests.support.plausible_mistakes.rigs import RIGS
from tests.support.plausible_mistakes.software import MINE, SOFTWARE
from tests.support.plausible_mistakes.typed import TYPED
from tests.support.plausible_mistakes.units import UNITS
from tests.support.plausible_mistakes.vehicles import VEHICLES

_OWN_ROBOT = (Path(__file__).parents[3] / "scenarios/rigs/own_robot.yaml").read_text()
_OWN = {"rigs/mine.yaml": _OWN_ROBOT, "mine.py": MINE}
_CLIENT = {"rigs/mine.yaml": line_clients.RIG, "robots/mine.py": line_clients.CLIENT}
_UNIT = {"rigs/mine.yaml": units.RIG, units.MODEL: units.DESCRIPTION, units.BINARY: "x"}
GROUPS: tuple[tuple[list[Mistake], dict[str, str]], ...] = (
    (RIGS, _OWN),
    (NAMES, {}),
    (SOFTWARE, _OWN),
    (LINE_CLIENTS, _CLIENT),
    (UNITS, _UNIT),
    (POINTS, {}),
    (VEHICLES, {}),
    (TYPED, _OWN),
)
"""Mistakes, with the sound files beside the shipped ones that they are made in."""
EVERY = [(mistake, sound) for mistakes, sound in GROUPS for mistake in mistakes]
