"""The interface of a bench as data: what ``interface.json`` holds, key by key.

Each key's meaning stands with its field, and comes with the JSON as ``interface.schema.json``. Keys stay what
they are within a ``format``; new ones may come. SI and radians, milliseconds where the key says so.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any, Literal, TypeAlias

from pydantic import Field

from emulator.config.validation import Closed
from emulator.wire.can_frames import labelled

FORMAT: Literal[2] = 2
_NO_HASH = "0" * 64

Point: TypeAlias = tuple[float, float, float]
Sender: TypeAlias = Literal["bench", "robot", "interlocks"]


class Signal(Closed):
    """One value of a frame."""

    name: str = Field(description="ours; samples go by it")
    dbc_name: str = Field(description="in the DBC")
    dbc_unit: str = Field(description="in the DBC, which may have another one than unit")
    unit: str = Field(description="of the physical value; 1 for none")
    meaning: str = Field(description="what it is, by the program and by the DBC's comment")
    zero: str = Field(description="what a value of 0 means")
    positive: str = Field(description="which way a positive value points; empty where there are no signs")
    bits: tuple[int, ...] = Field(
        description="numbers of its bits, the least significant first: bit n is bit n % 8 (0 the lowest) of "
        "byte n // 8 (0 the first). This alone places the signal, whatever its byte order"
    )
    start_bit: int = Field(description="start bit as a DBC writes it: of a big_endian signal the highest bit")
    byte_order: Literal["little_endian", "big_endian"]
    signed: bool = Field(description="two's complement")
    factor: float = Field(description="value in unit = raw * factor + offset, where the DBC has another, too")
    offset: float
    minimum: float = Field(description="lowest physical value that is sent for a number")
    maximum: float
    raw_minimum: int = Field(description="lowest raw value that is sent for a number")
    raw_maximum: int
    raw_not_available: int | None = Field(
        description="raw value that says 'not available'; null: the signal can't say so"
    )
    codes: dict[str, str] = Field(description="names of raw values, by the DBC")
    not_available: str = Field(description="what 'not available' in this signal does or means")
    out_of_range: str = Field(description="what a raw value beyond raw_minimum and raw_maximum does")
    acts_from: float | None = Field(description="of a command: what the bench makes of less; null: no limit")
    acts_to: float | None = Field(description="of a command: what the bench makes of more; null: no limit")

    @property
    def label(self) -> str:
        """Our name, and the DBC's where that is another."""
        return labelled(self.name, self.dbc_name)


class Protection(Closed):
    """End-to-end protection of a frame by a profile of AUTOSAR E2E."""

    profile: str
    data_ids: tuple[int, ...] = Field(
        description="of profiles 2 and 22 sixteen, one for each counter; else one"
    )
    mode: Literal["", "both", "alternating", "low", "nibble"] = Field(
        description="how the data id enters the CRC of profiles 1 and 11: both bytes; the low one with even "
        "counters and the high one with odd ones; the low one; the low one, and the low nibble of the high "
        "one is sent along. Empty: of another profile"
    )
    crc_bits: tuple[int, ...] = Field(description="bits of the CRC, the least significant first")
    counter_bits: tuple[int, ...] = Field(description="bits of the alive counter, likewise")
    counters: int = Field(description="the counter goes from 0 to one less than this, then from 0 again")
    data_id_bits: tuple[int, ...] = Field(description="bits of data_id_sent; empty where none is sent")
    data_id_sent: int = Field(description="what stands in data_id_bits of every frame; 0 where none is sent")
    crc_polynomial: int = Field(
        description="of as many bits as the CRC, the most significant first, without the highest power"
    )
    crc_start: tuple[int, ...] = Field(
        description="value the CRC begins with; with counter n the one at n modulo their number"
    )
    crc_over: tuple[int, ...] = Field(description="bytes of the frame that the CRC runs over, in this order")
    crc_after: tuple[tuple[int, ...], ...] = Field(
        description="values it runs over after those; with counter n the ones at n modulo their number"
    )
    crc_final_xor: int


