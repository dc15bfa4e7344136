"""What a rig asks of its frames against what DBC and bus give, each at its line with the figure."""

import json
import re
import shutil
from collections.abc import Sequence
from pathlib import Path

import pytest

from emulator.assembly.check import check
from emulator.assembly.session import load_session
from emulator.config.rig.file import load_rig
from emulator.config.rig.frames import frame_contradictions, read_codec
from emulator.core.errors import ConfigError, Problem
from emulator.wire.dbc_frames import load_codec

SCENARIOS = Path(__file__).parents[3] / "scenarios"
LEVERS = "  levers: {rate_hz: 100.0, latency_ms: 5.0%s}\n  suspension: {rate_hz: 200.0, latency_ms: 3.0}\n"
SERIAL = "  kind: serial\n  device: /dev/none\n  bitrate: %d\n"
LOOPBACK = "  kind: loopback\n  host: 127.0.0.1\n  port: 0 # any free one\n"


@pytest.fixture
def rig(tmp_path):
    """The demo bench's files, which a test may change: the path, and a way to change a text in it."""
    shutil.copytree(SCENARIOS, tmp_path / "s")
    path = tmp_path / "s" / "rigs" / "loopback.yaml"

    def change(*pairs, file=path):
        text = file.read_text()
        for old, new in pairs:
            assert text.count(old) == 1, old
            text = text.replace(old, new)
        file.write_text(text)
        return found(path)

    return path, change


def found(path):
    """(problems, warnings), each told at the line of its key."""
    rig, source = load_rig(path)
    codec = read_codec(rig, source)
    text = ["", *path.read_text().splitlines()]
    both = frame_contradictions(rig, source, codec)
    for problem in (*both[0], *both[1]):
        assert problem.file == str(path)
        name = re.sub(r"(\.\d+)+$", "", problem.key).rpartition(".")[2]
        before = text[problem.line - 1].partition("#")[0].strip()
        assert f"{name}:" in text[problem.line] or before == f"{name}:", problem
    return both


def keys(problems: Sequence[Problem]) -> list[str]:
    return [p.key for p in problems]


def figures(problem: Problem) -> list[float]:
    """The numbers it tells, in order; not those within names."""
    return [float(n) for n in re.findall(r"(?<![\w.-])-?\d+(?:\.\d+)?(?!\w)", problem.expected)]


def test_the_shipped_rigs_have_none():
    for name in ("loopback", "trainer", "megabit"):
        assert found(SCENARIOS / "rigs" / f"{name}.yaml") == ([], [])


def test_an_output_is_a_frame_of_the_dbc_that_the_bench_can_fill(rig):
    path, change = rig
    can = (
        "(imu_rates, imu_force, lean, steering_angle, wheel_speed, wheel_pulses_front, wheel_pulses_rear, "
        "drive_torque, engine, suspension, levers, steering_load, emulator_state)"
    )
    with pytest.raises(ConfigError) as refused:
        change(("  lean: {rate", "  leen: {rate"), ("  engine: {rate", "  steering: {rate"))
    problems = {p.key: (p.expected, p.file, p.line) for p in refused.value.problems}
    lines = path.read_text().splitlines()
    line = next(i for i, text in enumerate(lines, 1) if text.startswith("  leen"))
    assert sorted(problems) == ["outputs.leen", "outputs.steering"]
    text, *place = problems["outputs.leen"]
    assert place == [str(path), line]
    assert can in text
    assert text.endswith("'leen', did you mean 'lean'?")
    assert problems["outputs.steering"][0].endswith("steering has steering_torque_Nm")


def test_a_frame_has_the_name_that_its_dbc_gives_it(rig):
    """Former rigs and DBCs call the frame of the steering angle ``fork_angle``: an output like any other."""
    path, change = rig
    dbc = path.with_name("bench.dbc")
    text = dbc.read_text()
    assert text.count("BO_ 259 steering_angle:") == 1
    dbc.write_text(text.replace("BO_ 259 steering_angle:", "BO_ 259 fork_angle:"))
    with pytest.raises(ConfigError, match=r"outputs\.steering_angle: expected a frame of the DBC"):
        found(path)
    assert change(("  steering_angle: {rate_hz", "  fork_angle: {rate_hz")) == ([], [])
    assert load_rig(path)[1].warnings == ()


