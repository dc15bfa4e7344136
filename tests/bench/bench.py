"""What this machine does with the bench: one table of times beside what they are meant to be.

    python -m tests.bench.bench [--quick] [--where]

Speed of the compiled pieces and of the virtual stage, wake-up lateness beside cyclictest, a real ride on the
loopback bus with every output on, and the way from a robot's frame to the sensor frame that shows it. The
loop runs as on a bench: own core, real-time priority, locked memory, as far as the host gives them; what it
refuses is said below the table. About three minutes; ``--quick`` about half of that, with rougher
tails; ``--where`` only where the time of a tick and of a command goes. What could not be measured has a line
that says so instead of a figure, and why below the table.

Exit status: 0 whatever the numbers are (this measures, the tests judge); 3 if a line could not be measured.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import platform
import shutil
import socket
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tests.bench import children
from tests.bench.children import NotMeasured

if TYPE_CHECKING:
    from emulator.record.reader import Run

ROOT = Path(__file__).parents[2]
RIG = ROOT / "scenarios" / "rigs" / "loopback.yaml"
RUN = ROOT / "scenarios" / "runs" / "first_lap.yaml"
SHORT = ROOT / "scenarios" / "runs" / "short_bend.yaml"
ALL_OUTPUTS = (
    "  # also in the DBC",
    "  levers: {rate_hz: 100.0, latency_ms: 4.0}\n"
    "  suspension: {rate_hz: 200.0, latency_ms: 3.0}\n"
    "  drive_torque: {rate_hz: 100.0, latency_ms: 4.0}\n"
    "  wheel_pulses_front: {rate_hz: 200.0, latency_ms: 3.0}\n"
    "  wheel_pulses_rear: {rate_hz: 200.0, latency_ms: 3.0}\n"
    "  # also in the DBC",
)
"""The change of the demo rig that switches on what it leaves out."""
MEASURED, LINE_MISSING = 0, 3
"""Exit statuses; 1 and 2 are taken by a crash and by a wrong option."""
RIDDEN = {"pass": 0, "fail": 1, "invalid": 2}
"""Exit status of a ride that came to its end, by its verdict; any other ride gives no figure."""


DECADES_US = (0.0, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1e3, 2e3, 5e3, 1e4, 2e4, 5e4, 1e5)
"""Lower edges of the printed histograms."""


@dataclass(frozen=True)
class Plan:
    """How long each part takes."""

    blocks: int = 200  # of 100 calls of each compiled piece
    laps: int = 3
    rounds: int = 3  # of lateness, each contender once
    turn_s: float = 8.0
    ride_s: float = 20.0
    probe_s: float = 20.0
    round_trips: int = 4000
    turns: int = 100  # of the stretch of ride whose parts are timed


QUICK = Plan(blocks=50, laps=1, rounds=1, turn_s=4.0, ride_s=6.0, probe_s=5.0, round_trips=1000, turns=30)


@dataclass(frozen=True)
class Row:
    """One line of the table; ``met`` is None where nothing is aimed at or nothing could be measured."""

    quantity: str
    value: str
    unit: str
    aim: str = ""
    met: bool | None = None


@dataclass
class Cores:
    """Where things run: as ``emulator.assembly.session`` divides the machine."""

    loop: int
    others: list[int]


@dataclass
class Table:
    """Rows, what has to be said below them, histograms of lateness: edges [us], counts by contender."""

    rows: list[Row] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    histograms: dict[str, tuple[list[float], list[int]]] = field(default_factory=dict)
    missing: list[str] = field(default_factory=list)

    def add(self, quantity: str, value: str, unit: str, aim: str = "", met: bool | None = None) -> None:
        self.rows.append(Row(quantity, value, unit, aim, met))

    def leave_out(self, quantity: str, why: object) -> None:
        """A line without a figure."""
        self.add(quantity, "not measured", "")
        self.missing.append(quantity.strip())
        self.notes.append(f"{quantity.strip()}: {why}")


def spread(values: Sequence[float], fractions: Sequence[float] = (0.5, 0.99, 0.999, 1.0)) -> str:
    """Nearest-rank percentiles, as they stand in the table."""
    from tests.bench.lateness import exact

    return " / ".join(f"{exact(values, f):.0f}" for f in fractions)  # type: ignore[arg-type]


# --- parts that run in a process of their own -----------------------------------------------------


def command(part: str, *arguments: str, cores: Sequence[int]) -> list[str]:
    """The command that runs ``part`` of this file on ``cores``; ``arguments`` may be options."""
    on = ",".join(str(core) for core in cores)
    return [sys.executable, "-m", "tests.bench.bench", "--cores", on, "--part", part, *arguments]


def in_child(part: str, *arguments: str, cores: Sequence[int]) -> Any:
    """What ``part`` printed as its last line."""
    printed = children.run(part, command(part, *arguments, cores=cores))
    return result_of(part, printed)


def result_of(part: str, printed: str) -> Any:
    """The last line of what a part printed, which is its result. Raises NotMeasured if it is none."""
    try:
        return json.loads(printed.splitlines()[-1])
    except (IndexError, ValueError):
        raise NotMeasured(f"{part} left no result: {children.last_words(printed)}") from None


def part_pieces(seconds: str, blocks: str) -> Any:
    """Cost of the compiled pieces, and of the yardstick's step between them."""
    from emulator.assembly.session import load_session
    from tests.bench import pieces, yardstick

    return pieces.measure(
        load_session(RIG, RUN),
        dbc=RIG.parent / "bench.dbc",
        seconds=float(seconds),
        blocks=int(blocks),
        beside=yardstick.beside,
    )


