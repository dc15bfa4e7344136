"""A night on the loopback bench in real time with nobody there: runs one after another, and what befell some.

    python -m tests.bench.unattended                 20 runs of ten seconds: about ten minutes

In some runs the robot's process is killed, in others the broker is gone. Printed is what the page says,
beside what was planted. The reference robot is the bench's own: a ride in which it was killed does not count,
and the next attempt begins with another. Status 1 unless each of these is told as ridden again, with
that reason, every ride without a broker is told and counts all the same, and there is no surprise. Runs that
the machine spoils are ridden again, too, and told with theirs.
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
from pathlib import Path
from typing import Any

from tests.bench.troubles import RIDES
from tests.support.desk import Desk
from tests.support.mosquitto_broker import Mosquitto


def plan_of(desk: Desk, broker: Mosquitto, runs: int) -> Path:
    """The plan: one short ride with so many seeds, telemetry beside each."""
    telemetry = {
        "kind": "mqtt",
        "host": "127.0.0.1",
        "port": broker.port,
        "username": "bench",
        "password_file": str(broker.folder / "password"),
        "ca_file": str(broker.folder / "ca.pem"),
    }
    desk.rewrite(
        desk.files / "runs" / "short_straight.yaml", "manoeuvre: {kind: straight, length_m: 160.0}", RIDES
    )
    part = {
        "scenarios": [str(desk.files / "runs" / "short_straight.yaml")],
        "rigs": [str(desk.files / "rigs" / "loopback.yaml")],
        "over": {"rig": {"telemetry": telemetry}},
        "seeds": {"count": runs},
    }
    plan = desk.files / "unattended.yaml"
    plan.write_text(
        json.dumps(
            {
                "kind": "campaign",
                "name": "unattended",
                "stage": "bench",
                "parts": {"all": part},
                "bench": {"rest_s": 2.0, "repeats_of_invalid": 3},
            }
        )
    )
    return plan


def events_of(night: Path) -> dict[str, Any]:
    """Of the run that is being ridden: its folder's name, and whether it is under way."""
    for path in (night / "kept").glob(".*"):
        with contextlib.suppress(OSError):
            if "armed -> running" in (path / "events.jsonl").read_text():
                return {"name": path.name, "since": (path / "events.jsonl").stat().st_mtime}
    return {}


def ridden(folder: Path, runs: int, kills: int, away: int, dice: random.Random) -> int:
    """Ride the night; returns the number of things that the page says wrong."""
    desk = Desk(folder, patient=False)
    (folder / "broker").mkdir()
    broker = Mosquitto(folder / "broker")
    broker.begin()
    plan, night = plan_of(desk, broker, runs), folder / "night"
    chosen = dice.sample(range(1, runs), kills + away)
    killed, gone = set(chosen[:kills]), set(chosen[kills:])
    name, _, value = desk.mark.partition("=")
    planted: dict[str, list[int]] = {"robot killed": [], "broker gone": []}
    with desk.screen.open("w") as screen:
        process = subprocess.Popen(
            [sys.executable, "-m", "emulator", "campaign", "run", plan, "--out", night],
            stdin=subprocess.DEVNULL,
            stdout=screen,
            stderr=subprocess.STDOUT,
            env={**os.environ, name: value},
            start_new_session=True,
        )
    seen: list[str] = []
    try:
        while process.poll() is None:
            time.sleep(0.1)
            now = events_of(night)
            if not now or now["name"] in seen:
                continue
            seen.append(now["name"])
            number = len(seen) - 1
            if number in killed:
                time.sleep(dice.uniform(1.0, 4.0))
                for robot in desk.processes().get("robot", []):
                    os.kill(robot, signal.SIGKILL)
                    planted["robot killed"].append(number)
            if number in gone:
                broker.end()
                planted["broker gone"].append(number)
                time.sleep(3.0)
                broker.begin()
    finally:
        desk.left_over()
        broker.end()
    told = json.loads((night / "campaign_result.json").read_text())
    return _compared(told, planted, len(seen), process.returncode, (night / "page.txt").read_text())


def _compared(told: dict[str, Any], planted: dict[str, list[int]], rides: int, status: int, page: str) -> int:
    print(page)
    print(f"planted: {planted}; {rides} rides, exit status {status}")
    gone = "the reference robot's process was gone"
    again = sum(len(one["began"]) for one in told["bench"]["ridden_again"] if gone in one["text"])
    broker = sum(len(one["began"]) for one in told["bench"]["notices"] if "is away" in one["text"])
    wrong = {
        "a robot that was killed is not told": again != len(planted["robot killed"]),
        "somebody is accused": bool(told["surprises"]),
        "a broker that was away is not told": broker != len(planted["broker gone"]),
        "a run is missing": told["counts"]["not_ridden"] > 0 or told["counts"]["errors"] > 0,
        "rides are not all counted": told["bench"]["rides"] != rides,
    }
    for text in (text for text, is_so in wrong.items() if is_so):
        print(f"WRONG: {text}")
    return sum(wrong.values())


def main() -> int:
    """Ride, print, 1 if the page says anything else than what was."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--runs", type=int, default=20)
    parser.add_argument("--kills", type=int, default=3)
    parser.add_argument("--away", type=int, default=3)
    parser.add_argument("--seed", type=int, default=0)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        return int(ridden(Path(folder), asked.runs, asked.kills, asked.away, random.Random(asked.seed)) > 0)


if __name__ == "__main__":
    sys.exit(main())
