"""Frames and link changes to lines of text and back, so that a run can be kept and played again.

A capture is JSON lines: a header, then one line an item, in the order of arrival. Parsing and
formatting are pure; `replay` acts as a link that gives the items out. Nothing here reads a clock,
decodes a frame or opens a file.
"""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, TextIO

from metercap.errors import LinkError
from metercap.model import NS_PER_S, Frame, Instant, LinkChange, Refusal

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Iterable, Iterator

Item = Frame | LinkChange

VERSION = 1

# 19 digits hold any count of 64 bits with a sign.
_NANOSECONDS = re.compile(r"-?[0-9]{1,19}")
_UTC = re.compile(r"([0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2})\.([0-9]{9})Z")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_SECOND = timedelta(seconds=1)


def write_header(**facts: str) -> str:
    """Write a capture's first line, without its newline; `facts` are kept for the reader."""
    return _line({"metercap": "capture", "v": VERSION, **facts})


def write_line(item: Item) -> str:
    """Write one item as one line, without its newline; `read_capture` gives the same item back.

    Counts of nanoseconds are text, because many readers of JSON keep numbers as binary64.
    """
    if isinstance(item, Frame):
        return _line(
            {
                "kind": "frame",
                **_instant(item.at),
                "meter": item.meter,
                "source": item.source,
                "session": item.session,
                "number": item.number,
                "raw": item.data.hex(),
                **_opened(item.opened),
            }
        )
    return _line(
        {
            "kind": "link",
            **_instant(item.at),
            "meter": item.meter,
            "session": item.session,
            "up": item.up,
            "reason": item.reason,
            "facts": [list(fact) for fact in item.facts],
        }
    )


def read_header(text: str) -> dict[str, str]:
    """Give back the facts of `write_header`; raises `LinkError` where `text` is no capture."""
    header = _fields(1, text.split("\n", 1)[0])
    if header.get("metercap") != "capture":
        raise LinkError('capture line 1: expected a header with "metercap": "capture"')
    if header.get("v") != VERSION:
        raise LinkError(
            f"capture line 1: version {header.get('v')!r:.40} found, {VERSION} expected"
        )
    fields = _Fields(1, header)
    return {name: fields.text(name) for name in header if name not in {"metercap", "v"}}


def read_capture(text: str) -> Iterator[Item]:
    """Give the items of a capture in order.

    Raises `LinkError` naming the line at the first that is no item; what stood before it has been
    given out. Blank lines are passed over. A last line without its newline, as a power cut leaves
    it, is read if it is whole and refused if it is not.
    """
    read_header(text)
    # Only a newline ends a line: splitlines would also cut at U+2028, which JSON allows in text.
    lines = enumerate(text.split("\n"), start=1)
    next(lines)
    for number, line in lines:
        if line.strip():
            yield _item(number, _fields(number, line))


async def replay(
    items: Iterable[Item],
    sink: Callable[[Item], None],
    *,
    now: Callable[[], Instant] | None = None,
    sleep: Callable[[float], Awaitable[object]] | None = None,
    speed: float = 1.0,
) -> None:
    """Give `items` to `sink` in order, as a link would.

    With `now` each item is stamped anew as it is given out; without, it keeps its own instant. With
    `sleep` (seconds) the gaps of the capture are kept, divided by `speed`; without, there are none.
    Gaps are taken from the boot clock. Between two boots, or where the clock stands still or runs
    backwards, there is nothing to wait for.
    """
    before: Instant | None = None
    for item in items:
        if sleep is not None and before is not None and before.boot == item.at.boot:
            gap_ns = item.at.boot_ns - before.boot_ns
            if gap_ns > 0:
                await sleep(gap_ns / NS_PER_S / speed)
        before = item.at
        sink(item if now is None else item._replace(at=now()))


class CaptureSink:
    """A sink that writes each item to `file`, an open text file, before it hands it to `sink`.

    The header is written at once. The file stays open; closing it is its owner's.
    """

    def __init__(self, file: TextIO, sink: Callable[[Item], None], **facts: str) -> None:
        self._file = file
        self._sink = sink
        self._write(write_header(**facts))

    def __call__(self, item: Item) -> None:
        """Write `item`, then hand it on."""
        self._write(write_line(item))
        self._sink(item)

    def _write(self, line: str) -> None:
        self._file.write(f"{line}\n")
        self._file.flush()


def _line(fields: dict[str, Any]) -> str:
    return json.dumps(fields, ensure_ascii=False, separators=(",", ":"))


def _opened(opened: bytes | Refusal | None) -> dict[str, str]:
    match opened:
        case None:
            return {}
        case Refusal(reason):
            return {"unopened": reason}
    return {"opened": opened.hex()}


