"""The virtual bus server: who gets what, what a malformed command does, and who is cut off."""

from __future__ import annotations

import os
import random
import select
import socket
import threading
import time
from collections.abc import Iterator

import pytest

from emulator.core.errors import DeviceAbsent
from emulator.core.frame_buffer import frame_buffer
from emulator.links import loopback
from emulator.links.can_bus import CanBusSpec, open_can
from emulator.links.loopback import BusServer, listen, local_address
from emulator.links.python_can import can
from emulator.shared_memory.status import BusWord
from tests.support.link_ends import EXTENDED, VirtualBus, content, outgoing, receive, wait_until


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
        monkeypatch.setattr("emulator.links.loopback._RAW_MODE_GRACE_NS", 1 << 60)
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


def join(bus: VirtualBus, verbatim: bool) -> socket.socket:
    client = bus.raw_client()
    if verbatim:
        client.sendall(b"< verbatim >")
        assert read_text(client, 1) == [b"< ok >"]
    return client


class TestVerbatim:
    """Frames handed on as they came, between those that asked for it."""

    SENT = b"< send 123 2 ab CD >< send 1AAAAAAA 0 >"
    FRAMES = b"< frame 123 12.345678 ABCD >< frame 1AAAAAAA 12.345678  >"

    def test_who_asked_gets_what_was_sent_and_others_get_frames(self, virtual_bus: VirtualBus) -> None:
        with (
            join(virtual_bus, False) as sender,
            join(virtual_bus, True) as one,
            join(virtual_bus, False) as two,
        ):
            one.sendall(self.FRAMES)  # from now on it is one of those that send, and served at once
            assert b"".join(read_text(two, 2)) == b"".join(read_text(sender, 2)) == self.FRAMES
            sender.sendall(self.SENT)
            assert b"".join(read_text(one, 2)) == self.SENT
            got = [without_time(frame) for frame in read_text(two, 2)]
            assert got == [b"< frame 123 ABCD >", b"< frame 1AAAAAAA  >"]
        wait_until(lambda: virtual_bus.counts().clients == 0, "all to leave")
        assert virtual_bus.counts()[2:5] == (4, 8, 0)
        told = [p["frames"] for p in virtual_bus.server.participants() if p["frames"]]
        assert told == [{"123": 1, "1AAAAAAA": 1}] * 2

    def test_frames_cut_anywhere_arrive_whole(self, virtual_bus: VirtualBus) -> None:
        with join(virtual_bus, True) as sender, join(virtual_bus, False) as listener:
            for cut in range(1, len(self.FRAMES)):
                sender.sendall(self.FRAMES[:cut])
                time.sleep(0.0005)
                sender.sendall(self.FRAMES[cut:])
                assert b"".join(read_text(listener, 2)) == self.FRAMES
        assert virtual_bus.counts().malformed == 0

    @pytest.mark.parametrize(
        "text",
        [
            b"< frame 800 1.000000 AB >",
            b"< frame 2AAAAAAA 1.000000 AB >",
            b"< frame 123 1.000000 ABC >",
            b"< frame 123 1.000000 ab >",
            b"< frame 123 1.000000 112233445566778899 >",
            b"< frame 123 x AB >",
        ],
    )
    def test_a_frame_that_is_none_is_answered_and_reaches_nobody(
        self, virtual_bus: VirtualBus, text: bytes
    ) -> None:
        with join(virtual_bus, True) as sender, join(virtual_bus, False) as listener:
            sender.sendall(text + self.FRAMES)
            assert b"".join(read_text(listener, 2)) == self.FRAMES
            assert read_text(sender, 1) == [b"< error unknown command >"]

    def test_who_did_not_ask_may_not_send_frames(self, virtual_bus: VirtualBus) -> None:
        with virtual_bus.raw_client() as sender:
            sender.sendall(b"< frame 123 1.000000 AB >")
            assert read_text(sender, 1) == [b"< error unknown command >"]
        assert virtual_bus.counts().frames_in == 0

    @pytest.mark.parametrize("verbatim", [True, False])
    def test_whole_texts_take_credit_as_well(self, virtual_bus: VirtualBus, verbatim: bool) -> None:
        """Each comes in a read of its own: the next is sent when the other has got it."""
        text = (b"< frame 123 1.000000  >" if verbatim else b"< send 123 0 >") * 100
        with join(virtual_bus, verbatim) as sender, join(virtual_bus, False) as listener:
            begun = time.monotonic()
            for _ in range(100):
                sender.sendall(text)
                read_text(listener, 100)
            took_s = time.monotonic() - begun
        assert virtual_bus.counts().frames_in == 10_000
        # never more than 2,500 at once and 25,000 a second: stated in bus_participant, checked as time taken
        assert took_s >= (10_000 - 2_500) / 25_000


