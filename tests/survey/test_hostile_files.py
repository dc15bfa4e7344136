"""Files broken by chance end in words, or in a line as near to its points as was stated."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest

from emulator.core.errors import ConfigError
from emulator.survey.circuit_import import Wishes, import_circuit
from tests.support.mutated_inputs import mutated_text
from tests.support.surveyed import geodetic, oval, write_csv, write_gpx

FEW = 60


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["csv", "gpx"])
def test_a_few(kind: str, tmp_path: Path) -> None:
    plane = oval(40.0, 150.0, 4.0)
    heights = 3.0 * np.sin(np.arange(len(plane)) * 2.0 * np.pi / len(plane))
    path = tmp_path / f"lap.{kind}"
    if kind == "csv":
        write_csv(path, ["east", "north", "ele"], np.column_stack([plane, heights]))
    else:
        write_gpx(path, geodetic(plane, heights))
    valid = path.read_bytes()
    refused = 0
    for k in range(FEW):
        path.write_bytes(mutated_text(random.Random(k), valid))
        try:
            found = import_circuit(str(path), Wishes(name="broken", width_m=9.0))
        except ConfigError:
            refused += 1
            continue
        assert np.abs(found.offsets).max() <= 0.2, k
    assert FEW // 5 < refused < FEW
