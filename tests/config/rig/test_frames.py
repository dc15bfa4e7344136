"""What a rig asks of its frames against what DBC and bus give, each at its line with the figure."""

import shutil
from pathlib import Path

import pytest

from emulator.assembly.check import check
from emulator.assembly.session import load_session
from emulator.config.rig.file import load_rig
from emulator.config.rig.frames import frame_contradictions, read_codec
from emulator.core.errors import ConfigError

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
    """(problems, warnings) as 'key: text'."""
    rig, source = load_rig(path)
    codec = read_codec(rig, source)
    text = path.read_text().splitlines()
    both = frame_contradictions(rig, source, codec)
    for problem in (*both[0], *both[1]):
        assert problem.file == str(path)
        assert 1 <= problem.line <= len(text)
    return tuple([f"{p.key}: {p.expected}" for p in part] for part in both)


def test_the_shipped_rigs_have_none():
    for name in ("loopback", "trainer", "megabit"):
        assert found(SCENARIOS / "rigs" / f"{name}.yaml") == ([], [])


def test_an_output_is_a_frame_of_the_dbc_that_the_bench_can_fill(rig):
    path, change = rig
    can = (
        "expected a frame of the DBC that the bench can fill (imu_rates, imu_force, lean, fork_angle, "
        "wheel_speed, wheel_pulses_front, wheel_pulses_rear, drive_torque, engine, suspension, levers, "
        "emulator_state), got "
    )
    with pytest.raises(ConfigError) as refused:
        change(("  lean: {rate", "  leen: {rate"), ("  engine: {rate", "  steering: {rate"))
    problems = {p.key: (p.expected, p.file, p.line) for p in refused.value.problems}
    lines = path.read_text().splitlines()
    line = next(i for i, text in enumerate(lines, 1) if text.startswith("  leen"))
    assert problems["outputs.leen"] == (f"{can}'leen', did you mean 'lean'?", str(path), line)
    assert problems["outputs.steering"][0] == (
        "expected a frame of signals that the bench can measure; steering has steering_torque_Nm"
    )


def test_pulses_need_a_ring_whatever_their_frame_is_called(rig):
    path, change = rig
    dbc = path.with_name("bench.dbc")
    dbc.write_text(dbc.read_text().replace("wheel_pulses_rear", "ticks"))
    text = path.read_text()
    start, end = text.index("  wheel_speed:\n    tone_ring"), text.index("  fork_angle: {noise")
    ticks = "  ticks: {rate_hz: 100, latency_ms: 8}\n  # also in"
    problems, _ = change((text[start:end], "  wheel_speed: {}\n"), ("  # also in", ticks))
    assert problems == ["outputs.ticks: expected sensors.wheel_speed.tone_ring: pulses are its edges"]


def test_a_latency_shorter_than_the_frame_on_the_wire_is_refused(rig):
    _, change = rig
    # 8 bytes: 135 bits (emulator.wire.can_timing); 0.27 ms at 500 kbit/s, 1.35 ms at 100 kbit/s
    assert change((LOOPBACK, SERIAL % 1_000_000)) == ([], [])
    short = ("latency_ms: 1.0}\n  # also", "latency_ms: 0.2}\n  # also")
    problems, _ = change(("bitrate: 1000000", "bitrate: 500000"), short)
    assert problems == [
        "outputs.emulator_state.latency_ms: expected at least 0.27 ms, the time of this frame on the wire "
        "(135 bits at worst, 500000 bit/s), got 0.2"
    ]


def test_a_kernel_bus_is_checked_only_if_its_bit_rate_is_told(rig):
    _, change = rig
    short = ("latency_ms: 1.0}\n  # also", "latency_ms: 0.2}\n  # also")
    assert change((LOOPBACK, "  kind: socketcan\n  channel: can0\n"), short) == ([], [])
    problems, _ = change(("  channel: can0\n", "  channel: can0\n  bitrate: 1000000\n"))
    assert problems == []  # 0.135 ms
    problems, _ = change(("bitrate: 1000000", "bitrate: 500000"))
    assert [p.split(":")[0] for p in problems] == ["outputs.emulator_state.latency_ms"]


