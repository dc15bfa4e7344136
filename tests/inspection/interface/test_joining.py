"""The lines that open the bus are run as they stand on the page."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from typing import Any

import pytest

from emulator.config.rig.buses import SerialBus, SocketcanBus
from emulator.config.rig.ports import PulsePerSecond, SerialPort, TcpPort, UdpPort
from emulator.inspection.interface.description import Interface
from emulator.inspection.interface.joining import bus_of
from emulator.inspection.interface.satellites import receiver
from emulator.inspection.sensors.capture import level_session
from emulator.links.can_bus import open_can
from emulator.links.can_bus_spec import CanBusSpec
from emulator.links.loopback import local_address
from emulator.wire.nmea import Fix, burst
from tests.support.link_ends import VirtualBus, outgoing, receive
from tests.support.scripted_robot import RIG, variant


@pytest.fixture
def virtual_bus() -> Iterator[VirtualBus]:
    bus = VirtualBus()
    yield bus
    bus.stop()


def run(lines: str, port: int) -> dict[str, Any]:
    """What the lines leave behind, with the port they were told of."""
    names: dict[str, Any] = {}
    exec(lines.replace("PORT", str(port)), names)
    return names


def test_python_can_joins_by_these_lines(demo: Interface, virtual_bus: VirtualBus) -> None:
    bench = open_can(CanBusSpec("loopback", demo.bus.channel, port=virtual_bus.port))
    bus = run(demo.bus.python_can, virtual_bus.port)["bus"]
    try:
        import can

        bus.send(can.Message(arbitration_id=0x80, data=bytes(range(8)), is_extended_id=False))
        assert receive(bench, 1) == [(0x80, bytes(range(8)))]
        bench.send(outgoing([(0x100, b"\x01\x02")]))
        message = bus.recv(10)
        assert (message.arbitration_id, bytes(message.data)) == (0x100, b"\x01\x02")
    finally:
        bus.shutdown()
        bench.close()


def test_a_plain_socket_joins_by_these_lines_and_formats(demo: Interface, virtual_bus: VirtualBus) -> None:
    bench = open_can(CanBusSpec("loopback", demo.bus.channel, port=virtual_bus.port))
    made = run(demo.bus.plain_socket, virtual_bus.port)
    connection, text = made["connection"], made["text"]
    try:
        connection.sendall(demo.bus.send_format.rpartition(": ")[2].encode())
        assert receive(bench, 1) == [(0x80, bytes(range(1, 9)))]
        bench.send(outgoing([(0x100, bytes(range(1, 9)))]))
        connection.settimeout(10)
        while b">" not in text:
            text += connection.recv(4096)
        shown = demo.bus.receive_format.rpartition(": ")[2]
        form = re.sub(r"\d+\.\d{6}", r"\\d+\\.\\d{6}", shown)
        assert re.fullmatch(form, text.decode()), text
    finally:
        connection.close()
        bench.close()


def test_the_opening_is_what_passes(demo: Interface, virtual_bus: VirtualBus) -> None:
    import socket

    with socket.create_connection(("127.0.0.1", virtual_bus.port), timeout=10) as connection:
        for line in demo.bus.opening:
            who, _, text = line.partition(": ")
            if who == "robot":
                connection.sendall(text.encode())
            else:
                assert connection.recv(len(text)).decode() == text
    assert {line.partition(": ")[0] for line in demo.bus.opening} == {"bus", "robot"}


def test_the_local_socket_is_named_as_the_bus_names_it(demo: Interface) -> None:
    assert demo.bus.local_socket is not None
    assert "\0" + demo.bus.local_socket.replace("PORT", "4711") == local_address(4711)


def test_other_buses_are_told_with_their_rates_and_their_lines_are_python() -> None:
    session = level_session(RIG)
    fast = SocketcanBus(kind="socketcan", channel="can3", fd=True, bitrate=500_000, data_bitrate=2_000_000)
    kernel = bus_of(variant(session, rig={"bus": fast}))
    assert (kernel.channel, kernel.can_fd) == ("can3", True)
    assert (kernel.bit_rate, kernel.data_bit_rate) == (500_000, 2_000_000)
    assert kernel.opening == ("ip link set can3 up type can bitrate 500000 dbitrate 2000000 fd on",)
    assert "fd=True" in kernel.python_can
    slow = SerialBus(kind="serial", device="/dev/ttyACM0", bitrate=250_000)
    adapter = bus_of(variant(session, rig={"bus": slow}))
    assert (adapter.bit_rate, adapter.channel) == (250_000, "")
    assert "/dev/ttyACM0" not in str(adapter)  # which is the bench's own
    for bus in (kernel, adapter, bus_of(session)):
        for lines in (bus.python_can, bus.plain_socket):
            ast.parse(lines)


@pytest.mark.parametrize(
    ("port", "words"),
    [
        (SerialPort(kind="serial", device="/dev/ttyUSB0", baud=115_200), "115200 baud"),
        (UdpPort(kind="udp", host="10.1.1.1", port=5005), "sent to 10.1.1.1:5005"),
        (TcpPort(kind="tcp", host="10.1.1.1", port=0), "port printed at the start"),
        (TcpPort(kind="tcp", host="10.1.1.1", port=77), "port 77 of 10.1.1.1"),
    ],
)
def test_each_kind_of_gnss_port_says_how_to_read_it(port: Any, words: str) -> None:
    pulse = PulsePerSecond(device="/dev/ttyS3", line="rts")
    rig = variant(level_session(RIG), rig={"gnss_port": port, "pulse_per_second": pulse}).rig
    fix = Fix(0, 0.1, 0.2, 10.0, 0.0, 4, 12, 0.8, 3.0, 0.0)
    gnss = receiver(rig, burst(fix, rig.sensors.gnss.sentences), None)
    assert words in gnss.port
    assert "RTS of /dev/ttyS3" in gnss.pulse_per_second


def test_a_leap_second_is_told_as_second_60(demo: Interface) -> None:
    """ITU-R TF.460-6 (from memory): 23:59:59, 23:59:60, then 00:00:00 of the next day."""
    assert demo.gnss.leap_second == (
        "235959.000 311216",
        "235959.900 311216",
        "235960.000 311216",
        "235960.900 311216",
        "000000.000 010117",
    )
    assert demo.gnss.leap_second_day is None
