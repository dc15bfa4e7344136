"""What tests of several packages ride: the demo bench, and a made-up record."""

from __future__ import annotations

import gc
import os
from collections import Counter
from collections.abc import Callable, Generator
from pathlib import Path

os.environ["OPENBLAS_NUM_THREADS"] = "1"  # as the command line has it; before numpy is imported

import pytest
from hypothesis import settings

from emulator.assembly.session import Session
from emulator.core.collector import seldom_collect
from tests.support.made_up_ride import record_ride
from tests.support.scripted_robot import demo_session

settings.register_profile("untimed", deadline=None)  # how long an example takes is the host's affair
settings.load_profile("untimed")
seldom_collect()  # as the command line does: what ten thousand tests and their libraries are made of stays


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(
    collector: pytest.Collector,
) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """Of workers that share the tests every other one reads them from the last to the first.

    Where pytest has not yet kept what it makes of the sources, each then makes half of it and finds the rest
    made by the other.
    """
    report = yield
    worker = getattr(collector.config, "workerinput", {}).get("workerid", "gw0")
    if int(worker.removeprefix("gw")) % 2 and isinstance(collector, pytest.Directory):
        report.result.reverse()
    return report


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Where several share the tests, a file to one worker: files with slow ones come first, then long ones.

    What comes last is short, so no core waits long for another.
    """
    if not hasattr(config, "workerinput"):
        return
    tests = Counter(item.path for item in items)
    slow = {item.path for item in items if item.get_closest_marker("slow")}
    items.sort(key=lambda item: (item.path not in slow, -tests[item.path], item.path))


def pytest_collection_finish() -> None:
    """Whatever looks for circles of references from now on passes over libraries and tests."""
    gc.freeze()


@pytest.fixture(scope="session")
def session() -> Session:
    """The demo bench, checked and built once; the first tick of the whole test run compiles the plant."""
    return demo_session()


@pytest.fixture
def ride_folder(tmp_path: Path) -> Callable[..., Path]:
    """Records a made-up ride in a fresh folder: ``ride_folder(seconds=20.0, limit_m=2.0)``."""

    def make(seconds: float = 20.0, limit_m: float = 2.0) -> Path:
        return record_ride(tmp_path / "run", seconds, limit_m)

    return make


@pytest.fixture(scope="session")
def whole_ride(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A made-up ride of 20 s that nobody changes."""
    return record_ride(tmp_path_factory.mktemp("whole") / "run", 20.0)
