"""Models of a scenario's events: when one starts (:class:`Trigger`), what all have, and one model a kind.

The models of the kinds are made from what the families declare (emulator.events.table.KINDS). Values are in
the unit of what they act on, as recorded: see emulator.core.signals and the DBC.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal, TypeAlias, Union

from pydantic import AfterValidator, Field, create_model, model_validator

from emulator.config.field_types import Name, RecordedSignal
from emulator.config.key_texts import LEFT_OUT
from emulator.config.scenario.quantities import Duration, FromTime, Station
from emulator.config.validation import Closed, FormerValues, Words, did_you_mean, missing, wrong
from emulator.config.yaml_source import Loc
from emulator.core.frame_buffer import MAX_DATA
from emulator.core.signals import OUTPUTS
from emulator.events.declaration import EventKind, Key, Lasts, Takes
from emulator.events.table import KINDS

FAULTY_SIGNALS = tuple(o.name for o in OUTPUTS if o.source != "bench" and o.name != "gnss_fix_in_use")
"""Output values a fault may act on; what the bench says about itself stays true."""


def _faulty_signal(name: str) -> str:
    if name in FAULTY_SIGNALS:
        return name
    near = did_you_mean(name, FAULTY_SIGNALS)
    raise wrong(f"unknown signal {name!r}; known signals: {', '.join(FAULTY_SIGNALS)}{near}")


FaultySignal: TypeAlias = Annotated[
    str, AfterValidator(_faulty_signal), Words("the name of an output signal")
]


def _payload(text: str) -> str:
    digits = text.replace(" ", "")
    count, odd = divmod(len(digits), 2)
    if 1 <= count <= MAX_DATA and not odd and set(digits) <= set("0123456789abcdefABCDEF"):
        return digits.lower()
    raise wrong(f'expected 1 to {MAX_DATA} bytes in hexadecimal such as "00 ff 7a", got {text!r}')


Payload: TypeAlias = Annotated[str, AfterValidator(_payload), Words('bytes in hexadecimal such as "00 ff"')]


# ---- when ------------------------------------------------------------------------------------------------


class Trigger(Closed):
    """When an event starts: one condition, and perhaps a delay behind it.

    Signals and other events are looked at in the tick after theirs.
    """

    former_keys: ClassVar = {"asked": "on_request"}

    time_s: FromTime | None = None
    """At this time after the start of the ride."""
    between_s: tuple[FromTime, FromTime] | None = None
    """At a time drawn evenly between these two after the start of the ride."""
    station_m: Station | None = None
    """When the bike passes this station, in the lap that ``lap`` says."""
    sector: int | None = Field(default=None, ge=1, le=100)
    """When the bike enters this sector, counted from 1, in the lap that ``lap`` says."""
    lap: int | None = Field(default=None, ge=1, le=1000)
    """Lap of ``station_m`` or ``sector``, counted from 1. Left out: the first one."""
    signal: RecordedSignal | None = None
    """When this recorded signal crosses the level beside it."""
    rises_above: float | None = None
    """[unit of the signal] Level that the signal has to reach from below."""
    falls_below: float | None = None
    """[unit of the signal] Level that the signal has to reach from above."""
    hysteresis: float | None = Field(default=None, ge=0)
    """[unit of the signal] How far beyond the level, on the other side, it has to have been before. Left
    out: 0."""
    started: Name | None = None
    """When the event of this name starts."""
    ended: Name | None = None
    """When the event of this name has ended."""
    on_request: Literal[True] | None = None
    """When somebody asks for it during the ride: the operator, a hook, or a signed command."""
    first_of: Annotated[tuple[Trigger, ...], Field(min_length=1)] | None = None
    """When the first of these conditions has come."""
    all_of: Annotated[tuple[Trigger, ...], Field(min_length=1)] | None = None
    """When the last of these conditions has come; one that has come stays so."""
    delay_s: FromTime = 0.0
    """How much later than its condition it starts."""

    @model_validator(mode="after")
    def _one_condition(self) -> Trigger:
        heads = (
            *("time_s", "between_s", "station_m", "sector", "signal"),
            *("started", "ended", "on_request", "first_of", "all_of"),
        )
        given = [key for key in heads if getattr(self, key) is not None]
        if len(given) != 1:
            words = f"got {' and '.join(given)}" if given else "got none of them"
            raise wrong(f"expected one of {', '.join(heads)}, {words}")
        if self.lap is not None and given[0] not in ("station_m", "sector"):
            raise wrong("expected lap only together with station_m or sector", "lap")
        if self.between_s is not None and self.between_s[1] <= self.between_s[0]:
            raise wrong(f"expected a later end than {self.between_s[0]:g} s", "between_s", 1)
        return self

    @model_validator(mode="after")
    def _a_level_to_cross(self) -> Trigger:
        if self.signal is None:
            for key in ("rises_above", "falls_below", "hysteresis"):
                if getattr(self, key) is not None:
                    raise wrong(f"expected {key} only together with signal", key)
            return self
        if (self.rises_above is None) == (self.falls_below is None):
            raise wrong("expected rises_above or falls_below beside signal, one of both")
        if self.signal.startswith("loop."):
            raise wrong("expected no signal of the loop's own timing: no two runs have the same", "signal")
        return self

    def parts(self, loc: Loc = ()) -> Iterator[tuple[Loc, Trigger]]:
        """This trigger and all below it, with their places below ``loc``."""
        yield loc, self
        for key in ("first_of", "all_of"):
            for i, part in enumerate(getattr(self, key) or ()):
                yield from part.parts((*loc, key, i))


class Repeat(Closed):
    """An event that comes again."""

    times: int = Field(ge=1, le=10_000)
    """How often it comes again after the first time."""
    every_s: Duration | None = None
    """From start to start. Left out: each time its condition comes anew once it has ended."""


class Intermittent(Closed):
    """An event that comes and goes while it lasts, live first."""

    on_s: float = Field(gt=0, le=3600)
    """How long it is live each time."""
    off_s: float = Field(gt=0, le=3600)
    """How long it pauses each time."""
    drawn: bool = False
    """Whether these times are the means of exponential distributions."""


class Happening(Closed):
    """What every event has: a name, a trigger, how long it lasts, how surely it comes."""

    declaration: ClassVar[EventKind]
    """What its family says of its kind; every model made below has one."""

    name: Name
    """A name no other event has."""
    at: Trigger
    """When it starts."""
    duration_s: Duration | None = None
    """How long it lasts. Left out: to the end of the ride."""
    probability: float = Field(default=1.0, gt=0, le=1)
    """Probability that it happens when its moment has come; drawn anew each time."""
    seed: int | None = Field(default=None, ge=0, le=2**32 - 1)
    """Seed of all that this event draws. Left out: the run's, with the event's name."""
    repeat: Repeat | None = None
    """Whether it comes again. Left out: it comes once."""

    @property
    def can_be_requested(self) -> bool:
        """Whether somebody may start and end it during the ride."""
        return any(part.on_request for _, part in self.at.parts())

    @model_validator(mode="after")
    def _comes_again(self) -> Happening:
        if self.repeat is None:
            return self
        if self.duration_s is None and self.declaration.lasts is not Lasts.INSTANT:
            raise wrong("expected duration_s beside repeat: what never ends does not come again", "repeat")
        if self.repeat.every_s is not None and self.repeat.every_s < (self.duration_s or 0.0):
            raise wrong(
                f"expected at least duration_s ({self.duration_s:g} s), got {self.repeat.every_s:g}",
                "repeat",
                "every_s",
            )
        recurring = ("station_m", "sector", "signal", "started", "ended", "on_request")
        if self.repeat.every_s is None and not any(
            getattr(part, key) is not None for _, part in self.at.parts() for key in recurring
        ):
            raise wrong("expected every_s: a time does not come again", "repeat")
        return self


class Ramped(Happening):
    """An event that may grow to its full effect in a straight line."""

    ramp_s: float = Field(default=0.0, ge=0, le=3600)
    """How long it takes to grow to full effect; at most ``duration_s``."""

    @model_validator(mode="after")
    def _ramps(self) -> Ramped:
        if self.duration_s is not None and self.ramp_s > self.duration_s:
            raise wrong(f"expected at most duration_s ({self.duration_s:g} s), got {self.ramp_s:g}", "ramp_s")
        return self


# ---- one model a kind ------------------------------------------------------------------------------------

_TYPES: dict[Takes, Any] = {
    Takes.NUMBER: float,
    Takes.WHOLE: int,
    Takes.TEXT: Name,
    Takes.BYTES: Payload,
    Takes.STATION: Station,
    Takes.SIGNAL: FaultySignal,
    Takes.FRAME: Name,
    Takes.FLAG: bool,
    Takes.PAUSES: Intermittent,
}


def _field(kind: EventKind, key: Key) -> tuple[Any, Any]:
    """Annotation and field of a key."""
    value: Any = _TYPES[key.takes] if isinstance(key.takes, Takes) else Literal[key.takes]
    if key.former:
        value = Annotated[value, FormerValues(key.former)]
    bounds = {"ge": key.least, "gt": key.above, "le": key.most}
    settings: dict[str, Any] = {name: bound for name, bound in bounds.items() if bound is not None}
    settings["description"] = _key_text(kind, key)
    if key.required:
        return value, Field(**settings)
    return (value | None if key.default is None else value), Field(default=key.default, **settings)


def _key_text(kind: EventKind, key: Key) -> str:
    """What a key says, the effects it belongs to if not to all, and what leaving it out means."""
    sentences = [f"[{key.unit}] {key.text}" if key.unit else key.text]
    if needing := [effect.name for effect in kind.effects if key.name in effect.needs]:
        sentences.append(f"Needed by: {', '.join(needing)}")
    if taking := [effect.name for effect in kind.effects if key.name in effect.takes]:
        sentences.append(f"Taken by: {', '.join(taking)}")
    if key.left_out:
        sentences.append(f"{LEFT_OUT} {key.left_out}")
    return ". ".join(sentences)


def _text(kind: EventKind) -> str:
    """A kind's description with its effects."""
    first, _, rest = kind.text.partition("\n\n")
    width = max((len(effect.name) for effect in kind.effects), default=0)
    effects = "\n".join(f"{effect.name:{width}}   {effect.text}" for effect in kind.effects)
    return "\n\n".join(part for part in (first, effects, rest) if part)


