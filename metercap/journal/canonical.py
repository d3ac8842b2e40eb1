"""JSON values to the one sequence of bytes that stands for them, and back.

The form is RFC 8785 with a narrower set of values: no fractions at all, since a measured number is
text, and no whole number that another program's JSON reader could round. It does not know what the
values mean.

The rfc8785 package is the definition. Python's own encoder, with keys sorted and nothing between
them, writes the same bytes of these values as long as all is ASCII, several times faster, so it is
asked first: the two part only in the order of keys beyond ASCII. Tests hold one against the other.
"""

from __future__ import annotations

import hashlib
import json
import re
from typing import NoReturn

import rfc8785

from metercap.errors import JournalError

INTEGER_LIMIT = 10**15
"""Whole numbers stay below this; a double holds every integer up to 2**53, about 9 * 10**15."""

DEPTH_LIMIT = 32
"""Levels of nesting; the deepest thing stored, a procedure with its circuit, needs under ten."""

_INTEGER_DIGITS = 16  # the longest allowed integer in text: a sign and fifteen digits
_LONG_NUMBER = re.compile(rb":-?[0-9]{16}")  # or text that looks like one
_ENCODER = json.JSONEncoder(
    ensure_ascii=False,
    check_circular=False,  # depth is limited before
    allow_nan=False,
    sort_keys=True,
    separators=(",", ":"),
)


def digest(data: bytes) -> str:
    """SHA-256 in lower-case hexadecimal, as `sha256sum` prints it."""
    return hashlib.sha256(data).hexdigest()


def dumps(obj: object) -> bytes:
    """Write None, booleans, whole numbers, text, lists and string-keyed dictionaries as RFC 8785.

    Raises JournalError for any other value, for |n| >= 10**15 and for nesting beyond 32 levels.
    """
    _refuse_outsiders(obj, DEPTH_LIMIT)
    text = _ENCODER.encode(obj)
    return text.encode("ascii") if text.isascii() else _write(obj)


def _write(obj: object) -> bytes:
    """Write as `dumps`, by the definition."""
    try:
        return rfc8785.dumps(obj)  # type: ignore[arg-type]  # the walk above is the type check
    except ValueError as error:  # the package's own errors, and a lone surrogate in a key
        raise JournalError(f"canonical json: {str(error)!a}, expected plain text") from error


def loads(data: bytes) -> object:
    """Read bytes that `dumps` wrote; raises JournalError for any other spelling of a value."""
    if _is_plain(data):
        try:
            obj: object = _DECODER.decode(data.decode("ascii"))
        except ValueError:
            return _read(data)  # which says what is wrong
        # Equal bytes leave no room for a key that stands twice, a blank or another order.
        if _ENCODER.encode(obj).encode("ascii", "replace") == data:
            return obj
    return _read(data)


def _is_plain(data: bytes) -> bool:
    """Whether it is ASCII and objects alone, too few to be deep, without any long number.

    Nearly every entry is. Of such bytes Python's own encoder and decoder leave nothing to doubt.
    """
    return (
        data.startswith(b"{")
        and data.isascii()
        and b"[" not in data
        and data.count(b"{") <= DEPTH_LIMIT
        and not _LONG_NUMBER.search(data)
    )


def _read(data: bytes) -> object:
    """Read as `loads`, step by step."""
    try:
        obj = json.loads(
            data.decode("utf-8"),
            object_pairs_hook=_unique,
            parse_int=_whole,
            parse_float=_refuse_number,
            parse_constant=_refuse_number,
        )
    except (ValueError, RecursionError) as error:
        # The parser's own message may quote the input, so only its kind and place are repeated.
        place = f" at byte {error.pos}" if isinstance(error, json.JSONDecodeError) else ""
        raise JournalError(
            f"canonical json: {type(error).__name__}{place}, expected json"
        ) from error
    _refuse_outsiders(obj, DEPTH_LIMIT)
    if _write(obj) != data:
        raise JournalError("canonical json: another spelling, expected the one of rfc 8785")
    return obj


def _refuse_outsiders(value: object, depth: int) -> None:
    if value is None or isinstance(value, (bool, str)):
        return
    if isinstance(value, int):
        if abs(value) >= INTEGER_LIMIT:
            raise JournalError("canonical json: an integer of 16 digits or more, expected text")
        return
    if depth == 0:
        raise JournalError(f"canonical json: nested deeper than {DEPTH_LIMIT} levels")
    if isinstance(value, dict):
        for key, item in value.items():
            if not isinstance(key, str):
                raise JournalError(f"canonical json: key {key!a}, expected text")
            _refuse_outsiders(item, depth - 1)
        return
    if isinstance(value, (list, tuple)):
        for item in value:
            _refuse_outsiders(item, depth - 1)
        return
    # A float lands here on purpose: 1.20 would come back as 1.2, and the digits are the evidence.
    raise JournalError(f"canonical json: a {type(value).__name__}, expected text or a whole number")


def _unique(pairs: list[tuple[str, object]]) -> dict[str, object]:
    obj = dict(pairs)
    if len(obj) != len(pairs):
        raise JournalError("canonical json: a key stands twice in one object")
    return obj


def _whole(text: str) -> int:
    # Cut here, before int() meets a million digits.
    if len(text) > _INTEGER_DIGITS:
        raise JournalError("canonical json: an integer of 16 digits or more, expected text")
    return int(text)


def _refuse_number(text: str) -> NoReturn:
    raise JournalError(f"canonical json: number {text[:20]!a}, expected text or a whole number")


_DECODER = json.JSONDecoder(parse_float=_refuse_number, parse_constant=_refuse_number)