def part_virtual(laps: str) -> Any:
    """Laps of the virtual stage: ride time, wall, processor time. The first one loads the code, uncounted."""
    from emulator.assembly.session import load_session
    from emulator.record.writer import LONG_BLOCK_TICKS, RunWriter
    from emulator.stages.virtual import VirtualRide

    session = load_session(RIG, RUN)
    times = []
    for _ in range(int(laps) + 1):
        lap = VirtualRide(session)
        reached: list[float] = []
        with tempfile.TemporaryDirectory() as folder:
            wall, cpu = time.perf_counter(), time.process_time()
            manifest = session.manifest(stage="virtual")
            with RunWriter(
                Path(folder) / "lap", manifest, block_ticks=LONG_BLOCK_TICKS, packed=True
            ) as writer:
                outcome, _ = lap.run(writer, lambda s, *_, to=reached: to.append(s))
            times.append((reached[-1], time.perf_counter() - wall, time.process_time() - cpu))
        assert outcome["ended"] == "complete", outcome
    return times[1:]


def part_stages(rig: str, turns: str) -> Any:
    """Cost of a recorded tick by its parts, of a ride within and around its ticks, and of one with its record
    beside the yardstick [us a tick].
    """
    from emulator.assembly.session import load_session
    from tests.bench import where

    session = load_session(Path(rig), RUN)
    where.whole_ride(session)  # which loads the code
    found = where.by_stage(session, seconds=12.0, ticks=500, turns=int(turns))
    with tempfile.TemporaryDirectory() as folder:
        beside = where.over_yardstick(load_session(Path(rig), SHORT), Path(folder), 8)
    return {**found._asdict(), **where.whole_ride(session), **beside}


def part_run(scenario: str, rig: str, folder: str, *options: str) -> None:
    """A ride as a user starts it; this process becomes the command."""
    words = ["-m", "emulator", "run", scenario, "--rig", rig, "--out", folder, *options]
    os.execv(sys.executable, [sys.executable, *words])


def part_ride(rig: str, scenario: str, folder: str) -> Any:
    """A ride in real time by the command line's own machinery."""
    from emulator.assembly.session import load_session
    from emulator.stages.bench.supervisor import run_bench

    paths = (Path(rig), Path(scenario))
    return run_bench(load_session(*paths), paths, Path(folder)).outcome


def part_bus() -> Any:
    """A bus server until standard input closes; tells its port first."""
    from tests.bench.bus_server import serve

    serve()
    return None


def part_echo(port: str) -> Any:
    """A participant that sends everything back."""
    from tests.bench import probe

    probe.echo(int(port))
    return None


