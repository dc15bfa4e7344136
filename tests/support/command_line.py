"""The command line in this process, and proof that it starts nothing."""

from __future__ import annotations

import multiprocessing.process
import os
import re
import socket
import subprocess
import sys
from typing import NamedTuple

import pytest

import emulator.runs.one
from emulator.cli import app as cli

TOLD = re.compile(r"(?P<file>[^:\n]+):(?P<line>\d+):(?P<column>\d+): (?P<text>.+)")


class Said(NamedTuple):
    """One problem or warning as it was printed."""

    file: str
    line: int
    column: int
    text: str


def said(text: str) -> list[Said]:
    """Problems and warnings in what the command line printed."""
    found = [TOLD.fullmatch(line) for line in text.splitlines()]
    return [Said(m["file"], int(m["line"]), int(m["column"]), m["text"]) for m in found if m]


def emulator_command(*words: str) -> int:
    """The command line in this process; returns its exit status."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "argv", ["emulator", *words])
        with pytest.raises(SystemExit) as ended:
            cli.app()
    return int(ended.value.code or 0)


def let_nothing_start(monkeypatch: pytest.MonkeyPatch) -> None:
    """From now on it is an error to begin a ride, a process, a socket's service, or a pseudo terminal."""

    def never(*_: object, **__: object) -> None:
        raise AssertionError("something was started")

    monkeypatch.setattr(emulator.runs.one, "ride", never)
    monkeypatch.setattr(multiprocessing.process.BaseProcess, "start", never)
    monkeypatch.setattr(subprocess.Popen, "__init__", never)
    monkeypatch.setattr(socket.socket, "bind", never)
    monkeypatch.setattr(socket.socket, "connect", never)
    monkeypatch.setattr(os, "openpty", never)
