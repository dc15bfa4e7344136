"""The ride that a question is asked of: what is varied put into a case's files."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any, NamedTuple

from emulator.campaign.plan.case import Case, CaseFiles, Places, canonical, case_id, digest
from emulator.campaign.plan.drawn_vehicle import put_drawn
from emulator.campaign.plan.factors import no_overlays, put_alternative, value_at
from emulator.campaign.plan.overlays import overlay_of, place_of
from emulator.campaign.search.bisection import EdgeQuestion
from emulator.campaign.search.rides import Lost
from emulator.config.campaign.search import Failure, Probability, Question, Ridden
from emulator.config.campaign.varied import FILE_KINDS, Adjusted, FileKind
from emulator.config.rig.file import Rig
from emulator.config.scenario.schema import Scenario
from emulator.config.vehicle.file import vehicle_model
from emulator.config.yaml_source import Loc, Source
from emulator.core.errors import ConfigError


class Put(NamedTuple):
    """A value that is put into a ride's files; ``loc`` is the place of what says so in the plan."""

    what: Adjusted
    value: float
    loc: Loc


class MadeCase(NamedTuple):
    """A case, and where the values over its files stand in the plan."""

    case: Case
    places: Mapping[FileKind, Places]


@dataclass(frozen=True)
class AskedRide:
    """The ride that a question is asked of, whatever is put into it.

    name  of the question; loc: its place in the plan
    """

    name: str
    ridden: Ridden
    lost: Lost
    scenario: Path
    rig: Path
    vehicle: Path | None
    robot: str
    plan: Source
    loc: Loc
    files: CaseFiles

    def made(
        self,
        puts: Sequence[Put] = (),
        *,
        seed: int | None = None,
        parameters: Mapping[str, int | float] | None = None,
        events: Sequence[Mapping[str, Any]] = (),
        without: Collection[str] = (),
        told: Mapping[str, str | int | float] | None = None,
    ) -> MadeCase:
        """A ride with values in it.

        seed        left out: the question's own
        parameters  of the scenario, beside those that are put
        events      further ones; ``without`` names those that are taken away
        told        what it differs by, for tables

        Raises NoSuchPlaceError for a value that has no place in the files, NoPosterior where nothing can be
        drawn of the vehicle.
        """
        gathered = no_overlays()
        put_alternative(self.ridden.over, self.plan, (*self.loc, "over"), gathered)
        set_to = dict(parameters or {})

        def values_of(kind: FileKind) -> Mapping[str, Any]:
            return self.files.values_under(kind, str(self.scenario), str(self.rig), str(self.vehicle or ""))

        for put in puts:
            if put.what.parameter is not None:
                set_to[put.what.parameter] = put.value
            elif put.what.value is not None:
                value_at(put.what.value, put.value, place_of(self.plan, put.loc))(gathered, values_of)
        here = place_of(self.plan, self.loc)
        for event in events:
            gathered["scenario"].add_event(event, {(): here})
        if without:
            gathered["scenario"].remove_events(without, values_of("scenario"), here)
        ridden_with = self.ridden.seed if seed is None else seed
        drawn: Mapping[str, float] = {}
        if self.ridden.vehicle_drawn:
            with suppress(ConfigError):  # of a file that can't be read its rides tell
                posterior = self.files.posterior(str(self.rig), str(self.vehicle or ""))
                loc, on = (*self.loc, "vehicle_drawn"), values_of("scenario")
                drawn = put_drawn(posterior, ridden_with, self.plan, loc, gathered, on)
        overlay = dict(overlay_of(gathered["scenario"], Scenario))
        if criteria := self.lost.criteria_overlay():
            overlay["criteria"] = [*overlay.get("criteria", ()), *criteria]
        differs = dict(told or {})
        case = Case(
            number=-1,
            scenario=self.scenario,
            rig=self.rig,
            vehicle=self.vehicle,
            robot=self.robot,
            parameters=set_to,
            scenario_overlay=overlay,
            rig_overlay=overlay_of(gathered["rig"], Rig),
            vehicle_overlay=overlay_of(gathered["vehicle"], vehicle_model()),
            seed=ridden_with,
            factors={"question": self.name, **differs},
            drawn=drawn,
            expectation_counts=False,
            label=" · ".join([self.name, *(f"{key} {_shown(value)}" for key, value in differs.items())]),
        )
        identified = replace(case, id=case_id(case, self.files.contents_or_names(case)))
        return MadeCase(identified, {kind: gathered[kind].places for kind in FILE_KINDS})


@dataclass(frozen=True)
class SizedRide:
    """Rides that differ in one size, in which an edge is looked for.

    of, quantity, unit  what the size is of, which of its figures, and in what
    speed_km_h          of a margin
    made                the ride of a size, with the question's seed or another one
    """

    of: str
    quantity: str
    unit: str
    question: EdgeQuestion
    made: Callable[[float, int | None], MadeCase]
    speed_km_h: float | None = None


@dataclass(frozen=True)
class PlannedQuestion:
    """A question of a plan, with what it is asked of.

    sized       of an edge or of margins: what is bisected, in order
    most_rides  that it may take
    ends        rides at the ends of what it varies, by which its files are checked
    """

    name: str
    asked: Question
    ride: AskedRide
    most_rides: int
    sized: tuple[SizedRide, ...] = ()
    ends: Callable[[], Iterator[MadeCase]] = field(compare=False, default=lambda: iter(()))

    @cached_property
    def identity(self) -> str:
        """SHA-256 of what is asked, of which ride."""
        says = canonical([self.name, self.asked.model_dump(mode="json"), [m.case.id for m in self.ends()]])
        return digest(says)


def puts_of(ride: AskedRide, asked: Failure | Probability, values: Sequence[float]) -> list[Put]:
    """Values of all that a question varies, in its order."""
    return [
        Put(what, float(f"{value:.12g}"), (*ride.loc, "vary", name))
        for (name, what), value in zip(asked.vary.items(), values, strict=True)
    ]


def ride_at(
    ride: AskedRide, asked: Failure | Probability, values: Sequence[float], *, seed: int | None = None
) -> MadeCase:
    """The ride with values of all that a question varies."""
    told = {name: float(f"{value:.12g}") for name, value in zip(asked.vary, values, strict=True)}
    return ride.made(puts_of(ride, asked, values), seed=seed, told=told)


def _shown(value: str | int | float) -> str:
    return value if isinstance(value, str) else f"{value:g}"
