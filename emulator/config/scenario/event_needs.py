"""What a scenario's events need of the rig they are ridden on: a fault that could do nothing is refused."""

from __future__ import annotations

from collections.abc import Iterator

from emulator.config.rig.file import Rig, carries_fd
from emulator.config.scenario.events import ActuatorEvent, BusEvent, FaultEvent, FrameEvent, RestartEvent
from emulator.config.scenario.schema import Scenario
from emulator.config.validation import did_you_mean
from emulator.config.yaml_source import Loc, Source
from emulator.core.errors import Problem
from emulator.events.frame_faults import WAITING_ROOM
from emulator.plant.events import SENSORS, sensor_of
from emulator.plant.outputs import OUTPUT_VALUES
from emulator.wire.can_frames import Codec
from emulator.wire.can_timing import CLASSICAL_BYTES, LONG_LENGTHS


def _lengths(event: FrameEvent, source: Source, loc: Loc, rig: Rig, codec: Codec) -> Iterator[Problem]:
    """Bytes that no frame on the rig's bus has, and bits the frame hasn't."""
    if event.payload is not None:
        n = len(bytes.fromhex(event.payload))
        fd = carries_fd(rig)
        if n > CLASSICAL_BYTES and not (fd and n in LONG_LENGTHS):
            may = (
                f"or {', '.join(map(str, LONG_LENGTHS))} bytes"
                if fd
                else "bytes on a bus of classical frames"
            )
            yield source.problem((*loc, "payload"), f"expected 1 to {CLASSICAL_BYTES} {may}, got {n}")
    if event.frame in codec.frames:
        n = int(codec.table.length[codec.frame(event.frame)])
        if event.mask is not None and any(bytes.fromhex(event.mask)[n:]):
            text = f"expected bits of the frame's {n} bytes, got a mask that sets bits beyond them"
            yield source.problem((*loc, "mask"), text)
        if event.flips is not None and event.flips > 8 * n:
            text = f"expected at most the {8 * n} bits of the frame, got {event.flips}"
            yield source.problem((*loc, "flips"), text)


def unmet_needs(scenario: Scenario, source: Source, rig: Rig, codec: Codec) -> list[Problem]:
    """Events that this rig can't play, each at its line of the scenario."""
    return list(_misfits(scenario, source, rig, codec))


def _misfits(scenario: Scenario, source: Source, rig: Rig, codec: Codec) -> Iterator[Problem]:
    carried = {s for name in rig.outputs for s in codec.signals[codec.frame(name)]}
    carried |= {name for name in OUTPUT_VALUES if name.startswith("gnss_")}
    for i, event in enumerate(scenario.events):
        loc = ("events", i)
        if isinstance(event, FaultEvent) and event.signal not in carried:
            text = (
                f"expected a signal of this rig's outputs ({', '.join(sorted(carried))}), got {event.signal}"
            )
            yield source.problem((*loc, "signal"), text)
        elif isinstance(event, FrameEvent):
            known = (*codec.frames, "gnss")
            for key in ("frame", "shows"):
                name = getattr(event, key)
                if name is None or name in (known if key == "frame" else codec.frames):
                    continue
                near = did_you_mean(name, known)
                text = f"expected a frame of this rig ({', '.join(known)}), got {name!r}{near}"
                yield source.problem((*loc, key), text)
            yield from _lengths(event, source, loc, rig, codec)
            output = rig.outputs.get(event.frame)  # type: ignore[call-overload]
            most_ms = 1e3 * WAITING_ROOM / (1000.0 if output is None else output.rate_hz)
            if event.delay_ms is not None and event.frame != "gnss" and event.delay_ms >= most_ms:
                text = f"expected less than {most_ms:g} ms: no more than {WAITING_ROOM} frames are held back"
                yield source.problem((*loc, "delay_ms"), text)
        elif isinstance(event, ActuatorEvent) and event.channel == "steering":
            if rig.steering == "angle_driven":
                text = "expected another channel: on this rig the real fork's measured angle is imposed"
                yield source.problem((*loc, "channel"), text)
        elif isinstance(event, BusEvent) and event.effect == "overload" and rig.bus.bitrate is None:
            text = "expected a rig whose bus has a bit rate (bus.bitrate), which tells what a load is"
            yield source.problem((*loc, "effect"), text)
        elif isinstance(event, RestartEvent):
            there = {"gnss"} | {
                SENSORS[sensor_of(OUTPUT_VALUES.index(s)).bit_length() - 1]
                for s in carried
                if sensor_of(OUTPUT_VALUES.index(s))
            }
            if event.sensor not in there:
                text = f"expected a sensor of this rig ({', '.join(sorted(there))}), got {event.sensor}"
                yield source.problem((*loc, "sensor"), text)
