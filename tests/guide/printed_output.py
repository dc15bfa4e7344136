"""What the program prints in every part of it: from runs that are kept or made up, and from its commands.

What only a bench in trouble says is taken from the source of who says it (``printed_numbers.of_source``).
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, replace
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from rich.console import Console
from rich.progress import Progress

from emulator.assembly.bench import EVENT_KINDS, Bench
from emulator.assembly.robot_evidence import HOW, silences_in_words
from emulator.config.rig.bus_load import bus_load
from emulator.config.rig.file import load_rig
from emulator.config.rig.frames import read_codec
from emulator.core.trip_reasons import TripReason
from emulator.criteria.base import Criterion, CriterionResult
from emulator.criteria.ride import JudgedRide
from emulator.criteria.temporal import Always, Compare
from emulator.inspection.host import summary as host_summary
from emulator.inspection.host import tables as host_tables
from emulator.inspection.host_history import host_test
from emulator.inspection.known_names import TABLES
from emulator.inspection.rehearsal.conduct import conduct
from emulator.inspection.rehearsal.page import rehearsal_html, rehearsal_tables
from emulator.inspection.rehearsal.prompts import prompts_of
from emulator.inspection.replay.comparison import Difference, Replayed
from emulator.inspection.replay.words import difference_table
from emulator.inspection.replay.words import summary as replay_summary
from emulator.inspection.sensors.budget import budget_of
from emulator.inspection.sensors.capture import ReceivedOutput, Record, level_session
from emulator.inspection.sensors.checks import MEAN_AGE, Row
from emulator.inspection.sensors.page import SensorPage, console_tables, sensors_html
from emulator.loop.bus_watch import BusFault, BusWatch
from emulator.loop.host import HostReport
from emulator.loop.machine import HostFinding
from emulator.plant.plausibility import monitor_text
from emulator.record.lap_times import IDEAL, TARGET, ReferenceLap, lap_times
from emulator.record.localisation import position_error
from emulator.record.reader import Event, Run, read_run
from emulator.report.narrative import TOLD
from emulator.report.run_report import report_html
from emulator.report.sections import MAX_EVENTS
from emulator.report.terminal import console_summary
from emulator.stages.precompile import compiling_first
from emulator.verdict.judge import judge, verdict_from
from emulator.verdict.junit import junit_text
from emulator.verdict.timing import TimingTolerance, processes_kept, with_allowed
from tests.guide.markdown import ROOT
from tests.guide.printed_numbers import Printed, masked, of_page, of_source, of_terminal, sentences
from tests.support.command_line import emulator_command
from tests.support.criteria_checks import ALL, at, ridden
from tests.support.criteria_in_si import (
    DistanceFromLine,
    Holds,
    NoFall,
    PositionErrorCriterion,
    SlipAngle,
    SlipRatio,
    SpeedError,
    SteeringRate,
)
from tests.support.drawn_robot import DrawnExchange, Robot, by_hand, with_rehearsal
from tests.support.scripted_robot import RIG

RIGS, RUNS = Path("scenarios/rigs"), Path("scenarios/runs")
"""In the folder that commands are run in."""

# -- a run ---------------------------------------------------------------------------------------------------


def of_run(run: Run, *, report: bool = True) -> Iterator[Printed]:
    """What the end of a run, its report and its file for build servers print of it."""
    yield from of_terminal("run", console_summary(run))
    if report:
        yield from of_page("run", report_html(run))
    if run.verdict is not None:
        yield from of_junit("run", junit_text(verdict_from(run.verdict), run.manifest))


def of_junit(section: str, text: str) -> Iterator[Printed]:
    """Numbers of a JUnit file: attributes by their name, properties by theirs, messages as sentences."""
    for element in ElementTree.fromstring(text.encode()).iter():
        for name, value in element.attrib.items():
            if name in ("message", "name", "classname"):
                yield from sentences(section, value)
            elif element.tag == "property":
                if name == "value" and element.attrib["name"] == "sentence":
                    yield from sentences(section, value)
                elif name == "value" and masked(value) == "#":
                    yield Printed(section, "JUnit property", element.attrib["name"])
            elif masked(value) == "#":
                yield Printed(section, "JUnit", name)
        yield from sentences(section, element.text or "")


def made_up_run(folder: Path) -> Run:
    """A made-up ride whose robot is less than a metre off."""
    run = read_run(folder)
    near = {
        f"robot.estimate_{a}_m": 0.9 * run.signals[f"truth.{a}_m"]
        + 0.1 * run.signals[f"robot.estimate_{a}_m"]
        for a in "xy"
    }
    return replace(run, signals=run.signals | near)


def enriched(folder: Path) -> Run:
    """A made-up ride with all that a report can hold: bus budget, whole certificate, tyres' forces, laps."""
    rig, rig_source = load_rig(ROOT / RIGS / "can_fd.yaml")
    budget = bus_load(rig, read_codec(rig, rig_source))
    assert budget is not None
    run = made_up_run(folder)
    manifest = dict(run.manifest) | {"bus_budget": budget.as_dict() | {"robot_periods_assumed": True}}
    manifest["lean_envelope"] = {
        **{"speed_m_s": [1.0, 20.0], "grip_rad": [0.9, 0.88], "peg_rad": 0.95},
        **{"planned_m_s": [10.0, 12.0], "planned_roll_rad": [0.2, -0.3]},
    }
    tyre = {"friction_x": 1.2, "friction_y": 1.3}
    manifest["vehicle"] = {"values": {"tyre_front": tyre, "tyre_rear": tyre}}
    n = len(run.tick)
    signals = dict(run.signals)
    for end in ("front", "rear"):
        signals |= {
            f"truth.load_{end}_N": np.full(n, 1500.0),
            f"truth.grip_{end}": np.where((run.tick > 9_000) & (run.tick < 9_500), 0.5, 1.0),
            f"truth.longitudinal_{end}_N": np.full(n, 300.0),
            f"truth.lateral_{end}_N": np.full(n, 500.0),
            f"truth.friction_use_{end}": np.where(run.tick == 15_000, 1.0, 0.4),
            f"truth.sliding_{end}": np.where(run.tick == 15_000, 1.0, 0.0),
        }
    signals["truth.fallen"] = np.where(run.tick > 19_000, 1.0, 0.0)
    signals["output.gnss_fix"] = np.where((run.tick > 8_000) & (run.tick < 9_000), 0.0, 4.0)
    return replace(
        run, manifest=manifest, signals=signals, certificate=CERTIFICATE, events=[*run.events, *_slides(run)]
    )


