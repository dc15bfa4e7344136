"""Records in a browser, without a bench: runs, their reports, the guide, and one run shown again."""

from __future__ import annotations

import asyncio
import contextlib
import secrets
import time
from collections.abc import Callable, Coroutine, Mapping, Sequence
from pathlib import Path
from typing import Any

import uvloop
from pydantic import ValidationError

from emulator.assembly.provenance import session_of_record
from emulator.config.rig.shown.console import USUAL_PORT
from emulator.console.access import OperatorDesk, Watchers
from emulator.console.app import Service
from emulator.console.facts import facts_of
from emulator.console.live_margins import LiveMargins
from emulator.console.moments import Observer
from emulator.console.pages import Pages
from emulator.console.player import Player
from emulator.console.process import Beside, criteria_of
from emulator.console.server import Address, listen, serve
from emulator.console.stream import Stream
from emulator.core.errors import ConfigError, RecordError
from emulator.core.frame_buffer import MAX_DATA
from emulator.criteria.base import Criterion
from emulator.record.reader import Run, read_run
from emulator.record.writer import MANIFEST_FILE
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.layout import Sizes

_HOST = "127.0.0.1"


def serve_records(paths: Sequence[Path], port: int | None, from_s: float, say: Callable[[str], None]) -> None:
    """Serve until Ctrl-C, on this machine alone.

    paths   run folders and folders of run folders; a single run is shown again on the live page
    port    None: the usual one; 0: any free one
    from_s  scenario time [s] from which a single run is shown

    Raises StartFailed where the port is taken, RecordError for a single run that can't be read.
    """
    with contextlib.ExitStack() as opened:
        single = paths[0] if len(paths) == 1 and (paths[0] / MANIFEST_FILE).is_file() else None
        run = None if single is None else read_run(single)
        entrance = opened.enter_context(listen(_HOST, USUAL_PORT if port is None else port))
        address = Address(_HOST, entrance.getsockname()[1])
        snapshot = opened.enter_context(contextlib.closing(Snapshot.create(Sizes(data_bytes=MAX_DATA))))
        say(f"live page, on this machine alone: {address.url()}")
        with contextlib.suppress(KeyboardInterrupt):
            uvloop.run(_serve(paths, run, from_s, snapshot, entrance, address))


async def _serve(
    paths: Sequence[Path], run: Run | None, from_s: float, snapshot: Snapshot, entrance: Any, address: Address
) -> None:
    began_s = time.monotonic()
    desk = OperatorDesk(None, secrets.token_hex(16), {})
    beside: list[Coroutine[Any, Any, None]] = []
    stream, facts, manifest = None, None, None
    if run is not None:
        manifest = run.manifest
        margins = LiveMargins(_criteria(manifest), manifest)
        facts = _facts(run, margins)
        player = Player(run, snapshot)
        player.begin(from_s)
        stream = Stream(Observer(snapshot, margins), Beside(desk, began_s))
        beside = [stream.run(), player.play()]
    service = Service(Pages(paths, manifest, facts), facts, stream, desk, Watchers(None), _nobody, began_s)
    await serve(service, entrance, address, beside or [_for_ever()])


def _facts(run: Run, margins: LiveMargins) -> dict[str, Any]:
    try:
        session = session_of_record(run.folder, run.manifest)
    except (RecordError, ConfigError):
        session = None
    return facts_of(run.manifest, session, margins.facts(), name=run.folder.name, played=True)


def _criteria(manifest: Mapping[str, Any]) -> list[Criterion]:
    """Of the record's scenario; none where this version does not know them."""
    try:
        return criteria_of(manifest["scenario"]["criteria"])
    except (KeyError, TypeError, ValidationError):
        return []


def _nobody(_message: Mapping[str, Any]) -> None:
    """There is no supervisor to tell."""


async def _for_ever() -> None:
    await asyncio.Event().wait()