def test_pulses_need_a_ring_whatever_their_frame_is_called(rig):
    path, change = rig
    dbc = path.with_name("bench.dbc")
    dbc.write_text(dbc.read_text().replace("wheel_pulses_rear", "ticks"))
    text = path.read_text()
    start, end = text.index("  wheel_speed:\n    tone_ring"), text.index("  steering_angle: {noise")
    ticks = "  ticks: {rate_hz: 100, latency_ms: 8}\n  # also in"
    problems, _ = change((text[start:end], "  wheel_speed: {}\n"), ("  # also in", ticks))
    assert keys(problems) == ["outputs.ticks"]
    assert "expected sensors.wheel_speed.tone_ring" in problems[0].expected


def test_a_latency_shorter_than_the_frame_on_the_wire_is_refused(rig):
    _, change = rig
    # 8 bytes with this identifier: 131 bits (emulator.wire.stuffing.longest); 0.262 ms at 500 kbit/s
    assert change((LOOPBACK, SERIAL % 1_000_000)) == ([], [])
    short = ("latency_ms: 1.0}\n  # also", "latency_ms: 0.2}\n  # also")
    problems, _ = change(("bitrate: 1000000", "bitrate: 500000"), short)
    assert keys(problems) == ["outputs.emulator_state.latency_ms"]
    assert figures(problems[0]) == [0.262, 131, 500_000, 0.2]


def test_a_kernel_bus_is_checked_only_if_its_bit_rate_is_told(rig):
    _, change = rig
    short = ("latency_ms: 1.0}\n  # also", "latency_ms: 0.2}\n  # also")
    assert change((LOOPBACK, "  kind: socketcan\n  channel: can0\n"), short) == ([], [])
    problems, _ = change(("  channel: can0\n", "  channel: can0\n  bitrate: 1000000\n"))
    assert problems == []  # 0.131 ms
    problems, _ = change(("bitrate: 1000000", "bitrate: 500000"))
    assert keys(problems) == ["outputs.emulator_state.latency_ms"]


def test_more_than_the_bus_carries_is_refused(rig):
    _, change = rig
    # 500 + 500 + 500 + 100 + 100 + 100 + 50 = 1850 frames of 130 to 132 bits, and of the robot
    # 500 + 100 + 50 + 100 + 100 = 850: 354700 bit/s in all
    assert change((LOOPBACK, SERIAL % 500_000))[0] == []
    problems, _ = change(("bitrate: 500000", "bitrate: 250000"))
    assert keys(problems) == ["bus"]
    assert figures(problems[0]) == [142, 250_000]
    assert "device_under_test.periods_ms" in problems[0].expected
    # a robot that is not ours may send less
    none, warnings = change(("kind: reference", "kind: external"))
    assert none == []
    assert (keys(warnings), figures(warnings[0])) == (["bus"], [142, 250_000])
    slow = "{steering: 10, drive: 20, gear: 50, estimate_pose: 100, estimate_motion: 100}"
    problems, warnings = change(
        ("kind: external", f"kind: external\n  periods_ms: {slow}"),
        ("steering_angle: {rate_hz: 500.0", "steering_angle: {rate_hz: 250.0"),
    )
    assert problems == []
    assert not any(250_000 in figures(warning) for warning in warnings)
    problems, _ = change(("bitrate: 250000", "bitrate: 100000"))
    # 1600 frames now
    assert [figures(p) for p in problems if p.key == "bus"] == [[100_000, 210]]


def test_a_latency_that_the_outputs_themselves_can_not_keep_is_refused(rig):
    _, change = rig
    problems, _ = change((LOOPBACK, SERIAL % 500_000), ("age_p99_ms: 3.0", "age_p99_ms: 0.7"))
    # lean goes behind the two of the inertial unit, wheel speed behind the steering angle, too: 3 and 4
    # frames of 123 bits at 500 kbit/s are 0.738 and 0.984 ms
    assert keys(problems) == ["outputs.lean.latency_ms", "outputs.wheel_speed.latency_ms"]
    # as it is, how much later, what is allowed, what would do
    assert [figures(p) for p in problems] == [[8, 0.74, 0.7, 8.7], [6, 0.98, 0.7, 7.0]]
    assert all("timing.age_p99_ms" in p.expected for p in problems)
    assert change(("age_p99_ms: 0.7", "age_p99_ms: 1.0"))[0] == []