def test_what_is_handed_on_is_counted_on_a_bus_that_is_never_idle() -> None:
    """Stepped by hand: no turn finds nothing to do."""
    sockets = listen()
    server = BusServer(sockets)
    with socket.create_connection(("127.0.0.1", sockets[0].getsockname()[1])) as one:
        one.sendall(b"< open can0 >< rawmode >")
        for _ in range(6):
            server.turn(0.0)
        for _ in range(70):
            one.sendall(b"< send 123 1 55 >")
            server.turn(1.0)
        assert server.counts().frames_in >= 64
        server.participants()
        assert server.counts().frames_in == 70
    server.close()


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


def noise(dice: random.Random, texts: int) -> bytes:
    """Commands that are sound, bent, cut or no commands at all."""
    words = (b"send", b"sendrtr", b"open", b"rawmode", b"ECHO", b"error", b"frame", b"", b"<", b"\xff\x00")
    made = []
    for _ in range(texts):
        kind = dice.randrange(4)
        length = dice.randrange(10)
        data = b" ".join(b"%02X" % dice.randrange(256) for _ in range(length))
        text = b"< send %X %d %b >" % (dice.randrange(1 << dice.choice((8, 11, 12, 29, 33))), length, data)
        if kind == 0:
            text = dice.randbytes(dice.randrange(60))
        elif kind == 1:
            text = b"< %b %b >" % (dice.choice(words), dice.randbytes(dice.randrange(12)))
        elif kind == 2:
            at = dice.randrange(len(text))
            text = text[:at] + dice.randbytes(dice.randrange(3)) + text[at + dice.randrange(4) :]
        made.append(text)
    return b"".join(made)


