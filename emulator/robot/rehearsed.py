"""The reference robot while it is rehearsed: it takes the postures that a request frame asks for.

It is the rider that rides, standing: its frames go out as ever, and only the value asked for is put into
them. It never does so while the bench runs. While requests come it holds its heartbeat as long as the
inertial unit or the bench is silent, for as long as those may be silent on a ride before it stops.
"""

from __future__ import annotations

import math

import numpy as np

from emulator.config.rig.outputs import REQUEST_HOLDS_ms
from emulator.core.frame_buffer import FrameBuffer
from emulator.core.signals import ROBOT_COMMANDS, RUNNING
from emulator.robot.mission import Mission, ReferenceRider
from emulator.robot.records import Z_STATE
from emulator.robot.rider import COMMANDS
from emulator.robot.tuning import STEP
from emulator.wire.can_frames import Codec, check, find, pack, protect, unpack

_LONGEST_SILENCE_s = {"rate_x_rad_s": 0.05, "state": 0.3}
"""As on a ride (emulator.robot.rider): by a signal of the frame that must not be silent for longer."""


class RehearsedRider(ReferenceRider):
    """A reference rider that answers requests; ``request``: codec of the request frame alone."""

    def __init__(self, mission: Mission, request: Codec) -> None:
        super().__init__(mission)
        self._request, self._codec = request, mission.codec
        self._steps = 0
        self._asked, self._asked_at = ("", 0.0), -math.inf
        self._heartbeat = math.nan
        self._values, self._asked_values = np.zeros(self._codec.most_signals), np.zeros(request.most_signals)
        limits = {
            int(self._codec.table.can_id[f]): round(_LONGEST_SILENCE_s[s] / STEP)
            for f, name in enumerate(self._codec.frames)
            for s in self._codec.signals[f]
            if name not in COMMANDS and s in _LONGEST_SILENCE_s
        }
        self._heard_at = dict.fromkeys(limits, 0)
        self._silent_after = limits
        taken = [name for name in COMMANDS if name in self._codec.frames]
        self._own = {int(self._codec.table.can_id[self._codec.frame(name)]): name for name in taken}

    def step(self, rx: FrameBuffer, tx: FrameBuffer) -> int:
        """One control period, with what is asked for in its frames."""
        emergency = super().step(rx, tx)
        self._steps += 1
        self._look(rx)
        asked = self._steps - self._asked_at <= 1e-3 * REQUEST_HOLDS_ms / STEP
        if asked and self.rider.seen[Z_STATE] != RUNNING:
            silent = any(self._steps - at > self._silent_after[i] for i, at in self._heard_at.items())
            self._answer(tx, silent=silent)
        else:
            self._heartbeat = math.nan
        return emergency

    def _look(self, rx: FrameBuffer) -> None:
        """Requests, and which frames came."""
        table, names = self._request.table, self._request.signals[0]
        for i in range(int(rx.count[0])):
            can_id = int(rx.can_id[i])
            if can_id in self._heard_at:
                self._heard_at[can_id] = self._steps
            elif can_id == table.can_id[0] and check(table, 0, rx.data[i], int(rx.length[i])) >= 0:
                unpack(table, 0, rx.data[i], self._asked_values)
                number = self._asked_values[names.index("prompt")]
                amount = float(self._asked_values[names.index("amount")])
                known = 1 <= number <= len(ROBOT_COMMANDS) and math.isfinite(amount)
                self._asked = (ROBOT_COMMANDS[int(number) - 1], amount) if known else ("", 0.0)
                self._asked_at = self._steps

    def _answer(self, tx: FrameBuffer, *, silent: bool) -> None:
        """Put the value asked for into this period's frames; ``silent``: the heartbeat stays where it is."""
        signal, amount = self._asked
        for i in range(int(tx.count[0])):
            names = self._codec.signals[self._codec.frame(self._own[int(tx.can_id[i])])]
            if signal not in names and "heartbeat" not in names:
                continue
            table, f = self._codec.table, find(self._codec.table, int(tx.can_id[i]))
            counter = check(table, f, tx.data[i], int(tx.length[i]))
            unpack(table, f, tx.data[i], self._values)
            if signal in names and signal != "heartbeat":
                self._values[names.index(signal)] = amount
            if "heartbeat" in names:
                k = names.index("heartbeat")
                if silent and math.isfinite(self._heartbeat):
                    self._values[k] = self._heartbeat
                self._heartbeat = float(self._values[k])
            pack(table, f, self._values, tx.data[i])
            protect(table, f, counter, tx.data[i])
