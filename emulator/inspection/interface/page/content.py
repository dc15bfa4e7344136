"""What the page says, in order, made from the description alone: all that is on it is in the JSON, too."""

from __future__ import annotations

from emulator.inspection.interface.description import Interface, Monitor, Steering, Wheel
from emulator.inspection.interface.page.content_frames import frame_sections, rehearsal_sections
from emulator.inspection.interface.page.document import (
    Block,
    Code,
    Heading,
    Items,
    Pictures,
    Section,
    Sentences,
    Table,
    number,
)

JSON_FILE, SCHEMA_FILE = "interface.json", "interface.schema.json"


_OPENING, _BEFORE = "What passes:", "Before that, on the machine with the interface:"


def sections(interface: Interface) -> list[Section]:
    """The whole page but its head and cautions."""
    return [
        _joining(interface),
        _start_up(interface),
        *frame_sections(interface),
        _axes(interface),
        _machine(interface),
        _shifting(interface),
        _gnss(interface),
        _ends(interface),
        _trips(interface),
        *rehearsal_sections(interface),
        *_scenario(interface),
        _data(interface),
    ]


def facts(interface: Interface) -> list[tuple[str, str]]:
    """A line of names and values to begin with."""
    bench = [f for f in interface.frames if f.sender == "bench"]
    robot = [f for f in interface.frames if f.sender == "robot"]
    required = sum(f.required for f in robot)
    return [
        ("bus", f"{interface.bus.kind} {interface.bus.channel}".strip()),
        ("you send", f"{required} frames, {len(robot) - required} more if you like"),
        ("you get", f"{len(bench)} frames and GNSS"),
        ("steering", interface.steering.mode.replace("_", " ")),
        ("made by", interface.program),
        ("this description", interface.content_sha256[:16]),
    ]


def _joining(interface: Interface) -> Section:
    bus = interface.bus
    blocks: list[Block] = [Sentences(f"{bus.words[:1].upper()}{bus.words[1:]}. Protocol: {bus.protocol}.")]
    if bus.local_socket is not None:
        blocks.append(
            Sentences(
                "On the same machine the same protocol is spoken at the abstract local socket "
                f"{bus.local_socket}, which costs less time."
            )
        )
    blocks += [
        Code("With python-can:", bus.python_can),
        Code("With a plain socket of Python:", bus.plain_socket),
        Code(_OPENING if bus.kind == "loopback" else _BEFORE, "\n".join(bus.opening)),
    ]
    if bus.kind == "loopback":
        blocks += [
            Sentences(f"You receive {bus.receive_format}"),
            Sentences(f"You send {bus.send_format}"),
        ]
    blocks.append(Items(bus.notes))
    return Section("Join the bus", blocks)


def _start_up(interface: Interface) -> Section:
    rows = [[f"{s.number} {s.name}", s.bench, s.robot, s.ends] for s in interface.states]
    return Section(
        "Start-up",
        [
            Items(interface.start_up.steps, numbered=True),
            Heading("States"),
            Sentences(
                f"{interface.start_up.state_frame}.{interface.start_up.state_signal} tells the state, "
                f"{interface.start_up.reason_signal} beside it why it tripped."
            ),
            Table(("state", "the bench", "you", "what ends it"), rows),
        ],
    )


def _axes(interface: Interface) -> Section:
    m = interface.mounting
    blocks: list[Block] = [Pictures(), Items(interface.axes)]
    turned = ", ".join(f"{a:g}" for a in m.imu_attitude_deg)
    blocks += [
        Table(
            ("what", "forward", "left", "up"),
            [
                ["inertial unit / m", *(f"{v:.3f}" for v in m.imu_m)],
                ["GNSS antenna / m", *(f"{v:.3f}" for v in interface.gnss.antenna_m)],
            ],
        ),
        Sentences(
            f"The unit's axes are turned by roll, pitch, yaw {turned} deg against the main frame"
            + (
                "."
                if not any(m.imu_attitude_deg)
                else ", yaw first: its signals are M times what the main frame shows, M = "
                + "; ".join(" ".join(number(v, 5) for v in row) for row in m.imu_matrix)
                + "."
            )
        ),
        Sentences(
            "It saturates at "
            f"{_or_any(m.imu_rate_limit_rad_s, 'rad/s')} and {_or_any(m.imu_force_limit_m_s2, 'm/s²')}."
        ),
    ]
    return Section("Axes, signs, places", blocks)


