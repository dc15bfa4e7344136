"""One contract for every GNSS port with the robot's reader at the other end, then what is special to each."""

from __future__ import annotations

import os
import socket
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest

from emulator.core.errors import DeviceAbsent, StartFailed
from emulator.core.link_protocols import GnssLink
from emulator.links.gnss_port import (
    GnssPortSpec,
    GnssReader,
    PtyPort,
    SerialPort,
    TcpPort,
    open_gnss,
    open_gnss_reader,
)
from tests.support.link_ends import wait_until

BURST = b"$GNGGA,000000.00,,,,,0,00,,,M,,M,,*78\r\n$GNVTG,,T,,M,0.0,N,0.0,K,N*3D\r\n"


class End:
    """A port and the means to open readers on it."""

    port: GnssLink

    def reader(self) -> GnssReader:
        raise NotImplementedError

    def close(self) -> None:
        """Release what is neither the port nor a reader."""


class PtyEnd(End):
    def __init__(self) -> None:
        self.port = open_gnss(GnssPortSpec("pty"))

    def reader(self) -> GnssReader:
        assert isinstance(self.port, PtyPort)
        return open_gnss_reader("pty", self.port.path)


class SerialEnd(End):
    """Two pseudo terminals and a copy between them would be a cable; one whose master we read is enough."""

    def __init__(self) -> None:
        self.far, near = os.openpty()
        tty.setraw(near)
        self.port = open_gnss(GnssPortSpec("serial", os.ttyname(near)))
        os.close(near)
        os.set_blocking(self.far, False)

    def reader(self) -> GnssReader:
        return GnssReader(os.dup(self.far), lambda: None, empty_is_end=False)

    def close(self) -> None:
        os.close(self.far)


class UdpEnd(End):
    def __init__(self) -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            probe.bind(("127.0.0.1", 0))
            self.number = probe.getsockname()[1]
        self.port = open_gnss(GnssPortSpec("udp", port=self.number))

    def reader(self) -> GnssReader:
        return open_gnss_reader("udp", f"127.0.0.1:{self.number}")


class TcpEnd(End):
    def __init__(self) -> None:
        self.port = open_gnss(GnssPortSpec("tcp"))

    def reader(self) -> GnssReader:
        assert isinstance(self.port, TcpPort)
        return open_gnss_reader("tcp", f"127.0.0.1:{self.port.port}")


@pytest.fixture(params=["pty", "serial", "udp", "tcp"])
def end(request: pytest.FixtureRequest) -> Iterator[End]:
    made = {"pty": PtyEnd, "serial": SerialEnd, "udp": UdpEnd, "tcp": TcpEnd}[request.param]()
    yield made
    made.port.close()
    made.close()


def read_until(reader: GnssReader, length: int) -> bytes:
    text = b""

    def enough() -> bool:
        nonlocal text
        text += reader.read()
        return len(text) >= length

    wait_until(enough, f"{length} bytes")
    return text


class TestEveryGnssPort:
    def test_bursts_arrive_byte_for_byte(self, end: End) -> None:
        reader = end.reader()
        every_byte = bytes(range(256))  # a terminal not in raw mode would change some of them
        for burst in (BURST, every_byte, BURST * 3):
            assert end.port.send(burst)
        assert read_until(reader, len(BURST) * 4 + 256) == BURST + every_byte + BURST * 3
        assert reader.read() == b""
        assert reader.alive
        counts = end.port.counts()
        assert (counts.sent, counts.send_lost, counts.alive) == (3, 0, True)
        os_level = reader.fileno()
        reader.close()
        reader.close()
        assert reader.read() == b""
        if isinstance(end, SerialEnd):
            os.close(os_level)

    def test_one_who_does_not_read_gets_whole_bursts_or_none(self, end: End) -> None:
        """An unfinished burst is finished first, so the text never has a hole inside a burst."""
        reader = end.reader()
        taken: list[bytes] = []
        number = 0
        while number < 20_000:  # a send that waited would never come back
            burst = b"$%06d,%b*\r\n" % (number, b"x" * 700)
            number += 1
            if end.port.send(burst):
                taken.append(burst)
            elif len(taken) < number - 3:
                break
        text = b""

        def drained() -> bool:
            nonlocal text
            data = reader.read()
            text += data
            return not data

        wait_until(drained, "the reader to be through")
        counts = end.port.counts()
        assert counts.sent + counts.send_lost == number
        if isinstance(end, UdpEnd):  # never knows what the reader's queue had no room for
            bursts = text.splitlines(keepends=True)
            assert len(bursts) > 3
            assert bursts == taken[: len(bursts)]
        elif isinstance(end, TcpEnd):  # has cut the reader off: what it got has no hole, only an end
            assert not reader.alive
            assert len(text) > 3000
            assert b"".join(taken).startswith(text)
            assert counts.send_lost > 0
        else:  # has room again: the burst begun is finished, then the next one comes
            assert counts.send_lost > 0
            burst = b"$after*\r\n"
            wait_until(lambda: end.port.send(burst), "room for a burst")
            wait_until(lambda: drained() and text.endswith(burst), "the last burst")
            assert text.splitlines(keepends=True) == [*taken, burst]
            assert end.port.counts().sent == len(taken) + 1
        descriptor = reader.fileno()
        reader.close()
        if isinstance(end, SerialEnd):
            os.close(descriptor)

    def test_no_reader_is_no_error(self, end: End) -> None:
        for _ in range(50):
            end.port.send(BURST)
        counts = end.port.counts()
        assert counts.alive
        assert counts.sent + counts.send_lost == 50
        if not isinstance(end, SerialEnd):  # a serial line cannot know
            assert counts.send_lost >= 49
            assert counts.sent <= 1

    def test_closed_twice_and_used_after(self, end: End) -> None:
        end.port.close()
        end.port.close()
        assert not end.port.send(BURST)
        counts = end.port.counts()
        assert (counts.sent, counts.send_lost, counts.alive) == (0, 1, False)


