"""Journal entries in; readings, attempts, verdicts and effects out: the one way to derive a job.

The daemon feeds it entry by entry, the verifier and the review a whole record. It reads no clock
and writes nothing. Entries that hold claims are passed over: claims are what comes out.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple

from metercap.errors import JournalError
from metercap.journal import canonical
from metercap.journal.entry import CLAIM, Entry
from metercap.meter.decode import Decoder, build_decoder, decode_frame
from metercap.meter.description import SECOND, AttributeDriver, Driver, driver_from_json
from metercap.meter.register import Instrument, instrument_from_json
from metercap.model import SERIAL, Facts, Instant, Outcome, Reading, Refusal, find_stranger
from metercap.procedure.description import Procedure, procedure_from_json
from metercap.sequence.effect import Claim, Effect
from metercap.sequence.event import (
    Begun,
    Chosen,
    Declared,
    Entered,
    Event,
    Garbled,
    Limited,
    Linked,
    Measured,
    Observed,
    Restarted,
    TakenOver,
)
from metercap.sequence.walk import Walk

_OPENED = ("opened", "unopened")
_FRAME_KEYS = ("meter", "source", "session", "number", "raw")
_FRAME_TYPES = (str, str, int, int, str)
_MOST_KEPT = 4096  # frames of one meter kept decoded; a display in use shows a few hundred
_LINES_AT_ONCE = 256  # of a digest


RULES = 1
"""The number of the rules below: what frames, acts and definitions lead to.

A change that makes the same entries lead to other claims needs a new number, and the old rules
kept beside the new ones, since a record of any age must derive as it did. job.open fixes it.
"""


class Shown(NamedTuple):
    """What one frame was decoded to; `seq` is the frame's entry, `fresh` as in `Measured`."""

    at: Instant
    seq: int
    meter: str
    outcome: Outcome
    raw: bytes
    fresh: bool


class _Decoded(NamedTuple):
    """What some bytes say, and what of them belongs to a line that has not ended."""

    raw: bytes
    outcomes: tuple[Outcome, ...]
    pending: bytes


class _Meter:
    """One meter of the job: its decoder, its papers, and how far its frames have come."""

    def __init__(self, driver: Driver, instrument: Instrument | None) -> None:
        self.driver = driver
        self.instrument = instrument
        serial = instrument.serial if instrument else None
        self._known: Facts = ((SERIAL, serial),) if serial else ()
        self._stranger_session = 0
        self.decoder: Decoder = build_decoder(driver)
        self.channels = _channels(driver)
        self.session = 0
        self.number = 0
        self.boot = ""
        self.boot_ns = 0
        self.pending = b""
        self._kept: dict[tuple[str, str], _Decoded] = {}

    def connect(self, session: int) -> None:
        """Take note of a connection: what an older one still sends comes too late."""
        if session > self.session:
            self.session, self.number, self.pending = session, 0, b""

    def meet(self, session: int, told: Facts) -> str:
        """Take note of what a new connection told of itself; the answer says who it is not."""
        stranger = find_stranger(self._known, told)
        if stranger:
            self._stranger_session = session
        elif told:
            self._known = told
        return stranger

    def decode(self, source: str, raw_hex: str, before: bytes) -> _Decoded:
        """Decode a frame after what is pending from before it; raises ValueError where no hex.

        A display repeats itself, so what whole frames say is kept.
        """
        if before:
            return self._decode(source, bytes.fromhex(raw_hex), before, None)
        key = (source, raw_hex)
        decoded = self._kept.get(key)
        if decoded is None:
            decoded = self._decode(source, bytes.fromhex(raw_hex), b"", None)
            if len(self._kept) >= _MOST_KEPT:
                self._kept.clear()
            self._kept[key] = decoded
        return decoded

    def decode_opened(
        self, source: str, raw_hex: str, before: bytes, opened: bytes | Refusal
    ) -> _Decoded:
        """Decode a sealed frame, as `decode` otherwise."""
        return self._decode(source, bytes.fromhex(raw_hex), before, opened)

    def _decode(
        self, source: str, raw: bytes, before: bytes, opened: bytes | Refusal | None
    ) -> _Decoded:
        outcomes, pending = decode_frame(self.decoder, source, raw, before, opened)
        if self.instrument is not None:  # its papers may state a limit of error of its own
            correct = self.instrument.correct
            outcomes = tuple(
                correct(outcome) if isinstance(outcome, Reading) else outcome
                for outcome in outcomes
            )
        return _Decoded(raw, outcomes, pending)

    def beside(self, outcome: Outcome, index: int, outcomes: int) -> tuple[str, ...]:
        """The meter's other channels, where one frame or another brings them by itself."""
        if len(self.channels) == 1:
            return ()
        if isinstance(outcome, Reading):
            own = outcome.channel
        elif outcomes == len(self.channels):
            own = self.channels[index]  # one of the displays of a frame could not be read
        else:
            return ()
        return tuple(channel for channel in self.channels if channel != own)

    def is_fresh(self, session: int, number: int, at: Instant) -> bool:
        """Whether a frame is newer than all before it; two equal readings are no reason to doubt.

        A new connection, or a frame missing from the count, leaves nothing of an unfinished line.
        """
        if session != self.session:
            self.connect(session)
        if session < self.session or number <= self.number or session == self._stranger_session:
            return False
        if number != self.number + 1:
            self.pending = b""
        self.number = number
        if at.boot == self.boot and at.boot_ns < self.boot_ns:
            return False
        self.boot, self.boot_ns = at.boot, at.boot_ns
        return True