def test_what_may_come_too_late_at_worst_is_doubtful(rig):
    _, change = rig
    problems, warnings = change((LOOPBACK, SERIAL % 500_000), ("age_p99_ms: 3.0", "age_p99_ms: 2.0"))
    assert problems == []
    assert keys(warnings) == ["bus", "bus"]
    old, slow = (w.expected for w in warnings)
    assert "timing.age_p99_ms (2)" in old
    assert old.endswith("emulator_state 3.10 ms instead of 1")
    assert "beyond their periods" in slow
    assert slow.endswith("steering_angle 3.10 ms of 2")


def test_a_sensors_range_has_to_fit_the_signal(rig):
    _, change = rig
    sensor = "  analogue:\n    fork_travel_m: {range: [0.0, %s]}\n"
    engine = "  engine: {rate_hz: 100.0, latency_ms: 5.0}\n"
    where = "  steering_angle: {noise_rad: 0.0003}\n"
    assert change((engine, engine + LEVERS % ""), (where, where + sensor % "0.65")) == ([], [])
    problems, _ = change(("[0.0, 0.65]", "[-0.1, 0.7]"))
    assert keys(problems) == [f"sensors.analogue.fork_travel_m.range.{i}" for i in (0, 1)]
    assert [figures(p) for p in problems] == [[0, 0.65534, -0.1], [0, 0.65534, 0.7]]
    assert all("frame suspension" in p.expected for p in problems)


def test_a_range_of_a_frame_that_is_not_sent_does_not_matter(rig):
    _, change = rig
    where = "  steering_angle: {noise_rad: 0.0003}\n"
    assert change((where, where + "  analogue:\n    fork_travel_m: {range: [0.0, 9.0]}\n")) == ([], [])


def test_a_resolution_finer_than_the_dbcs_step_is_doubtful(rig):
    _, change = rig
    engine = "  engine: {rate_hz: 100.0, latency_ms: 5.0}\n"
    where = "  steering_angle: {noise_rad: 0.0003}\n"
    sensor = "  analogue:\n    throttle_position: {resolution: 0.0005}\n"
    problems, warnings = change(
        (engine, engine + LEVERS % ""),
        (where, where + sensor),
        ("resolution_m_s: 0.005", "resolution_m_s: 0.001"),
    )
    assert problems == []
    throttle, ring = warnings
    assert throttle.key == "sensors.analogue.throttle_position.resolution"
    assert figures(throttle) == [0.0005, 0.001]
    assert "frame levers" in throttle.expected
    assert ring.key == "sensors.wheel_speed.tone_ring.resolution_m_s"
    assert figures(ring) == [0.001, 0.005]
    assert "frame wheel_speed" in ring.expected


def test_an_actuators_limit_that_no_frame_can_ask_for_is_doubtful(rig):
    _, change = rig
    problems, warnings = change(("limit_bar: 20.0", "limit_bar: 180.0"))
    assert problems == []
    assert keys(warnings) == ["actuators.front_brake.limit_bar"]
    assert figures(warnings[0]) == [180, 163.835]
    assert "frame drive" in warnings[0].expected


def test_absent_signals_are_those_of_the_frame_that_can_say_so(rig):
    _, change = rig
    engine = "  engine: {rate_hz: 100.0, latency_ms: 5.0}\n"
    absent = ", absent: [front_brake_line_Pa, clutch_position]"
    assert change((engine, engine + LEVERS % absent)) == ([], [])
    problems, _ = change(("clutch_position", "clutch"))
    assert keys(problems) == ["outputs.levers.absent.1"]
    assert "one of throttle_position, clutch_position, " in problems[0].expected
    assert problems[0].expected.endswith("got 'clutch'")
    problems, _ = change(
        ("[front_brake_line_Pa, clutch]", "[front_brake_line_Pa]"),
        ("latency_ms: 1.0}\n  # also", "latency_ms: 1.0, absent: [emulated]}\n  # also"),
    )
    assert keys(problems) == ["outputs.emulator_state.absent.0"]
    assert '"not available"' in problems[0].expected
    assert "every code of emulated" in problems[0].expected


