"""The SocketCAN link on a real Linux CAN stack: the contract and the kernel's own cases, in a guest.

Never skipped: a machine that cannot run the guest fails here and says what to install.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest

from emulator.assembly.bench import Bench
from emulator.assembly.session import load_session, mission
from emulator.core.keeping.code_store import cache_folder
from emulator.core.keeping.machine import machine
from emulator.loop.process import warm
from emulator.robot.mission import ReferenceRider
from tests.support.guest import RUN_IN_SOCKETCAN, of_guest, provide_guest
from tests.support.scripted_robot import RIG, RUN, demo_session

HERE = Path(__file__).parent


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_contract_and_kernel_cases_in_the_guest(tmp_path: Path) -> None:
    provide_guest()
    # what the bench's cases run there is compiled and worked out here, where it is kept
    for session in (demo_session(), load_session(RIG.parent / "can_fd.yaml", RUN)):
        Bench.rehearse(session)
        ReferenceRider(mission(session)).rehearse()
    warm()
    report = tmp_path / "report.xml"
    done = subprocess.run(
        [
            str(RUN_IN_SOCKETCAN),
            *("-o", str(tmp_path), "-t", "500", "--"),
            *(sys.executable, "-m", "pytest", "-q"),
            *("-p", "no:cacheprovider", "-p", "pytest_timeout", f"--junitxml={report}"),
            str(HERE / "test_can_contract.py"),
            str(HERE / "kernel_can_cases.py"),
            str(HERE.parent / "docker" / "limits_cases.py"),  # nothing of CAN, but needs a root that may
        ],
        cwd=HERE.parent.parent,
        env={
            **of_guest(os.environ),
            "EMULATOR_KERNEL_CAN": "vxcan0,vxcan1",
            "EMULATOR_TEST_MACHINE": machine(),
            "PYTHONDONTWRITEBYTECODE": "1",
            "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1",
            "EMULATOR_CACHE": str(cache_folder()),
        },
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, f"status {done.returncode}\n{done.stdout[-6000:]}\n{done.stderr[-2000:]}"
    suite = ElementTree.parse(report).getroot().find("testsuite")
    assert suite is not None
    names = {case.attrib["name"] for case in suite.iter("testcase")}
    assert int(suite.attrib["skipped"]) == 0
    # all files ran, the contract on the kernel's CAN and on nothing else
    assert sum("socketcan" in name for name in names) == 11
    assert {"test_error_frames", "test_long_payloads_go_out_as_fd_frames", "test_bus_off_and_back"} <= names
    assert sum("ends_as_the_rig_says" in name for name in names) == 6
    assert sum("test_a_step_of_the_steering_is_seen_at_the_configured_latency" in name for name in names) == 2
    assert {
        "test_the_bike_rides_on_after_the_release",
        "test_what_the_host_worked_out_is_found_here",
    } <= names
    assert sum("test_limits_of_the_compose_file_are_enough" in name for name in names) == 2
    assert "test_without_them_it_is_refused" in names
    assert not [name for name in names if "loopback" in name or "serial" in name]


def test_the_script_says_how_it_is_used() -> None:
    done = subprocess.run(
        [str(RUN_IN_SOCKETCAN)],
        capture_output=True,
        text=True,
        check=False,
        stdin=subprocess.DEVNULL,
    )
    assert done.returncode == 125
    assert "usage: run-in-socketcan.sh" in done.stderr or "is missing; as root" in done.stderr
