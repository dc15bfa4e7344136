"""A night in every form: each says the same, none crops, none is steered by a name."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree

import pytest

from emulator.campaign.page.edges import CurvePoint, Edge, EdgePoint, read_edges, write_edges
from emulator.campaign.page.morning import Morning
from emulator.campaign.page.outputs import read_morning, result_text, write_morning
from emulator.campaign.page.plain import message_of
from emulator.campaign.page.text import WIDTH
from emulator.core.errors import RecordError
from emulator.record.writer import jsonable
from emulator.telemetry.messages import CampaignTold
from tests.support.command_line import emulator_command
from tests.support.html_page import Page
from tests.support.made_up_campaign import error, fallen, invalid, made_up_rows, write_campaign

EDGE = Edge(
    *("slalom · delay", "delay", "ms"),
    (EdgePoint(5.0, 10, 0), EdgePoint(50.0, 10, 9)),
    (CurvePoint(5.0, 0.02, 0.0, 0.1), CurvePoint(50.0, 0.9, 0.7, 1.0)),
    *(27.5, 20.0, 36.0, 0.95, "logistic regression"),
)


def folders(place: Path, name: str = "short bend") -> tuple[Path, Path]:
    """Two nights with something of everything: the earlier one and tonight."""
    scenarios = (name, "lane change", "slalom")
    rows = made_up_rows(scenarios=scenarios, spread=4.0, draw=2, shift={"slalom": -9.0})
    rows[0] = fallen(rows[0])
    rows[1] |= {"expected": "fail", "as_expected": False, "expectation": "fail expected, got pass"}
    rows[2] = invalid(rows[2], f"imu_rates: 3 of 1,500 samples late; {name}")
    rows[3] = error(rows[3], "the worker died")
    rows[8] = fallen(rows[8])
    again = rows[20] | {"number": 96, "repeat": 1, "case_id": "9" * 16}
    again |= {"result": "fail", "as_expected": False}
    tonight = write_campaign(place / "tuesday", [*rows[:90], again], not_ridden=rows[90:])
    (tonight / "acknowledged.yaml").write_text(
        "kind: acknowledged\nentries:\n"
        f"- {{case: {rows[8]['case_id']}, reason: 'known <b>', name: A. Keeper, until: 2027-03-31}}\n"
        "- {scenario: nothing, reason: old, name: B. Keeper, until: 2027-01-01}\n"
    )
    write_edges(tonight, [EDGE])
    return write_campaign(place / "monday", made_up_rows(scenarios=scenarios, spread=4.0)), tonight


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Morning:
    monday, tonight = folders(tmp_path_factory.mktemp("nights"))
    morning = read_morning(tonight, baseline=monday, earlier=[monday])
    write_morning(morning)
    return morning


def written(morning: Morning, name: str) -> str:
    return (morning.night.folder / name).read_text()


def test_the_text_has_80_columns_and_crops_nothing(night: Morning) -> None:
    text = written(night, "page.txt")
    assert max(map(len, text.splitlines())) <= WIDTH
    joined = " ".join(text.split())
    for words in (
        "3 SURPRISES",
        "fell at 5.1 s",
        "imu_rates: 3 of 1,500 samples late",
        "the worker died",
        "6 cases without a run; the campaign's state: out of time",
        "slalom: thinnest margins worse",
        "half are lost at delay 27.5 ms, 20 to 36 with 95 % confidence",
        "EXPIRED, its runs are surprises again: nothing",
        "1 of 2 repeats failed",
        "$ emulator campaign case",
    ):
        assert words in joined, words
    assert night.worse[0].example.case_id in text


def test_the_page_says_the_same_and_asks_for_nothing(night: Morning) -> None:
    html = written(night, "page.html")
    page = Page(html)
    for words in ("3 SURPRISES", "fell at 5.1 s", "the worker died", "known <b>", "EXPIRED", "A. Keeper"):
        assert words in page.text, words
    assert "known &lt;b&gt;" in html
    assert [a for a in page.addresses if not a.startswith("#")] == []
    assert {a[1:] for a in page.addresses} <= set(page.ids)
    runs = json.loads(next(text for text in page.scripts if text.startswith("[[")))
    assert len(runs) == len(night.night.rows)
    assert "emulator run again-" in page.text


def test_json_has_what_was_expected_as_a_field(night: Morning) -> None:
    plain = json.loads(written(night, "campaign_result.json"))
    assert written(night, "campaign_result.json") == result_text(night)
    assert (plain["format"], plain["status"], plain["exit_status"]) == (1, "surprises", 1)
    runs = {run["number"]: run for run in plain["runs"]}
    assert runs[1]["expectation"] == {"expected": "fail", "as_expected": False}
    assert runs[3]["expectation"] == {"expected": None, "as_expected": None}
    counts = plain["counts"]
    assert counts["surprises"] == 3
    assert counts["acknowledged"] == 1
    assert counts["planned"] == sum(
        counts[key] for key in ("counted", "invalid", "stopped", "errors", "not_ridden")
    )
    assert {one["direction"] for one in plain["surprises"]} == {"worse", "better"}
    assert plain["comparison"]["findings"][0]["scenario"] == "slalom"
    assert plain["acknowledged"][0]["until"] == "2027-03-31"
    assert plain["repeats"]["flaky"][0]["failed"] == 1


def test_keys_of_the_json_stay(night: Morning) -> None:
    """Whoever reads them relies on them: a key that goes changes FORMAT, too."""
    head = {
        *("format", "campaign", "status", "exit_status", "sentence", "counts", "regressions", "state"),
        *("began", "versions", "bench", "surprises", "unexpected_answers"),
    }
    assert set(message_of(night)) == head
    CampaignTold.model_validate(jsonable(message_of(night)))  # as it is left at a broker
    assert set(json.loads(result_text(night))) - head == {
        *(
            "folder",
            "plan",
            "bikes_drawn",
            "does_not_count",
            "could_not_be_ridden",
            "not_ridden",
            "acknowledged",
        ),
        *(
            "comparison",
            "repeats",
            "nights",
            "grew_thin",
            "map",
            "coverage",
            "edges",
            "answers",
            "unanswered",
            "bears_less",
            "runs",
        ),
    }


def test_junit_counts_surprises_as_failures_and_silence_as_none(night: Morning) -> None:
    root = ElementTree.fromstring(written(night, "junit.xml").encode())
    counts = {key: int(root.get(key, "")) for key in ("tests", "failures", "errors", "skipped")}
    assert counts == {"tests": 97, "failures": 3, "errors": 2, "skipped": 7}
    assert {suite.get("name") for suite in root} == {"short bend", "lane change", "slalom"}
    acknowledged = [e.get("message", "") for e in root.iter("skipped") if "A. Keeper" in e.get("message", "")]
    assert acknowledged == ["acknowledged by A. Keeper until 2027-03-31: known <b>"]
    kinds = {e.get("type") for e in root.iter("failure")}
    assert kinds == {"worse than expected", "better than expected"}


def test_what_a_bench_was_used_for_is_told_with_every_attempt_and_who_was_away(tmp_path: Path) -> None:
    worn = {"steering_cycles": 3, "front_brake_strokes": 1, "rear_brake_strokes": 0, "gear_changes": 2}
    rows = [one | {"stage": "bench", "wear": worn, "notices": []} for one in made_up_rows(seeds=1)[:4]]
    away = "telemetry: the broker is away (refused)"
    rows[2] |= {"notices": [away]}
    again = [invalid(rows[0], f"the host stalled for {n} ms") | {"attempt": n} for n in (1, 2)]
    rows[0] |= {"attempt": 3, "notices": [away]}
    night = read_morning(write_campaign(tmp_path / "bench", [*again, *rows]))
    write_morning(night)
    told = json.loads(written(night, "campaign_result.json"))["bench"]
    assert (told["rides"], told["wear"]["steering_cycles"]) == (6, 18)
    assert [(one["text"], len(one["began"])) for one in told["ridden_again"]] == [
        ("the host stalled for 1 ms", 2)
    ]
    assert [len(one["began"]) for one in told["notices"]] == [2]
    for text in (" ".join(written(night, "page.txt").split()), Page(written(night, "page.html")).text):
        assert "6 rides: 18 steering cycles, 6 front brake strokes" in text
        assert "did not count, ridden again: the host stalled for 1 ms (2 rides: 22:00 (2))" in text
        assert f"{away} (2 rides: 22:00 (2))" in text


def test_no_name_makes_an_element_or_steers_a_terminal(tmp_path: Path) -> None:
    monday, tonight = folders(tmp_path, "</script><b>\x1b[2J{{ 7 * 7 }}\u202e")
    morning = read_morning(tonight, baseline=monday, earlier=[monday])
    write_morning(morning)
    plain = folders(tmp_path / "plain")
    other = read_morning(plain[1], baseline=plain[0], earlier=[plain[0]])
    write_morning(other)
    html = written(morning, "page.html")
    assert Page(html).tags == Page(written(other, "page.html")).tags
    for name in ("page.html", "page.txt", "junit.xml"):
        assert not {"\x1b", "\u202e"} & set(written(morning, name)), name
    assert "\\x1b[2J{{ 7 * 7 }}" in written(morning, "page.txt")


# -- edges ---------------------------------------------------------------------------------------------------


def test_edges_are_read_as_they_were_written(tmp_path: Path) -> None:
    assert read_edges(tmp_path) == ()
    write_edges(tmp_path, [EDGE])
    assert read_edges(tmp_path) == (EDGE,)
    (tmp_path / "edges.json").write_text('{"edges": [{"name": "x"}]}')
    with pytest.raises(RecordError, match="expected edges"):
        read_edges(tmp_path)


# -- commands ------------------------------------------------------------------------------------------------


def test_the_commands_print_and_end_by_rule(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monday, tonight = map(str, folders(tmp_path))
    assert emulator_command("campaign", "page", tonight, "--baseline", monday, "--quiet") == 1
    assert capsys.readouterr().out == f"✗ 3 SURPRISES {tonight}\n"
    assert emulator_command("campaign", "page", tonight, "--earlier", monday, "--json") == 1
    assert json.loads(capsys.readouterr().out)["nights"] == ["monday", "tuesday"]
    assert emulator_command("campaign", "page", monday) == 0
    assert "✓ AS EXPECTED" in capsys.readouterr().out
    assert emulator_command("campaign", "compare", monday, tonight) == 1
    assert "slalom: thinnest margins worse" in capsys.readouterr().out
    assert emulator_command("campaign", "compare", monday, monday, "--json") == 0
    assert json.loads(capsys.readouterr().out)["findings"] == []
    assert emulator_command("campaign", "page", str(tmp_path)) == 3
    assert emulator_command("campaign", "page", monday, "--json", "--quiet") == 3
    assert "holds no campaign" in capsys.readouterr().err
    assert emulator_command("evidence", monday, tonight, "--out", "e.html", "--quiet") == 0
    assert "open deviations that nobody has acknowledged" in capsys.readouterr().out
    assert json.loads(Path("e.json").read_text())["decides"] == "nothing"
    assert emulator_command("evidence", monday, monday, "--out", "e.html") == 3
    assert emulator_command("evidence", monday, "--robot-version", "other", "--out", "e.html") == 3
