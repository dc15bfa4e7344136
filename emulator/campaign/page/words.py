"""A night in words: its sentence, and how margins, groups, commands and findings are said everywhere."""

from __future__ import annotations

import math
import shlex
from collections.abc import Sequence
from typing import NamedTuple

from emulator.campaign.comparison.answers import AnswerCourse, AnswerPair
from emulator.campaign.comparison.compare import Comparison, Drift, Finding, Kind, VersionChange
from emulator.campaign.comparison.repeats import Flaky
from emulator.campaign.comparison.ridden import Ridden, values_in
from emulator.campaign.page.groups import RunGroup, clock_times
from emulator.campaign.page.morning import AS_EXPECTED, Counts, Morning, Status
from emulator.campaign.page.night import Night
from emulator.campaign.page.tried import FactorTried
from emulator.campaign.store.answers import Answer
from emulator.campaign.store.bench_use import BenchUse
from emulator.campaign.store.schema import NO_POSSIBLE_BIKE

SIGN: dict[Status, str] = {"surprises": "✗", "stopped": "■", "does not count": "?", "as expected": "✓"}
LOOK: dict[Status, str] = {
    "surprises": "fail",
    "stopped": "stopped",
    "does not count": "invalid",
    "as expected": "pass",
}
"""Which verdict's look a status has on a page."""
KIND_WORDS: dict[Kind, str] = {
    "failures": "results",
    "margins": "thinnest margins",
    "edges": "edges and margins of the robot",
}
"""What a finding is of."""
MOST_TOLD = 10
"""Values of a factor that are named one by one."""
RUN_SIGN = {"pass": "", "fail": "✗", "invalid": "?", "stopped": "■", "error": "!"}


class Headline(NamedTuple):
    """First words and first sentence."""

    word: str
    sentence: str