PARTS: dict[str, Callable[..., Any]] = {
    "pieces": part_pieces,
    "virtual": part_virtual,
    "stages": part_stages,
    "run": part_run,
    "ride": part_ride,
    "bus": part_bus,
    "echo": part_echo,
}


# --- the table's sections -------------------------------------------------------------------------


def compiled_pieces(table: Table, plan: Plan, cores: Cores) -> None:
    """What a tick computes, and what calling it costs."""
    costs = in_child("pieces", "10", str(plan.blocks), cores=[cores.loop])
    for name, quantity in (
        ("derivative", "vehicle: one derivative"),
        ("vehicle", "vehicle: one step (four derivatives)"),
        ("tick", "whole tick while riding, compiled"),
        ("tick from Python", "whole tick as the loop calls it"),
        ("rider", "reference robot: one step (every 2 ms)"),
        ("mj_step", "yardstick: mj_step of the bare tree"),
    ):
        best, median = costs[name]
        table.add(quantity, f"{best:.2f} / {median:.2f}", "us  best / median")
    best, median = costs["sensors"]
    table.add(
        "sensors: tick standing by, every frame every tick",
        f"{best:.2f} / {median:.2f}",
        "us  best / median",
        "<= 25",
        best <= 25.0,
    )
    asked = int(costs["allocations"][0])
    table.add("  memory it asks for in 2000 ticks", f"{asked}", "pieces", "0", asked == 0)
    for name, quantity, aim in (
        ("derivative", "vehicle derivative over mj_step", 1.0),
        ("tick", "whole tick over mj_step", 3.0),
        ("sensors", "standing tick, every frame, over mj_step", 2.3),
    ):
        best, median = (own / other for own, other in zip(costs[name], costs["mj_step"], strict=True))
        table.add(quantity, f"{best:.2f} / {median:.2f}", "best / median", f"<= {aim:.1f}", best <= aim)


def virtual_stage(table: Table, plan: Plan, cores: Cores) -> None:
    """The whole closed loop with record, on one core."""
    laps = in_child("virtual", str(plan.laps), cores=[cores.loop])
    factors = [ride / wall for ride, wall, _ in laps]
    ride, _, cpu = max(laps, key=lambda lap: lap[0] / lap[2])
    best = max(factors)
    table.add(
        f"virtual stage, {ride:.0f} s of ride, one core",
        f"{best:.1f} / {statistics.median(factors):.1f}",
        "x real time  best / median",
        ">= 40",
        statistics.median(factors) >= 40.0,
    )
    table.add("  the same by processor time", f"{ride / cpu:.1f}", "x real time")
    table.add("  a tick of it, recorded", f"{cpu / ride * 1e3:.1f}", "us")


def tick_by_stage(table: Table, plan: Plan, cores: Cores, folder: Path) -> None:
    """Where a recorded tick's time goes on a bike that rides with every output on."""
    rig = folder / "stages-rig.yaml"
    rig.write_text(everything_on())
    found = in_child("stages", str(rig), str(plan.turns), cores=[cores.loop])
    stages = found["stages"]
    whole = sum(stages.values())
    table.add("a recorded tick with every output, best", f"{whole:.2f}", "us")
    for name, cost in stages.items():
        table.add(f"  {name}", f"{cost:.2f}", f"us  {cost / whole:.0%}")
    for name, quantity in (
        ("plant", "the plant's own ticks, each at its best"),
        ("recorded", "recorded ticks, each at its best"),
        ("as_came", "as they came"),
    ):
        table.add(f"  {quantity}", " / ".join(f"{cost:.2f}" for cost in found[name]), "us  p50 / p99")
    table.add("  a ride of it: within compiled ticks", f"{found['compiled']:.2f}", "us a tick")
    table.add("  around them", f"{found['around']:.2f}", "us a tick")
    table.add(
        "  with its record, all threads, best of a short ride", f"{found['recorded_tick']:.2f}", "us a tick"
    )
    ratio = found["ratio"]
    table.add("  that over mj_step", f"{ratio:.2f}", "best / best", "<= 4.5", ratio <= 4.5)