_KEPT = {
    **{"rate_hz": 100.0, "latency_ms": 8.0, "drawn_ms": 0.5, "wire_us": 246.0, "sent": 2000, "lost": 3},
    **{"late": 2, "disordered": 1, "kept_ppm": 900.0, "age_ms_p50": 12.0, "age_ms_p99": 19.0},
    **{"age_ms_p999": 20.0, "age_ms_max": 91.0, "age_max_at_s": 3.0, "silence_ms_max": 99.0},
    **{"silence_end_s": 3.0, "first_lost_s": 3.0, "jitter_us_p99": 40.0, "jitter_us_max": 400.0},
    "age_histogram": {"edges_ms": [8.0, 9.0, 91.0], "counts": [1900, 100]},
    "left_out": {"frame_fault": 5, "bus_fault": 7, "never_arrived": 2},
    "disturbed": {"count": 7, "late": 3, "age_ms_p50": 9.0, "age_ms_p99": 19.0, "age_ms_max": 20.0},
}
_SHORT = _KEPT | {  # so short that one hole makes the age at p99
    **{"rate_hz": 500.0, "latency_ms": 2.0, "drawn_ms": 0.0, "sent": 300, "age_ms_p50": 9.0},
    **{"age_ms_p99": 9.1, "age_ms_max": 9.1},
    "age_histogram": {"edges_ms": [1.9, 2.1, 8.9, 9.1], "counts": [10, 0, 290]},
}
_SPREAD = {"p50": 12.0, "p99": 44.0, "p999": 88.0, "max": 214.0}
_STALLS = {"promise_ms": 5.0, "longest_ms": 812.0, "count": 3, "stalls": [[2000.0, 2300.0]]}
_PROCESSES = {
    **{role: dict(_STALLS) for role in ("loop", "supervisor", "robot")},
    "recorder": _STALLS | {"lag_ms": 900.0},
    "bus": _STALLS | {"delay_us": _SPREAD},
}
CERTIFICATE: dict[str, Any] = {
    **with_allowed(
        {"outputs": {"lean": _KEPT, "gnss": _KEPT, "imu": _SHORT}}, TimingTolerance(lost_frames=1)
    ),
    "loop": {
        **{"ticks": 20_000, "overruns": 1, "missed_ticks": 2, "lateness_us": _SPREAD, "compute_us": _SPREAD},
        "lateness_histogram": {"edges_us": [1.0, 10.0, 100.0], "counts": [19_000, 1000]},
    },
    "robot_frames": {
        "drive": {
            **{"accepted": 1200, "damaged": 28_000, "repeated": 300, "lost": 400},
            **{"silence_ms_max": 12.0, "silence_ms_allowed": 150.0, "silence_end_s": 4.0},
        }
    },
    "processes": processes_kept(_PROCESSES),
}
"""Of a run in which nothing was kept."""


