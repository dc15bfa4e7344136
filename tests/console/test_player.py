"""A record shown again is seen as it was when it was ridden."""

from __future__ import annotations

from contextlib import closing

import pytest

from emulator.console.live_margins import LiveMargins
from emulator.console.moments import Observer
from emulator.console.player import Player
from emulator.record.reader import Run, read_run
from emulator.shared_memory.block import Snapshot
from tests.support.live_page import MANIFEST
from tests.support.stored_runs import unpack_runs


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    return read_run(unpack_runs(tmp_path_factory.mktemp("stored")) / "bench")


def test_it_is_seen_as_it_was(run: Run) -> None:
    with closing(Snapshot.create()) as snapshot:
        looking = Observer(snapshot, LiveMargins([], MANIFEST))
        player = Player(run, snapshot)
        player.begin(1.0)
        player.go_on(0.5)
        moment, rows = looking.look(0.0)
        row = int((run.tick == 1499).argmax())
        assert moment["time_s"] == 1.499
        assert moment["speed"] == pytest.approx(run.signal("truth.speed_m_s")[row], rel=1e-4)
        assert moment["state"] == "running"
        assert moment["armed"]
        assert len(rows.time_s) == 50
        sent = (run.frames.direction == 1) & (run.frames.tick > 1000) & (run.frames.tick <= 1499)
        assert sum(count for _, count, *_ in moment["sent"]) == pytest.approx(int(sent.sum()), abs=5)
        assert all(0.0 <= age < 500.0 for *_, age, _worst in moment["sent"] if age is not None)


def test_its_events_come_in_their_time_and_it_ends(run: Run) -> None:
    with closing(Snapshot.create()) as snapshot:
        looking = Observer(snapshot, LiveMargins([], MANIFEST))
        player = Player(run, snapshot)
        player.begin(-1000.0)
        while not player.over:
            player.go_on(1.0)
            looking.look(0.0)
        count, events = looking.events_since(0)
        texts = [event["text"] or event["kind"] for event in events]
        assert count == len(run.events) + 1
        assert texts[1:] == [event.text or event.name for event in run.events]
