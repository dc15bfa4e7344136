"""Both images built, looked into, and a ride in them with broker and robot apart: ``python -m tests.docker``.

    python -m tests.docker [--untimed] [FOLDER] [SCENARIO]

FOLDER (.cache/containers) keeps what was built; SCENARIO (scenarios/runs/short_straight.yaml) is what rides
over the bus. With --untimed a ride that starts late is told and no failure: on a machine whose other work
nobody knows, nothing is proven by it. Needs root; see tests.docker.podman. Ends with 0 if everything held,
with 1 and what did not, with 3 where this machine has not what it takes to try.
"""

from __future__ import annotations

import asyncio
import json
import resource
import shutil
import ssl
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import aiomqtt
from jsonschema import Draft202012Validator

from emulator.telemetry.messages import schema_text
from tests.docker.compose_file import Service, services
from tests.docker.podman import Failed, NotHere, Podman
from tests.docker.start_stages import SAID, Moment, moments, table

ROOT = Path(__file__).parents[2]
DOCKER = ROOT / "docker"
PREFIX = "emulator-test-"
MOST_MB = 600.0
STARTED_WITHIN_S = 10.0
MOST_RIDES = 3
USER = 10001
LONGEST_S = 240.0
_LIMITS = {"rtprio": resource.RLIMIT_RTPRIO, "memlock": resource.RLIMIT_MEMLOCK}

# A busy machine's stalls trip no rig: what is shown here is that everything is there, not how punctual it is.
PATIENT = """
limits: {heartbeat_timeout_ms: 2000.0, command_timeout_ms: 2500.0, overrun_limit_ms: 1500.0}
timing: {rate_ppm: 200000.0, age_p99_ms: 500.0, hole_ms: 1000.0}
"""


class NotCounted(Failed):
    """A ride whose verdict is invalid: of this host something is proven, of the images nothing."""


def say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def expect(held: bool, text: str) -> None:
    if not held:
        raise Failed(text)
    say(f"  holds: {text}")


def looked_into(podman: Podman) -> None:
    """What the images are, and what a ride without any right or network does in one."""
    for name in ("emulator", "emulator-broker"):
        size = podman.size_MB(name)
        expect(size <= MOST_MB, f"image {name}: {size:.0f} MB, at most {MOST_MB:.0f}")
    closed = ("run", "--rm", "--read-only", "--cap-drop=ALL", "--network=none", "--tmpfs=/tmp")
    image = "localhost/emulator"
    inside = podman(*closed, "--entrypoint=python", image, "-c", _LOOK)
    found = json.loads(inside)
    expect(found["user"] == USER, f"user {found['user']}")
    expect(int(found["capabilities"], 16) == 0, "no capability")
    expect(not found["writable"], f"the root is read-only {found['writable']}")
    expect(found["processor"] == "generic", f"code for processor {found['processor']}")
    imported = f"import {', '.join(_OF_A_BENCH)}"
    noise = podman(*closed, "--entrypoint=sh", image, "-c", f"python -v -c '{imported}' 2>&1").splitlines()
    brought = [line for line in noise if "code object from" in line]
    stale = [line for line in noise if "bytecode is stale" in line or "wrote '" in line]
    stale += [line for line in brought if not line.endswith(".pyc'")]
    expect(len(brought) > 500 and not stale, f"a bench parses no source, all is byte code {stale[:3]}")
    began = time.monotonic()
    ride = "run scenarios/runs/short_bend.yaml --rig scenarios/rigs/megabit.yaml --virtual --out /tmp/ride"
    said = podman(*closed, image, *ride.split())
    took = time.monotonic() - began
    expect(
        "compiling" not in said and "PASS" in said.upper(), "a ride in the virtual stage passes, uncompiled"
    )
    podman.times_s["ride, virtual"] = took
    say(f"  from start to verdict {took:.1f} s")


_LOOK = """
import json, os
from emulator.core.compiler import processor_name
def writes(path):
    try:
        open(path + "/probe", "w").close()
    except OSError:
        return False
    return True
status = open("/proc/self/status").read()
print(json.dumps({
    "user": os.getuid(),
    "capabilities": status.partition("CapEff:")[2].split()[0],
    "writable": [p for p in ("/", "/opt/machine-code", "/opt/emulator", "/srv/emulator") if writes(p)],
    "processor": processor_name(),
}))
"""


_OF_A_BENCH = (
    *("emulator.cli.run", "emulator.cli.service.robot", "emulator.runs.one", "emulator.stages.robot_apart"),
    *("emulator.stages.bench.child", "emulator.stages.bench.supervisor", "emulator.loop.process"),
    *("emulator.links.bus_process", "emulator.links.can_bus", "emulator.links.gnss_port"),
    *("emulator.record.process", "emulator.telemetry.publisher"),
)
"""What the processes of a ride in real time import."""


