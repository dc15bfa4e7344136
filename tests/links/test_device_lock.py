"""A bus for one loop alone: refused to a second, told by whom, free again whatever ended the first."""

import os
import signal
import subprocess
import sys

import pytest

from emulator.core.errors import DeviceAbsent
from emulator.links.device_lock import acquire

HOLDER = """
import sys
from emulator.links.device_lock import acquire
held = acquire(sys.argv[1], sys.argv[2])
print("held", flush=True)
sys.stdin.read()
"""


@pytest.fixture
def other():
    """Starts a process that holds a name; all are ended afterwards."""
    started = []

    def hold(kind, name):
        process = subprocess.Popen(
            [sys.executable, "-c", HOLDER, kind, name], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )
        started.append(process)
        assert process.stdout.readline() == b"held\n"
        return process

    yield hold
    for process in started:
        process.kill()
        process.communicate()


def test_a_second_process_is_refused_and_told_who_has_it(other):
    process = other("CAN interface", "can_test_a")
    with pytest.raises(DeviceAbsent) as refused:
        acquire("CAN interface", "can_test_a")
    assert f"CAN interface can_test_a is in use by another loop: process {process.pid} (" in str(
        refused.value
    )
    assert sys.executable in str(refused.value)
    assert f"kill -INT {process.pid}" in refused.value.advice


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM])
def test_nothing_is_left_behind_whatever_ends_the_holder(other, how):
    process = other("CAN interface", "can_test_b")
    process.send_signal(how)
    process.wait()
    acquire("CAN interface", "can_test_b").close()


def test_a_held_one_is_refused_to_ourselves_too_until_it_is_closed():
    held = acquire("CAN interface", "can_test_c")
    with pytest.raises(DeviceAbsent, match=rf"this process \({os.getpid()}\) itself"):
        acquire("CAN interface", "can_test_c")
    held.close()
    held.close()
    acquire("CAN interface", "can_test_c").close()


def test_other_names_and_kinds_are_free():
    held = [
        acquire("CAN interface", "can0_test"),
        acquire("CAN interface", "can1_test"),
        acquire("port", "can0_test"),
    ]
    for sole in held:
        sole.close()


def test_two_paths_to_one_device_are_one_device(tmp_path):
    device, link = tmp_path / "device", tmp_path / "by-id"
    device.touch()
    link.symlink_to(device)
    held = acquire("serial device", str(device))
    with pytest.raises(DeviceAbsent):
        acquire("serial device", str(link))
    held.close()


def test_names_too_long_for_an_address_are_told_apart_all_the_same():
    a, b = (f"/nowhere/{'x' * 200}/{end}" for end in "ab")
    held = acquire("serial device", a)
    acquire("serial device", b).close()
    with pytest.raises(DeviceAbsent):
        acquire("serial device", a)
    held.close()
