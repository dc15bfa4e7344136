"""The reference robot apart from its bench: what it can join, how long it waits, what it opens and closes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from emulator.core.errors import ConfigError, DeviceAbsent, Stopped
from emulator.stages import robot_apart
from emulator.stages.robot_apart import PATIENCE_S, once_there, ride_apart
from tests.support.stepped_clock import SteppedClock

SCENARIOS = Path(__file__).parents[2] / "scenarios"
JOINABLE = "bus: {port: 29536}\ngnss_port: {kind: tcp, host: 127.0.0.1, port: 10110}\n"


def rig_with(folder: Path, text: str) -> Path:
    rig = folder / "rig.yaml"
    base = SCENARIOS / "rigs" / "loopback.yaml"
    rig.write_text(f"based_on: {base}\nname: apart\ndevice_under_test: {{kind: external}}\n{text}")
    return rig


def never() -> bool:
    return False


@pytest.mark.parametrize(
    ("text", "key", "words"),
    [
        (JOINABLE.replace("29536", "0"), "bus.port", "got 0, which is any"),
        (JOINABLE.replace("10110", "0"), "gnss_port.port", "got 0, which is any"),
        ("bus: {port: 29536}\n", "gnss_port.path", "expected a path"),
        (
            "bus: {port: 29536}\ngnss_port: {kind: serial, device: /dev/ttyUSB0, baud: 115200}\n",
            "gnss_port.kind",
            "can't read a serial line",
        ),
    ],
)
def test_a_rig_that_another_process_cannot_join_is_refused(
    tmp_path: Path, text: str, key: str, words: str
) -> None:
    with pytest.raises(ConfigError) as refused:
        ride_apart(
            rig_with(tmp_path, text),
            SCENARIOS / "runs" / "short_bend.yaml",
            {},
            SteppedClock(),
            never,
            lambda _: None,
        )
    (problem,) = refused.value.problems
    assert problem.key == key
    assert words in problem.expected


def there_after(attempts: int) -> Callable[[], str]:
    left = [attempts]

    def open_link() -> str:
        left[0] -= 1
        if left[0] > 0:
            raise DeviceAbsent("no bus yet")
        return "link"

    return open_link


def test_it_waits_for_the_bench_and_not_for_ever() -> None:
    clock = SteppedClock()
    assert once_there(there_after(50), clock, never) == "link"
    assert clock.now_ns() == pytest.approx(49 * 0.2e9)
    with pytest.raises(DeviceAbsent, match="no bus yet"):
        once_there(there_after(10**6), clock, never)
    assert clock.now_ns() * 1e-9 == pytest.approx(9.8 + PATIENCE_S, abs=0.3)


def test_asked_to_end_it_waits_no_longer() -> None:
    with pytest.raises(Stopped):
        once_there(there_after(10**6), SteppedClock(), lambda: True)


class Link:
    """Takes down when it was opened and closed."""

    def __init__(self, name: str, seen: list[str]) -> None:
        self.name, self.seen = name, seen
        seen.append(f"{name} opened")

    def close(self) -> None:
        self.seen.append(f"{self.name} closed")


@pytest.mark.slow
def test_it_joins_bus_and_port_of_the_rig_and_leaves_both(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The bus last, when the host's rights are asked for: whoever is on it and does not read is cut off."""
    seen: list[str] = []
    asked: dict[str, object] = {}

    def gnss(kind: str, address: str) -> Link:
        asked["gnss"] = kind, address
        return Link("gnss", seen)

    def can(spec: object) -> Link:
        asked["bus"] = spec
        return Link("bus", seen)

    def ride(rider: object, bus: Link, *_: object) -> str:
        seen.append("rides")
        assert bus.name == "bus"
        return "the bus is gone"

    monkeypatch.setattr(robot_apart, "open_gnss_reader", gnss)
    monkeypatch.setattr(robot_apart, "open_can", can)
    monkeypatch.setattr(robot_apart, "run_robot", ride)

    def rights(*_: object, **__: object) -> robot_apart.host.HostReport:
        seen.append("rights")
        return robot_apart.host.HostReport(refused=["no"])

    monkeypatch.setattr(robot_apart.host, "apply", rights)
    said: list[str] = []
    ended = ride_apart(
        rig_with(tmp_path, JOINABLE),
        SCENARIOS / "runs" / "short_bend.yaml",
        {},
        SteppedClock(),
        never,
        said.append,
    )
    assert ended == "the bus is gone"
    assert seen == ["rights", "gnss opened", "bus opened", "rides", "bus closed", "gnss closed"]
    assert asked["gnss"] == ("tcp", "127.0.0.1:10110")
    assert (asked["bus"].kind, asked["bus"].port) == ("loopback", 29536)  # type: ignore[attr-defined]
    assert said == ["refused: no", "waiting for the bench", "on the bus"]
