from pathlib import Path

import pytest
from pydantic import ValidationError

from emulator.config.rig.file import Rig, dbc_path, load_rig, vehicle_path
from emulator.config.rig.shown.named_files import path_named_in
from emulator.config.validation import validate
from emulator.config.yaml_source import load
from emulator.core.errors import ConfigError

RIG = """\
kind: rig
name: bench of the test
vehicle: vehicle.yaml
dbc: bench.dbc
steering: torque_driven
device_under_test: {kind: external}
robot:
  name: rider
  mass_kg: 60
  position_m: [0.6, 0.0, 0.9]
  inertia_kg_m2: [4.0, 5.0, 3.0]
bus: {kind: socketcan, channel: can0}
gnss_port: {kind: udp, host: 127.0.0.1, port: 5000}
outputs:
  lean: {rate_hz: 100, latency_ms: 8, jitter_ms: 1}
  emulator_state: {rate_hz: 50, latency_ms: 1}
sensors:
  imu: {position_m: [0.6, 0, 0.7]}
  lean: {noise_rad: 0.002}
  wheel_speed: {}
  steering_angle: {}
  gnss:
    rate_hz: 20
    latency_ms: 60
    antenna_position_m: [0.1, 0, 1]
    fix: float
actuators:
  steering: {time_constant_ms: 8, limit_Nm: 90, rate_limit_Nm_s: 3000}
  throttle: {time_constant_ms: 40}
  front_brake: {time_constant_ms: 40, limit_bar: 16}
  rear_brake: {time_constant_ms: 40, limit_bar: 25}
  clutch: {time_constant_ms: 50}
limits:
  heartbeat_timeout_ms: 100
  command_timeout_ms: 50
  overrun_limit_ms: 20
  ramp_to_rest_s: 2
  arming_timeout_s: 60
timing: {rate_ppm: 500, age_p99_ms: 3, lost_frames: 0}
loop: {cpu: auto, priority: 0, lock_memory: false, spin_us: 50}
"""

