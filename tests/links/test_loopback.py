"""The virtual bus server: who gets what, what a malformed command does, and who is cut off."""

from __future__ import annotations

import asyncio
import random
import socket
import threading
import time

import can
import pytest
from link_ends import EXTENDED, VirtualBus, outgoing, receive, wait_until

from emulator.errors import DeviceAbsent
from emulator.links.can_bus import CanBusSpec, open_can
from emulator.links.loopback import BusServer
from emulator.ports import frame_buffer


def read_text(client: socket.socket, pieces: int) -> list[bytes]:
    """Read bracketed texts until there are ``pieces`` of them."""
    text = b""
    while text.count(b">") < pieces:
        data = client.recv(65536)
        assert data, f"connection closed after {text!r}"
        text += data
    return [piece + b">" for piece in text.split(b">")[:-1]]


def without_time(frame: bytes) -> bytes:
    fields = frame.split(b" ")
    assert float(fields[3]) > 0
    return b" ".join(fields[:3] + fields[4:])


class TestForwarding:
    def test_all_others_get_it_and_the_sender_does_not(self, virtual_bus: VirtualBus) -> None:
        links = [open_can(CanBusSpec("loopback", port=virtual_bus.port)) for _ in range(3)]
        frame = (EXTENDED | 0x123, b"\x01\x02")
        assert links[0].send(outgoing([frame])) == 1
        assert receive(links[1], 1) == [frame]
        assert receive(links[2], 1) == [frame]
        links[1].send(outgoing([(0x1, b"")]))
        assert receive(links[0], 1) == [(0x1, b"")]  # and not its own frame before it
        assert receive(links[2], 1) == [(0x1, b"")]
        counts = virtual_bus.counts()
        assert (counts.clients, counts.joined, counts.frames_in, counts.frames_out) == (3, 3, 2, 4)
        for link in links:
            link.close()
        wait_until(lambda: virtual_bus.counts().clients == 0, "participants to leave")

    def test_bus_names_keep_buses_apart(self, virtual_bus: VirtualBus) -> None:
        a, b, c = (
            open_can(CanBusSpec("loopback", name, port=virtual_bus.port)) for name in ("can0", "can1", "can1")
        )
        a.send(outgoing([(0x10, b"\x01")]))
        b.send(outgoing([(0x20, b"\x02")]))
        assert receive(c, 1) == [(0x20, b"\x02")]
        assert virtual_bus.counts().frames_out == 1
        for link in (a, b, c):
            link.close()

    @pytest.mark.parametrize(
        ("command", "frame"),
        [
            (b"< send 123 0 >", b"< frame 123  >"),  # two spaces: python-can needs the empty data field
            (b"< send 123 0  >", b"< frame 123  >"),  # as python-can writes it
            (b"<send 1AAAAAAA 2 1 F1 >", b"< frame 1AAAAAAA 01F1 >"),
            (b"< send 1aaaaaaa 2 01 f1 >", b"< frame 1AAAAAAA 01F1 >"),
            (b"\n < send 7 8 1 2 3 4 5 6 7 ff >", b"< frame 007 01020304050607FF >"),
            (b"< sendrtr 123 4 >", b"< rtr 123 4 >"),
        ],
    )
    def test_commands_as_the_protocol_writes_them(
        self, virtual_bus: VirtualBus, command: bytes, frame: bytes
    ) -> None:
        with virtual_bus.raw_client() as sender, virtual_bus.raw_client() as listener:
            sender.sendall(command)
            assert without_time(read_text(listener, 1)[0]) == frame
        assert virtual_bus.counts().malformed == 0

    def test_a_frame_cut_into_single_bytes(self, virtual_bus: VirtualBus) -> None:
        with virtual_bus.raw_client() as sender, virtual_bus.raw_client() as listener:
            sender.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            for byte in b"< send 123 2 AB CD >< send 124 0 >":
                sender.sendall(bytes([byte]))
            frames = read_text(listener, 2)
        assert [without_time(frame) for frame in frames] == [b"< frame 123 ABCD >", b"< frame 124  >"]

    def test_the_own_client_of_python_can_joins_a_busy_bus(self, virtual_bus: VirtualBus) -> None:
        """It takes the answer to `rawmode` only if no frame is glued to it: the server holds frames back."""
        sender = virtual_bus.raw_client()
        stop = threading.Event()

        def flood() -> None:
            while not stop.is_set():
                sender.sendall(b"< send 100 1 AA >")
                time.sleep(0.0001)

        thread = threading.Thread(target=flood)
        thread.start()
        try:
            for _ in range(4):
                with can.Bus(
                    interface="socketcand", channel="can0", host="127.0.0.1", port=virtual_bus.port
                ) as bus:
                    message = bus.recv(5)
                    assert message is not None
                    assert message.arbitration_id == 0x100
        finally:
            stop.set()
            thread.join()
            sender.close()

    def test_no_frame_is_glued_to_the_answer_to_rawmode(
        self, virtual_bus: VirtualBus, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr("emulator.links.loopback._RAW_MODE_GRACE_S", 1e6)
        newcomer = socket.create_connection(("127.0.0.1", virtual_bus.port), timeout=10)
        with newcomer, virtual_bus.raw_client() as sender, virtual_bus.raw_client() as listener:
            newcomer.sendall(b"< open can0 >< rawmode >")
            assert read_text(newcomer, 3) == [b"< hi >", b"< ok >", b"< ok >"]
            sender.sendall(b"< send 100 1 AA >")
            read_text(listener, 1)  # the bus has carried it
            newcomer.sendall(b"< echo >")  # a command proves that the answer was read
            assert read_text(newcomer, 1) == [b"< echo >"]
            sender.sendall(b"< send 101 1 AA >")
            assert without_time(read_text(newcomer, 1)[0]) == b"< frame 101 AA >"

    def test_who_only_listens_gets_frames_after_the_grace_time(self, virtual_bus: VirtualBus) -> None:
        newcomer = socket.create_connection(("127.0.0.1", virtual_bus.port), timeout=10)
        with newcomer, virtual_bus.raw_client() as sender:
            newcomer.sendall(b"< open can0 >< rawmode >")
            read_text(newcomer, 3)

            def reached() -> bool:
                sender.sendall(b"< send 100 1 AA >")
                return virtual_bus.counts().frames_out > 0

            wait_until(reached, "the first frame for the one who only listens")
            assert without_time(read_text(newcomer, 1)[0]) == b"< frame 100 AA >"


class TestBadTraffic:
    @pytest.mark.parametrize(
        ("command", "answer"),
        [
            (b"< jump >", b"< error unknown command >"),
            (b">", b"< error unknown command >"),
            (b"< send 800 0 >", b"< error identifier out of range >"),
            (b"< send 2FFFFFFF 0 >", b"< error identifier out of range >"),
            (b"< send 1234 0 >", b"< error identifier out of range >"),
            (b"< send 123 2 01 >", b"< error wrong number of data bytes >"),
            (b"< send 123 2 1 2 3 >", b"< error wrong number of data bytes >"),
            (b"< send 123 9 1 2 3 4 5 6 7 8 9 >", b"< error unknown command >"),
            (b"< send 123 1 1FF >", b"< error unknown command >"),
            (b"< send 123 1 G >", b"< error unknown command >"),
            (b"x" * 300, b"< error no end of command >"),
        ],
    )
    def test_is_answered_counted_and_forgotten(
        self, virtual_bus: VirtualBus, command: bytes, answer: bytes
    ) -> None:
        with virtual_bus.raw_client() as sender, virtual_bus.raw_client() as listener:
            sender.sendall(command)
            assert read_text(sender, 1) == [answer]
            sender.sendall(b"< send 123 1 55 >")
            assert without_time(read_text(listener, 1)[0]) == b"< frame 123 55 >"
        assert virtual_bus.counts().malformed == 1
        assert virtual_bus.counts().frames_in == 1

    def test_nothing_may_be_sent_before_a_bus_is_open(self, virtual_bus: VirtualBus) -> None:
        with socket.create_connection(("127.0.0.1", virtual_bus.port)) as client:
            client.sendall(b"< send 123 1 55 >< rawmode >")
            assert read_text(client, 3) == [
                b"< hi >",
                b"< error no bus is open >",
                b"< error no bus is open >",
            ]

    def test_random_bytes_harm_nobody(self, virtual_bus: VirtualBus) -> None:
        random_state = random.Random(11)
        alphabet = b"<>  send rawmode echo 0123456789ABCDEF\r\n\x00\xff"
        link = open_can(CanBusSpec("loopback", port=virtual_bus.port))
        for round_number in range(20):
            noisy = virtual_bus.raw_client() if round_number % 2 else socket.socket()
            if not round_number % 2:
                noisy.connect(("127.0.0.1", virtual_bus.port))
            noisy.sendall(random_state.randbytes(2000))
            noisy.sendall(bytes(random_state.choices(alphabet, k=2000)))
            noisy.close()
        with virtual_bus.raw_client() as sender:
            sender.sendall(b"< send 6EF 1 55 >")
            wait_until(lambda: (0x6EF, b"\x55") in receive(link, 1), "the frame behind the noise")
        assert link.counts().alive
        assert virtual_bus.counts().malformed > 20
        link.close()


class TestWhoDoesNotRead:
    def test_is_cut_off_while_the_others_get_everything(self) -> None:
        bus = VirtualBus(unread_limit=20_000)
        try:
            stalled = bus.raw_client()
            stalled.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            sender = bus.raw_client()
            link = open_can(CanBusSpec("loopback", port=bus.port))
            into = frame_buffer(64)
            sent = 0
            while not bus.counts().dropped_clients:
                assert sent < 500_000
                sender.sendall(b"< send 123 8 00 11 22 33 44 55 66 77 >" * 50)
                sent += 50
                into.count[0] = 0
                wait_until(lambda: link.receive(into, 0) * 0 + int(into.count[0]) == 50, "the frames sent")
            assert link.counts().received == sent
            assert bus.counts().dropped_clients == 1
            assert bus.counts().clients == 2
            link.close()
            sender.close()
            stalled.close()
        finally:
            bus.stop()


class TestStarting:
    def test_a_taken_port_is_said_with_what_to_do(self, virtual_bus: VirtualBus) -> None:
        async def second() -> None:
            await BusServer().start("127.0.0.1", virtual_bus.port)

        with pytest.raises(DeviceAbsent, match=rf"listen on 127.0.0.1:{virtual_bus.port}") as error:
            asyncio.run(second())
        assert "another virtual bus or program has this port" in error.value.advice

    def test_a_foreign_address_is_said(self) -> None:
        with pytest.raises(DeviceAbsent, match=r"cannot listen on 192\.0\.2\.1") as error:
            asyncio.run(BusServer().start("192.0.2.1"))
        assert "address of this machine" in error.value.advice

    def test_the_port_is_free_again_after_stop(self) -> None:
        async def cycle() -> tuple[int, int]:
            server = BusServer()
            assert server.port == 0
            await server.start()
            port = server.port
            client = socket.create_connection(("127.0.0.1", port))
            await asyncio.sleep(0)
            await server.stop()
            client.close()
            again = BusServer()
            await again.start(port=port)
            same = again.port
            await again.stop()
            assert again.port == 0
            return port, same

        port, same = asyncio.run(cycle())
        assert port == same > 0
