"""A scenario that has one of everything, and what it is broken by in one place after another.

``^`` in the broken text stands before the character a message has to point to, so the place is said here.
"""
# ruff: noqa: E501 - a line of a file is a line here

from __future__ import annotations

from typing import NamedTuple

WHOLE = """\
kind: scenario
name: many things
purpose: have one of each
circuit: ../circuits/ostrevel.yaml
laps: 2
duration_limit_s: 300
utc: 2027-05-04T08:30:00Z
origin: {latitude_deg: 47.25, longitude_deg: 5.85, height_m: 240}
start: {station_m: 10, gear: 1}
support: {tow_acceleration_m_s2: 2, release_speed_km_h: 25}
speed: {lean_limit_deg: 38, acceleration_limit_m_s2: 4, braking_limit_m_s2: 5, top_speed_km_h: 180}
parameters:
  line_grip: {default: 0.9, range: [0.3, 1.1], unit: 1, meaning: grip of the line}
surface:
  grip: 1.0
  roughness: {iso_class: A}
  patches:
    - {name: damp, from_m: 700, to_m: 720, left_m: 4, right_m: -4, grip: {parameter: line_grip}}
  bumps:
    - {name: seam, at_m: 240, length_m: 0.5, height_m: 0.012}
wind: {speed_m_s: 2, from_deg: 240}
vehicle:
  tyre_wear:
    rear: {depth_mm: 2.5, stiffness: 1.15, friction: 0.94}
  load:
    - {name: box, mass_kg: 6, position_m: [0.1, 0, 0.85]}
events:
  - kind: fault
    name: wheel too fast
    signal: wheel_front_m_s
    effect: offset
    value: 2.0
    at: {station_m: 500, lap: 1}
    duration_s: 2
  - {kind: frame, name: lost, frame: lean, effect: loss, share: 0.3, at: {time_s: 20}, duration_s: 2}
  - {kind: actuator, name: soft, channel: front_brake, effect: weak, factor: 0.6, at: {sector: 2}, duration_s: 3}
  - {kind: bus, name: off, effect: bus_off, at: {started: soft, delay_s: 1}, duration_s: 0.05}
  - {kind: restart, name: reboot, sensor: imu, at: {signal: truth.roll_rad, rises_above: 0.4}, duration_s: 0.2}
  - {kind: grip, name: shower, at: {time_s: 30}, duration_s: 5, factor: 0.8, ramp_s: 1}
  - {kind: gust, name: puff, at: {between_s: [40, 50]}, duration_s: 1.2, speed_m_s: 9, from_deg: 0}
  - {kind: gearbox, name: no gear, effect: missed, at: {station_m: 100}, duration_s: 3}
  - {kind: gnss, name: trees, effect: outage, at: {first_of: [{time_s: 60}, {station_m: 900}]}, duration_s: 5}
  - {kind: mark, name: half, at: {time_s: 70}, text: half the time}
criteria:
  - kind: no_fall
  - {kind: distance_from_line, limit_m: 1.5}
  - {kind: position_error, limit_m: 0.5, during_event: trees}
  - kind: holds
    name: shifts are short
    that: {always: {when: {signal: actuator.clutch, at_least: 0.9}, then: {signal: truth.z_m, at_most: 9}}}
"""

HEADS = "time_s, between_s, station_m, sector, signal, started, ended, on_request, first_of, all_of"


class Broken(NamedTuple):
    """A file that is wrong in one way.

    old, new  what is replaced in WHOLE, by what; ``^`` stands where the message has to point
    reason    what the message has to contain, in this order
    """

    old: str
    new: str
    reason: tuple[str, ...]


def b(old: str, new: str, *reason: str) -> Broken:
    return Broken(old, new, reason)


def top(old: str, new: str, *reason: str) -> Broken:
    """The same for what is told of the file as a whole, at its first key."""
    return Broken(WHOLE, "^" + WHOLE.replace(old, new), reason)


