"""Mistakes in a lab's own DBC and in the map to it: ``rigs/lab_names.yaml`` with ``lab.dbc``."""

from tests.support.plausible_mistakes.mistake import Mistake

MAP, DBC = "rigs/lab_names.yaml", "rigs/lab.dbc"
_CHECK = f"check runs/straight.yaml --rig {MAP} --virtual"
_MULTIPLEXED = """\
BO_ 289 ACCEL: 8 BENCH_PC
 SG_ AC_Crc : 0|8@1+ (1,0) [0|255] "" RIDER_ECU
 SG_ AC_Cnt : 8|4@1+ (1,0) [0|14] "" RIDER_ECU
 SG_ AC_Long : 16|16
"""[:-1]


def m(did: str, old: str, new: str, *says: str, file: str = MAP, at: str = "") -> Mistake:
    return Mistake(did, _CHECK, {file: (old, new)}, at, says)


NAMES = [
    m("misspelt a frame of the DBC", "frame: GYRO", "frame: ^GYR0", "did you mean 'GYRO'?"),
    m("misspelt a signal of the DBC", "signal: GY_Roll", "signal: ^GY_Rol", "did you mean 'GY_Roll'?"),
    m(
        "misspelt one of our values",
        "rate_x_rad_s: {",
        "^rate_x_rads: {",
        *("did you mean 'rate_x_rad_s'?", "emulator list outputs"),
    ),
    m(
        "wrote the signal without its key",
        "rate_x_rad_s: {signal: GY_Roll}",
        "rate_x_rad_s: ^GY_Roll",
        *("expected a mapping", "{signal: GY_Roll}"),
    ),
    m(
        "left out the mark of emulated signals",
        "      emulated: {signal: BM_Emulated}\n",
        "",
        *("emulated", "BM_Emulated"),
        at=f"{MAP}:8",
    ),
    m(
        "mapped two values to one signal",
        "{signal: GY_Pitch, scale: -1}",
        "{signal: ^GY_Roll, scale: -1}",
        *("a signal of its own", "rate_x_rad_s"),
    ),
    m(
        "let two frames stand for the same one",
        "frame: ACCEL",
        "frame: ^GYRO",
        *("a frame of its own", "imu_rates"),
    ),
    m(
        "gave a unit that is not the DBC's",
        "{signal: GY_Roll}",
        "{signal: GY_Roll, unit: ^rad/s}",
        *("deg/s", "change one"),
    ),
    m(
        "has a DBC without units",
        '(0.005,0) [-163.835|163.835] "deg"',
        '(0.005,0) [-163.835|163.835] ""',
        *("add the key unit", "deg"),
        file=DBC,
        at=f"{MAP}:",
    ),
    m(
        "has a unit of its own in the DBC",
        'GY_Roll : 7|16@0- (0.01,0) [-327.67|327.67] "deg/s"',
        'GY_Roll : 7|16@0- (0.01,0) [-327.67|327.67] "deg per s"',
        *("'deg per s'", "add the key unit", "deg/s"),
        file=DBC,
        at=f"{MAP}:",
    ),
    m(
        "has a throttle in per cent that the DBC calls a plain number",
        'RD_Grip : 12|10@1+ (0.1,0) [0|100] "%"',
        'RD_Grip : 12|10@1+ (0.1,0) [0|100] "1"',
        *("0 to 1", "is its unit '%'?"),
        file=DBC,
        at=f"{MAP}:",
    ),
    m("named a profile that is not there", "profile: P11", "profile: ^P07", "P01, P02, P05, P11, P22"),
    m(
        "named CRC and counter the other way round",
        "crc: SS_Crc, counter: SS_Cnt",
        "crc: SS_Cnt, counter: SS_Crc",
        *("SS_Cnt", "16 bits"),
        at=f"{MAP}:",
    ),
    m("wrote a data id of three bytes", "data_id: 0x1C37", "data_id: ^0x1C37FF", "65535"),
    m(
        "left a signal of a sent frame to nobody",
        "    fixed: {LU_Temp: 25}\n",
        "",
        *("LU_Temp", "fixed"),
        at=f"{MAP}:",
    ),
    m(
        "has a multiplexed frame",
        _MULTIPLEXED,
        "^" + _MULTIPLEXED.replace("AC_Cnt :", "AC_Cnt M :").replace("AC_Long :", "AC_Long m0 :"),
        *("multiplexed", "its own identifier"),
        file=DBC,
    ),
    m(
        "has a signal that reaches into another",
        " SG_ AC_Lat : 32|16",
        "^ SG_ AC_Lat : 24|16",
        *("AC_Lat", "AC_Long"),
        file=DBC,
    ),
    m(
        "has a signal beyond its frame",
        " SG_ AC_Vert : 48|16",
        "^ SG_ AC_Vert : 56|16",
        *("AC_Vert", "8 bytes"),
        file=DBC,
    ),
    m(
        "has a gear signal of two bits",
        "EU_Gear : 24|4@1+ (1,0) [0|14]",
        "EU_Gear : 24|2@1+ (1,0) [0|3]",
        "0 to 6",
        file=DBC,
        at=f"{MAP}:",
    ),
    Mistake(
        "saved the DBC as the text of a table's program",
        _CHECK,
        {DBC: "^frame;identifier;signal;start;length\nGYRO;288;GY_Roll;7;16\n"},
        "",
        ("DBC",),
    ),
]
