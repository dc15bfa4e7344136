"""A rig's own names held against its DBC: every entry that can't be, told at its place in the rig file."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, NamedTuple, get_args

from emulator.config.rig.file import Rig, frames_of
from emulator.config.rig.names.own_names import NOT_AVAILABLE, OwnFrame, OwnSignal, ProtectedBy, Unprotected
from emulator.config.rig.outputs import COMMAND_FRAMES, INPUT_FRAME, LocalEnable, PermissiveName
from emulator.config.validation import did_you_mean
from emulator.config.yaml_source import Loc, Source
from emulator.core.errors import Problem
from emulator.core.signals import COMMAND, COUNTING, OUTPUT, TRIPPED, UNITS
from emulator.core.trip_reasons import TripReason
from emulator.vehicle.driveline import TOP_GEAR
from emulator.wire.dbc_file import DbcFrame, DbcSignal, read_dbc
from emulator.wire.dbc_frames import alike, in_the_nibble, misplaced, raw_range
from emulator.wire.e2e import BOTH, MODES, PROFILE_1, PROFILE_2, PROFILE_5
from emulator.wire.frame_map import FrameMap, Guard, SignalMap
from emulator.wire.units import in_ours, unit_named, units_for

_ROOT = "own_names"
_ROUNDING = 1e-9
_COUNTED_BITS = 16  # edges are counted so far in the plant

_MUST_HOLD: dict[str, tuple[float, float]] = {
    **dict.fromkeys(("throttle", "clutch", "throttle_position", "clutch_position"), (0.0, 1.0)),
    **dict.fromkeys(("gear", "gear_request"), (0.0, float(TOP_GEAR))),
    "state": (0.0, float(TRIPPED)),
    "trip_reason": (0.0, float(max(TripReason))),
    "emulated": (1.0, 1.0),
}
"""Values that their signal has to be able to say, whatever the bench."""
_SHARES = frozenset(name for name, ends in _MUST_HOLD.items() if ends == (0.0, 1.0))
_FAR_BEYOND = 2.0
"""A share whose signal goes this far is none: it is in per cent."""

_PROFILES = {"P01": PROFILE_1, "P11": PROFILE_1, "P02": PROFILE_2, "P22": PROFILE_2, "P05": PROFILE_5}

Told = Iterator[tuple[Loc, str, bool]]
"""(place, what was expected, whether the key itself is meant)"""


class _Map(NamedTuple):
    """An entry with what it stands for."""

    name: str
    own: OwnFrame
    message: DbcFrame
    values: Mapping[str, int] | tuple[str, ...]

    @property
    def signals(self) -> dict[str, DbcSignal]:
        return {signal.name: signal for signal in self.message.signals}


def frame_maps(rig: Rig, source: Source, dbc: Path) -> tuple[dict[str, FrameMap], list[Problem]]:
    """(maps by our frame names, problems) of a rig's own names; ConfigError if the DBC can't be read."""
    if not rig.own_names:
        return {}, []
    messages = {message.name: message for message in read_dbc(dbc).frames}
    problems: list[Problem] = []

    def note(told: Told) -> bool:
        found = [source.problem(loc, text, at_key=at_key) for loc, text, at_key in told]
        problems.extend(found)
        return not found

    maps: dict[str, FrameMap] = {}
    note(_twice(rig))
    for name, own in rig.own_names.items():
        values = _values_of(rig, name)
        if not note(_unknown(rig, name, own, messages)) or values is None:
            continue
        entry = _Map(name, own, messages[own.frame], values)
        note(_signals(entry))
        note(_fixed(entry))
        if name in rig.outputs:
            note(_left_over(entry))
        guard = _guard(own.protection, entry)
        note(_protection(entry, guard))
        maps[name] = FrameMap(
            own.frame,
            {ours: _signal_map(entry, ours, mapped) for ours, mapped in own.signals.items()},
            guard,
            {signal: None if v == NOT_AVAILABLE else float(v) for signal, v in own.fixed.items()},
        )
    note(_alike(maps))
    note(_marked(rig))
    return maps, problems


def _values_of(rig: Rig, name: str) -> Mapping[str, int] | tuple[str, ...] | None:
    """Names of ours that a frame may carry; None for no frame of ours."""
    if name in COMMAND_FRAMES:
        return COMMAND
    if name == INPUT_FRAME:
        inputs = (*get_args(PermissiveName), *get_args(LocalEnable))
        return tuple(name for name in inputs if name != "terminal")
    return OUTPUT if name in rig.outputs else None


def _unknown(rig: Rig, name: str, own: OwnFrame, messages: Mapping[str, DbcFrame]) -> Told:
    if _values_of(rig, name) is None:
        ours = (*rig.outputs, *COMMAND_FRAMES, INPUT_FRAME)
        near = did_you_mean(name, ours)
        yield (_ROOT, name), f"expected a frame of this rig ({', '.join(ours)}), got {name!r}{near}", True
    elif name in rig.outputs and name in (*COMMAND_FRAMES, INPUT_FRAME):
        yield ("outputs", name), "expected another name: this is a frame that the bench takes", True
    if own.frame not in messages:
        near = did_you_mean(own.frame, messages)
        text = f"expected a frame of the DBC ({_some(messages)}), got {own.frame!r}{near}"
        yield (_ROOT, name, "frame"), text, False


def _some(names: Mapping[str, Any]) -> str:
    """Names to choose from, not hundreds of them."""
    most = 12
    listed = list(names)
    more = f" and {len(listed) - most} more" if len(listed) > most else ""
    return ", ".join(listed[:most]) + more if listed else "it has none"


def _twice(rig: Rig) -> Told:
    """Two frames of ours in one of the DBC, or one value of the robot in two frames."""
    stands_for: dict[str, str] = {name: name for name in frames_of(rig) if name not in rig.own_names}
    carried: dict[str, str] = {}
    for name, own in rig.own_names.items():
        if (other := stands_for.setdefault(own.frame, name)) != name:
            yield (
                (_ROOT, name, "frame"),
                f"expected a frame of its own; {own.frame} stands for {other}",
                False,
            )
        for ours in own.signals if name in COMMAND_FRAMES else ():
            if (other := carried.setdefault(ours, name)) != name:
                text = f"expected each value of the robot in one frame; {other} has {ours}, too"
                yield (_ROOT, name, "signals", ours), text, True


def _signals(entry: _Map) -> Told:
    """Values that the frame can't carry, signals that it does not have or that carry two, units, ranges."""
    here: Loc = (_ROOT, entry.name, "signals")
    taken: dict[str, str] = {}
    for ours, mapped in entry.own.signals.items():
        if ours not in entry.values:
            near = did_you_mean(ours, entry.values)
            text = f"expected a value of ours that frame {entry.name} can carry, got {ours!r}{near}; "
            listed = "emulator list outputs" if entry.values is OUTPUT else ", ".join(entry.values)
            yield (*here, ours), f"{text}{'see ' if entry.values is OUTPUT else 'one of '}{listed}", True
            continue
        signal = entry.signals.get(mapped.signal)
        if signal is None:
            near = did_you_mean(mapped.signal, entry.signals)
            text = f"expected a signal of {entry.own.frame} ({_some(entry.signals)}), got "
            text += f"{mapped.signal!r}{near}"
            yield (*here, ours, "signal"), text, False
            continue
        if (other := taken.setdefault(mapped.signal, ours)) != ours:
            text = f"expected a signal of its own; {mapped.signal} carries {other} already"
            yield (*here, ours, "signal"), text, False
        problem = _unit_problem(ours, mapped, signal)
        if problem:
            yield (*here, ours, *(("unit",) if mapped.unit is not None else ())), problem, mapped.unit is None
            continue
        yield from _range(entry, ours, mapped, signal)


