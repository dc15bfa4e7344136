import shutil
from pathlib import Path

import pytest

from emulator.assembly.check import check

SHIPPED = Path(__file__).parents[2] / "scenarios"


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    shutil.copytree(SHIPPED, tmp_path / "scenarios")
    return tmp_path


def test_a_scenario_leads_to_its_circuit() -> None:
    found = check(["scenarios/runs/first_lap.yaml"])
    assert [(c.path, c.kind, c.problems, c.warnings) for c in found] == [
        ("scenarios/runs/first_lap.yaml", "scenario", [], []),
        ("scenarios/circuits/ostrevel.yaml", "circuit", [], []),
    ]


def test_every_shipped_file_is_right() -> None:
    files = sorted(Path("scenarios").rglob("*.yaml"))
    assert {c.kind for c in check(files)} >= {"rig", "vehicle", "scenario", "circuit"}
    assert [str(p) for c in check(files) for p in c.problems] == []


def test_each_file_is_checked_once_by_whatever_name() -> None:
    found = check(
        [
            "scenarios/circuits/ostrevel.yaml",
            "scenarios/runs/first_lap.yaml",
            "./scenarios/runs/first_lap.yaml",
        ]
    )
    assert [c.path for c in found] == ["scenarios/circuits/ostrevel.yaml", "scenarios/runs/first_lap.yaml"]


def test_a_wrong_circuit_is_reported_under_its_own_name() -> None:
    circuit = Path("scenarios/circuits/ostrevel.yaml")
    circuit.write_text(circuit.read_text().replace("kind: circuit\n", "kind: circuit\nlanes: 2\n"))
    scenario, its_circuit = check([Path("scenarios/runs/first_lap.yaml")])
    assert scenario.problems == []
    assert [p.key for p in its_circuit.problems] == ["lanes"]
    assert its_circuit.path == its_circuit.problems[0].file == "scenarios/circuits/ostrevel.yaml"


def test_a_rig_whose_vehicle_is_missing() -> None:
    shutil.rmtree("scenarios/vehicles", ignore_errors=True)
    (rig,) = check(["scenarios/rigs/loopback.yaml"])
    assert rig.kind == "rig"
    assert [(p.key, p.expected) for p in rig.problems] == [
        (
            "vehicle",
            "no such file: scenarios/vehicles/demo_racer.yaml (paths are relative to this file)",
        )
    ]


def test_a_rig_without_its_dbc_still_leads_to_its_vehicle() -> None:
    Path("scenarios/rigs/bench.dbc").unlink()
    vehicle = Path("scenarios/vehicles/demo_racer.yaml")
    vehicle.parent.mkdir(exist_ok=True)
    vehicle.write_text("kind: vehicle\n")
    rig, its_vehicle = check(["scenarios/rigs/loopback.yaml"])
    assert [p.key for p in rig.problems] == ["dbc"]
    assert its_vehicle.path == "scenarios/vehicles/demo_racer.yaml"
    assert str(its_vehicle.problems[0]).startswith(f"{its_vehicle.path}:1:1: missing key")


KINDS = (
    "rig, vehicle, scenario, circuit, data_sheet, campaign, acknowledged, track_map, calibration, findings"
)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            "name: x\n",
            f"a.yaml:1:1: missing key 'kind': one of {KINDS}",
        ),
        (
            "# first\nkind: scenarios\n",
            f"a.yaml:2:7: kind: expected one of {KINDS}, got 'scenarios', did you mean 'scenario'?",
        ),
        (
            "kind: [rig]\n",
            f"a.yaml:1:7: kind: expected one of {KINDS}, got a list of 1",
        ),
        (
            "kind:\n",
            f"a.yaml:1:1: kind: expected one of {KINDS}, got nothing",
        ),
    ],
)
def test_a_file_of_no_known_kind(text: str, expected: str) -> None:
    Path("a.yaml").write_text(text)
    (found,) = check(["a.yaml"])
    assert found.kind == ""
    assert [str(p) for p in found.problems] == [expected]


def test_a_duplicate_key_hides_nothing_else() -> None:
    Path("a.yaml").write_text("kind: circuit\nname: one\nname: two\nwidth_m: wide\n")
    (found,) = check(["a.yaml"])
    said = [str(p) for p in found.problems]
    assert "a.yaml:3:1: name: duplicate key; it stands already in line 2" in said
    assert any(text.startswith("a.yaml:4:10: width_m:") for text in said)
    assert any("missing key 'closed'" in text for text in said)


def test_a_missing_file_is_a_problem_not_an_exception() -> None:
    (found,) = check(["none.yaml"])
    assert str(found.problems[0]).startswith("none.yaml:1:1: no such file")


def test_a_rig_whose_bit_rate_is_known_comes_with_its_bus_budget() -> None:
    rig = Path("scenarios/rigs/loopback.yaml")
    assert check([rig])[0].budget is None
    text = rig.read_text()
    rig.write_text(text.replace("port: 0 # any free one\n", "port: 0\n  bitrate: 500000\n"))
    budget = check([rig])[0].budget
    assert budget is not None
    assert budget.load == pytest.approx(0.7094)
    # also of a bus that can't do it, which is where one wants to see why
    rig.write_text(text.replace("port: 0 # any free one\n", "port: 0\n  bitrate: 125000\n"))
    found = check([rig])[0]
    assert found.problems
    assert found.budget is not None
    assert found.budget.line("estimate_motion").worst_ns is None


def test_a_scenario_on_a_base_is_checked_with_it_and_with_what_is_set() -> None:
    found = check(["scenarios/runs/wet_lap.yaml"], {"line_grip": 0.5})
    assert [(c.path, c.kind, c.problems) for c in found] == [
        ("scenarios/runs/wet_lap.yaml", "scenario", []),
        ("scenarios/circuits/ostrevel.yaml", "circuit", []),
    ]
    (alone,) = check(["scenarios/runs/slalom.yaml"])
    assert (alone.kind, alone.problems) == ("scenario", [])
    (wrong, _) = check(["scenarios/runs/wet_lap.yaml"], {"line_grip": 5.0})
    assert [(p.file, p.key) for p in wrong.problems] == [
        ("scenarios/runs/wet_lap.yaml", "parameters.line_grip.range")
    ]


def test_a_problem_in_a_base_is_told_there() -> None:
    base = Path("scenarios/runs/first_lap.yaml")
    base.write_text(base.read_text().replace("latitude_deg: 47.25", "latitude_deg: 147.25"))
    (found, _) = check(["scenarios/runs/wet_lap.yaml"])
    assert [(p.file, p.key) for p in found.problems] == [
        ("scenarios/runs/first_lap.yaml", "origin.latitude_deg")
    ]


REGISTER = """kind: findings
findings:
  - {name: a, what: slide, seen: s, scenario: SCENARIO, cut_from: {record: r, logs: {}, at_s: 1.0},
     cut: '2027-05-04'}
"""


def test_a_register_of_findings_leads_to_its_scenarios() -> None:
    Path("findings.yaml").write_text(REGISTER.replace("SCENARIO", "gone.yaml"))
    (register,) = check(["findings.yaml"])
    assert [str(p) for p in register.problems] == [
        "findings.yaml:3:47: findings.0.scenario: no such file: gone.yaml (paths are relative to this file)"
    ]
    Path("wrong.yaml").write_text("kind: scenario\n")
    Path("findings.yaml").write_text(REGISTER.replace("SCENARIO", "wrong.yaml"))
    register, scenario = check(["findings.yaml"])
    assert register.kind == "findings"
    assert register.problems == []
    assert scenario.path == "wrong.yaml"
    assert scenario.problems
