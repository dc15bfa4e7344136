"""Twenty rides on which no wheel slides under the brakes and nothing but its robot moves the steering.

Hard braking, bends, lean, gear changes, and sensors that go wrong: what is easily taken for one of both.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML

from emulator.assembly.session import load_session
from emulator.record.reader import Run
from emulator.runs.in_memory import ride_in_memory
from tests.guide.markdown import ROOT
from tests.support.ridden_once import RiddenOnce

RIG = ROOT / "scenarios" / "rigs" / "loopback.yaml"
_RUNS = ROOT / "scenarios" / "runs"
_SLOWS = {"slow_down": {"from_m": 85.0, "deceleration_m_s2": 4.0, "to_km_h": 20.0}}


def _braking(deceleration: float) -> dict[str, Any]:
    return {"parameters": {"deceleration": {"default": deceleration}}}


def _sensor(signal: str, effect: str, **more: Any) -> dict[str, Any]:
    fault = {"kind": "fault", "name": "sensor", "signal": signal, "effect": effect}
    return {"events": [fault | more | {"at": {"station_m": 312.0}, "duration_s": 0.6}]}


CLEAN: dict[str, tuple[str, dict[str, Any]]] = {
    **{f"braking at {a:g} m/s2": ("braking.yaml", _braking(a)) for a in (2.0, 4.0, 6.0, 7.0, 8.0)},
    "braking in a bend": ("short_bend.yaml", {"duration_limit_s": 40.0, "speed": _SLOWS}),
    "front wheel's sensor silent while braking": ("braking.yaml", _sensor("wheel_front_m_s", "dropout")),
    "front wheel's sensor at zero while braking": (
        "braking.yaml",
        _sensor("wheel_front_m_s", "stuck", value=0.0),
    ),
    "rear wheel's sensor frozen while braking": ("braking.yaml", _sensor("wheel_rear_m_s", "freeze")),
    **{
        name: (f"{name}.yaml", {})
        for name in (
            "short_bend",
            "slalom",
            "lane_change",
            "cornering/full_lean",
            "cornering/banked_downhill",
            "braking/downhill_braking",
            "braking/front_brake_fades",
            "grip/film_of_water",
            "grip/rain_sets_in",
            "actuators/throttle_sticks",
            "sensors/wheel_speed_noise",
        )
    },
}


def clean_rides(folder: Path, ridden_once: RiddenOnce) -> Iterator[tuple[str, Run]]:
    """Each with its name, ridden as it is asked for; one that is shipped may have been ridden before."""
    for name, (base, change) in CLEAN.items():
        if not change:
            yield name, ridden_once(RIG, _RUNS / base).run
            continue
        scenario = folder / "clean.yaml"
        with scenario.open("w") as file:
            YAML().dump({"based_on": str(_RUNS / base), "name": name} | change, file)
        yield name, ride_in_memory(load_session(RIG, scenario)).run