def _unit_problem(ours: str, mapped: OwnSignal, signal: DbcSignal) -> str:
    """What is wrong with a unit, in words; empty for nothing."""
    wanted, in_dbc = UNITS.get(ours, "1"), unit_named(signal.unit or "")
    choice = f"one of {', '.join(units_for(wanted))}"
    if mapped.unit is not None:
        said = unit_named(mapped.unit)
        if not said or in_ours(wanted, said) is None:
            return f"expected {choice} ({ours} is in {wanted}), got {mapped.unit!r}"
        if in_dbc and in_dbc != said:
            return f"expected {in_dbc}, which the DBC gives {signal.name}, got {mapped.unit!r}: change one"
        return ""
    if in_dbc is None:
        return (
            f"expected a unit: the DBC has {signal.name} in {signal.unit!r}, which is none we know; add the "
            f"key unit, {choice}"
        )
    if not in_dbc and wanted != "1":
        return f"expected a unit: the DBC gives {signal.name} none; add the key unit, {choice}"
    if in_ours(wanted, in_dbc or "1") is None:
        return (
            f"expected a signal in {choice} ({ours} is in {wanted}); the DBC has {signal.name} in {in_dbc}: "
            "is it another signal?"
        )
    return ""


def _signal_map(entry: _Map, ours: str, mapped: OwnSignal) -> SignalMap:
    """The map with its unit in the scale; anything for an entry that was refused."""
    wanted = UNITS.get(ours, "1")
    signal = entry.signals.get(mapped.signal)
    said = mapped.unit if mapped.unit is not None else (signal.unit if signal is not None else "") or ""
    unit = unit_named(said) or "1"
    return SignalMap(mapped.signal, unit, mapped.scale * (in_ours(wanted, unit) or 1.0), mapped.offset)


