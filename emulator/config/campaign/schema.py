"""The plan of a campaign: which runs there are, what varies in them, how far it may go, what is kept of it.

A part of a plan is a set of runs made one way: scenarios on rigs, with what varies in them combined. A
question has its rides chosen by what came of those before. Names of files are relative to the plan.
"""

from __future__ import annotations

import re
from typing import Annotated, Literal, TypeAlias

from pydantic import AfterValidator, Field, model_validator

from emulator.config.based_on import File, source_of
from emulator.config.campaign.rides import OF_THE_RIG, RobotName, Seed
from emulator.config.campaign.search import Question
from emulator.config.campaign.varied import Alternative, Scalar, Varied, choices_in
from emulator.config.field_types import FileName, Name
from emulator.config.validation import Closed, Words, did_you_mean, missing, validate, wrong
from emulator.config.yaml_source import Source, leads_astray

FILE_FACTORS = ("scenario", "rig", "vehicle", "robot", "seed", "repeat")
"""What differs between runs beside what a plan varies by name; no varied thing may be called so."""
MOST_CASES = 1_000_000
"""Runs that a plan may ask for."""

FailedLast: TypeAlias = Literal["failed_last_time", "never_ridden"]
Kept: TypeAlias = Literal["surprises", "failures", "does_not_count", "errors", "everything"]


def _file_pattern(text: str) -> str:
    if not text.strip() or "\0" in text:
        raise wrong("expected the path of a file or folder, or a pattern such as runs/*.yaml")
    if problem := leads_astray(text):
        raise wrong(problem)
    return text


FilePattern: TypeAlias = Annotated[
    str,
    AfterValidator(_file_pattern),
    Words("the path of a file or folder, or a pattern such as runs/*.yaml, from this file"),
]


def _time_of_day(text: str) -> str:
    if not re.fullmatch(r"([01][0-9]|2[0-3]):[0-5][0-9]", text):
        raise wrong(f"expected a time of day such as 22:30, got {text!r}")
    return text


TimeOfDay: TypeAlias = Annotated[str, AfterValidator(_time_of_day), Words("a time of day such as 22:30")]


class EveryCombination(Closed):
    """Every value with every other."""

    kind: Literal["every"]


class CoveringArray(Closed):
    """As few runs as are found in which every few values come together: all pairs, or all threes."""

    kind: Literal["cover"]
    strength: Literal[2, 3] = 2
    """Of how many things the values come together in every way; scenarios, rigs, vehicles and robots count as
    things, too."""


class SpreadSample(Closed):
    """Points spread evenly over what varies, the same for every scenario, rig, vehicle and robot."""

    kind: Literal["spread"]
    by: Literal["sobol", "latin_hypercube"] = "sobol"
    """sobol: a scrambled Sobol sequence; latin_hypercube: each thing's range is cut into as many parts as
    there are points, and each part has one."""
    count: int = Field(ge=1, le=MOST_CASES)
    """How many points; a power of 2 fills best with sobol."""


Combination: TypeAlias = Annotated[
    EveryCombination | CoveringArray | SpreadSample, Field(discriminator="kind")
]


class Seeds(Closed):
    """Seeds of the runs."""

    these: Annotated[tuple[Seed, ...], Field(min_length=1)] | None = None
    """The seeds, one by one; everything is ridden with each. Left out: ``count`` of them, from
    ``first`` on."""
    first: Seed = 0
    """The first seed."""
    count: int = Field(default=1, ge=1, le=MOST_CASES)
    """How many seeds everything is ridden with."""
    own: bool = False
    """Whether every run has a seed of its own, counted on from ``first``."""

    @model_validator(mode="after")
    def _one_way_of_saying(self) -> Seeds:
        others = [key for key in ("first", "count", "own") if key in self.model_fields_set]
        if self.these is not None:
            if others:
                raise wrong(f"expected no {others[0]} beside these", others[0])
            for i, seed in enumerate(self.these):
                if seed in self.these[:i]:
                    raise wrong(f"expected each seed once, got {seed} again", "these", i)
        if self.own and "count" in self.model_fields_set:
            raise wrong("expected no count where every run has a seed of its own; write repeats", "count")
        return self