BROKEN = [
    (
        "loop: {cpu",
        "telemetry: {kind: mqtt, host: broker, go: true}\nloop: {cpu",
        "40:43: telemetry.go: expected commands: true beside it, without which none is taken",
    ),
    (
        "loop: {cpu",
        "permissives: [estop_released, estop_released]\nloop: {cpu",
        "40:31: permissives.1: expected each permissive once, got estop_released again",
    ),
    (
        "loop: {cpu",
        "permissives: [estop]\nloop: {cpu",
        "40:15: permissives.0: expected one of estop_released, guard_closed, got 'estop'",
    ),
    (
        "loop: {cpu",
        "monitors: {lean_estimate: {for_ms: 100}}\nloop: {cpu",
        "40:12: monitors.lean_estimate: missing key 'within_rad': a number above 0 and up to 1 rad",
    ),
    (
        "loop: {cpu",
        "monitors: {command_limit: {for_ms: 100, then: stop}}\nloop: {cpu",
        "40:47: monitors.command_limit.then: expected one of trip, event, got 'stop'",
    ),
    (
        "steering: torque_driven",
        "steering: angle_driven\nmonitors: {steering_angle: {for_ms: 100, within_rad: 0.1}}",
        "6:28: monitors.steering_angle: expected no such key where steering is angle_driven: "
        "the plant's angle is the measured one",
    ),
    (
        "loop: {cpu",
        "telemetry: {kind: mqtt, host: broker, topic: bench/#}\nloop: {cpu",
        "40:46: telemetry.topic: "
        "expected the beginning of MQTT topics, such as bench/1, without # + $ or blanks",
    ),
    (
        "loop: {cpu",
        "telemetry: {kind: mqtt, host: broker, signals: [truth.speed]}\nloop: {cpu",
        "40:49: telemetry.signals.0: expected the name of a recorded signal; truth.speed_m_s?",
    ),
    (
        "loop: {cpu",
        "telemetry: {kind: mqtt, host: broker, password_file: secret}\nloop: {cpu",
        "40:1: telemetry: missing key 'username': a password is that of somebody",
    ),
    (
        "loop: {cpu",
        "telemetry: {kind: mqtt, host: broker, commands: true}\nloop: {cpu",
        "40:39: telemetry.commands: missing key 'username': commands are taken only signed in and with a key",
    ),
    (
        "loop: {cpu",
        "telemetry: {kind: mqtt, host: broker, username: u, password_file: p, commands: true}\nloop: {cpu",
        "40:70: telemetry.commands: missing key 'command_key_file': "
        "commands are taken only signed in and with a key",
    ),
    (
        "kind: rig\n",
        "kind: scenario\n",
        "1:7: kind: expected rig (a rig file), got 'scenario'",
    ),
    (
        "kind: rig\n",
        "",
        "1:1: missing key 'kind': rig",
    ),
    (
        "kind: rig\n",
        "kind: 3\n",
        "1:7: kind: expected rig, got 3",
    ),
    (
        "name: bench of the test",
        "name: 12",
        "2:7: name: expected text, got 12; put text that looks like something else in quotes",
    ),
    (
        "name: bench of the test",
        "nmae: bench",
        "2:1: nmae: unknown key, did you mean 'name'? known keys: kind, name, purpose, vehicle, robot, "
        "steering, dbc, own_names, bus, gnss_port, pulse_per_second, outputs, sensors, actuators, "
        "electronics, limits, permissives, local_enable, monitors, bus_faults, timing, loop, "
        "telemetry, console, record, device_under_test, rehearsal",
    ),
    (
        "name: bench of the test",
        "name: ' '",
        "2:7: name: expected some text, got nothing but space",
    ),
    (
        "vehicle: vehicle.yaml",
        "vehicle: bike.yaml",
        "3:10: vehicle: no such file: bike.yaml (paths are relative to this file)",
    ),
    (
        "dbc: bench.dbc",
        "dbc: no",
        "4:6: dbc: no such file: no (paths are relative to this file)",
    ),
    (
        "steering: torque_driven",
        "steering: torque",
        "5:11: steering: expected one of torque_driven, angle_driven, got 'torque', "
        "did you mean 'torque_driven'?",
    ),
    (
        "{kind: external}",
        "{kind: other}",
        "6:27: device_under_test.kind: expected one of reference, external, got 'other'",
    ),
    (
        "{kind: external}",
        "external",
        "6:20: device_under_test: expected a mapping with the keys kind, cpu, gains, estimate_age_ms, "
        "periods_ms, virtual, got 'external'; write {kind: external}",
    ),
    (
        "{kind: external}",
        "{kind: external, gains: {roll: 0.85}}",
        "6:44: device_under_test.gains: expected no such key: these are the reference robot's, and another "
        "one rides",
    ),
    (
        "mass_kg: 60",
        "mass_kg: 200",
        "9:12: robot.mass_kg: expected a number from 0 to 150 kg, got 200",
    ),
    (
        "mass_kg: 60",
        "mass_kg: '60'",
        "9:12: robot.mass_kg: expected a number from 0 to 150 kg, got '60'; remove the quotes",
    ),
    (
        "mass_kg: 60",
        "mass_kg: 60 kg",
        "9:12: robot.mass_kg: expected a number from 0 to 150 kg, got '60 kg'; write 60 alone, "
        "without a unit",
    ),
    (
        "mass_kg: 60",
        "mass_kg: 60,5",
        "9:12: robot.mass_kg: expected a number from 0 to 150 kg, got '60,5'; write 60.5",
    ),
    (
        "mass_kg: 60",
        "mass_kg: 1_0",
        "9:12: robot.mass_kg: expected a number from 0 to 150 kg, got '1_0'; write 10",
    ),
    (
        "mass_kg: 60",
        "mass_kg: 12:30:00",
        "9:12: robot.mass_kg: expected a number from 0 to 150 kg, got '12:30:00'; write a plain "
        "number, a time of day is text in YAML",
    ),
    (
        "mass_kg: 60",
        "mass_kg: true",
        "9:12: robot.mass_kg: expected a number from 0 to 150 kg, got true",
    ),
    (
        "mass_kg: 60",
        "mass_kg:",
        "9:3: robot.mass_kg: expected a number from 0 to 150 kg, got nothing; write a value after the colon",
    ),
    (
        "  mass_kg: 60\n",
        "",
        "7:1: robot: missing key 'mass_kg': a number from 0 to 150 kg",
    ),
    (
        "[0.6, 0.0, 0.9]",
        "[0.6, 0.9]",
        "10:15: robot.position_m: expected a list of 3 numbers (m), got a list of 2",
    ),
    (
        "[0.6, 0.0, 0.9]",
        "[0.6, 0.0, 0.9, 1]",
        "10:15: robot.position_m: expected a list of 3 numbers (m), got a list of 4",
    ),
    (
        "[0.6, 0.0, 0.9]",
        "[0.6, 0.0, high]",
        "10:26: robot.position_m.2: expected a number from -10 to 10 m, got 'high'",
    ),
    (
        "[0.6, 0.0, 0.9]",
        "[600, 0.0, 0.9]",
        "10:16: robot.position_m.0: expected a number from -10 to 10 m, got 600",
    ),
    (
        "[0.6, 0.0, 0.9]",
        "[0.6, 0.1, 0.9]",
        "10:21: robot.position_m.1: expected 0 (mass centre in the bike's plane of symmetry), got 0.1",
    ),
    (
        "[0.6, 0.0, 0.9]",
        "0.6",
        "10:15: robot.position_m: expected a list of 3 numbers (m), got 0.6",
    ),
    (
        "[4.0, 5.0, 3.0]",
        "[4.0, 9.0, 3.0]",
        "11:18: robot.inertia_kg_m2: expected principal moments of inertia of a body: none "
        "negative, none larger than the sum of the other two, got [4, 9, 3]",
    ),
    (
        "kind: socketcan",
        "kind: sockcan",
        "12:13: bus.kind: expected one of loopback, socketcan, serial, got 'sockcan', did you "
        "mean 'socketcan'?",
    ),
    (
        "kind: socketcan, ",
        "",
        "12:1: bus: missing key 'kind': one of loopback, socketcan, serial",
    ),
    (
        "channel: can0",
        "chanel: can0, channel: can0",
        "12:24: bus.chanel: unknown key, did you mean 'channel'? known keys: kind, channel, fd, "
        "bitrate, data_bitrate",
    ),
    (
        "channel: can0",
        "channel: can0, data_bitrate: 2000000",
        "12:53: bus.data_bitrate: expected fd: true beside it: only CAN FD frames have a data bit rate",
    ),
    (
        "channel: can0",
        "channel: can0, fd: true, bitrate: 500000, data_bitrate: 250000",
        "12:80: bus.data_bitrate: expected at least the bit rate (500000), got 250000",
    ),
    (
        "channel: can0",
        "channel: can0, fd: on",
        "12:43: bus.fd: expected true or false, got 'on'; write true",
    ),
    (
        "channel: can0",
        "channel: can0, fd: 'true'",
        "12:43: bus.fd: expected true or false, got 'true'; remove the quotes",
    ),
    (
        "{kind: socketcan, channel: can0}",
        "can0",
        "12:6: bus: expected a mapping, kind one of loopback, socketcan, serial, got 'can0'",
    ),
    (
        "{kind: socketcan, channel: can0}",
        "{kind: serial, device: /dev/ttyACM0, bitrate: 400000}",
        "12:52: bus.bitrate: expected one of 10000, 20000, 50000, 100000, 125000, 250000, "
        "500000, 750000, 1000000, got 400000",
    ),
    (
        "port: 5000",
        "port: 70000",
        "13:47: gnss_port.port: expected a whole number from 1 to 65535, got 70000",
    ),
    (
        "port: 5000",
        "port: 5000.0",
        "13:47: gnss_port.port: expected a whole number from 1 to 65535, got 5000.0; write 5000",
    ),
    (
        "port: 5000",
        "port: 5000.5",
        "13:47: gnss_port.port: expected a whole number from 1 to 65535, got 5000.5",
    ),
    (
        "rate_hz: 100",
        "rate_hz: 0",
        "15:19: outputs.lean.rate_hz: expected a number from 0.001 to 1000 Hz, got 0",
    ),
    (
        "rate_hz: 100",
        "rate_hz: 2000",
        "15:19: outputs.lean.rate_hz: expected a number from 0.001 to 1000 Hz, got 2000",
    ),
    (
        "jitter_ms: 1}",
        "jitter_ms: 10}",
        "15:50: outputs.lean.jitter_ms: expected less than the period of 10 ms, or samples "
        "overtake each other, got 10",
    ),
    (
        "  emulator_state: {rate_hz: 50, latency_ms: 1}\n",
        "",
        "14:1: outputs: missing key 'emulator_state': it marks the signals as emulated and is always sent",
    ),
    (
        "  wheel_speed: {}\n",
        "",
        "17:1: sensors: missing key 'wheel_speed': a mapping with the keys noise_m_s, lowest_speed_m_s, "
        "tone_ring",
    ),
    (
        "  wheel_speed: {}\n",
        "  wheel_speed:\n",
        "20:3: sensors.wheel_speed: expected a mapping with the keys noise_m_s, "
        "lowest_speed_m_s, tone_ring, got nothing; write a value after the colon",
    ),
    (
        "  wheel_speed: {}\n",
        "  wheel_speed: {noise_m_s: 0.02, tone_ring: {teeth_front: 48, teeth_rear: 48}}\n",
        "20:28: sensors.wheel_speed.noise_m_s: expected no such key beside tone_ring, which it follows from: "
        "leave it out",
    ),
    (
        "  wheel_speed: {}\n",
        "  wheel_speed: {tone_ring: {teeth_front: 48, teeth_rear: 300}}\n",
        "20:58: sensors.wheel_speed.tone_ring.teeth_rear: expected a whole number from 2 to 256, got 300",
    ),
    (
        "  wheel_speed: {}\n",
        "  wheel_speed: {tone_ring: {teeth_front: 48, teeth_rear: 48, timer_resolution_ns: 300}}\n",
        "20:83: sensors.wheel_speed.tone_ring.timer_resolution_ns: expected a divisor of 1000000000 ns, or a "
        "ride's edge times would depend on when it starts, got 300",
    ),
    (
        "  wheel_speed: {}\n",
        "  wheel_speed: {tone_ring: {teeth_front: 48, teeth_rear: 48, timer_resolution_ns: 0}}\n",
        "20:83: sensors.wheel_speed.tone_ring.timer_resolution_ns: expected a whole number from 1 to 1000000 "
        "ns, got 0",
    ),
    (
        "  wheel_speed: {}\n",
        "  wheel_speed: {tone_ring: {teeth_front: 48, teeth_rear: 48, pitch_error_pct: 11}}\n",
        "20:79: sensors.wheel_speed.tone_ring.pitch_error_pct: expected a number from 0 to 10 %, got 11",
    ),
    (
        "fix: float",
        "fix: rtk",
        "26:10: sensors.gnss.fix: expected one of fixed, float, differential, single, got 'rtk'",
    ),
    (
        "rate_hz: 20\n",
        "rate_hz: 50\n",
        "23:14: sensors.gnss.rate_hz: expected a number from 1 to 25 Hz, got 50",
    ),
    (
        "fix: float",
        "sentences: [GGA, RMC, GLL]",
        "26:27: sensors.gnss.sentences.2: expected one of GGA, RMC, VTG, GSA, GST, ZDA, got 'GLL'",
    ),
    (
        "fix: float",
        "sentences: [GGA, RMC, GGA]",
        "26:27: sensors.gnss.sentences.2: expected each sentence once, got GGA again",
    ),
    (
        "fix: float",
        "sentences: []",
        "26:16: sensors.gnss.sentences: expected a list of at least 1, got a list of 0",
    ),
    (
        "fix: float",
        "accuracy: {fixed: {}}\n    height_noise_m: 0.1",
        "27:21: sensors.gnss.height_noise_m: expected either this key or accuracy, which says the "
        "same by fix; drop one",
    ),
    (
        "fix: float",
        "accuracy: {fixed: {drift_m: -1}}",
        "26:33: sensors.gnss.accuracy.fixed.drift_m: expected a number from 0 to 1000 m, got -1",
    ),
    (
        "fix: float",
        "accuracy: {rtk: {}}",
        "26:16: sensors.gnss.accuracy.rtk: unknown key; known keys: fixed, float, differential, single",
    ),
    (
        "{kind: udp, host: 127.0.0.1, port: 5000}",
        "{kind: serial, device: /dev/ttyS0, baud: 38400}",
        "13:53: gnss_port.baud: expected a line where an epoch fits its period of 50 ms, got 38400 baud, "
        "and GGA, RMC, VTG take up to 53.9 ms; raise it or send less (sensors.gnss: rate_hz, sentences)",
    ),
    (
        "    antenna_position_m: [0.1, 0, 1]\n",
        "",
        "22:3: sensors.gnss: missing key 'antenna_position_m': a list of 3 numbers (m)",
    ),
    (
        "limit_Nm: 90",
        "limit_Nm: 900",
        "28:45: actuators.steering.limit_Nm: expected a number above 0 and up to 300 N m, got 900",
    ),
    (
        "limit_bar: 16",
        "limit_bar: 16 bar",
        "30:50: actuators.front_brake.limit_bar: expected a number above 0 and up to 200 bar, "
        "got '16 bar'; write 16 alone, without a unit",
    ),
    (
        "  ramp_to_rest_s: 2\n",
        "  ramp_to_rest_s: -2\n",
        "37:19: limits.ramp_to_rest_s: expected a number above 0 and up to 60 s, got -2",
    ),
    (
        "  ramp_to_rest_s: 2\n",
        "  ramp_to_rest: 2\n  ramp_to_rest_s: 2\n",
        "37:3: limits.ramp_to_rest: unknown key, did you mean 'ramp_to_rest_s'? known keys: "
        "heartbeat_timeout_ms, command_timeout_ms, overrun_limit_ms, ramp_to_rest_s, arming_timeout_s, "
        "permissive_timeout_ms, divergence_speed_km_h, divergence_rate_rad_s",
    ),
    (
        "lost_frames: 0",
        "lost_frames: 1.5",
        "39:53: timing.lost_frames: expected a whole number from 0 to 1000000, got 1.5",
    ),
    (
        "cpu: auto",
        "cpu: automatic",
        "40:13: loop.cpu: expected a whole number from 0 to 1023 or auto, got 'automatic'",
    ),
    (
        "priority: 0",
        "priority: 100",
        "40:29: loop.priority: expected a whole number from 0 to 99, got 100",
    ),
    (
        "lock_memory: false",
        "lock_memory: no",
        "40:45: loop.lock_memory: expected true or false, got 'no'; write false",
    ),
    (
        "lock_memory: false",
        "lock_memory: 0",
        "40:45: loop.lock_memory: expected true or false, got 0",
    ),
    (
        "spin_us: 50",
        "spin_us: .nan",
        "40:61: loop.spin_us: .nan is not a usable value; write a finite number",
    ),
    (
        "spin_us: 50",
        "spin_us: 900",
        "40:61: loop.spin_us: expected a number from 0 to 800 us, got 900",
    ),
    (
        "{rate_ppm: 500, age_p99_ms: 3, lost_frames: 0}",
        "{}",
        "39:1: timing: missing key 'age_p99_ms': a number above 0 and up to 1000 ms\n"
        "rig.yaml:39:1: timing: missing key 'lost_frames': a whole number from 0 to 1000000\n"
        "rig.yaml:39:1: timing: missing key 'rate_ppm': a number above 0 and up to 1000000 ppm",
    ),
]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "vehicle.yaml").touch()
    (tmp_path / "bench.dbc").touch()
    return tmp_path