def _instant(at: Instant) -> dict[str, Any]:
    return {
        "utc": _utc_text(at.utc_ns),
        "boot_ns": str(at.boot_ns),
        "boot": at.boot,
        "synced": at.synced,
    }


def _utc_text(utc_ns: int) -> str:
    """RFC 3339 to the nanosecond, because an instant may not lose its last digits here."""
    seconds, ns = divmod(utc_ns, NS_PER_S)
    # Not by strftime, which writes the year 26 with two digits.
    day = (_EPOCH + timedelta(seconds=seconds)).replace(tzinfo=None)
    return f"{day.isoformat(timespec='seconds')}.{ns:09d}Z"


def _fields(number: int, line: str) -> dict[str, Any]:
    try:
        fields = json.loads(line)
    except (ValueError, RecursionError) as problem:
        raise LinkError(f"capture line {number}: not JSON: {problem}") from problem
    if not isinstance(fields, dict):
        raise LinkError(f"capture line {number}: expected a JSON object")
    return fields


class _Fields:
    """One line's fields, each taken out by the type that it must have."""

    def __init__(self, number: int, fields: dict[str, Any]) -> None:
        self._number = number
        self._fields = fields

    def fail(self, name: str, expected: str) -> LinkError:
        found = json.dumps(self._fields[name])[:40] if name in self._fields else "nothing"
        return LinkError(f"capture line {self._number}: {name}: {found} found, {expected} expected")

    def text(self, name: str) -> str:
        value = self._fields.get(name)
        if not isinstance(value, str):
            raise self.fail(name, "text")
        return value

    def truth(self, name: str) -> bool:
        value = self._fields.get(name)
        if not isinstance(value, bool):
            raise self.fail(name, "true or false")
        return value

    def count(self, name: str) -> int:
        value = self._fields.get(name)
        if not isinstance(value, int) or isinstance(value, bool) or value < 0:
            raise self.fail(name, "a whole number")
        return value

    def nanoseconds(self, name: str) -> int:
        value = self._fields.get(name)
        # int() alone would also take "1_0", blanks and other scripts' digits.
        if not isinstance(value, str) or not _NANOSECONDS.fullmatch(value):
            raise self.fail(name, "nanoseconds as text")
        return int(value)

    def utc(self, name: str) -> int:
        value = self._fields.get(name)
        match = _UTC.fullmatch(value) if isinstance(value, str) else None
        if match is None:
            raise self.fail(name, "YYYY-MM-DDThh:mm:ss.nnnnnnnnnZ")
        try:
            seconds = (datetime.fromisoformat(f"{match[1]}+00:00") - _EPOCH) // _SECOND
        except ValueError as problem:
            raise self.fail(name, "a date and time that exist") from problem
        return seconds * NS_PER_S + int(match[2])

    def hex(self, name: str) -> bytes:
        value = self.text(name)
        try:
            data = bytes.fromhex(value)
        except ValueError as problem:
            raise self.fail(name, "hex") from problem
        if data.hex() != value:
            raise self.fail(name, "lower-case hex without spaces")
        return data

    def opened(self) -> bytes | Refusal | None:
        if "unopened" in self._fields:
            return Refusal(self.text("unopened"))
        return self.hex("opened") if "opened" in self._fields else None

    def pairs(self, name: str) -> tuple[tuple[str, str], ...]:
        value = self._fields.get(name)
        if not isinstance(value, list):
            raise self.fail(name, "pairs of text")
        found = []
        for pair in value:
            match pair:
                case [str(key), str(fact)]:
                    found.append((key, fact))
                case _:
                    raise self.fail(name, "pairs of text")
        return tuple(found)


def _item(number: int, raw: dict[str, Any]) -> Item:
    fields = _Fields(number, raw)
    kind = raw.get("kind")
    if kind not in {"frame", "link"}:
        raise fields.fail("kind", '"frame" or "link"')
    at = Instant(
        utc_ns=fields.utc("utc"),
        boot_ns=fields.nanoseconds("boot_ns"),
        boot=fields.text("boot"),
        synced=fields.truth("synced"),
    )
    meter = fields.text("meter")
    session = fields.count("session")
    if kind == "link":
        return LinkChange(
            at,
            meter,
            session,
            up=fields.truth("up"),
            reason=fields.text("reason"),
            facts=fields.pairs("facts"),
        )
    return Frame(
        at,
        meter,
        source=fields.text("source"),
        session=session,
        number=fields.count("number"),
        data=fields.hex("raw"),
        opened=fields.opened(),
    )
