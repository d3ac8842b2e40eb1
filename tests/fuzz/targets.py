"""Any bytes in, nothing out: each target reads them in one room and asserts what always holds.

One list serves three runners: the coverage-guided one (`run.sh`), the replay of the kept corpus and
the short property test (both `test_fuzz.py`). A target raises AssertionError, or whatever escaped
from the code under test. It knows nothing of who calls it.
"""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

from meter.strategies import ALL, any_driver
from record import smalljob

from metercap.derive import derive
from metercap.errors import (
    DisplayError,
    DriverError,
    JournalError,
    LinkError,
    MetercapError,
    OperatorError,
    ProcedureError,
    RecordError,
)
from metercap.journal import canonical, entry, note
from metercap.link.capture import read_capture, write_line
from metercap.meter.advert import is_opening, is_sealed, open_sealed, packet_of, seal
from metercap.meter.check import check_driver
from metercap.meter.decode import build_decoder, decode_frame
from metercap.meter.description import (
    AdvertDriver,
    AttributeDriver,
    FrameDriver,
    LineDriver,
    driver_from_json,
    driver_to_json,
    parse_driver,
)
from metercap.meter.found import TELLING, Characteristic, Descriptor, find_found
from metercap.meter.frame import FrameDecoder
from metercap.meter.infer.labels import parse_samples
from metercap.meter.register import parse_register
from metercap.meter.reply import Asked, ReplyDecoder
from metercap.model import Outcome, Reading, Refusal, Status
from metercap.procedure.description import join, parse_procedure
from metercap.procedure.net import parse_net
from metercap.procedure.pack import parse_pack
from metercap.record import container
from metercap.record.verify import report_lines, verify

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from metercap.meter.decode import Decoder
    from metercap.meter.description import Driver

ROOT = Path(__file__).parents[2]
CORPUS = ROOT / "fixtures" / "corpus"
MOST_PENDING = 600  # the longest line is 256 bytes; a decoder keeps no more than it needs

_DRIVERS = [any_driver(name) for name in ALL]
_TEXTS = [
    (path.name, path.read_text("utf-8")) for path in [*sorted((ROOT / "drivers").glob("*.toml"))]
]
_PROCEDURES = [
    (path.name, path.read_text("utf-8"))
    for path in sorted((ROOT / "metercap/procedure/library").glob("*.toml"))
]
_LIBRARY = {p.id: p for p in (parse_procedure(text, name) for name, text in _PROCEDURES)}


_REGISTER = """
[[instrument]]
name = "one"
address = "F0:00:00:00:00:01"
serial = "0001"
"""
_OTHERS: list[tuple[Callable[[str, str], object], type[MetercapError], str, str]] = [
    *(
        (parse, ProcedureError, path.name, path.read_text("utf-8"))
        for parse, folder in ((parse_pack, "packs"), (parse_net, "nets"))
        for path in sorted((ROOT / "metercap/procedure" / folder).glob("*.toml"))
    ),
    (parse_register, OperatorError, "register.toml", _REGISTER),
    (parse_samples, DriverError, "samples.csv", "hex,shown\n01aa,230.1 V AC\n02bb,OL MOhm\n"),
]


def _of_kind(kind: type[Driver]) -> list[tuple[Driver, Decoder]]:
    return [(driver, build_decoder(driver)) for driver in _DRIVERS if isinstance(driver, kind)]


_FRAMES = _of_kind(FrameDriver)
_LINES = _of_kind(LineDriver)
_ATTRIBUTES = _of_kind(AttributeDriver)
_ADVERTS = _of_kind(AdvertDriver)


# ---- what holds of every outcome ----


def assert_sound(outcome: Outcome) -> None:
    """A refusal of one printable line, or a reading with a finite number of plain digits."""
    if isinstance(outcome, Refusal):
        assert outcome.reason
        assert outcome.reason.isprintable(), outcome
        return
    if outcome.status is not Status.OK:
        assert outcome.value is None, outcome
        return
    value = outcome.value or ""
    assert value.removeprefix("-").replace(".", "", 1).isdigit(), outcome
    assert value.isascii(), outcome
    assert Decimal(value).is_finite(), outcome


