"""What tests of several packages ride: the demo bench, and a made-up record."""

from __future__ import annotations

import gc
import os
import shutil
from collections import Counter
from collections.abc import Callable, Generator
from pathlib import Path
from typing import TYPE_CHECKING

os.environ["OPENBLAS_NUM_THREADS"] = "1"  # as the command line has it; before numpy is imported

import pytest
from hypothesis import settings

from emulator.assembly.session import Session
from emulator.core.collector import seldom_collect
from tests.support.made_once import made_once
from tests.support.made_up_ride import record_ride
from tests.support.scripted_robot import demo_session

if TYPE_CHECKING:
    from tests.support.ridden_once import RiddenOnce

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
    """Whoever looks for garbage from now on need not go through what was there before the first test."""
    gc.freeze()
    gc.set_threshold(10_000, 10, 10)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(
    item: pytest.Item, nextitem: pytest.Item | None
) -> Generator[None, object, object]:
    """Behind a file in which a run on the bench ended, and unfroze all there is, it is frozen again.

    What is garbage by then is found before, as it would have been.
    """
    done = yield
    if (nextitem is None or nextitem.path != item.path) and not gc.get_freeze_count():
        gc.collect()
        gc.freeze()
    return done


@pytest.fixture(scope="session")
def session() -> Session:
    """The demo bench, checked and built once; the first tick of the whole test run compiles the plant."""
    return demo_session()


@pytest.fixture(scope="session", autouse=True)
def _folder_of_all_workers(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Where what is made once lies, whichever worker makes it."""
    folder = tmp_path_factory.getbasetemp()
    made_once.folder = (folder.parent if "PYTEST_XDIST_WORKER" in os.environ else folder) / "made_once"


@pytest.fixture(scope="session")
def ridden_once() -> RiddenOnce:
    """Virtual rides that no two tests ride both, whichever worker they are on."""
    from tests.support.ridden_once import ridden_once

    return ridden_once


@pytest.fixture(scope="session")
def made_up_rides(tmp_path_factory: pytest.TempPathFactory) -> Callable[[float, float], Path]:
    """Made-up rides that nobody changes, by length and limit: each is recorded once."""
    rides: dict[tuple[float, float], Path] = {}

    def recorded(seconds: float, limit_m: float) -> Path:
        if (seconds, limit_m) not in rides:
            folder = tmp_path_factory.mktemp("made_up") / "run"
            rides[seconds, limit_m] = record_ride(folder, seconds, limit_m)
        return rides[seconds, limit_m]

    return recorded


@pytest.fixture
def ride_folder(made_up_rides: Callable[[float, float], Path], tmp_path: Path) -> Callable[..., Path]:
    """Puts a made-up ride into a fresh folder: ``ride_folder(seconds=20.0, limit_m=2.0)``."""

    def make(seconds: float = 20.0, limit_m: float = 2.0) -> Path:
        return Path(shutil.copytree(made_up_rides(seconds, limit_m), tmp_path / "run"))

    return make


@pytest.fixture(scope="session")
def whole_ride(made_up_rides: Callable[[float, float], Path]) -> Path:
    """A made-up ride of 20 s that nobody changes."""
    return made_up_rides(20.0, 2.0)