class Part(Closed):
    """A set of runs made one way."""

    scenarios: Annotated[tuple[FilePattern, ...], Field(min_length=1)]
    """Scenario files: paths, folders (every scenario below), or patterns with ``*`` and ``**``."""
    without: tuple[FilePattern, ...] = ()
    """Scenario files among those that are left out: paths, folders or patterns."""
    rigs: Annotated[tuple[FileName, ...], Field(min_length=1)]
    """Rig files; every scenario is ridden on each."""
    vehicles: tuple[FileName, ...] = ()
    """Vehicle files that ride in place of the one a rig names. Left out: that one rides."""
    vehicle_drawn: bool = False
    """Whether each run rides a bike that is drawn from what the vehicle's calibration left uncertain, one a
    seed; the robot goes by the file."""
    robots: Annotated[tuple[RobotName, ...], Field(min_length=1)] = (OF_THE_RIG,)
    """Who rides in the virtual stage: ``FILE:CLASS``, or ``of_the_rig`` for whoever the rig names."""
    over: Alternative = Alternative()
    """Values that go over the files of every run. Left out: none do."""
    vary: dict[Name, Varied] = Field(default_factory=dict)
    """What varies, each thing under a name of its own for tables. Left out: nothing does."""
    combine: Combination = EveryCombination(kind="every")
    """How the values are combined. Left out: every one with every other."""
    excluding: tuple[dict[Name, Scalar | tuple[Scalar, ...]], ...] = ()
    """Combinations that are not ridden: by name of what varies (or scenario, rig, vehicle, robot) a value or
    several; text may have ``*`` in it. One is out where all of an entry's names have one of their values."""
    seeds: Seeds = Seeds()
    """Seeds that everything is ridden with. Left out: seed 0."""
    repeats: int = Field(default=1, ge=1, le=1000)
    """How often every run is ridden the same way, to see what does not come out the same."""
    expectation: Literal["counts", "does_not_count"] = "counts"
    """Whether a run that comes out other than its scenario expects is a surprise."""

    @model_validator(mode="after")
    def _things_with_names_of_their_own(self) -> Part:
        for name in self.vary:
            if name in FILE_FACTORS:
                raise wrong(f"expected another name: {name} differs between runs anyway", "vary", name)
        return self

    @model_validator(mode="after")
    def _each_file_once(self) -> Part:
        for key in ("scenarios", "rigs", "vehicles", "robots"):
            given = getattr(self, key)
            for i, name in enumerate(given):
                if name in given[:i]:
                    raise wrong(f"expected each once, got {name!r} again", key, i)
        return self

    @model_validator(mode="after")
    def _numbers_to_combine(self) -> Part:
        if isinstance(self.combine, SpreadSample):
            if not self.vary:
                raise wrong("expected something under vary, which the points are spread over", "combine")
            return self
        for name, varied in self.vary.items():
            if any(choice.is_continuous for choice in choices_in(varied)):
                raise wrong(
                    "expected count or step beside between (only a spread takes any number)", "vary", name
                )
        return self

    @model_validator(mode="after")
    def _excludes_what_varies(self) -> Part:
        known = (*FILE_FACTORS[:4], *self.vary)
        for i, entry in enumerate(self.excluding):
            if not entry:
                raise wrong("expected names of what varies with their values, got none", "excluding", i)
            for name in entry:
                if name not in known:
                    names, near = ", ".join(known), did_you_mean(name, known)
                    raise wrong(
                        f"expected the name of something that varies ({names}), got {name!r}{near}",
                        "excluding",
                        i,
                        name,
                    )
        return self


class Budget(Closed):
    """How far a campaign may go; what is left then is told as not ridden."""

    hours: float | None = Field(default=None, gt=0, le=1000)
    """[h] Time after which no further run begins. Left out: no limit."""
    disk_GB: float | None = Field(default=None, gt=0, le=100_000)
    """[GB] Disk space that the campaign's folder may take. Left out: no limit but the disk's."""


class StopAfter(Closed):
    """When a campaign ends early, because more of the same says nothing new."""

    surprises: int | None = Field(default=None, ge=1)
    """How many runs may come out other than expected. Left out: any number."""
    does_not_count: int | None = Field(default=None, ge=1)
    """How many runs may not count (invalid). Left out: any number."""
    errors: int | None = Field(default=None, ge=1)
    """How many runs may end in an error. Left out: any number."""