class TestReaderComesAndGoes:
    @pytest.mark.parametrize("kind", [PtyEnd, UdpEnd, TcpEnd])
    def test_the_next_reader_starts_with_the_present(self, kind: type[End]) -> None:
        end = kind()
        first = end.reader()
        end.port.send(b"first\r\n")
        assert read_until(first, 7) == b"first\r\n"
        end.port.send(b"left unread\r\n")
        first.close()
        for _ in range(100):  # the far end's leaving may take a moment to be noticed
            if not end.port.send(b"to nobody\r\n"):
                break
        end.port.send(b"to nobody\r\n")
        second = end.reader()
        wait_until(lambda: end.port.send(b"present\r\n"), "the port to see the reader")
        assert read_until(second, 9).startswith(b"present\r\n")
        second.close()
        end.port.close()

    def test_a_reader_notices_that_the_port_is_gone(self) -> None:
        for end in (PtyEnd(), TcpEnd()):
            reader = end.reader()
            wait_until(lambda end=end: end.port.send(BURST), "the port to see the reader")
            assert read_until(reader, len(BURST)) == BURST
            end.port.close()
            wait_until(
                lambda reader=reader: reader.read() == b"" and not reader.alive, "the reader to notice"
            )
            reader.close()


class TestPty:
    def test_the_link_points_to_the_terminal_and_goes_with_it(self, tmp_path: Path) -> None:
        link = tmp_path / "gnss"
        link.symlink_to("/dev/pts/999999")  # left by a killed run
        port = open_gnss(GnssPortSpec("pty", str(link)))
        assert isinstance(port, PtyPort)
        assert port.path == str(link)
        reader = open_gnss_reader("pty", str(link))
        assert port.send(BURST)
        assert read_until(reader, len(BURST)) == BURST
        reader.close()
        port.close()
        assert not link.is_symlink()

    def test_a_reader_need_not_set_raw_mode(self) -> None:
        port = open_gnss(GnssPortSpec("pty"))
        assert isinstance(port, PtyPort)
        for _ in range(2):  # also for the second reader
            terminal = os.open(port.path, os.O_RDWR | os.O_NOCTTY)
            every_byte = bytes(range(256))
            assert port.send(every_byte)
            text = b""
            while len(text) < 256:
                text += os.read(terminal, 1000)
            assert text == every_byte
            os.close(terminal)
            port.send(BURST)
        port.close()

    def test_a_file_in_the_way_is_left_alone(self, tmp_path: Path) -> None:
        (tmp_path / "gnss").write_text("mine")
        with pytest.raises(DeviceAbsent, match="cannot make the link"):
            open_gnss(GnssPortSpec("pty", str(tmp_path / "gnss")))
        assert (tmp_path / "gnss").read_text() == "mine"


class TestSerial:
    def test_a_lost_device_is_noticed(self) -> None:
        end = SerialEnd()
        os.close(end.far)
        wait_until(lambda: not end.port.send(BURST) and not end.port.counts().alive, "alive to become false")
        end.port.close()

    def test_missing_taken_and_not_a_port(self, tmp_path: Path) -> None:
        with pytest.raises(DeviceAbsent, match="ttyNONE: no such device"):
            open_gnss(GnssPortSpec("serial", str(tmp_path / "ttyNONE")))
        (tmp_path / "file").write_text("")
        with pytest.raises(DeviceAbsent, match="is it a serial port"):
            open_gnss(GnssPortSpec("serial", str(tmp_path / "file")))
        end = SerialEnd()
        assert isinstance(end.port, SerialPort)
        with pytest.raises(DeviceAbsent, match="taken") as error:
            open_gnss(GnssPortSpec("serial", end.port.path))
        assert "fuser" in error.value.advice
        end.port.close()
        end.close()

    def test_a_baud_rate_that_does_not_exist(self) -> None:
        end = SerialEnd()
        assert isinstance(end.port, SerialPort)
        path = end.port.path
        end.port.close()
        with pytest.raises(StartFailed, match="-1"):
            open_gnss(GnssPortSpec("serial", path, baud=-1))
        end.close()