def _by_its_rules(event: Happening) -> Happening:
    """The first rule of its kind that an event breaks is told."""
    for found in event.declaration.broken_rules(event, event.model_fields_set):
        raise (missing if found.absent else wrong)(found.text, *([found.key] if found.key else []))
    return event


def _model(kind: EventKind) -> type[Happening]:
    """The model that reads events of a kind."""
    durations: dict[Lasts, dict[str, Any]] = {
        Lasts.AS_LONG_AS_SAID: {},
        Lasts.NEEDED: {"duration_s": (Duration, Field(description="how long it lasts"))},
        Lasts.INSTANT: {"duration_s": (None, Field(default=None, description="null: it has no duration"))},
    }
    fields: dict[str, Any] = {
        **durations[kind.lasts],
        "kind": (Literal[kind.name], Field()),
        **{key.name: _field(kind, key) for key in kind.keys},
    }
    rules: dict[str, Any] = {"by_its_rules": model_validator(mode="after")(_by_its_rules)}
    model: type[Happening] = create_model(
        f"{kind.name.capitalize()}Event",
        __base__=Ramped if kind.ramped else Happening,
        __doc__=_text(kind),
        __module__=__name__,
        __validators__=rules,
        **fields,
    )
    model.declaration = kind
    return model


EVENT_MODELS: dict[str, type[Happening]] = {kind.name: _model(kind) for kind in KINDS}
"""The model of each kind by its name."""

if TYPE_CHECKING:
    Event: TypeAlias = Happening
else:  # the same for whoever reads a file: which kind it is tells its key ``kind``
    Event = Annotated[Union[tuple(EVENT_MODELS.values())], Field(discriminator="kind")]  # noqa: UP007
