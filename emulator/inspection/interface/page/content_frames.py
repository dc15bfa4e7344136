"""The page's part about frames: who sends what when, how each is laid out, how it is protected."""

from __future__ import annotations

from emulator.inspection.interface.description import Frame, Interface, Sample, Signal
from emulator.inspection.interface.page.document import (
    Block,
    Code,
    Items,
    Section,
    Sentences,
    Table,
    number,
)


def frame_sections(interface: Interface) -> list[Section]:
    """Tables of frames, the rules of protection, then each frame's layout and samples."""
    sent = [f for f in interface.frames if f.sender != "bench"]
    got = [f for f in interface.frames if f.sender == "bench"]
    return [
        Section("Frames you send", [_sent(sent), Items([f"{f.label}: {f.why_required}." for f in sent])]),
        Section("Frames you get", [_got(got), Sentences(_OF_GAPS)]),
        _protection(interface),
        _bend(interface),
        *(Section(f"{_address(f)} {f.label}", _layout(f)) for f in interface.frames),
    ]


def rehearsal_sections(interface: Interface) -> list[Section]:
    """The frame that asks for postures, and what to do then; nothing where a person is asked."""
    told = interface.rehearsal
    if told is None:
        return []
    frame = told.request
    return [
        Section(
            "Rehearsal",
            [
                Sentences(
                    "Before the first ride the bench asks your software for one posture after another, at "
                    f"standstill, by frame {_address(frame)} {frame.label}: every "
                    f"{number(frame.period_ms)} ms, and at once when it changes. Without it a person asks."
                ),
                Items(told.rules),
                Table(("prompt", "asks for"), [[number, signal] for number, signal in told.asks.items()]),
                *_layout(frame),
                *([_protection_of([frame])] if frame.protection is not None else []),
            ],
        )
    ]


def overview(interface: Interface) -> tuple[tuple[str, ...], list[list[str]]]:
    """Heads and rows of a short table of all frames, the most urgent first."""
    rows = [
        [
            f.label,
            _address(f),
            f.sender,
            str(f.bytes),
            f"{number(f.period_ms)} ms",
            ("required" if f.required else "optional") if f.sender != "bench" else "",
        ]
        for f in interface.frames
    ]
    return ("frame", "identifier", "sender", "bytes", "every", "needed"), rows


_OF_GAPS = (
    "Latency is the age of the content when the frame arrives, or where the bus's bit rate is not told, "
    "when it "
    "is handed over; the sensor's own lag and, one sigma, the jitter come on top. The longest gap is that "
    "of a ride "
    "that counts. What errors the sensors have, the command emulator sensors tells."
)


def _address(frame: Frame) -> str:
    return f"0x{frame.identifier_hex}"


def _sent(frames: list[Frame]) -> Table:
    rows = []
    for f in frames:
        watch = ", ".join(f"{w.signal} {w.timeout_ms:g} ms ({', '.join(w.states)})" for w in f.watches)
        rows.append(
            [
                f.label,
                _address(f),
                f.sender,
                "required" if f.required else "optional",
                f"{number(f.period_ms)} ms",
                "–" if f.longest_period_ms is None else f"{f.longest_period_ms:g} ms",
                watch or "–",
            ]
        )
    return Table(
        ("frame", "identifier", "sender", "needed", "every", "at the longest every", "trips without"), rows
    )


def _got(frames: list[Frame]) -> Table:
    rows = [
        [
            f.label,
            _address(f),
            f"{number(f.rate_hz)} Hz",
            f"{number(f.period_ms)} ms",
            f"{number(f.latency_ms)} ms",
            f"{number(f.lag_ms, 3)} ms",
            f"{number(f.jitter_ms)} ms",
            f"{number(f.longest_gap_ms)} ms",
        ]
        for f in frames
    ]
    return Table(("frame", "identifier", "rate", "every", "latency", "lag", "jitter", "longest gap"), rows)


def _protection(interface: Interface) -> Section:
    frames = [f for f in interface.frames if f.protection is not None]
    bare = [f.label for f in interface.frames if f.protection is None]
    blocks: list[Block] = []
    for profile in dict.fromkeys(f.protection.profile for f in frames if f.protection is not None):
        alike = [f for f in frames if f.protection is not None and f.protection.profile == profile]
        everywhere = "every frame" if len(frames) == len(alike) else "these frames"
        blocks += [
            Sentences(f"{profile}, in {everywhere} below."),
            Items(_rules(alike[0]), numbered=True),
            _protection_of(alike),
        ]
    if bare:
        blocks.append(Sentences(f"Without protection: {', '.join(bare)}."))
    return Section("Protection", blocks)


def _protection_of(frames: list[Frame]) -> Table:
    return Table(_RULE_HEADS, [_rule(f) for f in frames])


_RULE_HEADS = ("frame", "identifier", "CRC", "counter", "data id", "mode", "CRC starts with", "ID nibble")