def _slides(run: Run) -> list[Event]:
    """What may happen to a bike, in the bench's words, each twice, with a fall at the end."""
    said = [
        (EVENT_KINDS[code], text) for code, text in _sentences_of_the_bench() if EVENT_KINDS[code] in TOLD
    ]
    events = [
        Event(9100 + 10 * k, 9.1 + 0.01 * k, kind, text, text)
        for k, (kind, text) in enumerate(2 * [one for one in said if one[0] != "fall"])
    ]
    text = next(text for kind, text in said if kind == "fall")
    slide = next(text for kind, text in said if kind == "slide")
    return [
        *events,
        Event(14_800, 14.8, "slide", slide, slide),
        Event(15_000, 15.0, "fall", text, text),
    ]


def _sentences_of_the_bench() -> list[tuple[int, str]]:
    """(code, sentence) of every kind of event that the plant tells, as the bench words it."""
    said = []
    events = [SimpleNamespace(name="an event", declaration=SimpleNamespace(remark=lambda _: ""))]
    for code in EVENT_KINDS:
        if EVENT_KINDS[code] == "trip":
            continue  # reads the plant; its words are those of silences
        memory = {"code": [code], "index": [0], "value": [0.4]}
        said.append((code, Bench._sentence(SimpleNamespace(_memory=memory, _events=events), 0)))  # type: ignore[arg-type]
    return said


def in_trouble(run: Run) -> Iterator[Run]:
    """The same run judged as if this and that had gone wrong, all that the verdict can say of it."""
    silence = {
        **{"watch": "steering", "frame": "steering", "id": "0x080", "frames": 12, "since_tick": 8850},
        **{"until_tick": 10_500, "silent_ms": 151.0, "allowed_ms": 150.0},
    }
    outcomes: list[dict[str, Any]] = [
        {
            "ended": "tripped",
            "trip_code": int(TripReason.COMMAND),
            "trip_reason": silences_in_words({"silences": [silence | {"how": how}]}),
            "trip_tick": 99_000,
            "trip_evidence": {"silences": [silence | {"how": how}]},
            "setting": {"link": link, "reference": False},
            "processes": _PROCESSES,
            "waited": [[8000, 11_000, 0.95]],
            "strangers": {"0x7F0": 12, "": 3},
        }
        for how, link in (("missing", "loopback"), *((how, "socketcan") for how in HOW.values()))
    ]
    outcomes.append(
        {
            **{"ended": "complete", "bus_events": _BUS_EVENTS, "left": _LEFT},
            "rig_problems": [
                *(BusWatch._sentence(_counted(fault), fault) for fault in BusFault),  # type: ignore[arg-type]
            ],
        }
    )
    outcomes += [
        {"ended": "fallen", "processes": held_up, "setting": {"link": "loopback", "reference": True}}
        for held_up in (_PROCESSES, {"robot": _STALLS | {"stalls": 2 * _STALLS["stalls"]}})
    ]
    outcomes += [
        {"ended": "stopped", "stopped_by": "SIGINT", "end_tick": 9000},
        {"ended": "complete"},
    ]
    for outcome in outcomes:
        for certificate in (run.certificate, _in_time(run.certificate)):
            yield _judged(replace(run, certificate=certificate), outcome)