@pytest.mark.usefixtures("folder")
def test_a_right_file_loads() -> None:
    Path("rig.yaml").write_text(RIG)
    rig, source = load_rig("rig.yaml")
    assert rig.robot.mass_kg == 60.0
    assert isinstance(rig.robot.mass_kg, float)
    assert rig.robot.position_m == (0.6, 0.0, 0.9)
    assert rig.bus.kind == "socketcan"
    assert rig.outputs["lean"].jitter_ms == 1.0
    assert rig.outputs["emulator_state"].jitter_ms == 0.0
    assert rig.sensors.gnss.fix == "float"
    assert rig.loop.lock_memory is False
    assert vehicle_path(rig, source) == "vehicle.yaml"
    assert dbc_path(rig, source) == "bench.dbc"
    with pytest.raises(ValidationError, match="frozen"):
        rig.name = "another"  # type: ignore[misc]


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize(("old", "new", "expected"), BROKEN)
def test_a_wrong_file_is_refused_at_its_place(old: str, new: str, expected: str) -> None:
    assert RIG.count(old) == 1
    Path("rig.yaml").write_text(RIG.replace(old, new))
    with pytest.raises(ConfigError) as caught:
        load_rig("rig.yaml")
    assert str(caught.value) == "rig.yaml:" + expected


