"""Opening a CAN bus: every way it can fail, in words; and text links under bad or stalled traffic."""

from __future__ import annotations

import os
import random
import re
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from emulator.core.errors import DeviceAbsent, StartFailed
from emulator.core.frame_buffer import frame_buffer
from emulator.core.link_protocols import CanLink
from emulator.links.can_bus import CanBusSpec, open_can
from emulator.links.python_can import can
from tests.support.link_ends import EXTENDED, Frame, SerialAdapter, VirtualBus, outgoing, receive, wait_until


class ScriptedServer:
    """Answers the handshake of one client, then leaves the connection to the test."""

    def __init__(self, answers: tuple[bytes, ...] = (b"< hi >", b"< ok >", b"< ok >", b"< echo >")) -> None:
        self._answers = answers
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self.connection: socket.socket | None = None
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self) -> None:
        self._listener.accept()[0].close()  # the probe before the real connection
        self.connection, _ = self._listener.accept()
        for number, answer in enumerate(self._answers):
            if number:
                self.connection.recv(4096)
            self.connection.sendall(answer)

    def ready(self) -> socket.socket:
        self._thread.join(10)
        assert self.connection is not None
        return self.connection

    def close(self) -> None:
        self._listener.close()
        self._thread.join(10)
        if self.connection is not None:
            self.connection.close()


@pytest.fixture
def scripted() -> Iterator[Callable[..., ScriptedServer]]:
    made: list[ScriptedServer] = []

    def make(*answers: bytes) -> ScriptedServer:
        made.append(ScriptedServer(answers) if answers else ScriptedServer())
        return made[-1]

    yield make
    for server in made:
        server.close()


class TestOpeningTheVirtualBus:
    def test_nobody_listens(self) -> None:
        with socket.create_server(("127.0.0.1", 0)) as taken:
            port = taken.getsockname()[1]
        with pytest.raises(DeviceAbsent, match=rf"can0 at 127.0.0.1:{port}: nobody listens there") as error:
            open_can(CanBusSpec("loopback", port=port))
        assert "start the virtual bus first" in error.value.advice

    def test_a_server_that_stays_silent(self) -> None:
        with (
            socket.create_server(("127.0.0.1", 0)) as server,
            pytest.raises(DeviceAbsent, match=r"no answer within 0\.05 s"),
        ):
            open_can(CanBusSpec("loopback", port=server.getsockname()[1], connect_timeout_s=0.05))

    def test_a_server_that_speaks_something_else(self, scripted: Callable[..., ScriptedServer]) -> None:
        server = scripted(b"220 mail ready >")
        with pytest.raises(DeviceAbsent, match="not the socketcand protocol"):
            open_can(CanBusSpec("loopback", port=server.port))

    def test_a_bus_that_is_refused(self, scripted: Callable[..., ScriptedServer]) -> None:
        server = scripted(b"< hi >", b"< error could not open bus >")
        with pytest.raises(DeviceAbsent, match=r"the bus was refused.*could not open bus"):
            open_can(CanBusSpec("loopback", port=server.port))

    def test_a_server_that_hangs_up(self, scripted: Callable[..., ScriptedServer]) -> None:
        server = scripted(b"< hi >")
        hang_up = threading.Thread(target=lambda: server.ready().shutdown(socket.SHUT_RDWR))
        hang_up.start()
        with pytest.raises(DeviceAbsent, match=f"127.0.0.1:{server.port}"):
            open_can(CanBusSpec("loopback", port=server.port))
        hang_up.join()

    def test_a_host_that_does_not_exist(self) -> None:
        with pytest.raises(DeviceAbsent, match=r"no-such-host\.invalid") as error:
            open_can(CanBusSpec("loopback", host="no-such-host.invalid", port=29536))
        assert "check host and port" in error.value.advice

    def test_frames_glued_to_the_last_answer_are_not_lost(
        self, scripted: Callable[..., ScriptedServer]
    ) -> None:
        server = scripted(b"< hi >", b"< ok >", b"< ok >", b"< echo >< frame 123 1.5 0A >< fra")
        link = open_can(CanBusSpec("loopback", port=server.port))
        server.ready().sendall(b"me 124 1.5 0B >")
        assert receive(link, 2) == [(0x123, b"\x0a"), (0x124, b"\x0b")]
        link.close()