def command_by_part(table: Table, cores: Cores, folder: Path) -> None:
    """Where the processor time of a short ride's command goes, and of a check."""
    run = folder / "parts-run.yaml"
    run.write_text(short_scenario(15.0))
    rig = ("--rig", str(RIG), "--virtual")
    for name, words in (
        ("run of 15 s", ("run", str(run), *rig, "--out", str(folder / "parts"))),
        ("check on a rig", ("check", str(run), *rig)),
    ):
        asked = [sys.executable, "-m", "tests.bench.command_parts", *words]
        parts = result_of(name, children.run(name, asked, RIDDEN.values()))
        table.add(f"{name}, from command to verdict", f"{sum(parts.values()):.2f}", "s of processor time")
        for part, spent in parts.items():
            table.add(f"  {part}", f"{spent:.3f}", "s")


def command_to_report(table: Table, cores: Cores, folder: Path) -> None:
    """The same as its user has it: from the command until verdict and report are there."""
    words = (str(RUN), str(RIG), str(folder / "lap"), "--virtual")
    begun = time.perf_counter()
    said = children.run("the virtual ride", command("run", *words, cores=[cores.loop]))
    wall = time.perf_counter() - begun
    ride = ridden("the virtual ride", folder / "lap", "complete", RIDDEN["pass"], said).time_s[-1]
    table.add("  from command to verdict and report", f"{ride / wall:.1f}", f"x real time  ({wall:.1f} s)")


def ridden(name: str, folder: Path, end: str, status: int, said: str) -> Run:
    """The record of a ride that left all it should and ended with ``end``; raises NotMeasured of any other.

    status, said  with what the command ended, and what it wrote
    """
    from emulator.core.errors import EmulatorError
    from emulator.record.reader import read_run

    for left in ("verdict.json", "certificate.json", "report.html"):
        if not (folder / left).exists():
            raise NotMeasured(f"{name} left no {left}: {children.last_words(said)}")
    try:
        run = read_run(folder)
    except EmulatorError as error:
        raise NotMeasured(f"{name} left no record that can be read: {error}") from None
    ended = [event.text for event in run.events if event.kind == "end"]
    if ended != [end] or run.truncated:
        raise NotMeasured(f"{name} was to end with {end}; it ended with {ended}, missing: {run.losses}")
    result = (run.verdict or {}).get("result")
    if RIDDEN.get(str(result)) != status:
        raise NotMeasured(f"{name} ended with status {status}, but its verdict is {result}")
    return run


def turns(plan: Plan, cores: Cores) -> argparse.Namespace:
    """How lateness is measured: as the demo rig's loop runs."""
    from emulator.config.rig.file import load_rig
    from tests.bench import lateness

    loop = load_rig(RIG)[0].loop
    return lateness.arguments().parse_args(
        [f"--core={cores.loop}", f"--priority={loop.priority}", f"--seconds={plan.turn_s}",
         f"--rounds={plan.rounds}", f"--spin-us={loop.spin_us:g}", "--work-us=60"]
    )  # fmt: skip


def wake_ups(table: Table, plan: Plan, cores: Cores, say: Any) -> None:
    """Lateness of the cycle beside cyclictest's."""
    import numpy as np

    from tests.bench import lateness

    options = turns(plan, cores)
    samples, notes, missing = lateness.measure(options, say)
    table.notes += notes
    unit = "us  p50 / p99 / p99.9 / max"
    together = {name: np.concatenate(late) for name, late in samples.items() if name not in missing}
    for contender, late in together.items():
        counts, edges = np.histogram(late, np.concatenate([DECADES_US, [np.inf]]))
        table.histograms[contender] = (edges.tolist(), counts.tolist())
    yardstick = together.get(lateness.CYCLICTEST)
    for name in samples:
        place = f"core {options.core}, FIFO {options.priority}"
        quantity = f"lateness, {name}, {place if name == lateness.CYCLICTEST else 'same core and rounds'}"
        if name in missing:
            table.leave_out(quantity, missing[name])
        elif name == lateness.CYCLICTEST:
            table.add(quantity, spread(together[name]), unit)
        else:
            met = None
            if yardstick is not None:
                met = lateness.exact(together[name], 0.99) <= lateness.exact(yardstick, 0.99)
            table.add(quantity, spread(together[name]), unit, "p99 <= cyclictest's", met)


