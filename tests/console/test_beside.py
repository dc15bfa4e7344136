"""The supervisor's side: what a page's process may ask of it, the process itself, and its end."""

from __future__ import annotations

import asyncio
import http.client
import json
import os
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from emulator.assembly.session import Session
from emulator.config.rig.shown.console import Console, Tokens
from emulator.console.beside import LivePage
from emulator.console.process import NICENESS
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.status import Command, LoopState, Status
from tests.support.live_page import row

TOKEN = "operator token of the tests"


@pytest.fixture
def snapshot() -> Iterator[Snapshot]:
    with closing(Snapshot.create()) as one:
        yield one


def page_of(
    session: Session, folder: Path, said: list[str], token: str | None = TOKEN, **settings: Any
) -> LivePage:
    (folder / ".run.logs").mkdir(exist_ok=True)
    rig = Console(port=0, **settings)
    return LivePage(session, folder / "run", rig, {}, Tokens(token), said.append)


def commands(snapshot: Snapshot) -> list[tuple[int, float]]:
    return list(iter(snapshot.pop_command, None))


@pytest.mark.parametrize(
    "message",
    [
        {"do": "arm"},
        {"do": "go"},
        {"do": 1},
        {"do": "start", "event": 99},
        {"do": "start", "event": "0"},
        {"do": "start"},
        {"command": int(Command.ARM)},
        {},
    ],
)
def test_what_is_not_on_the_list_commands_nothing(
    session: Session, tmp_path: Path, snapshot: Snapshot, message: dict[str, Any]
) -> None:
    with closing(page_of(session, tmp_path, [])) as page:
        page._take(message, snapshot)
    assert commands(snapshot) == []


def test_stop_and_marks_are_commanded_and_said(session: Session, tmp_path: Path, snapshot: Snapshot) -> None:
    said: list[str] = []
    with closing(page_of(session, tmp_path, said)) as page:
        for what in ("mark", "mark", "stop", "silent"):
            page._take({"do": what}, snapshot)
    assert commands(snapshot) == [(Command.MARK, 1.0), (Command.MARK, 2.0), (Command.STOP, 0.0)]
    assert said[-1] == "the operator's page says nothing"


def test_a_silent_operator_stops_the_ride_if_the_rig_asks_so(
    session: Session, tmp_path: Path, snapshot: Snapshot
) -> None:
    said: list[str] = []
    with closing(page_of(session, tmp_path, said, silent_operator="stop")) as page:
        page._take({"do": "silent"}, snapshot)
    assert commands(snapshot) == [(Command.STOP, 0.0)]
    assert said == ["the operator's page says nothing: the ride is stopped"]


def test_a_loop_that_takes_nothing_is_said_once(session: Session, tmp_path: Path, snapshot: Snapshot) -> None:
    said: list[str] = []
    with closing(page_of(session, tmp_path, said)) as page:
        for _ in range(100):
            page._take({"do": "stop"}, snapshot)
    assert len([text for text in said if "has not taken" in text]) == 1


def test_a_token_of_its_own_lies_where_only_its_user_reads_it_and_goes_with_the_page(
    session: Session, tmp_path: Path
) -> None:
    page = LivePage(session, tmp_path / "run", Console(port=0), {}, Tokens(), lambda _text: None)
    with closing(page):
        _, line = page.greeting()
        path = Path(line.rpartition(" ")[2])
        assert path.stat().st_mode & 0o077 == 0
        token = path.read_text().strip()
        assert len(token) >= 16
        assert token not in "".join(page.greeting())
    assert not path.exists()


class Asked:
    """The page's process as a browser meets it."""

    def __init__(self, page: LivePage) -> None:
        self.port, self.origin = page.address.port, page.address.url().rstrip("/")

    def __call__(self, method: str, path: str) -> tuple[int, bytes]:
        with closing(http.client.HTTPConnection("127.0.0.1", self.port, timeout=30.0)) as connection:
            connection.request(method, path, b"{}" if method == "POST" else None, {"Origin": self.origin})
            answer = connection.getresponse()
            return answer.status, answer.read()

    def now(self) -> dict[str, Any]:
        """The newest look."""
        with closing(http.client.HTTPConnection("127.0.0.1", self.port, timeout=30.0)) as connection:
            connection.request("GET", "/stream")
            answer = connection.getresponse()
            while not (line := answer.readline()).startswith(b"data: "):
                assert line
            item: dict[str, Any] = json.loads(line.removeprefix(b"data: "))
            return item


def until(condition: Callable[[], Any], seconds: float = 30.0) -> None:
    limit = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < limit
        time.sleep(0.05)


@pytest.mark.slow
def test_the_process_shows_the_ride_asks_for_a_stop_and_outlives_its_supervisor(
    session: Session, tmp_path: Path, snapshot: Snapshot
) -> None:
    said: list[str] = []
    page = page_of(session, tmp_path, said, token=None)
    ask = Asked(page)
    snapshot.status[Status.LOOP_STATE] = LoopState.CYCLING
    for tick in range(20):
        snapshot.write_signals(tick, row())

    async def ride() -> list[tuple[int, float]]:
        beside = asyncio.create_task(page.beside(snapshot))
        try:
            status, body = await asyncio.to_thread(ask, "GET", "/ride")
            assert status == 200
            assert json.loads(body)["scenario"] == session.scenario.name
            snapshot.write_signals(20, row())
            now = await asyncio.to_thread(ask.now)
            assert now["supervisor"] == "there"
            assert (await asyncio.to_thread(ask, "POST", "/stop"))[0] == 200
            taken: list[tuple[int, float]] = []
            while not taken:
                await asyncio.sleep(0.05)
                taken = commands(snapshot)
            return taken
        finally:
            beside.cancel()
            await asyncio.gather(beside, return_exceptions=True)

    with closing(page):
        assert asyncio.run(ride()) == [(Command.STOP, 0.0)]
        assert "stop asked for on the live page" in said
        process = page._process
        assert process is not None
        assert os.getpriority(os.PRIO_PROCESS, process.pid) == NICENESS
        page.tell_result("pass", "every criterion was met")
        until(
            lambda: (
                ask.now()["result"] == {"result": "pass", "reason": "every criterion was met", "run": "run"}
            )
        )
        assert process.stdin is not None
        process.stdin.close()  # as when the supervisor dies
        until(lambda: ask.now()["supervisor"] == "gone")
        assert page._made is not None
        assert not page._made.exists()  # the token was for this run only
        assert process.poll() is None
        process.terminate()
    assert (tmp_path / ".run.logs" / "console.log").read_text() == ""
