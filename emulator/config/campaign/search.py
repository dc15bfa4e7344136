"""Questions of a plan whose rides are chosen by what came of those before.

How large may it be (edge), how much later, stronger or weaker may what the robot sends and gets be (margins),
is there a way to fail (failure), how likely is it to fail (probability). Each is asked of one ride.
"""

from __future__ import annotations

import math
from typing import Annotated, Literal, TypeAlias

from pydantic import Field, model_validator

from emulator.config.campaign.chances import MOST_RIDES, Drawn, Method
from emulator.config.campaign.rides import OF_THE_RIG, RobotName, Seed
from emulator.config.campaign.varied import Adjusted, Alternative
from emulator.config.field_types import FileName, Name
from emulator.config.validation import Closed, wrong

Channel: TypeAlias = Literal["steering", "throttle", "front_brake", "rear_brake", "clutch", "gear"]
"""An actuator channel."""
NO_GAIN = "gear"
"""The channel that is delayed only: a gear is in or it is not."""
MarginKind: TypeAlias = Literal["delay", "gain_up", "gain_down"]
MOST_STEPS = 100_000
"""Steps between the mildest and the harshest size."""


class LostIf(Closed):
    """What counts as lost; a ride that does not count at all is neither lost nor survived."""

    fall: bool = True
    """Whether a fall does."""
    criteria: tuple[Name, ...] | None = None
    """Names (or kinds) of criteria that must be met. Left out: all that the scenario has."""
    swing_after: Name | None = None
    """Event after which a swing has to die away. Left out: swings do not count."""
    watched_s: float = Field(default=45.0, ge=1, le=3600)
    """How long it is watched after that event; the ride has to go on for so long."""


class Ridden(Closed):
    """What rides, whatever is asked of it."""

    rig: FileName
    """The rig file it is ridden on."""
    vehicle: FileName | None = None
    """A vehicle file that rides in place of the one the rig names. Left out: that one rides."""
    vehicle_drawn: bool = False
    """Whether each ride is of a bike that is drawn from what the vehicle's calibration left uncertain, one a
    seed; the robot goes by the file."""
    robot: RobotName = OF_THE_RIG
    """Who rides: ``FILE:CLASS``, or ``of_the_rig`` for whoever the rig names."""
    over: Alternative = Alternative()
    """Values that go over the files, such as the events that are looked at. Left out: none do."""
    seed: Seed = 0
    """The seed it is ridden with; where every ride has one of its own, the first of them."""


class OneRide(Ridden):
    """A ride of a scenario."""

    scenario: FileName
    """The scenario file that is ridden."""
    lost: LostIf = LostIf()
    """What counts as lost. Left out: a fall, and any criterion that is missed."""


class Span(Adjusted):
    """A value between two, of which one is mild and one harsh."""

    mildest: float
    """The end at which nothing much should happen; it may be the larger number."""
    harshest: float
    """The other end."""
    resolution: float = Field(gt=0)
    """The smallest step between two sizes that are tried."""

    @model_validator(mode="after")
    def _a_way_to_go(self) -> Span:
        _steps(self.mildest, self.harshest, self.resolution, "resolution")
        return self


def _steps(mildest: float, harshest: float, resolution: float, key: str) -> None:
    way = abs(harshest - mildest)
    if way == 0.0:
        raise wrong(f"expected another number than the mildest, got {harshest:g} again", "harshest")
    if resolution > way:
        raise wrong(f"expected at most {way:g}, all that is between the ends, got {resolution:g}", key)
    if not math.isfinite(way) or way / resolution > MOST_STEPS:
        raise wrong(
            f"expected a step that makes at most {MOST_STEPS} between the ends, got {resolution:g}", key
        )


class Edge(OneRide, Span):
    """The largest size that is survived, by halving between the ends; probes test whether it is one edge."""

    kind: Literal["edge"]
    probes_below: int = Field(default=2, ge=0, le=1000)
    """Further sizes below the edge that have to be survived."""
    probes_above: int = Field(default=2, ge=0, le=1000)
    """Further sizes above the edge that have to be lost."""
    curve_rides: int = Field(default=0, ge=0, le=10_000)
    """Rides about the edge, each with a seed of its own, for how it scatters over seeds. Left out: none; the
    edge is that of its one seed."""
    must_survive: float | None = None
    """A size that is ridden, too; that it or a milder one is lost is a surprise. Left out: nothing is
    expected."""

    @model_validator(mode="after")
    def _expects_a_size(self) -> Edge:
        low, high = sorted((self.mildest, self.harshest))
        if self.must_survive is not None and not low <= self.must_survive <= high:
            raise wrong(
                f"expected a size from {low:g} to {high:g}, got {self.must_survive:g}", "must_survive"
            )
        return self


