"""A bench's log as a file to a rig file, and what is refused."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import typer

from emulator.assembly.session import load_session
from emulator.cli.track.actuators import actuators as command
from emulator.config.rig.file import load_rig
from emulator.runs.in_memory import ride_in_memory
from emulator.runs.one import ride
from emulator.track.actuators.following import Actuator, delivered
from emulator.track.actuators.from_record import ActuatorsRefused, identify_actuators
from tests.support.bench_logs import STEERING, TRUTH, bench_record
from tests.support.scripted_robot import RIG, RUN, variant


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return bench_record(tmp_path_factory.mktemp("bench"))


def test_a_log_becomes_a_rig_with_the_actuators_that_it_tells_of(record: Path, tmp_path: Path) -> None:
    out = tmp_path / "bench.yaml"
    found = identify_actuators(record, Path(RIG), out, command="as typed", date="2026-05-06")
    steering, throttle = found.ones
    assert set(steering.values) == {"time_constant_ms", "rate_limit_Nm_s", "free_play_Nm"}
    assert throttle.found is None
    assert "the command moves by 0" in throttle.refused
    before, now = load_rig(Path(RIG))[0].actuators, load_rig(out)[0].actuators
    assert now.steering.time_constant_ms == pytest.approx(10.0, rel=0.05)
    assert now.steering.rate_limit_Nm_s == pytest.approx(300.0, rel=0.02)
    assert now.steering.free_play_Nm == pytest.approx(0.6, rel=0.05)
    assert steering.found is not None
    for number, truth in (
        (steering.found.time_constant, TRUTH.time_constant),
        (steering.found.delay, TRUTH.delay),
        (steering.found.rate_limit, 1.0 / TRUTH.slowness),
        (steering.found.free_play, TRUTH.free_play),
    ):
        assert abs(number.value - truth) < 3.0 * number.sd
    assert now.steering.limit_Nm == before.steering.limit_Nm
    assert now.throttle == before.throttle
    text = out.read_text(encoding="utf-8")
    assert found.sha256 in text
    assert "as typed" in text
    assert list(tmp_path.iterdir()) == [out]


def test_the_rig_that_is_written_rides_with_that_play(record: Path, tmp_path: Path) -> None:
    """In the ride, too, the torque stays where it is until the command has gone through the play."""
    out = tmp_path / "bench.yaml"
    identify_actuators(record, Path(RIG), out, command="c", date="2026-05-06")
    rows = {}
    for name, rig in (("before", Path(RIG)), ("now", out)):
        session = variant(load_session(rig, RUN, seed=5), scenario={"duration_limit_s": 3.0})
        run = ride_in_memory(session).run
        rows[name] = run.signals
        a = session.rig.actuators.steering
        asked = run.signals[STEERING[0]]
        free = np.flatnonzero(np.isfinite(asked))
        made = delivered(
            Actuator(1e-3 * a.time_constant_ms, 1.0 / a.rate_limit_Nm_s, a.free_play_Nm),
            np.concatenate([[0.0], asked[free[0] : free[-1] + 1]]),
            -a.limit_Nm,
            a.limit_Nm,
        )[1:]
        if name == "now":
            assert not np.allclose(made, rows["before"][STEERING[1]][free[0] : free[-1] + 1], atol=1e-3)
        assert np.allclose(
            made, run.signals[STEERING[1]][free[0] : free[-1] + 1], atol=0.7 if name == "now" else 1e-9
        )


def test_what_was_not_measured_is_refused(record: Path, tmp_path: Path) -> None:
    session = variant(load_session(RIG, RUN, seed=5), scenario={"duration_limit_s": 1.0})
    ride(session, (Path(RIG), Path(RUN)), tmp_path / "run", virtual=True)
    with pytest.raises(ActuatorsRefused, match="the rig's own model of them, not what was measured"):
        identify_actuators(tmp_path / "run", Path(RIG), tmp_path / "o.yaml", command="c", date="d")
    one = tmp_path / "one"
    one.mkdir()
    alone = bench_record(one, STEERING[1:])
    with pytest.raises(ActuatorsRefused, match="no actuator has both its command and what was measured"):
        identify_actuators(alone, Path(RIG), tmp_path / "o.yaml", command="c", date="d")
    assert not (tmp_path / "o.yaml").exists()


def test_the_command_tells_what_it_found(
    record: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "bench.yaml"
    with pytest.raises(typer.Exit) as ended:
        command(record, Path(RIG), out)
    said = capsys.readouterr().out
    assert ended.value.exit_code == 0
    for part in ("steering", "throttle: refused, the command moves by 0", f"rig: {out}"):
        assert part in said
    with pytest.raises(typer.BadParameter, match="is there already"):
        command(record, Path(RIG), out)
    with pytest.raises(typer.Exit):
        command(record, Path(RIG), out, True, True)
    told = json.loads(capsys.readouterr().out)["actuators"][0]
    assert told["written"]["time_constant_ms"] == pytest.approx(10.0, rel=0.05)
    assert told["found"]["time_constant"]["told"] is True
