"""What is said of a machine, from files as a kernel would show them."""

import os
import platform
import resource

import pytest

from emulator.loop.machine import inspect


@pytest.fixture
def machine(tmp_path):
    """Writes files of a machine, path: content; a well set up one to begin with."""

    files = {
        "proc/version": "Linux version 6.1.0-18-rt-amd64 (builder) #1 SMP PREEMPT_RT",
        "proc/cpuinfo": "flags : fpu tsc",
        "proc/self/status": "CapEff:\t000001ffffffffff",
        "proc/sys/kernel/sched_rt_runtime_us": "950000",
        "proc/sys/kernel/sched_rt_period_us": "1000000",
        "sys/kernel/realtime": "1",
        "sys/devices/system/cpu/isolated": "3",
        "sys/devices/system/cpu/cpu0/cpufreq/scaling_governor": "performance",
        "sys/devices/system/clocksource/clocksource0/current_clocksource": "tsc",
        "sys/devices/system/clocksource/clocksource0/available_clocksource": "tsc hpet",
        "sys/class/net/can0/type": "280",
        "sys/class/net/can0/operstate": "up",
        "sys/class/net/eth0/type": "1",
    }

    def write(changes=(), lacking=()):
        for path, content in {**files, **dict(changes)}.items():
            if path not in lacking:
                (tmp_path / path).parent.mkdir(parents=True, exist_ok=True)
                (tmp_path / path).write_text(content + "\n")
        return {f.topic: f for f in inspect(tmp_path)}

    return write


def test_a_good_machine_has_nothing_to_change(machine):
    found = machine()
    poor = [f.topic for f in found.values() if f.state == "poor" and f.topic != "cores"]
    assert poor == []
    assert found["kernel"].found.endswith("fully preemptible")
    assert found["CAN interface can0"].found == "up"
    assert "eth0" not in str(found)


@pytest.mark.parametrize(
    ("path", "content", "topic", "says"),
    [
        ("sys/devices/system/cpu/isolated", "", "isolated cores", "isolcpus="),
        (
            "sys/devices/system/cpu/cpu0/cpufreq/scaling_governor",
            "powersave",
            "frequency governor",
            "cpupower frequency-set --governor performance",
        ),
        (
            "sys/devices/system/clocksource/clocksource0/current_clocksource",
            "hpet",
            "clock source",
            "echo tsc",
        ),
        ("sys/class/net/can0/operstate", "down", "CAN interface can0", "ip link set can0 up"),
        ("proc/cpuinfo", "flags : fpu hypervisor", "hypervisor", "machine of its own"),
    ],
)
def test_what_is_poor_comes_with_the_command(machine, path, content, topic, says):
    finding = machine({path: content})[topic]
    assert finding.state == "poor"
    assert says in finding.command
    assert finding.means


def test_an_ordinary_kernel_is_told(machine):
    found = machine({"proc/version": "Linux version 6.1 (b) SMP PREEMPT", "sys/kernel/realtime": "0"})
    assert found["kernel"].state == "poor"
    assert "linux-image-rt" in found["kernel"].command
    assert found["kernel"].found.endswith(", preemptible")


@pytest.mark.parametrize(
    ("files", "says"),
    [
        ({}, "preemptible or not: chosen at its start, and not told here"),
        ({"sched": "none voluntary (full)"}, "preemptible (mode full)"),
        ({"sched": "none (voluntary) full"}, "preemptible only where it offers it (mode voluntary)"),
        ({"sched": "(none) voluntary full"}, "not preemptible (mode none)"),
        ({"sched": "full (lazy)"}, "preemptible (mode lazy)"),
        ({"sched": "full (made_up)"}, "preemption mode made_up"),
        # told another since it was started
        ({"sched": "(none) voluntary full", "cmdline": "quiet preempt=full"}, "not preemptible (mode none)"),
        ({"cmdline": "quiet preempt=none"}, "not preemptible (mode none), as it was started"),
        ({"cmdline": "preempt=full preempt=none"}, "not preemptible (mode none), as it was started"),
        # what stands behind the two dashes is for the first program
        (
            {"cmdline": "quiet -- preempt=none"},
            "preemptible or not: chosen at its start, and not told here",
        ),
    ],
)
def test_a_kernel_that_chooses_its_preemption_is_called_by_the_mode_in_force(machine, files, says):
    paths = {"sched": "sys/kernel/debug/sched/preempt", "cmdline": "proc/cmdline"}
    kernel = {"proc/version": "Linux version 6.1 (b) SMP PREEMPT_DYNAMIC", "sys/kernel/realtime": "0"}
    found = machine(kernel | {paths[name]: content for name, content in files.items()})["kernel"]
    assert (found.found, found.state) == (f"Linux version 6.1, {says}", "poor")


