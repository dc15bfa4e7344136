"""How a kind of event is declared: keys, effects, columns, what it needs of a rig, the row it becomes, words.

A family's module declares its kinds with these, beside what acts. Plain data and plain functions: the models
that read scenario files are made from them (emulator.config.scenario.events), the compiled table is laid out
and filled by them (emulator.events.table, emulator.assembly.event_tables).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Set
from dataclasses import dataclass, field
from enum import Enum
from typing import Any, NamedTuple, TypeAlias

EventKeys: TypeAlias = Any
"""An event as read from a scenario: its keys as attributes, None where an optional one is left out."""
Row: TypeAlias = Any
"""A row of the compiled table: columns by name."""


class Takes(Enum):
    """What stands behind a key; a tuple of words in its place is a choice."""

    NUMBER = "number"
    WHOLE = "whole number"
    TEXT = "one line of text"
    BYTES = "bytes in hexadecimal"
    STATION = "station [m] along the line"
    SIGNAL = "output value that a fault may act on"
    FRAME = "name of a frame"
    FLAG = "true or false"
    PAUSES = "how it comes and goes: on_s, off_s, drawn"


@dataclass(frozen=True)
class Key:
    """One key of an event.

    text                what it says, in a sentence
    left_out            what it means that it is not given, where no effect needs it
    unit                where the key's ending doesn't tell it
    least, above, most  range: from or above, to; None: no bound
    required            it has no default
    former              what words of a choice were called in the version before, and are called now
    """

    name: str
    takes: Takes | tuple[str, ...]
    text: str
    unit: str = ""
    left_out: str = ""
    least: float | None = None
    above: float | None = None
    most: float | None = None
    default: float | None = None
    required: bool = False
    former: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Effect:
    """One thing a kind of event can do.

    text   what becomes of what it acts on, in a sentence
    needs  keys it can't do without, with the words for what each gives
    takes  keys it may have besides. A key that no effect names is every effect's
    least, most  bounds of a key where they are narrower than the key's own
    """

    name: str
    text: str
    needs: Mapping[str, str] = field(default_factory=dict)
    takes: tuple[str, ...] = ()
    least: Mapping[str, float] = field(default_factory=dict)
    most: Mapping[str, float] = field(default_factory=dict)


class Column(NamedTuple):
    """A column of the compiled table besides those that all events have, and what a new row holds there."""

    name: str
    type: type
    initial: float = 0
    shape: tuple[int, ...] = ()


class Wrong(NamedTuple):
    """What is wrong with an event: the words, the key it shows at ("": the event), names perhaps meant.

    ``absent``: a key is missing, and the words begin with its name.
    """

    text: str
    key: str = ""
    near: tuple[str, ...] = ()
    absent: bool = False


@dataclass(frozen=True)
class RigView:
    """What an event may know of the rig it is ridden on.

    outputs          output values by index
    rates_hz         of the output values this rig sends: the rate of the fastest output that carries each
    frames           frames of its bus, with their identifier and their payload's bytes
    frame_rates_hz   of those that it sends
    short, long      most bytes of a payload, and the lengths beyond that its bus carries
    bit_rate_known   whether a share of the bus is a known time
    frame_ns         time on the bus [ns] of a frame, of its identifier and its payload; 0: not known
    steering_imposed whether a fork's measured angle is imposed on the bike
    fork_stands_in   whether that fork is a stand-in, driven by the robot's angle
    devices          sensors it has that can lose their power
    fixes            kinds of GNSS fix, worst first
    units            of the bike's own electronics: those that are modelled
    """

    outputs: tuple[str, ...]
    rates_hz: Mapping[str, float]
    frames: Mapping[str, tuple[int, int]]
    frame_rates_hz: Mapping[str, float]
    short: int
    long: tuple[int, ...]
    bit_rate_known: bool
    frame_ns: Callable[[int, bytes], int]
    steering_imposed: bool
    fork_stands_in: bool
    devices: frozenset[str]
    fixes: tuple[str, ...]
    units: frozenset[str]


class Lasts(Enum):
    """Whether an event has a duration."""

    AS_LONG_AS_SAID = "to the end of the ride without one"
    NEEDED = "it has to be given"
    INSTANT = "it has none"


def _nothing_wrong(*_: object) -> Iterator[Wrong]:
    return iter(())


def _no_words(_: EventKeys) -> str:
    return ""


@dataclass(frozen=True)
class EventKind:
    """One kind of event.

    text     what it is; the effects' sentences go behind its first paragraph
    keys     beside those of every event, in the order they are told in
    fill     puts an event into its row of the compiled table
    lasts    whether it has a duration
    ramped   whether it may grow over ramp_s in a straight line
    rules    what its keys have to be together, beyond what its effects say, of the event and the names of
             the keys that its file gives; the first one broken is told
    unmet    what it needs and the rig hasn't
    targets  what an effect may act on, on a rig, where not all of the choice of its key; None: all
    columns  of the table that only its family uses
    remark   words behind its name in the log
    """

    name: str
    text: str
    keys: tuple[Key, ...]
    fill: Callable[[Row, EventKeys, RigView], None]
    effects: tuple[Effect, ...] = ()
    lasts: Lasts = Lasts.AS_LONG_AS_SAID
    ramped: bool = False
    rules: Callable[[EventKeys, Set[str]], Iterator[Wrong]] = _nothing_wrong
    unmet: Callable[[EventKeys, RigView], Iterator[Wrong]] = _nothing_wrong
    targets: Callable[[str, RigView], Set[str]] | None = None
    columns: tuple[Column, ...] = ()
    remark: Callable[[EventKeys], str] = _no_words

    def broken_rules(self, event: EventKeys, given: Set[str]) -> Iterator[Wrong]:
        """What is wrong with an event's keys together, in the order looked at; ``given`` by its file."""
        for effect in self.effects:
            if effect.name == event.effect:
                yield from self._of_effect(effect, event)
        yield from self.rules(event, given)

    def _of_effect(self, effect: Effect, event: EventKeys) -> Iterator[Wrong]:
        for key in self.keys:
            able = [e.name for e in self.effects if key.name in e.needs or key.name in e.takes]
            if able and effect.name not in able and getattr(event, key.name) is not None:
                who = f", {' and '.join(able)} {'does' if len(able) == 1 else 'do'}"
                yield Wrong(
                    f"effect {effect.name} takes no {key.name}{who if len(able) < 4 else ''}; remove it",
                    key.name,
                )
        for name, what in effect.needs.items():
            if getattr(event, name) is None:
                yield Wrong(f"{name!r}: effect {effect.name} needs {what}", absent=True)
        for bounds, words, sign in ((effect.least, "least", 1), (effect.most, "most", -1)):
            for name, bound in bounds.items():
                value = getattr(event, name)
                if value is not None and sign * value < sign * bound:
                    yield Wrong(f"expected at {words} {bound:g}, got {value:g}", name)


def effect_key(effects: tuple[Effect, ...], text: str) -> Key:
    """The key that says which effect."""
    return Key("effect", tuple(e.name for e in effects), text, required=True)


PAUSES = Key("intermittent", Takes.PAUSES, "how it comes and goes while it lasts", left_out="always live")