class Sample(Closed):
    """A frame as it is on the bus, and what is in it."""

    situation: str = Field(description="standing or bend; see the key bend")
    hex: str = Field(description="payload, two digits a byte, the first byte first")
    counter: int | None = Field(description="its alive counter; null: the frame has none")
    values: dict[str, float | None] = Field(description="decoded physical values; null: not available")


class Watch(Closed):
    """What the bench does when a frame of the robot is no news for too long."""

    signal: str = Field(description="the value that has to come")
    news: str = Field(description="which frames count")
    timeout_ms: float = Field(description="the bench trips when the last news is older")
    states: tuple[str, ...] = Field(description="states in which that trips")
    trip_reason: int


class Frame(Closed):
    """One identifier of the bus."""

    name: str = Field(description="ours")
    dbc_name: str = Field(description="in the DBC")
    sender: Sender = Field(description="interlocks: whatever reads the bench's emergency stop and guards")
    meaning: str = Field(description="by the DBC's comment; may be empty")
    identifier: int = Field(description="without the mark of 29-bit identifiers")
    identifier_hex: str
    extended: bool = Field(description="29-bit identifier")
    can_fd: bool
    bytes: int = Field(description="payload length; a frame of another length is damaged")
    required: bool = Field(description="of the robot: no ride without it; of the bench: always sent")
    why_required: str
    period_ms: float = Field(description="from the bench: how often it comes; else how often it is expected")
    longest_period_ms: float | None = Field(
        description="of a watched frame: no longer than this, or a stall of the loop that is no trip may "
        "pass for the robot's silence"
    )
    rate_hz: float
    latency_ms: float | None = Field(
        description="from the bench: age of the content; null for frames it receives"
    )
    lag_ms: float | None = Field(
        description="from the bench: what the sensor's own filters and averaging add to that, for slow "
        "motion, at the speed of the bend"
    )
    jitter_ms: float | None = Field(description="one sigma of a drawn extra age, never earlier (half-normal)")
    longest_gap_ms: float | None = Field(
        description="from the bench: longest time between two frames of a ride that counts"
    )
    watches: tuple[Watch, ...]
    signals: tuple[Signal, ...]
    protection: Protection | None
    samples: tuple[Sample, ...]

    @property
    def label(self) -> str:
        """Our name, and the DBC's where that is another."""
        return labelled(self.name, self.dbc_name)


class Bus(Closed):
    """The CAN bus, and how to join it."""

    kind: Literal["loopback", "socketcan", "serial"]
    words: str
    host: str | None = Field(description="of a virtual bus")
    port: int | None = Field(description="of a virtual bus; 0: chosen when the run starts, and printed then")
    local_socket: str | None = Field(
        description="abstract local socket of a virtual bus (without its first byte, 0), same protocol; "
        "PORT stands for the port"
    )
    channel: str = Field(description="name of the bus or interface; empty where it is yours to choose")
    bit_rate: int | None = Field(description="null: not told by the rig")
    data_bit_rate: int | None
    can_fd: bool
    protocol: str
    opening: tuple[str, ...] = Field(
        description="of a virtual bus: the texts that pass, and who says them; else what sets it up"
    )
    receive_format: str
    send_format: str
    python_can: str = Field(description="lines of Python that open it as bus")
    plain_socket: str = Field(description="lines of Python that open it as connection, without a library")
    notes: tuple[str, ...]


class Gnss(Closed):
    """The GNSS receiver and its port."""

    port_kind: Literal["pty", "serial", "udp", "tcp"]
    port: str = Field(description="what to open; how it is found if the rig does not name it")
    baud: int | None
    sentences: tuple[str, ...] = Field(description="of a burst, in this order; talker GN")
    rate_hz: float
    age_ms: float = Field(description="of an epoch when its last byte is there")
    jitter_ms: float
    antenna_m: Point
    fix: str = Field(description="best kind of fix")
    quality: int = Field(description="the same as in GGA")
    course_from_m_s: float = Field(description="no course below")
    without_fix: tuple[str, ...] = Field(description="sentences of an epoch without a fix")
    sample: tuple[str, ...] = Field(description="sentences of the bend, see the key bend")
    leap_second: tuple[str, ...] = Field(
        description="time and date fields of RMC around an inserted leap second"
    )
    leap_second_day: str | None = Field(description="day of the scenario that ends with one; null: none")
    time_jump: str
    stale: str
    pulse_per_second: str = Field(description="empty: none")