_REFERENCES = [
    ReferenceLap(name, start, 9.0, (3.0, 3.0, 3.0), error_s)
    for name, start, error_s in ((IDEAL, "flying", 0.2), (IDEAL, "standing", 0.2), (TARGET, "flying", 0.0))
]
_CRITERIA = [NoFall(), DistanceFromLine(0.5), SpeedError(2.5), PositionErrorCriterion(0.04)]


def _judged(run: Run, outcome: dict[str, Any]) -> Run:
    verdict = judge(run, _CRITERIA, run.certificate, outcome)
    laps = lap_times(run, (30.0, 60.0, 90.0), _REFERENCES)
    verdict = replace(verdict, laps=laps, place=position_error(run))
    return replace(run, verdict=json.loads(json.dumps(asdict(verdict))))


def damaged(made_up: Path, folder: Path) -> Iterator[Run]:
    """Records that are not whole: cut in the middle of two files, with a hole, ended before the trip."""
    complete = {"ended": "complete"}
    cut = shutil.copytree(made_up, folder / "cut")
    for name, missing in (("signals.arrow", 3000), ("events.jsonl", 5)):
        (cut / name).write_bytes((cut / name).read_bytes()[:-missing])
    yield _judged(made_up_run(cut), complete)
    run = made_up_run(made_up)
    kept = np.ones(len(run.tick), bool)
    kept[3000:3005] = False
    signals = {name: column[kept] for name, column in run.signals.items()}
    yield _judged(replace(run, tick=run.tick[kept], time_ns=run.time_ns[kept], signals=signals), complete)
    yield _judged(run, {"ended": "tripped", "trip_code": int(TripReason.BUS), "trip_tick": 10**6})


def eventful(made_up: Path) -> Run:
    """A ride with more events than a report lists, all of a kind, and more stretches than it names."""
    run = made_up_run(made_up)
    events = [Event(k, 1e-3 * k, "mark", "mark", "") for k in range(MAX_EVENTS + 7)]
    active = (np.arange(len(run.tick)) // 20 % 2).astype(float)
    return replace(run, events=events, signals=run.signals | {"bench.events_active": active})


def _in_time(certificate: dict[str, Any] | None) -> dict[str, Any]:
    """The certificate with everything kept."""
    fine = {"lost": 0, "disordered": 0, "kept_ppm": 1.0, "age_ms_p50": 8.4, "age_ms_p99": 9.2}
    fine |= {"age_ms_max": 10.0, "silence_ms_max": 11.0}
    return {**(certificate or {}), "outputs": {"lean": _KEPT | fine}}


_BUS_EVENTS = [
    {"kind": "cut_off", "time_s": 9.5, "participants": ["127.0.0.1:40104"], "frame": "", "identifier": ""}
] * 2
_LEFT = [{"role": "robot", "time_s": 10.02, "exit": 3, "signal": ""}]


def _counted(fault: BusFault) -> SimpleNamespace:
    """A watch that saw a fault five times."""
    return SimpleNamespace(records={fault: SimpleNamespace(first_tick=2000, count=5, episodes=2)})


def of_criteria() -> Iterator[Printed]:
    """Every sentence and margin of every criterion, as small rides with closed answers bring them about."""
    results: list[CriterionResult] = []
    judged = Criterion.judge

    def noted(self: Criterion, ride: JudgedRide) -> CriterionResult:
        results.append(judged(self, ride))
        return results[-1]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Criterion, "judge", noted)
        for check in ALL:
            check()
        run = ridden(
            truth__steer_rate_rad_s=at({1500: -0.5}),
            truth__slip_ratio_front=at({1000: 0.25}),
            truth__slip_angle_rear_rad=at({1000: 0.25}),
        )
        upright = Holds(Always(Compare("truth.roll_rad", "at_most", 0.8, size=True)))
        for missed in (SteeringRate(0.25), SlipRatio("front", 0.1), SlipAngle("rear", 0.1), upright):
            missed.judge(JudgedRide(run, ()))
    for result in results:
        yield from sentences("run", result.sentence)
        if "#" in masked(result.margin_text):
            yield Printed("run", "Criteria", "margin")