def _range(entry: _Map, ours: str, mapped: OwnSignal, signal: DbcSignal) -> Told:
    """What a value has to be able to say, and its signal can't; and a count that is none."""
    loc: Loc = (_ROOT, entry.name, "signals", ours)
    codes = raw_range(signal)
    if codes is None:
        return  # told at its line of the DBC
    scaled = _signal_map(entry, ours, mapped)
    factor = float(signal.scale) * scaled.scale
    offset = float(signal.offset) * scaled.scale + scaled.shift
    low, high = sorted(raw * factor + offset for raw in codes)
    if ours in COUNTING:
        if factor != 1.0 or offset != 0.0 or codes[0] != 0:
            yield (
                loc,
                f"expected a plain count from 0 in steps of 1, got {low:g} to {high:g} by {factor:g}",
                True,
            )
        elif ours != "heartbeat" and (signal.length > _COUNTED_BITS or codes[1] + 1 != 1 << signal.length):
            text = f"expected up to {_COUNTED_BITS} bits, all of which count: it wraps there; "
            yield loc, f"{text}got {signal.length} bits, up to {codes[1]}", True
        return
    if ours not in _MUST_HOLD:
        return
    least, most = _MUST_HOLD[ours]
    slack = 0.5 * abs(factor)
    if low > least + slack or high < most - slack:
        yield (
            loc,
            f"expected a signal that can say {least:g} to {most:g}; by the DBC and this map {mapped.signal} "
            f"goes from {low:.6g} to {high:.6g}",
            True,
        )
    elif ours in _SHARES and high > _FAR_BEYOND:
        text = f"expected a share of about 0 to 1; by the DBC and this map {mapped.signal} goes to {high:.6g}"
        yield loc, f"{text}: is its unit '%'?", True


def _fixed(entry: _Map) -> Told:
    mapped = {m.signal: ours for ours, m in entry.own.signals.items()}
    guarding = () if isinstance(entry.own.protection, Unprotected) else _names_in(entry.own.protection)
    for name, value in entry.own.fixed.items():
        loc: Loc = (_ROOT, entry.name, "fixed", name)
        signal = entry.signals.get(name)
        if signal is None:
            near = did_you_mean(name, entry.signals)
            text = f"expected a signal of {entry.own.frame} ({_some(entry.signals)}), got {name!r}{near}"
            yield loc, text, True
        elif name in mapped or name in guarding:
            carries = mapped.get(name, "the protection")
            yield loc, f"expected a signal that carries nothing else; {name} carries {carries}", True
        elif (codes := raw_range(signal)) is not None:
            ends = sorted(raw * float(signal.scale) + float(signal.offset) for raw in codes)
            slack = _ROUNDING * max(1.0, *map(abs, ends))
            if value == NOT_AVAILABLE:
                whole = (1 << signal.length) - 1
                if codes[1] - codes[0] >= whole:
                    yield loc, f"expected a number: every code of {name} has a meaning by the DBC", False
            elif not ends[0] - slack <= float(value) <= ends[1] + slack:
                text = f"expected from {ends[0]:.8g} to {ends[1]:.8g}, which the DBC has for {name}, "
                yield loc, f"{text}got {float(value):g}", False