class Derivation:
    """One job, as far as it has been derived."""

    def __init__(self) -> None:
        self.claims: list[dict[str, object]] = []
        self.frames = 0
        self.procedure: Procedure | None = None
        self.walk: Walk | None = None
        self._opening: Entry | None = None
        self._definitions: dict[str, dict[str, object]] = {}
        self._meters: dict[str, _Meter] = {}
        self._digest = hashlib.sha256()
        self._digested = 0
        self._lines: list[str] = []
        self._events: dict[str, Callable[[Entry], Event]] = {
            "act": _declared,
            "observe": _observed,
            "begin": _begun,
            "choose": _chosen,
            "limit": _limited,
            "operator": _taken_over,
            "restart": _restarted,
            "link": _linked,
        }

    def driver_of(self, meter: str) -> Driver:
        """The driver that reads a meter of this job; raises JournalError for another meter."""
        return self._meter(meter).driver

    def instrument_of(self, meter: str) -> Instrument | None:
        """What the job says of the very instrument; raises JournalError for another meter."""
        return self._meter(meter).instrument

    def session_of(self, meter: str) -> int:
        """The number of the last connection to a meter; 0 before the first."""
        return self._meter(meter).session

    @property
    def ending(self) -> str | None:
        """How the job ended; None while it goes on."""
        return self.walk.ending if self.walk is not None else None

    def feed(self, entry: Entry) -> list[Effect | Shown]:
        """Take the next entry of the job; the answer is what it caused, in order.

        Raises JournalError, DriverError or ProcedureError for an entry that no recorder writes.
        """
        effects: list[Effect | Shown] = []
        if entry.kind == "frame":
            effects = self._frame(entry)
        elif entry.kind == "job.open":
            if self._opening is not None:
                raise JournalError(f"entry {entry.seq} (job.open): found again, expected once")
            if (rules := entry.body.get("rules", RULES)) != RULES:
                raise JournalError(
                    f"entry {entry.seq} (job.open): rules: found {rules!r}, expected {RULES}: made "
                    "by a later version"
                )
            self._opening = entry
        elif entry.kind == "definition":
            effects += self._define(entry)
        elif entry.kind in self._events:
            if entry.kind == "link":
                effects += self._link(entry)
            effects += self._walk().feed(self._events[entry.kind](entry))
        for effect in effects:
            if isinstance(effect, Claim):
                self._claim(effect)
        return effects

    def _define(self, entry: Entry) -> list[Effect]:
        """Take a definition that job.open has fixed; with the last of them the walk begins."""
        definition, opening = entry.body.get("definition"), self._opening
        if not isinstance(definition, dict):
            raise JournalError(f"entry {entry.seq}: definition: found none, expected an object")
        if opening is None or self.walk is not None:
            raise JournalError(f"entry {entry.seq}: definition: expected right after job.open")
        pins = [opening.body.get("procedure"), *_rows(opening, "drivers")]
        digest = canonical.digest(canonical.dumps(definition))
        if not any(isinstance(pin, dict) and pin.get("sha256") == digest for pin in pins):
            raise JournalError(
                f"entry {entry.seq}: definition: found {digest[:16]}..., expected one that "
                "job.open fixed"
            )
        self._definitions[digest] = definition
        found = [self._find_definition(pin) for pin in pins]
        definitions = [definition for definition in found if definition is not None]
        return self._begin(opening, *definitions) if len(definitions) == len(pins) else []

    def _begin(
        self, opening: Entry, procedure: dict[str, object], *drivers: dict[str, object]
    ) -> list[Effect]:
        where = f"entry {opening.seq}"
        self.procedure = procedure_from_json(procedure, f"{where}: procedure")
        read = [driver_from_json(driver, f"{where}: driver") for driver in drivers]
        by_id = {driver.id: driver for driver in read}
        for row in _rows(opening, "meters"):
            name, driver_id = str(row.get("name")), str(row.get("driver"))
            if driver_id not in by_id:
                raise JournalError(
                    f"{where}: meter {name}: driver: found {driver_id!r}, expected one that the "
                    "job declares"
                )
            self._meters[name] = _Meter(by_id[driver_id], _instrument(row, where))
        for step in self.procedure.step:
            if step.meter is not None and step.meter not in self._meters:
                raise JournalError(f"{where}: step {step.id}: meter {step.meter}: not in this job")
        intervals_ns = {name: meter.driver.link.interval_ns for name, meter in self._meters.items()}
        self.walk = Walk(self.procedure, _text(opening, "who"), intervals_ns)
        return [*self._papers(opening), *self.walk.start()]

    def _papers(self, opening: Entry) -> Iterator[Claim]:
        """Claim what the papers of each registered instrument say on the day of the job."""
        for row in _rows(opening, "meters"):
            name = str(row.get("name"))
            instrument = self._meter(name).instrument
            if instrument is None:
                continue
            body: dict[str, object] = {
                "claim": "instrument",
                "cause": opening.seq,
                "meter": name,
                "instrument": instrument.name,
                "papers": instrument.papers(opening.at).value,
            }
            if instrument.due is not None:
                body["due"] = instrument.due
            if isinstance(row.get("override"), str):
                body["override"] = row["override"]
            yield Claim(body)

    def _link(self, entry: Entry) -> Iterator[Claim]:
        """Take note of a connection, and claim it where another meter answered."""
        name, session = _text(entry, "meter"), _count(entry, "session")
        meter = self._meter(name)
        meter.connect(session)
        told = entry.body.get("facts")
        if entry.body.get("up") is True and isinstance(told, dict):
            why = meter.meet(session, tuple((str(key), str(text)) for key, text in told.items()))
            if why:
                body: dict[str, object] = {"meter": name, "session": session, "why": why}
                yield Claim({"claim": "stranger", "cause": entry.seq, **body})

    def _find_definition(self, pin: object) -> dict[str, object] | None:
        digest = pin.get("sha256") if isinstance(pin, dict) else None
        return self._definitions.get(digest) if isinstance(digest, str) else None

    def _walk(self) -> Walk:
        if self.walk is None:
            raise JournalError(
                "found an entry of the job before job.open and all that it fixed, expected after"
            )
        return self.walk

    def _meter(self, name: str) -> _Meter:
        if name not in self._meters:
            raise JournalError(f"meter: found {name!r}, expected one that the job declares")
        return self._meters[name]

    def _frame(self, entry: Entry) -> list[Effect | Shown]:
        name, source, session, number, raw_hex = _frame_parts(entry)
        meter, walk, at, seq = self._meter(name), self._walk(), entry.at, entry.seq
        opened = _opened(entry)
        self._digest_frame(f"{seq} {at.boot_ns} {name} {session} {number} {raw_hex}", entry.body)
        fresh = meter.is_fresh(session, number, at)
        before = meter.pending if fresh else b""
        try:
            if opened is None:
                decoded = meter.decode(source, raw_hex, before)
            else:
                decoded = meter.decode_opened(source, raw_hex, before, opened)
        except ValueError as error:
            raise JournalError(f"entry {seq}: raw: found {raw_hex!r}, expected hex") from error
        if fresh:
            meter.pending = decoded.pending
        effects: list[Effect | Shown] = []
        for index, outcome in enumerate(decoded.outcomes):
            beside = meter.beside(outcome, index, len(decoded.outcomes))
            effects.append(Shown(at, seq, name, outcome, decoded.raw, fresh))
            if isinstance(outcome, Reading):
                effects += walk.feed(Measured(at, seq, name, outcome, fresh, beside))
            else:
                effects += walk.feed(Garbled(at, seq, name, outcome.reason, beside))
        return effects

    def _digest_frame(self, line: str, body: dict[str, object]) -> None:
        """Take a frame into the digest of the next claim, together with what it was opened to."""
        line += "".join([f" {body[key]}" for key in _OPENED if key in body])
        self.frames += 1
        self._digested += 1
        self._lines.append(line)
        if len(self._lines) >= _LINES_AT_ONCE:
            self._digest_lines()

    def _digest_lines(self) -> None:
        self._lines.append("")  # each line ends in a line end
        self._digest.update("\n".join(self._lines).encode())
        self._lines.clear()

    def _claim(self, claim: Claim) -> None:
        """Keep a claim; it answers for every frame since the claim before it."""
        if self._digested:
            self._digest_lines()
            claim.body["frames"] = {
                "count": self._digested,
                "sha256": self._digest.hexdigest(),
            }
            self._digest, self._digested = hashlib.sha256(), 0
        self.claims.append(claim.body)


