"""A robot that knows of the bench what ``interface.json`` says, and nothing else.

Its frames are packed, protected, read and timed by code that has seen neither a DBC nor the bench's codec:
the JSON's keys are all it goes by. How it balances and steers is the reference robot's own, which it gives
values by name and takes them from by name.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from emulator.core.frame_buffer import frame_buffer
from emulator.core.signals import ROBOT_COMMANDS, RUNNING
from emulator.robot.mission import Mission, ReferenceRider
from emulator.robot.records import SEEN
from emulator.wire.geodesy import Origin

PERIOD_MS = 2  # its own control period


class Layouts:
    """Frames by the description: identifiers as (number, extended)."""

    def __init__(self, text: str) -> None:
        self.data: dict[str, Any] = json.loads(text)
        asking = self.data["rehearsal"]
        frames = [*self.data["frames"], *([] if asking is None else [asking["request"]])]
        self.frames = {f["name"]: f for f in frames}
        self.by_identifier = {(f["identifier"], f["extended"]): f for f in frames}
        self._next: dict[str, int] = {}

    def crc(self, frame: Mapping[str, Any], data: bytes, counter: int) -> int:
        """Bit by bit."""
        rule = frame["protection"]
        width = len(rule["crc_bits"])
        crc = int(rule["crc_start"][counter % len(rule["crc_start"])])
        after = rule["crc_after"][counter % len(rule["crc_after"])]
        for byte in (*(data[k] for k in rule["crc_over"]), *after):
            crc ^= byte << width - 8
            for _ in range(8):
                crc = (crc << 1 ^ rule["crc_polynomial"]) % (1 << width) if crc >> width - 1 else crc << 1
        return crc ^ int(rule["crc_final_xor"])

    def pack(self, name: str, values: Mapping[str, float | None], counter: int | None = None) -> bytes:
        """The payload; with the frame's next counter if none is given. What is not named is not available."""
        frame = self.frames[name]
        data = bytearray(frame["bytes"])
        for signal in frame["signals"]:
            value = values.get(signal["name"])
            if value is None:
                assert signal["raw_not_available"] is not None, f"{signal['name']} can't be left out"
                raw = signal["raw_not_available"]
            else:
                raw = round((value - signal["offset"]) / signal["factor"])
                raw = min(signal["raw_maximum"], max(signal["raw_minimum"], raw))
            put(data, signal["bits"], raw)
        rule = frame["protection"]
        if rule is not None:
            if counter is None:
                counter = self._next.get(name, 0)
                self._next[name] = (counter + 1) % rule["counters"]
            put(data, rule["counter_bits"], counter)
            put(data, rule["data_id_bits"], rule["data_id_sent"])
            put(data, rule["crc_bits"], self.crc(frame, bytes(data), counter))
        return bytes(data)

    def read(self, identifier: tuple[int, bool], data: bytes) -> tuple[str, dict[str, float | None]] | None:
        """Name and values of a frame; None for one that is not described or does not hold its check."""
        frame = self.by_identifier.get(identifier)
        if frame is None or len(data) != frame["bytes"]:
            return None
        rule = frame["protection"]
        if rule is not None:
            counter = take(data, rule["counter_bits"])
            if counter >= rule["counters"] or take(data, rule["crc_bits"]) != self.crc(frame, data, counter):
                return None
            if take(data, rule["data_id_bits"]) != rule["data_id_sent"]:
                return None
        values: dict[str, float | None] = {}
        for signal in frame["signals"]:
            raw = take(data, signal["bits"])
            if signal["signed"] and raw >> len(signal["bits"]) - 1:
                raw -= 1 << len(signal["bits"])
            missing = raw == signal["raw_not_available"]
            values[signal["name"]] = None if missing else raw * signal["factor"] + signal["offset"]
        return frame["name"], values


