"""``emulator host``."""

from __future__ import annotations

import math
import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from emulator.cli.output import INVALID, console_of_stderr, console_of_stdout


def host(
    seconds: Annotated[
        float, typer.Option("--seconds", min=0.1, max=3600.0, help="how long to test the wake-ups")
    ] = 10.0,
    cpu: Annotated[
        int | None, typer.Option("--cpu", min=0, help="core to test [default: the one loop.cpu: auto takes]")
    ] = None,
    priority: Annotated[
        int, typer.Option("--priority", min=0, max=99, help="of SCHED_FIFO; 0: ordinary scheduling")
    ] = 80,
    spin_us: Annotated[
        float, typer.Option("--spin-us", min=0.0, max=800.0, help="spun before a deadline, as loop.spin_us")
    ] = 100.0,
    idle: Annotated[
        bool, typer.Option("--idle", help="let cores idle as the host has it, as loop.idle_exit_us: null")
    ] = False,
    setup: Annotated[
        bool,
        typer.Option("--setup", help="print what root has to set up here, as a shell script; test nothing"),
    ] = False,
    rig: Annotated[
        Path | None,
        typer.Option("--rig", help="with --setup: rig whose CAN interface and bit rate it is for"),
    ] = None,
) -> None:
    """Say what this machine can promise a 1 kHz loop, and which setting to change, with the command.

    Looks at kernel, cores, clock, permissions and interfaces, then wakes a process every millisecond and
    measures how late that comes; where it comes late, once more with a core that is kept awake. The test is
    kept, and the promise is made from all tests of this machine in this setting, so that a lucky or an
    unlucky quarter minute does not decide. Exit status 0, or 2 where standstills are proven to spoil rides
    or no age can be promised.

    --setup prints limits, udev rules and a systemd unit for this user, these interfaces and cores instead.
    """
    if rig is not None and not setup:
        raise typer.BadParameter("--rig: expected --setup beside it; the test knows no rig")
    if setup:
        _print_setup(rig)
        return
    cores = sorted(os.sched_getaffinity(0))
    if cpu is not None and cpu not in cores:
        raise typer.BadParameter(
            f"--cpu: expected a core that this process may use ({', '.join(map(str, cores))}), got {cpu}"
        )
    from datetime import datetime

    from emulator.inspection.host import (
        LONGEST_SPIN_us,
        is_slow_to_wake,
        machine_of,
        measure_lateness,
        tables,
    )
    from emulator.inspection.host_history import host_test, keep_test, kept_tests, promise_of
    from emulator.loop.machine import inspect

    console = console_of_stdout()
    findings = inspect(core=cpu)
    console.print(f"waking every millisecond for {seconds:g} s", markup=False)
    late = measure_lateness(seconds, cpu, priority, spin_us, None if idle else 0)
    made = datetime.now().astimezone()
    test = host_test(late.late_us, machine_of(late, spin_us, findings), made)
    history = kept_tests(test.machine)
    tests = [*history.tests, test]
    awake = None
    if is_slow_to_wake(late, spin_us):
        console.print(f"and again, awake {LONGEST_SPIN_us:g} us ahead of each", markup=False)
        awake = measure_lateness(seconds, cpu, priority, LONGEST_SPIN_us, None if idle else 0)
    console.print(tables(findings, late, tests, spin_us, awake))
    if history.damaged:
        console.print(
            f"{history.damaged} lines of earlier tests make no sense and were left out", markup=False
        )
    for refused in filter(None, (history.refused, keep_test(test))):
        console.print(refused, style="yellow", markup=False)
    promise = promise_of(tests)
    raise typer.Exit(0 if promise.fit and math.isfinite(promise.lateness_us) else INVALID)


def _print_setup(rig: Path | None) -> None:
    """The script on standard output, what systemd says of its unit on standard error."""
    from emulator.inspection.host_setup import UNIT, complaints, script, this_machine

    machine = this_machine(rig)
    sys.stdout.write(script(machine))
    found = complaints(machine)
    errors = console_of_stderr()
    if found is None:
        errors.print(f"{UNIT} is not verified: systemd-analyze is not installed", markup=False)
    elif not found:
        errors.print(f"{UNIT}: systemd-analyze verify has nothing to say", markup=False)
    for line in found or ():
        errors.print(f"systemd-analyze verify: {line}", style="yellow", markup=False)