def _channels(driver: Driver) -> tuple[str, ...]:
    """Every channel that the driver's readings may have, the main one first."""
    if isinstance(driver, AttributeDriver):
        return tuple(dict.fromkeys(row.channel for row in driver.function))
    return ("main",) if len(driver.rows) == len(driver.function) else ("main", SECOND)


def derive(entries: Iterable[Entry]) -> Derivation:
    """Derive a whole job from its entries, in order; raises as `Derivation.feed` does."""
    derivation = Derivation()
    for entry in entries:
        if entry.kind != CLAIM:
            derivation.feed(entry)
    return derivation


def _text(entry: Entry, key: str) -> str:
    value = entry.body.get(key)
    if not isinstance(value, str):
        raise JournalError(
            f"entry {entry.seq} ({entry.kind}): {key}: found {value!r}, expected text"
        )
    return value


def _frame_parts(entry: Entry) -> tuple[str, str, int, int, str]:
    """Meter, source, session, number and raw of a frame; raises JournalError for other types."""
    parts = tuple(map(entry.body.get, _FRAME_KEYS))
    if tuple(map(type, parts)) == _FRAME_TYPES:
        return parts  # type: ignore[return-value]  # the line above is the type check
    return (
        _text(entry, "meter"),
        _text(entry, "source"),
        _count(entry, "session"),
        _count(entry, "number"),
        _text(entry, "raw"),
    )