class TestTooMuch:
    @pytest.mark.parametrize("each", [2_000, pytest.param(10_000, marks=pytest.mark.timing)])
    def test_thousands_of_texts_of_noise_harm_nobody(self, virtual_bus: VirtualBus, each: int) -> None:
        """From four participants at once, while two others talk to each other."""
        over: list[int] = []

        def pour(seed: int) -> None:
            with socket.create_connection(("127.0.0.1", virtual_bus.port), timeout=60) as client:
                client.sendall(b"< open can0 >" if seed % 2 else b"< open can7 >")
                poured = noise(random.Random(seed), each) + b"> < echo >"
                text, at = b"", 0
                client.settimeout(5.0)
                # reads while it sends: its answers are many, and the others' frames go on after the last
                while at < len(poured) or b"< echo >" not in text:
                    if at < len(poured):
                        client.sendall(poured[at : at + 1000])
                        at += 1000
                    if at >= len(poured) or select.select([client], [], [], 0)[0]:
                        text = text[-8:] + client.recv(65536)
            over.append(seed)

        one, other = (open_can(CanBusSpec("loopback", port=virtual_bus.port)) for _ in range(2))
        threads = [threading.Thread(target=pour, args=(seed,), daemon=True) for seed in range(4)]
        for thread in threads:
            thread.start()
        heard: list[tuple[int, bytes]] = []
        sent = 0
        into = frame_buffer(512)
        limit = time.monotonic() + 200.0
        while any(thread.is_alive() for thread in threads) or len(heard) < sent:
            assert time.monotonic() < limit, (len(heard), sent, over)
            if any(thread.is_alive() for thread in threads):
                sent += one.send(outgoing([(EXTENDED | 0x1234567, sent.to_bytes(8, "big"))]))
            into.count[0] = 0
            other.receive(into, 0)
            heard += [frame for frame in content(into) if frame[0] == EXTENDED | 0x1234567]
            one.receive(frame_buffer(512), 0)
            assert one.counts().alive
            assert other.counts().alive
            time.sleep(0.001)
        for thread in threads:
            thread.join()
        assert sorted(over) == [0, 1, 2, 3]
        assert [int.from_bytes(data, "big") for _, data in heard] == list(range(sent))
        counts = virtual_bus.counts()
        assert counts.malformed > 2 * each
        assert counts.dropped_clients == 0
        one.close()
        other.close()

    def test_who_babbles_is_made_to_wait_and_the_others_are_not_cut_off(
        self, virtual_bus: VirtualBus
    ) -> None:
        begun = time.monotonic()
        babbler = virtual_bus.raw_client()
        babbler.shutdown(socket.SHUT_RD)
        one, other = (open_can(CanBusSpec("loopback", port=virtual_bus.port)) for _ in range(2))
        pour = threading.Thread(target=babbler.sendall, args=(b"< send 001 8 1 2 3 4 5 6 7 8 >" * 12_000,))
        pour.start()
        into = frame_buffer(512)
        heard = sent = 0
        while pour.is_alive() or heard < sent or other.counts().received < 12_000 + sent:
            if sent < 50:
                sent += one.send(outgoing([(0x7FF, b"\x01")]))
            into.count[0] = 0
            one.receive(into, 0)
            into.count[0] = 0
            other.receive(into, 0)
            heard += sum(can_id == 0x7FF for can_id, _ in content(into))
            assert time.monotonic() - begun < 60.0
            time.sleep(0.001)
        counts = virtual_bus.counts()
        assert (heard, other.counts().received, other.counts().receive_lost) == (50, 12_050, 0)
        assert (counts.dropped_clients, counts.clients) == (0, 3)
        # no more than the limit at any time: 2,500 at once and 25,000 a second
        assert counts.pauses > 0
        assert 2_500 + 25_000 * (time.monotonic() - begun) >= 12_000
        pour.join()
        babbler.close()
        one.close()
        other.close()

    def test_who_dies_while_made_to_wait_leaves_nothing(self, virtual_bus: VirtualBus) -> None:
        babbler = virtual_bus.raw_client()
        babbler.setblocking(False)
        wait_until(
            lambda: virtual_bus.counts().pauses or not babbler.send(b"< send 001 0 >" * 500), "a pause"
        )
        babbler.close()
        wait_until(lambda: virtual_bus.counts().clients == 0, "the participant to be forgotten")


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

    def test_any_number_of_them_takes_no_more_memory_than_their_limits(self) -> None:
        """They are cut off one by one while the others talk on."""
        bus = VirtualBus(unread_limit=50_000)
        try:
            deaf = [bus.raw_client() for _ in range(10)]
            for client in deaf:
                client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            sender = bus.raw_client()
            link = open_can(CanBusSpec("loopback", port=bus.port))
            into, sent = frame_buffer(64), 0
            while bus.counts().dropped_clients < 10:
                assert sent < 500_000
                sender.sendall(b"< send 123 8 00 11 22 33 44 55 66 77 >" * 50)
                sent += 50
                into.count[0] = 0
                wait_until(lambda: link.receive(into, 0) * 0 + int(into.count[0]) == 50, "the frames sent")
                assert sum(len(p.queue) for p in list(bus.server._participants.values())) <= 10 * 60_000
            assert bus.counts().clients == 2
            cut_off = [told["participants"] for kind, told in bus.told if kind == "cut_off"]
            ports = {f"127.0.0.1:{client.getsockname()[1]}" for client in deaf}
            assert {who["name"] for (who,) in cut_off} == ports
            for client in (*deaf, sender):
                client.close()
            link.close()
        finally:
            bus.stop()

    def test_a_crowd_that_only_listens_gets_everything_too(self, virtual_bus: VirtualBus) -> None:
        crowd = [virtual_bus.raw_client() for _ in range(60)]
        with virtual_bus.raw_client() as sender:
            for n in range(200):
                sender.sendall(b"< send %03X 1 AA >" % n)
                time.sleep(0.0005)
            for client in crowd:
                told = read_text(client, 200)
                assert [frame.split()[2] for frame in told] == [b"%03X" % n for n in range(200)]
                client.close()