def of_events() -> Iterator[Printed]:
    """Every sentence of the event log that holds a number."""
    for _, text in _sentences_of_the_bench():
        yield from sentences("run", f"Events · what: {text}")
    for which in range(5):
        yield from sentences("run", f"Events · what: {monitor_text(which, 0.2)}")


# -- commands ------------------------------------------------------------------------------------------------


@contextmanager
def listening() -> Iterator[list[object]]:
    """All that any console is given to print meanwhile, also as the words of a progress bar."""
    shown: list[object] = []

    def note(_console: Console, *objects: object, **_: object) -> None:
        shown.extend(objects)

    def follow(_bar: Progress, _task: int, *, description: str = "", **_: object) -> None:
        shown.append(description)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Console, "print", note)
        patch.setattr(Progress, "update", follow)
        yield shown


def printed_by(*words: object) -> list[object]:
    """What a command prints. It has to end well."""
    with listening() as shown:
        status = emulator_command(*map(str, words))
    assert status == 0, shown
    return shown


def of_check() -> Iterator[Printed]:
    """``emulator check`` of rigs whose bus has a bit rate, and of a scenario on one."""
    shown = printed_by("check", RIGS / "megabit.yaml", RIGS / "can_fd.yaml")
    shown += printed_by("check", RUNS / "first_lap.yaml", "--rig", RIGS / "megabit.yaml")
    for item in shown:
        yield from of_terminal("check", item)


def of_what_robots_need() -> Iterator[Printed]:
    """``emulator line`` of a lap, ``list`` of everything, and what ``interface`` says on the screen."""
    compiling = compiling_first(virtual=False)
    for item in printed_by("interface", RIGS / "loopback.yaml", "--out", "interface"):
        if item != compiling:
            yield from of_terminal("line", item)
    for item in printed_by("line", RUNS / "first_lap.yaml", "--rig", RIGS / "loopback.yaml"):
        yield from of_terminal("line", item)
    for what in TABLES:
        for item in printed_by("list", what):
            yield from of_terminal("line", item)


def of_vehicle() -> Iterator[Printed]:
    """``emulator vehicle new`` of the shipped data sheet, and ``describe`` of its vehicle and of two rigs."""
    sheet = Path("scenarios/data_sheets/upright_twin.yaml")
    shown = printed_by("vehicle", "new", sheet, "--out", "twin.yaml")
    compiling = compiling_first(virtual=True)
    for words in (
        ("twin.yaml", "--rig", RIGS / "loopback.yaml"),
        (RIGS / "loopback.yaml",),
        (RIGS / "trainer.yaml",),
    ):
        shown += printed_by("vehicle", "describe", *words)
    for item in shown:
        if item != compiling:
            yield from of_terminal("vehicle", item)


def of_sensors() -> Iterator[Printed]:
    """``emulator sensors`` of two rigs on a ride that is there, and a page with made-up measurements."""
    for rig in ("megabit", "trainer"):
        path = Path(f"{rig}.html")
        for item in printed_by("sensors", RIGS / f"{rig}.yaml", "--out", path, "--ride", "run"):
            yield from of_terminal("sensors", item)
        yield from of_page("sensors", path.read_text(encoding="utf-8"))
    measured = _measured_sensors()
    yield from of_page("sensors", sensors_html(measured))
    for page in (measured, replace(measured, rows=measured.rows[:1])):
        yield from of_terminal("sensors", console_tables(page))


