"""What a vehicle file says of the calibration that its values come from."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from emulator.config.field_types import Name
from emulator.config.validation import Closed, wrong


class CalibratedLog(Closed):
    """A log that was used."""

    name: Name
    """The record's folder."""
    sha256: Name
    """SHA-256 of what it holds: ticks and signals."""


class HeldOut(Closed):
    """The log that judged: it had no part in the estimate."""

    name: Name
    """The record's folder."""
    sha256: Name
    """SHA-256 of what it holds: ticks and signals."""
    before: float
    """[1] Mean square of its innovations, in standard deviations, by the vehicle as it was."""
    after: float
    """[1] The same by the vehicle as it is now."""
    gain: float
    """[1] Logarithm of how much more likely this vehicle makes it than the one before."""


class CalibratedValue(Closed):
    """A value that the logs gave."""

    name: Name
    """Which one, ``section.key`` of the vehicle file."""
    before: float
    """[SI] What the base says."""
    value: float
    """[SI] What this file says."""
    sd: Annotated[float, Field(gt=0)]
    """[SI] Its standard deviation."""


class Calibrated(Closed):
    """Where the values of a calibrated vehicle file are from."""

    date: Name
    """Day of the calibration, UTC."""
    command: Name
    """Command that made this file."""
    base_sha256: Name
    """SHA-256 of the file that this one is based on, as it was then."""
    logs: tuple[CalibratedLog, ...]
    """Logs that the values are from."""
    held_out: HeldOut | None
    """Log that judged them, null: none did."""
    values: tuple[CalibratedValue, ...]
    """The values, with what they were."""
    correlation: tuple[tuple[float, ...], ...]
    """[1] Correlations of the values, in their order."""
    refused: tuple[Name, ...]
    """Parameters that were free and that the logs did not tell; they stay as the base has them."""

    @model_validator(mode="after")
    def _square(self) -> Calibrated:
        n = len(self.values)
        if len(self.correlation) != n or any(len(row) != n for row in self.correlation):
            raise wrong(f"expected {n} rows of {n} numbers, as many as values", "correlation")
        return self
