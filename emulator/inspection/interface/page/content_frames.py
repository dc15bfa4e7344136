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
        Section("Frames you send", [_sent(sent), Items([f"{f.name}: {f.why_required}." for f in sent])]),
        Section("Frames you get", [_got(got), Sentences(_OF_GAPS)]),
        _protection(interface),
        _bend(interface),
        *(Section(f"{_address(f)} {f.name}", _layout(f)) for f in interface.frames),
    ]


def overview(interface: Interface) -> tuple[tuple[str, ...], list[list[str]]]:
    """Heads and rows of a short table of all frames, the most urgent first."""
    rows = [
        [
            f.name,
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
                f.name,
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
            f.name,
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
    bare = [f.name for f in interface.frames if f.protection is None]
    blocks: list[Block] = []
    if frames:
        first = frames[0].protection
        assert first is not None
        blocks += [
            Sentences(f"{first.profile}, in every frame below."),
            Items(
                [
                    f"Alive counter: bits {first.counter_bits[0]} to {first.counter_bits[-1]}, 0 to "
                    f"{first.counters - 1}, "
                    "one more with each frame of that identifier, then 0 again. Each identifier has its own.",
                    f"CRC: bits {first.crc_bits[0]} to {first.crc_bits[-1]}; polynomial "
                    f"0x{first.crc_polynomial:02X}, most significant bit first, no final "
                    f"XOR, over the bytes from {first.crc_from_byte} to the end, beginning with the start "
                    "value below: "
                    "it holds the data id. With an odd counter the second one counts where two are given.",
                    "A frame whose CRC is wrong, whose counter is that of the frame before, or whose "
                    "length is not "
                    "the one below changes nothing on the bench. One that left out counts is taken, and "
                    "counted.",
                    "Do the same with frames you get: a wrong CRC or a counter that stands is no news.",
                    "Bits that no signal has are sent as 0.",
                ],
                numbered=True,
            ),
            Table(_RULE_HEADS, [_rule(f) for f in frames]),
        ]
    if bare:
        blocks.append(Sentences(f"Without protection: {', '.join(bare)}."))
    return Section("Protection", blocks)


_RULE_HEADS = ("frame", "identifier", "data id", "mode", "CRC starts with", "bits 12 to 15")


def _rule(frame: Frame) -> list[str]:
    p = frame.protection
    assert p is not None
    even, odd = (f"0x{value:02X}" for value in p.crc_start)
    return [
        frame.name,
        _address(frame),
        f"{p.data_id} (0x{p.data_id:04X})",
        p.mode,
        even if even == odd else f"{even}, {odd}",
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
    blocks.append(
        Table(
            ("signal", "bits", "code", "unit", "range", "n/a", "standing", "bend"),
            [_row(s, standing, bend) for s in frame.signals],
        )
    )
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
        s.name,
        f"{s.start_bit}|{len(s.bits)} {order} {'signed' if s.signed else 'unsigned'}",
        code,
        "" if s.unit == "1" else s.unit,
        f"{s.minimum:.10g} to {s.maximum:.10g}",
        "–" if s.raw_not_available is None else _hex(s),
        _value(s, standing),
        _value(s, bend),
    ]


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
    return [s.name, s.meaning, s.zero, s.positive or "–", s.not_available, s.out_of_range, codes]
