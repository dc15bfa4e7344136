"""What a rig's ride on the bench needs beyond what every ride needs, and what it opens to the network.

Neither the virtual stage nor a replay asks for it: there nothing is connected, no secret is read.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator

from emulator.config.rig.buses import LoopbackBus
from emulator.config.rig.file import Rig
from emulator.config.rig.telemetry import read_secrets, telemetry_path
from emulator.config.yaml_source import Loc, Source
from emulator.core.errors import Problem


def bench_findings(rig: Rig, source: Source) -> tuple[list[Problem], list[Problem]]:
    """(problems, warnings) that concern the bench alone, each at its place in the rig file.

    Reads the files of secrets that ``telemetry`` names.
    """
    problems = [
        source.problem(loc, text) for check in (_robots_ears, _secrets) for loc, text in check(rig, source)
    ]
    warnings = [source.problem(loc, text) for check in (_open_bus, _open_broker) for loc, text in check(rig)]
    return problems, warnings


def _robots_ears(rig: Rig, _: Source) -> Iterator[tuple[Loc, str]]:
    if rig.device_under_test.kind == "reference" and rig.gnss_port.kind == "serial":
        yield (
            ("gnss_port", "kind"),
            "expected pty, udp or tcp: the reference robot can't read a serial line, got serial; or "
            "device_under_test: {kind: external}",
        )


def _secrets(rig: Rig, source: Source) -> Iterator[tuple[Loc, str]]:
    if rig.telemetry is not None:
        _, problems = read_secrets(rig.telemetry, lambda name: telemetry_path(source, name))
        for key, text in problems:
            yield ("telemetry", key), text


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