class TestWhoIsWho:
    def test_two_who_send_the_same_identifier_in_turns_are_told_of_once(
        self, virtual_bus: VirtualBus
    ) -> None:
        with virtual_bus.raw_client() as one, virtual_bus.raw_client() as other:
            for _ in range(5):
                for sender, listener in ((one, other), (other, one)):
                    sender.sendall(b"< send 201 1 55 >")
                    read_text(listener, 1)
            names = [f"127.0.0.1:{client.getsockname()[1]}" for client in (one, other)]
        wait_until(lambda: virtual_bus.told, "it to be told")
        ((kind, told),) = virtual_bus.told
        assert (kind, told["identifier"], told["bus"]) == ("two_senders", "201", "can0")
        assert sorted(p["name"] for p in told["participants"]) == sorted(names)

    @pytest.mark.parametrize("leaves", [True, False])
    def test_one_after_the_other_is_no_conflict(self, virtual_bus: VirtualBus, leaves: bool) -> None:
        """A robot that joins anew, or a second one that takes over."""
        with virtual_bus.raw_client() as listener:
            one, other = virtual_bus.raw_client(), virtual_bus.raw_client()
            one.sendall(b"< send 201 1 55 >")
            read_text(listener, 1)
            if leaves:
                one.close()
                wait_until(lambda: virtual_bus.counts().clients == 2, "it to leave")
            for _ in range(5):
                other.sendall(b"< send 201 1 55 >")
                read_text(listener, 1)
            one.close()
            other.close()
        assert virtual_bus.told == []

    def test_frames_are_counted_by_participant_and_identifier(self, virtual_bus: VirtualBus) -> None:
        with virtual_bus.raw_client() as listener:
            link = open_can(CanBusSpec("loopback", port=virtual_bus.port))  # comes by the local socket
            link.send(outgoing([(0x201, b""), (0x201, b""), (EXTENDED | 0x201, b"")]))
            read_text(listener, 3)
            listener.sendall(b"< jump >")
            read_text(listener, 1)
            link.close()
        wait_until(lambda: virtual_bus.counts().clients == 0, "both to leave")
        told = {p["pid"]: p for p in virtual_bus.server.participants()}
        assert told[os.getpid()]["frames"] == {"201": 2, "00000201": 1}
        assert told[os.getpid()]["name"] == f"process {os.getpid()}"
        assert (told[0]["malformed"], told[0]["frames"]) == (1, {})


class TestDelay:
    def test_every_frame_is_counted_with_no_less_than_it_took(self, virtual_bus: VirtualBus) -> None:
        with virtual_bus.raw_client() as sender, virtual_bus.raw_client() as listener:
            for _ in range(20):
                sender.sendall(b"< send 123 1 55 >< send 124 1 55 >")
                read_text(listener, 2)
        assert virtual_bus.counts().frames_in == 40
        assert sum(virtual_bus.server.delays) == 40
        assert virtual_bus.server.words[BusWord.DELAY_MAX_NS] > 0

    def test_a_server_that_stood_still_says_so_of_the_frames_that_came_meanwhile(self) -> None:
        """Stepped by hand: what came while it did not look can have been there all the time."""
        sockets = listen()
        server = BusServer(sockets)
        port = sockets[0].getsockname()[1]

        def turns() -> None:
            for _ in range(6):
                server.turn(0.0)

        with socket.create_connection(("127.0.0.1", port)) as one:
            one.sendall(b"< open can0 >< rawmode >")
            turns()
            one.sendall(b"< send 123 1 55 >")
            turns()
            quick = server.words[BusWord.DELAY_MAX_NS]
            one.sendall(b"< send 123 1 55 >")
            time.sleep(0.2)
            turns()
            assert quick < 100_000_000
            assert server.words[BusWord.DELAY_MAX_NS] >= 200_000_000
            assert sum(server.delays) == 2
        server.close()