def test_more_than_the_bus_carries_is_refused(rig):
    _, change = rig
    # 500 + 500 + 500 + 100 + 100 + 100 + 50 = 1850 frames of 135 bits, and of the robot
    # 500 + 100 + 50 + 100 + 100 = 850: 364500 bit/s in all
    assert change((LOOPBACK, SERIAL % 500_000))[0] == []
    problems, _ = change(("bitrate: 500000", "bitrate: 250000"))
    assert problems == [
        "bus: expected a bus that carries all frames: outputs and the robot's frames take up to 146 % of "
        "250000 bit/s; raise the bit rate, send less, or say how often the robot sends "
        "(device_under_test.periods_ms)"
    ]
    # a robot that is not ours may send less
    assert change(("kind: reference", "kind: external")) == ([], problems)
    slow = "{steering: 10, drive: 20, gear: 50, estimate_pose: 100, estimate_motion: 100}"
    problems, warnings = change(
        ("kind: external", f"kind: external\n  periods_ms: {slow}"),
        ("fork_angle: {rate_hz: 500.0", "fork_angle: {rate_hz: 250.0"),
    )
    assert problems == []
    assert not any("bus that carries" in text for text in warnings)
    problems, _ = change(("bitrate: 250000", "bitrate: 100000"))
    # 1600 frames now
    assert any(
        p.startswith("bus: expected a bus that carries the outputs: at 100000 bit/s they take up to 216 %")
        for p in problems
    )


def test_a_latency_that_the_outputs_themselves_can_not_keep_is_refused(rig):
    _, change = rig
    problems, _ = change((LOOPBACK, SERIAL % 500_000), ("age_p99_ms: 3.0", "age_p99_ms: 0.7"))
    # behind the two of the inertial unit: 3 frames of 123 bits at 500 kbit/s are 0.738 ms
    assert problems == [
        f"outputs.{name}.latency_ms: expected a latency that the bus can keep, got {ms} ms: behind the "
        "outputs before it, the frame arrives up to 0.74 ms later (timing.age_p99_ms allows 0.7); make it "
        f"{ms}.7 ms or longer, send less, or raise the bit rate"
        for name, ms in (("lean", 8), ("wheel_speed", 6))
    ]
    assert change(("age_p99_ms: 0.7", "age_p99_ms: 0.8"))[0] == []


def test_what_may_come_too_late_at_worst_is_doubtful(rig):
    _, change = rig
    problems, warnings = change((LOOPBACK, SERIAL % 500_000))
    assert problems == []
    assert [w.split(":")[:2] for w in warnings] == [
        [
            "bus",
            " with the robot's frames in between outputs may be older than timing.age_p99_ms (3) allows",
        ],
        ["bus", " more urgent identifiers may keep frames off the bus beyond their periods"],
    ]
    assert "emulator_state 5.13 ms instead of 1" in warnings[0]
    assert warnings[1].endswith("fork_angle 3.16 ms of 2")


def test_a_sensors_range_has_to_fit_the_signal(rig):
    _, change = rig
    sensor = "  analogue:\n    fork_travel_m: {range: [0.0, %s]}\n"
    engine = "  engine: {rate_hz: 100.0, latency_ms: 5.0}\n"
    where = "  fork_angle: {noise_rad: 0.0003}\n"
    assert change((engine, engine + LEVERS % ""), (where, where + sensor % "0.65")) == ([], [])
    problems, _ = change(("[0.0, 0.65]", "[-0.1, 0.7]"))
    assert problems == [
        f"sensors.analogue.fork_travel_m.range.{i}: expected from 0 to 0.65534, which is what frame "
        f"suspension carries by the DBC, got {end}"
        for i, end in enumerate(("-0.1", "0.7"))
    ]


def test_a_range_of_a_frame_that_is_not_sent_does_not_matter(rig):
    _, change = rig
    where = "  fork_angle: {noise_rad: 0.0003}\n"
    assert change((where, where + "  analogue:\n    fork_travel_m: {range: [0.0, 9.0]}\n")) == ([], [])


def test_a_resolution_finer_than_the_dbcs_step_is_doubtful(rig):
    _, change = rig
    engine = "  engine: {rate_hz: 100.0, latency_ms: 5.0}\n"
    where = "  fork_angle: {noise_rad: 0.0003}\n"
    sensor = "  analogue:\n    throttle_position: {resolution: 0.0005}\n"
    problems, warnings = change(
        (engine, engine + LEVERS % ""),
        (where, where + sensor),
        ("resolution_m_s: 0.005", "resolution_m_s: 0.001"),
    )
    assert problems == []
    assert warnings == [
        "sensors.analogue.throttle_position.resolution: 0.0005 is finer than the step of 0.001 that frame "
        "levers has in the DBC: the robot sees the coarser one",
        "sensors.wheel_speed.tone_ring.resolution_m_s: 0.001 is finer than the step of 0.005 that frame "
        "wheel_speed has in the DBC: the robot sees the coarser one",
    ]


def test_an_actuators_limit_that_no_frame_can_ask_for_is_doubtful(rig):
    _, change = rig
    problems, warnings = change(("limit_bar: 20.0", "limit_bar: 180.0"))
    assert problems == []
    assert warnings == [
        "actuators.front_brake.limit_bar: 180 bar is more than the 163.835 bar that frame drive can ask for"
    ]


