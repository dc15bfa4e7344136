"""Logs of every form read as they were written, by writers that are not ours; broken ones told in words."""

from __future__ import annotations

import functools
import operator
import subprocess
import sys
from itertools import product
from pathlib import Path

import asammdf
import can
import cantools
import numpy as np
import pandas as pd
import pytest

from emulator.config.track.map_file import TextForm, TimeChannel
from emulator.core.errors import EmulatorError
from emulator.track.logs import gathered
from emulator.track.logs.log import Log, LogError, Wanted
from emulator.track.logs.opening import read_log
from tests.support.bus_dbc import BUS_DBC

TIME = TimeChannel(channel="t")
A, B = Wanted("speed"), Wanted("lean")


@pytest.fixture(scope="module")
def frame() -> pd.DataFrame:
    rng = np.random.default_rng(1)
    t = np.arange(500) * 0.01 + 12.5
    return pd.DataFrame({"t": t, "speed": rng.normal(20, 5, 500), "lean": rng.normal(0, 0.4, 500), "x": 1.0})


def same(log: Log, frame: pd.DataFrame) -> None:
    for wanted in (A, B):
        np.testing.assert_allclose(log.series[wanted].time_s, frame["t"], rtol=0, atol=1e-9)
        np.testing.assert_array_equal(log.series[wanted].values, frame[wanted.channel])


@pytest.mark.parametrize(
    ("delimiter", "decimal"), [pair for pair in product(",;\t|", ".,") if pair != (",", ",")]
)
@pytest.mark.parametrize("head", ["", "made up\nby nobody\n"])
def test_csv_of_any_form(
    frame: pd.DataFrame, tmp_path: Path, delimiter: str, decimal: str, head: str
) -> None:
    path = tmp_path / "log.csv"
    path.write_text(head + frame.to_csv(sep=delimiter, decimal=decimal, index=False))
    same(read_log(path, [A, B], time=TIME), frame)


