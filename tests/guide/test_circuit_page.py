"""The scenario on the page of one's own circuit is one that rides the circuit beside it."""

from __future__ import annotations

import re
from pathlib import Path

from emulator.config.scenario.schema import load_course, load_scenario
from tests.guide.markdown import GUIDE, ROOT

_BLOCK = re.compile(r"```yaml\n(kind: scenario\n.*?)```", re.DOTALL)


def test_its_scenario_rides_an_imported_circuit(tmp_path: Path) -> None:
    (text,) = _BLOCK.findall((GUIDE / "circuit-import.md").read_text(encoding="utf-8"))
    (tmp_path / "lap.yaml").write_text(text, encoding="utf-8")
    (tmp_path / "my.yaml").write_bytes((ROOT / "scenarios" / "circuits" / "ostrevel.yaml").read_bytes())
    scenario, source = load_scenario(tmp_path / "lap.yaml")
    course, circuit = load_course(scenario, source)
    assert circuit is not None
    assert course.length_m > 2000.0
    assert {criterion.kind for criterion in scenario.criteria} == {"no_fall", "distance_from_line"}