class TestUdp:
    def test_a_refused_burst_is_taken_back_from_the_sent_ones(self) -> None:
        end = UdpEnd()
        assert end.port.send(BURST)  # nobody there, but that is not known yet
        end.port.send(BURST)
        counts = end.port.counts()
        assert counts.send_lost >= 1
        assert counts.sent + counts.send_lost == 2
        end.port.close()

    def test_long_bursts_are_cut_between_sentences(self) -> None:
        end = UdpEnd()
        receiver = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        receiver.bind(("127.0.0.1", end.number))
        receiver.settimeout(10)
        sentences = [b"$GNGSV,%02d,%b\r\n" % (i, b"x" * 60) for i in range(61)]
        assert end.port.send(b"".join(sentences))
        datagrams: list[bytes] = []
        while sum(map(len, datagrams)) < sum(map(len, sentences)):
            datagrams.append(receiver.recv(65536))
        assert b"".join(datagrams) == b"".join(sentences)
        assert len(datagrams) == 4  # 61 sentences of 72 bytes, 20 fit 1472 bytes
        assert all(len(d) <= 1472 and d.endswith(b"\r\n") for d in datagrams)
        receiver.close()
        end.port.close()

    def test_errors_on_opening(self) -> None:
        with pytest.raises(DeviceAbsent, match=r"over UDP to no-such-host\.invalid:5000"):
            open_gnss(GnssPortSpec("udp", host="no-such-host.invalid", port=5000))
        with pytest.raises(DeviceAbsent, match="70000"):
            open_gnss(GnssPortSpec("udp", port=70_000))


class TestTcp:
    def test_every_reader_gets_everything_and_a_stalled_one_is_dropped(self) -> None:
        port = open_gnss(GnssPortSpec("tcp"))
        assert isinstance(port, TcpPort)
        reading = open_gnss_reader("tcp", f"127.0.0.1:{port.port}")
        stalled = open_gnss_reader("tcp", f"127.0.0.1:{port.port}")
        text, bursts = b"", 0
        burst = b"y" * 4000 + b"\r\n"
        while not port.dropped_readers:
            assert bursts < 20_000
            assert port.send(burst)
            bursts += 1
            text += read_until(reading, len(burst))
        assert text == burst * bursts
        assert port.counts().send_lost == 0
        assert port.send(b"on\r\n")
        assert read_until(reading, 4) == b"on\r\n"
        for thing in (reading, stalled, port):
            thing.close()

    def test_at_most_sixteen_readers(self) -> None:
        port = open_gnss(GnssPortSpec("tcp"))
        assert isinstance(port, TcpPort)
        readers = []
        for _ in range(17):
            readers.append(open_gnss_reader("tcp", f"127.0.0.1:{port.port}"))
            port.send(b"a\r\n")
        wait_until(lambda: readers[16].read() == b"" and not readers[16].alive, "the last to be turned away")
        assert read_until(readers[0], 51) == b"a\r\n" * 17
        for thing in (*readers, port):
            thing.close()

    def test_a_taken_port(self) -> None:
        port = open_gnss(GnssPortSpec("tcp"))
        assert isinstance(port, TcpPort)
        with pytest.raises(DeviceAbsent, match=f"cannot listen on 127.0.0.1:{port.port}") as error:
            open_gnss(GnssPortSpec("tcp", port=port.port))
        assert "another program has this port" in error.value.advice
        port.close()


class TestReaderErrors:
    @pytest.mark.parametrize(
        "address", ["", "localhost", "127.0.0.1:", "127.0.0.1:x", ":5000", "127.0.0.1:70000"]
    )
    def test_not_an_address(self, address: str) -> None:
        with pytest.raises(DeviceAbsent, match="not an address"):
            open_gnss_reader("tcp", address)

    def test_nothing_there(self, tmp_path: Path) -> None:
        with pytest.raises(DeviceAbsent, match="no such device"):
            open_gnss_reader("pty", str(tmp_path / "none"))
        with pytest.raises(DeviceAbsent, match="Connection refused") as error:
            open_gnss_reader("tcp", "127.0.0.1:1")
        assert "is the bench running" in error.value.advice
        (tmp_path / "file").write_text("")
        with pytest.raises(DeviceAbsent, match="not a terminal"):
            open_gnss_reader("pty", str(tmp_path / "file"))

    def test_a_udp_port_somebody_has(self) -> None:
        end = UdpEnd()
        reader = end.reader()
        with pytest.raises(DeviceAbsent, match="Address already in use"):
            end.reader()
        reader.close()
        end.port.close()

    def test_unknown_kinds(self) -> None:
        with pytest.raises(StartFailed, match="unknown kind"):
            open_gnss(GnssPortSpec("usb"))  # type: ignore[arg-type]
        with pytest.raises(StartFailed, match="unknown kind"):
            open_gnss_reader("usb", "x")  # type: ignore[arg-type]
