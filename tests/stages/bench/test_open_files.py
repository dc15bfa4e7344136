from __future__ import annotations

import resource

import pytest

from emulator.core.errors import StartFailed
from emulator.stages.bench.open_files import NEEDED, WANTED, allow_open_files


class Limits:
    """Of a process: the one that holds and the one it may be raised to."""

    def __init__(self, now: int, most: int, monkeypatch: pytest.MonkeyPatch) -> None:
        self.both = (now, most)
        monkeypatch.setattr(resource, "getrlimit", lambda _which: self.both)
        monkeypatch.setattr(resource, "setrlimit", lambda _which, both: setattr(self, "both", both))


@pytest.mark.parametrize(
    ("now", "most", "after"),
    [
        (30, 4096, WANTED),
        (30, resource.RLIM_INFINITY, WANTED),
        (30, 100, 100),
        (WANTED, 4096, WANTED),
        (4096, 4096, 4096),
        (resource.RLIM_INFINITY, resource.RLIM_INFINITY, resource.RLIM_INFINITY),
    ],
)
def test_the_limit_is_raised_as_far_as_it_may_be(
    now: int, most: int, after: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    limits = Limits(now, most, monkeypatch)
    allow_open_files()
    assert limits.both == (after, most)


def test_too_few_are_refused_with_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    Limits(20, NEEDED - 1, monkeypatch)
    with pytest.raises(
        StartFailed, match=r"may have 63 files open, a bench run needs 64[\s\S]*ulimit -n 1024"
    ):
        allow_open_files()
