"""Bus logs of each form that are cut off, empty, taken for others, packed, or that lie: told in words."""

from __future__ import annotations

import contextlib
import errno
import gzip
import io
import logging
import os
import random
from collections.abc import Callable
from pathlib import Path

import can
import numpy as np
import pytest

from emulator.core.errors import EmulatorError, RunFailed
from emulator.record import writer
from emulator.runs.from_track import import_track
from emulator.track.logs.log import Log, LogError, Wanted
from emulator.track.logs.opening import read_log
from tests.support.bus_dbc import BUS_DBC
from tests.track.logs.test_frames_in_columns import SOME_ROWS, database, row_of

SPEED = Wanted("wheels.speed")
TEXTS = ["asc", "log", "trc", "csv"]
FORMS = [*TEXTS, "blf", "db"]


def ride(count: int, times: Callable[[int], float] = lambda k: 1.7e9 + 0.01 * k) -> list[can.Message]:
    data = [round(1000 + 500 * np.sin(k / 50)).to_bytes(2, "little") + bytes(6) for k in range(count)]
    return [
        can.Message(timestamp=times(k), arbitration_id=291, data=data[k], is_extended_id=False, channel=0)
        for k in range(count)
    ]


def written(path: Path, messages: list[can.Message]) -> Path:
    if path.suffix == ".db":
        return database(path, [row_of(message) for message in messages])
    with can.Logger(str(path)) as logger:
        for message in messages:
            logger(message)
    return path


def read(path: Path) -> Log | str:
    """What is read, or the words of refusal; nothing but these, and nothing on the screen."""
    (path.parent / "bus.dbc").write_text(BUS_DBC)
    shown = io.StringIO()
    with contextlib.redirect_stdout(shown), contextlib.redirect_stderr(shown):
        handler = logging.StreamHandler(shown)
        logging.getLogger().addHandler(handler)
        try:
            return read_log(path, [SPEED], dbc=path.parent / "bus.dbc")
        except EmulatorError as error:
            refused = error
        finally:
            logging.getLogger().removeHandler(handler)
            assert shown.getvalue() == ""
    assert refused.exit_status == 3
    assert str(path) in str(refused)
    return str(refused)


@pytest.mark.parametrize("form", FORMS)
def test_cut_off(form: str, tmp_path: Path) -> None:
    """Read to there, with a remark, or refused; a value that was cut off in its middle is none."""
    path = written(tmp_path / f"log.{form}", ride(400))
    content, whole = path.read_bytes(), read(path)
    assert isinstance(whole, Log)
    assert len(whole.series[SPEED].values) == 400
    rng, read_to = random.Random(1), 0
    for cut in [1, 90, *(rng.randrange(100, len(content)) for _ in range(12))]:
        path.write_bytes(content[:cut])
        found = read(path)
        if isinstance(found, Log):
            n = len(found.series[SPEED].values)
            assert 0 < n < 400 or (n == 400 and cut > 0.99 * len(content))
            np.testing.assert_array_equal(found.series[SPEED].values, whole.series[SPEED].values[:n])
            assert found.remarks or content[:cut].endswith((b"\r", b"\n"))
            read_to += 1
    assert read_to > (0 if form in ("blf", "db") else 8)


@pytest.mark.parametrize("form", FORMS)
def test_without_frames(form: str, tmp_path: Path) -> None:
    path = written(tmp_path / f"log.{form}", ride(1))
    if form == "db":
        path.unlink()
        database(path, [])
    elif form == "blf":
        path.unlink()
        with can.Logger(str(path)):
            pass
    else:
        lines = path.read_bytes().splitlines(keepends=True)
        path.write_bytes(b"".join(line for line in lines if b"291" not in line and b"123" not in line))
    said = read(path)
    assert isinstance(said, str)
    assert ("is empty" if form == "log" else "has no frame of a bus") in said


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("named", FORMS)
def test_named_as_another(form: str, named: str, tmp_path: Path) -> None:
    """Read by its first bytes, or refused."""
    path = written(tmp_path / f"log.{form}", ride(50))
    taken = path.rename(tmp_path / f"taken.{named}")
    found = read(taken)
    if form in ("blf", "db", "csv") or form == named:
        assert isinstance(found, Log)
        assert len(found.series[SPEED].values) == 50
    elif isinstance(found, Log):
        raise AssertionError(f"{form} was read as {named}")