@pytest.mark.usefixtures("folder")
def test_all_mistakes_are_reported_at_once_in_order() -> None:
    text = RIG.replace("mass_kg: 60", "mass_kg: heavy").replace("channel: can0", "chanel: can0")
    Path("rig.yaml").write_text(text.replace("rate_ppm: 500", "rate_ppm: -1"))
    with pytest.raises(ConfigError) as caught:
        load_rig("rig.yaml")
    assert [(p.line, p.column, p.key) for p in caught.value.problems] == [
        (9, 12, "robot.mass_kg"),
        (12, 24, "bus.chanel"),
        (39, 20, "timing.rate_ppm"),
    ]


def test_paths_are_relative_to_the_rig_file_and_printed_as_given(folder: Path) -> None:
    (folder / "rigs").mkdir()
    (folder / "rigs" / "rig.yaml").write_text(
        RIG.replace("vehicle: ", "vehicle: ../").replace("dbc: ", "dbc: ../")
    )
    rig, source = load_rig("rigs/rig.yaml")
    assert vehicle_path(rig, source) == "vehicle.yaml"
    assert dbc_path(rig, source) == "bench.dbc"


def test_files_a_base_names_are_beside_the_base_and_others_beside_the_file(folder: Path) -> None:
    (folder / "base").mkdir()
    (folder / "base" / "vehicle.yaml").touch()
    telemetry = "telemetry: {kind: mqtt, host: broker, username: u, password_file: secret}\n"
    (folder / "base" / "rig.yaml").write_text(RIG + telemetry)
    (folder / "top.yaml").write_text("based_on: base/rig.yaml\ndbc: bench.dbc\ntelemetry: {ca_file: root}\n")
    rig, source = load_rig("top.yaml")
    assert (vehicle_path(rig, source), dbc_path(rig, source)) == ("base/vehicle.yaml", "bench.dbc")
    assert path_named_in(source, "telemetry", "secret") == "base/secret"
    assert path_named_in(source, "telemetry", "root") == "root"


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize("port", ["{kind: serial, device: /dev/ttyS0, baud: %d}", "{kind: pty, baud: %d}"])
def test_a_line_carries_as_many_epochs_as_fit(port: str) -> None:
    # 207 characters of ten bits: 38 400 baud carry 18.55 epochs a second
    for rate, baud, fits in ((18, 38_400, True), (19, 38_400, False), (25, 57_600, True), (5, 9600, False)):
        text = RIG.replace("{kind: udp, host: 127.0.0.1, port: 5000}", port % baud)
        Path("rig.yaml").write_text(text.replace("rate_hz: 20\n", f"rate_hz: {rate}\n"))
        if fits:
            assert load_rig("rig.yaml")[0].gnss_port.baud == baud  # type: ignore[union-attr]
        else:
            with pytest.raises(ConfigError, match=f"got {baud} baud"):
                load_rig("rig.yaml")


