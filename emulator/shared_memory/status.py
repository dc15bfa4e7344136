"""The status block's words, the states they tell, and the commands of the mailbox."""

from __future__ import annotations

from enum import IntEnum


class Command(IntEnum):
    """What the supervisor can ask of the loop; each carries one float argument (0 where unused)."""

    ARM = 1  # argument: 0 now, BY_BUTTON once the bench's button for the local enable is pressed
    START = 2
    STOP = 3  # orderly: ramp to rest, then standby
    TRIP = 4  # argument: the reason, a number of emulator.plant.states
    RESET = 5  # acknowledge: tripped -> standby, once at rest and the cause is gone
    HOLD = 6  # armed, but not running until GO; argument: 0 by the operator at the bench, 1 from afar
    GO = 7  # let go of the hold; argument: 0 of every one, 1 of the one from afar
    START_EVENT = 8  # one of the scenario's events that waits to be asked for; argument: its number from 0
    END_EVENT = 9  # the same event, before its time
    MARK = (
        10  # somebody wants to find this moment again; argument: the mark's number. The plant knows of none
    )


BY_BUTTON = 1.0
"""Argument of ARM: not yet."""


class LoopEvent(IntEnum):
    """Codes of events the cycle itself reports; codes below 1000 are the plant's."""

    COMMAND = 1000  # taken from the mailbox; index: which
    STOP_ASKED = 1001  # by a signal, or because the supervisor is gone
    STALL = 1002  # value: how late, in seconds
    LINK_DEAD = 1003
    RECORDER_GONE = 1004
    RECORDER_BACK = 1005
    RAMP_TOO_LONG = 1006
    BUS_FAULT = 1007  # index: emulator.loop.bus_watch.BusFault; value: frames, or times
    BUS_FAULT_OVER = 1008  # value: how long it lasted, in seconds
    MARK = 1009  # value: its number


class LoopState(IntEnum):
    """Where the loop process is."""

    ABSENT = 0
    BUILDING = 1
    CYCLING = 2
    ENDED = 3
    FAILED = 4


class RecorderState(IntEnum):
    """Where the recorder process is."""

    ABSENT = 0
    RECORDING = 1
    CLOSED = 2
    FAILED = 3


class Status(IntEnum):
    """Index of each status word (int64). The comment lines name the one process that writes them."""

    # supervisor
    SUPERVISOR_PID = 0
    SUPERVISOR_HEARTBEAT = 1
    RECORDER_END = 2  # 1: finish the record and leave
    # loop
    LOOP_PID = 8
    LOOP_STATE = 9
    LOOP_HEARTBEAT = 10  # cycles since start
    TICK = 11  # scenario tick last computed
    BENCH_STATE = 12
    OVERRUNS = 13
    MISSED_TICKS = 14
    SKIPPED_TICKS = 15
    FRAMES_RECEIVED = 16
    FRAMES_SENT = 17
    SEND_LOST = 18
    RECEIVE_LOST = 19
    BUS_ERRORS = 20
    GNSS_SENT = 21
    GNSS_LOST = 22
    FRAMES_CUT = 23  # payload longer than the frame ring keeps
    LATENESS_P50_NS = 24
    LATENESS_P99_NS = 25
    LATENESS_P999_NS = 26
    LATENESS_MAX_NS = 27
    COMPUTE_P50_NS = 28
    COMPUTE_P99_NS = 29
    COMPUTE_P999_NS = 30
    COMPUTE_MAX_NS = 31
    COMMANDS_TAKEN = 32
    BUS_FAULTS = 33  # those there now: bit 1 << emulator.loop.bus_watch.BusFault
    BUS_OFFS = 34
    INTERFACE_DOWNS = 35
    SEND_FULL = 36  # of SEND_LOST: no room in the transmit queue
    OWN_FRAMES = 37  # received, with identifiers that only the bench sends
    TICK_ZERO_NS = 38  # CLOCK_MONOTONIC at scenario tick 0 as the loop counts now; 0 before the first tick
    # recorder
    RECORDER_PID = 40
    RECORDER_HEARTBEAT = 41
    RECORDER_STATE = 42
    RECORDER_LOST = 43  # records of any ring that it could not read in time
    RECORDER_LAG_TICKS = 44  # most ticks that a row had waited when it took it


class BusWord(IntEnum):
    """Index of each count of the virtual bus (int64), since it was started; the bus process writes them."""

    CLIENTS = 0  # connected now
    JOINED = 1  # connections that reached a bus
    FRAMES_IN = 2  # frames taken from participants
    FRAMES_OUT = 3  # frames handed to participants (one in, n - 1 out)
    MALFORMED = 4  # commands answered with an error
    CUT_OFF = 5  # participants cut off because they did not read
    PAUSES = 6  # times a participant that sent too much was made to wait
    REFUSED = 7  # connections for which there was no room
    DELAY_MAX_NS = 8  # longest that a frame can have been in the server
    UNTOLD = 9  # notices to the supervisor that it did not take
