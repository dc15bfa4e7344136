"""The guest on processors with more registers than its kernel has room for (``whole-xstate.c``).

The way round is tried by force, so that it is tried on any processor.
"""

from __future__ import annotations

import ctypes
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.guest import RUN_IN_SOCKETCAN, provide_guest

SCRIPT = str(RUN_IN_SOCKETCAN)
ARITHMETIC = RUN_IN_SOCKETCAN.with_name("guest_arithmetic.py")
ROOM = 2696
"""Bytes that Linux 6.1's user-mode kernel has for the registers: measured, what it asks ptrace for."""


def run(*command: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [SCRIPT, *command],
        env={**os.environ, **environment},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )


def register_bytes() -> int:
    """What this host's ptrace gives of a process's extended registers, and takes back only whole."""
    attach, get_registers = 16, 0x4204  # <sys/ptrace.h>
    extended = 0x202  # NT_X86_XSTATE of <elf.h>

    class Part(ctypes.Structure):  # struct iovec
        _fields_ = (("base", ctypes.c_void_p), ("length", ctypes.c_size_t))

    ptrace = ctypes.CDLL(None, use_errno=True).ptrace
    ptrace.argtypes = (ctypes.c_long, ctypes.c_long, ctypes.c_void_p, ctypes.c_void_p)
    ptrace.restype = ctypes.c_long
    area = ctypes.create_string_buffer(1 << 16)
    part = Part(ctypes.addressof(area), len(area))
    with subprocess.Popen(["cat"], stdin=subprocess.PIPE) as process:
        try:
            assert ptrace(attach, process.pid, None, None) == 0, os.strerror(ctypes.get_errno())
            os.waitpid(process.pid, 0)
            got = ptrace(get_registers, process.pid, extended, ctypes.addressof(part))
            assert got == 0, os.strerror(ctypes.get_errno())
        finally:
            process.kill()
    return part.length


@pytest.mark.slow
def test_registers_survive_the_way_round_on_any_processor() -> None:
    if shutil.which("gcc") is None:
        pytest.skip("this processor needs no way round, and there is no gcc to try it (gcc libc6-dev)")
    provide_guest()
    done = run(
        *("-t", "120", "--", sys.executable, str(ARITHMETIC)),
        WHOLE_XSTATE="always",
        OPENBLAS_NUM_THREADS="1",
    )
    assert done.returncode == 0, done.stderr
    assert "whole-xstate.c in front of the guest's kernel (WHOLE_XSTATE=always)" in done.stderr
    counted = json.loads(done.stdout)
    assert counted["different"] == [1, 1, 1]
    assert min(counted["repeats"]) >= 3
    assert counted["signals"] >= 5


def test_the_script_knows_whether_this_processor_needs_it() -> None:
    packages = run("-p", WHOLE_XSTATE="").stdout.split()
    assert packages[:3] == ["user-mode-linux", "kmod", "iproute2"]
    assert packages[3:] == (["gcc", "libc6-dev"] if register_bytes() > ROOM else [])


def test_the_choice_can_be_forced() -> None:
    assert "gcc" in run("-p", WHOLE_XSTATE="always").stdout.split()
    assert "gcc" not in run("-p", WHOLE_XSTATE="never").stdout.split()
    done = run("-p", WHOLE_XSTATE="perhaps")
    assert (done.returncode, done.stdout) == (125, "")
    assert "can be always, never or empty" in done.stderr


@pytest.mark.parametrize("gcc", ["none", "without the C library's headers"])
def test_without_a_compiler_it_says_what_to_install(tmp_path: Path, gcc: str) -> None:
    programs = {"linux.uml", "kmod", "ip"} | (set() if gcc == "none" else {"gcc"})
    for name in programs:
        (tmp_path / name).write_text("#!/bin/sh\nexit 1\n")
        (tmp_path / name).chmod(0o755)
    path = f"{tmp_path}" if gcc == "none" else f"{tmp_path}:{os.environ['PATH']}"
    done = run("--", "true", PATH=path, WHOLE_XSTATE="always")
    assert done.returncode == 125
    assert "gcc is missing" in done.stderr or "gcc could not build" in done.stderr
    assert "as root: apt-get install user-mode-linux kmod iproute2 gcc libc6-dev" in done.stderr