def _rules(frame: Frame) -> list[str]:
    """How to protect a frame, for all of its profile."""
    p = frame.protection
    assert p is not None
    last = f"final XOR 0x{p.crc_final_xor:02X}" if p.crc_final_xor else "no final XOR"
    digits = len(p.crc_bits) // 4
    if any(p.crc_after):
        what = "after the bytes it runs over the data id: " + (
            "the one in the list that belongs to the counter."
            if len(p.crc_after) > 1
            else "its low byte, then its high byte."
        )
    else:
        what = (
            "it begins with the start value below, which holds the data id. With an odd counter the second "
        )
        what += "one counts where two are given."
    wide = " The low byte stands first." if len(p.crc_bits) > 8 else ""
    return [
        f"Alive counter: 0 to {p.counters - 1}, one more with each frame of that identifier, then 0 again. "
        "Each identifier has its own.",
        f"CRC of {len(p.crc_bits)} bits: polynomial 0x{p.crc_polynomial:0{digits}X}, most significant bit "
        f"first, {last}, over all bytes but its own; {what}{wide}",
        "A frame whose CRC is wrong, whose counter is that of the frame before, or whose length is not the "
        "one below changes nothing on the bench. One that left out counts is taken, and counted.",
        "Do the same with frames you get: a wrong CRC or a counter that stands is no news.",
        "Bits that no signal has are sent as 0.",
    ]


def _rule(frame: Frame) -> list[str]:
    p = frame.protection
    assert p is not None
    digits = len(p.crc_bits) // 4
    starts = dict.fromkeys(f"0x{value:0{digits}X}" for value in p.crc_start)
    one = len(p.data_ids) == 1
    return [
        frame.label,
        _address(frame),
        f"bits {p.crc_bits[0]} to {p.crc_bits[-1]}",
        f"bits {p.counter_bits[0]} to {p.counter_bits[-1]}",
        f"{p.data_ids[0]} (0x{p.data_ids[0]:04X})" if one else " ".join(f"{i:02X}" for i in p.data_ids),
        p.mode or "–",
        ", ".join(starts),
        f"0x{p.data_id_sent:X}" if p.data_id_bits else "free",
    ]


def _bend(interface: Interface) -> Section:
    b = interface.bend
    return Section(
        "What the samples show",
        [
            Sentences(
                "Each frame below is shown as it is on the bus, standing and in a steady left-hand bend: "
                f"{b.speed_m_s * 3.6:.0f} km/h, lean {b.lean_rad:.4f} rad (to the left), radius "
                f"{b.radius_m:.1f} m, "
                f"yaw rate {b.yaw_rate_rad_s:+.4f} rad/s, gear {b.gear}."
            ),
            Sentences(
                "The bike, its senses and the coding are the bench's own; the sensors are at their places "
                "and have no "
                "errors here. In a ride they have those of the rig. The bench stands by, so its state is 0."
            ),
        ],
    )


def _layout(frame: Frame) -> list[Block]:
    standing, bend = (_sample(frame, situation) for situation in ("standing", "bend"))
    blocks: list[Block] = []
    kind = f"{frame.bytes} bytes{', CAN FD' if frame.can_fd else ''}{', 29 bits' if frame.extended else ''}"
    to = {"bench": "to you", "robot": "from you", "interlocks": "from the bench's contacts"}[frame.sender]
    blocks.append(Sentences(f"{kind}, {to}. {frame.meaning}".strip()))
    heads = ("signal", "bits", "code", "unit", "range", "n/a", "standing", "bend")
    shown = len(heads) if standing or bend or not frame.samples else len(heads) - 2
    blocks.append(Table(heads[:shown], [_row(s, standing, bend)[:shown] for s in frame.signals]))
    for sample in frame.samples:
        counter = "" if sample.counter is None else f", alive counter {sample.counter}"
        blocks.append(Code(f"{sample.situation.capitalize()}{counter}:", _spaced(sample.hex)))
    columns = len(_SAID_HEADS) if any(s.codes for s in frame.signals) else len(_SAID_HEADS) - 1
    blocks.append(Table(_SAID_HEADS[:columns], [_said(s)[:columns] for s in frame.signals]))
    return blocks


def _sample(frame: Frame, situation: str) -> Sample | None:
    return next((s for s in frame.samples if s.situation == situation), None)


def _spaced(text: str) -> str:
    return " ".join(text[i : i + 2] for i in range(0, len(text), 2))


def _row(s: Signal, standing: Sample | None, bend: Sample | None) -> list[str]:
    order = "Intel" if s.byte_order == "little_endian" else "Motorola"
    code = f"raw × {s.factor:.10g}" + (f" + {s.offset:.10g}" if s.offset else "")
    return [
        s.label,
        f"{s.start_bit}|{len(s.bits)} {order} {'signed' if s.signed else 'unsigned'}",
        code,
        ("" if s.unit == "1" else s.unit) + _unit_there(s),
        f"{s.minimum:.10g} to {s.maximum:.10g}",
        "–" if s.raw_not_available is None else _hex(s),
        _value(s, standing),
        _value(s, bend),
    ]


def _unit_there(s: Signal) -> str:
    """The DBC's unit where it is another."""
    return "" if s.dbc_unit in ("", s.unit) else f" (DBC: {s.dbc_unit})"


def _hex(s: Signal) -> str:
    assert s.raw_not_available is not None
    mask = (1 << len(s.bits)) - 1
    return f"0x{s.raw_not_available & mask:0{(len(s.bits) + 3) // 4}X}"


def _value(s: Signal, sample: Sample | None) -> str:
    if sample is None:
        return "–"
    value = sample.values[s.name]
    return "n/a" if value is None else number(value, 7)


_SAID_HEADS = ("signal", "what it is", "zero", "positive", "not available", "beyond its range", "codes")


def _said(s: Signal) -> list[str]:
    codes = ", ".join(f"{code} {name}" for code, name in s.codes.items())
    return [s.label, s.meaning, s.zero, s.positive or "–", s.not_available, s.out_of_range, codes]
