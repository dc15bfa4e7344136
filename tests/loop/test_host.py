"""The host is asked in a process of its own: what it grants would otherwise change the test run."""

import os
import signal
import subprocess
import sys
import time

import pytest

from emulator.loop import host

PRELUDE = "import os, sys, gc, signal, resource, ctypes\nfrom emulator.loop import host\n"


def in_process(code, *arguments):
    command = [sys.executable, "-c", PRELUDE + code, *arguments]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def test_everything_asked_for_is_granted_or_refused_with_advice():
    cpu = max(os.sched_getaffinity(0))
    out = in_process(
        f"r = host.apply({cpu}, 10, lock_memory=True)\n"
        "assert r.cpu is not None and os.sched_getaffinity(0) == {r.cpu}\n"
        "granted = os.sched_getscheduler(0) == os.SCHED_FIFO and os.sched_getparam(0).sched_priority == 10\n"
        "assert granted == (r.priority == 10)\n"
        "assert granted != any('real-time priority' in x for x in r.refused)\n"
        "locked = [l for l in open('/proc/self/status') if l.startswith('VmLck')][0].split()[1] != '0'\n"
        "assert locked == r.memory_locked and locked != any('locked memory' in x for x in r.refused)\n"
        "assert r.timer_slack_ns == 1 and open('/proc/self/timerslack_ns').read().strip() in ('0', '1')\n"
        "assert r.garbage_collector_off and not gc.isenabled() and gc.get_freeze_count() > 0\n"
        "print(sorted(r.as_dict()))"
    )
    assert "refused" in out


def test_what_the_host_does_not_have_is_reported_in_words_and_does_not_raise():
    out = in_process(
        "r = host.apply(4095, 500, lock_memory=False)\n"
        "assert r.cpu is None and r.priority == 0 and not r.memory_locked\n"
        "print('\\n'.join(r.refused))"
    )
    assert "core 4095" in out
    assert "this process may use cores" in out
    assert "real-time priority 500" in out
    assert "rtprio" in out


def test_without_privileges_it_still_comes_back():
    out = in_process(
        "resource.setrlimit(resource.RLIMIT_MEMLOCK, (0, 0))\n"
        "resource.setrlimit(resource.RLIMIT_RTPRIO, (0, 0))\n"
        "if os.geteuid() == 0: os.setgid(65534); os.setuid(65534)\n"
        "r = host.apply(None, 80, lock_memory=True)\n"
        "print('\\n'.join(r.refused))"
    )
    assert "real-time priority 80: Operation not permitted" in out
    assert "locked memory" in out
    assert "raise 'memlock'" in out


def test_cores_are_kept_awake_until_the_process_ends():
    """The kernel gives the limit back to whoever reads the file; other programs may have asked for less."""
    out = in_process(
        "import struct\n"
        "def limit():\n"
        "    with open(host.IDLE_EXIT, 'rb') as file: return struct.unpack('=i', file.read(4))[0]\n"
        "r = host.apply(None, 0, lock_memory=False, idle_exit_us=7)\n"
        "print(r.idle_exit_us, r.refused, limit() if r.idle_exit_us is not None else 'refused')"
    )
    if out.startswith("None"):
        assert host.IDLE_EXIT in out
        assert "--setup" in out
    else:
        assert out.startswith("7 []")
        assert int(out.split()[-1]) <= 7


def test_a_limit_that_the_kernel_does_not_take_is_told(tmp_path):
    out = in_process(
        f"host.IDLE_EXIT = {str(tmp_path / 'none')!r}\n"
        "r = host.apply(None, 0, lock_memory=False, idle_exit_us=0)\n"
        "print(r.idle_exit_us, r.refused)"
    )
    assert out.startswith("None")
    assert "No such file" in out
    assert "loop.idle_exit_us: null" in out


def test_nothing_asked_for_nothing_refused():
    assert in_process("print(host.apply(None, 0, lock_memory=False).refused)") == "[]"


def test_parents_death_reaches_the_child():
    # parent -> child; the child arms the signal, tells us its number and waits; then the parent dies.
    child = (
        PRELUDE
        + "assert host.die_with_parent(int(sys.argv[1]))\nprint(os.getpid(), flush=True)\nsignal.pause()\n"
    )
    parent = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import subprocess, sys, os, signal\n"
            f"subprocess.Popen([sys.executable, '-c', {child!r}, str(os.getpid())])\nsignal.pause()",
        ],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert parent.stdout is not None
    pid = int(parent.stdout.readline())
    parent.kill()
    parent.wait()
    parent.stdout.read()  # ends when the child, the last to hold it, is gone
    parent.stdout.close()
    deadline = time.monotonic() + 10
    while time.monotonic() < deadline:
        try:
            with open(f"/proc/{pid}/stat") as stat:
                if stat.read().rsplit(")", 1)[1].split()[0] == "Z":
                    return
        except FileNotFoundError:
            return
    os.kill(pid, signal.SIGKILL)
    pytest.fail("the child outlived its parent")


def test_parent_that_died_before_is_noticed():
    assert in_process("print(host.die_with_parent(os.getppid() + 1))") == "False"