PORT = "{kind: udp, host: 127.0.0.1, port: 5000}"


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        (
            "fix: float",
            "satellites: 3",
            "26:17: sensors.gnss.satellites: expected a whole number from 4 to 99, got 3",
        ),
        (
            "fix: float",
            "satellites: 4",
            "26:17: sensors.gnss.satellites: expected at least 5, which a fix from carrier phase takes "
            "(fix: fixed), got 4",
        ),
        (
            "fix: float",
            "reacquisition_s: {single: 3, float: 2.5}",
            "26:41: sensors.gnss.reacquisition_s.float: expected times that do not fall from single over "
            "differential and float to fixed, got 3 s for differential and 2.5 s for float",
        ),
        (
            "fix: float",
            "reacquisition_s: {single: 3, rtk: 2.5}",
            "26:34: sensors.gnss.reacquisition_s.rtk: unknown key; known keys: fixed, float, "
            "differential, single",
        ),
        (
            "fix: float",
            "reacquisition_s: {fixed: -1}",
            "26:30: sensors.gnss.reacquisition_s.fixed: expected a number from 0 to 3600, got -1",
        ),
        (
            "fix: float",
            "corrections_age_s: 61",
            "26:24: sensors.gnss.corrections_age_s: expected a number from 0 to 60 s, got 61",
        ),
        (
            "fix: float",
            "corrections_station: 1024",
            "26:26: sensors.gnss.corrections_station: expected a whole number from 0 to 1023, got 1024",
        ),
        (
            PORT + "\n",
            PORT + "\npulse_per_second: {device: /dev/ttyS1, line: cts}\n",
            "14:46: pulse_per_second.line: expected one of rts, dtr, got 'cts', did you mean 'rts'?",
        ),
        (
            PORT + "\n",
            PORT + "\npulse_per_second: {device: /dev/ttyS1, line: rts, width_ms: 1000}\n",
            "14:61: pulse_per_second.width_ms: expected a whole number from 1 to 900 ms, got 1000",
        ),
        (
            PORT + "\n",
            "{kind: serial, device: /dev/ttyS1, baud: 115200}\n"
            "pulse_per_second: {device: /dev/ttyS1, line: rts}\n",
            "14:28: pulse_per_second.device: expected another port than that of gnss_port, which is opened "
            "for itself alone, got /dev/ttyS1",
        ),
    ],
)
def test_a_receiver_that_cannot_be_is_refused_at_its_place(old: str, new: str, expected: str) -> None:
    assert RIG.count(old) == 1
    Path("rig.yaml").write_text(RIG.replace(old, new))
    with pytest.raises(ConfigError) as caught:
        load_rig("rig.yaml")
    assert str(caught.value) == "rig.yaml:" + expected


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize(
    "port", ["{kind: serial, device: /dev/ttyS0, baud: 57600}", "{kind: pty, baud: 57600}"]
)
def test_an_epoch_is_not_younger_at_its_last_byte_than_the_line_takes(port: str) -> None:
    # 207 characters of ten bits at 57,600 baud: 35.94 ms
    text = RIG.replace(PORT, port)
    Path("rig.yaml").write_text(text.replace("latency_ms: 60", "latency_ms: 36"))
    load_rig("rig.yaml")
    Path("rig.yaml").write_text(text.replace("latency_ms: 60", "latency_ms: 35.9"))
    with pytest.raises(ConfigError) as caught:
        load_rig("rig.yaml")
    assert str(caught.value) == (
        "rig.yaml:24:17: sensors.gnss.latency_ms: expected at least 36 ms, which GGA, RMC, VTG can take at "
        "57600 baud (gnss_port): it is the age at their last byte, got 35.9"
    )
    Path("rig.yaml").write_text(RIG.replace("latency_ms: 60", "latency_ms: 0"))
    load_rig("rig.yaml")  # no line, no time


