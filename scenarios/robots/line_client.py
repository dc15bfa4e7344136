"""Reference client of the lockstep protocol in Python: a robot at the emulator's socket.

    python line_client.py 127.0.0.1:5555        or the path of a Unix socket

It lets PlainRider of plain_rider.py ride; the guide's page own-controllers.md says what the lines mean.
"""

import socket
import sys
from types import SimpleNamespace

from plain_rider import PlainRider

INTERFACE = "-"  # content_sha256 of the interface.json it was written for: another bench refuses it


def joined(address):
    """A connection to where the emulator waits."""
    if ":" not in address:
        connection = socket.socket(socket.AF_UNIX)
        connection.connect(address)
        return connection
    host, _, port = address.rpartition(":")
    connection = socket.create_connection((host, int(port)))
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # answers are short: send each at once
    return connection


def serve(connection, robot):
    """Answer until the emulator says that the ride is over; False if it refused or left."""
    lines, say = connection.makefile("r"), connection.sendall
    say(f"hello 1 {INTERFACE} values {robot.version} {robot.name}\n".encode())
    start = SimpleNamespace(settings={})
    values = {}
    for line in lines:
        word, *rest = line.split()
        if word == "value":
            values[rest[0]] = float(rest[1])
        elif word == "act":
            said = robot.act(SimpleNamespace(time_ns=int(rest[0]), values=values))
            values = {}
            answer = [f"value {name} {value!r}\n" for name, value in said["values"].items()]
            answer += [f"note {name} {value!r}\n" for name, value in said["notes"].items()]
            say("".join([*answer, "done\n"]).encode())
        elif word == "set":
            start.settings[rest[0]] = float(rest[1])
        elif word == "start":
            start.start_east_m, start.start_north_m, start.start_heading_rad = map(float, rest)
        elif word == "begin":
            robot.begin(start)
            say(b"done\n")
        elif word == "end":
            return True
        elif word == "refused":
            print(line, file=sys.stderr)
            return False
    return False


if __name__ == "__main__":
    sys.exit(not serve(joined(sys.argv[1]), PlainRider()))