def bench_ride(table: Table, plan: Plan, cores: Cores, folder: Path) -> None:
    """The reference robot rides on the loopback bus, every output on; cyclictest before and after."""
    import numpy as np

    from tests.bench import lateness

    cyclictest, around, options = shutil.which("cyclictest"), [], turns(plan, cores)
    without = "" if cyclictest else lateness.NOT_INSTALLED

    def turn_of_cyclictest() -> None:
        nonlocal without
        if cyclictest and not without:
            try:
                around.append(lateness.cyclictest_turn(cyclictest, options, table.notes))
            except NotMeasured as error:
                without = str(error)

    turn_of_cyclictest()
    rig, run = folder / "ride-rig.yaml", folder / "ride-run.yaml"
    rig.write_text(variant(RIG, ALL_OUTPUTS))
    run.write_text(short_scenario(plan.ride_s))
    words = (str(run), str(rig), str(folder / "ride"))
    asked = command("run", *words, cores=[*cores.others, cores.loop])
    status, said = children.on_a_terminal("the bench ride", asked, RIDDEN.values())
    record = ridden("the bench ride", folder / "ride", "time_limit", status, said)
    turn_of_cyclictest()
    certificate = record.certificate
    assert certificate is not None
    loop = certificate["loop"]
    unit = "us  p50 / p99 / p99.9 / max"
    compute, late = (
        " / ".join(f"{loop[key][p]:.0f}" for p in ("p50", "p99", "p999", "max"))
        for key in ("compute_us", "lateness_us")
    )
    length = f"{loop['ticks'] / 1e3:.0f} s on the loopback bus, {len(certificate['outputs'])} outputs"
    spent, woke = loop["compute_us"], loop["lateness_us"]
    met = spent["p50"] <= 120.0 and spent["p99"] <= 250.0
    table.add(f"tick compute time, {length}", compute, unit, "p50 <= 120, p99 <= 250", met)
    aim, met = "p50 <= 2", woke["p50"] <= 2.0
    quantity = "  lateness, cyclictest, just before and after it"
    if without:
        table.leave_out(quantity, without)
    else:
        yardstick = np.concatenate(around)
        aim, met = f"{aim}, p99 <= cyclictest's", met and woke["p99"] <= lateness.exact(yardstick, 0.99)
        table.add(quantity, spread(yardstick), unit)
    table.add("  lateness in that ride", late, unit, aim, met)
    table.add("  overruns / missed ticks", f"{loop['overruns']} / {loop['missed_ticks']}", "ticks")
    table.histograms["our loop; robot, recorder, console beside"] = (
        loop["lateness_histogram"]["edges_us"],
        loop["lateness_histogram"]["counts"],
    )
    totals = {k: sum(o[k] for o in certificate["outputs"].values()) for k in ("sent", "late", "lost")}
    table.add("  samples sent / late / lost", " / ".join(str(v) for v in totals.values()), "")
    table.notes += [f"bench ride: refused {text}" for text in loop["host"]["refused"]]