def test_permissions_are_the_process_own(machine, monkeypatch):

    limits = {resource.RLIMIT_RTPRIO: (0, 0), resource.RLIMIT_MEMLOCK: (64 * 1024, 64 * 1024)}
    monkeypatch.setattr(resource, "getrlimit", limits.__getitem__)
    found = machine({"proc/self/status": "CapEff:\t0000000000000000"})
    assert found["real-time priority"].state == found["locked memory"].state == "poor"
    assert found["locked memory"].found == "at most 64 KiB"
    assert "rtprio" in found["real-time priority"].command
    only_nice = machine({"proc/self/status": f"CapEff:\t{1 << 23:016x}"})
    assert only_nice["real-time priority"].state == "good"
    assert only_nice["locked memory"].state == "poor"


def test_whether_cores_may_be_kept_awake_is_told(machine, monkeypatch):
    device = {"dev/cpu_dma_latency": ""}
    assert machine(device)["idle cores"].state == "good"
    monkeypatch.setattr(os, "access", lambda path, mode: mode != os.W_OK)
    refused = machine(device)["idle cores"]
    assert refused.state == "poor"
    assert "--setup" in refused.command


def test_no_can_is_no_fault_but_told(machine):
    found = machine(lacking=("sys/class/net/can0/type", "sys/class/net/can0/operstate"))
    assert found["CAN interfaces"].state == "plain"
    assert "vcan" in found["CAN interfaces"].command


def test_a_machine_that_shows_nothing_is_still_told(tmp_path, monkeypatch):
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {5})
    limits = {resource.RLIMIT_RTPRIO: (0, 0), resource.RLIMIT_MEMLOCK: (0, 0)}
    monkeypatch.setattr(resource, "getrlimit", limits.__getitem__)
    assert [(f.topic, f.found, f.state) for f in inspect(tmp_path)] == [
        ("kernel", "unknown, not preemptible", "poor"),
        ("cores", "core 5 only", "poor"),
        ("isolated cores", "none", "poor"),
        ("frequency governor", "none", "plain"),
        ("clock source", "unknown", "poor"),
        ("real-time priority", "refused", "poor"),
        ("locked memory", "at most 0 KiB", "poor"),
        ("idle cores", "not to be limited", "plain"),
        ("CAN interfaces", "none", "plain"),
    ]
    assert all(f.means and f.command for f in inspect(tmp_path) if f.state == "poor")


@pytest.mark.parametrize(
    ("cores", "found"),
    [({0, 1}, "2 to use: 0-1"), ({6, 0, 2, 1, 3}, "5 to use: 0-3,6"), ({1, 3, 5}, "3 to use: 1,3,5")],
)
def test_cores_are_told_in_ranges(machine, monkeypatch, cores, found):
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: cores)
    assert machine()["cores"].found == found
    assert machine()["cores"].state == "good"
    without = machine({"sys/devices/system/cpu/isolated": ""})["isolated cores"]
    assert f"isolcpus={max(cores)} " in without.command


@pytest.mark.parametrize(
    ("runtime_us", "found"), [("950000", "95% of the time"), ("-1", "off"), ("1000000", "off")]
)
def test_the_real_time_throttle_is_told(machine, runtime_us, found):
    throttle = machine({"proc/sys/kernel/sched_rt_runtime_us": runtime_us})["real-time throttle"]
    assert (throttle.found, throttle.state) == (found, "plain")


def test_a_serial_device_is_told_with_whether_it_may_be_used(machine, monkeypatch):
    device = {"dev/ttyUSB0": "", "dev/tty0": ""}
    assert machine(device)["serial ttyUSB0"].state == "good"
    monkeypatch.setattr(os, "access", lambda path, mode: mode != os.R_OK | os.W_OK)
    refused = machine(device)
    assert refused["serial ttyUSB0"].state == "poor"
    assert "dialout" in refused["serial ttyUSB0"].command
    assert "serial tty0" not in refused


def test_this_machine_is_told_as_its_kernel_answers_calls():
    """What the files say beside what the system calls say, of the machine the test runs on."""
    found = {f.topic: f for f in inspect()}
    assert f" {platform.release()}," in found["kernel"].found
    assert found["cores"].found.endswith(" only") == (len(os.sched_getaffinity(0)) == 1)
    assert found["clock source"].found != "unknown"
    policy, parameter = os.sched_getscheduler(0), os.sched_getparam(0)
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(1))
    except PermissionError:
        return  # a container may refuse what the process' own permissions allow
    os.sched_setscheduler(0, policy, parameter)
    assert found["real-time priority"].found == "allowed"
