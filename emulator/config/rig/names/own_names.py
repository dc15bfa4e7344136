"""Frames of a lab's own DBC: which of its frames and signals carry our values, in which units, how protected.

Our names stay what everything else goes by (outputs, scenarios, records); here is what the bus has instead.
How a map is held against the DBC: :mod:`emulator.config.rig.names.frame_maps`.
"""

from __future__ import annotations

from typing import Annotated, Literal, TypeAlias

from pydantic import Field, model_validator

from emulator.config.field_types import Name
from emulator.config.validation import Closed, wrong

NOT_AVAILABLE: Literal["not_available"] = "not_available"
DataId: TypeAlias = Annotated[int, Field(ge=0, le=0xFFFF)]
ShortDataId: TypeAlias = Annotated[int, Field(ge=0, le=0xFF)]
_LIST = 16


class OwnSignal(Closed):
    """A signal of the lab's DBC that carries a value of ours."""

    signal: Name
    """Its name in the DBC."""
    unit: Name | None = None
    """Unit of the signal, such as deg/s. Left out: the one the DBC gives it."""
    scale: float = Field(default=1.0, ge=-1e6, le=1e6)
    """Our value is the signal's in our unit times this: -1 where the other way is positive there."""
    offset: float = Field(default=0.0, ge=-1e9, le=1e9)
    """What is added to that, in our unit."""

    @model_validator(mode="after")
    def _says_something(self) -> OwnSignal:
        if self.scale == 0.0:
            raise wrong("expected a number other than 0, or the signal would say nothing", "scale")
        return self


class Unprotected(Closed):
    """No end-to-end protection: what is damaged or repeated is not noticed."""

    profile: Literal["none"]
    """No protection: what is damaged or repeated is not noticed."""


class _CrcAndCounter(Closed):
    crc: Name
    """Signal of the CRC in the DBC; the profile's header begins at its byte."""
    counter: Name
    """Signal of the alive counter in the DBC."""


class Profile1(_CrcAndCounter):
    """AUTOSAR E2E profile 1: CRC of 8 bits, counter 0 to 14."""

    profile: Literal["P01"]
    """AUTOSAR E2E profile 1."""
    data_id: DataId
    """Number of the frame that the CRC covers."""
    mode: Literal["both", "alternating", "low", "nibble"] = "both"
    """How its two bytes enter: both; the low one with even counters and the high one with odd; the low one;
    the low one, and four bits of the high one are sent."""


class Profile2(_CrcAndCounter):
    """AUTOSAR E2E profile 2: CRC of 8 bits in byte 0, counter 0 to 15, a list of data ids."""

    profile: Literal["P02"]
    """AUTOSAR E2E profile 2."""
    data_ids: tuple[ShortDataId, ...]
    """The 16 numbers of the frame, one for each value of the counter."""

    @model_validator(mode="after")
    def _one_for_each_counter(self) -> Profile2:
        _whole_list(self.data_ids)
        return self


class Profile5(_CrcAndCounter):
    """AUTOSAR E2E profile 5: CRC of 16 bits, its low byte first, then a counter 0 to 255."""

    profile: Literal["P05"]
    """AUTOSAR E2E profile 5."""
    data_id: DataId
    """Number of the frame that the CRC covers."""


class Profile11(_CrcAndCounter):
    """AUTOSAR E2E profile 11: as profile 1, both or nibble."""

    profile: Literal["P11"]
    """AUTOSAR E2E profile 11."""
    data_id: DataId
    """Number of the frame that the CRC covers."""
    mode: Literal["both", "nibble"] = "both"
    """How its two bytes enter: both, or the low one, and four bits of the high one are sent."""


class Profile22(_CrcAndCounter):
    """AUTOSAR E2E profile 22: as profile 2, at any byte."""

    profile: Literal["P22"]
    """AUTOSAR E2E profile 22."""
    data_ids: tuple[ShortDataId, ...]
    """The 16 numbers of the frame, one for each value of the counter."""

    @model_validator(mode="after")
    def _one_for_each_counter(self) -> Profile22:
        _whole_list(self.data_ids)
        return self


def _whole_list(data_ids: tuple[int, ...]) -> None:
    if len(data_ids) != _LIST:
        raise wrong(
            f"expected {_LIST} numbers, one for each value of the counter, got {len(data_ids)}", "data_ids"
        )


ProtectedBy: TypeAlias = Annotated[
    Unprotected | Profile1 | Profile2 | Profile5 | Profile11 | Profile22, Field(discriminator="profile")
]


class OwnFrame(Closed):
    """A frame of the lab's DBC that stands for one of ours."""

    frame: Name
    """Its name in the DBC."""
    signals: Annotated[dict[Name, OwnSignal], Field(min_length=1)]
    """What it carries: our values by name, each with the signal it stands in."""
    protection: ProtectedBy
    """Its end-to-end protection, an AUTOSAR E2E profile or none; attributes of the DBC don't count here."""
    fixed: dict[Name, float | Literal["not_available"]] = Field(default_factory=dict)
    """Signals of it that carry nothing of ours, by their names in the DBC, and what they are sent as: a
    number in the DBC's unit, or not_available. Left out: there are none."""
