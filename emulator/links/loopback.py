"""A virtual CAN bus on loopback for hosts without any CAN: a small server of the socketcand text protocol.

Each participant holds one connection; whatever one sends, all others on the same bus name get, and
the sender does not. python-can joins it with ``interface="socketcand"``, and any other language with a
TCP socket. Spoken: ``open``, ``rawmode``, ``send``, ``sendrtr``, ``echo``; frames arrive as ``frame``.

Participants on this machine may also come in by a socket of the local kind, named after the port (see
``local_address``): same protocol, a fraction of TCP's cost. Whoever knows only TCP misses nothing.

The server has no bit rate and no arbitration: it carries frames, it does not imitate bus load. But no
participant sends more than a CAN bus could carry: one that babbles is made to wait, so that the others, who
could not read all of it, are not cut off.

Nobody waits for anybody: no call here waits for a participant, what one does not read is kept for it up to a
limit and then it is cut off, and those that only listen are served after those that send, so many a
millisecond. Why a plain loop over ``epoll``: emulator/guide/decisions/0098-bus-server-of-its-own.md.
"""

from __future__ import annotations

import contextlib
import errno
import select
import socket
import struct
import time
from collections import Counter, deque
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from emulator.core.errors import DeviceAbsent
from emulator.core.log_bins import BINS, bin_of
from emulator.links.bus_participant import Participant, frames_of, names_in
from emulator.links.metronome import Metronome
from emulator.shared_memory.layout import BUS_WORDS
from emulator.shared_memory.status import BusWord

_UNREAD_LIMIT = 256 * 1024
"""Bytes a participant may leave unread (beyond the kernel's own buffers) before it is dropped."""
_SEND_BUFFER = 128 * 1024
"""Kernel send buffer: small, so that a stalled participant is noticed within seconds, not minutes."""
_READ = 4096
"""Bytes taken of one participant in a turn, some hundred frames: the others' turn comes soon."""
_SERVED_A_TURN = 16
"""Participants heard in a turn; the kernel puts those behind the others that wait."""
_MOST_PARTICIPANTS = 512
_ACCEPTED_A_TURN = 8
_ACCEPT_AGAIN_NS = 200_000_000
"""Pause after the system had no descriptor for a newcomer."""
_LISTENERS_PER_MS = 8.0
"""Texts handed in a millisecond to those that never sent a frame: up to so many get each at once, more
wait for their turn and get several in one, so that 200 of them don't delay those in a closed loop."""
_RAW_MODE_GRACE_NS = 250_000_000
"""python-can reads the answer to ``rawmode`` and any frame right behind it as one text and gives up.

Frames therefore start with the participant's next command, or after this time, whichever is first.
"""
_COUNTED_TOGETHER = 32
"""Texts handed on that are counted in one go, if no turn without any comes before: where the receiver runs on
the server's core it can't go on until the server sleeps."""
_AWAKE_BEFORE_NS, _AWAKE_AFTER_NS = 40_000, 60_000
"""Around the time at which frames are expected the server looks without sleeping: to be woken takes longer
than all that it does with them. Not longer before than a robot's frame takes that is to be there in time, for
whoever runs on the server's core waits meanwhile."""
_COUNTING_NS = 20_000
"""Time that counting takes if it was counted a few milliseconds ago."""
_REMEMBERED = 256
"""Participants that have left of whom is told in the end."""
_MOST_SENDERS = 8192
_FRAMES_IN, _FRAMES_OUT = int(BusWord.FRAMES_IN), int(BusWord.FRAMES_OUT)
_DELAY_MAX = int(BusWord.DELAY_MAX_NS)
_IN, _OUT = select.EPOLLIN, select.EPOLLOUT
_now_ns = time.monotonic_ns

Tell = Callable[[str, dict[str, Any]], None]
"""Takes what somebody should hear of: its kind (cut_off, babbles, two_senders, full) and particulars."""


def local_address(port: int) -> str:
    """Address of the local socket of the bus that listens on this TCP port.

    It has no file (Linux' abstract names): nothing is left behind, and it is as private as the port is, that
    is, everybody in the same network namespace reaches it.
    """
    return f"\0virtual-can-bus-{port}"


