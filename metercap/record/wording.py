"""Values of a claim to the words of the report: amounts with signs, limits, expectations, times.

It makes text that the report's font can show, and writes out by number what it cannot; nothing
here is markup, and nothing is concluded.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from decimal import ROUND_HALF_EVEN, Decimal
from typing import TYPE_CHECKING

from metercap.model import NS_PER_S, Instant

if TYPE_CHECKING:
    from metercap.procedure.description import Expect, Step

# Characters that the fonts of typst 0.15.2 hold, found by setting each; only left-to-right ones,
# and no marks that could be stacked on others.
_SHOWN = (
    (0x20, 0x7E),
    (0xA1, 0xAC),
    (0xAE, 0x2FF),
    (0x38E, 0x3A1),
    (0x3A3, 0x482),
    (0x48A, 0x4FF),
    (0x1E00, 0x1F15),
    (0x2010, 0x2027),
    (0x2030, 0x203F),
    (0x20A0, 0x20C0),
    (0x2190, 0x21FF),
)
_MOST = 1000  # characters of one text; no field of a job is meant for a letter
BREAK = "\u200b"
"""A space without width: a line may be broken there."""

_LONG_WORD = re.compile(r"\S{30}(?=\S)")  # half a line of the narrowest column
_OHM = re.compile(r"\b([numkMG]?)Ohm\b")
_MICRO = re.compile(r"(?<=[0-9] )u(?=[VASFHW]\b)")
_CELSIUS = re.compile(r"(?<=[0-9] )Cel\b")
_TWO_PLACES = Decimal("0.01")


def plain(text: object) -> str:
    r"""Text as it stands, with whatever the page cannot show written out: "\u{202e}"."""
    whole = unicodedata.normalize("NFC", str(text))
    kept = "".join(
        char if any(low <= ord(char) <= high for low, high in _SHOWN) else f"\\u{{{ord(char):x}}}"
        for char in whole[:_MOST]
    )
    kept = _LONG_WORD.sub(rf"\g<0>{BREAK}", kept)
    rest = len(whole) - _MOST
    return f"{kept} [and {rest} characters more]" if rest > 0 else kept


def signs(text: object) -> str:
    """Amounts as they are printed: the ohm sign for UCUM's "Ohm", and so on."""
    ohm = _OHM.sub(lambda match: match[1].replace("u", "µ") + "Ω", plain(text))
    return _CELSIUS.sub("°C", _MICRO.sub("µ", ohm))


def unit_text(unit: object) -> str:
    """A UCUM unit as it is printed."""
    return signs(f"1 {unit}")[2:]


def date_text(at: Instant) -> str:
    """Day and time in UTC to the second: "2026-11-25 10:00:04"."""
    return at.utc_text[:19].replace("T", " ")


def time_text(at: Instant) -> str:
    """Time of the day in UTC: "10:00:04"."""
    return at.utc_text[11:19]


def span_text(ns: int) -> str:
    """A time span in the two largest units that matter: "8.5 s", "5 min 19 s", "2 days 4 h"."""
    seconds = ns // NS_PER_S
    for large, small, size, part in (
        ("days", "h", 86_400, 3600),
        ("h", "min", 3600, 60),
        ("min", "s", 60, 1),
    ):
        if seconds >= size:
            return f"{seconds // size} {large} {seconds % size // part} {small}"
    return f"{Decimal(ns) / NS_PER_S:.1f} s"


def value_text(claim: Mapping[str, object]) -> str:
    """What an attempt found: "2.03 ± 0.12 Ω", "more than 60.00 MΩ", an answer, or nothing."""
    if "answer" in claim:
        return plain(claim["answer"])
    log = claim.get("log")
    if isinstance(log, Mapping):
        return log_text(log, claim.get("unit"))
    if "value" not in claim:
        return ""
    value = str(claim["value"]).replace(">", "more than ")
    doubt = f" ± {claim['expanded']}" if "expanded" in claim else ""
    text = f"{value}{doubt} {claim.get('unit', '')}".rstrip()
    marks = "".join(f", {mark}" for mark in ("entered", "indicative") if mark in claim)
    return signs(f"{text}{marks}")


def log_text(log: Mapping[str, object], unit: object) -> str:
    """What a log, or one day of it, holds."""
    least, most = log.get("least-mean"), log.get("most-mean")
    text = f"{log.get('means')} of {log.get('of')} means"
    if isinstance(least, Mapping) and isinstance(most, Mapping):
        text += f", {least.get('value')} to {most.get('value')} {unit}"
    return signs(f"{text}; {log.get('gaps')} gaps, {log.get('events')} events")


def limit_text(limit: object) -> str:
    """The limit that an attempt was judged by, from its claim."""
    if not isinstance(limit, Mapping):
        return ""
    low, high = limit.get("low"), limit.get("high")
    if "overload" in limit:
        return signs(f"more than {limit['overload']}")
    if isinstance(limit.get("accept"), (list, tuple)):
        return plain(" or ".join(map(str, limit["accept"])))
    if low is not None and high is not None:
        return signs(f"{_short(low).partition(' ')[0]} to {_short(high)}")
    if high is not None:
        return signs(f"up to {_short(high)}")
    return signs(f"from {_short(low)}") if low is not None else ""


def _short(amount: object) -> str:
    """An amount to two decimals at most; the record holds all of them."""
    number, _, unit = str(amount).partition(" ")
    whole, dot, decimals = number.partition(".")
    if len(decimals) > 2:  # noqa: PLR2004  as _TWO_PLACES
        number = f"{Decimal(number).quantize(_TWO_PLACES, rounding=ROUND_HALF_EVEN):f}"
        return f"{number} {unit}".rstrip()
    return f"{whole}{dot}{decimals} {unit}".rstrip()


def expectation_text(step: Step, titles: Mapping[str, str]) -> str:
    """What a step must show, in one sentence; `titles` names a step by its id."""
    if step.expect is None:
        return plain(" or ".join(step.accept))
    mode = f" {step.mode}" if step.coupling else ""
    held = f"held {step.dwell} once it stands still"
    if step.log is not None:
        held = f"for {step.log.share} of the {step.log.mean} means of {step.log.lasting}"
        if step.log.always is not None:
            held += f", and all within {' to '.join(step.log.always)}"
    return signs(f"{step.quantity}{mode} {_expected(step.expect, titles)}, {held}")


def _expected(expect: Expect, titles: Mapping[str, str]) -> str:
    if expect.between is not None:
        return f"{expect.between[0]} to {expect.between[1]}"
    if expect.near is not None:
        width = f"within {expect.near.within} or {expect.near.percent} %"
        return f"{width} of: {titles.get(expect.near.step, expect.near.step)}"
    if expect.overload is not None:
        return f"more than the range, on a range of {expect.overload} or more"
    if expect.below is not None:
        return f"below {expect.below}"
    if expect.above is not None:
        return f"above {expect.above}"
    return "as computed from what is given (the limits stand with each attempt)"
