"""Files broken by chance end in words: no traceback, no hang, no memory beyond what a valid file takes.

A few in the ordinary run; ``-m timing`` makes it 10,000, which takes two cores for an hour.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from tests.support.mutated_inputs import TARGETS, Result, Target, run_cases, valid_folders

FEW, MANY = 50, 10_000


def told(result: Result) -> None:
    assert not result.failures, result.words + "\n" + "\n".join(result.failures[:20])


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_a_few(tmp_path: Path) -> None:
    result = run_cases(tmp_path, FEW)
    told(result)
    assert result.cases == FEW
    assert result.statuses[0] > FEW // 20  # some are still right, and some are not
    assert result.statuses[3] > FEW // 4


@pytest.mark.timing
@pytest.mark.timeout(3 * 3600)
def test_ten_thousand(tmp_path: Path) -> None:
    result = run_cases(tmp_path, MANY, first=100_000, workers=2)
    print(result.words)
    told(result)


@pytest.fixture(scope="module")
def valid(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Valid files that nobody changes."""
    folder = tmp_path_factory.mktemp("valid")
    valid_folders(folder)
    return folder


@pytest.mark.parametrize("target", TARGETS, ids=lambda t: f"{t.folder}-{Path(t.file).name}")
def test_a_mutation_changes_something_and_goes_by_its_number(target: Target, valid: Path) -> None:
    content = (valid / target.folder / target.file).read_bytes()

    def made() -> list[bytes]:
        return [target.mutation(random.Random(k), content) for k in range(20)]

    mutants = made()
    assert made() == mutants
    assert sum(mutant != content for mutant in mutants) > 12
