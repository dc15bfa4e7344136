"""The report: one file, complete, honest about what is missing, and safe with any name in the record."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from rich.console import Console

from emulator.core.errors import RecordError
from emulator.criteria.base import CriterionResult
from emulator.record.reader import read_run
from emulator.record.writer import RunWriter, write_json
from emulator.report.run_report import write_report
from emulator.report.sections import MAX_EVENTS
from emulator.report.terminal import console_summary
from emulator.verdict.judge import Verdict, write_verdict
from tests.support.html_page import Page


def page_of(folder: Path) -> Page:
    return Page(write_report(folder).read_text(encoding="utf-8"))


def test_one_file_that_needs_no_other(ride_folder: Callable[..., Path]) -> None:
    folder = ride_folder()
    before = {p.name for p in folder.iterdir()}
    page = page_of(folder)
    assert {p.name for p in folder.iterdir()} - before == {"report.html"}
    beside = {"signals.arrow", "frames.arrow", "events.jsonl", "verdict.json"}
    assert set(page.addresses) == {"#over-time", *beside}  # the record beside, for who has it
    assert beside <= before
    assert "link" not in page.tags
    assert set(json.loads(page.scripts[0])["figures"]) <= set(page.ids)
    assert "@import" not in page.text
    assert "url(" not in page.text


def test_verdict_comes_first_in_words_then_the_caution(ride_folder: Callable[..., Path]) -> None:
    text = page_of(ride_folder(limit_m=0.5)).text
    order = [
        text.index(t)
        for t in ("FAIL", "distance from line: was up to", "not a safety function", "Criteria", "not met")
    ]
    assert order == sorted(order)
    for part in (
        "Seen from above",
        "Over time",
        "Timing certificate",
        "wheel_speed",
        "GNSS jump",
        "9c1e9c1e",
    ):
        assert part in text


@pytest.mark.parametrize(
    ("result", "word"), [("pass", "PASS"), ("fail", "FAIL"), ("invalid", "INVALID"), ("error", "ERROR")]
)
def test_every_result_has_its_word(ride_folder: Callable[..., Path], result: str, word: str) -> None:
    folder = ride_folder(4.0)
    write_verdict(folder, Verdict(result, ["because <so>"], []))  # type: ignore[arg-type]
    text = page_of(folder).text
    assert f" {word} " in text
    assert "because <so>" in text


def test_hostile_names_stay_text(tmp_path: Path) -> None:
    bad = "</script><script>alert(1)</script><img src=x onerror=alert(2)>"
    with RunWriter(tmp_path / "run", {"scenario": {"name": bad}, bad: bad}) as writer:
        writer.append_event(0, "fault_on", bad, bad)
    page = page_of(tmp_path / "run")
    assert "img" not in page.tags
    assert page.tags.count("script") == 4
    assert bad in page.text


def test_report_of_almost_nothing(tmp_path: Path) -> None:
    RunWriter(tmp_path / "run", {}).close()
    text = page_of(tmp_path / "run").text
    for part in (
        "NO VERDICT",
        "None were judged",
        "There is no timing certificate",
        "No events of the scenario were active",
    ):
        assert part in text


def test_report_of_a_run_cut_short_says_so(ride_folder: Callable[..., Path]) -> None:
    folder = ride_folder(6.0)
    path = folder / "signals.arrow"
    path.write_bytes(path.read_bytes()[:-3000])
    assert "Record cut short: signals.arrow was not closed" in page_of(folder).text


def test_many_events_are_cut_openly(tmp_path: Path) -> None:
    with RunWriter(tmp_path / "run", {}) as writer:
        for k in range(MAX_EVENTS + 7):
            writer.append_event(k, "mark", f"m{k}", "")
    assert "7 more are in events.jsonl" in page_of(tmp_path / "run").text


def test_no_record_is_refused_and_nothing_written(tmp_path: Path) -> None:
    with pytest.raises(RecordError):
        write_report(tmp_path)
    assert list(tmp_path.iterdir()) == []


def said(item: object) -> str:
    console = Console(width=140, record=True, file=open("/dev/null", "w", encoding="utf-8"))  # noqa: SIM115
    try:
        console.print(item)
        return console.export_text()
    finally:
        console.file.close()


def test_console_summary(ride_folder: Callable[..., Path]) -> None:
    folder = ride_folder(limit_m=0.5)
    text = said(console_summary(folder))
    for part in ("✗ FAIL", "distance from line", "✗ not met", "✓ met", "steering_angle", "km/h"):
        assert part in text
    assert said(console_summary(read_run(folder))) == text


def test_console_summary_takes_names_literally_and_gaps_openly(tmp_path: Path) -> None:
    odd = CriterionResult("[b]odd[/b]", "no_fall", False, None, "1", None, None, "[i]unjudged[/i]")
    write_verdict(tmp_path, Verdict("invalid", ["[red]bus[/red] gone"], [odd]))
    text = said(console_summary(tmp_path))
    assert "[b]odd[/b]" in text
    assert "[i]unjudged[/i]" in text
    assert "[red]bus[/red] gone" in text
    assert "There is no timing certificate." in text
    (tmp_path / "verdict.json").unlink()
    write_json(tmp_path / "certificate.json", {"outputs": {"imu": {"sent": None}}})
    text = said(console_summary(tmp_path))
    assert "NO VERDICT" in text
    assert "–" in text
    with pytest.raises(RecordError, match="not a run folder"):
        console_summary(tmp_path / "absent")


def test_the_bus_budget_and_all_of_the_certificate_are_shown(ride_folder: Callable[..., Path]) -> None:
    folder = ride_folder()
    assert "Bus budget" not in page_of(folder).text
    manifest = json.loads((folder / "manifest.json").read_text())
    frame = {
        "name": "imu<b>", "from_robot": False, "can_id": 256, "bits": 135, "time_ms": 0.27, "period_ms": 2.0,
        "worst_ms": 3.16, "deadline_ms": 2.0, "latency_ms": 2.0, "worst_age_ms": 5.2, "off_least_ms": -0.26,
        "off_most_ms": 0.49, "in_time": False,
    }  # fmt: skip
    manifest["bus_budget"] = {
        "bit_rate": 500_000, "load": 0.729, "robot_periods_assumed": True, "frames": [frame],
    }  # fmt: skip
    (folder / "manifest.json").write_text(json.dumps(manifest))
    certificate = json.loads((folder / "certificate.json").read_text())
    kept = certificate["outputs"]["imu"]
    kept |= {
        "disordered": 3,
        "age_ms_p999": 2.77,
        "jitter_us_max": 512.0,
        "kept_hz": 499.9991,
        "wire_us": 246.0,
    }
    kept["age_histogram"] = {"edges_ms": [2.0, 2.1, 2.8], "counts": [900, 4]}
    (folder / "certificate.json").write_text(json.dumps(certificate))
    page = page_of(folder)
    assert "At most 72.9 % of 500000 bit/s." in page.text
    assert "imu<b> bench 0x100 135 0.270 2 3.16 2 2 5.20 -0.26 +0.49 no" in page.text
    assert "fast bits" not in page.text
    assert "as the reference robot does" in page.text
    assert "until its frame has arrived" in page.text
    judged = page.text[page.text.index("imu 500") :].split("lean 100")[0]
    assert "-0.3" in judged
    assert " 3 " in judged
    besides = page.text[page.text.index("Measured besides") :].split("lean")[0]
    assert "512" in besides
    assert "2.77" in besides
    assert {"ages", "bus"} <= set(json.loads(page.scripts[0])["figures"]) <= set(page.ids)


def test_a_bus_of_two_bit_rates_is_told_with_the_bits_of_each(ride_folder: Callable[..., Path]) -> None:
    folder = ride_folder()
    manifest = json.loads((folder / "manifest.json").read_text())
    frame = {"name": "imu", "can_id": 256, "bits": 33, "fast_bits": 194, "time_ms": 0.163, "in_time": True}
    other = {"name": "gear", "can_id": 130, "bits": 135, "fast_bits": 0, "time_ms": 0.27, "in_time": True}
    budget = {"bit_rate": 500_000, "data_bit_rate": 2_000_000, "load": 0.4, "frames": [frame, other]}
    manifest["bus_budget"] = budget
    (folder / "manifest.json").write_text(json.dumps(manifest))
    text = page_of(folder).text
    assert "At most 40.0 % of 500000 bit/s (fast bits of CAN FD frames: 2000000 bit/s)." in text
    assert "imu bench 0x100 33 194 0.163" in text
    assert "gear bench 0x82 135 0 0.270" in text


def test_the_facts_are_those_of_the_record(ride_folder: Callable[..., Path]) -> None:
    folder = ride_folder(8.0)  # from half a second before it runs
    run = read_run(folder)
    furthest = run.signals["line.station_m"].max()
    assert f"ride 7.5 s line covered {furthest:.0f} m bus frames 800 " in page_of(folder).text


def test_what_happened_stands_with_the_verdict(ride_folder: Callable[..., Path]) -> None:
    folder = ride_folder(6.0)
    assert "What happened" not in page_of(folder).text
    with (folder / "events.jsonl").open("a", encoding="utf-8") as log:
        text = "fell to the left: the front tyre slid away"
        line = {"tick": 5000, "time_s": 5.0, "kind": "fall", "name": text, "text": text}
        log.write(json.dumps(line) + "\n")
    text = page_of(folder).text
    assert text.index(
        "What happened. The bike fell to the left: the front tyre slid away, 5.0 s"
    ) < text.index("not a safety function")


def test_the_command_that_rides_it_again_is_told(ride_folder: Callable[..., Path]) -> None:
    folder = ride_folder(4.0)
    assert "emulator run" not in page_of(folder).text
    manifest = json.loads((folder / "manifest.json").read_text())
    manifest |= {
        "given": {"rig": "rigs/desk.yaml", "scenario": "runs/wet & cold.yaml"},
        "files": {"rig": "77ab" * 16, "circuit": "9c1e" * 16},
        "parameters": {"grip": 0.5},
    }
    (folder / "manifest.json").write_text(json.dumps(manifest))
    text = page_of(folder).text
    line = "emulator run 'runs/wet & cold.yaml' --rig rigs/desk.yaml --seed 4 --set grip=0.5 --virtual"
    assert line in text
    assert f"circuit {'9c1e' * 16}" in text
    assert f"rig rigs/desk.yaml {'77ab' * 16}" in text


def test_a_long_list_of_events_is_folded_with_its_kinds(tmp_path: Path) -> None:
    with RunWriter(tmp_path / "run", {}) as writer:
        for k in range(40):
            writer.append_event(k, "gear" if k % 4 else "wheel_lifted", f"m{k}", f"m{k}")
    page = page_of(tmp_path / "run")
    assert "40 events: 30 gear, 10 wheel lifted" in page.text


def test_name_and_words_of_an_event_are_not_said_twice(tmp_path: Path) -> None:
    with RunWriter(tmp_path / "run", {}) as writer:
        writer.append_event(0, "mark", "same", "same")
        writer.append_event(1, "mark", "half way", "half way: half a lap")
        writer.append_event(2, "mark", "plug", "came loose")
    text = page_of(tmp_path / "run").text
    assert "0.000 mark same 0.001 mark half way: half a lap 0.002 mark plug: came loose" in text
