"""The night as plain text of 80 columns: nothing is cropped, what is longer goes on below."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from emulator.campaign.comparison.compare import METHOD, Comparison
from emulator.campaign.page.drawings import edge_words
from emulator.campaign.page.edges import margin_tables, margin_words
from emulator.campaign.page.groups import MissingGroup, RunGroup, clock_times
from emulator.campaign.page.morning import Morning
from emulator.campaign.page.words import (
    SIGN,
    answer_pair_words,
    bench_words,
    comparison_words,
    counted_words,
    course_words,
    coverage_words,
    drawn_of,
    drawn_words,
    drift_words,
    factor_words,
    finding_words,
    flaky_words,
    headline,
    percent,
    repeat_commands,
    thinnest_words,
    version_words,
)
from emulator.campaign.store.bench_use import BenchUse
from emulator.core.outside.visible_text import visible

WIDTH = 80


def text_of(morning: Morning) -> str:
    """The whole text, with a line feed at its end."""
    lines = [line for section in _sections(morning) for line in [*section, ""]]
    return visible("\n".join(line.rstrip() for line in lines[:-1])) + "\n"


def _sections(morning: Morning) -> Iterator[list[str]]:
    yield _head(morning)
    yield from _surprises(morning)
    yield from _no_evidence(morning)
    if morning.comparison is not None:
        yield ["COMPARED WITH THE BASELINE", *_compared(morning.comparison, morning.baseline)]
    if morning.repeats.flaky or morning.repeats.not_reproducible:
        yield _repeats(morning)
    if morning.thinning or morning.shrinking:
        yield _thinning(morning)
    if morning.night.answers or morning.night.unanswered:
        yield _answers(morning)
    if morning.counts.planned:
        yield _map(morning)
        yield _tried(morning)
    if morning.edges:
        yield _edges(morning)
    if morning.borne:
        yield _borne(morning)
    if morning.night.bench is not None:
        yield _bench(morning.night.bench)
    yield _versions(morning)


def _wrapped(text: str, indent: int = 0, hang: int = 2) -> list[str]:
    """A paragraph; a word that is longer than a line is broken, never cut."""
    first, rest = " " * indent, " " * (indent + hang)
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False)


def _command(text: str) -> list[str]:
    """A command as it may be pasted: broken between its words with the shell's own sign."""
    lines, line = [], "      $"
    for word in text.split(" "):
        if len(line) + len(word) + 3 > WIDTH and line.strip() not in ("", "$"):
            lines.append(f"{line} \\")
            line = "       "
        line += f" {word}"
    return [piece for long in [*lines, line] for piece in _broken(long)]


def _broken(line: str) -> list[str]:
    """A line in pieces of at most the width; only a single word can be that long."""
    return [line[i : i + WIDTH] for i in range(0, len(line), WIDTH)]


def _head(morning: Morning) -> list[str]:
    head = headline(morning)
    night = morning.night
    began = "" if night.began is None else f", begun {night.began:%Y-%m-%d %H:%M} UTC"
    return [
        *_wrapped(f"Campaign {night.name}{began}"),
        *_wrapped(f"{SIGN[morning.status]} {head.word}"),
        *_wrapped(head.sentence, hang=0),
    ]


def _surprises(morning: Morning) -> Iterator[list[str]]:
    for title, groups in (
        ("WORSE THAN EXPECTED", morning.worse),
        ("BETTER THAN EXPECTED", morning.better),
    ):
        if groups:
            yield [title, *(line for group in groups for line in _group(morning, group))]


def _group(morning: Morning, group: RunGroup) -> list[str]:
    example = group.example
    lines = _wrapped(f"- {counted_words(len(group.rows), 'run')} ({group.whose}): {group.cause}")
    lines += _wrapped(thinnest_words(group), 4)
    lines += _wrapped(f"first: {example.label}, {percent(example.percent)}, case {example.case_id}", 4)
    return lines + [line for one in repeat_commands(morning.night, example) for line in _command(one)]


def _no_evidence(morning: Morning) -> Iterator[list[str]]:
    if morning.uncounted:
        yield ["DOES NOT COUNT (clock times in UTC)", *_when(morning.uncounted)]
    if morning.broken or morning.missing:
        lines = ["NOT RIDDEN", *_when(morning.broken)]
        if morning.missing:
            count = counted_words(morning.counts.not_ridden, "case")
            lines += _wrapped(f"- {count} without a run; the campaign's state: {morning.night.ended}")
        yield lines + [line for group in morning.missing for line in _missing(group)]


def _when(groups: Sequence[RunGroup]) -> list[str]:
    return [
        line
        for group in groups
        for line in [
            *_wrapped(
                f"- {counted_words(len(group.rows), 'run')} {group.result} ({group.whose}): {group.cause}"
            ),
            *_wrapped(f"began {clock_times(group.began) or 'at times that were not kept'}", 4),
            *_wrapped(f"first: {group.example.label}, case {group.example.case_id}", 4),
        ]
    ]


def _missing(group: MissingGroup) -> list[str]:
    return _wrapped(
        f"{len(group.cases):,}  {group.scenario} · {group.disturbance}; first: {group.cases[0].label}", 4
    )


def comparison_text(comparison: Comparison, baseline: str) -> str:
    """A comparison by itself, with a line feed at its end."""
    return visible("\n".join(_compared(comparison, baseline))) + "\n"