class Wheel(Closed):
    """A wheel and how its speed is sensed."""

    radius_m: float = Field(description="nominal: the signal is spin times this, not the leaning tyre's")
    crown_radius_m: float = Field(description="of the tyre's round section; leaning, it rolls on less")
    teeth: int | None = Field(description="of the tone ring; null: none is modelled")
    least_speed_m_s: float = Field(description="slower than this reads 0")
    stands_after_ms: float | None = Field(description="without an edge for so long it reads 0")


class Gearbox(Closed):
    """Gears, clutch, and when a shift is taken."""

    ratios: tuple[float, ...] = Field(description="engine over rear wheel, first gear first; neutral is 0")
    shift_time_s: float = Field(description="neutral for so long, then the next gear")
    clutch_above: float = Field(description="a shift is taken with the clutch pulled further than this, or")
    throttle_below: float = Field(description="with the throttle less open than this")
    clutch_bites_at: float = Field(description="pulled further it carries nothing")
    clutch_holds_at: float = Field(description="pulled no further it carries all it can")
    idle_rad_s: float
    stall_rad_s: float
    limiter_rad_s: float
    rules: tuple[str, ...]


class Steering(Closed):
    """How the steering works on this bench."""

    mode: Literal["torque_driven", "angle_driven"]
    command: str = Field(description="the robot's signal that rules")
    limit_Nm: float
    rate_limit_Nm_s: float
    fork_rate_limit_rad_s: float | None = Field(description="of a stand-in for the fork; null: there is none")
    stop_rad: float


class State(Closed):
    """A state of the bench."""

    number: int = Field(description="value of the state signal")
    name: str
    bench: str = Field(description="what the bench does")
    robot: str = Field(description="what the robot does")
    ends: str = Field(description="what ends it")


class TripCause(Closed):
    """A reason of a trip."""

    number: int = Field(description="value of the trip reason signal")
    text: str
    whose: Literal["nobody", "robot", "bench", "operator"]
    what_to_do: str
    can_come: bool = Field(description="whether this rig can trip for it")


class StartUp(Closed):
    """From switching on to riding."""

    state_frame: str
    state_signal: str
    reason_signal: str
    heartbeat_frame: str
    heartbeat_signal: str
    heartbeat_counts: int = Field(description="it counts from 0 to one less than this, then from 0 again")
    permissives: tuple[str, ...] = Field(description="what has to be given before arming, and all the while")
    arming_timeout_s: float = Field(description="permissives still missing so long after arming: a trip")
    countdown_least_s: float = Field(description="armed before the ride starts, at least")
    countdown_most_s: float
    steps: tuple[str, ...]


class End(Closed):
    """What the robot sees when a ride ends, trips, or the bench dies."""

    ramp_to_rest_s: float = Field(description="signals go to those of a bike at rest within this")
    silence_within_ms: float = Field(description="a dead loop: no frame comes later than this after it")
    hang_noticed_s: float = Field(description="a loop that hangs is noticed after this ...")
    hang_ended_s: float = Field(description="... and ended after this")
    longest_stall_ms: float = Field(description="the loop makes up for a stall up to this, then trips")
    after_end: tuple[str, ...]
    after_trip: tuple[str, ...]
    after_silence: tuple[str, ...]


class Monitor(Closed):
    """A plausibility check of what the robot sends."""

    name: str
    what: str
    within: float | None = Field(description="bound in the signal's unit; null: the actuator's limits")
    for_ms: float
    then: Literal["trip", "event"]


