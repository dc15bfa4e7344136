"""The page about faults: complete, its examples valid, its pictures what the code gives."""

from __future__ import annotations

import math
import re
import shutil
from importlib.resources import files
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pytest

from emulator.assembly.session import load_session
from emulator.config.scenario.events import EVENT_MODELS, Intermittent, Repeat, Trigger
from emulator.config.yaml_source import load
from emulator.core.frame_buffer import frame_buffer
from emulator.core.random_streams import stream_start
from emulator.core.signals import BIKE_UNITS, SIGNALS
from emulator.events.actuator_faults import ACTUATOR_EFFECTS, actuators, apply_fault, intact, move
from emulator.events.frame_faults import FRAME_EFFECTS, apply_frame_fault, frame_fault_table
from emulator.events.progress import hits
from emulator.events.sample_faults import DELAY, SAMPLE_EFFECTS, delayed_sample, faulted
from emulator.events.table import event_table
from emulator.events.unit_faults import UNIT_EFFECTS, break_unit, units_intact
from emulator.plant.electronics import ignition_cut
from emulator.plant.records import RUN_DTYPE
from emulator.vehicle.electronics.antilock import brake
from emulator.vehicle.electronics.brake_line import LET_OFF, OPEN, SHUT, modulate
from emulator.vehicle.electronics.throttle import move_valve
from tests.support.broken_scenarios import WHOLE
from tests.support.own_units import TICK, units

SHIPPED = Path(__file__).parents[3] / "scenarios"
PAGE = "\n".join(
    (files("emulator") / "guide" / f"{name}.md").read_text() for name in ("faults", "faults-of-units")
)
MODELS = tuple(EVENT_MODELS.values())


def effects(model: Any) -> tuple[str, ...]:
    field = model.model_fields.get("effect")
    return get_args(field.annotation) if field is not None else ()


def table(heading: str) -> dict[str, list[str]]:
    """Rows of the first table with effects below a heading, by effect; cells without backquotes."""
    part = PAGE[PAGE.index(f"## `{heading}`") :]
    part = part[: part.find("\n## ", 3)]
    rows = [re.split(r"\s*\|\s*", line.strip("| ")) for line in part.splitlines() if line.startswith("| `")]
    return {row[0].strip("`"): [cell.replace("`", "") for cell in row[1:]] for row in rows}


def test_every_kind_effect_and_key_is_told() -> None:
    told = set(re.findall(r"`([a-z_]+)(?:: [^`]*)?`", PAGE)) | set(re.findall(r"([a-z_]+): ", PAGE))
    keys = {key for model in (*MODELS, Trigger, Repeat, Intermittent) for key in model.model_fields}
    assert keys - told == set()
    for model in MODELS:
        (kind,) = get_args(model.model_fields["kind"].annotation)
        assert f"`{kind}`" in PAGE
        assert [effect for effect in effects(model) if f"`{effect}`" not in PAGE] == []
    assert set(table("fault")) == set(SAMPLE_EFFECTS)
    assert set(table("frame")) == set(FRAME_EFFECTS)
    assert set(table("actuator")) == set(ACTUATOR_EFFECTS)
    assert set(table("electronics")) == set(UNIT_EFFECTS)


EXAMPLES = re.findall(r"```yaml\n(.*?)```", PAGE, re.DOTALL)


@pytest.mark.parametrize("example", EXAMPLES)
def test_every_example_is_valid_on_a_rig(tmp_path: Path, example: str) -> None:
    shutil.copytree(SHIPPED, tmp_path / "scenarios")
    run, rig = tmp_path / "scenarios/runs/page.yaml", tmp_path / "scenarios/rigs/loopback.yaml"
    rig.write_text(rig.read_text().replace("  port: 0 # any free one\n", "  port: 0\n  bitrate: 500000\n"))
    with rig.open("a") as file:
        file.write(f"electronics: {{{', '.join(f'{unit}: modelled' for unit in BIKE_UNITS)}}}\n")
    start, end = WHOLE.index("events:"), WHOLE.index("criteria:")
    run.write_text(WHOLE[:start] + example + "criteria:\n  - kind: no_fall\n")
    assert WHOLE[end:].startswith("criteria:")
    session = load_session(rig, run)
    assert len(session.scenario.events) == example.count("kind: ")


