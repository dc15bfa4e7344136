import pytest

from emulator.assembly.session import Session
from tests.support.scripted_robot import Ride


@pytest.fixture
def ride(session: Session) -> Ride:
    return Ride(session)