ALONE = [
    # ---- the form of the file
    b("laps: 2\n", "laps: 2\n^\tpurpose: x\n", "tab character", "spaces"),
    b("  grip: 1.0\n", "^\tgrip: 1.0\n", "tab character"),
    b("kind: scenario\n", "kind: scenario # a^\ttab\n", "tab character"),
    b("name: many things\n", 'name: ^"many things\n', "not valid YAML", "quote that opens here"),
    b("name: many things\n", "name: ^'many things\n", "not valid YAML", "quote that opens here"),
    b("[0.3, 1.1]", "[0.3, 1.1^}", "not valid YAML", "expected ',' or ']' here"),
    b(
        "from_deg: 240}\nvehicle:",
        "from_deg: 240\nvehicle^:",
        "not valid YAML",
        "'{' that opens in line 21, column 7",
    ),
    b("laps: 2\n", "  laps^: 2\n", "not valid YAML", "indent"),
    b("laps: 2\n", "^laps 2\n", "not valid YAML", "colon"),
    b("laps: 2\n", "^laps:2\n", "not valid YAML", "colon"),
    b("name: many things\n", "name: many^: things\n", "not valid YAML", "colon"),
    b("  grip: 1.0\n", "  grip: 1.0\n ^roughly: 2\n", "not valid YAML", "indent"),
    b("laps: 2\n", "laps: 2\n^laps: 3\n", "duplicate key", "line 5"),
    b("grip: 1.0\n", "grip: 1.0\n  ^grip: 0.5\n", "duplicate key", "line 15"),
    b("    value: 2.0\n", "    value: 2.0\n    ^value: 3.0\n", "duplicate key", "line 32"),
    b("gear: 1}", "gear: 1, ^gear: 2}", "duplicate key", "line 9"),
    b("laps: 2\n", "laps: 2\n^---\nkind: scenario\n", "second document"),
    b("laps: 2\n", "laps: ^&two 2\n", "anchor", "not supported"),
    b("laps: 2\n", "laps: ^*two\n", "alias", "write the value out"),
    b("laps: 2\n", "laps: ^!!int 2\n", "tag", "leave it out"),
    b("gear: 1}", "^<<: 1}", "merge key"),
    b("laps: 2\n", "laps: ^02\n", "starts with a zero", "write 2"),
    b("laps: 2\n", "laps: ^.nan\n", "finite number"),
    b("duration_limit_s: 300", "duration_limit_s: ^.inf", "finite number"),
    b("duration_limit_s: 300", "duration_limit_s: ^1e999", "too large", "finite number"),
    b("laps: 2\n", "laps: 2\n? ^[a, b]\n: 3\n", "plain name as key"),
    b(WHOLE, "^", "empty", "expected a mapping"),
    b(WHOLE, "^# nothing but a remark\n", "empty", "expected a mapping"),
    b(WHOLE, "^- kind: scenario\n", "expected a mapping (key: value) at the top", "a list of 1"),
    b(WHOLE, "^a scenario\n", "expected a mapping (key: value) at the top", "'a scenario'"),
    b(WHOLE, "name: " + "[" * 40 + "^" + "[" * 20 + "]" * 60 + "\n", "nested deeper than 40"),
    # ---- top level
    b(
        "kind: scenario",
        "kind: ^scenarios",
        "expected one of rig, vehicle, scenario, circuit",
        "did you mean",
    ),
    top("kind: scenario\n", "", "missing key 'kind'", "scenario"),
    b("kind: scenario", "kind: ^7", "expected one of", "got 7"),
    top("name: many things\n", "", "missing key 'name'"),
    b("name: many things", "name: ^7", "expected text", "got 7", "quotes"),
    b("name: many things", "name: ^[many, things]", "expected text", "a list of 2"),
    b("name: many things", 'name: ^""', "expected"),
    top("purpose: have one of each\n", "", "missing key 'purpose'"),
    b("purpose: have one of each", "^purpos: have one of each", "unknown key", "did you mean 'purpose'?"),
    b("circuit: ../circuits/ostrevel.yaml", "circuit: ^../circuits/ostravel.yaml", "no such file"),
    b("circuit: ../circuits/ostrevel.yaml", "circuit: ^../circuits", "no such file"),
    b("circuit: ../circuits/ostrevel.yaml", "circuit: ^../rigs/loopback.yaml", "circuit"),
    top("circuit: ../circuits/ostrevel.yaml\n", "", "expected either circuit or manoeuvre", "none of them"),
    top(
        "laps: 2",
        "manoeuvre: {kind: circle, radius_m: 50, side: left}\nlaps: 2",
        "either circuit or manoeuvre",
        "both",
    ),
    top("laps: 2\n", "", "missing key 'laps'", "a whole number from 1 to 1000"),
    b("laps: 2", "laps: ^0", "expected a whole number from 1 to 1000", "got 0"),
    b("laps: 2", "laps: ^2.5", "expected a whole number from 1 to 1000", "got 2.5"),
    b("laps: 2", "laps: ^2.0", "expected a whole number", "write 2"),
    b("laps: 2", "laps: ^two", "expected a whole number", "got 'two'"),
    b("laps: 2", "laps: ^true", "expected a whole number", "got true"),
    b("laps: 2", 'laps: ^"2"', "expected a whole number", "remove the quotes"),
    b("laps: 2", "^laps:", "expected a whole number", "got nothing", "after the colon"),
    b("laps: 2", "^lap: 2", "unknown key", "did you mean 'laps'?"),
    b("duration_limit_s: 300", "duration_limit_s: ^-1", "above 0 and up to 86400 s", "got -1"),
    b(
        "duration_limit_s: 300",
        "duration_limit_s: ^300 s",
        "expected a number",
        "write 300 alone, without a unit",
    ),
    b("duration_limit_s: 300", "duration_limit_s: ^5:00", "expected a number", "write a plain number"),
    b("duration_limit_s: 300", "duration_limit_s: ^1 000", "expected a number", "write 1000"),
    b("duration_limit_s: 300", "^duration_limit_min: 5", "unknown key", "did you mean 'duration_limit_s'?"),
    top("duration_limit_s: 300\n", "", "missing key 'duration_limit_s'", "s"),
    b("utc: 2027-05-04T08:30:00Z", "utc: ^2027-05-04T08:30:00", "zone", "add Z"),
    b("utc: 2027-05-04T08:30:00Z", "utc: ^2027-13-04T08:30:00Z", "expected a time with zone"),
    b("utc: 2027-05-04T08:30:00Z", "utc: ^1979-05-04T08:30:00Z", "expected a year from 1981"),
    b("laps: 2", "leap_second: ^2027-06-30\nlaps: 2", "expected a day that ends during the ride"),
    b("laps: 2", "leap_second: ^2027-06-29\nlaps: 2", "month's last day"),
    # ---- blocks of numbers
    b("latitude_deg: 47.25", "latitude_deg: ^147.25", "from -89 to 89 deg", "got 147.25"),
    b("latitude_deg: 47.25", "^latitude_rad: 0.82", "unknown key", "did you mean 'latitude_deg'?"),
    b("latitude_deg: 47.25", "latitude_deg: 47,^25", "unknown key", "a point, not a comma"),
    b("origin: {latitude_deg: 47.25, ", "^origin: {", "missing key 'latitude_deg'", "deg"),
    b(
        "origin: {latitude_deg: 47.25, longitude_deg: 5.85, height_m: 240}",
        "origin: ^here",
        "expected a mapping",
    ),
    b(
        "origin: {latitude_deg: 47.25, longitude_deg: 5.85, height_m: 240}",
        "^origin:",
        "expected a mapping",
        "nothing",
    ),
    b("station_m: 10,", "station_m: ^9000,", "expected a station within the circuit of", "got 9000"),
    b("station_m: 10,", "station_m: ^-1,", "expected a number from 0 to 100000 m", "got -1"),
    b("gear: 1}", "gear: ^7}", "from 0 to 6", "got 7"),
    b("gear: 1}", "gear: ^first}", "a whole number from 0 to 6", "'first'"),
    b("support: {", "support: ^{release_time_s: 3, ", "either release_speed_km_h or release_time_s", "both"),
    b(
        "support: {tow_acceleration_m_s2: 2, release_speed_km_h: 25}",
        "support: ^{tow_acceleration_m_s2: 2}",
        "either release_speed_km_h or release_time_s",
        "none",
    ),
    b("release_speed_km_h: 25", "^release_speed_m_s: 7", "unknown key", "did you mean 'release_speed_km_h'?"),
    b("release_speed_km_h: 25", "release_speed_km_h: ^25 km/h", "write 25 alone, without a unit"),
    b("tow_acceleration_m_s2: 2", "tow_acceleration_m_s2: ^fast", "a number from 0 to 10 m/s2", "'fast'"),
    b("lean_limit_deg: 38, ", "lean_limit_deg: ^70, ", "above 0 and up to 65 deg", "got 70"),
    b("lean_limit_deg: 38, ", "^lean_limit_rad: 0.6, ", "unknown key", "did you mean 'lean_limit_deg'?"),
    b("speed: {lean_limit_deg: 38, ", "speed: ^{", "either lateral_limit_m_s2 or lean_limit_deg", "none"),
    b("speed: {lean_limit_deg: 38, ", "speed: ^{lateral_limit_m_s2: 8, lean_limit_deg: 38, ", "got both"),
    b("top_speed_km_h: 180", "^top_speed: 180", "unknown key", "did you mean 'top_speed_km_h'?"),
    b("  grip: 1.0", "  grip: ^0", "above 0 and up to 2", "got 0"),
    b("  grip: 1.0", "  grip: ^dry", "above 0 and up to 2", "'dry'"),
    b("iso_class: A", "iso_class: ^K", "one of A, B, C", "'K'"),
    b("iso_class: A", "iso_class: ^a", "one of A, B, C", "'a'"),
    b("roughness: {iso_class: A}", "roughness: ^A", "expected a mapping", "'A'"),
    b("to_m: 720", "to_m: ^700", "another station than from_m"),
    b("{name: damp, from_m: 700, to_m: 720, ", "^{name: damp, from_m: 700, ", "missing key 'to_m'"),
    b("right_m: -4,", "right_m: -4, ^width_m: 3,", "unknown key; known keys: name, from_m"),
    b("left_m: 4,", "left_m: ^-5,", "more than right_m (-4"),
    b("at_m: 240", "at_m: ^99000", "station within the circuit"),
    b("length_m: 0.5", "length_m: ^0", "from 0.2 to 200 m", "got 0"),
    b("from_deg: 240", "from_deg: ^361", "from 0 to 360 deg"),
    b(
        "wind: {speed_m_s: 2, from_deg: 240}",
        "wind: ^2",
        "expected a mapping with the keys speed_m_s, from_deg",
    ),
    b("depth_mm: 2.5", "depth_mm: ^25", "from 0 to 10", "got 25"),
    b("    rear: {", "    ^back: {", "unknown key; known keys: front, rear"),
    b("position_m: [0.1, 0, 0.85]", "position_m: [0.1, ^1, 0.85]", "symmetry plane", "got 1"),
    b("position_m: [0.1, 0, 0.85]", "position_m: ^[0.1, 0]", "a list of 3 numbers", "a list of 2"),
    b("mass_kg: 6", "mass_kg: ^6kg", "write 6 alone, without a unit"),
    # ---- parameters
    b(
        "{parameter: line_grip}",
        "^{parameter: lin_grip}",
        "unknown parameter 'lin_grip'",
        "did you mean 'line_grip'?",
    ),
    b("{parameter: line_grip}", "^{parameter: [line_grip]}", "name of a parameter", "a list of 1"),
    b("{parameter: line_grip}", "^{parameter: {x: 1}}", "name of a parameter", "a mapping"),
    b("{parameter: line_grip}", "^{parametre: line_grip}", "a number from 0 to 2", "a mapping"),
    b("range: [0.3, 1.1]", "range: ^[1.1, 0.3]", "the least first"),
    b("range: [0.3, 1.1]", "range: ^[0.3]", "a list of 2 numbers"),
    b("default: 0.9", "default: ^9", "within range (0.3 to 1.1)", "got 9"),
    b("default: 0.9", "default: ^much", "expected a number", "'much'"),
    b(
        "  line_grip: {",
        "  ^Line grip: {default: 1, range: [0, 2], unit: 1, meaning: x}\n  line_grip: {",
        "small letters",
    ),
    # ---- when events start
    b(
        "{station_m: 500, lap: 1}",
        "^{station_m: 500, time_s: 3}",
        f"expected one of {HEADS}",
        "time_s and station_m",
    ),
    b("{station_m: 500, lap: 1}", "^{}", f"expected one of {HEADS}", "none of them"),
    b("{station_m: 500, lap: 1}", "^{lap: 1}", f"expected one of {HEADS}", "none of them"),
    b("{station_m: 500, lap: 1}", "^500", "expected a mapping with the keys time_s", "got 500"),
    b("{station_m: 500, lap: 1}", "{^station: 500, lap: 1}", "unknown key", "did you mean 'station_m'?"),
    b("{station_m: 500, lap: 1}", "{station_m: ^5000, lap: 1}", "station within the circuit", "got 5000"),
    b("{station_m: 500, lap: 1}", "{station_m: 500, lap: ^3}", "a lap from 1 to 2 (laps)", "got 3"),
    b("{station_m: 500, lap: 1}", "{time_s: 5, lap: ^1}", "lap only together with station_m or sector"),
    b(
        "{station_m: 500, lap: 1}",
        "{time_s: ^300}",
        "a time before the end (duration_limit_s 300)",
        "got 300",
    ),
    b("{station_m: 500, lap: 1}", "{time_s: ^-1}", "from 0 to 86400 s", "got -1"),
    b("{station_m: 500, lap: 1}", "{^time_ms: 500}", "unknown key", "did you mean 'time_s'?"),
    b("{station_m: 500, lap: 1}", "{time_s: 5, delay_s: ^soon}", "expected a number", "'soon'"),
    b("{station_m: 500, lap: 1}", "{sector: ^0}", "a whole number from 1 to 100", "got 0"),
    b("{station_m: 500, lap: 1}", "{sector: ^9}", "a sector from 1 to 3", "got 9"),
    b("{station_m: 500, lap: 1}", "{on_request: ^false}", "expected true", "got false"),
    b("{station_m: 500, lap: 1}", "{on_request: ^yes}", "expected true", "write true"),
    b("{station_m: 500, lap: 1}", "{first_of: ^[]}", "a list of at least 1", "a list of 0"),
    b("{station_m: 500, lap: 1}", "{first_of: ^{time_s: 3}}", "a list", "a mapping"),
    b("{station_m: 500, lap: 1}", "{all_of: [{time_s: 3}, ^{}]}", f"expected one of {HEADS}"),
    b(
        "{station_m: 500, lap: 1}",
        "{all_of: [{time_s: 3}, {started: ^wheel too fast}]}",
        "another event",
        "its own",
    ),
    b("{station_m: 500, lap: 1}", "{started: ^shover}", "name of another event", "did you mean 'shower'?"),
    b("{station_m: 500, lap: 1}", "{started: ^wheel too fast}", "name of another event", "its own"),
    b("{station_m: 500, lap: 1}", "{ended: ^3}", "expected text", "got 3"),
    b("between_s: [40, 50]", "between_s: [50, ^40]", "a later end than 50 s"),
    b("between_s: [40, 50]", "between_s: [40, ^400]", "a time before the end"),
    b("between_s: [40, 50]", "between_s: ^[40]", "a list of 2 numbers (s)", "a list of 1"),
    b("between_s: [40, 50]", "between_s: ^40", "a list of 2 numbers (s)", "got 40"),
    b("between_s: [40, 50]", "between_s: [40, ^late]", "expected a number", "'late'"),
    b("signal: truth.roll_rad", "signal: ^truth.rol_rad", "recorded signal", "truth.roll_rad"),
    b("signal: truth.roll_rad", "signal: ^loop.lateness_us", "no signal of the loop's own timing"),
    b(
        "at: {signal: truth.roll_rad, rises_above: 0.4}",
        "at: ^{signal: truth.roll_rad}",
        "rises_above or falls_below",
    ),
    b(
        "at: {signal: truth.roll_rad, rises_above: 0.4}",
        "at: ^{signal: truth.roll_rad, rises_above: 1, falls_below: 0}",
        "rises_above or falls_below",
        "one of both",
    ),
    b("rises_above: 0.4", "rises_above: 0.4, hysteresis: ^-1", "of at least 0", "got -1"),
    b("at: {time_s: 20}", "at: {time_s: 20, rises_above: ^1}", "rises_above only together with signal"),
    b("at: {time_s: 20}, ", "at: {time_s: 20}, ^at: {time_s: 21}, ", "duplicate key"),
    # ---- what every event has
    b("name: half,", "name: ^wheel too fast,", "a name of its own", "events.0 has already"),
    b("  - kind: fault\n", "  - kind: ^faulty\n", "one of fault, frame", "did you mean 'fault'?"),
    b(
        "  - kind: fault\n    name: wheel too fast\n",
        "  - ^name: wheel too fast\n",
        "missing key 'kind'",
        "fault, frame",
    ),
    b("  - kind: fault\n    name: wheel too fast\n", "  - ^kind: fault\n", "missing key 'name'"),
    b(
        "{kind: frame, name: lost, frame: lean, effect: loss, share: 0.3, at: {time_s: 20}, ",
        "^{kind: frame, name: lost, frame: lean, effect: loss, ",
        "missing key 'at'",
        "a mapping with the keys time_s",
    ),
    b("    duration_s: 2\n", "    duration_s: ^0\n", "above 0 and up to 86400 s", "got 0"),
    b("    duration_s: 2\n", "    ^duration: 2\n", "unknown key", "did you mean 'duration_s'?"),
    b("    duration_s: 2\n", "    ^duration_ms: 2000\n", "unknown key", "did you mean 'duration_s'?"),
    b("    duration_s: 2\n", "    duration_s: 2\n    ramp_s: ^3\n", "at most duration_s (2 s)", "got 3"),
    b("    duration_s: 2\n", "    duration_s: 2\n    probability: ^1.5\n", "above 0 and up to 1", "got 1.5"),
    b(
        "    duration_s: 2\n",
        "    duration_s: 2\n    probability: ^50%\n",
        "expected a number",
        "without a unit",
    ),
    b("    duration_s: 2\n", "    duration_s: 2\n    seed: ^-1\n", "from 0 to 4294967295", "got -1"),
    b("    duration_s: 2\n", "    duration_s: 2\n    repeat: ^3\n", "a mapping with the keys times, every_s"),
    b(
        "    duration_s: 2\n",
        "    duration_s: 2\n    repeat: {times: 3, every_s: ^1}\n",
        "at least duration_s (2 s)",
    ),
    b("    duration_s: 2\n", "    repeat: ^{times: 3}\n", "duration_s beside repeat"),
    b("    duration_s: 2\n", "    duration_s: 2\n    ^repeat: {every_s: 9}\n", "missing key 'times'"),
    b(
        "at: {time_s: 20}, duration_s: 2}",
        "at: {time_s: 20}, duration_s: 2, repeat: ^{times: 2}}",
        "expected every_s",
    ),
    b(
        "    duration_s: 2\n",
        "    duration_s: 2\n    intermittent: {on_s: ^0, off_s: 1}\n",
        "above 0 and up to 3600 s",
    ),
    b(
        "    duration_s: 2\n",
        "    duration_s: 2\n    intermittent: {on_s: 1, off_s: 1, drawn: ^yes}\n",
        "true or false",
        "write true",
    ),
    b(
        "missed, at: {station_m: 100}, duration_s: 3}",
        "missed, at: {station_m: 100}, duration_s: 3, ^ramp_s: 1}",
        "unknown key",
    ),
    # ---- faults of values
    b(
        "signal: wheel_front_m_s",
        "signal: ^wheel_frnt_m_s",
        "unknown signal",
        "did you mean 'wheel_front_m_s'?",
    ),
    b("signal: wheel_front_m_s", "signal: ^heartbeat", "unknown signal 'heartbeat'"),
    b("signal: wheel_front_m_s", "signal: ^truth.speed_m_s", "unknown signal"),
    b("signal: wheel_front_m_s", "signal: ^12", "output signal", "got 12"),
    b("effect: offset", "effect: ^ofset", "one of dropout, freeze", "did you mean 'offset'?"),
    b("effect: offset", "effect: ^loss", "one of dropout, freeze", "'loss'"),
    b(
        "    effect: offset\n    value: 2.0\n",
        "    effect: dropout\n    value: ^2.0\n",
        "takes no value",
        "remove it",
    ),
    b("    value: 2.0\n", "    value: ^2e7\n", "from -1000000 to 1000000"),
    b("    value: 2.0\n", "    value: 2.0\n    low: ^1\n", "takes no low", "saturation"),
    b(
        "    effect: offset\n    value: 2.0\n",
        "    effect: delay\n    delay_ms: ^1001\n",
        "from 1 to 1000 ms",
        "got 1001",
    ),
    b("    effect: offset\n    value: 2.0\n", "    effect: quantisation\n    value: ^0\n", "a step above 0"),
    b("    effect: offset\n    value: 2.0\n", "    effect: noise\n    value: ^-1\n", "at least 0"),
    b(
        "    effect: offset\n    value: 2.0\n",
        "    effect: saturation\n    low: 3\n    high: ^1\n",
        "more than low (3)",
    ),
    # ---- faults of frames
    b("effect: loss,", "effect: ^lost,", "one of loss, repetition", "did you mean 'loss'?"),
    b("share: 0.3", "share: ^30", "above 0 and up to 1", "got 30"),
    b("share: 0.3", "share: ^0", "above 0 and up to 1", "got 0"),
    b("effect: loss, share: 0.3", "effect: loss, copies: ^2", "takes no copies", "repetition does"),
    b("effect: loss, share: 0.3", "effect: repetition, copies: ^9", "a whole number from 1 to 8", "got 9"),
    b("effect: loss, share: 0.3", "effect: insertion, every_ms: 10, payload: ^xyz", "bytes in hexadecimal"),
    b("effect: loss, share: 0.3", "effect: insertion, every_ms: 10, payload: ^00", "x"),
    b("effect: loss, share: 0.3", 'effect: corruption, mask: ^"00 00"', "a bit that is set"),
    b("effect: loss, share: 0.3", "effect: corruption, flips: ^513", "a whole number from 1 to 512"),
    b("effect: loss, share: 0.3", "effect: masquerade, shows: ^lean", "another frame than its own"),
    b(
        "frame: lean, effect: loss,",
        "frame: gnss, effect: ^masquerade, shows: lean,",
        "one of loss, repetition, delay, corruption for gnss",
    ),
    # ---- other events
    b(
        "channel: front_brake",
        "channel: ^front_break",
        "one of steering, throttle, front_brake",
        "did you mean 'front_brake'?",
    ),
    b("factor: 0.6", "factor: ^1.6", "at most 1", "got 1.6"),
    b("factor: 0.6", "factor: ^60 %", "a number from 0 to 1000", "without a unit"),
    b("effect: weak, factor: 0.6", "effect: slow, factor: ^0.5", "at least 1", "got 0.5"),
    b(
        "channel: front_brake, effect: weak",
        "channel: ^clutch, effect: brake_fade",
        "a brake for effect brake_fade",
    ),
    b("effect: weak, factor: 0.6", "effect: strong, factor: ^0.5", "at least 1", "got 0.5"),
    b("channel: front_brake, effect: weak", "channel: gear, effect: ^weak", "no_response, stuck or slow"),
    b("effect: bus_off,", "effect: bus_off, load: ^0.5,", "takes no load", "overload does"),
    b("effect: bus_off,", "effect: ^busoff,", "bus_off, overload", "did you mean 'bus_off'?"),
    b("effect: bus_off,", "effect: overload, load: ^90,", "above 0 and up to 1", "got 90"),
    b("effect: bus_off,", "effect: overload, load: 1, identifier: ^2048,", "from 0 to 2047", "got 2048"),
    b("sensor: imu", "sensor: ^gyro", "one of wheel_speed, imu", "'gyro'"),
    b("factor: 0.8,", "factor: ^0,", "above 0 and up to 2", "got 0"),
    b("factor: 0.8,", "factor: 0.8, left_m: ^3,", "left_m only together with from_m and to_m"),
    b("factor: 0.8,", "factor: 0.8, from_m: 3, to_m: ^90000,", "station within the circuit"),
    b("speed_m_s: 9,", "speed_m_s: ^99,", "above 0 and up to 40 m/s", "got 99"),
    b("speed_m_s: 9,", "^speed_km_h: 30,", "unknown key", "did you mean 'speed_m_s'?"),
    b("effect: missed", "effect: ^mised", "missed, false_neutral", "did you mean 'missed'?"),
    b("effect: outage", "effect: outage, best_fix: ^single", "takes no best_fix", "degraded does"),
    b("effect: outage", "effect: jump, bias_m: 3, towards_deg: ^400", "from 0 to 360 deg"),
    b("effect: outage", "effect: time_jump, time_s: ^1e6", "from -86400 to 86400 s"),
    b("text: half the time", "text: ^50", "expected text", "quotes"),
    b("text: half the time", "text: x, duration_s: ^3", "no such key here", "got 3; remove it"),
    # ---- criteria
    b("  - kind: no_fall\n", "  - ^no_fall\n", "expected a mapping, kind one of no_fall", "'no_fall'"),
    b("kind: no_fall", "kind: ^no_falls", "expected one of no_fall", "did you mean 'no_fall'?"),
    b("limit_m: 1.5", "limit_m: ^-1.5", "above 0 and up to 50 m", "got -1.5"),
    b("limit_m: 1.5", "^limit_cm: 150", "unknown key", "did you mean 'limit_m'?"),
    b("limit_m: 1.5", "limit_m: 1.5, from_s: ^300", "before the end", "would judge nothing"),
    b("limit_m: 1.5", "limit_m: 1.5, from_station_m: ^99000", "station within the circuit"),
    b(
        "- {kind: distance_from_line, limit_m: 1.5}",
        "- ^{kind: distance_from_line}",
        "missing key 'limit_m'",
        "m",
    ),
    b("during_event: trees", "during_event: ^treees", "name of an event", "did you mean 'trees'?"),
    b("during_event: trees", "during_event: trees, to_event: ^half", "either during_event or to_event"),
    b("signal: actuator.clutch", "signal: ^actuator.cluch", "recorded signal", "actuator.clutch"),
    b("signal: truth.z_m, at_most: 9", "signal: truth.z_m, at_most: ^low", "expected a number", "'low'"),
    b(
        "then: {signal: truth.z_m, at_most: 9}",
        "^than: {signal: truth.z_m, at_most: 9}",
        "unknown key",
        "did you mean 'then'?",
    ),
    b(
        "that: {always: {",
        "that: ^{eventually: {signal: truth.z_m, at_most: 1}, always: {",
        "expected one of signal, all_of",
        "always and eventually",
    ),
    b(
        "limit_m: 1.5}",
        "limit_m: 1.5}\n  - {kind: lap_time, limit_s: 90, lap: ^3}",
        "a lap from 1 to 2 (laps)",
    ),
    b(
        "limit_m: 1.5}",
        "limit_m: 1.5}\n  - {kind: sector_time, limit_s: 90, sector: ^4}",
        "a sector from 1 to 3",
    ),
    b(
        "limit_m: 1.5}",
        "limit_m: 1.5}\n  - {kind: reaction_time, after: ^tree, limit_s: 1, signal: robot.throttle, change: 1}",
        "name of an event",
        "did you mean 'trees'?",
    ),
    b(
        "limit_m: 1.5}",
        "limit_m: 1.5}\n  - {kind: reaction_time, after: trees, limit_s: 1, signal: ^truth.z_m, change: 1}",
        "signals of the robot",
    ),
    b(WHOLE[WHOLE.index("criteria:") :], "criteria: ^[]\n", "a list of at least 1", "a list of 0"),
    b(WHOLE[WHOLE.index("criteria:") :], "^criteria:\n", "a list of at least 1", "nothing"),
    b(
        WHOLE[WHOLE.index("criteria:") :],
        "criteria:\n  - {kind: lean, limit_deg: ^100}\n",
        "above 0 and up to 90 deg",
    ),
    b(
        WHOLE[WHOLE.index("criteria:") :],
        "criteria:\n  ^kind: no_fall\n",
        "a list of at least 1",
        "a mapping",
    ),
    top(WHOLE[WHOLE.index("criteria:") :], "", "missing key 'criteria'", "a list of at least 1"),
]