@pytest.mark.usefixtures("folder")
def test_times_to_come_back_are_usual_where_not_given() -> None:
    Path("rig.yaml").write_text(RIG.replace("fix: float", "reacquisition_s: {float: 3, fixed: 30}"))
    gnss = load_rig("rig.yaml")[0].sensors.gnss
    assert gnss.reacquisition_times_s == (1.0, 2.0, 3.0, 30.0)  # emulator.sensors.gnss_fix
    Path("rig.yaml").write_text(RIG.replace("fix: float", "reacquisition_s: {single: 6}"))
    assert load_rig("rig.yaml")[0].sensors.gnss.reacquisition_times_s == (6.0, 6.0, 6.0, 10.0)


@pytest.mark.usefixtures("folder")
def test_accuracy_may_be_left_to_what_is_usual_or_given_in_part() -> None:
    Path("rig.yaml").write_text(RIG.replace("fix: float", "accuracy: {}"))
    assert load_rig("rig.yaml")[0].sensors.gnss.accuracy == {}
    Path("rig.yaml").write_text(RIG.replace("fix: float", "accuracy: {float: {drift_m: 0.3}}"))
    accuracy = load_rig("rig.yaml")[0].sensors.gnss.accuracy
    assert accuracy is not None
    assert accuracy["float"].model_dump(exclude_none=True) == {"drift_m": 0.3}


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize("left_out", ["GGA", "RMC"])
def test_the_reference_robot_needs_its_sentences(left_out: str) -> None:
    names = ", ".join(n for n in ("GGA", "RMC", "ZDA") if n != left_out)
    text = RIG.replace("fix: float", f"sentences: [{names}]")
    Path("rig.yaml").write_text(text)
    load_rig("rig.yaml")
    assert text.count("kind: external") == 1
    Path("rig.yaml").write_text(text.replace("kind: external", "kind: reference"))
    with pytest.raises(ConfigError, match=f"sensors.gnss.sentences: expected {left_out} among them"):
        load_rig("rig.yaml")


