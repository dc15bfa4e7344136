"""The reference robot in a process of its own: it joins a bench's bus and GNSS port as any robot does.

It knows rig and scenario, as it does beside the bench, and waits until the bench is there. Nothing else
passes between the two.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import TypeVar

from emulator.assembly.link_specs import can_spec
from emulator.assembly.session import load_session, mission
from emulator.config.rig.buses import LoopbackBus
from emulator.config.rig.file import Rig, load_rig
from emulator.config.rig.ports import PtyPort, SerialPort
from emulator.config.yaml_source import Loc
from emulator.core.clock import Clock
from emulator.core.errors import ConfigError, DeviceAbsent, Stopped
from emulator.links.can_bus import open_can
from emulator.links.gnss_port import open_gnss_reader
from emulator.loop import host
from emulator.robot.mission import ReferenceRider
from emulator.robot.process import run_robot

PATIENCE_S = 180.0
"""How long the bench may take to appear: it may have to compile first."""
_AGAIN_NS = 200_000_000

Link = TypeVar("Link")


def ride_apart(
    rig_file: Path,
    scenario_file: Path,
    parameters: Mapping[str, int | float],
    clock: Clock,
    asked_to_end: Callable[[], bool],
    say: Callable[[str], None],
) -> str:
    """Ride until asked to end or the bus is gone; returns which it was.

    say  takes sentences for the screen

    Raises ConfigError for a rig that another process can't join, DeviceAbsent if the bench does not appear,
    Stopped if asked to end before it did.
    """
    rig, source = load_rig(rig_file)
    problems = [source.problem(loc, text) for loc, text in _cannot_be_joined(rig)]
    if problems:
        raise ConfigError(problems)
    session = load_session(rig_file, scenario_file, parameters=parameters)
    rider = ReferenceRider(mission(session))
    rider.rehearse()
    rules = rig.loop
    granted = host.apply(
        None, max(0, rules.priority - 2), lock_memory=rules.lock_memory, idle_exit_us=rules.idle_exit_us
    )
    for refused in granted.refused:
        say(f"refused: {refused}")
    say("waiting for the bench")
    # the bus last, when nothing takes long any more: who is on it and does not read is cut off
    gnss = once_there(lambda: open_gnss_reader(rig.gnss_port.kind, _gnss_address(rig)), clock, asked_to_end)
    with contextlib.closing(gnss):
        spec = can_spec(rig, session.codec, rig.bus.port if isinstance(rig.bus, LoopbackBus) else 0)
        bus = once_there(lambda: open_can(spec), clock, asked_to_end)
        with contextlib.closing(bus):
            say("on the bus")
            return run_robot(rider, bus, gnss, clock, asked_to_end)


def once_there(open_link: Callable[[], Link], clock: Clock, asked_to_end: Callable[[], bool]) -> Link:
    """What opens, as soon as it does; DeviceAbsent from the last attempt when patience ends.

    Raises Stopped if asked to end before.
    """
    end_ns = clock.now_ns() + round(PATIENCE_S * 1e9)
    while True:
        if asked_to_end():
            raise Stopped("stopped while it waited for the bench")
        try:
            return open_link()
        except DeviceAbsent:
            now_ns = clock.now_ns()
            if now_ns >= end_ns:
                raise
            clock.sleep_until(now_ns + _AGAIN_NS)


def _cannot_be_joined(rig: Rig) -> Iterator[tuple[Loc, str]]:
    """What of a rig another process has no way to know or to open."""
    if isinstance(rig.bus, LoopbackBus) and rig.bus.port == 0:
        yield ("bus", "port"), "expected the port that the bench serves the bus at, got 0, which is any"
    port = rig.gnss_port
    if isinstance(port, SerialPort):
        yield (
            ("gnss_port", "kind"),
            "expected pty, udp or tcp: the reference robot can't read a serial line, got serial",
        )
    elif isinstance(port, PtyPort):
        if port.path is None:
            yield ("gnss_port", "path"), "expected a path, by which another process finds the pseudo terminal"
    elif port.port == 0:
        yield ("gnss_port", "port"), "expected the port that the bench listens on, got 0, which is any"


def _gnss_address(rig: Rig) -> str:
    port = rig.gnss_port
    if isinstance(port, PtyPort):
        return str(port.path)
    assert not isinstance(port, SerialPort)
    return f"{port.host}:{port.port}"