def test_a_line_of_units_and_other_letters(frame: pd.DataFrame, tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    head, rest = frame.to_csv(sep=";", index=False).split("\n", 1)
    path.write_bytes(f"{head}\ns;km/h;[deg];°C\n{rest}".encode("latin-1"))
    log = read_log(path, [A, B], time=TIME)
    same(log, frame)
    assert (log.series[A].unit, log.series[B].unit) == ("km/h", "deg")


def test_parquet(frame: pd.DataFrame, tmp_path: Path) -> None:
    frame.to_parquet(tmp_path / "log.parquet")
    same(read_log(tmp_path / "log.parquet", [A, B], time=TIME), frame)
    stamped = frame.assign(t=pd.to_datetime((frame["t"] * 1e9).round().astype("int64")))
    stamped.to_parquet(tmp_path / "stamped.parquet")
    same(read_log(tmp_path / "stamped.parquet", [A, B], time=TIME), frame)


def test_mdf(frame: pd.DataFrame, tmp_path: Path) -> None:
    with asammdf.MDF() as file:
        for name in ("speed", "lean"):
            file.append([asammdf.Signal(frame[name].to_numpy(), frame["t"].to_numpy(), name=name)])
        file.append([asammdf.Signal(np.arange(5), np.arange(5.0), name="twice")])
        file.append([asammdf.Signal(np.arange(7), np.arange(7.0), name="twice")])
        file.save(tmp_path / "log.mf4")
    same(read_log(tmp_path / "log.mf4", [A, B]), frame)
    with pytest.raises(LogError, match="in groups 2, 3"):
        read_log(tmp_path / "log.mf4", [Wanted("twice")])
    one = Wanted("twice", 3)
    assert len(read_log(tmp_path / "log.mf4", [one]).series[one].values) == 7


@pytest.mark.parametrize("ending", ["asc", "blf", "log", "trc", "csv"])
@pytest.mark.parametrize("at_once", [7, 1 << 15])
def test_bus_logs(tmp_path: Path, ending: str, at_once: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gathered, "_AT_ONCE", at_once)
    dbc, path = tmp_path / "bus.dbc", tmp_path / f"log.{ending}"
    dbc.write_text(BUS_DBC)
    database = cantools.database.load_string(BUS_DBC, "dbc")
    rng = np.random.default_rng(2)
    speed, lean = np.round(rng.uniform(0, 200, 60), 2), np.round(rng.uniform(-50, 50, 60), 2)
    with can.Logger(str(path)) as logger:
        for k in range(60):
            data = database.encode_message("wheels", {"speed": speed[k], "lean": lean[k]})
            time_s = 1_700_000_000.0 + 0.01 * k
            logger(can.Message(timestamp=time_s, arbitration_id=291, data=data, is_extended_id=False))
            logger(can.Message(timestamp=time_s, arbitration_id=1000, data=b"12", is_extended_id=False))
    log = read_log(path, [Wanted("wheels.speed"), B], dbc=dbc)
    np.testing.assert_allclose(log.series[Wanted("wheels.speed")].values, speed, atol=1e-9)
    np.testing.assert_allclose(log.series[B].values, lean, atol=1e-9)
    np.testing.assert_allclose(np.diff(log.series[B].time_s), 0.01, atol=2e-6 if ending != "trc" else 2e-4)
    with pytest.raises(LogError, match=r"wheels\.speed or far\.speed"):
        read_log(path, [A], dbc=dbc)
    with pytest.raises(LogError, match="names no DBC"):
        read_log(path, [B])


def test_both_sentences_of_a_quick_receiver_are_one_epoch(tmp_path: Path) -> None:
    def sentence(body: str) -> str:
        return f"${body}*{functools.reduce(operator.xor, body.encode()):02X}\r\n"

    text = ""
    for k in range(1000):
        time = f"{100000 + k // 100:06d}.{k % 100:02d}"
        text += sentence(f"GPGGA,{time},4715.000,N,00551.000,E,4,12,0.8,300.0,M,47.0,M,,")
        text += sentence(f"GPRMC,{time},A,4715.000,N,00551.000,E,10.0,90.0,310327,,,A")
    path = tmp_path / "log.nmea"
    path.write_text(text)
    log = read_log(path, [Wanted("speed"), Wanted("fix")])
    for series in log.series.values():
        assert np.isfinite(series.values).sum() == len(series.values)
        np.testing.assert_allclose(np.diff(series.time_s), 0.01, atol=1e-6)


def test_sentences_with_more_decimals_than_nmea_has_room_for_are_read(tmp_path: Path) -> None:
    body = "GNGGA,100000.400,4715.0000020,N,00551.0000110,E,4,17,0.7,241.0412,M,0.0,M,0.9,0001"
    path = tmp_path / "log.nmea"
    path.write_text(f"${body}*{functools.reduce(operator.xor, body.encode()):02X}\r\n")
    log = read_log(path, [Wanted("altitude")])
    assert log.series[Wanted("altitude")].values.tolist() == [241.0412]
    assert not log.remarks


def test_nmea_over_midnight(tmp_path: Path) -> None:
    def sentence(body: str) -> str:
        total = 0
        for letter in body:
            total ^= ord(letter)
        return f"${body}*{total:02X}\r\n"

    text = ""
    for time, day in (("235959.80", "310327"), ("235959.90", "310327"), ("000000.00", "010427")):
        text += sentence(f"GPGGA,{time},4715.000,N,00551.000,E,4,12,0.8,300.0,M,47.0,M,,")
        text += sentence(f"GPRMC,{time},A,4715.000,N,00551.000,E,10.0,90.0,{day},,,A")
    path = tmp_path / "log.nmea"
    path.write_text(text + text[:40] + "\r\n" + text[:30].replace("4715", "4716") + "*00\r\n")
    wanted = [Wanted(name) for name in ("latitude", "speed", "course", "fix")]
    log = read_log(path, wanted)
    np.testing.assert_allclose(np.diff(log.series[wanted[0]].time_s), 0.1, atol=1e-6)
    assert log.series[wanted[0]].values.tolist() == [47.25] * 3
    np.testing.assert_allclose(log.series[wanted[1]].values, 10 * 1852 / 3600)
    assert log.series[wanted[2]].values.tolist() == [90.0] * 3
    assert log.series[wanted[3]].values.tolist() == [4.0] * 3
    assert "were left out" in log.remarks[0]


# -- what can't be read ------------------------------------------------------------------------------------


def in_words(path: Path, **more: object) -> str:
    with pytest.raises(EmulatorError) as refused:
        read_log(path, [A, B], time=TIME, **more)
    assert refused.value.exit_status == 3
    return str(refused.value)


def test_a_csv_cut_off_in_the_middle_is_read_to_there(frame: pd.DataFrame, tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    text = frame.to_csv(index=False)
    for cut in range(len(text) - 90, len(text) - 1, 7):
        path.write_text(text[:cut])
        log = read_log(path, [A, B], time=TIME)
        n = len(log.series[A].values)
        assert 490 <= n < 500
        np.testing.assert_array_equal(log.series[B].values, frame["lean"][:n])
        assert any("middle of a line" in remark for remark in log.remarks)


@pytest.mark.parametrize("ending", ["parquet", "mf4", "blf"])
@pytest.mark.parametrize("share", [0.02, 0.5, 0.97])
def test_other_forms_cut_off_are_told(frame: pd.DataFrame, tmp_path: Path, ending: str, share: float) -> None:
    path = tmp_path / f"log.{ending}"
    (tmp_path / "bus.dbc").write_text(BUS_DBC)
    if ending == "parquet":
        frame.to_parquet(path)
    elif ending == "mf4":
        with asammdf.MDF() as file:
            for name in ("speed", "lean"):
                file.append([asammdf.Signal(frame[name].to_numpy(), frame["t"].to_numpy(), name=name)])
            file.save(path)
    else:
        with can.Logger(str(path)) as logger:
            for k in range(3000):
                logger(
                    can.Message(timestamp=0.01 * k, arbitration_id=291, data=bytes(8), is_extended_id=False)
                )
    content = path.read_bytes()
    path.write_bytes(content[: int(share * len(content))])
    asked = [Wanted("wheels.speed")] if ending == "blf" else [A, B]
    log, refused = None, None
    try:
        log = read_log(path, asked, time=TIME, dbc=tmp_path / "bus.dbc")
    except EmulatorError as error:
        refused = error
    if log is not None:
        assert log.remarks or not log.series
    if refused is not None:
        assert refused.exit_status == 3
        assert str(path) in str(refused)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is empty"),
        (b"a,b,c\n1,2,3\n", "no line names the columns"),
        (b"t,speed,lean\n1,2,3\n2,3\n3,4\n4,5\n", "another number of columns"),
        (b"t,speed,lean\n1,fast,3\n2,3,4\n", "no table of numbers"),
        (b"t,speed,speed\n1,2,3\n", "several columns 'speed'"),
        (b"\x00\x01\x02\x03" * 100, "no line names the columns"),
        (b"PAR1nothing", "Parquet"),
        (b"MDF     4.10    nothing", "MDF"),
        (b"speed,lean\n1,2\n", "no column 't'"),
    ],
)
def test_what_is_no_log_is_told(tmp_path: Path, content: bytes, said: str) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(content)
    assert said in in_words(path)


