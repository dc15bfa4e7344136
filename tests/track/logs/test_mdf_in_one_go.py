"""Channels of an MDF group are unpacked once for all, and are what the library gives of each alone."""

from __future__ import annotations

from pathlib import Path

import asammdf
import numpy as np
import pytest

from emulator.core.errors import EmulatorError
from emulator.track.logs import mdf
from emulator.track.logs.log import LogError, Wanted
from emulator.track.logs.opening import read_log

ROWS = 6000
RAW = {
    "f8": ("f8", None),
    "f4": ("f4", None),
    "i2": ("i2", {"a": 0.25, "b": -3.0}),
    "u1": ("u1", None),
    "big": (">u2", None),
    "u4": ("u4", {"a": 2.0, "b": 0.0}),
    "flag": ("bool", None),
}


def signals() -> list[asammdf.Signal]:
    """Of many types and conversions, our own invention."""
    rng, time_s = np.random.default_rng(1), 12.5 + np.arange(ROWS) * 0.001
    made = []
    for name, (kind, conversion) in RAW.items():
        samples = (rng.normal(size=ROWS) * 50 + 100).astype(kind)
        made.append(asammdf.Signal(samples, time_s, name=name, unit=f"u {name}", conversion=conversion))
    invalid = rng.random(ROWS) < 0.1
    made.append(asammdf.Signal(np.arange(ROWS), time_s, name="holes", invalidation_bits=invalid))
    made.append(asammdf.Signal(rng.normal(size=(ROWS,)), time_s, name="last"))
    return made


@pytest.mark.parametrize("compression", [0, 1, 2])
@pytest.mark.parametrize("version", ["3.30", "4.10", "4.20"])
def test_channels_are_those_of_the_library(
    version: str, compression: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mdf, "_PIECE_BYTES", 10_000)  # a few hundred records
    path = tmp_path / "log.mf4"
    names = [*RAW, "last"]
    with asammdf.MDF(version=version) as file:
        file.append([one for one in signals() if one.name in names], common_timebase=True)
        file.append([asammdf.Signal(np.arange(40.0), np.arange(40) * 0.1, name="slow")])
        path = Path(file.save(path, compression=compression))
    log = read_log(path, [Wanted(name) for name in [*names, "slow"]])
    with asammdf.MDF(path) as file:
        for name in [*names, "slow"]:
            alone, found = file.get(name), log.series[Wanted(name)]
            assert found.values.tobytes() == alone.samples.astype(np.float64).tobytes()
            assert found.time_s.tobytes() == alone.timestamps.astype(np.float64).tobytes()
            assert found.unit == alone.unit
    assert len({id(log.series[Wanted(name)].time_s) for name in names}) == 1
    assert not log.remarks


def test_a_sample_that_is_not_valid_is_no_number(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mdf, "_PIECE_BYTES", 10_000)
    path = tmp_path / "log.mf4"
    with asammdf.MDF() as file:
        file.append(made := signals(), common_timebase=True)
        file.save(path, compression=2)
    holes = next(one for one in made if one.name == "holes")
    found = read_log(path, [Wanted("holes"), Wanted("f8")]).series
    np.testing.assert_array_equal(
        found[Wanted("holes")].values, np.where(holes.invalidation_bits, np.nan, holes.samples)
    )
    assert np.isfinite(found[Wanted("f8")].values).all()


def test_blocks_are_unpacked_once_for_all_channels(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from asammdf.blocks import utils, v4_constants

    path, unpacked = tmp_path / "log.mf4", []
    with asammdf.MDF() as file:
        file.append(signals(), common_timebase=True)
        file.save(path, compression=2)

    def counted(data: bytes) -> bytes:
        unpacked.append(len(data))
        return of_library(data)

    of_library = utils.DECOMPRESS_FUNC_MAP[v4_constants.DZ_BLOCK_TRANSPOSED]
    monkeypatch.setitem(utils.DECOMPRESS_FUNC_MAP, v4_constants.DZ_BLOCK_TRANSPOSED, counted)
    read_log(path, [Wanted("f8")])
    alone = len(unpacked)
    assert alone
    unpacked.clear()
    read_log(path, [Wanted(name) for name in [*RAW, "holes", "last"]])
    assert len(unpacked) == alone


def test_a_damaged_block_is_told(tmp_path: Path) -> None:
    path = tmp_path / "log.mf4"
    with asammdf.MDF() as file:
        file.append(signals(), common_timebase=True)
        file.save(path, compression=2)
    content = bytearray(path.read_bytes())
    at = content.index(b"##DZ") + 200
    content[at : at + 40] = bytes(40)
    path.write_bytes(content)
    with pytest.raises(EmulatorError, match="can't be read as MDF") as refused:
        read_log(path, [Wanted("f8")])
    assert refused.value.exit_status == 3


def test_a_channel_of_text_is_told(tmp_path: Path) -> None:
    path = tmp_path / "log.mf4"
    words = np.array([b"one", b"two"] * 10)
    with asammdf.MDF() as file:
        file.append([asammdf.Signal(words, np.arange(20.0), name="words", encoding="utf-8")])
        file.save(path)
    with pytest.raises(LogError, match="'words' holds no numbers"):
        read_log(path, [Wanted("words")])