def test_the_session_and_the_check_command_tell_them(rig):
    path, change = rig
    change((LOOPBACK, SERIAL % 500_000), ("latency_ms: 1.0}\n  # also", "latency_ms: 0.0}\n  # also"))
    line = next(i for i, text in enumerate(path.read_text().splitlines(), 1) if "emulator_state" in text)
    with pytest.raises(ConfigError) as error:
        load_session(path, path.parents[1] / "runs" / "first_lap.yaml")
    assert [(p.file, p.line, p.key) for p in error.value.problems] == [
        (str(path), line, "outputs.emulator_state.latency_ms")
    ]
    checked = {result.kind: result for result in check([path])}
    assert [p.line for p in checked["rig"].problems] == [line]
    assert checked["vehicle"].problems == []
    change(
        ("latency_ms: 0.0}\n  # also", "latency_ms: 1.0}\n  # also"),
        ("bitrate: 500000", "bitrate: 1000000"),
        ("limit_bar: 20.0", "limit_bar: 180.0"),
    )
    assert len(check([path])[0].warnings) == 1
    assert (
        load_session(path, path.parents[1] / "runs" / "first_lap.yaml")
        .warnings[0]
        .key.startswith("actuators")
    )


LIMITS = "limits:\n"
PERMISSIVES = "permissives: [estop_released, guard_closed]\nlimits:\n"


def test_permissives_are_signals_of_a_protected_frame(rig):
    path, change = rig
    dbc = path.parent / "bench.dbc"
    assert change((LIMITS, PERMISSIVES)) == ([], [])
    problems, _ = change(('BA_ "DataId" BO_ 112 11026;\n', ""), file=dbc)
    assert keys(problems) == ["permissives"]
    assert "frame bench_inputs" in problems[0].expected
    assert "(DataId, crc, alive)" in problems[0].expected
    text = dbc.read_text()
    dbc.write_text(text.replace("guard_closed", "gate").replace("16|2@1+ (1,0) [0|1]", "16|2@1+ (1,0) [2|3]"))
    out_of_range, unknown, _ = found(path)[0]
    assert out_of_range.key == "permissives.0"
    assert figures(out_of_range) == [1]
    assert "estop_released" in out_of_range.expected
    assert unknown.key == "permissives.1"
    assert "frame bench_inputs" in unknown.expected
    assert unknown.expected.endswith(" crc, alive, estop_released, gate, enable_pressed")


def test_the_button_of_the_local_enable_is_a_signal_of_a_protected_frame(rig):
    path, change = rig
    dbc = path.parent / "bench.dbc"
    assert change((LIMITS, "local_enable: enable_pressed\nlimits:\n")) == ([], [])
    problems, _ = change(('BA_ "DataId" BO_ 112 11026;\n', ""), file=dbc)
    assert keys(problems) == ["local_enable"]
    assert "(DataId, crc, alive)" in problems[0].expected
    dbc.write_text(dbc.read_text().replace("enable_pressed", "start_pressed"))
    problems, _ = found(path)
    assert keys(problems) == ["local_enable", "local_enable"]
    assert "frame bench_inputs" in problems[0].expected


def test_a_dbc_without_the_bench_inputs_does_for_a_rig_that_does_not_ask(rig):
    path, change = rig
    dbc = path.parent / "bench.dbc"
    assert change(("BO_ 112 bench_inputs:", "BO_ 112 other_inputs:"), file=dbc) == ([], [])
    with pytest.raises(ConfigError, match="bench_inputs"):
        change((LIMITS, PERMISSIVES))


def test_the_check_command_looks_at_the_dbc(rig):
    path, _ = rig
    dbc = path.parent / "bench.dbc"
    dbc.write_text(dbc.read_text().replace("BO_ 258 ", "BO_ 257 ").replace(" 258 lean_rad", " 257 lean_rad"))
    problems = check([path])[0].problems
    assert {p.file for p in problems} == {str(dbc)}
    data_id, identifier = (p.expected for p in problems if p.key == "lean")
    assert "DataId" in data_id
    assert "imu_force has 7942" in data_id
    assert "0x101" in identifier
    assert identifier.endswith(" lines 48, 55")


