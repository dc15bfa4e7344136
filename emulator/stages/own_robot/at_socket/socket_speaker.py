"""A robot in any language that joins a socket of this host: TCP on 127.0.0.1, or a Unix socket."""

from __future__ import annotations

import contextlib
import os
import socket
import stat
import subprocess
import sys
from collections.abc import Callable, Iterable, Sequence

from emulator.core.errors import StartFailed
from emulator.stages.own_robot.at_socket.connection import left_with
from emulator.stages.own_robot.at_socket.lines import Hello, Lines, LineSpeaker
from emulator.stages.own_robot.protocol import RobotFailed


class SocketSpeaker(LineSpeaker):
    """A robot that joins, perhaps started by us.

    port, path   where it is waited for; port 0: any free one
    command      words that start it; the address comes behind them
    limit_s      for a step; None: as long as it likes
    join_limit_s how long it is waited for
    hashes       of the descriptions of this interface that it may have been written for, the bench's own
                 first; asked for if it says one
    say          tells people the address
    Raises StartFailed if nobody joins, or one that was written for another interface.
    """

    def __init__(
        self,
        port: int,
        path: str | None,
        command: Sequence[str],
        limit_s: float | None,
        join_limit_s: float,
        hashes: Callable[[], Iterable[str]] | None,
        say: Callable[[str], None],
    ) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._connection: socket.socket | None = None
        self._path = path
        try:
            listening, address = _listening(port, path)
            with listening:
                if command:
                    self._process = _started(command, address)
                else:
                    say(f"waiting for the robot to join {address}, for up to {join_limit_s:g} s")
                self._connection = _joined(listening, self._process, join_limit_s, address)
            self._lines = Lines(self._connection, limit_s)
            hello = Hello(Lines(self._connection, join_limit_s).first())
            self._check(hello, hashes)
        except RobotFailed as error:
            self.close()
            raise StartFailed(f"the robot could not be begun with: {error.what}") from error
        except BaseException:
            self.close()
            raise
        super().__init__(self._lines, hello, process=self._process)
        self.interface = hello.interface

    def _check(self, hello: Hello, hashes: Callable[[], Iterable[str]] | None) -> None:
        if not hello.interface or hashes is None:
            return
        own = ""
        for known in hashes():
            if known == hello.interface:
                return
            own = own or known
        ours = f"this bench's is {own[:12]}" if own else "this rig's frames are laid out otherwise"
        why = f"it was written for interface {hello.interface[:12]}, {ours}"
        with contextlib.suppress(RobotFailed):
            self._lines.say(f"refused {why}\n")
        raise StartFailed(
            f"the robot {hello.name} is refused: {why}",
            advice="describe this bench (emulator interface RIG), look what has changed, and give the robot "
            "the content_sha256 of the new interface.json",
        )

    def close(self) -> None:
        """Hang up, and end the process we started. Safe to call twice."""
        if self._connection is not None:
            self._connection.close()
        if self._process is not None:
            with contextlib.suppress(subprocess.TimeoutExpired):
                self._process.wait(2.0 if self._connection is not None else 0.0)
            if self._process.poll() is None:
                self._process.kill()
            self._process.wait()
        if self._path is not None:
            with contextlib.suppress(OSError):
                os.unlink(self._path)


def _listening(port: int, path: str | None) -> tuple[socket.socket, str]:
    try:
        if path is not None:
            _clear(path)
            listening = socket.socket(socket.AF_UNIX)
            listening.bind(path)
            address = path
        else:
            listening = socket.create_server(("127.0.0.1", port))
            address = f"127.0.0.1:{listening.getsockname()[1]}"
        listening.listen(1)
    except OSError as error:
        where = path if path is not None else f"127.0.0.1:{port}"
        raise StartFailed(
            f"{where} can't be listened at: {error.strerror or error}",
            advice="name another port or path in device_under_test.virtual; port 0 takes any free one",
        ) from error
    return listening, address


def _clear(path: str) -> None:
    """Take away a socket that nobody listens at, which a run that was killed has left."""
    if not os.path.exists(path) or not stat.S_ISSOCK(os.stat(path).st_mode):
        return
    with socket.socket(socket.AF_UNIX) as asking:
        try:
            asking.connect(path)
        except ConnectionRefusedError:
            os.unlink(path)


def _started(command: Sequence[str], address: str) -> subprocess.Popen[bytes]:
    try:
        return subprocess.Popen([*command, address], stdin=subprocess.DEVNULL, stdout=sys.__stderr__)
    except OSError as error:
        raise StartFailed(
            f"the robot's command {command[0]} can't be started: {error.strerror or error}",
            advice="build it, or check the path at device_under_test.virtual.command",
        ) from error


def _joined(
    listening: socket.socket, process: subprocess.Popen[bytes] | None, limit_s: float, address: str
) -> socket.socket:
    listening.settimeout(0.2)
    waited = 0.0
    while waited < limit_s:
        try:
            connection, _ = listening.accept()
        except TimeoutError:
            waited += 0.2
            if process is not None and process.poll() is not None:
                raise StartFailed(f"the robot did not join: {left_with(process)}") from None
            continue
        if connection.family == socket.AF_INET:
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return connection
    raise StartFailed(
        f"no robot joined {address} within {limit_s:g} s",
        advice="start yours with that address, or name its command in device_under_test.virtual",
    )