def _measured_sensors() -> SensorPage:
    session = level_session(RIGS / "megabit.yaml")
    budget = budget_of(session.rig, session.vehicle, session.codec)
    rng, outputs = np.random.default_rng(1), {}
    for o in budget.outputs:
        names = tuple(dict.fromkeys(c.signal for c in o.channels))
        n = int(o.rate_hz * 20)
        at = np.arange(n) * round(1e9 / o.rate_hz)
        outputs[o.name] = ReceivedOutput(names, at, at, 0.01 * rng.standard_normal((n, len(names))), 0)
    rest = Record(outputs, 20.0, np.zeros(36), (12,))
    rows = (
        Row("rest", "imu_rates", MEAN_AGE, "ms", 2.0, 2.0, 2.0, 2.1),
        Row("turn", "lean", "lean_rad, mean", "rad", 0.6, 0.7, 0.59, 0.61),
    )
    noise = {f"rate_{axis}_rad_s": rest.outputs["imu_rates"].of(f"rate_{axis}_rad_s") for axis in "xyz"}
    return SensorPage(budget, rows, rest, noise)


def of_modes() -> Iterator[Printed]:
    """``emulator modes`` of the demo bench at a few speeds, one too slow for its lean; by angle; too fast."""
    page = Path("modes.html")
    for rig, speeds, leans in (
        ("loopback.yaml", "10:100:45", ("--lean", "0", "--lean", "40")),
        ("angle_driven.yaml", "50:180:130", ("--lean", "0", "--lean", "40")),
        ("trainer.yaml", "150:180:30", ("--lean", "0")),
    ):
        for item in printed_by("modes", RIGS / rig, "--speeds", speeds, *leans, "--out", page):
            yield from of_terminal("modes", item)
        yield from of_page("modes", page.read_text(encoding="utf-8"))


def of_host() -> Iterator[Printed]:
    """``emulator host`` of made-up machines: a good one, a late one, one that stands still."""
    finding = HostFinding("cores", "2 to use: 0-1", "poor", "give it at least 2", "taskset 0-1")
    report = HostReport(cpu=1, priority=80, refused=["core 7: this process may use cores 0-1"])
    made = datetime(2030, 6, 15, 12, tzinfo=UTC)
    quick = host_summary(np.array([2.0] * 500), report)
    for late_us, awake in (([2.0], None), ([9000.0], quick), ([2.0] * 7 + [30_000.0], None)):
        late = np.array(late_us * 500)
        test = host_test(late, "a machine", made)
        for seconds, count in ((test.seconds, 1), (300, 2), (9000, 2)):
            tests = [test.model_copy(update={"seconds": seconds})] * count
            of_test = host_summary(late, report)
            yield from of_terminal("host", host_tables([finding], of_test, tests, 100.0, awake))
    yield from of_source("host", source("cli/host.py"))


def of_replay() -> Iterator[Printed]:
    """``emulator replay``: the same, different, with other files."""
    found = [
        Difference("truth.roll_rad", 12, "0.25", "0.5", 3, "rad", 0.25, 14),
        Difference("frame 'lean' to the robot", 13, "00 01", "00 02"),
    ] * 25
    for result in (
        Replayed([], 3000, 900, 30, 5, 3.0),
        Replayed(found, 3000, 900, 30, 5, 3.0),
        Replayed(found, 3000, 900, 30, 5, 3.0, other_files=True),
    ):
        yield from of_terminal("replay", replay_summary(result))
        yield from of_terminal("replay", difference_table(result))
    yield from of_source("replay", source("cli/record/replay.py"))


