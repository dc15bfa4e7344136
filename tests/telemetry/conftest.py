"""The broker of the tests, up or not, and what a run shares with its telemetry."""

from contextlib import closing
from types import SimpleNamespace

import pytest

from emulator.shared_memory.block import Snapshot
from tests.support.mosquitto_broker import Mosquitto


@pytest.fixture(scope="session")
def mosquitto_home(tmp_path_factory):
    """Certificates and passwords take a second: once for all tests."""
    return Mosquitto(tmp_path_factory.mktemp("mosquitto"))


@pytest.fixture
def mosquitto(mosquitto_home):
    """A broker that is up."""
    mosquitto_home.begin()
    yield mosquitto_home
    mosquitto_home.end()


@pytest.fixture
def shared():
    """A snapshot as the loop would fill it, and what the screen was told."""
    with closing(Snapshot.create()) as snapshot:
        yield SimpleNamespace(snapshot=snapshot, said=[])
