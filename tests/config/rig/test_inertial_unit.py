"""Keys of the inertial unit: what is refused, and in which words."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from emulator.config.rig.file import Rig
from emulator.config.rig.sensors import Imu
from emulator.config.validation import validate
from emulator.config.yaml_source import load
from emulator.core.errors import ConfigError

DEMO = (Path(__file__).parents[3] / "scenarios" / "rigs" / "loopback.yaml").read_text(encoding="utf-8")


def given(tmp_path: Path, *changes: tuple[str, str]) -> Rig:
    """The demo rig with other text."""
    text = DEMO
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    (tmp_path / "rig.yaml").write_text(text, encoding="utf-8")
    return validate(Rig, load(tmp_path / "rig.yaml"))


def test_a_unit_of_which_only_the_place_is_given_has_no_errors_and_no_low_pass() -> None:
    imu = Imu(position_m=(0.6, 0.0, 0.7))
    for name in Imu.model_fields:
        value = getattr(imu, name)
        if name.endswith(("correlation_time_s", "damping")) or name == "position_m":
            continue
        if name == "vibration":
            assert (value.engine_orders, value.road) == ((), None)
        else:
            assert value is None or value == 0.0 or set(value) == {0.0}, name


def test_the_delay_of_the_low_pass_is_told() -> None:
    imu = Imu(position_m=(0.6, 0.0, 0.7), rate_corner_hz=150.0, rate_damping=0.7)
    assert imu.rate_delay_s == pytest.approx(2.0 * 0.7 / (2.0 * math.pi * 150.0))
    assert Imu(position_m=(0.6, 0.0, 0.7)).rate_delay_s == 0.0


BROKEN = [
    (
        ("rate_corner_hz: 150.0", "rate_corner_hz: 501.0"),
        "rate_corner_hz: expected a number from 5 to 250 Hz, got 501.0",
    ),
    (
        ("    rate_corner_hz: 150.0\n", ""),
        "rate_damping: expected rate_corner_hz beside it: without, nothing is filtered",
    ),
    (
        ("    temperature: {start_degC: 20.0, final_degC: 42.0, time_constant_s: 400.0}\n", ""),
        "rate_bias_rad_s_per_K: expected temperature beside it, which says how many kelvin there are",
    ),
    (
        ("rate_range_rad_s: 7.8", "rate_range_rad_s: 0.0001"),
        "rate_resolution_rad_s: expected at most the range of 0.0001, got 0.00025",
    ),
    (
        ("force_range_m_s2: 98.0", "force_range_m_s2: 9.0"),
        "force_range_m_s2: expected more than 9.81 m/s2, or the upright axis is at its limit when the "
        "bike stands, got 9",
    ),
    (
        ("order: 0.5,", "order: 0.7,"),
        "vibration.engine_orders.0.order: expected a multiple of 0.5 (a working cycle is two turns), got 0.7",
    ),
    (
        ("misalignment_rad: [0.0015,", "misalignment_rad: [0.3,"),
        "misalignment_rad.0: expected a number from -0.2 to 0.2 rad, got 0.3",
    ),
    (
        (
            "rate_per_force_rad_s_per_m_s2: [0.00001, -0.00001, 0.00001]",
            "rate_per_force_rad_s_per_m_s2: [0.1]",
        ),
        "rate_per_force_rad_s_per_m_s2: expected a list of 3 numbers (rad/s per m/s2), got a list of 1",
    ),
    (
        ("start_degC: 20.0", "start_degC: 200.0"),
        "temperature.start_degC: expected a number from -40 to 125 degC, got 200.0",
    ),
    (
        ("centre_hz: 60.0", "centre_hz: 600.0"),
        "vibration.road.centre_hz: expected a number from 5 to 200 Hz, got 600.0",
    ),
]


@pytest.mark.parametrize(("change", "message"), BROKEN)
def test_what_can_not_be_is_refused_with_its_place(
    tmp_path: Path, change: tuple[str, str], message: str
) -> None:
    with pytest.raises(ConfigError) as error:
        given(tmp_path, change)
    (problem,) = error.value.problems
    assert f"{problem.key}: {problem.expected}" == f"sensors.imu.{message}"
    line = Path(problem.file).read_text(encoding="utf-8").splitlines()[problem.line - 1]
    assert problem.key.rstrip(".0123456789").split(".")[-1] in line


def test_more_engine_orders_than_there_is_room_for_are_refused(tmp_path: Path) -> None:
    one = "        - {order: 0.5, amplitude_m_s2: [0.3, 0.3, 0.4], at_rad_s: 1200.0}\n"
    with pytest.raises(ConfigError, match="engine_orders"):
        given(tmp_path, (one, one * 5))