class Keep(Closed):
    """Of which runs the record and the report are kept; a row of the table is kept of every run."""

    of: tuple[Kept, ...] = ("surprises", "does_not_count", "errors")
    """Which runs, by how they came out."""
    thinnest: int = Field(default=10, ge=0, le=100_000)
    """How many more: those with the thinnest margins."""
    most: int = Field(default=100, ge=0, le=MOST_CASES)
    """How many in all; those of the lowest numbers are kept."""
    record: Literal["whole", "thin"] | None = None
    """How much of each: whole, or thin, a tenth of it (see the rig's record). Left out: as its rig says."""


class BenchLane(Closed):
    """How runs follow each other on a bench with nobody beside it."""

    rest_s: float = Field(default=10.0, ge=0, le=3600)
    """How long the actuators rest between two runs."""
    repeats_of_invalid: int = Field(default=2, ge=0, le=100)
    """How often a run that does not count is ridden again."""
    begins: TimeOfDay | None = None
    """Time of day (of this machine) before which nothing is ridden. Left out: it begins at once."""
    ends: TimeOfDay | None = None
    """Time of day after which no further run begins. Left out: no limit."""


class Plan(Closed):
    """One campaign: what is ridden, in which order, how far, and what is kept."""

    kind: Literal["campaign"]
    name: Name
    """What the campaign is called; its folder is called so, too."""
    purpose: Name | None = None
    """What it is to show, in one line. Left out: nothing is said."""
    stage: Literal["virtual", "bench"] = "virtual"
    """virtual: on the stepped clock, several at once; bench: on the one bench, one after another."""
    seed: Seed = 0
    """Seed of what the plan itself draws: covering arrays and spread samples."""
    parts: dict[Name, Part] = Field(default_factory=dict)
    """Sets of runs by name, ridden in this order. Left out: only what ``search`` asks for is ridden."""
    search: dict[Name, Question] = Field(default_factory=dict)
    """Questions by name, whose rides are chosen by what came of those before; asked in this order, behind the
    parts. Left out: nothing is asked."""
    first: tuple[FailedLast, ...] = ("failed_last_time", "never_ridden")
    """Which runs go before the others, so that a night cut short answers all the same: those that failed in
    the campaign it is compared with, those that are not in it."""
    budget: Budget = Budget()
    """How far it may go. Left out: to the end."""
    stop_after: StopAfter = StopAfter()
    """When it ends early. Left out: never."""
    keep: Keep = Keep()
    """Of which runs the record is kept. Left out: as stands at its keys."""
    run_limit_s: float = Field(default=300.0, gt=0, le=86_400)
    """How long a run may really take; beyond, its worker is ended and the run is told as an error."""
    bench: BenchLane | None = None
    """How runs follow each other on a bench. Left out: as stands at its keys."""

    @model_validator(mode="after")
    def _rides_something(self) -> Plan:
        if not self.parts and not self.search:
            raise missing("'parts', or 'search': what is ridden")
        return self

    @model_validator(mode="after")
    def _fits_its_stage(self) -> Plan:
        if self.stage == "bench" and self.search:
            raise wrong(
                "expected no such key where stage is bench: searches ride the virtual stage", "search"
            )
        if self.stage == "virtual" and self.bench is not None:
            raise wrong("expected no such key where stage is virtual", "bench")
        for name, part in self.parts.items():
            if self.stage == "bench" and part.robots != (OF_THE_RIG,):
                raise wrong(
                    "expected no such key where stage is bench: yours joins the bus", "parts", name, "robots"
                )
            if self.stage == "bench" and (len(part.rigs) > 1 or self.rigs != part.rigs):
                raise wrong(
                    "expected one rig, the same in all parts: there is one bench", "parts", name, "rigs"
                )
        return self

    @property
    def rigs(self) -> tuple[str, ...]:
        """Rig files of the first part."""
        return next(iter(self.parts.values())).rigs


def load_plan(path: File) -> tuple[Plan, Source]:
    """Read a plan. Raises ConfigError. What its files hold is looked at where its cases are made."""
    source = source_of(path, Plan)
    return validate(Plan, source), source