def _count(entry: Entry, key: str) -> int:
    value = entry.body.get(key)
    if not isinstance(value, int) or isinstance(value, bool):
        raise JournalError(
            f"entry {entry.seq} ({entry.kind}): {key}: found {value!r}, expected a whole number"
        )
    return value


def _bytes(entry: Entry, key: str) -> bytes:
    text = _text(entry, key)
    try:
        return bytes.fromhex(text)
    except ValueError as error:
        raise JournalError(f"entry {entry.seq}: {key}: found {text!r}, expected hex") from error


def _opened(entry: Entry) -> bytes | Refusal | None:
    """What a sealed frame held, or why nothing is taken from it; as `Frame.opened`."""
    if len(entry.body) <= len(_FRAME_KEYS):
        return None  # a shorter way for nearly all
    found = [key for key in _OPENED if key in entry.body]
    if len(found) > 1:
        raise JournalError(f"entry {entry.seq} (frame): found opened and unopened, expected one")
    if not found:
        return None
    text = _text(entry, found[0])
    return Refusal(text) if found[0] == "unopened" else _bytes(entry, "opened")


def _rows(entry: Entry, key: str) -> list[dict[str, object]]:
    value = entry.body.get(key)
    if not isinstance(value, list) or not all(isinstance(row, dict) for row in value):
        raise JournalError(f"entry {entry.seq} ({entry.kind}): {key}: expected a list of objects")
    return value


def _instrument(row: dict[str, object], where: str) -> Instrument | None:
    if "instrument" not in row:
        return None
    return instrument_from_json(row["instrument"], f"{where}: meter {row.get('name')}: instrument")


def _declared(entry: Entry) -> Event:
    answers = entry.body.get("answers")
    if not isinstance(answers, dict) or not all(isinstance(v, str) for v in answers.values()):
        raise JournalError(f"entry {entry.seq} (act): answers: expected an object of texts")
    return Declared(entry.at, entry.seq, _text(entry, "by"), _text(entry, "act"), answers)


def _observed(entry: Entry) -> Event:
    """What a person saw: an answer, or an object of texts read off another instrument."""
    said = entry.body.get("answer")
    if isinstance(said, dict):
        if not all(isinstance(text, str) for text in said.values()):
            raise JournalError(f"entry {entry.seq} (observe): answer: expected an object of texts")
        return Entered(entry.at, entry.seq, _text(entry, "by"), _text(entry, "step"), said)
    by, step, answer = (_text(entry, key) for key in ("by", "step", "answer"))
    return Observed(entry.at, entry.seq, by, step, answer)


def _begun(entry: Entry) -> Event:
    return Begun(entry.at, entry.seq, _text(entry, "by"), _text(entry, "step"))


def _chosen(entry: Entry) -> Event:
    return Chosen(entry.at, entry.seq, _text(entry, "by"), _text(entry, "what"))


def _limited(entry: Entry) -> Event:
    by, step, reason, agreed = (_text(entry, key) for key in ("by", "step", "reason", "agreed"))
    return Limited(entry.at, entry.seq, by, step, reason, agreed)


def _taken_over(entry: Entry) -> Event:
    return TakenOver(entry.at, entry.seq, _text(entry, "by"))


def _restarted(entry: Entry) -> Event:
    return Restarted(entry.at, entry.seq)


def _linked(entry: Entry) -> Event:
    is_up = entry.body.get("up") is True
    return Linked(entry.at, entry.seq, _text(entry, "meter"), is_up, _text(entry, "reason"))