def _compared(comparison: Comparison, baseline: str) -> list[str]:
    lines = _wrapped(comparison_words(comparison, baseline), hang=0)
    lines += [line for one in comparison.findings for line in _wrapped(f"- {finding_words(one)}")]
    for title, moved in (("bears less", comparison.borne_less), ("bears more", comparison.borne_more)):
        lines += [line for one in moved for line in _wrapped(f"- {title}: {answer_pair_words(one)}")]
    for title, pairs in (("newly fails", comparison.new_failures), ("fixed", comparison.fixed)):
        for one in pairs:
            since = f" (changed since: {', '.join(one.changed)})" if one.changed else ""
            lines += _wrapped(f"- {title}: {one.now.label}, case {one.now.case_id}{since}")
    lines += _wrapped(
        f"Counted then, not now: {len(comparison.no_longer_counted):,}. Only then: "
        f"{len(comparison.only_before):,}. Only now: {len(comparison.only_now):,}."
    )
    lines += [line for change in comparison.versions for line in _wrapped(version_words(change))]
    lines += _wrapped(drift_words(comparison.drift))
    return lines + _wrapped(f"Method: {METHOD}.")


def _repeats(morning: Morning) -> list[str]:
    lines = ["REPEATS THAT DID NOT COME OUT ALIKE"]
    lines += [line for one in morning.repeats.flaky for line in _wrapped(f"- {flaky_words(one)}")]
    for row in morning.repeats.not_reproducible:
        lines += _wrapped(f"- {row.label}: other signals on the stepped clock, which is a defect")
    return lines


def _thinning(morning: Morning) -> list[str]:
    lines = ["GREW THIN OVER THE NIGHTS", *_wrapped(f"{', '.join(morning.nights)}; told, not proven")]
    for one in morning.thinning:
        nights = ", ".join(percent(value) for value in one.percents)
        lines += _wrapped(
            f"- {one.scenario} · {one.disturbance}: {nights} ({counted_words(one.cases, 'case')})"
        )
    return lines + [line for one in morning.shrinking for line in _wrapped(f"- {course_words(one)}")]


def _answers(morning: Morning) -> list[str]:
    lines = ["ANSWERS"]
    for name in morning.night.unanswered:
        lines += _wrapped(f"- {name}: NO ANSWER; the campaign's state: {morning.night.ended}")
    for answer in morning.night.answers:
        if answer.speed_km_h is None:
            other = "OTHER THAN EXPECTED, " if answer.as_expected is False else ""
            lines += _wrapped(f"- {other}{answer.label}: {answer.sentence}")
            lines += _wrapped(f"{counted_words(answer.rides, 'ride')}; {answer.method}", 4)
            if answer.saved is not None and answer.command is not None:
                lines += _wrapped(f"saved in {answer.saved}", 4) + _command(answer.command)
    for table in margin_tables(morning.night.answers):
        speeds = ", ".join(f"{speed:g}" for speed in table.speeds_km_h)
        lines += _wrapped(f"- {table.question}: what is survived at {speeds} km/h")
        for row in table.rows:
            cells = ", ".join(margin_words(answer) or "–" for answer in row.answers)
            lines += _wrapped(f"{row.what}{f' / {row.unit}' if row.unit else ''}: {cells}", 4)
    return lines


def _map(morning: Morning) -> list[str]:
    cells = sorted(
        morning.map.cells.items(),
        key=lambda item: (item[1].percent is None, item[1].percent or 0.0, item[0]),
    )
    lines = ["THINNEST MARGINS, percent of the limit, by scenario and disturbance"]
    for (scenario, disturbance), cell in cells:
        told = [counted_words(cell.counted, "run")]
        told += [f"{cell.failed:,} failed"] if cell.failed else []
        told += [f"{cell.surprises:,} other than expected"] if cell.surprises else []
        told += [f"{cell.not_counted:,} of no evidence"] if cell.not_counted else []
        told += [f"{cell.not_ridden:,} not ridden"] if cell.not_ridden else []
        lines += _wrapped(
            f"{percent(cell.percent):>10} at {scenario} · {disturbance}: {', '.join(told)}", 0, 14
        )
    return lines


def _tried(morning: Morning) -> list[str]:
    lines = ["COVERAGE", *_wrapped(coverage_words(morning))]
    for name, ridden, fewest, missing in map(factor_words, morning.tried.factors):
        without = "" if not missing else f"; none of {missing}"
        lines += _wrapped(f"- {name}: {ridden} values, at least {fewest} runs each{without}")
    return lines + [line for words in morning.tried.missing_pairs for line in _wrapped(f"never: {words}", 4)]


def _edges(morning: Morning) -> list[str]:
    return ["EDGES", *(line for edge in morning.edges for line in _wrapped(f"- {edge_words(edge)}"))]


def _borne(morning: Morning) -> list[str]:
    lines = ["ACKNOWLEDGED"]
    for one in morning.borne:
        expired = "EXPIRED, its runs are surprises again: " if one.expired else ""
        lines += _wrapped(
            f"- {expired}{one.entry.about}: {counted_words(len(one.rows), 'run')} tonight; "
            f"{one.entry.reason} ({one.entry.name}, until {one.entry.until})"
        )
    return lines


def _bench(use: BenchUse) -> list[str]:
    lines = [line for one in bench_words(use) for line in _wrapped(f"- {one}")]
    return ["ON THE BENCH (clock times in UTC)", *lines]


def _versions(morning: Morning) -> list[str]:
    night = morning.night
    lines = ["RIDDEN WITH"]
    for title, of in (("tool", "tool"), ("model", "model"), ("robot", "robot_version"), ("on", "processor")):
        lines += _wrapped(f"{title}: {', '.join(night.version(of)) or 'not told'}")
    if (drawn := drawn_of(night.every_ride)) is not None:
        lines += _wrapped(f"bikes: {drawn_words(drawn)}")
    return lines
