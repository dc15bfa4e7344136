"""The GNSS receiver as a robot has to know it: port, sentences, age, and what its clock may do."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime

from emulator.assembly.link_specs import gnss_spec
from emulator.config.rig.file import Rig
from emulator.config.rig.ports import PtyPort, PulsePerSecond, SerialPort, UdpPort
from emulator.inspection.interface.description import Gnss
from emulator.sensors.gnss import FIX_QUALITY
from emulator.wire.nmea import Fix, burst
from emulator.wire.utc import DAY_ms

_LEAP_DAY = date(2016, 12, 31)
"""The last day so far that ended with 23:59:60 (IERS Bulletin C 52, from memory)."""
_AROUND_LEAP_ms = (-1000, -100, 0, 900, 1000)
_EPOCH_DAY = date(1970, 1, 1).toordinal()


def receiver(rig: Rig, sample: bytes, leap_day: date | None) -> Gnss:
    """All about it.

    sample    a burst of it, to show
    leap_day  of the scenario, if it has one
    """
    gnss, port = rig.sensors.gnss, rig.gnss_port
    return Gnss(
        port_kind=port.kind,
        port=_port_words(rig),
        baud=port.baud if isinstance(port, SerialPort | PtyPort) else None,
        sentences=tuple(text[3:6].decode() for text in sample.splitlines()),
        rate_hz=gnss.rate_hz,
        age_ms=gnss.latency_ms,
        jitter_ms=gnss.jitter_ms,
        antenna_m=gnss.antenna_position_m,
        fix=gnss.fix,
        quality=FIX_QUALITY[gnss.fix],
        course_from_m_s=gnss.course_from_m_s,
        without_fix=_lines(burst(_fix(0)._replace(fix_quality=0, satellites=0), gnss.sentences)),
        sample=_lines(sample),
        leap_second=_around_a_leap_second(),
        leap_second_day=None if leap_day is None else leap_day.isoformat(),
        time_jump="In a time jump the receiver's time of validity is off by any number of seconds for a "
        "while, at once, then right again at once, forward or backward; position and speed stay those of the "
        "true time. Age by arrival less the usual age then tells more than the receiver's clock.",
        stale="A stale receiver says its last epoch again and again, with its old time. Without a fix the "
        "fields are empty, and epochs go on.",
        pulse_per_second=_pulse_words(rig.pulse_per_second),
    )


def _port_words(rig: Rig) -> str:
    port, spec = rig.gnss_port, gnss_spec(rig)
    if isinstance(port, PtyPort):
        where = f"the link {port.path}" if port.path else "the one printed at the start, after 'GNSS: pty'"
        return f"pseudo terminal on the bench's machine: {where}; read it as a serial port, any baud rate"
    if isinstance(port, SerialPort):
        return f"serial line, 8N1, {port.baud} baud; the bench sends on its {port.device}"
    if isinstance(port, UdpPort):
        return f"UDP datagrams, one epoch or a part of it each, sent to {spec.host}:{spec.port}"
    at = f"port {port.port}" if port.port else "the port printed at the start, after 'GNSS: tcp'"
    return f"TCP: connect to {at} of {port.host}; what is not read is dropped"


def _pulse_words(pulse: PulsePerSecond | None) -> str:
    if pulse is None:
        return ""
    return (
        f"line {pulse.line.upper()} of {pulse.device} is raised for {pulse.width_ms} ms at each whole "
        "second of "
        "UTC, up to 1 ms late"
    )


def _lines(sentences: bytes) -> tuple[str, ...]:
    return tuple(sentences.decode("ascii").splitlines())


def _fix(counted_ms: int) -> Fix:
    """An epoch at a time counted on through a leap second, at a place of no meaning."""
    at = datetime(2027, 1, 1, tzinfo=UTC)
    ms = counted_ms or round(at.timestamp() * 1000)
    return Fix(ms * 1_000_000, math.radians(10.0), math.radians(20.0), 100.0, 0.0, 4, 12, 0.8, 10.0, 0.0)


def _around_a_leap_second() -> tuple[str, ...]:
    """Time and date as RMC says them before, in and after an inserted second."""
    leap_ms = (_LEAP_DAY.toordinal() + 1 - _EPOCH_DAY) * DAY_ms
    said = []
    for ms in _AROUND_LEAP_ms:
        fix = _fix(leap_ms + ms)._replace(leap_ms=leap_ms)
        fields = burst(fix, ("RMC",)).decode("ascii").split(",")
        said.append(f"{fields[1]} {fields[9]}")
    return tuple(said)