def assert_comes_back(decoder: Decoder, reading: Reading) -> None:
    """What came out of bytes can be written as bytes that give the same."""
    if isinstance(decoder, ReplyDecoder):
        query = decoder.query_of(reading.function)
        outcomes = decoder.take(Asked(1, 1, query), decoder.encode(reading)).outcomes
        assert outcomes == (reading,), outcomes
        return
    plain = reading._replace(channel="main") if decoder in _ADVERT_DECODERS else reading
    data = decoder.encode(plain)
    source = getattr(decoder, "source_of", lambda _: "")(reading.function)
    outcomes, pending = decode_frame(decoder, source, data)
    assert plain in outcomes, (reading, outcomes)
    assert pending == b""


_ADVERT_DECODERS = [decoder for _, decoder in _ADVERTS]


def assert_line(error: Exception, where: str = "") -> None:
    """An error of one line that begins with the place."""
    said = str(error)
    assert said.startswith(where), said
    assert "\n" not in said, said


def _pieces(data: bytes) -> Iterator[bytes]:
    """Cut bytes as they say themselves: a length, then so many."""
    at = 0
    while at < len(data):
        size = data[at] % 64
        yield data[at + 1 : at + 1 + size]
        at += 1 + size


# ---- decoders ----


def frame(data: bytes) -> None:
    """Byte 0 chooses the driver; byte 1 how far the rest is made to fit, so that it gets inside."""
    if len(data) < 2:
        return
    _, decoder = _FRAMES[data[0] % len(_FRAMES)]
    assert isinstance(decoder, FrameDecoder)
    bits, body = data[1], data[2:]
    if bits & 1:
        number = int.from_bytes(body, "little") & ((1 << 8 * decoder._length) - 1)
        if bits & 2:
            keys = sorted(decoder._main._keys.values())
            number = number & ~decoder._main._select_mask | keys[(bits >> 2) % len(keys)]
        body = decoder._seal(number & ~decoder._const_mask | decoder._const)
    outcomes, pending = decoder.decode(body, data[:7])
    assert pending == b""
    assert 1 <= len(outcomes) <= 1 + (decoder._second is not None)
    for outcome in outcomes:
        assert_sound(outcome)
    if isinstance(outcomes[0], Reading):
        assert_comes_back(decoder, outcomes[0])
    readings = tuple(outcome for outcome in outcomes if isinstance(outcome, Reading))
    if len(readings) == len(outcomes):
        assert decoder.decode(decoder.encode_all(readings)) == (outcomes, b""), outcomes


def line(data: bytes) -> None:
    """Byte 0 chooses the driver, byte 1 what a polled one was asked; then pieces of a stream."""
    if len(data) < 2:
        return
    driver, decoder = _LINES[data[0] % len(_LINES)]
    assert isinstance(driver, LineDriver)
    pending = b""
    number, piece = 1, 0
    for part in _pieces(data[2:]):
        source = ""
        if driver.poll is not None:
            queries = [*driver.poll.queries, driver.poll.identify, driver.poll.error_query]
            step = part[:1] or b"\0"
            number, piece = number + (step[0] & 1), 1 if step[0] & 1 else piece + 1
            query = queries[(data[1] + number) % len(queries)]
            source = f"- {number}.{piece} {query}" if step[0] & 2 else "-"
            part = part[1:]  # noqa: PLW2901  its first byte said what was asked
        outcomes, pending = decode_frame(decoder, source, part, pending)
        assert len(pending) <= MOST_PENDING, len(pending)
        for outcome in outcomes:
            assert_sound(outcome)
            if isinstance(outcome, Reading):
                assert_comes_back(decoder, outcome)
    # What another connection, or a forger, might have left.
    for outcome in decoder.decode(data[2:], data[:40])[0]:
        assert_sound(outcome)


