"""The supervisor's side of a live page: starts its process, takes what pages ask for, tells how it ended.

What a page can ask for is the list below and nothing else. No line can arm a bench or let a ride start: the
local enable is given at the bench's own terminal (emulator.stages.bench.operator).
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import secrets
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from emulator.assembly.provenance import manifest_of
from emulator.assembly.session import Session
from emulator.config.rig.shown.console import Console, Tokens
from emulator.console.facts import facts_of
from emulator.console.live_margins import LiveMargins
from emulator.console.server import Address, listen
from emulator.core.errors import RunFailed
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.status import Command
from emulator.verdict.judge import numbered

_READ_BYTES = 1 << 16
_LONGEST_LINE = 1 << 12
_LEAVE_S = 5.0
_TOKEN_NAME = "operator-token"
Say = Callable[[str], None]


class LivePage:
    """The page of one run. ``beside`` is what the supervisor runs next to it; ``close`` ends its process.

    address  where its socket, which is open already, is asked
    folder   of the run
    """

    def __init__(
        self,
        session: Session,
        folder: Path,
        settings: Console,
        files: Mapping[str, str],
        tokens: Tokens,
        say: Say,
    ) -> None:
        self._session, self._folder, self._settings, self._say = session, folder, settings, say
        self._entrance = listen(settings.host, settings.port)
        self.address = Address(
            settings.host,
            self._entrance.getsockname()[1],
            settings.names,
            files.get("certificate_file"),
            files.get("key_file"),
        )
        self._made: Path | None = None
        if tokens.operator is None:
            tokens = Tokens(secrets.token_urlsafe(24), tokens.watch)
            self._made = Path(tempfile.mkdtemp(prefix="live-page-"))
            descriptor = os.open(self._made / _TOKEN_NAME, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(descriptor, "w") as file:
                file.write(f"{tokens.operator}\n")
        self._tokens = tokens
        self._process: subprocess.Popen[bytes] | None = None
        self._rest = b""
        self._marks = 0
        self._said_full = False

    def greeting(self) -> list[str]:
        """What the terminal says of it."""
        lines = [f"live page: {self.address.url()}"]
        if self._made is not None:
            lines.append(f"its operator's token, for this run only: in {self._made / _TOKEN_NAME}")
        return lines

    async def beside(self, snapshot: Snapshot) -> None:
        """Serve and take requests until cancelled; the page stays until ``close``."""
        logs = self._folder.parent / f".{self._folder.name}.logs"
        job = await asyncio.to_thread(self._job, snapshot.fd)
        with (logs / "console.log").open("wb") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "emulator.console.process"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=log,
                pass_fds=(snapshot.fd, self._entrance.fileno()),
                start_new_session=True,  # Ctrl-C is the supervisor's to handle
            )
        self._entrance.close()
        await asyncio.to_thread(self.tell, job)
        assert self._process.stdout is not None
        descriptor = self._process.stdout.fileno()
        os.set_blocking(descriptor, False)
        ended = asyncio.Event()
        loop = asyncio.get_running_loop()
        loop.add_reader(descriptor, self._read, descriptor, snapshot, ended)
        try:
            await ended.wait()
            self._say("the live page is gone; the ride goes on")
        finally:
            loop.remove_reader(descriptor)

    def _job(self, fd: int) -> dict[str, Any]:
        session = self._session
        manifest = manifest_of(session, stage="bench")
        criteria = numbered(session.scenario.criteria)
        told = LiveMargins(criteria, manifest).facts()
        return {
            "fd": fd,
            "socket": self._entrance.fileno(),
            "address": asdict(self.address),
            "cpus": sorted(session.other_cpus),
            "operator_token": self._tokens.operator,
            "token_folder": None if self._made is None else str(self._made),
            "watch_token": self._tokens.watch,
            "events": session.asked_events,
            "manifest": manifest,
            "criteria": [one.model_dump(mode="json") for one in criteria],
            "facts": facts_of(manifest, session, told, name=self._folder.name),
            "runs": [str(self._folder.parent)],
        }

    def _read(self, descriptor: int, snapshot: Snapshot, ended: asyncio.Event) -> None:
        try:
            data = os.read(descriptor, _READ_BYTES)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            asyncio.get_running_loop().remove_reader(descriptor)
            ended.set()
            return
        *lines, self._rest = (self._rest + data).split(b"\n")
        self._rest = self._rest[-_LONGEST_LINE:]
        for line in lines:
            with contextlib.suppress(ValueError):
                message = json.loads(line)
                if isinstance(message, dict):
                    self._take(message, snapshot)

    def _take(self, message: Mapping[str, Any], snapshot: Snapshot) -> None:
        """What a page asks for, if it is one of these."""
        what, event = message.get("do"), message.get("event")
        names = {number: name for name, number in self._session.asked_events.items()}
        if what == "stop":
            self._post(snapshot, Command.STOP, 0.0, "stop asked for on the live page")
        elif what in ("start", "end") and event in names:
            command = Command.START_EVENT if what == "start" else Command.END_EVENT
            self._post(snapshot, command, float(event), f"{what} {names[event]} asked for on the live page")
        elif what == "mark":
            self._marks += 1
            self._post(snapshot, Command.MARK, float(self._marks), f"mark {self._marks} on the live page")
        elif what == "silent":
            stops = self._settings.silent_operator == "stop"
            self._say(f"the operator's page says nothing{': the ride is stopped' if stops else ''}")
            if stops:
                self._post(snapshot, Command.STOP, 0.0, "")
        elif what == "acknowledge":
            self._say("the trip was acknowledged on the live page")
        elif isinstance(message.get("say"), str):
            self._say(f"live page: {message['say']}")

    def _post(self, snapshot: Snapshot, command: Command, argument: float, said: str) -> None:
        try:
            snapshot.post(command, argument)
        except RunFailed as error:
            said = "" if self._said_full else error.what
            self._said_full = True
        if said:
            self._say(said)

    def tell(self, message: Mapping[str, Any]) -> None:
        """Tell the page's process; one that is gone is told nothing."""
        if self._process is not None and self._process.stdin is not None:
            with contextlib.suppress(OSError, ValueError):
                self._process.stdin.write(json.dumps(message, allow_nan=False).encode() + b"\n")
                self._process.stdin.flush()

    def tell_result(self, result: str, reason: str) -> None:
        """What the ride came to, once it is judged."""
        self.tell({"result": {"result": result, "reason": reason, "run": self._folder.name}})

    def close(self) -> None:
        """Say farewell and end the process. Safe to call twice."""
        self._entrance.close()
        self.tell({"farewell": True})
        if self._process is not None:
            with contextlib.suppress(OSError):
                assert self._process.stdin is not None
                self._process.stdin.close()
            try:
                self._process.wait(_LEAVE_S)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
            if self._process.stdout is not None:
                self._process.stdout.close()
            self._process = None
        if self._made is not None:
            shutil.rmtree(self._made, ignore_errors=True)