class Margins(Ridden):
    """How much the robot under test bears of each actuator and each sensor, at each speed.

    Straight on at the speed, a gust from the side, and from then on the command comes later or the value is
    another one. Lost: a fall, or a swing that does not die away.
    """

    kind: Literal["margins"]
    speeds_km_h: Annotated[
        tuple[Annotated[float, Field(ge=10, le=400)], ...], Field(min_length=1, max_length=100)
    ]
    """Speeds, each a ride of its own."""
    actuators: tuple[Channel, ...] = ()
    """Actuator channels that are looked at; of gear only the delay is. Left out: none."""
    sensors: tuple[Name, ...] = ()
    """Values of sensors that are looked at, as the rig sends them. Left out: none."""
    of: Annotated[tuple[MarginKind, ...], Field(min_length=1)] = ("delay", "gain_up", "gain_down")
    """delay: later by so much; gain_up, gain_down: so many times as much, above and below 1."""
    longest_delay_ms: float = Field(default=100.0, ge=2, le=1000)
    """The longest delay that is tried."""
    delay_step_ms: float = Field(default=1.0, ge=1, le=1000)
    """Resolution of delays; the bench holds frames back by whole ticks."""
    greatest_gain: float = Field(default=4.0, gt=1, le=1000)
    """[1] The greatest gain that is tried."""
    least_gain: float = Field(default=0.0, ge=0, lt=1)
    """[1] The least gain that is tried."""
    gain_step: float = Field(default=0.05, gt=0, le=1)
    """[1] Resolution of gains."""
    gust_m_s: float = Field(default=8.0, gt=0, le=40)
    """Speed of the gust, which lasts a second."""
    watched_s: float = Field(default=45.0, ge=2, le=600)
    """How long a ride is watched from the gust on."""
    probes_below: int = Field(default=1, ge=0, le=1000)
    """Further sizes below each edge that have to be survived."""
    probes_above: int = Field(default=1, ge=0, le=1000)
    """Further sizes above each edge that have to be lost."""

    @model_validator(mode="after")
    def _looks_at_something(self) -> Margins:
        for key in ("actuators", "sensors", "of", "speeds_km_h"):
            given: tuple[object, ...] = getattr(self, key)
            for i, one in enumerate(given):
                if one in given[:i]:
                    raise wrong(f"expected each once, got {one!r} again", key, i)
        if not self.actuators and not self.sensors:
            raise wrong("expected actuators, sensors or both: what is looked at?")
        if "delay" not in self.of and not self.sensors and set(self.actuators) <= {NO_GAIN}:
            raise wrong("expected delay among them: a gear lever has no gain", "of")
        _steps(0.0, self.longest_delay_ms, self.delay_step_ms, "delay_step_ms")
        _steps(1.0, self.greatest_gain, self.gain_step, "gain_step")
        _steps(1.0, self.least_gain, self.gain_step, "gain_step")
        return self


class Failure(OneRide):
    """A way to fail, looked for where the margin is thinnest; what is found is made smaller and saved."""

    kind: Literal["failure"]
    vary: Annotated[dict[Name, Span], Field(min_length=1)]
    """What varies, by name: each between its ends, all at once."""
    rides: int = Field(default=200, ge=16, le=MOST_RIDES)
    """How many rides the search may take."""
    rides_to_minimise: int = Field(default=100, ge=1, le=MOST_RIDES)
    """How many more it may take to make what was found smaller."""
    none_expected: bool = False
    """Whether a failure that is found is a surprise."""


class Probability(OneRide):
    """How likely the ride is lost, if values are drawn from stated distributions and every ride anew."""

    kind: Literal["probability"]
    vary: dict[Name, Drawn] = Field(default_factory=dict)
    """What is drawn, by name. Left out: nothing but the seed of each ride."""
    method: Method
    """How it is looked for, and how long."""
    confidence: float = Field(default=0.95, ge=0.5, lt=1)
    """[1] Of the interval: how often such intervals hold the truth."""
    at_most: float | None = Field(default=None, gt=0, le=1)
    """[1] What it has to be proven not to exceed; proven to exceed it is a surprise. Left out: nothing is
    expected."""

    @model_validator(mode="after")
    def _rare_needs_a_slope(self) -> Probability:
        if self.method.kind == "rare" and not self.vary:
            raise wrong(
                "expected something that is drawn where the method is rare: seeds have no slope", "vary"
            )
        return self


Question: TypeAlias = Annotated[Edge | Margins | Failure | Probability, Field(discriminator="kind")]
"""One question of a plan."""
