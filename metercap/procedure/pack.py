"""A country pack's file to its supply limits, colours, codes and cautions, each with its source.

A pack is data that procedures and reports quote. It does not say which of its limits a procedure
must use, and it is no substitute for the codes that it names.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated, Literal, NamedTuple

from pydantic import Field, StringConstraints, model_validator

from metercap import units
from metercap.datafile import Table, parse_table
from metercap.errors import ProcedureError

MOST_BYTES = 1 << 17  # reliability: the largest pack file that is read

Id = Annotated[str, StringConstraints(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", max_length=60)]
Text = Annotated[str, StringConstraints(min_length=1, max_length=600)]
Country = Annotated[str, StringConstraints(pattern=r"^[A-Z]{2}$")]  # ISO 3166-1 alpha-2
Colour = Literal[
    "black", "blue", "light blue", "brown", "red", "yellow", "green", "green-yellow", "grey",
    "white", "orange", "bare",
]  # fmt: skip


class Limits(NamedTuple):
    """A band in volts, the limits included."""

    low_v: Decimal
    high_v: Decimal


class Band(Table):
    """How far a supply may be from nominal, `below` and `above` in percent or as `between`.

    `holds` says for which readings: "always", "weekly" (95 % of the 10-minute means of a week) or
    "service" and the like in the source's own words.
    """

    id: Id
    title: Text
    below_percent: str | None = None
    above_percent: str | None = None
    between: tuple[str, str] | None = None
    holds: Text
    countries: tuple[Country, ...] = ()
    source: Text

    @model_validator(mode="after")
    def _one(self) -> Band:
        percents = [one for one in (self.below_percent, self.above_percent) if one is not None]
        if len(percents) != (0 if self.between else 2):
            raise ValueError(
                f"band {self.id}: expected below_percent and above_percent, or between alone"
            )
        for percent in percents:
            units.parse_amount(f"{percent} %")
        for text in self.between or ():
            _parse(f"band {self.id}", text, "voltage")
        if self.between and _volts(self.between[0]) >= _volts(self.between[1]):
            raise ValueError(f"band {self.id}: between: found {self.between[0]} not below the next")
        return self


class Supply(Table):
    """[[supply]]: one nominal voltage, and its bands."""

    id: Id
    title: Text
    nominal: str
    frequency: str
    frequency_percent: str
    frequency_source: Text
    band: tuple[Band, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _whole(self) -> Supply:
        _parse(f"supply {self.id}: nominal", self.nominal, "voltage")
        _parse(f"supply {self.id}: frequency", self.frequency, "frequency")
        units.parse_amount(f"{self.frequency_percent} %")
        _once(f"supply {self.id}: band", [band.id for band in self.band])
        for band in self.band:
            low, high = self.limits(band.id)
            if not low < _volts(self.nominal) < high:
                raise ValueError(
                    f"supply {self.id}: band {band.id}: found {low} to {high} V, expected "
                    f"{self.nominal} inside"
                )
        return self

    def limits(self, name: str) -> Limits:
        """A band in volts, computed from nominal where it is given in percent.

        Raises KeyError for a band that the supply does not have.
        """
        for band in self.band:
            if band.id == name:
                if band.between is not None:
                    return Limits(*map(_volts, band.between))
                nominal = _volts(self.nominal)
                below, above = Decimal(band.below_percent or 0), Decimal(band.above_percent or 0)
                return Limits(nominal * (100 - below) / 100, nominal * (100 + above) / 100)
        raise KeyError(name)


class Drop(Table):
    """How much may be lost inside the installation, in percent of nominal."""

    percent: str
    note: Text
    source: Text

    @model_validator(mode="after")
    def _amount(self) -> Drop:
        units.parse_amount(f"{self.percent} %")
        return self


class Colours(Table):
    """[[colours]]: one generation of core colours; each function may have had several.

    `cable` says which cables; `until` the day (ISO 8601) up to which it was put in new work.
    """

    cable: Text
    is_old: bool = False
    until: Annotated[str | None, StringConstraints(pattern=r"^\d{4}(-\d\d){0,2}$")] = None
    line: tuple[Colour, ...] = Field(min_length=1)
    neutral: tuple[Colour, ...] = Field(min_length=1)
    earth: tuple[Colour, ...] = Field(min_length=1)
    source: Text

    @model_validator(mode="after")
    def _apart(self) -> Colours:
        both = ({*self.line} & {*self.neutral}) | ({*self.line, *self.neutral} & {*self.earth})
        if both:
            raise ValueError(
                f"colours {self.cable}: found {min(both)} for two functions, expected one each"
            )
        return self


class Rule(Table):
    """Something that holds in these countries, and who says so."""

    text: Text
    source: Text


class Pack(Table):
    """One pack file."""

    id: Id
    title: Text
    countries: tuple[Country, ...] = Field(min_length=1)
    supply: tuple[Supply, ...] = Field(min_length=1)
    drop: tuple[Drop, ...] = ()
    colours: tuple[Colours, ...] = Field(min_length=1)
    proving_dead: Rule
    wiring_code: Rule
    licence: Rule
    control_voltage: Rule
    fuse: Rule
    cautions: tuple[Rule, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _whole(self) -> Pack:
        _once("supply", [supply.id for supply in self.supply])
        for supply in self.supply:
            for band in supply.band:
                strange = [name for name in band.countries if name not in self.countries]
                if strange:
                    raise ValueError(
                        f"band {band.id}: countries: found {strange[0]!r}, expected one of "
                        f"{', '.join(self.countries)}"
                    )
        if all(colours.is_old for colours in self.colours):
            raise ValueError("colours: found only old ones, expected those of new work as well")
        return self

    def meanings(self, colour: str) -> tuple[str, ...]:
        """What a core of that colour has meant here, old and new: "line", "neutral", "earth".

        More than one answer is a warning: the colour says nothing. An empty one says as little.
        """
        found: dict[str, None] = {}
        for generation in self.colours:
            for function in ("line", "neutral", "earth"):
                if colour in getattr(generation, function):
                    found[function] = None
        return tuple(found)


def _once(where: str, names: list[str]) -> None:
    for name in names:
        if names.count(name) > 1:
            raise ValueError(f"{where}: found {name!r} twice, expected each id once")


def _parse(where: str, text: str, quantity: str) -> None:
    _, unit = units.parse_amount(text)
    if not units.is_allowed(quantity, unit):
        raise ValueError(f"{where}: found {text!r}, expected a {quantity}")


def _volts(text: str) -> Decimal:
    amount, unit = units.parse_amount(text)
    return units.convert(amount, unit, "V")


def parse_pack(text: str, where: str) -> Pack:
    """Read one pack file.

    Raises ProcedureError with one line: `where`, the key, what was found, what was expected.
    """
    pack = parse_table(text, Pack, where, ProcedureError, MOST_BYTES)
    stem = where.rsplit("/", 1)[-1]
    if stem.endswith(".toml") and stem != f"{pack.id}.toml":
        raise ProcedureError(f"{where}: id: found {pack.id!r}, expected the file's own name")
    return pack
