"""The instrument register: which instrument answers at which address, and what its papers say.

A TOML file in the user's data. It corrects what a driver says of a whole family of meters with
what is known of one. It does not decide whether an overdue instrument may be used.
"""

from __future__ import annotations

import re
from enum import StrEnum
from typing import Annotated

from pydantic import Field, StringConstraints, field_validator, model_validator

from metercap.datafile import Table, load_table, parse_table
from metercap.errors import OperatorError
from metercap.meter.description import AccuracyRow
from metercap.model import Instant, Reading

MOST_BYTES = 1 << 18

Short = Annotated[str, StringConstraints(min_length=1, max_length=100)]
Day = Annotated[str, StringConstraints(pattern=r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$")]
Category = Annotated[str, StringConstraints(pattern=r"^CAT (II|III|IV) [0-9]{2,4} V$")]
_ADDRESS = re.compile(r"[0-9A-Fa-f:-]{2,64}", re.ASCII)


class Papers(StrEnum):
    """What an instrument's papers say on a day."""

    IN_DATE = "in date"
    OVERDUE = "overdue"
    NOT_STATED = "no calibration stated"


class Instrument(Table):
    """One instrument: the firm's own name for it, its identity, its calibration.

    `accuracy` replaces the driver's limit of error by function name, as a certificate may.
    """

    name: Short
    address: Short
    serial: Short | None = None
    driver: Short | None = None
    calibrated: Day | None = None
    due: Day | None = None
    certificate: Short | None = None
    category: Category | None = None
    accuracy: dict[str, AccuracyRow] = Field(default_factory=dict)

    @field_validator("address")
    @classmethod
    def _address(cls, text: str) -> str:
        if _ADDRESS.fullmatch(text) is None:
            raise ValueError(f"found {text!r}, expected an address as scan prints it")
        return text.upper()

    @model_validator(mode="after")
    def _dates(self) -> Instrument:
        if self.calibrated and self.due and self.due <= self.calibrated:
            raise ValueError(f"due: found {self.due}, expected a day after {self.calibrated}")
        return self

    def papers(self, at: Instant) -> Papers:
        """What the papers say on the day of `at` (UTC)."""
        if self.due is None:
            return Papers.NOT_STATED
        return Papers.OVERDUE if at.utc_text[:10] > self.due else Papers.IN_DATE

    def correct(self, reading: Reading) -> Reading:
        """The reading with this instrument's own limit of error, where one is known."""
        row = self.accuracy.get(reading.function)
        return reading if row is None else reading._replace(accuracy=row.value)


class Register(Table):
    """Every instrument of the user."""

    instrument: tuple[Instrument, ...] = ()

    @model_validator(mode="after")
    def _once(self) -> Register:
        for key in ("name", "address"):
            values = [getattr(instrument, key) for instrument in self.instrument]
            for value in values:
                if values.count(value) > 1:
                    raise ValueError(f"{key}: found {value!r} twice, expected each once")
        return self

    def find(self, text: str) -> Instrument | None:
        """The instrument at that address, or of that name."""
        return next(
            (
                found
                for found in self.instrument
                if text == found.name or text.upper() == found.address
            ),
            None,
        )


def parse_register(text: str, where: str) -> Register:
    """Read a register; raises OperatorError with one line naming `where` and the key."""
    return parse_table(text, Register, where, OperatorError, MOST_BYTES)


def instrument_to_json(instrument: Instrument) -> dict[str, object]:
    """An instrument as JSON values; `instrument_from_json` is its inverse."""
    dumped: dict[str, object] = instrument.model_dump(mode="json", exclude_none=True)
    return dumped


def instrument_from_json(table: object, where: str) -> Instrument:
    """Read an instrument that `instrument_to_json` wrote; raises OperatorError."""
    return load_table(table, Instrument, where, OperatorError)