def _or_any(limit: float | None, unit: str) -> str:
    return f"no {unit}" if limit is None else f"{limit:g} {unit}"


def _machine(interface: Interface) -> Section:
    s = interface.steering
    return Section(
        "Wheels and steering",
        [
            Table(
                ("wheel", "radius / m", "crown / m", "teeth", "reads 0 below", "stands after"),
                [_wheel_row("front", interface.wheel_front), _wheel_row("rear", interface.wheel_rear)],
            ),
            Sentences(
                "Wheel speed is spin times the nominal radius R. Leaning by a, the tyre rolls on "
                "R - crown (1 - cos a), less a little for its load: it over-reads in a bend."
            ),
            Sentences(
                f"The steering is {s.mode.replace('_', ' ')}: {s.command} rules"
                + _held_to(s)
                + f" The fork's stops are at ±{s.stop_rad:.3f} rad."
            ),
        ],
    )


def _held_to(s: Steering) -> str:
    if s.mode == "torque_driven":
        return f", held to ±{s.limit_Nm:g} N m and {s.rate_limit_Nm_s:g} N m/s."
    if s.fork_rate_limit_rad_s is None:
        return ", as measured at the fork; the torque you send moves nothing."
    turns = f"at up to {s.fork_rate_limit_rad_s:g} rad/s"
    return f", which a stand-in for the fork follows {turns}; the torque you send moves nothing."


def _wheel_row(name: str, wheel: Wheel) -> list[str]:
    return [
        name,
        f"{wheel.radius_m:.4f}",
        f"{wheel.crown_radius_m:.4f}",
        "–" if wheel.teeth is None else str(wheel.teeth),
        f"{wheel.least_speed_m_s:.3f} m/s",
        "–" if wheel.stands_after_ms is None else f"{wheel.stands_after_ms:g} ms",
    ]


def _shifting(interface: Interface) -> Section:
    g = interface.gearbox
    return Section(
        "Gears and clutch",
        [
            Items(g.rules, numbered=True),
            Table(
                ("gear", "engine over rear wheel"),
                [[str(k), f"{ratio:.3f}"] for k, ratio in enumerate(g.ratios, 1)],
            ),
            Sentences(
                f"Clutch lever: released (0) to {g.clutch_holds_at:g} it holds all it can, from "
                f"{g.clutch_bites_at:g} on it holds nothing. Engine: idles at {g.idle_rad_s:.0f}, stalls "
                "below "
                f"{g.stall_rad_s:.0f}, is limited at {g.limiter_rad_s:.0f} rad/s. There is no starter."
            ),
        ],
    )


def _gnss(interface: Interface) -> Section:
    g = interface.gnss
    course = f"no course below {g.course_from_m_s:g} m/s"
    blocks: list[Block] = [
        Sentences(f"{g.port[0].upper()}{g.port[1:]}."),
        Sentences(f"NMEA 0183, talker GN: {', '.join(g.sentences)}, in this order."),
        Sentences(
            f"{g.rate_hz:g} epochs a second; each is {g.age_ms:g} ms old when its last byte is there, with a "
            f"spread of {g.jitter_ms:g} ms towards later. Best fix: {g.fix} (quality {g.quality}); {course}. "
            f"Place of the antenna: {_point(g.antenna_m)}."
        ),
        Code("An epoch of the bend:", "\n".join(g.sample)),
        Code("An epoch without a fix:", "\n".join(g.without_fix)),
        Code("Time and date around an inserted leap second:", "\n".join(g.leap_second)),
        Items(
            [
                "UTC counts through an inserted leap second as 23:59:60; the next day begins a second later. "
                + (
                    f"This scenario has one at the end of {g.leap_second_day}."
                    if g.leap_second_day
                    else "Only a scenario that says so has one."
                ),
                g.time_jump,
                g.stale,
                *([f"Pulse per second: {g.pulse_per_second}."] if g.pulse_per_second else []),
            ]
        ),
    ]
    return Section("GNSS", blocks)