def test_a_csv_without_rows_has_none(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("t,speed,lean\n")
    assert len(read_log(path, [A, B], time=TIME).series[A].values) == 0


def test_what_is_not_there_or_no_file_is_told(tmp_path: Path) -> None:
    assert "can't be read" in in_words(tmp_path / "none.csv")
    assert "no ordinary file" in in_words(tmp_path)


def test_a_header_that_promises_ten_gigabytes_is_refused(frame: pd.DataFrame, tmp_path: Path) -> None:
    path = tmp_path / "log.mf4"
    with asammdf.MDF() as file:
        file.append([asammdf.Signal(frame["speed"].to_numpy(), frame["t"].to_numpy(), name="speed")])
        file.save(path)
    content = bytearray(path.read_bytes())
    # a channel group: 24 bytes of head, six links, then its record's number and how many records there are
    at = content.index(b"##CG") + 24 + 6 * 8 + 8
    content[at : at + 8] = (700_000_000).to_bytes(8, "little")
    path.write_bytes(content)
    assert "says that group 0 holds" in in_words(path)


def test_the_map_says_what_can_not_be_found(frame: pd.DataFrame, tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("speed lean t\n" * 3 + frame.to_csv(sep=" ", index=False))
    same(read_log(path, [A, B], time=TIME, form=TextForm(header_line=4, delimiter=" ")), frame)


WRITTEN_AND_READ = """\
import sys
from pathlib import Path
import can
from emulator.track.logs.log import Wanted
from emulator.track.logs.opening import read_log
log, dbc = Path("frames.mf4"), Path("bus.dbc")
with can.MF4Writer(log) as writer:
    for k in range(50):
        writer.on_message_received(
            can.Message(timestamp=1e9 + k / 100, arbitration_id=291, data=[k, *7 * [0]], is_extended_id=False)
        )
wanted = Wanted("wheels.speed")
series = read_log(log, [wanted], dbc=dbc).series[wanted]
print([round(float(v), 2) for v in series.values[:3]], len(series.values), series.unit)
"""


def test_frames_of_an_mdf_log_are_read(tmp_path: Path) -> None:
    """In a process of its own: one that has opened a bus can't (emulator.links.python_can)."""
    (tmp_path / "bus.dbc").write_text(BUS_DBC)
    done = subprocess.run(
        [sys.executable, "-c", WRITTEN_AND_READ],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.stdout == "[0.0, 0.01, 0.02] 50 km/h\n", done.stderr