FD = SCENARIOS / "rigs" / "can_fd.yaml"


def test_fd_frames_need_a_bus_that_carries_them(rig):
    """A bus of kind loopback, of kind socketcan without fd; the robot's frames are the DBC's."""
    _, change = rig
    problems, _ = change(("dbc: bench.dbc", "dbc: bench_fd.dbc"))
    steering, imu = problems[-1], problems[0]
    fd = ["imu_rates", "imu_force", "steering_angle", "lean", "wheel_speed", "engine", "emulator_state"]
    assert keys(problems) == [f"outputs.{name}" for name in fd] + ["dbc", "dbc"]
    assert figures(imu) == [16]
    # what to do hangs on the kind of bus
    assert "kind socketcan with fd: true" in imu.expected
    assert "estimate_pose" in steering.expected
    assert figures(steering) == [12]
    problems, _ = change((LOOPBACK, "  kind: socketcan\n  channel: can0\n"))
    assert "fd: true under bus" in problems[0].expected
    assert change(("channel: can0\n", "channel: can0\n  fd: true\n")) == ([], [])


def test_the_fd_rig_has_no_contradictions():
    rig, source = load_rig(FD)
    codec = read_codec(rig, source)
    assert frame_contradictions(rig, source, codec) == ([], [])


def test_a_fork_that_turns_has_its_load_motors_frame_on_the_fd_bus_too(tmp_path):
    rig_file = tmp_path / "rig.yaml"
    changes = load_rig(FD.with_name("angle_driven.yaml"))[0].model_dump(mode="json")
    load = {"steering_load": {"rate_hz": 500.0, "latency_ms": 2.0}}
    parts = {"steering": "angle_driven", "outputs": load, "actuators": {"fork": changes["actuators"]["fork"]}}
    rig_file.write_text(json.dumps({"based_on": str(FD), "name": "fork on CAN FD", **parts}))
    rig, source = load_rig(rig_file)
    codec = read_codec(rig, source)
    assert frame_contradictions(rig, source, codec) == ([], [])
    assert codec.fd[codec.frame("steering_load")]
    classical = load_codec(FD.with_name("bench.dbc"), ["steering_load"])
    assert codec.signals[codec.frame("steering_load")] == classical.signals[0]


def test_latencies_of_fd_frames_are_held_against_both_bit_rates(rig):
    """imu_rates of 16 bytes: 31 bits at 500 kbit/s and 192 at 1 Mbit/s are 0.254 ms."""
    _, change = rig
    bus = "  kind: socketcan\n  channel: can0\n  fd: true\n  bitrate: 500000\n  data_bitrate: 1000000\n"
    short = ("imu_rates: {rate_hz: 500.0, latency_ms: 2.0", "imu_rates: {rate_hz: 500.0, latency_ms: 0.25")
    problems, _ = change(("dbc: bench.dbc", "dbc: bench_fd.dbc"), (LOOPBACK, bus), short)
    assert problems[0].key == "outputs.imu_rates.latency_ms"
    assert figures(problems[0]) == [0.254, 31, 500_000, 192, 1_000_000, 0.25]
    later, _ = change(("latency_ms: 0.25", "latency_ms: 0.27"))
    assert not any(figures(p)[0] == 0.254 for p in later)


def test_a_long_frame_under_the_short_crc_is_a_doubt(rig):
    path, change = rig
    dbc = path.parent / "bench_fd.dbc"
    dbc.write_text(dbc.read_text().replace("imu_force: 16", "imu_force: 32"))
    bus = (LOOPBACK, "  kind: socketcan\n  channel: can0\n  fd: true\n")
    problems, warnings = change(("dbc: bench.dbc", "dbc: bench_fd.dbc"), bus)
    assert problems == []
    assert keys(warnings) == ["outputs.imu_force"]
    assert figures(warnings[0]) == [32, 1, 30]
    assert "E2E profile 1" in warnings[0].expected
