"""Fourteen kinds of trouble at random moments of short rides, and whom the verdict takes to task for them.

    python -m tests.bench.troubles                        10 moments each, 40 healthy rides: about an hour
    python -m tests.bench.troubles --moments 1 --healthy 2 --kinds bus loop

Every ride is a bench run on the loopback bus in real time, started as a user starts it. The table has a row a
kind: what came out, how many were attributed as planted, how many told unknown. The promise: no trouble of
the bench is told as a fail, trouble of the robot fails in at least nine of ten, unknown is at most one of ten
of each kind, and every healthy ride passes.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.bench.probe import BusClient
from tests.bench.wrong_robot import FLAWS
from tests.support.desk import Desk
from tests.support.mosquitto_broker import Mosquitto

RIDES = "manoeuvre: {kind: straight, length_m: 110.0}"
"""Ten seconds of ride."""
OUTPUT_SECONDS = 60.0


class ShippedDesk(Desk):
    """A desk with the shipped rig's own limits, and a short ride."""

    def __init__(self, tmp_path: Path) -> None:
        super().__init__(tmp_path, patient=False)
        self.scenario_file = self.files / "runs" / "short_straight.yaml"
        self.rewrite(self.scenario_file, "manoeuvre: {kind: straight, length_m: 160.0}", RIDES)


@dataclass
class Ridden:
    """What a ride came to, as far as it can be read: the command's status, screen, verdict."""

    status: int
    screen: str
    verdict: dict[str, Any]
    report: str = ""

    @property
    def result(self) -> str:
        """The verdict in a word; 'none' without one."""
        return str(self.verdict.get("result", "none"))

    @property
    def whose(self) -> str:
        """Whom the first cause names; nobody for a pass."""
        causes = self.verdict.get("causes") or []
        if self.result == "stopped":
            return "operator"
        if causes and self.result != "pass":
            return str(causes[0]["whose"])
        return "robot" if self.result == "fail" else "nobody"

    @property
    def told(self) -> str:
        """Every sentence of it."""
        return "\n".join([*self.verdict.get("reasons", []), *self.verdict.get("notes", []), self.report])


@dataclass
class Scene:
    """One ride in which something is to happen: its desk, its processes, chance."""

    desk: ShippedDesk
    dice: random.Random
    process: subprocess.Popen[bytes]
    found: dict[str, int] = field(default_factory=dict)
    robot: subprocess.Popen[str] | None = None
    broker: Mosquitto | None = None
    planted: str = ""

    def hit(self, role: str) -> None:
        """Stall it for a while, or kill it."""
        number = self.found[role]
        if self.dice.random() < 0.5:
            self.planted = f"{role} killed"
            os.kill(number, signal.SIGKILL)
            return
        seconds = (
            self.dice.uniform(0.2, 0.6) if role in ("loop", "bus", "robot") else self.dice.uniform(0.7, 2.0)
        )
        self.planted = f"{role} stalled for {seconds:.2f} s"
        os.kill(number, signal.SIGSTOP)
        time.sleep(seconds)
        with contextlib.suppress(ProcessLookupError):
            os.kill(number, signal.SIGCONT)


# --- what happens ---------------------------------------------------------------------------------------


def _process(role: str) -> Callable[[Scene], None]:
    return lambda scene: scene.hit(role)


def _goes_wrong(scene: Scene) -> None:
    assert scene.robot is not None
    scene.robot.send_signal(signal.SIGUSR1)


def _overload(scene: Scene) -> None:
    scene.planted = "eight busy processes for 3 s"
    busy = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(8)]
    time.sleep(3.0)
    for process in busy:
        process.kill()
        process.wait()


def _operator(scene: Scene) -> None:
    number = scene.dice.choice((signal.SIGINT, signal.SIGTERM, signal.SIGHUP))
    scene.planted = number.name
    scene.process.send_signal(number)


def _stranger(scene: Scene) -> None:
    port = _port(scene.desk)
    scene.planted = scene.dice.choice(("never reads", "garbage", "sends a frame of the robot's", "floods"))
    count = {"never reads": 10, "garbage": 5}.get(scene.planted, 1)
    with contextlib.ExitStack() as stack:
        clients = [
            stack.enter_context(contextlib.closing(BusClient("127.0.0.1", port))) for _ in range(count)
        ]
        # who never reads is noticed when the queue is full, which takes its time
        until = time.monotonic() + (30.0 if scene.planted == "never reads" else 3.0)
        while time.monotonic() < until and scene.process.poll() is None:
            with contextlib.suppress(OSError):
                for client in clients:
                    if scene.planted == "garbage":
                        client.send(bytes(scene.dice.randrange(33, 127) for _ in range(60)) + b">")
                    elif scene.planted == "sends a frame of the robot's":
                        client.send(b"< send 080 8 1 2 3 4 5 6 7 8 >")
                    elif scene.planted == "floods":
                        client.send(b"< send 7F0 8 0 0 0 0 0 0 0 0 >" * 30)
                        client.wait(0.0)
            time.sleep(0.005)


