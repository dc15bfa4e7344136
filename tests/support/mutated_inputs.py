"""Valid files broken by chance, and what the command line makes of them, each in a process of its own.

``python -m tests.support.mutated_inputs COUNT [FIRST [WORKERS]]`` runs cases FIRST to FIRST + COUNT and
prints the figures. A case is made from its number alone, so one that failed can be looked at by itself; with
KEEP_FAILED naming a folder, the files of those that failed are left there.

Asked of each: it ends with an exit status of what was given or of the verdict (0 to 3), shows no traceback
and nothing that steers a terminal, takes at most ``MOST_SECONDS`` of processor time and ``MOST_BYTES`` of
memory more than the same command takes for the valid file, and the JUnit it leaves is XML.
"""

from __future__ import annotations

import json
import os
import random
import re
import resource
import shutil
import signal
import sys
import tarfile
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple
from xml.etree import ElementTree

import numpy as np
import pyarrow as pa

ROOT = Path(__file__).parents[2]
MOST_SECONDS = 5.0
MOST_BYTES = 300 << 20
_WALL_SECONDS = 60.0
_CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")

# --- mutations --------------------------------------------------------------------------------------------

HOSTILE_NUMBERS = (
    *("0", "-1", "1", "1e308", "-1e308", "1e-308", "1e999", "1e4", "-0.0", ".nan", ".inf", "NaN", "Infinity"),
    *("1000000", "2147483648", "4294967295", "18446744073709551616", "9" * 39, "9" * 5000),
    *("0x7fffffff", "010", "1_000", "12:30:00"),
)
HOSTILE_WORDS = (
    *(
        "",
        "~",
        "null",
        "true",
        "no",
        "[]",
        "{}",
        "[0]",
        "{a: 0}",
        "- 1",
        "'",
        '"',
        "&a x",
        "*a",
        "!t x",
        "<<",
        "|",
    ),
    *("[" * 60, "{a: " * 60, "x" * 3000, ">", "$x", "${x}", "SG_", "BO_ 1 x: 8 R", "%s%n"),
    *("../../../../etc/passwd", "/dev/zero", "/etc/passwd", "."),
    *("\u202eevil", "\x1b[2J", '"\\e[2J\\u202e"', '"\\ud800"', "\ufeff", "\u2028", "é", "a\u0301" * 50),
)
HOSTILE_VALUES: tuple[Any, ...] = (
    *(None, True, False, 0, -1, 1, 0.5, 1e308, -1e308, 1e-308, float("nan"), float("inf")),
    *(2**31, 2**63 - 1, -(2**63), 2**63, 10**30, 10**300),
    *("", "x", "\x1b[2J\u202e", "\x00", "\ud800", "x" * 3000, "../../x", "/etc/passwd"),
    *([], {}, [None], [[]], {"": {}}, [1e308] * 3, ["x"], {"name": 3}, [float("nan")], [0] * 2000),
)


def mutated_bytes(rng: random.Random, content: bytes) -> bytes:
    """Flips, cuts, splices, repeats, at any place."""
    out = bytearray(content)
    for _ in range(rng.choice((1, 1, 1, 2, 3, 8))):
        size = len(out)
        at = rng.randrange(size + 1)
        length = rng.choice((1, 2, 4, 8, 16, 100, 1000))
        match rng.randrange(8):
            case 0 if size:
                out[at % size] ^= 1 << rng.randrange(8)
            case 1 if size:
                out[at % size] = rng.choice((0, 0x7F, 0x80, 0xFF, rng.randrange(256)))
            case 2:
                del out[at:]
            case 3:
                del out[at : at + length]
            case 4:
                out[at:at] = rng.randbytes(length)
            case 5 if size:
                begin = rng.randrange(size)
                out[at:at] = out[begin : begin + length]
            case 6:
                out[at : at + 8] = rng.choice((2**31, 2**40, 2**63 - 1, 2**64 - 1, 0)).to_bytes(8, "little")
            case 7:
                out[at : at + length] = out[:length]
    return bytes(out)


