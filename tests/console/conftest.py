"""One page for the tests that leave nothing behind on it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.live_page import Served, served


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with served(tmp_path_factory.mktemp("runs")) as one:
        one.cycle()
        yield one


@pytest.fixture
def fresh_page(tmp_path: Path) -> Iterator[Served]:
    """One of its own, for a test that sits on the operator's seat or fills it with viewers."""
    with served(tmp_path) as one:
        one.cycle()
        yield one