def counted_words(count: int, one: str, many: str = "") -> str:
    """'1 run', '1,200 runs'."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def headline(morning: Morning) -> Headline:
    """What is read first."""
    counts, unexpected = morning.counts, len(morning.unexpected)
    rest = _rest(counts)
    if counts.surprises:
        causes = counted_words(len(morning.worse) + len(morning.better), "cause")
        words = counted_words(counts.surprises, "surprise")
        sentence = (
            f"{counts.surprises:,} of {counted_words(counts.counted, 'run')} that count came out other than "
            f"expected: {counts.worse:,} worse, {counts.better:,} better, of {causes}{rest}"
        )
    elif unexpected:
        words = counted_words(unexpected, "surprise")
        sentence = (
            f"{counted_words(unexpected, 'answer')} to what the plan asks came out other than expected{rest}"
        )
    elif morning.status == "surprises":
        words = counted_words(morning.regressions, "regression")
        sentence = f"every run that counts came out as expected, but against {morning.baseline} margins or "
        sentence += (
            f"results got worse by more than chance in {counted_words(morning.regressions, 'group')}{rest}"
        )
    elif morning.status == AS_EXPECTED and not counts.planned:
        words = AS_EXPECTED
        sentence = "nothing was asked for but answers"
    elif morning.status == AS_EXPECTED:
        words = AS_EXPECTED
        sentence = f"all {counted_words(counts.counted, 'run')} count and came out as their scenarios expect"
    else:
        words = morning.status
        sentence = f"no surprise among {counted_words(counts.counted, 'run')} that count{rest}"
    if counts.acknowledged:
        sentence += f"; {counted_words(counts.acknowledged, 'surprise')} acknowledged"
    if counts.surprises and unexpected:
        sentence += f"; {counted_words(unexpected, 'answer')} other than expected"
    if asked := len(morning.night.about.get("questions") or ()):
        silent = len(morning.night.unanswered)
        sentence += f"; {asked - silent:,} of {counted_words(asked, 'question')} answered"
    if (counts.surprises or unexpected) and morning.regressions:
        sentence += f"; worse than {morning.baseline} by more than chance in "
        sentence += counted_words(morning.regressions, "group")
    return Headline(words.upper(), f"{sentence[0].upper()}{sentence[1:]}.")


def _rest(counts: Counts) -> str:
    """What says nothing; empty where everything counts."""
    parts = [
        (counts.invalid + counts.stopped, "do not count", "does not count"),
        (counts.errors, "could not be ridden", "could not be ridden"),
        (counts.not_ridden, "were not ridden", "was not ridden"),
    ]
    told = [f"{count:,} {one if count == 1 else many}" for count, many, one in parts if count]
    return f"; {', '.join(told)} of {counts.planned:,} planned" if told else ""


def percent(value: float | None) -> str:
    """A margin in percent of its limit; '–' for none."""
    return "–" if value is None else f"{value:+.1f} %".replace("-", "−")


def points(value: float | None) -> str:
    """A change in points of percent."""
    if value is None:
        return "–"
    if math.isinf(value):
        return "from a margin to a fall" if value < 0 else "from a fall to a margin"
    return f"{value:+.1f} points".replace("-", "−")


def thinnest_words(group: RunGroup) -> str:
    """Thinnest margin of a group, of which criterion, and in how many scenarios the group lies."""
    row = group.thinnest
    margin = "no margin kept" if row is None else f"thinnest margin {percent(row.percent)} ({row.thinnest})"
    return f"{margin}; in {counted_words(len({row.scenario for row in group.rows}), 'scenario')}"


def repeat_commands(night: Night, row: Ridden) -> tuple[str, str]:
    """What writes a case out and what rides it: the same frames and signals as in the campaign."""
    folder = f"again-{row.case_id}"
    write = ["emulator", "campaign", "case", str(night.plan), row.case_id, "--out", folder]
    ride = ["emulator", "run", f"{folder}/scenario.yaml", "--rig", f"{folder}/rig.yaml"]
    ride += ["--seed", str(row.seed), *(["--virtual"] if row.stage == "virtual" else [])]
    ride += ["--robot", row.robot] if row.robot else []
    return shlex.join(write), shlex.join(ride)


def repeat_command(night: Night, row: Ridden) -> str:
    """Both in one line."""
    return " && ".join(repeat_commands(night, row))


def group_name(scenario: str | None, disturbance: str | None) -> str:
    """What a group of pairs holds."""
    if scenario is None and disturbance is None:
        return "everything"
    return " · ".join(name for name in (scenario, disturbance) if name is not None)


def finding_words(finding: Finding) -> str:
    """A finding in a sentence."""
    ways = f"{finding.worse} worse, {finding.better} better"
    what = KIND_WORDS[finding.kind]
    shift = "" if finding.shift is None else f", median change {points(finding.shift)}"
    return (
        f"{group_name(finding.scenario, finding.disturbance)}: {what} {finding.direction} "
        f"({ways} of {counted_words(finding.pairs, 'pair')}{shift}; chance {finding.probability:.1g})"
    )


def answer_pair_words(pair: AnswerPair) -> str:
    """An edge or a margin that moved."""
    unit = f" {pair.now.unit}" if pair.now.unit else ""
    then, now = (_figure(one) for one in (pair.before, pair.now))
    return f"{pair.now.label}: {then} then, {now} now{unit} ({points(pair.change)} of what was searched)"


def course_words(course: AnswerCourse) -> str:
    """What is borne over the nights."""
    unit = f" {course.unit}" if course.unit else ""
    nights = ", ".join(f"{value:.4g}" for value in course.borne)
    return f"{course.label}: {nights}{unit} from the mild end"


def _figure(answer: Answer) -> str:
    return "lost without any" if answer.survived is None else f"survived up to {answer.survived:.4g}"


def version_words(change: VersionChange) -> str:
    """Which versions rode then and ride now."""
    return f"{change.what}: {_named(change.before)} then, {_named(change.now)} now"


def _named(versions: Sequence[str]) -> str:
    return " and ".join(versions) or "none told"


_MOVED = {
    "steering_cycles": "steering cycle",
    "front_brake_strokes": "front brake stroke",
    "rear_brake_strokes": "rear brake stroke",
    "gear_changes": "gear change",
}


class Drawn(NamedTuple):
    """Rides of bikes drawn from a posterior: rides, different bikes, how many of these are no possible bike,
    and values of one."""

    rides: int
    bikes: int
    no_possible_bike: int
    values: int


def drawn_of(rows: Sequence[Ridden]) -> Drawn | None:
    """None where every ride was of the file's own bike."""
    drawn = [row for row in rows if row.drawn]
    if not drawn:
        return None
    bikes = {row.drawn for row in drawn}
    none = {row.drawn for row in drawn if row.cause_kind == NO_POSSIBLE_BIKE}
    return Drawn(len(drawn), len(bikes), len(none), max(len(values_in(bike)) for bike in bikes))