def test_absent_signals_are_those_of_the_frame_that_can_say_so(rig):
    _, change = rig
    engine = "  engine: {rate_hz: 100.0, latency_ms: 5.0}\n"
    absent = ", absent: [front_brake_line_Pa, clutch_position]"
    assert change((engine, engine + LEVERS % absent)) == ([], [])
    problems, _ = change(("clutch_position", "clutch"))
    assert len(problems) == 1
    assert problems[0].startswith(
        "outputs.levers.absent.1: expected one of throttle_position, clutch_position, "
    )
    assert problems[0].endswith("got 'clutch'")
    problems, _ = change(
        ("[front_brake_line_Pa, clutch]", "[front_brake_line_Pa]"),
        ("latency_ms: 1.0}\n  # also", "latency_ms: 1.0, absent: [emulated]}\n  # also"),
    )
    assert len(problems) == 1
    assert 'outputs.emulator_state.absent.0: expected a signal that can say "not available"' in problems[0]


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
    assert change(('BA_ "DataId" BO_ 112 11026;\n', ""), file=dbc)[0] == [
        "permissives: expected frame bench_inputs to be protected in the DBC (DataId, crc, alive), or a "
        "sender that hangs and repeats its last frame would go on permitting"
    ]
    text = dbc.read_text()
    dbc.write_text(text.replace("guard_closed", "gate").replace("16|2@1+ (1,0) [0|1]", "16|2@1+ (1,0) [2|3]"))
    assert found(path)[0][:2] == [
        "permissives.0: expected a signal whose range in the DBC has the 1 that permits; "
        "estop_released does not",
        "permissives.1: expected a signal of frame bench_inputs in the DBC, which has crc, alive, "
        "estop_released, gate",
    ]


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
    assert [p.expected for p in problems if p.key == "lean"] == [
        "expected a DataId of its own; imu_force has 7942, too",
        "expected an identifier of its own; 0x101 is used at lines 47, 54",
    ]


FD = SCENARIOS / "rigs" / "can_fd.yaml"


def test_fd_frames_need_a_bus_that_carries_them(rig):
    """A bus of kind loopback, of kind socketcan without fd; the robot's frames are the DBC's."""
    _, change = rig
    problems, _ = change(("dbc: bench.dbc", "dbc: bench_fd.dbc"))
    steering, imu = problems[-1], problems[0]
    fd = ["imu_rates", "imu_force", "fork_angle", "lean", "wheel_speed", "engine", "emulator_state"]
    assert [p.partition(":")[0] for p in problems] == [f"outputs.{name}" for name in fd] + ["dbc", "dbc"]
    assert imu == (
        "outputs.imu_rates: expected classical frames on this bus; the DBC makes imu_rates a CAN FD frame of "
        "16 bytes: a bus of kind socketcan with fd: true carries it (virtually without an interface)"
    )
    assert "makes estimate_pose a CAN FD frame of 12 bytes" in steering
    problems, _ = change((LOOPBACK, "  kind: socketcan\n  channel: can0\n"))
    assert problems[0].endswith("bytes: set fd: true under bus, or change the DBC")
    assert change(("channel: can0\n", "channel: can0\n  fd: true\n")) == ([], [])


def test_the_fd_rig_has_no_contradictions():
    rig, source = load_rig(FD)
    codec = read_codec(rig, source)
    assert frame_contradictions(rig, source, codec) == ([], [])


def test_latencies_of_fd_frames_are_held_against_both_bit_rates(rig):
    """imu_rates of 16 bytes: 33 bits at 500 kbit/s and 194 at 1 Mbit/s are 0.26 ms."""
    _, change = rig
    bus = "  kind: socketcan\n  channel: can0\n  fd: true\n  bitrate: 500000\n  data_bitrate: 1000000\n"
    short = ("imu_rates: {rate_hz: 500.0, latency_ms: 2.0", "imu_rates: {rate_hz: 500.0, latency_ms: 0.25")
    problems, _ = change(("dbc: bench.dbc", "dbc: bench_fd.dbc"), (LOOPBACK, bus), short)
    assert problems[0] == (
        "outputs.imu_rates.latency_ms: expected at least 0.26 ms, the time of this frame on the wire "
        "(33 bits at worst, 500000 bit/s, and 194, 1000000 bit/s), got 0.25"
    )
    assert change(("latency_ms: 0.25", "latency_ms: 0.27"))[0][:1] != problems[:1]


def test_a_long_frame_under_the_short_crc_is_a_doubt(rig):
    path, change = rig
    dbc = path.parent / "bench_fd.dbc"
    dbc.write_text(dbc.read_text().replace("imu_force: 16", "imu_force: 32"))
    bus = (LOOPBACK, "  kind: socketcan\n  channel: can0\n  fd: true\n")
    problems, warnings = change(("dbc: bench.dbc", "dbc: bench_fd.dbc"), bus)
    assert problems == []
    assert warnings == [
        "outputs.imu_force: frame imu_force has 32 bytes; the CRC of E2E profile 1 is meant for at most 30: "
        "errors of more than one bit may pass unnoticed"
    ]
