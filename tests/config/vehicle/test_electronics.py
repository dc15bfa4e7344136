"""Which of the bike's own electronics a rig may have, and what it is told where that can't be."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from emulator.assembly.session import Session, load_session
from emulator.config.vehicle.electronics import BRAKES, THROTTLES, Electronics
from emulator.core.errors import ConfigError
from emulator.vehicle.electronics.parameters import ELECTRONICS, SHARED

SCENARIOS = Path(__file__).parents[3] / "scenarios"
Loader = Callable[..., Session]

EXTERNAL = ("  kind: reference\n", "  kind: external\n")
NO_LAG = tuple(
    (f"  {name}: {{time_constant_ms: {old},", f"  {name}: {{time_constant_ms: 0,")
    for name, old in (("front_brake", "30.0"), ("rear_brake", "30.0"))
)
NO_THROTTLE_LAG = ("  throttle: {time_constant_ms: 40.0}", "  throttle: {time_constant_ms: 0}")
PULSES = (
    "  lean: {rate_hz: 100.0",
    "  wheel_pulses_front: {rate_hz: 1000.0, latency_ms: 1.0}\n"
    "  wheel_pulses_rear: {rate_hz: 1000.0, latency_ms: 1.0}\n"
    "  lean: {rate_hz: 100.0",
)


@pytest.fixture
def loaded(tmp_path: Path) -> Loader:
    """The demo bench with these electronics and other texts changed."""
    shutil.copytree(SCENARIOS, tmp_path / "s")

    def load(electronics: str, *pairs: tuple[str, str], vehicle: str = "demo_racer") -> Session:
        path = tmp_path / "s" / "rigs" / "loopback.yaml"
        text = path.read_text().replace("demo_racer", vehicle)
        for old, new in (*pairs, ("limits:\n", f"electronics: {electronics}\n\nlimits:\n")):
            assert text.count(old) == 1, old
            text = text.replace(old, new)
        path.write_text(text)
        return load_session(path, tmp_path / "s" / "runs" / "straight.yaml")

    return load


def refused(load: Loader, electronics: str, *pairs: tuple[str, str], vehicle: str = "demo_racer") -> str:
    with pytest.raises(ConfigError) as told:
        load(electronics, *pairs, vehicle=vehicle)
    return "\n".join(f"{p.key}: {p.expected}" for p in told.value.problems)


def test_left_out_all_are_off() -> None:
    units = Electronics()
    assert units.modelled == units.real == ()
    assert {getattr(units, name) for name in Electronics.model_fields} == {"off"}


def test_every_unit_has_a_section_of_its_own_and_every_section_a_unit() -> None:
    sections = {group.name for group in ELECTRONICS}
    shared = {name for names in SHARED.values() for name in names}
    assert sections - shared == set(Electronics.model_fields)
    assert {*BRAKES, *THROTTLES} <= set(Electronics.model_fields)


def test_modelled_they_are_taken(loaded: Loader) -> None:
    everything = ", ".join(f"{name}: modelled" for name in Electronics.model_fields)
    assert loaded(f"{{{everything}}}").rig.electronics.modelled == tuple(Electronics.model_fields)


@pytest.mark.parametrize("both", ["[modelled, real]", "{modelled: true, real: true}"])
def test_modelled_and_real_at_once_is_refused(loaded: Loader, both: str) -> None:
    told = refused(loaded, f"{{antilock: {both}}}")
    assert told.startswith("electronics.antilock: expected one word: a unit modelled behind a real one")


def test_other_words_are_refused(loaded: Loader) -> None:
    assert "expected off, modelled or real" in refused(loaded, "{antilock: true}")


def test_what_no_bench_can_show_is_never_real(loaded: Loader) -> None:
    for name in ("quickshifter", "slipper_clutch"):
        with pytest.raises(ValueError, match=name):
            Electronics.model_validate({name: "real"})


def test_a_vehicle_that_says_nothing_of_a_unit_can_not_be_modelled_with_it(loaded: Loader) -> None:
    told = refused(loaded, "{antilock: modelled}", vehicle="light_trainer")
    assert told == (
        "electronics.antilock: expected a vehicle whose file has section antilock and control_unit: what is "
        "to be modelled stands there"
    )


def test_units_that_count_edges_need_a_ring(loaded: Loader) -> None:
    path = SCENARIOS / "rigs" / "loopback.yaml"
    text = path.read_text()
    ring = text[text.index("    tone_ring:") : text.index("  steering_angle: {noise")]
    told = refused(loaded, "{traction: modelled}", (ring, "    noise_m_s: 0.01\n"))
    assert told.startswith("electronics.traction: expected sensors.wheel_speed.tone_ring")


def test_a_real_unit_needs_a_robot_that_has_it(loaded: Loader) -> None:
    told = refused(loaded, "{antilock: real}", PULSES, *NO_LAG)
    assert told.startswith("electronics.antilock: expected off or modelled where the reference robot rides")


def test_a_real_antilock_unit_needs_pulses(loaded: Loader) -> None:
    told = refused(loaded, "{antilock: real}", EXTERNAL, *NO_LAG)
    assert told == (
        "electronics.antilock: expected wheel_pulses_front and wheel_pulses_rear among outputs: the unit on "
        "the bench gets the wheels' speeds by their pulses"
    )


def test_what_is_measured_behind_a_real_unit_is_not_delayed_again(loaded: Loader) -> None:
    told = refused(loaded, "{antilock: real}", EXTERNAL, PULSES)
    assert told.startswith("actuators.front_brake.time_constant_ms: expected 0")
    assert told.endswith("got 30")


def test_a_throttle_measured_behind_a_real_unit_is_behind_all_of_them(loaded: Loader) -> None:
    told = refused(loaded, "{traction: real, ride_by_wire: modelled}", EXTERNAL, PULSES, NO_THROTTLE_LAG)
    assert told.startswith("electronics.ride_by_wire: expected off or real where traction is real")


def test_a_real_unit_with_all_it_needs_is_taken(loaded: Loader) -> None:
    session = loaded("{antilock: real}", EXTERNAL, PULSES, *NO_LAG)
    assert session.rig.electronics.real == ("antilock",)
