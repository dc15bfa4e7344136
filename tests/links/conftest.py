"""Fixtures of the link tests, and a guard: no test may leave a descriptor or a thread behind."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest

from tests.support.link_ends import SerialAdapter, VirtualBus, open_descriptors


@pytest.fixture(autouse=True)
def nothing_leaks() -> Iterator[None]:
    """Descriptors and threads after the test are those from before it."""
    descriptors = open_descriptors()
    threads = set(threading.enumerate())
    yield
    left = {k: v for k, v in open_descriptors().items() if descriptors.get(k) != v}
    assert not left, f"descriptors left open: {left}"
    assert set(threading.enumerate()) <= threads, "threads left running"


@pytest.fixture
def virtual_bus() -> Iterator[VirtualBus]:
    bus = VirtualBus()
    yield bus
    bus.stop()


@pytest.fixture
def serial_adapter() -> Iterator[SerialAdapter]:
    adapter = SerialAdapter()
    yield adapter
    adapter.close()