def _broker(scene: Scene) -> None:
    assert scene.broker is not None
    scene.planted = "broker ended"
    scene.broker.end()


@dataclass(frozen=True)
class Kind:
    """A kind of trouble.

    happens   what is done at the moment
    fair      what may come out: (result, whose) pairs
    names     words of which one has to be told, so that it counts as attributed; none: the pair is enough
    flaw      of a robot that goes wrong
    """

    happens: Callable[[Scene], None]
    fair: tuple[tuple[str, str], ...]
    names: tuple[str, ...] = ()
    flaw: str = ""
    broker: bool = False


BENCH = (("invalid", "bench"), ("error", "bench"))
KINDS: dict[str, Kind] = {
    "loop": Kind(_process("loop"), BENCH, ("loop",)),
    "bus": Kind(_process("bus"), BENCH, ("virtual bus", "bus lost")),
    "supervisor": Kind(
        _process("supervisor"), (*BENCH, ("pass", "nobody"), ("none", "nobody")), ("supervisor",)
    ),
    "recorder": Kind(_process("recorder"), (*BENCH, ("pass", "nobody")), ("recorder", "record")),
    "robot": Kind(_process("robot"), (*BENCH, ("pass", "nobody")), ("robot",)),
    **{f"robot {flaw}": Kind(_goes_wrong, (("fail", "robot"),), flaw=flaw) for flaw in FLAWS},
    "host overload": Kind(_overload, (*BENCH, ("invalid", "unknown"), ("pass", "nobody"))),
    "operator": Kind(_operator, (("stopped", "operator"),)),
    "stranger": Kind(
        _stranger,
        (*BENCH, ("pass", "nobody"), ("invalid", "unknown")),
        ("did not read", "more than one sender", "no DBC", "damaged", "could carry", "made no sense"),
    ),
    "broker": Kind(_broker, (("pass", "nobody"),), broker=True),
}
HEALTHY = "healthy"


def _port(desk: Desk) -> int:
    return int(desk.said().partition("can0 on 127.0.0.1:")[2].split()[0])


@contextlib.contextmanager
def scene(kind: Kind | None, dice: random.Random, folder: Path) -> Iterator[Scene]:
    """A ride that has begun; whatever is left of it is put away."""
    desk = ShippedDesk(folder)
    broker = None
    if kind is not None and kind.flaw:
        desk.rig("kind: reference", "kind: external")
    if kind is not None and kind.broker:
        broker = Mosquitto(folder / "broker")
        broker.begin()
        _with_telemetry(desk, broker)
    process = desk.start(scenario="short_straight")
    robot: subprocess.Popen[str] | None = None
    try:
        if kind is not None and kind.flaw:
            desk.wait(lambda: "GNSS: pty" in desk.said(), "the bench did not start")
            gnss = desk.said().partition("GNSS: pty ")[2].split()[0]
            files = (desk.files / "rigs" / "loopback.yaml", desk.scenario_file)
            robot = subprocess.Popen(
                [sys.executable, "-m", "tests.bench.wrong_robot", *files, str(_port(desk)), gnss, kind.flaw],
                stdout=subprocess.PIPE,
                text=True,
            )
        desk.wait(
            lambda: (
                any(text == "armed -> running" for _, _, text in desk.events()) or process.poll() is not None
            ),
            "the ride did not start",
        )
        found = {role: numbers[0] for role, numbers in desk.processes().items()}
        assert process.poll() is None, f"it ended before anything was planted\n{desk.said()}"
        yield Scene(desk, dice, process, found, robot, broker)
    finally:
        if robot is not None:
            robot.kill()
            robot.wait()
        desk.left_over()
        if broker is not None:
            broker.end()


def _with_telemetry(desk: ShippedDesk, broker: Mosquitto) -> None:
    rig = desk.files / "rigs" / "loopback.yaml"
    text = rig.read_text()
    rig.write_text(
        f"{text}\ntelemetry: {{kind: mqtt, host: 127.0.0.1, port: {broker.port}, username: bench,\n"
        f"  password_file: {broker.folder}/password, ca_file: {broker.folder}/ca.pem}}\n"
    )


