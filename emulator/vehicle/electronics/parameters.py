"""What a vehicle file says of the bike's own electronics; whether they are modelled a rig says."""

from __future__ import annotations

from emulator.vehicle.params import Group, Parameter

_DEAD_TIME = Parameter("dead_time", "s", 0.0, 0.03, 0.002, 0.02, "from a command to what it does")
_BURCKHARDT = "M. Burckhardt (1993) 'Fahrwerktechnik: Radschlupf-Regelsysteme', from memory"

CONTROL_UNIT = Group(
    "control_unit",
    "what units know that go by wheel speeds. Left out: none of them can be modelled",
    (
        Parameter("front_crown", "m", 0.0, 0.5, 0.03, 0.13, "crown radius they were told of the front tyre"),
        Parameter("rear_crown", "m", 0.0, 0.5, 0.03, 0.13, "the same of the rear tyre"),
        Parameter("full_lean", "rad", 0.3, 1.57, 0.7, 1.2, "lean that leaves no share for brakes and drive"),
        Parameter("lowest_speed", "m/s", 0.1, 20.0, 0.5, 4.0, "speed below which they do nothing"),
        Parameter(
            "fault_time",
            "s",
            0.02,
            100.0,
            0.3,
            10.0,
            "after which a wheel that reads standstill on a moving bike switches them off",
        ),
    ),
    optional=True,
)

ANTILOCK = Group(
    "antilock",
    "unit that keeps braked wheels from locking (ABS). Left out: no rig can model it",
    (
        Parameter(
            "line_time",
            "s",
            0.0,
            0.5,
            0.005,
            0.06,
            "lag of a caliper's pressure behind its master cylinder's",
        ),
        Parameter(
            "release_time", "s", 0.001, 0.5, 0.01, 0.08, "lag of the pressure that the outlet lets off"
        ),
        _DEAD_TIME,
        Parameter(
            "slip", "1", 0.005, 0.5, 0.02, 0.15, "slip from which a wheel that slows too fast is let off"
        ),
        Parameter(
            "most_slip",
            "1",
            0.01,
            0.9,
            0.08,
            0.3,
            "slip from which it is let off however it slows",
            f"greatest braking force at a slip of 0.08 to 0.3: {_BURCKHARDT}",
        ),
        Parameter("deceleration", "m/s2", 1.0, 500.0, 10.0, 60.0, "of a wheel's rim that is too fast"),
        Parameter("acceleration", "m/s2", 0.5, 500.0, 1.0, 40.0, "of a rim that is running up again"),
        Parameter("build_rate", "Pa/s", 1e4, 1e9, 3e5, 1e7, "how fast pressure is built up again"),
        Parameter(
            "lift_share",
            "1",
            0.1,
            5.0,
            0.6,
            1.4,
            "specific force to the rear over upward, in the bike's axes, from which the front brake is held "
            "lest the rear wheel lifts",
        ),
    ),
    optional=True,
)

TRACTION = Group(
    "traction",
    "unit that keeps the driven wheel from spinning. Left out: no rig can model it",
    (
        _DEAD_TIME,
        Parameter(
            "slip", "1", 0.005, 0.5, 0.03, 0.2, "rear wheel's speed over the front's, less 1, it allows"
        ),
        Parameter(
            "cut_rate", "1/s", 0.1, 1000.0, 1.0, 50.0, "how fast it takes throttle away at twice the slip"
        ),
        Parameter("return_rate", "1/s", 0.05, 100.0, 0.3, 5.0, "how fast it gives throttle back"),
    ),
    optional=True,
)

WHEELIE = Group(
    "wheelie",
    "unit that keeps the front wheel down under drive. Left out: no rig can model it",
    (
        _DEAD_TIME,
        Parameter(
            "lift_share",
            "1",
            0.1,
            5.0,
            0.5,
            1.4,
            "specific force ahead over upward, in the bike's axes, from which throttle is taken away",
        ),
        Parameter(
            "cut_rate", "1/s", 0.1, 1000.0, 1.0, 50.0, "how fast it takes throttle away at twice that share"
        ),
        Parameter("return_rate", "1/s", 0.05, 100.0, 0.3, 5.0, "how fast it gives throttle back"),
    ),
    optional=True,
)

RIDE_BY_WIRE = Group(
    "ride_by_wire",
    "throttle valve that a motor moves. Left out: no rig can model it, the grip's cable moves the valve",
    (
        Parameter("exponent", "1", 0.2, 5.0, 0.6, 2.0, "valve's opening is the grip's to this power"),
        Parameter("most_opening", "1", 0.05, 1.0, 0.5, 1.0, "opening at full grip"),
        Parameter("opening_rate", "1/s", 0.1, 1000.0, 2.0, 30.0, "fastest it opens"),
        Parameter("closing_rate", "1/s", 0.1, 1000.0, 2.0, 30.0, "fastest it shuts"),
        Parameter("valve_time", "s", 0.0, 0.5, 0.01, 0.08, "lag of the valve behind what is asked of it"),
    ),
    optional=True,
)

QUICKSHIFTER = Group(
    "quickshifter",
    "unit that cuts the ignition for a change up. Left out: no rig can model it",
    (
        _DEAD_TIME,
        Parameter("cut_time", "s", 0.005, 0.5, 0.03, 0.12, "longest it waits for the next gear"),
        Parameter(
            "lowest_engine", "rad/s", 0.0, 2000.0, 150.0, 500.0, "engine speed below which it does nothing"
        ),
    ),
    optional=True,
)

SLIPPER_CLUTCH = Group(
    "slipper_clutch",
    "clutch that slips when the wheel drives the engine hard. Left out: no rig can model it",
    (Parameter("back_torque", "N m", 1.0, 2000.0, 20.0, 200.0, "it holds that way, at the gearbox input"),),
    optional=True,
)

ELECTRONICS: tuple[Group, ...] = (
    CONTROL_UNIT,
    ANTILOCK,
    TRACTION,
    WHEELIE,
    RIDE_BY_WIRE,
    QUICKSHIFTER,
    SLIPPER_CLUTCH,
)
"""Sections of a vehicle file; each may be left out."""

SHARED: dict[str, tuple[str, ...]] = {"antilock": (CONTROL_UNIT.name,), "traction": (CONTROL_UNIT.name,)}
"""Sections that units need besides their own."""
