"""Robots of one's own that fail, each in its way, or that only note what they are handed; loaded as files."""

import os
import sys
import time


class Quiet:
    """Says nothing: it never commands anything."""

    def begin(self, start):
        self.steps = 0

    def act(self, moment):
        self.steps += 1
        return self.at_last(moment) if self.steps == 50 else None

    def at_last(self, moment):
        return None


class Raises(Quiet):
    def at_last(self, moment):
        return {"values": {"throttle": 1.0 / 0.0}}


class RaisesAtBegin(Quiet):
    def begin(self, start):
        raise LookupError("no map of this track")


class Leaves(Quiet):
    def at_last(self, moment):
        sys.exit(7)


class Vanishes(Quiet):
    def at_last(self, moment):
        os._exit(7)


class Hangs(Quiet):
    def at_last(self, moment):
        time.sleep(30.0)


class NoSuchSignal(Quiet):
    def at_last(self, moment):
        return {"values": {"throttel": 0.1}}


class NoNumber(Quiet):
    def at_last(self, moment):
        return {"values": {"throttle": float("inf")}}


class NoDict(Quiet):
    def at_last(self, moment):
        return 0.25


class TooLong(Quiet):
    def at_last(self, moment):
        return {"frames": [(0x123, bytes(9))]}


class NoIdentifier(Quiet):
    def at_last(self, moment):
        return {"frames": [(0x800, b"")]}


class FramesOfItsOwn:
    """Frames of other identifiers than the bench's, and no values."""

    wants = "frames"

    def begin(self, start):
        pass

    def act(self, moment):
        return {"frames": [(0x123, bytes(8)), (0x80, bytes(8))]}


class DamagedHeartbeat(FramesOfItsOwn):
    def act(self, moment):
        return {"frames": [(0x82, bytes(8))]}


class SlowAtBegin(Quiet):
    def begin(self, start):
        super().begin(start)
        time.sleep(0.4)


class Slow(Quiet):
    def at_last(self, moment):
        time.sleep(0.4)
