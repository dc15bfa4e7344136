"""Faults of frames that the rig's bus or the frame itself has no place for, each at its line."""

from __future__ import annotations

from pathlib import Path

import pytest

from emulator.assembly.session import load_session
from emulator.core.errors import ConfigError

SCENARIOS = Path(__file__).parents[3] / "scenarios"
EVENT = "  - {kind: frame, name: odd, frame: imu_rates, at: {time_s: 1}, effect: %s}\n"


def found(tmp_path: Path, rig: str, effect: str) -> list[str]:
    """The problems of the first lap with one more event on a shipped rig."""
    text = (SCENARIOS / "runs" / "first_lap.yaml").read_text()
    text = text.replace("circuit: ..", f"circuit: {SCENARIOS}")
    assert text.count("\nevents:\n") == 1
    path = tmp_path / "run.yaml"
    path.write_text(text.replace("\nevents:\n", "\nevents:\n" + EVENT % effect))
    line = path.read_text().splitlines().index((EVENT % effect).rstrip()) + 1
    try:
        load_session(SCENARIOS / "rigs" / rig, path)
    except ConfigError as error:
        return [f"{p.line - line}: {p.key}: {p.expected}" for p in error.problems]
    return []


def inserted(count: int) -> str:
    return f"insertion, every_ms: 10, payload: '{'00 ' * count}'"


@pytest.mark.parametrize(
    ("rig", "effect", "expected"),
    [
        ("loopback.yaml", inserted(8), None),
        (
            "loopback.yaml",
            inserted(12),
            "payload: expected 1 to 8 bytes on a bus of classical frames, got 12",
        ),
        ("can_fd.yaml", inserted(12), None),
        ("can_fd.yaml", inserted(10), "payload: expected 1 to 8 or 12, 16, 20, 24, 32, 48, 64 bytes, got 10"),
        ("loopback.yaml", "corruption, mask: '00 00 00 00 00 00 00 01'", None),
        ("loopback.yaml", "corruption, mask: '01 00 00 00 00 00 00 00 00'", None),
        (
            "loopback.yaml",
            "corruption, mask: '00 00 00 00 00 00 00 00 01'",
            "mask: expected bits of the frame's 8 bytes, got a mask that sets bits beyond them",
        ),
        ("can_fd.yaml", "corruption, mask: '00 00 00 00 00 00 00 00 01'", None),
        ("loopback.yaml", "corruption, flips: 64", None),
        (
            "loopback.yaml",
            "corruption, flips: 65",
            "flips: expected at most the 64 bits of the frame, got 65",
        ),
        ("can_fd.yaml", "corruption, flips: 128", None),
        (
            "can_fd.yaml",
            "corruption, flips: 129",
            "flips: expected at most the 128 bits of the frame, got 129",
        ),
    ],
)
def test_lengths_are_those_of_the_bus_and_of_the_frame(
    tmp_path: Path, rig: str, effect: str, expected: str | None
) -> None:
    problems = found(tmp_path, rig, effect)
    assert problems == ([] if expected is None else [f"0: events.0.{expected}"])


PARTLY = f"""\
based_on: {SCENARIOS}/rigs/loopback.yaml
name: partly
electronics: {{traction: modelled, slipper_clutch: modelled}}
"""


@pytest.mark.parametrize(("rig", "known"), [("loopback", "none"), ("partly", "traction, slipper_clutch")])
def test_a_fault_of_a_unit_that_the_rig_does_not_model_is_refused(
    tmp_path: Path, rig: str, known: str
) -> None:
    (tmp_path / "partly.yaml").write_text(PARTLY)
    path = tmp_path / "run.yaml"
    event = "  - {kind: electronics, name: dead, unit: antilock, effect: off, at: {time_s: 1}}"
    path.write_text(
        f"based_on: {SCENARIOS}/runs/short_straight.yaml\nname: dead\npurpose: refused\nevents:\n{event}\n"
    )
    with pytest.raises(ConfigError) as caught:
        load_session((tmp_path if rig == "partly" else SCENARIOS / "rigs") / f"{rig}.yaml", path)
    (problem,) = caught.value.problems
    assert (problem.line, problem.key) == (5, "events.0.unit")
    assert problem.expected == (
        f"expected a unit that the rig models ({known}), got antilock; say electronics: "
        "{antilock: modelled} in the rig, or take a rig that does"
    )