def test_there_is_an_example_of_every_kind(tmp_path: Path) -> None:
    kinds = {get_args(model.model_fields["kind"].annotation)[0] for model in MODELS}
    given = set()
    for example in EXAMPLES:
        (tmp_path / "e.yaml").write_text(example)
        given |= {event["kind"] for event in load(tmp_path / "e.yaml").data["events"]}
    assert given == kinds


def numbers(text: str) -> list[float]:
    return [math.nan if word == "-" else float(word) for word in text.split()]


def given(text: str) -> dict[str, float]:
    """``value: 2, the step`` as the keys it gives."""
    return {key: float(number) for key, number in re.findall(r"([a-z_]+): (-?[0-9.]+)", text)}


@pytest.mark.parametrize("effect", SAMPLE_EFFECTS)
def test_the_row_of_samples_is_what_the_code_gives(effect: str) -> None:
    keys, before, after = table("fault")[effect]
    e, values = event_table(1)[0], given(keys)
    e["effect"], e["value"] = SAMPLE_EFFECTS.index(effect), values.get("value", math.nan)
    e["low"], e["high"] = values.get("low", -math.inf), values.get("high", math.inf)
    e["share"], e["chance"] = values.get("share", 1.0), 1
    e["delay"] = round(values.get("delay_ms", 0.0) * 1e-3 * 10)
    streams = np.array([stream_start(0, f"event/e{part}") for part in ("", "/chance")], np.uint64)
    ring, out = np.zeros(16), []
    clean = numbers(before)
    for n, value in enumerate(clean):
        past = delayed_sample(ring, n, int(e["delay"]), value) if e["effect"] == DELAY else value
        e["live"] = 2 <= n < 5
        shown = value
        if hits(e, streams):
            shown = faulted(e, value, clean[2], past, 0.1 * (n - 2), 1.0, streams)
        out.append(round(shown, 2))
    np.testing.assert_array_equal(out, numbers(after))


@pytest.mark.parametrize("effect", FRAME_EFFECTS)
def test_the_row_of_frames_is_what_the_code_gives(effect: str) -> None:
    keys, sent, hit, comes = table("frame")[effect]
    g = frame_fault_table(1)[0]
    g["effect"], g["can_id"], g["other_id"] = FRAME_EFFECTS.index(effect), 1, 2
    g["copies"], g["delay"] = 1, given(keys).get("delay_ms", 0)
    g["every"] = given(keys).get("every_ms", 1)
    for key in ("payload", "mask"):
        found = re.search(rf'{key}: "([0-9a-f]+)"', keys)
        g[key][0] = int(found[1], 16) if found else 0
    g["length"] = 1
    source, to, out = frame_buffer(8), frame_buffer(8), []
    draws = np.zeros(2, np.uint64)
    for tick, letter in enumerate(sent.split()):
        frames = [(2, "Z")] if effect == "masquerade" else []
        frames += [] if letter == "." else [(1, letter)]
        source.count[0] = len(frames)
        for n, (can_id, payload) in enumerate(frames):
            source.can_id[n], source.length[n], source.data[n, 0] = can_id, 1, ord(payload)
        apply_frame_fault(g, source, to, hit.split()[tick] == "x", 1.0, tick, tick, draws, 0, 1)
        mine = [chr(to.data[n, 0]) for n in range(int(to.count[0])) if to.can_id[n] == 1]
        out.append("".join(mine) or ".")
    assert " ".join(out) == comes


