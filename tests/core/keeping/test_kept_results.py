"""What was read or worked out is found again by content and code if it was right; compiled code stays."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

from emulator.core.keeping import code_store, kept_results
from emulator.core.keeping.kept_results import code_of, kept_numbers, kept_result, numbers, sources


class Record(NamedTuple):
    at: np.ndarray
    share: float


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A cache folder of the test's own."""
    path = tmp_path / "cache"
    monkeypatch.setenv("EMULATOR_CACHE", str(path))
    return path


def counted(made: list[int], content: bytes = b"text", reader: str = "reader") -> object:
    def read() -> object:
        made.append(1)
        return {("a", 0): [1, 2.5, None]}

    return kept_result("thing", content, reader, read)


def test_the_same_content_is_read_once_and_comes_back_as_it_was(folder: Path) -> None:
    made: list[int] = []
    first, second = counted(made), counted(made)
    assert first == second == {("a", 0): [1, 2.5, None]}
    assert first is not second
    assert len(made) == 1
    counted(made, content=b"other")
    counted(made, reader="edited")
    assert len(made) == 3


def test_what_raises_is_not_kept(folder: Path) -> None:
    def wrong() -> None:
        raise ValueError("told anew")

    for _ in range(2):
        with pytest.raises(ValueError, match="told anew"):
            kept_result("thing", b"text", "reader", wrong)
    assert not folder.exists() or not list(folder.iterdir())


def test_damaged_or_in_a_folder_not_to_be_trusted_it_is_made_anew(folder: Path) -> None:
    made: list[int] = []
    counted(made)
    (path,) = folder.iterdir()
    path.write_bytes(path.read_bytes()[:-1])
    counted(made)
    assert len(made) == 2
    folder.chmod(0o777)
    counted(made)
    assert len(made) == 3


def test_numbers_depend_on_the_machine(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[int] = []

    def make() -> int:
        made.append(1)
        return len(made)

    of = (np.array([1.0, 2.0]), 3.0, True)
    assert [kept_numbers("n", of, code_of((__file__,)), make) for _ in range(2)] == [1, 1]
    assert (
        kept_numbers("n", (np.array([1.0, np.nextafter(2.0, 3.0)]), 3.0, True), code_of((__file__,)), make)
        == 2
    )
    monkeypatch.setattr(kept_results, "machine", lambda: "another")
    assert kept_numbers("n", of, code_of((__file__,)), make) == 3


def test_the_key_of_code_is_its_source(tmp_path: Path) -> None:
    one, other = tmp_path / "one.py", tmp_path / "other.py"
    one.write_text("a = 1\n")
    other.write_text("a = 2\n")
    assert code_of((str(one),), ("numpy",)) != code_of((str(other),), ("numpy",))


def test_results_never_push_out_compiled_code(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(code_store, "MOST_RESULT_BYTES", 3000)
    code_store.save("machine", bytes(5000))
    for k in range(5):
        code_store.save(f"r{k}", bytes(1000), code_store.RESULT)
    assert code_store.load("machine") == bytes(5000)
    assert code_store.load("r4", code_store.RESULT) == bytes(1000)
    assert code_store.load("r0", code_store.RESULT) is None


def test_every_number_counts_and_nothing_but_numbers() -> None:
    record = Record(np.arange(3.0), 0.5)
    assert numbers(record) == numbers(Record(np.arange(3.0), 0.5))
    others = [
        record._replace(share=0.5000000001),
        record._replace(at=np.array([0.0, 1.0, 2.0000001])),
        record._replace(at=np.arange(3)),
        record._replace(at=np.arange(3.0).reshape(3, 1)),
        record._replace(at=np.array([0.0, 1.0, -0.0])),
    ]
    assert len({repr(numbers(item)) for item in [record, *others]}) == 6
    with pytest.raises(TypeError, match="got str"):
        numbers(("a",))


def test_sources_are_known_by_content_and_order(tmp_path: Path) -> None:
    one, other = tmp_path / "one", tmp_path / "other"
    one.write_text("a")
    other.write_text("b")
    assert sources([one, other]) != sources([other, one])
    before = sources([one])
    other.write_text("a")
    assert sources([other]) == before