class Listener:
    """What the broker tells a desk, each message held against the schema; with the time it came."""

    def __init__(self, secrets: Path) -> None:
        self._secrets = secrets
        self._validator = Draft202012Validator(json.loads(schema_text()))
        self.heard: dict[str, list[tuple[float, Any]]] = {}
        self.wrong: list[str] = []

    async def listen(self) -> None:
        """Until cancelled."""
        tls = ssl.create_default_context(cafile=str(self._secrets / "authority.pem"))
        password = (self._secrets / "desk_password").read_text()
        while True:
            try:
                async with aiomqtt.Client(
                    "localhost", 8883, username="desk", password=password, tls_context=tls
                ) as client:
                    await client.subscribe("bench/1/#", qos=1)
                    async for message in client.messages:
                        self._take(str(message.topic).removeprefix("bench/1/"), bytes(message.payload or b""))
            except aiomqtt.MqttError:
                await asyncio.sleep(0.2)

    def _take(self, topic: str, payload: bytes) -> None:
        if payload:
            item = json.loads(payload)
            self.wrong += [f"{topic}: {e.message}" for e in self._validator.iter_errors({topic: item})]
            self.heard.setdefault(topic, []).append((time.monotonic(), item))

    def states(self) -> list[str]:
        return [item["state"] for _, item in self.heard.get("state", [])]


def granted_here() -> set[str]:
    """Limits that this machine lets a container have: no container gets more than its engine may give."""
    most = {"rtprio": 95, "memlock": resource.RLIM_INFINITY}
    hard = {name: resource.getrlimit(number)[1] for name, number in _LIMITS.items()}
    return {n for n in most if hard[n] == resource.RLIM_INFINITY or 0 < most[n] <= hard[n]}


def ready(podman: Podman, place: Path, scenario: str) -> list[Service]:
    """The services of the compose file, with secrets and volumes of their own, and with a patient rig."""
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir(parents=True)
    subprocess.run([str(DOCKER / "secrets"), str(place / "secrets")], check=True, capture_output=True)
    compose = place / "docker" / "compose.yaml"
    shutil.copytree(DOCKER, compose.parent, ignore=shutil.ignore_patterns(".secrets"))
    rig = compose.parent / "rigs" / "lab.yaml"
    rig.write_text(rig.read_text() + PATIENT)
    compose.write_text(compose.read_text().replace("scenarios/runs/first_lap.yaml", scenario))
    for volume in ("runs", "cache"):
        (place / volume).mkdir()
        shutil.chown(place / volume, USER, USER)
    not_here = set(_LIMITS) - granted_here()
    for limit in sorted(not_here):
        say(f"  not shown here: limit {limit}, which this machine's engine can't raise")
    ordered = services(compose, place, PREFIX)
    return [replace(service, arguments=tuple(_possible(service.arguments, not_here))) for service in ordered]


def _possible(arguments: Sequence[str], not_here: set[str]) -> Iterator[str]:
    """Without the limits that can't be had here."""
    for argument in arguments:
        if not any(argument.startswith(f"--ulimit={limit}=") for limit in not_here):
            yield argument


async def until(condition: Callable[[], bool], what: str, seconds: float) -> None:
    end = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > end:
            raise Failed(f"{what}: not within {seconds:.0f} s")
        await asyncio.sleep(0.1)