def mutated_text(rng: random.Random, content: bytes) -> bytes:
    """The same in terms of lines, numbers, words and keys; or of bytes."""
    if rng.random() < 0.25:
        return mutated_bytes(rng, content)
    text = content.decode("utf-8", "surrogateescape")
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        lines = text.split("\n")
        k = rng.randrange(len(lines))
        match rng.randrange(9):
            case 0 | 1 | 2:
                text = _one_replaced(
                    rng, text, r"(?<![\w.])-?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?", HOSTILE_NUMBERS + HOSTILE_WORDS
                )
            case 3:
                text = _one_replaced(rng, text, r"(?<=: )[^\n#{}\[\],]+", HOSTILE_NUMBERS + HOSTILE_WORDS)
            case 4:
                text = _one_replaced(rng, text, r"\w+", HOSTILE_WORDS)
            case 5:
                lines.insert(rng.randrange(len(lines) + 1), lines[k])
                text = "\n".join(lines)
            case 6:
                del lines[k]
                text = "\n".join(lines)
            case 7:
                lines[k] = " " * rng.choice((1, 2, 4)) + lines[k]
                text = "\n".join(lines)
            case 8:
                repeat = rng.choice((3, 50, 3000))
                lines[k:k] = [lines[k]] * repeat
                text = "\n".join(lines)
    return text.encode("utf-8", "surrogateescape" if _comes_from_bytes(text) else "surrogatepass")


def _comes_from_bytes(text: str) -> bool:
    return not any("\ud800" <= c <= "\udfff" and not "\udc80" <= c <= "\udcff" for c in text)


def _one_replaced(rng: random.Random, text: str, pattern: str, by: tuple[str, ...]) -> str:
    found = list(re.finditer(pattern, text))
    if not found:
        return text
    place = rng.choice(found)
    return text[: place.start()] + rng.choice(by) + text[place.end() :]


def mutated_json(rng: random.Random, content: bytes) -> bytes:
    """A value somewhere in the document replaced, moved, repeated or left out; or its text mutated."""
    if rng.random() < 0.2:
        return mutated_text(rng, content)
    document = json.loads(content)
    for _ in range(rng.choice((1, 1, 1, 2, 4))):
        places = list(_places(document))
        holder, key = rng.choice(places)
        match rng.randrange(6):
            case 0 | 1 | 2:
                holder[key] = rng.choice(HOSTILE_VALUES)
            case 3:
                del holder[key]
            case 4:
                other, its = rng.choice(places)
                holder[key] = json.loads(json.dumps(other[its])) if _has(other, its) else None
            case 5:
                holder[key] = [holder[key]] if rng.random() < 0.5 else {"x": holder[key]}
    if rng.random() < 0.05:
        document = rng.choice(HOSTILE_VALUES)
    return json.dumps(document, ensure_ascii=rng.random() < 0.5).encode("utf-8", "surrogatepass")


def _has(holder: Any, key: Any) -> bool:
    return key in holder if isinstance(holder, dict) else key < len(holder)


def _places(item: Any) -> Iterator[tuple[Any, Any]]:
    pairs = item.items() if isinstance(item, dict) else enumerate(item) if isinstance(item, list) else ()
    for key, value in list(pairs):
        yield item, key
        yield from _places(value)


def mutated_lines(rng: random.Random, content: bytes) -> bytes:
    """An event log: one of its objects, or the text."""
    lines = content.split(b"\n")
    k = rng.randrange(len(lines))
    if rng.random() < 0.6 and lines[k]:
        lines[k] = mutated_json(rng, lines[k])
        return b"\n".join(lines)
    return mutated_text(rng, content)


