import sys
from pathlib import Path

import pytest

# the scripted robot stands with the plant's tests, far ends of a bus with those of the links
sys.path.insert(0, str(Path(__file__).parents[1] / "links"))
sys.path.insert(0, str(Path(__file__).parents[1] / "plant"))

from scripted_robot import demo_session

from emulator.rig.session import Session


@pytest.fixture(scope="session")
def session() -> Session:
    """The demo bench, checked and built once."""
    return demo_session()