def response(table: Table, plan: Plan, cores: Cores, folder: Path) -> None:
    """From a robot's frame to the sensor frame that shows it, by a client outside."""
    from emulator.assembly.session import load_session
    from tests.bench import probe

    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    rig, run = folder / "probe-rig.yaml", folder / "probe-run.yaml"
    # What the robot asks acts at once and the engine frame goes out every tick: the rest is the bench's own.
    rig.write_text(
        variant(
            RIG,
            ("port: 0", f"port: {port}"),
            ("kind: reference", "kind: external"),
            ("throttle: {time_constant_ms: 40.0}", "throttle: {time_constant_ms: 0.0}"),
            ("engine: {rate_hz: 100.0,", "engine: {rate_hz: 1000.0,"),
        )
    )
    run.write_text(
        short_scenario(plan.probe_s + 1.0, ("tow_acceleration_m_s2: 2.0", "tow_acceleration_m_s2: 0.0"))
    )
    asked = command("ride", str(rig), str(run), str(folder / "probe"), cores=[*cores.others, cores.loop])
    session = load_session(rig, run)
    with children.Child("the ride", asked) as ride:
        robot = probe.Robot(session, port, alive=ride.alive)
        os.sched_setaffinity(0, cores.others)
        times = robot.response_us(plan.probe_s)
        outcome = result_of("the ride", ride.end(60.0))
    if outcome["ended"] != "time_limit":
        raise NotMeasured(f"the ride was to end with time_limit, but ended so: {outcome}")
    if not len(times):
        raise NotMeasured("no throttle step was answered")
    table.add(
        f"robot frame out to engine frame in, less its latency ({len(times)} steps)",
        spread(times, (0.5, 0.99, 1.0)),
        "us  p50 / p99 / max",
    )
    table.notes.append(
        "response: steps come at any phase of the tick, so up to 1000 us of it is waiting for the next tick"
        + (f"; {robot.lost} steps unanswered within 0.5 s" if robot.lost else "")
    )


def round_trip(table: Table, plan: Plan, cores: Cores) -> None:
    """The bus server alone, between two participants."""
    from tests.bench import probe

    with children.Child("the bus", command("bus", cores=cores.others)) as bus:
        port = bus.line()
        asked = command("echo", port, cores=[cores.loop])
        with children.Child("the echo", asked) as echo:
            times = probe.round_trips_us(int(port), plan.round_trips, alive=echo.alive)
            bus.end(10.0)  # which ends the echo, too
            echo.end(10.0)
    table.add(
        "frame round trip over the bus server, two hops each way",
        spread(times),
        "us  p50 / p99 / p99.9 / max",
    )


# --- files and output -----------------------------------------------------------------------------


def variant(path: Path, *changes: tuple[str, str]) -> str:
    """A demo file with its paths made absolute and ``changes`` made; each must fit in exactly one place."""
    text = path.read_text()
    for key in ("vehicle", "dbc", "circuit"):
        for line in [line for line in text.splitlines() if line.startswith(f"{key}: ")]:
            text = text.replace(line, f"{key}: {(path.parent / line.split()[1]).resolve()}")
    for old, new in changes:
        assert text.count(old) == 1, f"{path} holds {old!r} {text.count(old)} times, expected once"
        text = text.replace(old, new)
    return text


def everything_on() -> str:
    """The demo rig with every output, on a bus of 1 Mbit/s."""
    port = "port: 0 # any free one\n"
    return variant(RIG, ALL_OUTPUTS, (port, f"{port}  bitrate: 1000000\n"))


def short_scenario(seconds: float, *changes: tuple[str, str]) -> str:
    """The demo scenario cut to ``seconds``; it need not hold anything."""
    text = variant(RUN, ("duration_limit_s: 180.0", f"duration_limit_s: {seconds}"), *changes)
    return text.partition("\ncriteria:")[0] + "\ncriteria:\n  - kind: no_fall\n"


def histogram_rows(histograms: dict[str, tuple[list[float], list[int]]]) -> list[list[str]]:
    """One row a step of DECADES_US: its lower edge, and by contender the count with a bar for its logarithm.

    A bin of a finer histogram counts where its lower edge lies.
    """
    rows = []
    for i, low in enumerate(DECADES_US):
        high = DECADES_US[i + 1] if i + 1 < len(DECADES_US) else math.inf
        row = [f"{low:g}"]
        for edges, counts in histograms.values():
            n = sum(c for edge, c in zip(edges, counts, strict=False) if low <= edge < high)
            row.append(f"{n:>7d} {'#' * math.ceil(4.0 * math.log10(n + 1))}" if n else "")
        rows.append(row)
    while rows and not any(rows[-1][1:]):
        rows.pop()
    return rows