def put(data: bytearray, bits: Iterable[int], raw: int) -> None:
    """A number into its bits, the least significant first."""
    for k, bit in enumerate(bits):
        if raw >> k & 1:
            data[bit // 8] |= 1 << bit % 8


def take(data: bytes, bits: Iterable[int]) -> int:
    """The unsigned number in those bits."""
    return sum((data[bit // 8] >> bit % 8 & 1) << k for k, bit in enumerate(bits))


def mission_by(told: Mission, data: Mapping[str, Any]) -> Mission:
    """What the reference robot is told, with all that the description says taken from there."""
    scenario, mounting, frames = data["scenario"], data["mounting"], {f["name"]: f for f in data["frames"]}

    def age_s(name: str) -> float:
        return float(frames[name]["latency_ms"] + frames[name]["lag_ms"]) * 1e-3

    latitude, longitude = np.radians(scenario["origin_deg"])
    jitter_s = data["gnss"]["jitter_ms"] * 1e-3
    return replace(
        told,
        origin=Origin(float(latitude), float(longitude), scenario["origin_height_m"]),
        start=scenario["start_station_m"],
        imu_age_s=age_s("imu_rates"),
        lean_age_s=age_s("lean"),
        wheel_age_s=frames["wheel_speed"]["latency_ms"] * 1e-3,
        gnss_age_s=data["gnss"]["age_ms"] * 1e-3 + jitter_s * 0.8,
        gnss_jitter_s=jitter_s,
        imu_m=tuple(mounting["imu_m"]),
        imu_axes=tuple(np.array(mounting["imu_matrix"]).T.ravel()),
        antenna_m=tuple(data["gnss"]["antenna_m"]),
        command_limit=data["steering"]["limit_Nm"],
    )


class DescribedRobot:
    """Joins, beats, waits to be armed, rides, and goes to rest when the ride is over.

    While it is rehearsed it takes the postures it is asked for, as the description says.
    """

    def __init__(self, text: str, told: Mission) -> None:
        self.layouts = Layouts(text)
        data = self.layouts.data
        self.rider = ReferenceRider(mission_by(told, data))
        self.start_up = data["start_up"]
        self.state_names = {state["number"]: state["name"] for state in data["states"]}
        self.states: list[str] = []  # as they were heard, each once
        self.reason = 0
        self.refused = 0  # frames that were not in the description or broken
        self.values: dict[str, float] = dict.fromkeys(ROBOT_COMMANDS, 0.0)
        self._beat = 0
        self._now_ms = 0
        self._asked: tuple[int, str, float] = (-(1 << 30), "", 0.0)  # when, signal, amount
        self._heard_ms: dict[str, int] = {}
        self._rx, self._tx = frame_buffer(1), frame_buffer(16)

    def hear(self, identifier: tuple[int, bool], data: bytes) -> None:
        """A frame of the bus."""
        read = self.layouts.read(identifier, data)
        if read is None:
            self.refused += 1
            return
        name, values = read
        self._heard_ms[name] = self._now_ms
        asking = self.layouts.data["rehearsal"]
        if asking is not None and name == asking["request"]["name"]:
            prompt, amount = (values[s["name"]] for s in asking["request"]["signals"])
            signal = asking["asks"].get(str(int(prompt or 0)), "")
            self._asked = (self._now_ms, signal, amount or 0.0)
            return
        rider = self.rider.rider
        if name == self.start_up["state_frame"]:
            self._hear_state(values)
        step = int(rider.mind[0]["steps"])
        for place, signal in enumerate(SEEN):
            value = values.get(signal)
            if value is not None and signal != self.start_up["state_signal"]:
                rider.seen[place], rider.received[place] = value, step

    def _hear_state(self, values: Mapping[str, float | None]) -> None:
        rider, place = self.rider.rider, SEEN.index("state")
        state = self.state_names[int(values[self.start_up["state_signal"]] or 0)]
        rider.seen[place] = RUNNING if state == "running" else 0.0
        rider.received[place] = int(rider.mind[0]["steps"])
        self.reason = int(values[self.start_up["reason_signal"]] or 0)
        if self.states[-1:] != [state]:
            self.states.append(state)

    def step(self, now_ms: int) -> list[tuple[int, bool, bytes]]:
        """A control period; the frames that are due by their periods, the most urgent first."""
        self._now_ms = now_ms
        self.rider.step(self._rx, self._tx)
        self.values = dict(zip(ROBOT_COMMANDS, map(float, self.rider.rider.values), strict=True))
        rehearsed = self._rehearsed()
        if rehearsed:
            self.values |= self._posture()
        due = []
        for frame in self.layouts.data["frames"]:
            if frame["sender"] != "robot" or now_ms % frame["period_ms"]:
                continue
            values: dict[str, float] = dict(self.values)
            if frame["name"] == self.start_up["heartbeat_frame"]:
                if not (rehearsed and self._misses_something()):
                    self._beat = (self._beat + 1) % self.start_up["heartbeat_counts"]
                values[self.start_up["heartbeat_signal"]] = float(self._beat)
            payload = self.layouts.pack(frame["name"], values)
            due.append((frame["identifier"], frame["extended"], payload))
        return due

    def _rehearsed(self) -> bool:
        """Whether what it was asked for still holds; never while the bench runs."""
        asking = self.layouts.data["rehearsal"]
        if asking is None or self.states[-1:] == ["running"]:
            return False
        return bool(self._now_ms - self._asked[0] <= asking["holds_ms"])

    def _posture(self) -> dict[str, float]:
        """All at rest but what is asked for; of the fork's angle that of the stop on that side."""
        _, signal, amount = self._asked
        values = dict.fromkeys(ROBOT_COMMANDS, 0.0) | {"clutch": 1.0, "gear_request": 1.0}
        if signal == "steering_angle_rad":
            amount = float(np.copysign(self.layouts.data["steering"]["stop_rad"], amount))
        return values | ({signal: amount} if signal in values else {})

    def _misses_something(self) -> bool:
        """Whether an output that it has to notice stays away for longer than it may."""
        layouts = self.layouts
        return any(
            self._now_ms - self._heard_ms.get(name, 0) > layouts.frames[name]["longest_gap_ms"]
            for name in layouts.data["rehearsal"]["notices"]
            if name in layouts.frames
        )
