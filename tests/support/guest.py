"""Guests with a Linux of their own: what they need on this machine."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path

import pytest

RUN_IN_SOCKETCAN = Path(__file__).with_name("run-in-socketcan.sh")

IN_GUEST = Path(__file__).with_name("in_guest")


def of_guest(environment: Mapping[str, str]) -> dict[str, str]:
    """The environment with all that Python needs in the guest to have its memory in place."""
    path = (str(IN_GUEST), environment.get("PYTHONPATH", ""))
    return {**environment, "PYTHONMALLOC": "malloc", "PYTHONPATH": os.pathsep.join(filter(None, path))}


def provide_guest() -> None:
    """Have what the SocketCAN guest needs on this machine."""
    packages = subprocess.run(
        [str(RUN_IN_SOCKETCAN), "-p"], capture_output=True, text=True, check=True
    ).stdout.split()
    provide(["linux.uml", "kmod", "ip", *(["gcc"] if "gcc" in packages else [])], packages)


def provide(programs: Sequence[str], packages: Sequence[str]) -> None:
    """Install a guest's packages where we may; else say how."""
    if all(shutil.which(program) for program in programs):
        return
    advice = f"as root: apt-get install {' '.join(packages)}"
    if os.geteuid() != 0 or shutil.which("apt-get") is None:
        pytest.fail(f"the SocketCAN tests need a guest; {advice}")
    install = ["apt-get", "install", "-y", "-qq", "--no-install-recommends", *packages]
    for command in (["apt-get", "update", "-qq"], install):
        done = subprocess.run(
            command,
            env={**os.environ, "DEBIAN_FRONTEND": "noninteractive"},
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode:
            pytest.fail(f"{' '.join(command)} failed ({done.stderr.strip()[-300:]}); {advice}")
