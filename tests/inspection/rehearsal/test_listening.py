"""What is measured of frames, on arrivals whose figures are known, and which mistake a checksum fits."""

from __future__ import annotations

import numpy as np
import pytest

from emulator.assembly.session import Session
from emulator.core.frame_buffer import frame_buffer
from emulator.inspection.rehearsal.crc_start import fit_of
from emulator.inspection.rehearsal.heard import Received, Spans, expected_frames, sort_frames
from emulator.inspection.rehearsal.listening import figures_of, judge_listening
from emulator.inspection.sensors.capture import level_session
from tests.support.scripted_robot import RIG, ScriptedRobot

BEGIN, END = 10**12, 10**12 + 1_000_000_000


@pytest.fixture(scope="module")
def session() -> Session:
    return level_session(RIG)


def sent(
    session: Session, name: str, at_ms: list[float], skips: dict[int, int] | None = None
) -> list[Received]:
    """Sound frames at these times after the begin; ``skips``: counts left out before the n-th."""
    robot, into = ScriptedRobot(session.codec), frame_buffer(1)
    found = []
    for k, then_ms in enumerate(at_ms):
        into.count[0] = 0
        values = {"throttle": 0.1 + 0.001 * k, "clutch": 1.0, "heartbeat": float(k), "gear_request": 1.0}
        robot.send(into, name, values, skip=(skips or {}).get(k, 0))
        payload = into.data[0, : int(into.length[0])].tobytes()
        found.append((BEGIN + round(then_ms * 1e6), int(into.can_id[0]), payload))
    return found


def expected(session: Session, name: str):  # type: ignore[no-untyped-def]
    return next(e for e in expected_frames(session) if e.name == name)


def test_figures_of_known_arrivals(session: Session) -> None:
    times = [10.0 * k + (1.0 if k % 2 else 0.0) for k in range(100)]  # 11 and 9 ms in turn
    frames = sent(session, "drive", times, skips={40: 3})
    at, can_id, payload = frames[7]
    frames[7] = (at, can_id, payload[:-1] + bytes([payload[-1] ^ 1]))
    heard = sort_frames(frames, session.codec, BEGIN, END)
    figures = figures_of(expected(session, "drive"), heard, session.codec)
    assert figures.frames == 100
    assert figures.rate_hz == pytest.approx(99 / 0.991)
    assert figures.expected_hz == 100.0
    assert figures.interval_ms[0] == pytest.approx(11.0)  # 50 of them, 49 of 9 ms
    assert figures.interval_ms[2] == pytest.approx(11.0)
    assert figures.jitter_ms == pytest.approx(float(np.std([11.0, 9.0] * 49 + [11.0])))
    assert (figures.wrong_crc, figures.missed, figures.repeated) == (1, 3, 0)
    assert figures.ranges["throttle"] == pytest.approx((0.1, 0.199))
    assert figures.ranges["front_brake_Pa"] is None


@pytest.mark.parametrize(("slept", "found"), [((), [("pause", "nobody knows")]), (((300, 590),), [])])
def test_a_pause_that_the_bench_slept_through_counts_for_nobody(
    session: Session, slept: tuple[tuple[int, int], ...], found: list[tuple[str, str]]
) -> None:
    frames = []
    for e in expected_frames(session):
        times = [e.period_ms * k for k in range(1, round(1000.0 / e.period_ms))]
        frames += sent(session, e.name, [600.0 if 300.0 < t < 600.0 else t for t in times])
    deaf: Spans = tuple((BEGIN + b * 1_000_000, BEGIN + e * 1_000_000) for b, e in slept)
    heard = sort_frames(sorted(frames), session.codec, BEGIN, END, deaf)
    judged = judge_listening(heard, expected_frames(session), session.codec, one_host=True)
    pauses = [(f.kind, f.whose) for f in judged if f.kind == "pause"]
    assert pauses == found * (3 if found else 0)  # steering, drive, gear are watched


@pytest.mark.parametrize("one_host", [True, False])
@pytest.mark.parametrize("divider", [1.0, 1.2])
def test_a_rate_that_pauses_alone_took_away_may_be_that_of_a_machine_that_is_shared(
    session: Session, one_host: bool, divider: float
) -> None:
    """Steering stands still from 0.3 to 0.5 s; with a wrong divider every interval is too long besides."""
    frames = []
    for e in expected_frames(session):
        period_ms = e.period_ms * (divider if e.name == "steering" else 1.0)
        times = [period_ms * k for k in range(1, round(1000.0 / period_ms))]
        frames += sent(session, e.name, [t for t in times if e.name != "steering" or not 300.0 < t < 500.0])
    heard = sort_frames(sorted(frames), session.codec, BEGIN, END)
    judged = judge_listening(heard, expected_frames(session), session.codec, one_host=one_host)
    whose = "nobody knows" if one_host and divider == 1.0 else "robot"
    assert [(f.about, f.whose) for f in judged if f.kind == "rate"] == [("steering", whose)]