def listen(host: str = "127.0.0.1", port: int = 0) -> list[socket.socket]:
    """Sockets that take participants: by TCP, and where the system has it by the local kind.

    port  0 takes a free one; ``sockets[0].getsockname()[1]`` tells which

    Raises DeviceAbsent if the port is taken or not permitted or the host is not one of this machine.
    """
    try:
        tcp = _listen_tcp(host, port)
    except OSError as error:
        advice = f"give an address of this machine instead of {host}, such as 127.0.0.1"
        if error.errno == errno.EADDRINUSE:
            advice = (
                "another virtual bus or program has this port: stop it (`ss -ltnp` names it), "
                "or give another port, 0 for any free one"
            )
        elif error.errno == errno.EACCES:
            advice = "ports below 1024 belong to root; give one above, or 0 for any free one"
        raise DeviceAbsent(
            f"virtual CAN bus: cannot listen on {host}:{port}: {error.strerror or error}", advice=advice
        ) from error
    sockets = [tcp]
    with contextlib.suppress(OSError, AttributeError):  # not on every system; TCP carries all, only slower
        local = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            local.bind(local_address(tcp.getsockname()[1]))
            local.listen(128)
        except OSError:
            local.close()
            raise
        sockets.append(local)
    for taking in sockets:
        taking.setblocking(False)
    return sockets


def _listen_tcp(host: str, port: int) -> socket.socket:
    refused: OSError | None = None
    for family, kind, protocol, _, address in socket.getaddrinfo(
        host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
    ):
        tcp = socket.socket(family, kind, protocol)
        try:
            tcp.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            tcp.bind(address)
            tcp.listen(128)
        except OSError as error:
            tcp.close()
            refused = refused or error
        else:
            return tcp
    raise refused or OSError(errno.EADDRNOTAVAIL, "no such address")


class BusServerCounts(NamedTuple):
    """What the server did since it was started."""

    clients: int  # connected now
    joined: int  # connections that reached a bus
    frames_in: int  # frames taken from participants
    frames_out: int  # frames handed to participants (one in, n - 1 out)
    malformed: int  # commands answered with an error
    dropped_clients: int  # participants cut off because they did not read
    pauses: int  # times a participant that sent too much was made to wait
    refused: int  # connections for which there was no room


class _Line:
    """The participants on one bus name."""

    def __init__(self) -> None:
        self.senders: list[Participant] = []  # those that sent a frame and are served at once
        self.listeners: list[Participant] = []
        self.owner: dict[bytes, Participant] = {}  # who sent an identifier last
        self.changes: Counter[bytes] = Counter()  # how often that was another than before


class _HandedOn(NamedTuple):
    """Frames that others have got and that are still to be counted."""

    sender: Participant
    text: bytes
    frames: int
    others: int  # who got them
    delay_ns: (
        int  # how long they can have been in the server; -1: their sender is made to wait, and delays itself
    )