class Rehearsal(Closed):
    """How the robot's software is asked for postures before the first ride, at standstill."""

    request: Frame = Field(description="the frame that asks; it comes only while a robot is rehearsed")
    holds_ms: float = Field(description="a request that does not come again holds so long")
    asks: dict[str, str] = Field(description="by the value of its signal prompt, what it asks for")
    notices: tuple[str, ...] = Field(description="outputs whose silence the robot has to show")
    rules: tuple[str, ...]


class Bend(Closed):
    """The steady left-hand bend that samples are of: bench without sensor errors, robot that holds it."""

    speed_m_s: float
    lean_rad: float = Field(description="negative: to the left")
    radius_m: float = Field(description="of the rear contact's path")
    yaw_rate_rad_s: float
    gear: int
    heading_rad: float = Field(description="from east, anticlockwise, when the samples were taken")


class Mounting(Closed):
    """Places of sensors in the main frame, and how they are turned."""

    imu_m: Point
    imu_attitude_deg: Point = Field(description="roll, pitch, yaw of the unit's axes, yaw first")
    imu_matrix: tuple[Point, Point, Point] = Field(description="rows; main frame to unit: v_unit = M v_frame")
    imu_rate_limit_rad_s: float | None
    imu_force_limit_m_s2: float | None
    wheelbase_m: float


class ScenarioPart(Closed):
    """What a scenario adds."""

    name: str
    purpose: str
    utc: str = Field(description="of the start of the ride")
    origin_deg: tuple[float, float] = Field(description="latitude and longitude of the local axes' origin")
    origin_height_m: float = Field(description="above the ellipsoid")
    geoid_separation_m: float
    start_m: tuple[float, float] = Field(description="east and north of the rear contact at the start")
    start_heading_deg: float = Field(description="from east, anticlockwise, as in the line's files")
    start_station_m: float
    start_gear: int
    tow_acceleration_m_s2: float
    released_at_m_s: float | None = Field(description="speed at which the support lets go; null: by time")
    released_at_s: float | None
    line_length_m: float
    line_closed: bool
    laps: int
    finish_station_m: float
    time_limit_s: float
    line_csv: str
    line_geojson: str


class Interface(Closed):
    """All of it."""

    format: Literal[2]
    content_sha256: str = Field(
        description="SHA-256 of this file's bytes with this value's 64 digits replaced by 64 zeros"
    )
    program: str
    rig: str
    purpose: str
    files: dict[str, str] = Field(description="SHA-256 of the files it was made from")
    cautions: tuple[str, ...]
    bus: Bus
    frames: tuple[Frame, ...] = Field(description="by identifier, the most urgent first")
    start_up: StartUp
    states: tuple[State, ...]
    trip_reasons: tuple[TripCause, ...]
    end: End
    monitors: tuple[Monitor, ...]
    mounting: Mounting
    steering: Steering
    wheel_front: Wheel
    wheel_rear: Wheel
    gearbox: Gearbox
    gnss: Gnss
    bend: Bend
    axes: tuple[str, ...]
    rehearsal: Rehearsal | None = Field(description="null: the rig names no request frame")
    scenario: ScenarioPart | None

    def frame(self, name: str) -> Frame:
        """A frame by its name. KeyError."""
        return {frame.name: frame for frame in self.frames}[name]


def json_text(interface: Interface) -> str:
    """The description as JSON; its hash is right if it is :func:`sealed`."""
    return json.dumps(interface.model_dump(mode="json"), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def sealed(interface: Interface) -> Interface:
    """The same with its hash."""
    without = interface.model_copy(update={"content_sha256": _NO_HASH})
    return without.model_copy(update={"content_sha256": content_hash(json_text(without))})


def content_hash(text: str) -> str:
    """What ``content_sha256`` of a description has to be, from its JSON."""
    said = str(json.loads(text)["content_sha256"])
    return hashlib.sha256(text.replace(said, _NO_HASH, 1).encode()).hexdigest()


def schema_text() -> str:
    """JSON Schema of the description, with the meaning of every key."""
    schema: Mapping[str, Any] = Interface.model_json_schema(mode="serialization")
    return json.dumps(schema, indent=1, ensure_ascii=False) + "\n"
