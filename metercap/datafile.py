"""TOML text to a checked model, or one line that says where it went wrong.

Drivers and procedures are read through this one door: size, syntax, unknown and repeated keys,
types. What the values mean together is checked by the models themselves.
"""

from __future__ import annotations

import json
import tomllib
from typing import TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from metercap.errors import MetercapError


class Table(BaseModel):
    """A table of a data file: fixed keys, nothing coerced, never changed once read."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, populate_by_name=True)


_MOST_SHOWN = 60
# A key of many parts costs the TOML reader the square of their number: 100,000 take all memory.
_MOST_DOTS = 1000

T = TypeVar("T", bound=BaseModel)


def _place(location: tuple[int | str, ...]) -> str:
    """Write ("step", 3, "expect") as step[3].expect, counting from 0 as TOML readers do."""
    text = ""
    for part in location:
        if isinstance(part, int):
            text += f"[{part}]"
        else:  # a key of the file, which may hold anything, a line break too
            text += f".{part}" if part.isprintable() else f".{part!a}"
    return text.lstrip(".") or "the file"


def _line(error: ValidationError) -> str:
    first = error.errors()[0]
    place = _place(first["loc"])
    match first["type"]:
        case "missing":
            return f"{place}: missing, expected a value"
        case "extra_forbidden":
            return f"{place}: found a key that is not known here"
        case "value_error":
            # A rule of ours says the whole line itself.
            return f"{place}: {first['ctx']['error']}"
    found = repr(first["input"])
    shown = found if len(found) <= _MOST_SHOWN else f"{found[: _MOST_SHOWN - 3]}..."
    return f"{place}: found {shown}, expected: {first['msg'].lower()}"


def _date(value: object) -> dict[str, str]:
    """A date or time, which no key takes, as something whose refusal shows it."""
    return {"date": str(value)}


def parse_table(
    text: str, model: type[T], where: str, error: type[MetercapError], most_bytes: int
) -> T:
    """Read TOML `text` into `model`.

    Raises `error` with one line: `where`, the key, what was found, what was expected.
    """
    size = len(text.encode())
    if size > most_bytes:
        raise error(f"{where}: found {size} bytes, expected at most {most_bytes}")
    dots = max((line.count(".") for line in text.split("\n")), default=0)
    if dots > _MOST_DOTS:
        raise error(f"{where}: found {dots} dots in one line, expected at most {_MOST_DOTS}")
    try:
        table = tomllib.loads(text)
    except (ValueError, RecursionError) as fault:  # a number of 5000 digits is a bare ValueError
        raise error(f"{where}: not TOML: {' '.join(str(fault).split())}") from fault
    return load_table(table, model, where, error)


def load_table(table: object, model: type[T], where: str, error: type[MetercapError]) -> T:
    """Check an already parsed `table` against `model`; raises as `parse_table` does."""
    try:
        # By way of JSON, where strictness still lets an array be a tuple and nothing else slip.
        text = json.dumps(table, default=_date)
    except (ValueError, RecursionError) as fault:
        raise error(f"{where}: found tables or numbers beyond all use: {fault}") from fault
    try:
        return model.model_validate_json(text)
    except ValidationError as fault:
        raise error(f"{where}: {_line(fault)}") from fault