async def ridden(podman: Podman, place: Path, scenario: str) -> float:
    """The compose file's ride: everything up in its order, a pass, every process ended with 0.

    Says where the time until it rode went, and returns how long after its container's start that was [s].
    """
    ordered = ready(podman, place, scenario)
    listener = Listener(place / "secrets")
    task = asyncio.create_task(listener.listen())
    call = asyncio.to_thread
    started: dict[str, float] = {}
    ended: dict[str, asyncio.Task[None]] = {}
    start = datetime.now(UTC)

    def running(name: str) -> bool:
        return not ended[name].done()

    def healthy(name: str) -> bool:
        return podman.status("healthcheck", "run", PREFIX + name) == 0

    try:
        for service in ordered:
            for other, condition in service.after.items():
                if condition == "healthy":
                    await until(lambda other=other: healthy(other), f"{other} is healthy", 30.0)
            started[service.name] = time.monotonic()
            if service.name == "emulator":
                start = datetime.now(UTC)
            await call(
                podman, "run", "--detach", "--pull=never", "--name", PREFIX + service.name,
                *service.arguments, service.image, *service.command,
            )  # fmt: skip
            ended[service.name] = asyncio.create_task(podman.ended(PREFIX + service.name))
        await until(lambda: "running" in listener.states() or not running("emulator"), "a ride", 180.0)
        began = [at for at, item in listener.heard.get("state", []) if item["state"] == "running"]
        if not began:
            raise Failed("no ride began")
        took = began[0] - started["emulator"]
        at_s = {item["state"]: at - started["emulator"] for at, item in reversed(listener.heard["state"])}
        seen = [Moment(at, "ride", state) for state, at in at_s.items() if at <= took]
        expect(healthy("emulator"), "healthy while it rides")
        await until(lambda: not running("emulator"), "the ride's end", LONGEST_S)
        await until(lambda: "verdict" in listener.heard, "the verdict at the broker", 10.0)
        await until(lambda: not running("robot"), "the robot's end", 20.0)
    except Failed as failed:
        logs = [podman.logs(PREFIX + service.name) for service in ordered if service.name in started]
        raise Failed("\n".join([str(failed), *logs])) from None
    finally:
        for one in (task, *ended.values()):
            one.cancel()  # the listener is gone from the broker before that is stopped
        await asyncio.wait([task, *ended.values()], timeout=5.0)
    say("  from its start to the ride: at, since the line before of the same, what was reached")
    for name in SAID:
        log = podman.timed_log(PREFIX + name)
        began_at = json.loads(podman("inspect", "--format", "{{json .State.StartedAt}}", PREFIX + name))
        seen.append(Moment((datetime.fromisoformat(began_at) - start).total_seconds(), name, "its process"))
        seen += moments(name, log, start)
    for line in table(seen):
        say(f"  {line}")
    verdict = listener.heard["verdict"][-1][1]
    if verdict["result"] == "invalid":
        raise NotCounted(f"verdict invalid {verdict['reasons']}")
    expect(verdict["result"] == "pass", f"verdict {verdict['result']} {verdict['reasons']}")
    expect(listener.wrong == [], f"every message is one by the schema {listener.wrong[:3]}")
    said = sorted(
        {"present", "state", "signals", "timing", "events", "challenge", "verdict"} - set(listener.heard)
    )
    expect(not said, f"every topic was told {said}")
    podman("stop", "--time", "5", f"{PREFIX}broker")
    for service in ordered:
        status = podman("inspect", "--format", "{{.State.ExitCode}}", PREFIX + service.name).strip()
        expect(status == "0", f"{service.name} ended with {status}")
    (run,) = (place / "runs").iterdir()
    host = json.loads((run / "certificate.json").read_text())["loop"]["host"]
    for limit, got in (("rtprio", host["priority"] > 0), ("memlock", host["memory_locked"])):
        if limit in granted_here():
            expect(got, f"{limit} is granted inside")
    compiled = sorted(path.name.partition("-")[0] for path in (place / "cache").glob("*.zcode"))
    expect(not compiled, f"nothing was compiled {compiled[:3]}")
    return took


def ridden_soon(podman: Podman, place: Path, scenario: str, *, timed: bool) -> None:
    """The same, until one counts that began in time: a host's other work makes a start longer, never shorter.

    timed  whether that none did is a failure
    """
    took: list[float] = []
    for number in range(1, MOST_RIDES + 1):
        with podman.cleared(PREFIX):
            try:
                took.append(asyncio.run(ridden(podman, place, scenario)))
            except NotCounted as bench:
                if number == MOST_RIDES and not took:
                    raise
                say(f"  does not count: {bench}")
        if took and min(took) <= STARTED_WITHIN_S:
            break
    text = f"rides within {STARTED_WITHIN_S:.0f} s of its start ({', '.join(f'{t:.1f} s' for t in took)})"
    if timed or min(took) <= STARTED_WITHIN_S:
        expect(min(took) <= STARTED_WITHIN_S, text)
    else:
        say(f"  NOT SHOWN here: {text}")


def main() -> int:
    given = [argument for argument in sys.argv[1:] if argument != "--untimed"]
    given += ["", ""][len(given) :]
    folder = Path(given[0] or ROOT / ".cache" / "containers").resolve()
    scenario = given[1] or "scenarios/runs/short_straight.yaml"
    began = time.monotonic()
    try:
        podman = Podman(folder)
        podman.make_base()
        podman.build("emulator-broker", DOCKER / "broker" / "Dockerfile", ROOT)
        podman.build("emulator", DOCKER / "Dockerfile", ROOT)
        looked_into(podman)
        ridden_soon(podman, folder / "ride", scenario, timed="--untimed" not in sys.argv)
    except NotHere as missing:
        sys.stderr.write(f"not tried: {missing}\n")
        return 3
    except Failed as failed:
        sys.stderr.write(f"{failed}\n")
        return 1
    finally:
        subprocess.run(["umount", str(folder / "store" / "overlay")], capture_output=True, check=False)
    say(f"all held, {time.monotonic() - began:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