def test_a_frame_with_a_wrong_identifier_is_recognised(session: Session) -> None:
    frames = []
    for e in expected_frames(session):
        times = [e.period_ms * k for k in range(1, round(1000.0 / e.period_ms))]
        frames += sent(session, e.name, times)
    drive = int(session.codec.table.can_id[session.codec.frame("drive")])
    frames = sorted((at, 0x555 if i == drive else i, payload) for at, i, payload in frames)
    heard = sort_frames(frames, session.codec, BEGIN, END)
    (found,) = judge_listening(heard, expected_frames(session), session.codec, one_host=False)
    assert (found.kind, found.about, found.whose) == ("missing", "drive", "robot")
    assert "555" in found.what


def by_bits(start: int, data: bytes) -> int:
    """CRC with polynomial 0x1D, bit by bit: independent of the program's table."""
    for byte in data:
        start ^= byte
        for _ in range(8):
            start = (start << 1 ^ 0x1D) & 0xFF if start & 0x80 else start << 1
    return start


@pytest.mark.parametrize(
    ("words", "start", "inverted"),
    [
        ("starts from 0 without the data id", lambda _low, _high: 0, 0),
        ("starts from 0xFF without", lambda _low, _high: 0xFF, 0),
        ("SAE J1850", lambda _low, _high: 0xFF, 0xFF),
        ("0xFF before the data id, not", lambda low, high: by_bits(0xFF, bytes([low, high])), 0),
        (
            "0xFF before the data id and",
            lambda low, high: by_bits(0xFF, bytes([low, high])),
            0xFF,
        ),
        ("inverted at its end", lambda low, high: by_bits(0, bytes([low, high])), 0xFF),
        ("bytes are swapped", lambda low, high: by_bits(0, bytes([high, low])), 0),
        ("mode low, not both", lambda low, _high: by_bits(0, bytes([low])), 0),
        ("that of frame gear", lambda _low, _high: by_bits(0, bytes([7171 & 0xFF, 7171 >> 8])), 0),
        ("starts from 0x5A", lambda _low, _high: 0x5A, 0),
    ],
)
def test_the_mistake_behind_a_checksum_is_named(session: Session, words: str, start, inverted: int) -> None:  # type: ignore[no-untyped-def]
    f = session.codec.frame("steering")
    data_id = int(session.codec.table.data_id[f])
    assert session.codec.table.data_id[session.codec.frame("gear")] == 7171
    frames = [p for _, _, p in sent(session, "steering", [2.0 * k for k in range(20)])]
    begin = start(data_id & 0xFF, data_id >> 8)
    wrong = [bytes([by_bits(begin, p[1:]) ^ inverted]) + p[1:] for p in frames]
    assert words in fit_of(session.codec, f, wrong).words


def test_checksums_that_fit_nothing_are_given_no_mistake(session: Session) -> None:
    random = np.random.default_rng(3)
    frames = [p for _, _, p in sent(session, "steering", [2.0 * k for k in range(20)])]
    wrong = [bytes([int(random.integers(256))]) + p[1:] for p in frames]
    assert fit_of(session.codec, session.codec.frame("steering"), wrong) == ("", None)
    assert fit_of(session.codec, session.codec.frame("steering"), wrong[:1]) == ("", None), "one is no proof"


def test_a_labs_frames_are_judged_by_their_own_profiles() -> None:
    lab = level_session(RIG.with_name("lab_names.yaml"))
    assert [e.name for e in expected_frames(lab)] == ["steering", "drive", "gear"]
    frames = []
    for e in expected_frames(lab):
        frames += sent(lab, e.name, [e.period_ms * k for k in range(1, round(1000.0 / e.period_ms))])

    def judged(received: list[Received]) -> list[tuple[str, str, str]]:
        heard = sort_frames(sorted(received), lab.codec, BEGIN, END)
        found = judge_listening(heard, expected_frames(lab), lab.codec, one_host=False)
        return [(f.kind, f.about, f.whose) for f in found]

    assert judged(frames) == []
    steering = int(lab.codec.table.can_id[lab.codec.frame("steering")])  # profile 5: 499 counters of 256
    spoilt = [(at, i, p[:-1] + bytes([p[-1] ^ 1]) if i == steering else p) for at, i, p in frames]
    assert judged(spoilt) == [("crc", "steering (RIDER_STEER)", "robot")]
    once = next(p for _, i, p in frames if i == steering)
    stuck = [(at, i, once if i == steering else p) for at, i, p in frames]
    assert judged(stuck) == [("counter", "steering (RIDER_STEER)", "robot")]