def of_rehearsal() -> Iterator[Printed]:
    """``emulator rehearse``: sound robots and others, asked and by hand, on a bench that stalls, too."""
    session = with_rehearsal(level_session(RIG), listen_s=0.5, answer_s=0.2, silence_s=0.2)
    exchanges = [
        DrawnExchange(session, Robot()),
        DrawnExchange(session, Robot(rates={"drive": 0.5}, dropped=0.2, factors={"front_brake_Pa": 10.0})),
        DrawnExchange(session, Robot(zero_rad=0.01, crc_start=0xFF, missing=frozenset({"drive"}))),
        DrawnExchange(session, Robot(stuck=frozenset({"steering"}), comes_back=False)),
        DrawnExchange(session, Robot(zero_rad=0.01, notices=frozenset())),
        DrawnExchange(session, Robot(), stalls=tuple((0.2 * k, 0.2 * k + 0.15) for k in range(200))),
    ]
    found = [conduct(session, exchange, None) for exchange in exchanges]
    manual = by_hand(session)
    found.append(conduct(manual, DrawnExchange(manual, Robot()), lambda _: False))
    for one in found:
        yield from of_terminal("rehearse", rehearsal_tables(one))
        yield from of_page("rehearse", rehearsal_html(one))
    for module in ("cli/for_robot/rehearse.py", "inspection/rehearsal/conduct.py"):
        yield from of_source("rehearse", source(module))
    for prompt in prompts_of(session):
        yield from of_terminal("rehearse", prompt.words)


# -- rides and their screen ----------------------------------------------------------------------------------

SAID_DURING_A_RUN = (
    *("cli/run.py", "cli/warm.py", "runs/one.py", "assembly/link_specs.py", "telemetry/counted_lines.py"),
    *(
        "telemetry/publisher.py",
        "stages/bench/watch.py",
        "stages/bench/supervisor.py",
        "stages/bench/operator.py",
    ),
)
TOLD_OF_A_RUN = (
    *("assembly/bench.py", "loop/bus_watch.py", "loop/runner.py"),
    *("record/lap_times.py", "record/localisation.py", "record/reader.py", "report/narrative.py"),
    *("stages/bench/end_of_ride.py", "verdict/attribution.py", "verdict/judge.py", "verdict/notes.py"),
)


def source(module: str) -> str:
    """Source of a module of the package."""
    return (ROOT / "emulator" / module).read_text(encoding="utf-8")


def of_what_is_said() -> Iterator[Printed]:
    """Sentences that modules make, of a run on its screen and in its verdict."""
    for section, modules in (("screen", SAID_DURING_A_RUN), ("run", TOLD_OF_A_RUN)):
        for module in modules:
            yield from of_source(section, source(module))


def of_ride() -> Iterator[Printed]:
    """A short ride in the virtual stage as the command line rides it, on a bus with a bit rate."""
    words = ("run", RUNS / "short_bend.yaml", "--rig", RIGS / "megabit.yaml", "--virtual", "--out", "run")
    compiling = compiling_first(virtual=True)  # with the processor's name
    for item in printed_by(*words):
        if item == compiling:
            continue
        yield from of_terminal("screen" if isinstance(item, str) else "run", item)
    yield from of_run(read_run("run"))


def everything(folder: Path, made_up: Path, stored: Path) -> set[Printed]:
    """All numbers; ``made_up``: a made-up ride, ``stored``: the folder of the stored ones."""
    shutil.copytree(ROOT / "scenarios", folder / "scenarios")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)  # so that no number of a path is printed
        found = (
            set(of_ride())
            | set(of_check())
            | set(of_what_robots_need())
            | set(of_sensors())
            | set(of_vehicle())
            | set(of_modes())
        )
    for run in (*map(read_run, sorted(stored.iterdir())), read_run(made_up)):
        found |= set(of_run(run))
    for k, run in enumerate(in_trouble(enriched(made_up))):
        found |= set(of_run(run, report=k == 0))  # what they differ in stands at the end of a run, too
    for run in (*damaged(made_up, folder), eventful(made_up)):
        found |= set(of_run(run))
    for part in (of_criteria(), of_events(), of_what_is_said(), of_host(), of_replay(), of_rehearsal()):
        found |= set(part)
    return found
