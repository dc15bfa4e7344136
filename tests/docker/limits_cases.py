"""The limits of the compose files give a user without root and without capabilities what the loop asks for.

Carried out in the guest of tests/links/test_socketcan.py: an engine sets limits as root, and where the tests
run root itself may not be allowed to raise them. In the guest it is.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from ruamel.yaml import YAML

DOCKER = Path(__file__).parents[2] / "docker"
ASKED = """
import json
from emulator.loop import host
status = open("/proc/self/status").read()
report = host.apply(None, 80, lock_memory=True).as_dict()
print(json.dumps({**report, "capabilities": status.partition("CapEff:")[2].split()[0]}))
"""


def granted(limits: dict[str, int]) -> dict[str, Any]:
    """What the operating system grants a loop in a container with these limits."""
    given = {name: "unlimited" if most == -1 else str(most) for name, most in limits.items()}
    done = subprocess.run(
        [
            "prlimit",
            *(f"--{name}={most}:{most}" for name, most in given.items()),
            *("setpriv", "--reuid=10001", "--regid=10001", "--clear-groups", "--no-new-privs"),
            *("--bounding-set=-all", "--inh-caps=-all"),
            *(sys.executable, "-c", ASKED),
        ],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return dict(json.loads(done.stdout))


@pytest.mark.parametrize("file", ["compose.yaml", "bench.yaml"])
def test_limits_of_the_compose_file_are_enough(file: str) -> None:
    service = YAML(typ="safe").load((DOCKER / file).read_text())["services"]["emulator"]
    got = granted(service["ulimits"])
    assert int(got["capabilities"], 16) == 0
    assert (got["priority"], got["memory_locked"], got["refused"]) == (80, True, [])


def test_without_them_it_is_refused() -> None:
    got = granted({"rtprio": 0, "memlock": 65536})
    assert (got["priority"], got["memory_locked"]) == (0, False)
    assert len(got["refused"]) == 2
