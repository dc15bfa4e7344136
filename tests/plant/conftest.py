import pytest
from scripted_robot import Ride, demo_session

from emulator.rig.session import Session


@pytest.fixture(scope="session")
def session() -> Session:
    """The demo bench, checked and built once; the first tick of the whole test run compiles the plant."""
    return demo_session()


@pytest.fixture
def ride(session: Session) -> Ride:
    return Ride(session)