def _left_over(entry: _Map) -> Told:
    """Signals of a frame that the bench sends, of which nobody says what they are to be."""
    filled = {m.signal for m in entry.own.signals.values()} | set(entry.own.fixed)
    if not isinstance(entry.own.protection, Unprotected):
        filled |= set(_names_in(entry.own.protection))
    left = [name for name in entry.signals if name not in filled]
    if left:
        yield (
            (_ROOT, entry.name),
            f"expected every signal of {entry.own.frame} in signals, protection or fixed, for the bench "
            f"sends the whole frame; missing: {', '.join(left)}",
            True,
        )


def _names_in(protection: ProtectedBy) -> tuple[str, str]:
    assert not isinstance(protection, Unprotected)
    return protection.crc, protection.counter


def _guard(protection: ProtectedBy, entry: _Map) -> Guard:
    """The protection with its place, which is that of the CRC in the DBC."""
    if isinstance(protection, Unprotected):
        return Guard()
    crc = entry.signals.get(protection.crc)
    return Guard(
        profile=_PROFILES[protection.profile],
        header=0 if crc is None else crc.start // 8,
        data_id=getattr(protection, "data_id", -1),
        mode=MODES.index(getattr(protection, "mode", MODES[BOTH])),
        data_ids=getattr(protection, "data_ids", ()),
        signals=(protection.crc, protection.counter),
        name=f"profile {int(protection.profile[1:])}",
    )


def _protection(entry: _Map, guard: Guard) -> Told:
    """CRC or counter that are not there, carry a value, or stand where the profile has them not."""
    protection = entry.own.protection
    if isinstance(protection, Unprotected):
        return
    here: Loc = (_ROOT, entry.name, "protection")
    mapped = {m.signal: ours for ours, m in entry.own.signals.items()}
    sound = True
    for key, name in (("crc", protection.crc), ("counter", protection.counter)):
        if name not in entry.signals:
            near = did_you_mean(name, entry.signals)
            text = f"expected a signal of {entry.own.frame} ({_some(entry.signals)}), got {name!r}{near}"
            yield (*here, key), text, False
            sound = False
        elif name in mapped:
            yield (*here, key), f"expected a signal that carries no value; {name} is {mapped[name]}", False
            sound = False
    if protection.crc == protection.counter:
        yield (
            (*here, "counter"),
            f"expected another signal than that of the CRC, got {protection.counter}",
            False,
        )
        sound = False
    if not sound:
        return
    if protection.profile == "P02" and guard.header != 0:
        text = (
            f"expected the CRC in byte 0, where profile 2 has it; {protection.crc} is in byte {guard.header}"
        )
        yield (*here, "crc"), f"{text}: is it profile 22?", False
        return
    why = f"{guard.name} begins at the byte of its CRC"
    for text, name in misplaced(entry.message, guard, (f"that is where {guard.name} has it", why)):
        yield (*here, "counter" if name == protection.counter else "crc"), text, False
    for text, name in in_the_nibble(entry.message, guard):
        yield (*here, "mode"), f"{text}; {name} is there", False


def _alike(maps: Mapping[str, FrameMap]) -> Told:
    """Frames that the CRC can't tell from each other."""
    names = list(maps)
    for i, name in enumerate(names):
        guard = maps[name].guard
        other = next((o for o in names[:i] if alike(guard, maps[o].guard)), None)
        if other is not None:
            listed = guard.profile == PROFILE_2
            what = "data ids of its own" if listed else "a data id that the CRC can tell from others"
            yield (
                (_ROOT, name, "protection", "data_ids" if listed else "data_id"),
                f"expected {what}; with those of {other} one frame could pass for the other",
                False,
            )


def _marked(rig: Rig) -> Told:
    own = rig.own_names.get("emulator_state")
    if own is not None and "emulated" not in own.signals:
        yield (
            (_ROOT, "emulator_state", "signals"),
            "expected emulated among them: a robot must be able to tell these signals from a moving bike's",
            True,
        )