def mutated_arrow(rng: random.Random, content: bytes) -> bytes:
    """A stream's bytes, its messages in another order, or another table written as a stream."""
    if (kind := rng.random()) < 0.4:
        if rng.random() < 0.5:  # most bytes are bodies; what says how large things are is in heads
            heads = [m.start() for m in re.finditer(b"\xff\xff\xff\xff", content)]
            at = rng.choice(heads)
            return content[:at] + mutated_bytes(rng, content[at : at + 4000]) + content[at + 4000 :]
        return mutated_bytes(rng, content)
    table = pa.ipc.open_stream(content).read_all()
    batches = table.to_batches()
    if kind < 0.55:
        for _ in range(rng.choice((1, 2))):
            a, b = rng.randrange(len(batches)), rng.randrange(len(batches))
            batches[a : a + rng.randrange(3)] = [batches[b]] * rng.choice((0, 1, 2))
            batches = batches or [table.to_batches()[0]]
        return _stream(rng, batches)
    names, columns = list(table.column_names), [table[name].combine_chunks() for name in table.column_names]
    for _ in range(rng.choice((1, 1, 3))):
        k = rng.randrange(len(names))
        match rng.randrange(8):
            case 0 | 1 | 2 | 3:
                columns[k] = _mutated_column(rng, columns[k])
            case 4 if len(names) > 1:
                del names[k], columns[k]
            case 5:
                names[k] = rng.choice((*names, "", "\x1b[2J", "tick", "x"))
            case 6:
                columns[k] = rng.choice(
                    (
                        pa.nulls(len(columns[k])),
                        columns[k].cast(pa.string(), safe=False)
                        if pa.types.is_primitive(columns[k].type)
                        else pa.nulls(len(columns[k])),
                    )
                )
            case 7:
                count = rng.choice((0, 1, len(columns[k]) // 2))
                columns = [column.slice(0, count) for column in columns]
    if not names:
        return b""
    return _stream(
        rng,
        pa.table(columns, names=names).to_batches(max_chunksize=500)
        or [pa.record_batch([c.slice(0, 0) for c in columns], names=names)],
    )


def _mutated_column(rng: random.Random, column: pa.Array) -> pa.Array:
    """Hostile values at a place, over a stretch or everywhere."""
    if not len(column):
        return column
    if pa.types.is_floating(column.type):
        values = column.to_numpy(zero_copy_only=False).copy()
        bad: Any = rng.choice(
            (np.nan, np.inf, -np.inf, 1e308, -1e308, 1e-308, 0.0, -1.0, 1e6, 0.5, 2.0**53, 300.0)
        )
    elif pa.types.is_integer(column.type):
        values = column.to_numpy(zero_copy_only=False).copy()
        info = np.iinfo(values.dtype)
        bad = rng.choice((info.max, info.min, 0, 1, info.max // 2, 3, 200))
    else:
        size = column.type.byte_width
        rows = [rng.randbytes(size) if rng.random() < 0.05 else value for value in column.to_pylist()]
        return pa.array(rows, column.type)
    begin = rng.randrange(len(values))
    end = rng.choice((begin + 1, begin + 100, len(values)))
    values[0 if rng.random() < 0.2 else begin : end] = bad
    return pa.array(values, column.type)


def _stream(rng: random.Random, batches: list[pa.RecordBatch]) -> bytes:
    sink = pa.BufferOutputStream()
    options = pa.ipc.IpcWriteOptions(compression=rng.choice(("lz4", "lz4", None, "zstd")))
    with pa.ipc.new_stream(sink, batches[0].schema, options=options) as writer:
        for batch in batches:
            writer.write_batch(batch)
    return sink.getvalue().to_pybytes()


# --- cases ------------------------------------------------------------------------------------------------

Mutation = Callable[[random.Random, bytes], bytes]


class Target(NamedTuple):
    """A file of a folder, how it is mutated, and the commands that read it, with FOLDER and FILE in them."""

    folder: str
    file: str
    mutation: Mutation
    commands: tuple[tuple[str, ...], ...]
    weight: int = 1


_CHECK = ("check", "FILE")
_MAKE = ("vehicle", "new", "FILE", "--out", "OUT")
_PLAN = ("campaign", "check", "FILE")
_RIG, _SCENARIO = "rigs/loopback.yaml", "runs/first_lap.yaml"
_RIDDEN = (_CHECK, ("session", "FILE", _RIG))
_REPORT, _REPLAY = ("report", "FOLDER"), ("replay", "FOLDER")
_BOTH = (_REPORT, _REPORT, _REPLAY)
_OF_SCENARIOS = (
    Target("scenarios", _SCENARIO, mutated_text, _RIDDEN, 2),
    Target("scenarios", "runs/slalom.yaml", mutated_text, _RIDDEN),
    Target("scenarios", "runs/rough_lap.yaml", mutated_text, _RIDDEN),
    Target("scenarios", "runs/sensors/gnss_jump.yaml", mutated_text, (_CHECK,)),
    Target(
        "scenarios",
        _RIG,
        mutated_text,
        (_CHECK, ("session", _SCENARIO, "FILE"), ("sensors", "FILE", "--out", "OUT")),
        3,
    ),
    Target("scenarios", "rigs/can_fd.yaml", mutated_text, (_CHECK,)),
    Target("scenarios", "vehicles/demo_racer.yaml", mutated_text, (_CHECK,), 2),
    Target("scenarios", "circuits/ostrevel.yaml", mutated_text, (_CHECK, ("session", _SCENARIO, _RIG)), 2),
    Target("scenarios", "rigs/bench.dbc", mutated_text, (("check", _RIG),), 5),
    Target("scenarios", "data_sheets/upright_twin.yaml", mutated_text, (_CHECK, _MAKE), 2),
    Target("scenarios", "campaigns/first.yaml", mutated_text, (_CHECK, _PLAN)),
    Target("scenarios", "campaigns/margins.yaml", mutated_text, (_CHECK,)),
    Target("scenarios", "campaigns/acknowledged.yaml", mutated_text, (_CHECK,)),
)


def _of_run(run: str) -> tuple[Target, ...]:
    return (
        Target(run, "manifest.json", mutated_json, _BOTH, 3),
        Target(run, "certificate.json", mutated_json, (_REPORT,), 2),
        Target(run, "verdict.json", mutated_json, (_REPORT,)),
        Target(run, "events.jsonl", mutated_lines, _BOTH),
        Target(run, "signals.arrow", mutated_arrow, _BOTH, 4),
        Target(run, "frames.arrow", mutated_arrow, _BOTH, 2),
        Target(run, "inputs.arrow", mutated_arrow, (_REPLAY,), 2),
        Target(run, "gnss.nmea", mutated_bytes, _BOTH),
    )


_JUDGED = ("replay", "FOLDER", "--out", "NEW")
TARGETS = (
    *_OF_SCENARIOS,
    *_of_run("virtual"),
    *_of_run("bench"),
    Target("bench", "outcome.json", mutated_json, (_JUDGED,)),
    Target("bench", "manifest.json", mutated_json, (_JUDGED,)),
    Target("bench", "inputs.arrow", mutated_arrow, (_JUDGED,)),
)
OUTCOME = {
    "setting": {"link": "loopback", "reference": True},
    "processes": {
        "loop": {
            "stalls": [[100.0, 130.5]],
            "count": 1,
            "longest_ms": 30.5,
            "turns": 3000,
            "promise_ms": 5.0,
        },
        "bus": {
            "stalls": [],
            "count": 0,
            "longest_ms": 0.0,
            "delay_us": {"p50": 20.0, "p99": 80.0, "max": 90.0},
        },
    },
    "waited": [[0.0, 1000.0, 0.01], [1000.0, 2000.0, 0.2]],
    "left": [{"role": "recorder", "time_s": 1.5, "exit": None, "signal": "SIGKILL"}],
    "bus_events": [
        {
            "kind": "two_senders",
            "time_s": 1.0,
            "participants": ["a", "b"],
            "frame": "steering",
            "identifier": "100",
        }
    ],
    "time_base": "scenario",
}
"""Of the bench run, whose version wrote none yet; made up."""


ACKNOWLEDGED = """\
kind: acknowledged
entries:
- {scenario: short bend, disturbance: dropout *, reason: being mended, name: A. Keeper, until: 2027-03-31}
- {case: "4f1c2ab09d3e5a67", reason: rides over the new patch, name: A. Keeper, until: 2027-02-28}
"""
"""A list that could stand beside a plan; none is shipped."""


def valid_folders(into: Path) -> None:
    """The shipped scenarios and two recorded runs of a second or two."""
    kept = (
        "first_lap.yaml",
        "slalom.yaml",
        "rough_lap.yaml",
        "short_bend.yaml",
        "short_straight.yaml",
        "straight.yaml",
        "sensors",
    )
    shutil.copytree(
        ROOT / "scenarios",
        into / "scenarios",
        ignore=lambda folder, names: {
            name for name in names if name == "schemas" or (Path(folder).name == "runs" and name not in kept)
        },
    )
    with tarfile.open(ROOT / "tests" / "reference" / "runs_2026-11-26.tar.xz") as archive:
        archive.extractall(into, filter="data")
    (into / "bench" / "outcome.json").write_text(json.dumps(OUTCOME))
    (into / "scenarios" / "campaigns" / "acknowledged.yaml").write_text(ACKNOWLEDGED)


class Outcome(NamedTuple):
    """What became of a command: status (negative: by a signal), processor time [s], memory, what it said."""

    status: int
    seconds: float
    peak_bytes: int
    said: str


@dataclass
class Result:
    """Figures of many cases; ``failures`` by what was wrong, with the case's number, target and command."""

    cases: int = 0
    statuses: Counter[int] = field(default_factory=Counter)
    most_seconds: float = 0.0
    most_bytes: int = 0
    failures: list[str] = field(default_factory=list)

    def add(self, other: Result) -> None:
        self.cases += other.cases
        self.statuses += other.statuses
        self.most_seconds = max(self.most_seconds, other.most_seconds)
        self.most_bytes = max(self.most_bytes, other.most_bytes)
        self.failures += other.failures

    @property
    def words(self) -> str:
        by_status = ", ".join(f"{n} of status {status}" for status, n in sorted(self.statuses.items()))
        return (
            f"{self.cases} cases: {by_status}; beyond the valid file at most {self.most_seconds:.1f} s and "
            f"{self.most_bytes / 2**20:.0f} MiB; {len(self.failures)} failed"
        )


class Workshop:
    """A folder of valid files, and the commands run on mutated copies of them."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        valid_folders(folder / "valid")
        _warm_up(folder / "valid")
        self._usual: dict[tuple[str, str, tuple[str, ...]], Outcome] = {}

    def run(self, first: int, count: int, step: int = 1) -> Result:
        """Cases ``first``, ``first + step``, ... ``count`` of them."""
        result = Result()
        for number in range(first, first + count * step, step):
            self._case(number, result)
        return result

    def _case(self, number: int, result: Result) -> None:
        rng = random.Random(f"stranger {number}")
        target = rng.choices(TARGETS, [t.weight for t in TARGETS])[0]
        command = rng.choice(target.commands)
        usual = self.usual(target, command)
        with self._copy(target.folder) as copy:
            file = copy / target.file
            mutant = target.mutation(rng, file.read_bytes())
            file.unlink()
            file.write_bytes(mutant)
            outcome = self._outcome(copy, file, command)
            wrong = list(_wrong(outcome, usual, copy))
            if wrong and os.environ.get("KEEP_FAILED"):
                shutil.copytree(copy, Path(os.environ["KEEP_FAILED"]) / str(number), dirs_exist_ok=True)
        result.cases += 1
        result.statuses[outcome.status] += 1
        result.most_seconds = max(result.most_seconds, outcome.seconds - usual.seconds)
        result.most_bytes = max(result.most_bytes, outcome.peak_bytes - usual.peak_bytes)
        for what in wrong:
            last = outcome.said.strip().splitlines()[-14:]
            result.failures.append(
                f"case {number} ({target.folder}/{target.file}, {' '.join(command)}): {what}\n  "
                + "\n  ".join(last)
            )

    def usual(self, target: Target, command: tuple[str, ...]) -> Outcome:
        """What the command takes for the valid file."""
        key = (target.folder, target.file if "FILE" in command else "", command)
        if key not in self._usual:
            with self._copy(target.folder) as copy:
                outcome = self._outcome(copy, copy / target.file, command)
            assert outcome.status in (0, 1), f"{target.file}, valid: {outcome}"
            self._usual[key] = outcome
        return self._usual[key]

    @contextmanager
    def _copy(self, folder: str) -> Iterator[Path]:
        with tempfile.TemporaryDirectory(dir=self.folder) as into:
            # linked, not copied: what is written anew below takes another file's place
            yield shutil.copytree(self.folder / "valid" / folder, Path(into) / folder, copy_function=os.link)

    def _outcome(self, copy: Path, file: Path, command: tuple[str, ...]) -> Outcome:
        places = {"FOLDER": copy, "FILE": file, "OUT": copy / "out.html", "NEW": copy.parent / "new"}
        words = [str(places.get(word, copy / word if "/" in word else word)) for word in command]
        return _in_a_process(words, copy.parent / "said")


def _warm_up(valid: Path) -> None:
    """Import and load what the commands need, so that the processes forked from this one have it."""
    from rich.console import Console

    from emulator.assembly.bench import Bench
    from emulator.assembly.check import check
    from emulator.assembly.session import load_session
    from emulator.cli.app import command_line
    from emulator.inspection.replay.replayed_run import replay
    from emulator.inspection.sensors.page import console_tables
    from emulator.inspection.sensors.survey import sensors_of
    from emulator.report.bus_tables import bus_load_tables
    from emulator.report.run_report import write_report
    from emulator.report.terminal import console_summary

    command_line()  # imports every command; a process that is forked asks for one of them
    rig = valid / "scenarios" / "rigs" / "loopback.yaml"
    console = Console(quiet=True)
    for checked in check([rig]):
        console.print(bus_load_tables(checked.budget) if checked.budget else "")
    Bench(load_session(rig, valid / "scenarios" / "runs" / "first_lap.yaml"))
    write_report(valid / "virtual").unlink()
    console.print(console_summary(valid / "virtual"))
    replay(valid / "virtual")
    console.print(console_tables(sensors_of(rig, seed=0, plan=None, progress=lambda _what, _share: None)))


def _in_a_process(words: list[str], said: Path) -> Outcome:
    """Fork, so that nothing is imported anew; memory beyond what a run may ever need ends in MemoryError."""
    began = time.monotonic()
    pid = os.fork()
    if pid == 0:
        try:
            with said.open("wb") as file:
                os.dup2(file.fileno(), 1)
                os.dup2(file.fileno(), 2)
            held = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
            resource.setrlimit(resource.RLIMIT_AS, (held + (2 << 30), -1))
            resource.setrlimit(resource.RLIMIT_CPU, (40, 45))
            os._exit(_status(words))
        finally:
            os._exit(99)
    while True:
        done, status, usage = os.wait4(pid, os.WNOHANG)
        if done:
            break
        if time.monotonic() - began > _WALL_SECONDS:
            os.kill(pid, signal.SIGKILL)
        time.sleep(0.01)
    return Outcome(
        os.waitstatus_to_exitcode(status),
        usage.ru_utime + usage.ru_stime,
        usage.ru_maxrss << 10,
        said.read_text(encoding="utf-8", errors="surrogateescape"),
    )


def _status(words: list[str]) -> int:
    from emulator.cli import app

    sys.stdout, sys.stderr = open(1, "w", closefd=False), open(2, "w", closefd=False)  # noqa: SIM115
    if words[0] == "session":  # what `run` does before it rides
        app.command_line = lambda *_first: lambda **_options: _session(words[1], words[2])  # type: ignore[assignment]
    sys.argv = ["emulator", *words]
    try:
        app.app()
    except SystemExit as end:
        return int(end.code or 0)
    except BaseException:
        traceback.print_exc()
        return 98
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
    return 97


def _session(scenario: str, rig: str) -> int:
    from emulator.assembly.bench import Bench
    from emulator.assembly.session import load_session

    Bench(load_session(Path(rig), Path(scenario)))
    return 0


def _wrong(outcome: Outcome, usual: Outcome, copy: Path) -> Iterator[str]:
    if outcome.status not in (0, 1, 2, 3):
        yield f"ended with {outcome.status} after {outcome.seconds:.1f} s"
    if "Traceback" in outcome.said or "internal error" in outcome.said:
        yield "a traceback"
    if steering := _CONTROL.search(outcome.said):
        yield f"said {steering[0]!r}"
    if outcome.seconds > usual.seconds + MOST_SECONDS:
        yield f"took {outcome.seconds:.1f} s, valid {usual.seconds:.1f} s"
    if outcome.peak_bytes > usual.peak_bytes + MOST_BYTES:
        yield f"took {outcome.peak_bytes >> 20} MiB, valid {usual.peak_bytes >> 20} MiB"
    junit = copy / "verdict.junit.xml"
    if junit.exists():
        try:
            ElementTree.parse(junit)
        except ElementTree.ParseError as error:
            yield f"left JUnit that is no XML: {error}"


def run_cases(folder: Path, count: int, first: int = 0, workers: int = 1) -> Result:
    """``count`` cases from ``first`` on in so many processes."""
    if workers == 1:
        return _share(folder / "0", count, first, 1)
    import multiprocessing

    with multiprocessing.get_context("fork").Pool(workers) as pool:
        shares = [
            (folder / str(w), (count - w + workers - 1) // workers, first + w, workers)
            for w in range(workers)
        ]
        total = Result()
        for result in pool.starmap(_share, shares):
            total.add(result)
    return total


def _share(folder: Path, count: int, first: int, step: int) -> Result:
    folder.mkdir()
    shop, result = Workshop(folder), Result()
    began = time.monotonic()
    for k in range(0, count, 50):
        result.add(part := shop.run(first + k * step, min(50, count - k), step))
        for failure in part.failures:
            print(failure, flush=True)
        print(f"[{time.monotonic() - began:.0f} s] {result.words}", flush=True)
    return result


if __name__ == "__main__":
    many, start, processes = (int(word) for word in [*sys.argv[1:], "0", "2"][:3])
    with tempfile.TemporaryDirectory() as place:
        print(run_cases(Path(place), many, start, processes).words)