def drawn_words(drawn: Drawn) -> str:
    """What margins and shares over such rides hold."""
    said = (
        f"{counted_words(drawn.rides, 'ride')} of {counted_words(drawn.bikes, 'bike')} drawn from what a "
        f"calibration left uncertain of {counted_words(drawn.values, 'value')}: margins and shares over them "
        "hold that uncertainty"
    )
    if not drawn.no_possible_bike:
        return said
    few = counted_words(drawn.no_possible_bike, "draw")
    verb = "is" if drawn.no_possible_bike == 1 else "are"
    return f"{said}; {few} {verb} no possible bike, not ridden and not drawn anew"


def bench_words(use: BenchUse) -> tuple[str, ...]:
    """What a bench was used for, and what was told beside its rides, a line each."""
    moved = ", ".join(counted_words(n, _MOVED[name]) for name, n in use.wear.items())
    told = [(f"did not count, ridden again: {cause}", times) for cause, times in use.again.items()]
    return (
        f"{counted_words(use.rides, 'ride')}: {moved}",
        *(
            f"{text} ({counted_words(len(times), 'ride')}: {clock_times(times)})"
            for text, times in [*told, *use.notices.items()]
        ),
    )


def drift_words(drift: Drift | None) -> str:
    """Timing drift in a sentence."""
    if drift is None:
        return "Processor time is not compared: unlike processors, or too few rides of a second and more."
    return (
        f"A ridden second took {drift.ratio:.2f} times the processor time of the baseline "
        f"(median of {counted_words(drift.pairs, 'pair')}; middle half {drift.low:.2f} to {drift.high:.2f})."
    )


def flaky_words(flaky: Flaky) -> str:
    """A flaky ride in a sentence."""
    return f"{flaky.rows[0].label}: {flaky.failed} of {len(flaky.rows)} repeats failed"


def comparison_words(comparison: Comparison, baseline: str) -> str:
    """What was compared and what came of it, in two sentences."""
    changed = len(comparison.changed_since)
    pairs = f"{counted_words(comparison.compared, 'pair')} of the same case count in both"
    pairs += f", {changed:,} of them changed since" if changed else ""
    found = (
        f"{counted_words(len(comparison.new_failures), 'run')} newly "
        f"{'fails' if len(comparison.new_failures) == 1 else 'fail'}, {len(comparison.fixed):,} "
        f"{'is' if len(comparison.fixed) == 1 else 'are'} fixed"
    )
    worse = comparison.regressions
    verdict = (
        f"worse by more than chance in {counted_words(len(worse), 'group')}"
        if worse
        else "nothing got worse by more than chance"
    )
    moved = ""
    if comparison.answers:
        less, more = len(comparison.borne_less), len(comparison.borne_more)
        edges = counted_words(len(comparison.answers), "edge")
        moved = f" Of {edges} that were searched in both {less:,} shrank, {more:,} grew."
    return f"Against {baseline}: {pairs}. {found}; {verdict}.{moved}"


def coverage_words(morning: Morning) -> str:
    """How much of what the plan could hold was tried, in a sentence."""
    cells = len(morning.map.cells)
    pairs = counted_words(cells + morning.map.empty, "pair")
    words = f"{cells:,} of {pairs} of a scenario and a disturbance are planned"
    if morning.tried.pairs:
        pairs = counted_words(morning.tried.pairs, "pair")
        words += f"; {morning.tried.pairs_ridden:,} of {pairs} of values of two factors were ridden and count"
    return f"{words}."


def factor_words(factor: FactorTried) -> tuple[str, str, str, str]:
    """A factor: its name, how many of its values were ridden, how often at least, and which never."""
    drawn = "" if factor.span is None else f", drawn from {factor.span[0]:g} to {factor.span[1]:g}"
    more = len(factor.missing) - MOST_TOLD
    missing = ", ".join(factor.missing[:MOST_TOLD]) + (f" and {more:,} more" if more > 0 else "")
    return (
        factor.name,
        f"{factor.ridden:,} of {factor.values:,}{drawn}",
        f"{factor.fewest:,}",
        missing,
    )