@pytest.mark.parametrize("effect", ACTUATOR_EFFECTS)
def test_the_row_of_an_actuator_is_what_the_code_gives(effect: str) -> None:
    keys, asked, delivered = table("actuator")[effect]
    e, a, out = event_table(1)[0], actuators()[0], []
    values = given(keys)
    e["effect"], e["value"] = (
        ACTUATOR_EFFECTS.index(effect),
        values.get("value", values.get("factor", math.nan)),
    )
    step = 4.0 if effect == "slow" else math.inf
    for n, value in enumerate(numbers(asked)):
        intact(a)
        if n >= 2:
            apply_fault(a, e, 1.0)
        out.append(move(a, value, 1.0, step, -100.0, 100.0))
    np.testing.assert_allclose(out, numbers(delivered), rtol=0, atol=1e-12)
    assert a["fade"] == (values["factor"] if effect == "brake_fade" else 1.0)


_TOLD = {"o": (OPEN, math.inf), "s": (SHUT, 0.0), "l": (LET_OFF, 0.0)}


def _at_once() -> Any:
    """Antilock and throttle valve of the demo racer without lags."""
    still = dict.fromkeys(("line_time", "dead_time"), 0.0)
    b = units(
        "antilock",
        "ride_by_wire",
        **{f"antilock__{name}": value for name, value in still.items()},
        ride_by_wire__valve_time=0.0,
        ride_by_wire__exponent=1.0,
        ride_by_wire__opening_rate=1e6,
        ride_by_wire__closing_rate=1e6,
    )
    b.release_gain = 1.0
    return b


@pytest.mark.parametrize("effect", [e for e in UNIT_EFFECTS if e not in ("off", "cuts")])
def test_the_row_of_a_unit_is_what_the_code_gives(effect: str) -> None:
    keys, asked, comes = table("electronics")[effect]
    e, b, out = event_table(1)[0], _at_once(), []
    e["effect"], e["value"], e["brake"] = UNIT_EFFECTS.index(effect), given(keys).get("value", math.nan), 0
    for n, word in enumerate(asked.split()):
        units_intact(b)
        if n >= 2:
            break_unit(b, e)
        out.append(modulate(b, 0, 8.0, *_TOLD[word]) if word in _TOLD else move_valve(b, float(word), TICK))
    np.testing.assert_allclose(out, numbers(comes), rtol=0, atol=1e-12)


def test_antilock_that_is_off_leaves_the_lever_s_pressure_whatever_slips() -> None:
    """The row of ``off``: the wheels stand, and from the third tick on nothing is let off."""
    keys, _, comes = table("electronics")["off"]
    assert "not of ride_by_wire" in keys
    e, b, out = event_table(1)[0], _at_once(), []
    e["effect"], e["signal"] = UNIT_EFFECTS.index("off"), BIKE_UNITS.index("antilock")
    b.slip = b.most_slip = 0.5
    for n in range(6):
        units_intact(b)
        b.reference, b.speed[0] = 20.0, 20.0 if n < 2 else 0.0
        if n >= 2:
            break_unit(b, e)
        brake(b, 8e5, 0.0, 0.0, 9.8, 0.0, TICK)
        out.append(float(b.pressure[0]) * 1e-5)
    np.testing.assert_allclose(out, numbers(comes), rtol=0, atol=1e-9)


def test_a_quickshifter_that_cuts_by_itself_takes_the_spark_and_one_that_is_off_never() -> None:
    """The row of ``cuts``: eight of throttle or nothing, whatever gear is asked for."""
    _, asked, comes = table("electronics")["cuts"]
    e, run, row = event_table(1)[0], np.zeros(1, RUN_DTYPE)[0], np.zeros(len(SIGNALS))
    e["effect"], e["signal"] = UNIT_EFFECTS.index("cuts"), BIKE_UNITS.index("quickshifter")
    b, levers, out = units("quickshifter"), actuators(), []
    for n, value in enumerate(numbers(asked)):
        units_intact(b)
        if n >= 2:
            break_unit(b, e)
        out.append(0.0 if ignition_cut(b, run, levers, row, math.nan, TICK) else value)
    np.testing.assert_array_equal(out, numbers(comes))
