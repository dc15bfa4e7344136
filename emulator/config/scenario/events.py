"""Models of a scenario's events: when one starts (:class:`Trigger`), what all have, and one model a kind.

The models of the kinds are made from what the families declare (emulator.events.table.KINDS). Values are in
the unit of what they act on, as recorded: see emulator.core.signals and the DBC.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal, TypeAlias, Union

from pydantic import AfterValidator, Field, create_model, model_validator

from emulator.config.field_types import Name, RecordedSignal
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
    """When an event starts: one of

    time_s                    at a time
    between_s                 at a time drawn in this window
    station_m or sector       when the bike passes a station, or where a sector begins; in a lap, from 1
    signal                    when a recorded signal rises_above or falls_below a level; before, it has to
                              have been on the other side of it by ``hysteresis`` at least
    started, ended            when another event starts, or has ended
    on_request                when somebody asks for it during the ride
    first_of, all_of          when one, or each, of these has come

    and ``delay_s`` later. Signals and other events are looked at in the tick after theirs.
    """

    former_keys: ClassVar = {"asked": "on_request"}

    time_s: FromTime | None = None
    between_s: tuple[FromTime, FromTime] | None = None
    station_m: Station | None = None
    sector: int | None = Field(default=None, ge=1, le=100)
    lap: int | None = Field(default=None, ge=1, le=1000)
    signal: RecordedSignal | None = None
    rises_above: float | None = None
    falls_below: float | None = None
    hysteresis: float | None = Field(default=None, ge=0)
    started: Name | None = None
    ended: Name | None = None
    on_request: Literal[True] | None = None
    first_of: Annotated[tuple[Trigger, ...], Field(min_length=1)] | None = None
    all_of: Annotated[tuple[Trigger, ...], Field(min_length=1)] | None = None
    delay_s: FromTime = 0.0

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
    """It comes ``times`` more: every so often, or each time its trigger says so again once it has ended."""

    times: int = Field(ge=1, le=10_000)
    every_s: Duration | None = None


class Intermittent(Closed):
    """It comes and goes while it lasts: ``on_s``, then ``off_s``; ``drawn``: means of exponential ones."""

    on_s: float = Field(gt=0, le=3600)
    off_s: float = Field(gt=0, le=3600)
    drawn: bool = False


class Happening(Closed):
    """What every event has: a name, a trigger, how long it lasts (to the end if left out), how surely.

    probability  that it happens when its trigger says so
    seed         of what is drawn; without one it is the run's, and the event's name
    """

    declaration: ClassVar[EventKind]
    """What its family says of its kind; every model made below has one."""

    name: Name
    at: Trigger
    duration_s: Duration | None = None
    probability: float = Field(default=1.0, gt=0, le=1)
    seed: int | None = Field(default=None, ge=0, le=2**32 - 1)
    repeat: Repeat | None = None

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
    """An event that may grow to its full effect over ``ramp_s``."""

    ramp_s: float = Field(default=0.0, ge=0, le=3600)

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


def _field(key: Key) -> tuple[Any, Any]:
    """Annotation and field of a key."""
    kind: Any = _TYPES[key.takes] if isinstance(key.takes, Takes) else Literal[key.takes]
    if key.former:
        kind = Annotated[kind, FormerValues(key.former)]
    unit = f" [{key.unit}]" if key.unit else ""
    bounds = {"ge": key.least, "gt": key.above, "le": key.most}
    settings: dict[str, Any] = {name: bound for name, bound in bounds.items() if bound is not None}
    settings["description"] = key.text + unit
    if key.required:
        return kind, Field(**settings)
    return (kind | None if key.default is None else kind), Field(default=key.default, **settings)


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
        Lasts.NEEDED: {"duration_s": (Duration, Field())},
        Lasts.INSTANT: {"duration_s": (None, None)},
    }
    fields: dict[str, Any] = {
        **durations[kind.lasts],
        "kind": (Literal[kind.name], Field()),
        **{key.name: _field(key) for key in kind.keys},
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
