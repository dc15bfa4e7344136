"""Which core serves devices, from a table as the kernel writes it, and beside its other account of them."""

import os
from pathlib import Path

import pytest

from emulator.loop.interrupts import served
from emulator.loop.machine import inspect

# made up, in the form of proc(5); core 1 is switched off
TABLE = """\
            CPU0       CPU2       CPU3
  0:         44          0          0   IO-APIC   2-edge      timer
 36:          0       7000        500  PCI-MSIX-0000:00:02.0   1-edge      disk0-req.0
 41:       1000          0          0  IR-PCI-MSI 409600-edge      xhci_hcd, usb gadget
 70:          0         20         10     GICv3  79 Level     serial
NMI:          0          0          0   Non-maskable interrupts
LOC:   38607434   44805137         12   Local timer interrupts
ERR:          0
"""


@pytest.fixture
def machine(tmp_path):
    def write(table=TABLE, writable=()):
        for name, text in {"uptime": "100.00 300.00", "interrupts": table}.items():
            (tmp_path / "proc").mkdir(exist_ok=True)
            (tmp_path / "proc" / name).write_text(text + "\n")
        for number in (0, 36, 41, 70):
            path = tmp_path / f"proc/irq/{number}/smp_affinity_list"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.touch()
            path.chmod(0o644 if number in writable else 0o444)
        return tmp_path

    return write


def test_each_core_has_its_own_column_and_the_kernels_calls_are_no_devices(machine):
    found = served({0, 1, 2, 3}, machine(writable=(41,)))
    assert sorted(found) == [0, 2, 3]
    assert [found[core].a_second for core in (0, 2, 3)] == pytest.approx([10.44, 70.20, 5.10])
    assert [found[core].most for core in (0, 2, 3)] == ["xhci_hcd, usb gadget", "disk0-req.0", "disk0-req.0"]
    assert [found[core].number for core in (0, 2, 3)] == [41, 36, 36]
    assert [found[core].movable for core in (0, 2, 3)] == [True, False, False]


def test_where_the_kernel_tells_nothing_nothing_is_told(machine, tmp_path):
    assert served({0}, tmp_path) == {}
    assert served({5}, machine()) == {}
    assert served({0}, machine("CPU0"))[0].a_second == 0.0


@pytest.mark.parametrize(
    ("core", "writable", "state", "command"),
    [
        (3, (), "good", ""),
        (2, (36,), "poor", "echo 3 > /proc/irq/36/smp_affinity_list"),
        (2, (), "poor", "loop: {cpu: 3} in the rig"),
        (0, (), "poor", "loop: {cpu: 3} in the rig"),
    ],
)
def test_a_loop_on_a_core_with_interrupts_is_told_where_there_are_fewer(
    machine, monkeypatch, core, writable, state, command
):
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0, 2, 3})
    findings = {f.topic: f for f in inspect(machine(writable=writable), core)}
    finding = findings["devices' interrupts"]
    assert finding.found.startswith(f"core {core}: ")
    assert finding.state == state
    assert command in finding.command
    isolated = core if core == 3 or writable else 3
    assert f"isolcpus={isolated} " in findings["isolated cores"].command  # no two advices against each other


def test_where_others_have_as_many_or_there_is_no_other_nothing_is_asked_for(machine, monkeypatch):
    even = "            CPU0       CPU1\n 36:       7000       6000  PCI-MSI 1-edge      disk0\n"
    for cores in ({0, 1}, {0}):
        monkeypatch.setattr(os, "sched_getaffinity", lambda _, cores=cores: cores)
        finding = {f.topic: f for f in inspect(machine(even), 0)}["devices' interrupts"]
        assert (finding.state, finding.command) == ("plain", "")


def test_of_this_machine_it_is_what_the_kernel_counts_elsewhere():
    """``/proc/stat`` counts by number, all cores together, and has no names."""

    def counted():
        line = next(x for x in Path("/proc/stat").read_text().splitlines() if x.startswith("intr "))
        listed = {p.name for p in Path("/proc/irq").iterdir() if p.name.isdecimal()}
        return sum(int(n) for i, n in enumerate(line.split()[2:]) if str(i) in listed)

    before = counted()
    since_boot_s = float(Path("/proc/uptime").read_text().split()[0])
    found = sum(one.a_second for one in served(range(os.cpu_count())).values()) * since_boot_s
    assert 0.99 * before - 100.0 <= found <= 1.01 * counted() + 100.0