class BusServer:
    """The virtual bus: ``turn`` for ever, from one thread.

    sockets       where participants come in, from ``listen``; the server's from now on
    words         (BUS_WORDS,) int64, counts by ``BusWord``; the shared block's, to let others see them
    delays        (BINS,) int64, frames by how long they can have been in the server: from when it last
                  looked and they were not there, until they were handed to the kernel for those that send
    unread_limit  [bytes] what a participant may leave unread
    tell          is called with what somebody should hear of

    Bus names given by the participants keep buses apart: ``can0`` and ``can1`` are two buses.
    """

    def __init__(
        self,
        sockets: Sequence[socket.socket],
        *,
        words: memoryview | None = None,
        delays: memoryview | None = None,
        unread_limit: int = _UNREAD_LIMIT,
        tell: Tell = lambda _kind, _particulars: None,
    ) -> None:
        self.now_ns = _now_ns()
        self.babblers = 0
        self.words = words if words is not None else memoryview(bytearray(8 * BUS_WORDS)).cast("q")
        self.delays = delays if delays is not None else memoryview(bytearray(8 * BINS)).cast("q")
        self._unread_limit = unread_limit
        self._tell = tell
        self._entrances = {s.fileno(): s for s in sockets}
        self._participants: dict[int, Participant] = {}
        self._lines: dict[bytes, _Line] = {}
        self._uncounted: list[_HandedOn] = []
        self._due: deque[Participant] = deque()  # listeners with text to be handed over
        self._tokens, self._tokens_ns = _LISTENERS_PER_MS, self.now_ns
        self._paused: list[Participant] = []
        self._newcomers: list[Participant] = []  # in raw mode, to whom no frame was given yet
        self._left: deque[dict[str, Any]] = deque(maxlen=_REMEMBERED)
        self._looked_ns = self.now_ns
        self._shut_until_ns = 0
        self._metronome: Metronome | None = None
        self._expected_pid, self._expected_ns, self._expected_every_ns = 0, 0, 0
        self._beat = False  # they are expected now
        self._epoll = select.epoll()
        for fd in self._entrances:
            self._epoll.register(fd, _IN)

    def counts(self) -> BusServerCounts:
        """Totals since the server was made."""
        return BusServerCounts(*self.words[: len(BusServerCounts._fields)])

    def participants(self) -> list[dict[str, Any]]:
        """What each of them did, those that have left first (the last ones of them)."""
        self._count()
        return [*self._left, *(p.told() for p in self._participants.values())]

    def expect(self, pid: int, at_ns: int, period_ns: int) -> None:
        """Participants of process ``pid`` send once in ``period_ns``: be awake when they do.

        at_ns  [ns, CLOCK_MONOTONIC] one of these times

        Where the system can't, they wake the server as everybody does.
        """
        with contextlib.suppress(OSError):
            self._metronome = Metronome(at_ns - _AWAKE_BEFORE_NS, period_ns)
            self._epoll.register(self._metronome.fileno(), _IN)
            self._expected_pid, self._expected_ns, self._expected_every_ns = pid, at_ns, period_ns

    def close(self) -> None:
        """Cut all participants off and stop listening. Safe to call twice."""
        for participant in list(self._participants.values()):
            self._part(participant)
        for entrance in self._entrances.values():
            entrance.close()
        self._entrances = {}
        if self._metronome is not None:
            self._metronome.close()
            self._metronome = None
        self._epoll.close()

    def turn(self, timeout_s: float) -> int:
        """Wait at most so long for something to do, do it, and return the time it began at.

        timeout_s  rounded up to whole milliseconds by the kernel's call
        """
        if len(self._uncounted) >= _COUNTED_TOGETHER:
            self._count()
        begun_ns = _now_ns()
        ready = self._epoll.poll(0, _SERVED_A_TURN)
        # What is there now was not there the last time we looked.
        arrived_ns = self._looked_ns if ready else begun_ns
        self._looked_ns = begun_ns
        if not ready:
            ready = self._epoll.poll(timeout_s, _SERVED_A_TURN)
            if not ready and self._uncounted:
                self._count()
        now_ns = self._serve(ready, arrived_ns)
        if self._beat:
            self._await_expected()
        return now_ns

    # --- called by participants -----------------------------------------------------------------

    def forward(self, sender: Participant, text: bytes, count: int, framed: bool) -> None:
        """Hand the frames of one read to everybody else, in one write each; see ``bus_participant.Bus``."""
        line = self._lines[sender.bus]
        told = text if framed else b""
        for participant in tuple(line.senders):
            if participant is sender:
                continue
            if framed or participant.verbatim:
                self._hand(participant, text)
            else:
                told = told or frames_of(text)
                self._hand(participant, told)
        if sender.pid == self._expected_pid:
            self._beat = False
        # All that is not urgent comes after that; what nobody waits for is counted later.
        delay_ns = -1 if sender.babbles else _now_ns() - sender.arrived_ns
        others = len(line.senders) + len(line.listeners) - sender.listens
        self._uncounted.append(_HandedOn(sender, text, count, others, delay_ns))
        for participant in tuple(line.listeners):
            if participant is sender:
                continue
            told = told or frames_of(text)
            participant.queue += told
            if participant.blocked:
                self._cut_off_if_full(participant)
            elif not participant.due:
                participant.due = True
                self._due.append(participant)
        if not sender.sends:
            sender.sends = True
            if sender.listens:
                line.listeners.remove(sender)
                line.senders.append(sender)

    def answer(self, participant: Participant, text: bytes) -> None:
        """Reply, unless the participant floods us with commands and reads no replies."""
        if not participant.gone and len(participant.queue) < self._unread_limit:
            self._hand(participant, text)

    def joined(self, participant: Participant) -> None:
        """It has opened a bus."""
        self.words[BusWord.JOINED] += 1
        if participant.bus not in self._lines:
            self._lines[participant.bus] = _Line()

    def wants_frames(self, participant: Participant) -> None:
        """Frames from the next command on, or after the grace time."""
        participant.listens_from_ns = self.now_ns + _RAW_MODE_GRACE_NS
        self._newcomers.append(participant)

    def malformed(self, participant: Participant) -> None:
        """A command that is none."""
        self.words[BusWord.MALFORMED] += 1

    def pause(self, participant: Participant) -> None:
        """Read nothing of it until its pause is over."""
        self.words[BusWord.PAUSES] += 1
        self._watch(participant)
        self._paused.append(participant)
        if participant.pauses == 1:
            self._tell("babbles", {"participants": [participant.named()]})
        self.babblers = sum(p.babbles for p in self._participants.values())

    # --- a turn's parts --------------------------------------------------------------------------

    def _serve(self, ready: Sequence[tuple[int, int]], arrived_ns: int) -> int:
        """Do what there is to do, for those ready since ``arrived_ns`` at most; the time it began at."""
        now_ns = self.now_ns = _now_ns()
        if self._paused or self._newcomers:
            self._end_waits()
        others = []
        for fd, happened in ready:
            participant = self._participants.get(fd)
            if participant is None:
                others.append(fd)
                continue
            if happened & _OUT:
                self._flush(participant)
            if happened & ~_OUT and not participant.gone and not participant.paused_until_ns:
                self._read(participant, arrived_ns)
        if self._due:
            self._serve_listeners()
        for fd in others:
            if fd in self._entrances:
                self._let_in(self._entrances[fd])
            elif self._metronome is not None and fd == self._metronome.fileno():
                self._beat = self._metronome.heard() > 0
        if self._shut_until_ns and now_ns > self._shut_until_ns:
            self._shut_until_ns = 0
            for fd in self._entrances:
                self._epoll.register(fd, _IN)
        return now_ns

    def _await_expected(self) -> None:
        """Look without sleeping until what is expected now has been handed on, or does not come."""
        now_ns, half_ns = _now_ns(), self._expected_every_ns // 2
        left_ns = (self._expected_ns - now_ns + half_ns) % self._expected_every_ns - half_ns
        if self._uncounted and left_ns > _COUNTING_NS:
            self._count()
        until_ns = now_ns + left_ns + _AWAKE_AFTER_NS
        while self._beat and (begun_ns := _now_ns()) < until_ns:
            ready = self._epoll.poll(0, _SERVED_A_TURN)
            if ready:
                self._serve(ready, self._looked_ns)
            self._looked_ns = begun_ns
        if self._beat and self._uncounted:
            self._count()
        self._beat = False

    def _end_waits(self) -> None:
        """Pauses and grace times that are over."""
        now_ns = self.now_ns
        over = [p for p in self._paused if p.gone or p.paused_until_ns <= now_ns]
        if over:
            self._paused = [p for p in self._paused if p not in over]
            for participant in over:
                if not participant.gone:
                    participant.go_on()  # may have to wait again
                    self._watch(participant)
        for participant in self._newcomers:
            if not participant.gone and not participant.listens and participant.listens_from_ns <= now_ns:
                self._listen(participant)
        self._newcomers = [p for p in self._newcomers if not p.gone and not p.listens]

    def _read(self, participant: Participant, arrived_ns: int) -> None:
        try:
            data = participant.connection.recv(_READ)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self._part(participant)
            return
        if participant.raw and not participant.listens:
            self._listen(participant)
        if not participant.more:
            participant.arrived_ns = arrived_ns
        participant.more = len(data) == _READ
        participant.take(data)

    def _let_in(self, entrance: socket.socket) -> None:
        for _ in range(_ACCEPTED_A_TURN):
            try:
                connection, address = entrance.accept()
            except BlockingIOError:
                return
            except OSError as error:
                if error.errno in (errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM):
                    self._shut()
                return
            if len(self._participants) >= _MOST_PARTICIPANTS:
                connection.close()
                self.words[BusWord.REFUSED] += 1
                continue
            connection.setblocking(False)
            pid = 0
            with contextlib.suppress(OSError):  # the peer may be gone already
                connection.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _SEND_BUFFER)
                if entrance.family == socket.AF_UNIX:
                    size = struct.calcsize("3i")
                    pid = struct.unpack(
                        "3i", connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, size)
                    )[0]
                else:
                    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            name = f"process {pid}" if entrance.family == socket.AF_UNIX else f"{address[0]}:{address[1]}"
            participant = Participant(self, connection, name, pid)
            self._participants[participant.fd] = participant
            self._watch(participant)
            self.words[BusWord.CLIENTS] = len(self._participants)
            self._hand(participant, b"< hi >")

    def _shut(self) -> None:
        """The system has no room for a newcomer: it would be called for one for ever."""
        self.words[BusWord.REFUSED] += 1
        self._shut_until_ns = self.now_ns + _ACCEPT_AGAIN_NS
        for fd in self._entrances:
            with contextlib.suppress(OSError):  # the other entrance was there first
                self._epoll.unregister(fd)
        if self.words[BusWord.REFUSED] == 1:
            self._tell("full", {"participants": []})

    def _listen(self, participant: Participant) -> None:
        participant.listens = True
        line = self._lines[participant.bus]
        (line.senders if participant.sends else line.listeners).append(participant)

    def _hand(self, participant: Participant, text: bytes) -> None:
        """Give it text at once, behind what it has not read yet."""
        if participant.queue:
            participant.queue += text
            if not participant.blocked:
                self._flush(participant)
            self._cut_off_if_full(participant)
            return
        try:
            sent = participant.connection.send(text)
        except BlockingIOError:
            sent = 0
        except OSError:
            self._part(participant)
            return
        if sent < len(text):
            participant.queue += text[sent:]
            participant.blocked = True
            self._watch(participant)
            self._cut_off_if_full(participant)

    def _flush(self, participant: Participant) -> None:
        """Give it what waits for it, as far as the kernel takes it."""
        queue = participant.queue
        try:
            sent = participant.connection.send(queue) if queue else 0
        except BlockingIOError:
            sent = 0
        except OSError:
            self._part(participant)
            return
        del queue[:sent]
        if bool(queue) != participant.blocked:
            participant.blocked = bool(queue)
            self._watch(participant)

    def _serve_listeners(self) -> None:
        due, now_ns = self._due, self.now_ns
        self._tokens = min(
            _LISTENERS_PER_MS, self._tokens + (now_ns - self._tokens_ns) * 1e-6 * _LISTENERS_PER_MS
        )
        self._tokens_ns = now_ns
        while due and self._tokens >= 1.0:
            participant = due.popleft()
            participant.due = False
            if participant.gone or participant.blocked:
                continue
            self._tokens -= 1.0
            self._flush(participant)
            if not participant.gone:
                self._cut_off_if_full(participant)

    def _count(self) -> None:
        """Count what was handed on since the last time, and see whether two send the same identifier."""
        handed_on, self._uncounted = self._uncounted, []
        words = self.words
        for sender, text, frames, others, delay_ns in handed_on:
            words[_FRAMES_IN] += frames
            words[_FRAMES_OUT] += frames * others
            if delay_ns >= 0:
                self.delays[bin_of(delay_ns)] += frames
                words[_DELAY_MAX] = max(words[_DELAY_MAX], delay_ns)
            names = names_in(text)
            sender.count(names)
            self._watch_senders(self._lines[sender.bus], sender, names)

    def _watch_senders(self, line: _Line, sender: Participant, names: list[bytes]) -> None:
        """Whether two send the same identifier: not one after another, but in turns."""
        owner = line.owner
        for name in names:
            before = owner.get(name)
            if before is sender or (before is None and len(owner) >= _MOST_SENDERS):
                continue
            owner[name] = sender
            if before is None or before.gone:
                continue
            line.changes[name] += 1
            if line.changes[name] == 2:  # there and back
                particulars = {"identifier": name.decode("ascii"), "bus": sender.bus.decode("ascii")}
                both = [before.named(), sender.named()]
                self._tell("two_senders", particulars | {"participants": both})

    # --- one participant -------------------------------------------------------------------------

    def _cut_off_if_full(self, participant: Participant) -> None:
        if participant.gone or len(participant.queue) <= self._unread_limit:
            return
        if not participant.blocked:  # it waits for its turn only
            self._flush(participant)
            if participant.gone or len(participant.queue) <= self._unread_limit:
                return
        participant.cut_off = True
        self.words[BusWord.CUT_OFF] += 1
        self._tell("cut_off", {"participants": [participant.named()]})
        self._part(participant)

    def _watch(self, participant: Participant) -> None:
        """Have the kernel tell what matters of it now."""
        if participant.gone:
            return
        interest = (0 if participant.paused_until_ns else _IN) | (_OUT if participant.blocked else 0)
        if interest == participant.interest:
            return
        if not interest:  # or a participant that has hung up would be told of for ever
            self._epoll.unregister(participant.fd)
        elif participant.interest:
            self._epoll.modify(participant.fd, interest)
        else:
            self._epoll.register(participant.fd, interest)
        participant.interest = interest

    def _part(self, participant: Participant) -> None:
        """It is gone, or has to go."""
        if participant.gone:
            return
        self._count()  # what it sent was sent by one that was there
        participant.gone = True
        del self._participants[participant.fd]
        line = self._lines.get(participant.bus)
        if line is not None and participant.listens:
            (line.senders if participant.sends else line.listeners).remove(participant)
        participant.connection.close()
        participant.queue.clear()
        if participant.bus:
            self._left.append(participant.told())
        # last, so that who sees the number finds what it did
        self.words[BusWord.CLIENTS] = len(self._participants)
