"""Descriptions that tests look at: of the demo bench, and of one whose DBC is laid out in every other way."""

from __future__ import annotations

from pathlib import Path

import pytest

from emulator.inspection.interface.derive import Described, interface_of
from emulator.inspection.interface.description import Interface
from tests.support.odd_rig import odd_rig

SCENARIOS = Path(__file__).parents[3] / "scenarios"
RIG, STRAIGHT = SCENARIOS / "rigs" / "loopback.yaml", SCENARIOS / "runs" / "straight.yaml"


@pytest.fixture(scope="session")
def demo() -> Interface:
    """The demo bench."""
    return interface_of(RIG).interface


@pytest.fixture(scope="session")
def ridden() -> Described:
    """The demo bench with a scenario."""
    return interface_of(RIG, STRAIGHT)


@pytest.fixture(scope="session")
def odd(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Rig file of the odd bench."""
    return odd_rig(tmp_path_factory.mktemp("odd"))


@pytest.fixture(scope="session")
def odd_description(odd: Path) -> Described:
    """The odd bench with a scenario."""
    return interface_of(odd, odd.parent.parent / "runs" / "straight.yaml")
