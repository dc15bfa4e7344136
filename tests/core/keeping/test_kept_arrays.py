"""Arrays kept on disk: found again by all they were made from, made anew where they are damaged."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

from emulator.core.keeping import code_store
from emulator.core.keeping import kept_arrays as module
from emulator.core.keeping.kept_arrays import kept_arrays, numbers, sources


class Record(NamedTuple):
    at: np.ndarray
    share: float


@pytest.fixture
def made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    monkeypatch.setenv("EMULATOR_CACHE", str(tmp_path / "kept"))
    return []


def kept(made: list[str], made_from: str = "a") -> float:
    def make() -> dict[str, np.ndarray]:
        made.append(made_from)
        return {"x": np.full(3, float(len(made)))}

    return float(kept_arrays("kind", made_from, ("x",), make)["x"][0])


def test_once_for_all_it_is_made_from(made: list[str]) -> None:
    assert [kept(made), kept(made), kept(made, "b"), kept(made), kept(made, "b")] == [1.0, 1.0, 2.0, 1.0, 2.0]
    assert made == ["a", "b"]


def test_another_processor_makes_its_own(made: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    kept(made)
    monkeypatch.setattr(module, "machine", lambda: "another")
    kept(made)
    assert made == ["a", "a"]


def test_of_other_fields_it_counts_as_not_there(made: list[str]) -> None:
    kept(made)
    arrays = kept_arrays("kind", "a", ("y",), lambda: {"y": np.ones(1)})
    assert list(arrays) == ["y"]


@pytest.mark.parametrize("content", [b"", b"nothing", b"PK\x03\x04 cut off"])
def test_what_is_damaged_is_made_anew_and_put_right(made: list[str], content: bytes) -> None:
    kept(made)
    (path,) = code_store.cache_folder().iterdir()
    path.write_bytes(content)
    assert kept(made) == 2.0
    code_store.save(path.name.removesuffix(".code"), content)  # whole, but not what was put there
    assert [kept(made), kept(made)] == [3.0, 3.0]


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