class TestExpected:
    """Somebody sends once a period: the server is awake when it does."""

    PERIOD_NS = 1_000_000_000

    @pytest.fixture
    def joined(self) -> Iterator[tuple[BusServer, dict[str, socket.socket]]]:
        """A server stepped by hand, with two participants by TCP and one that is of this process."""
        sockets = listen()
        port = sockets[0].getsockname()[1]
        server = BusServer(sockets)
        near = socket.socket(socket.AF_UNIX)
        near.connect(local_address(port))
        far = {name: socket.create_connection(("127.0.0.1", port)) for name in ("robot", "listener")}
        clients = {"bench": near, **far}
        for client in clients.values():
            client.settimeout(60.0)
            client.sendall(b"< open can0 >< rawmode >")
        while server.counts().joined < len(clients):
            server.turn(0.0)
        for client in clients.values():
            read_text(client, 3)
            client.sendall(b"< echo >")  # frames start with the command behind rawmode
            server.turn(60.0)
            read_text(client, 1)
        yield server, clients
        for client in clients.values():
            client.close()
        server.close()

    def test_one_turn_lasts_until_what_is_expected_was_handed_on(
        self, joined: tuple[BusServer, dict[str, socket.socket]], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """What others send meanwhile is handed on at once and does not end it."""
        monkeypatch.setattr(loopback, "_AWAKE_AFTER_NS", 60_000_000_000)
        server, clients = joined
        begun_ns = time.monotonic_ns()
        server.expect(os.getpid(), begun_ns, self.PERIOD_NS)

        def send() -> None:
            while not server._beat:
                time.sleep(0.001)
            for sender, identifier in (("robot", b"123"), ("robot", b"124"), ("bench", b"125")):
                clients[sender].sendall(b"< send %b 1 55 >" % identifier)
                got.extend(read_text(clients["listener"], 1))

        got: list[bytes] = []
        others = threading.Thread(target=send)
        others.start()
        server.turn(60.0)
        took_ns = time.monotonic_ns() - begun_ns
        others.join(60.0)
        assert [frame.split()[2] for frame in got] == [b"123", b"124", b"125"]
        assert took_ns < 60_000_000_000

    def test_what_does_not_come_is_not_awaited_for_ever_and_the_time_is_used(
        self, joined: tuple[BusServer, dict[str, socket.socket]]
    ) -> None:
        server, clients = joined
        clients["robot"].sendall(b"< send 123 1 55 >")
        server.turn(60.0)
        assert server.counts().frames_in == 0  # counted once there is time
        server.expect(os.getpid(), time.monotonic_ns(), self.PERIOD_NS)
        server.turn(60.0)
        assert server.counts().frames_in == 1

    def test_without_a_timer_of_the_kernel_all_goes_on_as_before(
        self, joined: tuple[BusServer, dict[str, socket.socket]], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def none(_at_ns: int, _period_ns: int) -> None:
            raise OSError("no timer")

        monkeypatch.setattr(loopback, "Metronome", none)
        server, clients = joined
        server.expect(os.getpid(), time.monotonic_ns(), 1_000_000)
        clients["bench"].sendall(b"< send 123 1 55 >")
        server.turn(60.0)
        assert without_time(*read_text(clients["listener"], 1)) == b"< frame 123 55 >"


class TestStarting:
    def test_a_taken_port_is_said_with_what_to_do(self, virtual_bus: VirtualBus) -> None:
        with pytest.raises(DeviceAbsent, match=rf"listen on 127.0.0.1:{virtual_bus.port}") as error:
            listen("127.0.0.1", virtual_bus.port)
        assert "another virtual bus or program has this port" in error.value.advice

    def test_a_foreign_address_is_said(self) -> None:
        with pytest.raises(DeviceAbsent, match=r"cannot listen on 192\.0\.2\.1") as error:
            listen("192.0.2.1")
        assert "address of this machine" in error.value.advice

    def test_the_port_is_free_again_after_it_is_closed(self) -> None:
        for _ in range(2):
            sockets = listen()
            port = sockets[0].getsockname()[1]
            server = BusServer(sockets)
            with socket.create_connection(("127.0.0.1", port)):
                server.turn(0.0)
                assert server.counts().clients == 1
                server.close()
            for taking in listen("127.0.0.1", port):
                taking.close()
