"""What a rig's ride on the bench needs beyond what every ride needs, and what it opens to the network.

Neither the virtual stage nor a replay asks for it: there nothing is connected or stalls, no secret is read.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator

from emulator.config.rig.buses import LoopbackBus
from emulator.config.rig.file import Rig
from emulator.config.rig.outputs import CommandFrame, USUAL_PERIODS_ms
from emulator.config.rig.shown.console import read_tokens
from emulator.config.rig.shown.named_files import path_named_in
from emulator.config.rig.shown.telemetry import read_secrets
from emulator.config.yaml_source import Loc, Source
from emulator.core.errors import Problem


def bench_findings(rig: Rig, source: Source) -> tuple[list[Problem], list[Problem]]:
    """(problems, warnings) that concern the bench alone, each at its place in the rig file.

    Reads the files of secrets that ``telemetry`` and ``console`` name.
    """
    problems = [
        source.problem(loc, text)
        for check in (_stalls, _robots_ears, _secrets)
        for loc, text in check(rig, source)
    ]
    warnings = [source.problem(loc, text) for check in (_open_bus, _open_broker) for loc, text in check(rig)]
    return problems, warnings


def _stalls(rig: Rig, _: Source) -> Iterator[tuple[Loc, str]]:
    # While the loop makes up for a stall it hears next to nothing: what the robot said ages by as much.
    stall, told = rig.limits.overrun_limit_ms, rig.device_under_test.periods_ms
    steering = "steering_angle_rad" if rig.steering == "angle_driven" else "steering_torque_Nm"
    waits: tuple[tuple[str, float, tuple[CommandFrame, ...]], ...] = (
        (
            "command_timeout_ms",
            rig.limits.command_timeout_ms,
            (_frame_with(rig, steering, "steering"), _frame_with(rig, "throttle", "drive")),
        ),
        ("heartbeat_timeout_ms", rig.limits.heartbeat_timeout_ms, (_frame_with(rig, "heartbeat", "gear"),)),
    )
    for key, timeout, frames in waits:
        period, frame = max((told.get(name, USUAL_PERIODS_ms[name]), name) for name in frames)
        if stall + period > timeout:
            yield (
                ("limits", key),
                f"expected at least {stall + period:g} ms, the longest stall of the loop that is no trip "
                f"(overrun_limit_ms, {stall:g}) and the period of the robot's frame {frame} ({period:g} ms), "
                f"or such a stall would pass for the robot's silence; got {timeout:g}: raise it, or lower "
                "overrun_limit_ms",
            )


def _frame_with(rig: Rig, signal: str, usual: CommandFrame) -> CommandFrame:
    """The robot's frame that carries a value: by the rig's own names, else the usual one."""
    return next(
        (f for f in USUAL_PERIODS_ms if f in rig.own_names and signal in rig.own_names[f].signals), usual
    )


def _robots_ears(rig: Rig, _: Source) -> Iterator[tuple[Loc, str]]:
    if rig.device_under_test.kind == "reference" and rig.gnss_port.kind == "serial":
        yield (
            ("gnss_port", "kind"),
            "expected pty, udp or tcp: the reference robot can't read a serial line, got serial; or "
            "device_under_test: {kind: external}",
        )


def _secrets(rig: Rig, source: Source) -> Iterator[tuple[Loc, str]]:
    if rig.telemetry is not None:
        _, problems = read_secrets(rig.telemetry, lambda name: path_named_in(source, "telemetry", name))
        for key, text in problems:
            yield ("telemetry", key), text
    if rig.console is not None:
        _, problems = read_tokens(rig.console, lambda name: path_named_in(source, "console", name))
        for key, text in problems:
            yield ("console", key), text


def _open_bus(rig: Rig) -> Iterator[tuple[Loc, str]]:
    if isinstance(rig.bus, LoopbackBus) and _who_reaches(rig.bus.host):
        yield (
            ("bus", "host"),
            f"{_who_reaches(rig.bus.host)} can join the virtual bus and send the robot's frames: nobody "
            "signs in there; expected 127.0.0.1, unless that network is the bench's own",
        )


def _open_broker(rig: Rig) -> Iterator[tuple[Loc, str]]:
    mqtt = rig.telemetry
    if mqtt is None or not _who_reaches(mqtt.host):
        return
    if mqtt.username is None:
        yield (
            ("telemetry", "host"),
            f"the broker on {mqtt.host} takes this run without a name: whoever reaches it can tell the same "
            "topics something else; expected username, password_file and ca_file",
        )
    elif mqtt.ca_file is None:
        yield (
            ("telemetry", "host"),
            f"without ca_file the password goes to {mqtt.host} as it is, and the broker is taken at its word",
        )


def _who_reaches(host: str) -> str:
    """Who beside this machine reaches an address, in words; nothing if nobody does."""
    if host == "localhost":
        return ""
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return f"whoever reaches {host}"
    if address.is_loopback:
        return ""
    return (
        "everyone on every network of this machine"
        if address.is_unspecified
        else f"everyone who reaches {host}"
    )