def test_the_shipped_rig_is_a_rig() -> None:
    path = Path(__file__).parents[3] / "scenarios" / "rigs" / "loopback.yaml"
    rig = validate(Rig, load(path))
    assert rig.device_under_test.kind == "reference"
    assert rig.bus.kind == "loopback"


def test_the_steering_angle_sensor_under_its_former_name_is_read_and_warned_of(tmp_path):
    for name in ("vehicle.yaml", "bench.dbc"):
        (tmp_path / name).touch()
    path, former = tmp_path / "rig.yaml", tmp_path / "former.yaml"
    path.write_text(RIG.replace("  steering_angle: {}", "  steering_angle: {noise_rad: 0.25}"))
    former.write_text(RIG.replace("  steering_angle: {}", "  fork_angle: {noise_rad: 0.25}"))
    (rig, source), (same, told) = load_rig(path), load_rig(former)
    assert rig == same
    assert rig.sensors.steering_angle.noise_rad == 0.25
    assert source.warnings == ()
    (warning,) = told.warnings
    assert (warning.line, warning.column, warning.key) == (21, 3, "sensors.fork_angle")
    assert warning.expected.startswith("'fork_angle' is called 'steering_angle' now; ")


def test_a_name_that_goes_up_further_than_any_tree_is_refused_at_its_place(tmp_path: Path) -> None:
    path = tmp_path / "rig.yaml"
    path.write_text(RIG.replace("vehicle: vehicle.yaml", "vehicle: ../../../../etc/vehicle.yaml"))
    with pytest.raises(
        ConfigError, match=r"rig\.yaml:\d+:10: vehicle: expected a name that goes up 3 folders"
    ):
        load_rig(path)
    path.write_text("based_on: ../../../../etc/rig.yaml\n")
    with pytest.raises(
        ConfigError, match=r"rig\.yaml:1:11: based_on: expected a name that goes up 3 folders"
    ):
        load_rig(path)