@pytest.mark.parametrize("form", FORMS)
def test_packed_by_gzip(form: str, tmp_path: Path) -> None:
    """As many as without, whole or cut off; a database has to be unpacked, and what is no bus log."""
    path = written(tmp_path / f"log.{form}", ride(3000))
    packed = tmp_path / f"2027.03.27.{form}.gz"
    packed.write_bytes(gzip.compress(path.read_bytes()))
    found = read(packed)
    if form == "db":
        assert isinstance(found, str)
        assert "is packed by gzip" in found
        return
    assert isinstance(found, Log)
    assert len(found.series[SPEED].values) == 3000
    assert found.remarks == []
    content = packed.read_bytes()
    packed.write_bytes(content[: len(content) * 3 // 4])
    found = read(packed)
    assert isinstance(found, str) or "breaks off after" in found.remarks[0]
    packed.write_bytes(content[:12])
    assert isinstance(read(packed), str)


def test_a_packed_table_is_told(tmp_path: Path) -> None:
    path = tmp_path / "log.csv.gz"
    path.write_bytes(gzip.compress(b"t,speed\n1,2\n"))
    said = read(path)
    assert isinstance(said, str)
    assert "is packed by gzip" in said


def test_a_head_that_promises_ten_gigabytes(tmp_path: Path) -> None:
    """Of a BLF its size, of a database how many pages there are."""
    path = written(tmp_path / "log.blf", ride(50))
    content = bytearray(path.read_bytes())
    content[16:24] = (10_000_000_000).to_bytes(8, "little")
    path.write_bytes(content)
    found = read(path)
    assert isinstance(found, Log)
    assert any("10,000,000,000 bytes" in remark for remark in found.remarks)
    path = database(tmp_path / "log.db", SOME_ROWS)
    content = bytearray(path.read_bytes())
    content[28:32] = (2_500_000).to_bytes(4, "big")  # pages of 4096 bytes
    path.write_bytes(content)
    assert isinstance(read(path), str)


def test_what_python_can_warns_of_is_a_remark(tmp_path: Path) -> None:
    path = written(tmp_path / "log.trc", ride(50))
    for count, told in ((1, "1 line,"), (2, "2 lines,")):
        with path.open("a") as file:
            file.write("  77 1.0 DT 1 0123\n")
        found = read(path)
        assert isinstance(found, Log)
        assert f"python-can warns of {told} the first time: " in found.remarks[0], count
        assert len(found.series[SPEED].values) == 50


def lies(path: Path, times: Callable[[int], str]) -> Path:
    """A log of 2000 frames whose times are written as told."""
    messages, lines = ride(2000), []
    for k, message in enumerate(messages):
        data = message.data.hex(" ")
        lines.append(
            {
                ".asc": f"{times(k)} 1 123 Rx d 8 {data}",
                ".log": f"({times(k)}) can0 123#{message.data.hex()}",
                ".trc": f"{k} {times(k)} DT 1 0123 Rx - 8 {data}",
            }[path.suffix]
        )
    head = {
        ".asc": "base hex timestamps absolute",
        ".trc": ";$FILEVERSION=2.1\n;$STARTTIME=46000\n;$COLUMNS=N,O,T,B,I,d,R,L,D",
    }
    path.write_text("\n".join([*filter(None, [head.get(path.suffix)]), *lines, ""]))
    return path


MAP = """kind: track_map
name: Lies
dbc: bus.dbc
channels:
- {channel: wheels.speed, signal: output.wheel_front_m_s, unit: km/h}
"""


@pytest.mark.parametrize("form", ["asc", "log", "trc"])
def test_times_that_run_backwards_or_are_none(form: str, tmp_path: Path) -> None:
    """Some are marked; of many, and of those that are no numbers all along, the log is refused."""
    (tmp_path / "bus.dbc").write_text(BUS_DBC)
    (tmp_path / "map.yaml").write_text(MAP)
    scale = 1000 if form == "trc" else 1

    def imported(name: str, times: Callable[[int], str]) -> str:
        log = lies(tmp_path / f"{name}.{form}", times)
        try:
            import_track([log], tmp_path / "map.yaml", tmp_path / f"{name}")
        except EmulatorError as error:
            return str(error)
        return (tmp_path / name / "marks.csv").read_text()

    some = imported("some", lambda k: f"{scale * (0.01 * k - (0.5 if k == 900 else 0)):.6f}")
    assert "time_back" in some
    many = imported("many", lambda k: f"{scale * (20.0 - 0.01 * k):.6f}")
    assert "run back or repeat" in many
    assert not (tmp_path / "many").exists()
    if form != "asc":  # whose lines need digits
        none = imported("none", lambda k: "nan" if k % 2 else f"{scale * 0.01 * k:.6f}")
        assert none.count("no_number") > 900


@pytest.mark.parametrize("form", TEXTS)
def test_a_log_that_is_cut_off_before_a_wanted_frame_is_one_with_others_only(
    form: str, tmp_path: Path
) -> None:
    """Not one that can't be read: which frames the map wants, its end does not tell."""
    others = ride(50)
    for message in others:
        message.arbitration_id = 801
    path = written(tmp_path / f"log.{form}", others)
    path.write_bytes(path.read_bytes().removesuffix(b"End TriggerBlock\n").rstrip()[:-3])
    said = read(path)
    assert isinstance(said, str)
    assert f"{path} has no frame with a wanted signal, and 49 others; the log breaks off after 49" in said


def test_a_channel_that_the_dbc_has_not_is_told_as_that_and_its_like_come_first(tmp_path: Path) -> None:
    written(tmp_path / "log.asc", ride(20))
    (tmp_path / "bus.dbc").write_text(BUS_DBC)
    (tmp_path / "map.yaml").write_text(
        "kind: track_map\nname: misspelt\ndbc: bus.dbc\n"
        "channels: [{channel: weels.speed, signal: output.wheel_front_m_s, unit: m/s}]\n"
    )
    with pytest.raises(LogError) as caught:
        import_track([tmp_path / "log.asc"], tmp_path / "map.yaml", tmp_path / "out")
    assert caught.value.what == "no channel 'weels.speed' in log.asc"
    assert caught.value.advice.startswith("there are wheels.speed, ")
    assert not (tmp_path / "out").exists()


def test_an_import_that_fills_the_disk_says_that_nothing_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The writer of records is used to rides, of which something does."""
    written(tmp_path / "log.asc", ride(200))
    (tmp_path / "bus.dbc").write_text(BUS_DBC)
    (tmp_path / "map.yaml").write_text(
        "kind: track_map\nname: full\ndbc: bus.dbc\n"
        "channels: [{channel: wheels.speed, signal: output.wheel_front_m_s, unit: m/s}]\n"
    )

    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(writer._ArrowStream, "write", full)
    with pytest.raises(RunFailed, match="No space left on device") as caught:
        import_track([tmp_path / "log.asc"], tmp_path / "map.yaml", tmp_path / "out")
    assert caught.value.advice.endswith("then import again; nothing of it was kept")
    assert "stays readable" not in str(caught.value)
    assert not (tmp_path / "out").exists()
