"""What a scenario's events need of the rig they are ridden on: a fault that could do nothing is refused."""

from __future__ import annotations

import functools
import operator

from emulator.config.rig.bus_load import content_ns
from emulator.config.rig.file import Rig, carries_fd
from emulator.config.scenario.schema import Scenario
from emulator.config.validation import did_you_mean
from emulator.config.yaml_source import Source
from emulator.core.errors import Problem
from emulator.core.signals import GNSS_VALUES, OUTPUT, OUTPUT_VALUES, TICK_NS, V_FORK_ANGLE
from emulator.events.declaration import RigView
from emulator.events.power_faults import DEVICES
from emulator.plant.events import sensor_of
from emulator.sensors.gnss_fix import RANKS
from emulator.wire.can_frames import Codec
from emulator.wire.can_timing import CLASSICAL_BYTES, LONG_LENGTHS


def rig_view(rig: Rig, codec: Codec) -> RigView:
    """What events may know of a rig and its frames."""
    rates_hz: dict[str, float] = {}
    for name, output in rig.outputs.items():
        for signal in codec.signals[codec.frame(name)]:
            rates_hz[signal] = max(output.rate_hz, rates_hz.get(signal, 0.0))
    for signal in GNSS_VALUES:
        rates_hz[signal] = max(rig.sensors.gnss.rate_hz, rates_hz.get(signal, 0.0))
    if rig.steering == "angle_driven":  # taken every tick, whether it is sent to anybody or not
        rates_hz[OUTPUT_VALUES[V_FORK_ANGLE]] = 1e9 / TICK_NS
    table = codec.table
    powered = functools.reduce(operator.or_, (sensor_of(OUTPUT[s]) for s in rates_hz), 0)
    return RigView(
        outputs=OUTPUT_VALUES,
        rates_hz=rates_hz,
        frames={name: (int(table.can_id[f]), int(table.length[f])) for f, name in enumerate(codec.frames)},
        frame_rates_hz={name: output.rate_hz for name, output in rig.outputs.items()},
        short=CLASSICAL_BYTES,
        long=LONG_LENGTHS if carries_fd(rig) else (),
        bit_rate_known=rig.bus.bitrate is not None,
        frame_ns=functools.partial(content_ns, rig, codec),
        steering_imposed=rig.steering == "angle_driven",
        fork_stands_in=rig.actuators.fork is not None,
        devices=frozenset(name for bit, name in enumerate(DEVICES) if powered >> bit & 1) | {"gnss"},
        fixes=RANKS,
        units=frozenset(rig.electronics.modelled),
    )


def unmet_needs(scenario: Scenario, source: Source, rig: Rig, codec: Codec) -> list[Problem]:
    """Events that this rig can't play, each at its line of the scenario."""
    view = rig_view(rig, codec)
    problems = []
    for i, event in enumerate(scenario.events):
        for found in event.declaration.unmet(event, view):
            near = did_you_mean(getattr(event, found.key), found.near) if found.near else ""
            problems.append(source.problem(("events", i, found.key), found.text + near))
    return problems