def ride(kind: Kind | None, dice: random.Random, folder: Path) -> tuple[Ridden, str]:
    """One ride with that trouble at a random moment, and what was planted."""
    (folder / "broker").mkdir()
    with scene(kind, dice, folder) as stage:
        if kind is not None:
            time.sleep(dice.uniform(0.0, 5.5))
            kind.happens(stage)
        status = stage.process.wait(OUTPUT_SECONDS)
        desk = stage.desk
        desk.wait(lambda: not desk.processes(), "a process outlived its supervisor", 30.0)
        screen = desk.said()
        path = desk.folder / "verdict.json"
        verdict = json.loads(path.read_text()) if path.exists() else {}
        report = ""
        if not verdict:
            command = [sys.executable, "-m", "emulator", "report", str(desk.folder)]
            report = subprocess.run(command, capture_output=True, text=True, check=False).stdout
        return Ridden(status, screen, verdict, report), stage.planted or (kind.flaw if kind else "")


def attributed(kind: Kind, ridden: Ridden) -> bool:
    """Whether the ride told whose trouble it was, or came through it."""
    if (ridden.result, ridden.whose) not in kind.fair:
        return False
    return not kind.names or any(words in ridden.told for words in kind.names)


@dataclass
class Row:
    """What came out of the rides of a kind."""

    outcomes: Counter[tuple[str, str]] = field(default_factory=Counter)
    attributed: int = 0
    rides: int = 0

    @property
    def unknown(self) -> int:
        """Rides of which nobody could tell."""
        return sum(n for (_, whose), n in self.outcomes.items() if whose == "unknown")


def table(rows: dict[str, Row]) -> str:
    """The confusion table."""
    columns = (
        ("pass", "nobody"),
        ("fail", "robot"),
        ("invalid", "bench"),
        ("invalid", "robot"),
        ("invalid", "unknown"),
        ("invalid", "operator"),
        ("error", "bench"),
        ("stopped", "operator"),
        ("none", "nobody"),
    )
    heads = ("pass", "fail", "inval", "…robot", "…unkn", "…oper", "error", "stop", "none", "as pl.")
    lines = [f"{'planted':28}" + "".join(f"{head:>7}" for head in heads)]
    for name, row in rows.items():
        counts = [row.outcomes.get(column, 0) for column in columns]
        lines.append(
            f"{name:28}" + "".join(f"{n or '·':>7}" for n in (*counts, f"{row.attributed}/{row.rides}"))
        )
    return "\n".join(lines)


def broken_promises(rows: dict[str, Row]) -> list[str]:
    """What of the promise in the module's text was not kept."""
    broken = []
    for name, row in rows.items():
        fails = sum(n for (result, _), n in row.outcomes.items() if result == "fail")
        if name == HEALTHY:
            if row.outcomes.get(("pass", "nobody"), 0) != row.rides:
                broken.append(
                    f"healthy rides that did not pass: {row.rides - row.outcomes['pass', 'nobody']}"
                )
            continue
        if KINDS[name].flaw:
            if fails < 0.9 * row.rides:
                broken.append(f"{name}: {fails} of {row.rides} failed")
        elif fails:
            broken.append(f"{name}: told as a fail {fails} times")
        if row.unknown > 0.1 * row.rides and name != "stranger":
            broken.append(f"{name}: unknown {row.unknown} times of {row.rides}")
        if row.attributed + row.unknown < row.rides:
            broken.append(f"{name}: {row.rides - row.attributed - row.unknown} of {row.rides} told otherwise")
    return broken


def main(arguments: list[str] | None = None) -> int:
    """Ride, print the table; 1 if a promise was broken."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--moments", type=int, default=10)
    parser.add_argument("--healthy", type=int, default=40)
    parser.add_argument("--kinds", nargs="*", default=[*KINDS])
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    plan = [(name, n) for n in range(asked.moments) for name in asked.kinds]
    plan += [(HEALTHY, n) for n in range(asked.healthy)]
    random.Random(asked.seed).shuffle(plan)
    rows: dict[str, Row] = {name: Row() for name in (*asked.kinds, HEALTHY)}
    for done, (name, n) in enumerate(plan, 1):
        kind = KINDS.get(name)
        with tempfile.TemporaryDirectory() as folder:
            ridden, planted = ride(kind, random.Random(f"{asked.seed}/{name}/{n}"), Path(folder))
        row = rows[name]
        row.rides += 1
        row.outcomes[ridden.result, ridden.whose] += 1
        right = kind is None or attributed(kind, ridden)
        row.attributed += right
        first = (ridden.verdict.get("reasons") or ["no verdict"])[0]
        mark = "" if right else "  <-- not as planted"
        print(f"{done}/{len(plan)} {name}: {planted or '-'}: {ridden.result} ({ridden.whose}): {first}{mark}")
        if not right:
            print("    " + "\n    ".join(ridden.told.splitlines()[:12]))
        sys.stdout.flush()
    print(table(rows))
    broken = broken_promises(rows)
    for text in broken:
        print(f"not kept: {text}")
    return int(bool(broken))


if __name__ == "__main__":
    sys.exit(main())