def show(table: Table, cores: Cores, console: Any) -> None:
    """The table, the histograms, then the notes."""
    from rich.table import Table as Printed

    printed = Printed(title=f"{cpu_name()}, {os.cpu_count()} CPUs, Linux {platform.release()}")
    for column in ("quantity", "value", "unit", "aim", ""):
        printed.add_column(column, justify="right" if column == "value" else "left", overflow="fold")
    for row in table.rows:
        verdict = "" if row.met is None else "met" if row.met else "NOT MET"
        printed.add_row(row.quantity, row.value, row.unit, row.aim, verdict)
    console.print(printed)
    if table.histograms:
        printed = Printed(title="wake-ups by lateness, bars to a logarithmic scale")
        printed.add_column("from / us", justify="right")
        for name in table.histograms:
            printed.add_column(name)
        for line in histogram_rows(table.histograms):
            printed.add_row(*line)
        console.print(printed)
    for note in dict.fromkeys(table.notes):
        console.print(note, markup=False)


def cpu_name() -> str:
    """The processor as the kernel calls it."""
    for line in Path("/proc/cpuinfo").read_text().splitlines():
        if line.startswith("model name"):
            return line.partition(":")[2].strip()
    return platform.machine()


def main() -> int:
    """Measure everything, print one table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="shorter, rougher tails")
    parser.add_argument("--where", action="store_true", help="only where the time of tick and command goes")
    parser.add_argument("--cores", default="", help=argparse.SUPPRESS)
    # the rest belongs to the part, options too
    parser.add_argument("--part", nargs=argparse.REMAINDER, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.cores:
        os.sched_setaffinity(0, [int(core) for core in options.cores.split(",")])
    if options.part:
        print(json.dumps(PARTS[options.part[0]](*options.part[1:])))
        return 0

    from rich.console import Console

    from emulator.assembly.session import load_session
    from emulator.stages.precompile import warm

    plan = QUICK if options.quick else Plan()
    console = Console(highlight=False, width=None if sys.stdout.isatty() else 150)
    begun = time.monotonic()
    console.print("compiling what is not in the cache yet")
    for step, seconds in warm():
        console.print(f"compiled or loaded: {step}, {seconds:.1f} s")
    session = load_session(RIG, RUN)
    everything = sorted(os.sched_getaffinity(0))
    cores = Cores(
        session.loop_cpu if session.loop_cpu is not None else everything[-1], sorted(session.other_cpus)
    )
    table = Table()
    with tempfile.TemporaryDirectory() as folder:
        parts = where_it_goes(table, plan, cores, Path(folder))
        measure(
            parts if options.where else [*sections(table, plan, cores, Path(folder), console), *parts],
            table,
            console,
        )
    show(table, cores, console)
    console.print(f"took {time.monotonic() - begun:.0f} s")
    return LINE_MISSING if table.missing else MEASURED


Section = tuple[str, Callable[[], None]]
"""What is measured, and what adds its lines to the table."""


def sections(table: Table, plan: Plan, cores: Cores, folder: Path, console: Any) -> list[Section]:
    """Everything, in the order of the table."""
    return [
        ("compiled pieces", lambda: compiled_pieces(table, plan, cores)),
        ("virtual stage", lambda: virtual_stage(table, plan, cores)),
        ("virtual stage from command to report", lambda: command_to_report(table, cores, folder)),
        ("lateness", lambda: wake_ups(table, plan, cores, console)),
        ("bench ride", lambda: bench_ride(table, plan, cores, folder)),
        ("response", lambda: response(table, plan, cores, folder)),
        ("bus round trip", lambda: round_trip(table, plan, cores)),
    ]


def where_it_goes(table: Table, plan: Plan, cores: Cores, folder: Path) -> list[Section]:
    """The profile: of a tick by stage, of commands by part."""
    return [
        ("tick by stage", lambda: tick_by_stage(table, plan, cores, folder)),
        ("command by part", lambda: command_by_part(table, cores, folder)),
    ]


def measure(these: Sequence[Section], table: Table, console: Any) -> None:
    """One after another; one that fails must not cost the others' figures."""
    for section, run in these:
        console.print(f"measuring: {section}")
        try:
            run()
        except NotMeasured as error:
            table.leave_out(section, error)
        except Exception as error:
            table.leave_out(section, f"{type(error).__name__}: {error}")


if __name__ == "__main__":
    sys.exit(main())