MISFITS = [
    # scenarios that are right, on a rig that can't play them
    b("signal: wheel_front_m_s", "signal: ^fork_travel_m", "a signal of this rig's outputs"),
    b("frame: lean,", "frame: ^leen,", "a frame of this rig", "did you mean 'lean'?"),
    b("frame: lean,", "frame: ^suspension,", "a frame of this rig", "gnss"),
    b("effect: loss, share: 0.3", "effect: corruption, flips: ^65", "at most the 64 bits of the frame"),
    b("effect: loss, share: 0.3", "effect: corruption, mask: ^'000000000000000001'", "bits of the frame's 8"),
    b(
        "effect: loss, share: 0.3",
        f"effect: insertion, every_ms: 5, payload: ^'{'00' * 12}'",
        "expected 1 to 8 bytes on a bus of classical frames, got 12",
    ),
    b(
        "frame: lean, effect: loss, share: 0.3,",
        "frame: lean, effect: masquerade, shows: ^levers,",
        "a frame of this rig",
    ),
    b(
        "frame: lean, effect: loss, share: 0.3,",
        "frame: lean, effect: masquerade, shows: ^gnss,",
        "a frame of this rig",
    ),
    b(
        "frame: lean, effect: loss,",
        "frame: drive, effect: delay, delay_ms: ^512,",
        "less than 512 ms",
        "no more than 512 frames",
    ),
    b("effect: bus_off,", "effect: ^overload, load: 0.5,", "bit rate (bus.bitrate)"),
    b("sensor: imu", "sensor: ^wheel_pulses", "a sensor of this rig", "got wheel_pulses"),
    b("sensor: imu", "sensor: ^analogue", "a sensor of this rig", "got analogue"),
]
ANGLE_DRIVEN = [
    b("channel: front_brake,", "channel: ^steering,", "another channel", "measured angle is imposed"),
]


def written(broken: Broken) -> tuple[str, tuple[int, int]]:
    """The broken text, and line and column its message has to point to."""
    assert WHOLE.count(broken.old) == 1, f"stands not once: {broken.old!r}"
    before, mark, after = WHOLE.replace(broken.old, broken.new).partition("^")
    assert mark, "no place is marked"
    return before + after, (before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1)
