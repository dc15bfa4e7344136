"""When samples may go, whatever is drawn: the plan against what the compiled schedule does."""

from __future__ import annotations

from fractions import Fraction

import pytest

from emulator.assembly.session import Session, load_session
from emulator.config.rig.bus_load import schedule
from emulator.config.rig.hand_overs import Periodic, Plan, Window, passages, plan_of
from tests.support.bench_plan import drawn, told
from tests.support.scripted_robot import RIG, RUN, variant

MS = 1_000_000


def plan(session: Session, drawn_ns: int = 3 * MS) -> Plan:
    """With wheel_speed's six sigma."""
    found = plan_of(
        schedule(session.rig, session.codec),
        [drawn_ns * (o.jitter_ms > 0) for o in session.rig.outputs.values()],
    )
    assert found is not None
    return found


@pytest.fixture(scope="module", params=[500_000, 1_000_000])
def session(request: pytest.FixtureRequest) -> Session:
    loaded = load_session(RIG.with_name("megabit.yaml"), RUN, seed=5)
    return variant(loaded, rig={"bus": loaded.rig.bus.model_copy(update={"bitrate": request.param})})


@pytest.mark.parametrize(
    ("rate", "ticks"),
    [
        (Fraction(400), [0, 3, 5, 8, 10, 13]),  # each 2.5 ticks: 2.5, 5, 7.5, ...
        (Fraction(300), [0, 3, 7, 10, 13, 17]),  # each 3.33 ticks
        (Fraction(1000, 3), [0, 3, 6, 9, 12, 15]),
    ],
)
def test_a_sample_is_valid_at_the_tick_nearest_to_its_exact_time_halves_up(
    rate: Fraction, ticks: list[int]
) -> None:
    passed, _ = passages([Periodic("o", rate, 0, 0)], 18)
    assert [p.valid_ns for p in passed][:6] == [tick * MS for tick in ticks]


def test_every_draw_keeps_to_one_of_the_ways(session: Session) -> None:
    """10 s of the compiled schedule; each sample within its window, and all of a repetition in one way."""
    p, names = plan(session), list(session.rig.outputs)
    ways = [dict(zip(names, way, strict=True)) for way in p.ways]
    repetitions: dict[int, list[tuple[str, int, int]]] = {}
    for h in drawn(session, 3, 10_000):
        n, valid = divmod(h.valid_ns, p.repeat_ns)
        repetitions.setdefault(n, []).append((h.name, valid, h.handed_ns - n * p.repeat_ns))
    windows = [{(name, w.valid_ns): w for name in names for w in way[name]} for way in ways]
    kept = 0
    for n in range(2, len(repetitions) - 2):
        sent = repetitions[n]
        assert len(sent) == len(windows[0])
        kept += any(
            all(w[name, v].first_ns <= at <= w[name, v].last_ns for name, v, at in sent) for w in windows
        )
    assert kept == len(repetitions) - 4
    assert kept > 400


def test_on_a_slow_bus_a_draw_moves_others_and_on_a_fast_one_it_does_not(session: Session) -> None:
    p = plan(session)
    fast = session.rig.bus.bitrate == 1_000_000
    assert len(p.ways) == (1 if fast else 9)
    assert p.repeat_ns == 20 * MS
    # the ends of what may be drawn are among the ways
    names = list(session.rig.outputs)
    for draw_ns in (0, 3 * MS):
        for h in told(session, draw_ns, 80):
            if 40 * MS <= h.valid_ns < 60 * MS:
                mine = [
                    w
                    for way in p.ways
                    for w in way[names.index(h.name)]
                    if w.valid_ns == h.valid_ns - 40 * MS
                ]
                assert any(w.first_ns <= h.handed_ns - 40 * MS <= w.last_ns for w in mine), h


def test_nothing_drawn_nothing_moves() -> None:
    two = [Periodic("a", Fraction(500), 2 * MS, 250_000), Periodic("b", Fraction(100), 5 * MS, 250_000, 1)]
    found = plan_of(two, [0, 0])
    assert found is not None
    (way,) = found.ways
    assert found.repeat_ns == 10 * MS
    assert way[1] == (Window(0, 5 * MS, 5 * MS),)
    assert [w.first_ns - w.valid_ns for w in way[0]] == [2 * MS] * 5


@pytest.mark.parametrize(
    ("rates", "drawn_ns"),
    [
        ((100, 100), (MS, MS)),  # two that are drawn
        ((100, 200), (0, 2 * MS)),  # its samples come within four ticks
        ((500, Fraction(33333, 100)), (0, 0)),  # ten thousand ticks until it repeats
    ],
)
def test_where_no_plan_is_known_there_is_none(rates: tuple[Fraction, ...], drawn_ns: tuple[int, ...]) -> None:
    outputs = [Periodic(f"o{i}", Fraction(rate), 5 * MS, 200_000, i) for i, rate in enumerate(rates)]
    assert plan_of(outputs, drawn_ns) is None
    assert plan_of(outputs[:1], drawn_ns[:1]) is not None
