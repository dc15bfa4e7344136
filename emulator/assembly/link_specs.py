"""From the rig's words for buses, ports and outputs to links and promises."""

from __future__ import annotations

import os

from emulator.assembly.session import Session
from emulator.config.rig.bus_load import wire_ns
from emulator.config.rig.buses import Bus, LoopbackBus, SerialBus, SocketcanBus
from emulator.config.rig.file import Rig
from emulator.config.rig.ports import PtyPort, SerialPort, UdpPort
from emulator.config.rig.ports import TcpPort as TcpPortModel
from emulator.core.compiled import uncompiled
from emulator.core.link_protocols import GnssLink
from emulator.links.can_bus_spec import CanBusSpec
from emulator.links.gnss_port import GnssPortSpec, TcpPort
from emulator.links.gnss_port import PtyPort as PtyLink
from emulator.links.pulse import PulseSpec
from emulator.loop.bus_watch import Answer, BusFault, BusRules
from emulator.loop.certificate import GNSS, OutputSpec
from emulator.sensors.burst_line import on_the_line_ns
from emulator.wire.can_frames import Codec
from emulator.wire.nmea import longest_burst


def output_specs(session: Session) -> list[OutputSpec]:
    """What every output promises, for the timing certificate."""
    table, codec = session.codec.table, session.codec
    specs = [
        OutputSpec(
            codec.label(name),
            int(table.can_id[codec.frame(name)]),
            o.rate_hz,
            round(o.latency_ms * 1e6),
            round(o.jitter_ms * 1e6),
            wire_ns(session.rig, codec, name),
        )
        for name, o in session.rig.outputs.items()
    ]
    gnss = session.rig.sensors.gnss
    return [
        *specs,
        OutputSpec("gnss", GNSS, gnss.rate_hz, round(gnss.latency_ms * 1e6), round(gnss.jitter_ms * 1e6)),
    ]


def can_spec(rig: Rig, codec: Codec, loopback_port: int) -> CanBusSpec:
    """How to open the rig's bus; ``loopback_port`` is where this run's bus server listens."""
    bus = rig.bus
    if isinstance(bus, LoopbackBus):
        return CanBusSpec(kind="loopback", channel="can0", host=bus.host, port=loopback_port)
    if isinstance(bus, SocketcanBus):
        fd_ids = frozenset(int(i) for i, fd in zip(codec.table.can_id, codec.fd, strict=True) if fd)
        return CanBusSpec(
            kind="socketcan",
            channel=bus.channel,
            bitrate=bus.bitrate or CanBusSpec.bitrate,
            fd=bus.fd,
            fd_ids=fd_ids,
            data_bitrate=bus.data_bitrate or 0,
        )
    assert isinstance(bus, SerialBus)
    return CanBusSpec(kind="serial", channel=bus.device, bitrate=bus.bitrate, serial_baud=bus.tty_baud)


def link_kind(bus: Bus) -> str:
    """What a silence on the bus can be judged by, see emulator.verdict.attribution."""
    if isinstance(bus, SocketcanBus) and bus.channel.startswith("vcan"):
        return "vcan"
    return bus.kind


def bus_rules(rig: Rig) -> BusRules:
    """How faults of the bus are answered."""
    faults = rig.bus_faults
    answers: dict[BusFault, Answer] = {f: getattr(faults, f.name.lower()) for f in BusFault}
    return BusRules(answers, faults.error_frames_per_s, faults.frames_per_s)


def gnss_spec(rig: Rig) -> GnssPortSpec:
    """How to open the rig's GNSS port."""
    port = rig.gnss_port
    if isinstance(port, PtyPort):
        return GnssPortSpec(kind="pty", path=port.path or "")
    if isinstance(port, SerialPort):
        return GnssPortSpec(kind="serial", path=port.device, baud=port.baud)
    return GnssPortSpec(kind=port.kind, host=port.host, port=port.port)


def line_baud(rig: Rig) -> int | None:
    """Speed of the GNSS port's line if bytes take their time on it; a pseudo terminal's do not."""
    return rig.gnss_port.baud if isinstance(rig.gnss_port, SerialPort) else None


def gnss_lead_ns(rig: Rig) -> int:
    """How much earlier than due an epoch leaves: what its longest burst takes on the line."""
    return uncompiled(on_the_line_ns)(line_baud(rig) or 0, longest_burst(rig.sensors.gnss.sentences))


def pulse_spec(rig: Rig) -> PulseSpec | None:
    """How to open the pulse per second, if the rig has one."""
    pulse = rig.pulse_per_second
    return None if pulse is None else PulseSpec(pulse.device, pulse.line, pulse.width_ms)


def gnss_address(rig: Rig, link: GnssLink) -> str:
    """What the reference robot opens to read the sentences; empty where only hardware can (serial)."""
    if isinstance(link, PtyLink):
        return link.path
    port = rig.gnss_port
    if isinstance(link, TcpPort):
        assert isinstance(port, TcpPortModel)
        return f"{port.host}:{link.port}"
    if port.kind == "udp":
        return f"{port.host}:{port.port}"
    return ""


def sole_uses(rig: Rig) -> list[tuple[str, str]]:
    """What the loop of a rig must have for itself: (kind, name) for ``links.sole_use.take``."""
    uses: list[tuple[str, str]] = []
    if isinstance(rig.bus, SocketcanBus):
        uses.append(("CAN interface", rig.bus.channel))
    elif isinstance(rig.bus, SerialBus):
        uses.append(("serial device", rig.bus.device))
    port = rig.gnss_port
    if isinstance(port, SerialPort):
        uses.append(("serial device", port.device))
    elif isinstance(port, UdpPort):
        uses.append(("GNSS receiver at", f"{port.host}:{port.port} (UDP)"))
    elif isinstance(port, PtyPort) and port.path:
        uses.append(("pseudo terminal", os.path.abspath(port.path)))
    if rig.pulse_per_second is not None:
        uses.append(("serial device", rig.pulse_per_second.device))
    return uses


def bus_words(rig: Rig, loopback_port: int) -> str:
    """The bus in words, for the screen."""
    bus = rig.bus
    if isinstance(bus, LoopbackBus):
        stands_for = "" if bus.bitrate is None else f", standing for {bus.bitrate // 1000} kbit/s"
        return f"virtual CAN bus can0 on {bus.host}:{loopback_port} (socketcand protocol){stands_for}"
    if isinstance(bus, SocketcanBus):
        return f"CAN interface {bus.channel}"
    return f"serial CAN adapter {bus.device} at {bus.bitrate // 1000} kbit/s"
