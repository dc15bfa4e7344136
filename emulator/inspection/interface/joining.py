"""How to join the bench's CAN bus: what it is, and the exact lines that open it.

The lines are run by a test against the bus itself.
"""

from __future__ import annotations

from emulator.assembly.link_specs import can_spec
from emulator.assembly.session import Session
from emulator.config.rig.buses import LoopbackBus, SerialBus, SocketcanBus
from emulator.inspection.interface.description import Bus
from emulator.links.loopback import local_address

_PORT = "PORT"

_VIRTUAL_PYTHON_CAN = """\
import can
bus = can.Bus(interface="socketcand", channel="{channel}", host="{host}", port={port})"""

_VIRTUAL_SOCKET = """\
import socket
connection = socket.create_connection(("{host}", {port}))
connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
text = b""
for command, answer in (
    (b"", b"< hi >"),
    (b"< open {channel} >", b"< ok >"),
    (b"< rawmode >", b"< ok >"),
):
    connection.sendall(command)
    while len(text) < len(answer):
        more = connection.recv(4096)
        if not more:
            raise ConnectionError("the bus closed the connection")
        text += more
    if not text.startswith(answer):
        raise ConnectionError(text.decode())
    text = text[len(answer):]
# from here on: frames, beginning with what is left in text"""

_KERNEL_PYTHON_CAN = """\
import can
bus = can.Bus(interface="socketcan", channel="{channel}"{fd})"""

_KERNEL_SOCKET = """\
import socket
connection = socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW){fd}
connection.bind(("{channel}",))"""

_KERNEL_FD = """
connection.setsockopt(socket.SOL_CAN_RAW, socket.CAN_RAW_FD_FRAMES, 1)"""


def bus_of(session: Session) -> Bus:
    """The rig's bus, and how to join it."""
    bus = session.rig.bus
    if isinstance(bus, LoopbackBus):
        return _virtual(session, bus)
    if isinstance(bus, SocketcanBus):
        return _kernel(bus)
    return _adapter(bus)


def _virtual(session: Session, bus: LoopbackBus) -> Bus:
    spec = can_spec(session.rig, session.codec, bus.port)
    port = str(bus.port) if bus.port else _PORT
    words = f"virtual CAN bus {spec.channel} on the bench's machine, {spec.host}, port {port}"
    if not bus.port:
        words += (
            f" ({port}: chosen when the run starts, and printed then in the line that begins with 'bus:')"
        )
    return Bus(
        kind="loopback",
        words=words,
        host=spec.host,
        port=bus.port,
        local_socket=local_address(0).removeprefix("\0").removesuffix("0") + _PORT,
        channel=spec.channel,
        bit_rate=bus.bitrate,
        data_bit_rate=None,
        can_fd=False,
        protocol="socketcand text protocol over TCP, or over a local socket of the same machine",
        opening=(
            "bus: < hi >",
            f"robot: < open {spec.channel} >",
            "bus: < ok >",
            "robot: < rawmode >",
            "bus: < ok >",
        ),
        receive_format="< frame ID SECONDS.MICROSECONDS DATA > with ID in 3 or 8 hexadecimal digits and DATA "
        "in 2 a byte, without spaces: < frame 100 1700000000.123456 0102030405060708 >",
        send_format="< send ID LENGTH BYTE BYTE ... > with ID as above and each byte apart: "
        "< send 080 8 01 02 03 04 05 06 07 08 >",
        python_can=_VIRTUAL_PYTHON_CAN.format(channel=spec.channel, host=spec.host, port=port),
        plain_socket=_VIRTUAL_SOCKET.format(channel=spec.channel, host=spec.host, port=port),
        notes=(
            "Texts follow one another without a line end, and may come cut anywhere: collect them up to '>'.",
            "All but the sender get a frame; you never hear your own.",
            "Read what comes: a participant that leaves too much unread is cut off. One that sends more "
            "than any "
            "CAN bus could carry is made to wait.",
            "Frames begin with the first text you send after rawmode, or a moment later.",
            "There is no arbitration and no bus load; identifiers of others must not be sent.",
        ),
    )


def _kernel(bus: SocketcanBus) -> Bus:
    rates = "" if bus.bitrate is None else f" bitrate {bus.bitrate}"
    if bus.fd:
        rates += ("" if bus.data_bitrate is None else f" dbitrate {bus.data_bitrate}") + " fd on"
    return Bus(
        kind="socketcan",
        words=f"CAN interface {bus.channel} of the bench's machine"
        + ("" if bus.bitrate is None else f", {bus.bitrate} bit/s")
        + (f", CAN FD data {bus.data_bitrate} bit/s" if bus.fd and bus.data_bitrate else ""),
        host=None,
        port=None,
        local_socket=None,
        channel=bus.channel,
        bit_rate=bus.bitrate,
        data_bit_rate=bus.data_bitrate,
        can_fd=bus.fd,
        protocol="CAN" + (" and CAN FD" if bus.fd else ""),
        opening=(f"ip link set {bus.channel} up type can{rates}",),
        receive_format="frames of the interface",
        send_format="frames of the interface",
        python_can=_KERNEL_PYTHON_CAN.format(channel=bus.channel, fd=", fd=True" if bus.fd else ""),
        plain_socket=_KERNEL_SOCKET.format(channel=bus.channel, fd=_KERNEL_FD if bus.fd else ""),
        notes=(
            "The lines are for a robot on the same machine or a virtual interface. A robot with a "
            "controller of "
            "its own joins the same wires, at the same bit rates and sample points, with both ends "
            "terminated.",
            "Identifiers of others must not be sent: it is a fault of the bus, and may trip the bench.",
        ),
    )


def _adapter(bus: SerialBus) -> Bus:
    return Bus(
        kind="serial",
        words=f"CAN at {bus.bitrate} bit/s; the bench is on it by a serial adapter",
        host=None,
        port=None,
        local_socket=None,
        channel="",
        bit_rate=bus.bitrate,
        data_bit_rate=None,
        can_fd=False,
        protocol="CAN",
        opening=(f"ip link set can0 up type can bitrate {bus.bitrate}",),
        receive_format="frames of your controller",
        send_format="frames of your controller",
        python_can=_KERNEL_PYTHON_CAN.format(channel="can0", fd=""),
        plain_socket=_KERNEL_SOCKET.format(channel="can0", fd=""),
        notes=(
            "Join the same wires with a controller of your own, at the same bit rate and sample point, "
            "with both "
            "ends terminated; can0 stands for its interface.",
            "Identifiers of others must not be sent: it is a fault of the bus, and may trip the bench.",
        ),
    )