def _point(point: tuple[float, float, float]) -> str:
    return f"({', '.join(f'{v:.3f}' for v in point)}) m"


def _ends(interface: Interface) -> Section:
    e = interface.end
    return Section(
        "When it ends, trips, or falls silent",
        [
            Heading("The ride ends"),
            Items(e.after_end),
            Heading("The bench trips"),
            Items(e.after_trip),
            Heading("The bench falls silent"),
            Items(e.after_silence),
        ],
    )


def _trips(interface: Interface) -> Section:
    rows = [[str(t.number), t.text, t.whose, t.what_to_do] for t in interface.trip_reasons if t.can_come]
    blocks: list[Block] = [Table(("trip_reason", "what happened", "whose", "what to do"), rows)]
    if interface.monitors:
        blocks += [
            Heading("What the bench compares"),
            Table(
                ("monitor", "what", "bound", "for", "then"),
                [[m.name, m.what, _bound(m), f"{m.for_ms:g} ms", m.then] for m in interface.monitors],
            ),
        ]
    return Section("Reasons of a trip on this rig", blocks)


def _bound(monitor: Monitor) -> str:
    return "limits of the actuators" if monitor.within is None else number(monitor.within)


def _scenario(interface: Interface) -> list[Section]:
    s = interface.scenario
    if s is None:
        return []
    released = (
        f"{s.released_at_m_s:.2f} m/s" if s.released_at_m_s is not None else f"{number(s.released_at_s)} s"
    )
    way = f"{s.laps} lap(s) of {s.line_length_m:.1f} m" if s.line_closed else f"{s.line_length_m:.1f} m, open"
    rows = [
        ["begins (UTC)", s.utc],
        ["origin of east, north, up", f"{s.origin_deg[0]:.7f}°, {s.origin_deg[1]:.7f}°"],
        ["its height above the ellipsoid", f"{s.origin_height_m:g} m"],
        ["mean sea level above the ellipsoid", f"{s.geoid_separation_m:g} m"],
        ["start, rear contact", f"east {s.start_m[0]:.3f} m, north {s.start_m[1]:.3f} m"],
        ["start, heading from east", f"{s.start_heading_deg:.3f}°"],
        ["start, along the line", f"{s.start_station_m:g} m, in gear {s.start_gear}"],
        ["support", f"tows at {s.tow_acceleration_m_s2:g} m/s², lets go at {released}"],
        ["line", f"{way}; complete at {s.finish_station_m:.1f} m"],
        ["time limit", f"{s.time_limit_s:g} s"],
    ]
    return [
        Section(
            f"The ride: {s.name}",
            [
                Sentences(s.purpose),
                Table(("what", "value"), rows),
                Sentences(
                    f"The line is in {s.line_csv} (a row a metre: place, heading, curvature, bank, slope, "
                    "target "
                    f"speed) and, for a map, in {s.line_geojson}."
                ),
            ],
        )
    ]


def _data(interface: Interface) -> Section:
    return Section(
        "The same as data",
        [
            Sentences(
                f"{JSON_FILE} holds all of this by name, {SCHEMA_FILE} the meaning of every key. Within "
                "format "
                f"{interface.format} keys stay what they are; new ones may come."
            ),
            Code(
                "Hash of its content (SHA-256 of the file with these 64 digits replaced by zeros):",
                interface.content_sha256,
            ),
            Table(("made from", "SHA-256"), [[name, digest] for name, digest in interface.files.items()]),
        ],
    )