class TestTheLocalWay:
    """The virtual bus by its local socket, beside TCP."""

    @pytest.mark.parametrize("host", ["127.0.0.1", "localhost"])
    def test_is_taken_where_the_bus_is_on_this_machine(self, host: str, virtual_bus: VirtualBus) -> None:
        link = open_can(CanBusSpec("loopback", host=host, port=virtual_bus.port))
        with socket.socket(fileno=os.dup(link._descriptor)) as connection:  # type: ignore[attr-defined]
            assert connection.family == socket.AF_UNIX
        link.close()

    def test_reaches_who_came_by_tcp_and_is_reached_by_it(self, virtual_bus: VirtualBus) -> None:
        link = open_can(CanBusSpec("loopback", port=virtual_bus.port))
        with can.Bus(
            interface="socketcand", channel="can0", host="127.0.0.1", port=virtual_bus.port
        ) as other:
            other.send(can.Message(arbitration_id=0x123, is_extended_id=False, data=b"\x0a"))
            assert receive(link, 1) == [(0x123, b"\x0a")]
            link.send(outgoing([(0x456, b"\x0b")]))
            message = other.recv(5.0)
            assert message is not None
            assert (message.arbitration_id, bytes(message.data)) == (0x456, b"\x0b")
        link.close()

    def test_goes_on_with_a_server_of_before_that_knows_no_verbatim(
        self, virtual_bus: VirtualBus, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr("emulator.links.bus_participant._VERBATIM", re.compile(rb"(?!)"))
        one, other = (open_can(CanBusSpec("loopback", port=virtual_bus.port)) for _ in range(2))
        assert not one._verbatim  # type: ignore[attr-defined]
        one.send(outgoing([(0x123, b"\x01")]))
        assert receive(other, 1) == [(0x123, b"\x01")]
        one.close()
        other.close()


class TestOpeningTheOthers:
    @pytest.mark.parametrize("kind", ["loopback", "serial"])
    def test_can_fd_needs_the_kernel(self, kind: str) -> None:
        with pytest.raises(StartFailed, match="classical frames only"):
            open_can(CanBusSpec(kind, fd=True))  # type: ignore[arg-type]

    def test_an_unknown_kind(self) -> None:
        with pytest.raises(StartFailed, match="unknown kind 'carrier pigeon'"):
            open_can(CanBusSpec("carrier pigeon"))  # type: ignore[arg-type]

    def test_no_interface_of_that_name(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("emulator.links.can_bus._check_kernel_can", lambda where: None)
        with pytest.raises(DeviceAbsent, match="CAN interface can7: no such interface") as error:
            open_can(CanBusSpec("socketcan", "can7", bitrate=250_000))
        assert "ip link set can7 up type can bitrate 250000" in error.value.advice
        with pytest.raises(DeviceAbsent, match="vcan7") as error:
            open_can(CanBusSpec("socketcan", "vcan7"))
        assert "ip link add vcan7 type vcan" in error.value.advice

    def test_an_interface_that_is_not_can(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("emulator.links.can_bus._check_kernel_can", lambda where: None)
        with pytest.raises(DeviceAbsent, match="CAN interface lo: this is not a CAN interface"):
            open_can(CanBusSpec("socketcan", "lo"))

    @pytest.mark.parametrize(
        ("number", "text"), [(97, "this kernel has no CAN"), (1, "no permission to open CAN sockets")]
    )
    def test_a_kernel_without_can(self, number: int, text: str, monkeypatch: pytest.MonkeyPatch) -> None:
        def refuse(*_: object) -> None:
            raise OSError(number, os.strerror(number))

        monkeypatch.setattr("emulator.links.can_bus.socket.socket", refuse)
        with pytest.raises(DeviceAbsent, match=text):
            open_can(CanBusSpec("socketcan"))

    def test_no_serial_device(self, tmp_path: Path) -> None:
        with pytest.raises(DeviceAbsent, match="ttyNONE: no such device") as error:
            open_can(CanBusSpec("serial", str(tmp_path / "ttyNONE"), settle_s=0.0))
        assert "plugged in" in error.value.advice

    def test_a_file_that_is_no_serial_port(self, tmp_path: Path) -> None:
        (tmp_path / "file").write_text("")
        with pytest.raises(DeviceAbsent, match="serial CAN adapter") as error:
            open_can(CanBusSpec("serial", str(tmp_path / "file"), settle_s=0.0))
        assert "is it a serial port?" in error.value.advice

    def test_a_serial_adapter_somebody_has(self, serial_adapter: SerialAdapter) -> None:
        spec = CanBusSpec("serial", serial_adapter.path, settle_s=0.0)
        link = open_can(spec)
        with pytest.raises(DeviceAbsent, match="taken") as error:
            open_can(spec)
        assert "fuser" in error.value.advice
        link.close()

    def test_a_bit_rate_the_adapter_lacks(self, serial_adapter: SerialAdapter) -> None:
        with pytest.raises(StartFailed, match=r"choose one of .*250000, 500000"):
            open_can(CanBusSpec("serial", serial_adapter.path, bitrate=333_333, settle_s=0.0))

    def test_the_adapter_is_told_the_bit_rate_and_closed_at_the_end(
        self, serial_adapter: SerialAdapter
    ) -> None:
        link = open_can(CanBusSpec("serial", serial_adapter.path, bitrate=250_000, settle_s=0.0))
        serial_adapter.serve()
        assert b"S5" in serial_adapter.commands  # SLCAN: S5 is 250 kbit/s
        assert serial_adapter.commands[-1] == b"O"
        link.close()
        serial_adapter.serve()
        assert serial_adapter.commands[-1] == b"C"


class TextEnd:
    """A far end that reads only when asked, for either text protocol."""

    def __init__(self, link: CanLink, write: Callable[[bytes], object], read: Callable[[], bytes]) -> None:
        self.link, self.write, self.read = link, write, read

    def decoded(self, text: bytes) -> list[Frame]:
        raise NotImplementedError

    frame: bytes


class LoopbackText(TextEnd):
    frame = b"< frame 123 1.000000 3E0D >"

    def decoded(self, text: bytes) -> list[Frame]:
        frames: list[Frame] = []
        assert text.endswith(b">")
        for piece in text.split(b">")[:-1]:
            opening, word, identifier, length, *data = piece.split()
            assert (opening, word, int(length)) == (b"<", b"send", len(data))
            frames.append((int(identifier, 16), bytes(int(byte, 16) for byte in data)))
        return frames


class SerialText(TextEnd):
    frame = b"t12323E0D\r"

    def decoded(self, text: bytes) -> list[Frame]:
        assert text.endswith(b"\r")
        lines = [line for line in text.split(b"\r")[:-1] if line[:1] not in (b"", b"C", b"O", b"S")]
        for line in lines:
            assert line[:1] == b"t"
            assert len(line) == 5 + 2 * int(line[4:5])
        return [(int(line[1:4], 16), bytes.fromhex(line[5:].decode())) for line in lines]


@pytest.fixture(params=["loopback", "serial"])
def text_end(
    request: pytest.FixtureRequest, scripted: Callable[..., ScriptedServer], serial_adapter: SerialAdapter
) -> Iterator[TextEnd]:
    end: TextEnd
    if request.param == "loopback":
        server = scripted()
        link = open_can(CanBusSpec("loopback", port=server.port))
        connection = server.ready()
        connection.setblocking(False)
        end = LoopbackText(link, connection.sendall, lambda: connection.recv(1 << 20))
    else:
        link = open_can(CanBusSpec("serial", serial_adapter.path, settle_s=0.0))
        end = SerialText(
            link,
            lambda text: os.write(serial_adapter.far, text),
            lambda: os.read(serial_adapter.far, 1 << 20),
        )
    yield end
    link.close()


class TestTextLinks:
    def test_a_far_end_that_does_not_read_gets_whole_frames_or_none(self, text_end: TextEnd) -> None:
        link, frames = text_end.link, [(0x100 + i, bytes([i, 255, 0, 1, 2, 3, 4])) for i in range(64)]
        burst = outgoing(frames)
        taken: list[Frame] = []
        for _ in range(20_000):  # nothing reads: a send that waited would never come back
            count = link.send(burst)
            taken += frames[:count]
            if count < len(frames):
                break
        counts = link.counts()
        assert counts.send_lost > 0
        assert counts.sent == len(taken)
        assert counts.alive
        assert link.send(burst) == 0 or link.counts().sent > len(taken)

        text = b""

        def drained() -> bool:
            nonlocal text
            try:
                text += text_end.read()
            except BlockingIOError:
                link.send(frame_buffer(1))
                return True
            return False

        wait_until(drained, "the far end to read it all")
        last = [(0x7EE, b"\x01")]
        wait_until(lambda: link.send(outgoing(last)) == 1, "room for the next frame")

        def complete() -> bool:
            nonlocal text
            try:
                text += text_end.read()
            except BlockingIOError:
                return False
            return b"7EE" in text and text[-1:] in (b">", b"\r")

        wait_until(complete, "the frame after the stall")
        decoded = text_end.decoded(text)
        assert decoded[: len(taken)] == taken
        assert decoded[-1] == last[0]
        assert len(decoded) == link.counts().sent

    def test_random_bytes_never_raise_and_the_next_frame_counts(self, text_end: TextEnd) -> None:
        random_state = random.Random(3)
        alphabet = b"<> frame error 0123456789ABCDEFtTrRzZ\r\a\x00\xff."
        into = frame_buffer(64)
        for _ in range(40):
            text_end.write(random_state.randbytes(400))
            text_end.write(bytes(random_state.choices(alphabet, k=400)))
            text_end.link.receive(into, 0)
            into.count[0] = 0
        text_end.write(b">\r" + text_end.frame)
        seen: list[Frame] = []

        def arrived() -> bool:
            nonlocal seen
            into.count[0] = 0
            text_end.link.receive(into, 0)
            seen += [(int(into.can_id[i]), into.data[i, :2].tobytes()) for i in range(int(into.count[0]))]
            return (0x123, b"\x3e\x0d") in seen

        wait_until(arrived, "the frame behind the noise")
        counts = text_end.link.counts()
        assert counts.alive
        assert counts.receive_lost > 0

    def test_endless_text_without_an_end_is_thrown_away(self, text_end: TextEnd) -> None:
        into = frame_buffer(4)
        text_end.write(b"7" * 2000)
        wait_until(
            lambda: text_end.link.receive(into, 0) or text_end.link.counts().receive_lost, "the loss to count"
        )
        assert int(into.count[0]) == 0
        text_end.write(b">\r" + text_end.frame)
        assert receive(text_end.link, 1) == [(0x123, b"\x3e\x0d")]

    def test_a_frame_in_two_halves(self, text_end: TextEnd) -> None:
        into = frame_buffer(4)
        text_end.write(text_end.frame[:7])
        assert text_end.link.receive(into, 0) == 0
        text_end.write(text_end.frame[7:])
        assert receive(text_end.link, 1) == [(0x123, b"\x3e\x0d")]
        assert text_end.link.counts().receive_lost == 0


class TestSingleTexts:
    @pytest.mark.parametrize(
        ("text", "errors", "lost"),
        [
            (b"< error 20000004 1.0 >", 1, 0),
            (b"< error unknown command >", 1, 0),
            (b"< rtr 123 1.0 4 >", 0, 0),
            (b"< frame 123 1.0 001122334455667788 >", 0, 1),
            (b"< frame 800 1.0 00 >", 0, 1),
            (b"< frame 2FFFFFFF 1.0 00 >", 0, 1),
            (b"< frame -12 1.0 00 >", 0, 1),
            (b"< frame 123 1.0 0 >", 0, 1),
            (b"< frame 123 >", 0, 1),
            (b"< chat >", 0, 1),
            (b">", 0, 1),
        ],
    )
    def test_on_the_virtual_bus(
        self, text: bytes, errors: int, lost: int, scripted: Callable[..., ScriptedServer]
    ) -> None:
        server = scripted()
        link = open_can(CanBusSpec("loopback", port=server.port))
        server.ready().sendall(text + b"< frame 001 1.0  >")
        assert receive(link, 1) == [(1, b"")]
        counts = link.counts()
        assert (counts.bus_errors, counts.receive_lost, counts.received) == (errors, lost, 1)
        link.close()

    @pytest.mark.parametrize(
        ("text", "errors", "lost"),
        [
            (b"\a", 1, 0),  # an adapter refuses
            (b"z\r", 0, 0),  # an adapter acknowledges
            (b"r1234\r", 0, 0),  # a remote frame
            (b"t1239001122334455667788\r", 0, 1),
            (b"t8000\r", 0, 1),
            (b"TFFFFFFFF0\r", 0, 1),
            (b"t12320A\r", 0, 1),
            (b"t1232\r", 0, 1),
            (b"tXYZ0\r", 0, 1),
            (b"V1013\r", 0, 1),
        ],
    )
    def test_from_a_serial_adapter(
        self, text: bytes, errors: int, lost: int, serial_adapter: SerialAdapter
    ) -> None:
        link = open_can(CanBusSpec("serial", serial_adapter.path, settle_s=0.0))
        os.write(serial_adapter.far, text + b"T000000010\r")
        assert receive(link, 1) == [(EXTENDED | 1, b"")]
        counts = link.counts()
        assert (counts.bus_errors, counts.receive_lost, counts.received) == (errors, lost, 1)
        link.close()

    def test_serial_time_stamps_are_passed_over(self, serial_adapter: SerialAdapter) -> None:
        link = open_can(CanBusSpec("serial", serial_adapter.path, settle_s=0.0))
        os.write(serial_adapter.far, b"t12320A0BEA5F\r")
        assert receive(link, 1) == [(0x123, b"\x0a\x0b")]
        link.close()


def test_python_can_prints_nothing_in_a_program_without_logging() -> None:
    program = (
        "import logging\n"
        "from emulator.core.errors import DeviceAbsent\n"
        "from emulator.links.can_bus import CanBusSpec, open_can\n"
        "try:\n"
        "    open_can(CanBusSpec('loopback', port=1))\n"
        "except DeviceAbsent:\n"
        "    logging.getLogger('can.interfaces').warning('python-can says')\n"
        "    print('absent')\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert (done.stdout, done.stderr) == ("absent\n", "")