def attribute(data: bytes) -> None:
    """Byte 0 chooses a driver and a source of it."""
    if not data:
        return
    driver, decoder = _ATTRIBUTES[data[0] % len(_ATTRIBUTES)]
    assert isinstance(driver, AttributeDriver)
    _read_attribute(driver, decoder, data[0] // len(_ATTRIBUTES), data[1:])


def _read_attribute(driver: AttributeDriver, decoder: Decoder, which: int, body: bytes) -> None:
    sources = list(driver.sources)
    outcomes, _ = decode_frame(decoder, sources[which % len(sources)], body)
    assert outcomes
    for outcome in outcomes:
        assert_sound(outcome)
        if isinstance(outcome, Reading):
            assert_comes_back(decoder, outcome)


_KINDS = sorted(TELLING)


def found(data: bytes) -> None:
    """A GATT table from the bytes: what it says of itself becomes a driver, or a plain reason."""
    parts = list(_pieces(data))
    table = []
    for place, part in enumerate(parts[:-1]):
        if len(part) < 4:
            continue
        own = f"0000{part[0]:02x}{part[1]:02x}-0000-1000-8000-00805f9b34fb"
        descriptors = tuple(
            Descriptor(100 * place + index, _KINDS[octets[0] % len(_KINDS)], octets[1:] or None)
            for index, octets in enumerate(_pieces(part[3:]))
            if octets
        )
        sends = ("notify",) if part[2] & 1 else ("read",)
        uuid = own if part[2] & 2 else f"de5c00{part[0]:02x}-e492-47f0-9b6d-c81a5703f2be"
        table.append(Characteristic("de5c0000", uuid, 100 * place, sends, descriptors))
    driver, said = find_found(_with_service(table))
    assert said
    assert said.isprintable(), said
    if driver is None:
        return
    assert check_driver(driver) == [], check_driver(driver)
    assert driver_from_json(driver_to_json(driver), "record") == driver
    assert isinstance(driver, AttributeDriver)
    _read_attribute(driver, build_decoder(driver), len(parts), parts[-1])


def _with_service(table: Sequence[Characteristic]) -> list[Characteristic]:
    service = "de5c0000-e492-47f0-9b6d-c81a5703f2be"
    return [each._replace(service=service) for each in table]


_KEY = bytes(range(16))
_ADDRESS = "F0:00:00:00:00:01"


def advert(data: bytes) -> None:
    """Service data as they are, and sealed ones that the key opens."""
    for _, decoder in _ADVERTS:
        outcomes, pending = decoder.decode(data)
        assert pending == b""
        for outcome in outcomes:
            assert_sound(outcome)
            if isinstance(outcome, Reading):
                assert_comes_back(decoder, outcome)
        packet_of(data)
        try:
            opened, _ = open_sealed(data, _ADDRESS, _KEY)
        except ValueError as error:
            assert_line(error)
        else:
            assert is_opening(data, opened)
        try:
            sealed = seal(data, _ADDRESS, _KEY, len(data))
        except ValueError:
            continue
        if is_sealed(sealed) and len(data) > 1 and not data[0] & 2:
            assert open_sealed(sealed, _ADDRESS, _KEY) == (data, len(data))
            for outcome in decode_frame(decoder, "", sealed, b"", data)[0]:
                assert_sound(outcome)


# ---- files of others ----


def edited(data: bytes, texts: Sequence[tuple[str, str]]) -> tuple[str, str]:
    """A good file with edits; byte 0 chooses it, and from 128 on the bytes are the file itself.

    An edit is: place (2 bytes), how many characters go (1), how many bytes come (1), those.
    """
    name, text = texts[data[0] % len(texts)]
    if data[0] >= 128:
        return name, data[1:].decode("utf-8", "ignore")
    at = 1
    while at + 4 <= len(data):
        place = int.from_bytes(data[at : at + 2], "little") % (len(text) + 1)
        goes, comes = data[at + 2], data[at + 3] % 64
        new = data[at + 4 : at + 4 + comes].decode("utf-8", "ignore")
        text = text[:place] + new + text[place + goes :]
        at += 4 + comes
    return name, text


def driver(data: bytes) -> None:
    """A driver file: refused in one line, or it works."""
    if not data:
        return
    name, text = edited(data, _TEXTS)
    try:
        made = parse_driver(text, name)
    except DriverError as error:
        assert_line(error, name)
        return
    assert driver_from_json(driver_to_json(made), "record") == made
    for problem in check_driver(made):
        assert "\n" not in problem, problem
    try:
        decoder = build_decoder(made)
    except DriverError as error:
        assert_line(error)
        return
    for row in made.function:
        for status, value in ((Status.OK, "1.0"), (Status.OVER, None)):
            try:
                shown = decoder.encode(row.reading(value, status))
            except DisplayError as error:
                assert_line(error)
                continue
            for outcome in decode_frame(decoder, "", shown)[0]:
                assert_sound(outcome)


def procedure(data: bytes) -> None:
    """A procedure file: refused in one line, or it can be joined, or that is refused."""
    if not data:
        return
    name, text = edited(data, _PROCEDURES)
    try:
        made = parse_procedure(text, name)
        join(made, {**_LIBRARY, made.id: made}, name)
    except ProcedureError as error:
        assert_line(error, name)


def other(data: bytes) -> None:
    """Packs of a country's rules, nets, the register of instruments, labelled frames."""
    if not data:
        return
    parse, error, name, whole = _OTHERS[data[0] % len(_OTHERS)]
    _, text = edited(data, [(name, whole)])
    try:
        parse(text, name)
    except error as fault:
        assert_line(fault, name)


_RECORD = smalljob.sealed()
_MEMBERS = container.unpack(_RECORD)
_NAMES = sorted(_MEMBERS)
_DEEP = smalljob.drafts()


def record(data: bytes) -> None:
    """A container: the bytes themselves, a good one with edits, or one whose sums were mended."""
    if not data:
        return
    way, rest = data[0] % 3, data[1:]
    if way == 0:
        whole = rest
    elif way == 1:
        whole = _spliced(_RECORD, rest)
    else:
        whole = (
            smalljob.forged(
                lambda files: files.update(
                    {
                        name: _spliced(files[name], rest[1:])
                        for name in [_NAMES[rest[0] % len(_NAMES)]]
                    }
                    if rest
                    else {}
                )
            )
            if not rest or _NAMES[rest[0] % len(_NAMES)] not in {"mimetype", "sha256sums"}
            else rest
        )
    try:
        files = container.unpack(whole)
    except RecordError as error:
        assert_line(error, "container: ")
    else:
        assert container.pack(files) == whole
    for rule in (smalljob.derive, derive):
        report = verify(whole, "x.asice", rule)
        assert report.exit != 0, "nobody signed this"
        for said in report_lines(report):
            assert said.isprintable(), said


def _spliced(whole: bytes, edits: bytes) -> bytes:
    at = 0
    while at + 4 <= len(edits):
        place = int.from_bytes(edits[at : at + 2], "little") % (len(whole) + 1)
        goes, comes = edits[at + 2], edits[at + 3] % 64
        whole = whole[:place] + edits[at + 4 : at + 4 + comes] + whole[place + goes :]
        at += 4 + comes
    return whole


def journal(data: bytes) -> None:
    """Canonical JSON, entries, notes and captures."""
    try:
        value = canonical.loads(data)
    except JournalError as error:
        assert_line(error)
    else:
        assert canonical.dumps(value) == data
    head, _, body = data.partition(b"\n")
    try:
        entry.read_entry(head, body)
    except JournalError as error:
        assert_line(error)
    text = data.decode("utf-8", "replace")
    for parse in (note.parse_note, note.parse_checkpoint):
        try:
            parse(text)
        except JournalError as error:
            assert_line(error)
    try:
        items = list(read_capture(text))
    except LinkError as error:
        assert_line(error)
    else:
        first = text.split("\n", 1)[0]
        again = [next(read_capture(f"{first}\n{write_line(each)}")) for each in items]
        assert again == items


TARGETS: dict[str, Callable[[bytes], None]] = {
    each.__name__: each
    for each in (frame, line, attribute, found, advert, driver, procedure, other, record, journal)
}
