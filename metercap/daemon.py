"""One inbox, one consumer, one order of writes: frames and acts to the journal, then to `derive`.

What arrives is on disk before anybody believes it, and what is concluded from it is on disk before
anybody is told. It opens no radio and draws no screen.
"""

from __future__ import annotations

import asyncio
import contextlib
import platform
import sqlite3
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import NamedTuple

from metercap import __version__
from metercap.derive import RULES, Derivation, Shown
from metercap.errors import JournalError, OperatorError
from metercap.journal import canonical, merkle
from metercap.journal.entry import CLAIM, DEVICE_JOB, Draft
from metercap.journal.store import Journal, Writer
from metercap.meter.description import Driver, driver_to_json
from metercap.meter.register import Instrument, Papers, instrument_to_json
from metercap.model import NS_PER_S, Frame, Instant, LinkChange, Refusal
from metercap.procedure.description import Limits, Procedure, procedure_to_json
from metercap.sequence.effect import Ask, Claim, Effect

MOST_WAITING = 10_000  # a full inbox counts what it loses rather than grow without end
GROUP_S = 0.2  # frames wait this long for others, so that a card is not worn by one commit each
CLOCK_STEP_NS = NS_PER_S // 2
# At 100 millionths, ten minutes between anchors add 60 ms to the doubt about the time, and a minute
# 6 ms, which is less than what a network leaves.
ANCHOR_NS = 600 * NS_PER_S
ATTEMPT_ANCHOR_NS = 60 * NS_PER_S

Listener = Callable[[Effect | Shown], None]
Notary = Callable[[str, merkle.Frontier], str]
"""Signs a checkpoint over a log of that name and frontier; gives the note."""

SOFTWARE = f"metercap {__version__}"


class DeclaredMeter(NamedTuple):
    """A meter of the job: its name within the job, its address, and the driver that reads it.

    `instrument` is what the register says of it. `override` is the reason why it is used although
    it is overdue.
    """

    name: str
    address: str
    driver: Driver
    instrument: Instrument | None = None
    override: str = ""


def frame_body(frame: Frame) -> dict[str, object]:
    """A frame as the journal holds it.

    "opened" or "unopened" stand there only where a key came in: what the raw bytes were decrypted
    to, or why nothing is taken from them. The key is never written.
    """
    body: dict[str, object] = {
        "meter": frame.meter,
        "source": frame.source,
        "session": frame.session,
        "number": frame.number,
        "raw": frame.data.hex(),
    }
    match frame.opened:
        case Refusal(reason):
            body["unopened"] = reason
        case bytes() as opened:
            body["opened"] = opened.hex()
    return body


def link_body(change: LinkChange) -> dict[str, object]:
    """A change of the link as the journal holds it."""
    return {
        "meter": change.meter,
        "session": change.session,
        "up": change.up,
        "reason": change.reason,
        "facts": dict(change.facts),
    }


class Daemon:
    """One job at a time, from its opening to its closing.

    `error_us` tells how far off the wall clock may be, in microseconds; without it no anchors are
    written.
    """

    def __init__(
        self,
        writer: Writer,
        now: Callable[[], Instant],
        listener: Listener,
        notary: Notary | None = None,
        error_us: Callable[[], int | None] | None = None,
    ) -> None:
        self._writer = writer
        self._notary = notary
        self._error_us = error_us
        self._now = now
        self._listener = listener
        self._derivation = Derivation()
        self._inbox: deque[Draft] = deque()
        self._lost: dict[str, int] = {}
        self._awake = asyncio.Event()
        self._urgent = asyncio.Event()
        self._turn = asyncio.Lock()
        self._clock: tuple[str, int] | None = None
        self._anchored: Instant | None = None
        self._is_sealed = False
        self.job = 0

    @property
    def asked(self) -> Ask:
        """What the sequence waits for; nothing before a job is open."""
        walk = self._derivation.walk
        return walk.asked if walk is not None else Ask("close", "")

    @property
    def wanted(self) -> Limits | None:
        """What the measured step at hand is held against."""
        walk = self._derivation.walk
        return walk.wanted if walk is not None else None

    @property
    def ending(self) -> str | None:
        """How the job ended; None while it goes on."""
        return self._derivation.ending

    async def start(self) -> None:
        """Write that this recorder has started, with what it runs on."""
        body: dict[str, object] = {
            "software": SOFTWARE,
            "python": platform.python_version(),
            "sqlite": sqlite3.sqlite_version,
            "kernel": f"{platform.system()} {platform.release()}",
            "unclean": self._writer.unclean,
        }
        await self._writer.append([Draft(DEVICE_JOB, "boot", self._now(), body)])

    async def open_job(
        self,
        procedure: Procedure,
        meters: Sequence[DeclaredMeter],
        *,
        who: str,
        where: str,
        practice: bool,
        simulated: str | None = None,
    ) -> int:
        """Open a job and pin its procedure and drivers in the journal; the answer is its number.

        `simulated` says which fault a simulated circuit hides: such a job is never a record.

        Raises OperatorError where an instrument is overdue and nobody says why it is used all the
        same, and where a step wants a meter that the job has not.
        """
        _check_meters(procedure, meters, self._now())
        self.job = await self._writer.call(lambda journal: journal.next_job())
        drivers = {meter.driver.id: driver_to_json(meter.driver) for meter in meters}
        whole = procedure_to_json(procedure)
        at = self._now()
        body: dict[str, object] = {
            "who": who,
            "where": where,
            "procedure": _pin(procedure.id, whole),
            "drivers": [_pin(name, definition) for name, definition in drivers.items()],
            "meters": [_meter_body(meter) for meter in meters],
            "practice": practice,
            "rules": RULES,
            "software": SOFTWARE,
            **({} if simulated is None else {"simulated": simulated}),
        }
        drafts = [
            Draft(self.job, "job.open", at, body),
            Draft(self.job, "definition", at, _definition("procedure", procedure.id, whole)),
            *(
                Draft(self.job, "definition", at, _definition("driver", name, definition))
                for name, definition in drivers.items()
            ),
        ]
        await self._commit(drafts)
        await self._checkpoint()
        return self.job

    async def resume_job(self, job: int) -> None:
        """Take up a job that was left open: derive it anew, write what is missing, and say so.

        Raises JournalError where the journal's claims are not those its entries lead to, and
        OperatorError where the job is closed.
        """
        self._derivation, kept = await self._writer.call(lambda journal: _replay(journal, job))
        self.job = job
        derived = self._derivation.claims
        if kept != derived[: len(kept)]:
            raise JournalError(f"job {job}: its claims are not those that its entries lead to")
        at = self._now()
        missing = [Draft(job, CLAIM, at, body) for body in derived[len(kept) :]]
        if missing:
            await self._writer.append(missing)
        ending = self._derivation.ending
        if ending is not None:  # it fell between the last claim and the closing entry
            await self._seal(ending)
        else:
            await self._commit([Draft(job, "restart", at, {})])

    def put(self, item: Frame | LinkChange) -> None:
        """Take what a link hands over; never waits, and counts what a full inbox loses.

        What comes after the last entry of a job belongs to no job and is let go.
        """
        if self._is_sealed:
            return
        if len(self._inbox) >= MOST_WAITING:
            self._lost[item.meter] = self._lost.get(item.meter, 0) + 1
            return
        if isinstance(item, Frame):
            draft = Draft(self.job, "frame", item.at, frame_body(item))
        else:
            draft = Draft(self.job, "link", item.at, link_body(item))
            self._urgent.set()
        self._inbox.append(draft)
        self._awake.set()

    async def tell(self, kind: str, body: Mapping[str, object]) -> None:
        """Take what a person does; returns once it is on disk and its effects have been told."""
        self._inbox.append(Draft(self.job, kind, self._now(), dict(body)))
        await self.flush()

    async def flush(self) -> None:
        """Write and derive everything that waits, now.

        Whoever is cancelled meanwhile still waits for the end: what is on disk and never derived
        would leave claims that nobody can reach again from the journal.
        """
        async with self._turn:
            whole = asyncio.ensure_future(self._take_all())
            try:
                await asyncio.shield(whole)
            except asyncio.CancelledError:
                await asyncio.wait({whole})
                whole.result()
                raise

    async def run(self) -> None:
        """Consume the inbox until cancelled, in groups of at most `GROUP_S`."""
        while True:
            await self._awake.wait()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(GROUP_S):
                    await self._urgent.wait()
            await self.flush()

    async def close_job(self, ending: str) -> None:
        """Close the job; `ending` is "finish" or "abandon", as the person at work chose."""
        if self._derivation.walk is None:
            raise OperatorError("job: none is open")
        await self.tell("choose", {"by": self._derivation.walk.operator, "what": ending})

    def next_session(self, meter: str) -> int:
        """The number that the next connection to a meter must have."""
        return self._derivation.session_of(meter) + 1

    async def _seal(self, reason: str) -> None:
        """Write the last entry of the job, with the totals that a verifier counts again."""
        body: dict[str, object] = {
            "reason": reason,
            "frames": self._derivation.frames,
            "claims": len(self._derivation.claims),
        }
        self._is_sealed = True
        anchors = self._anchor(self._now(), ATTEMPT_ANCHOR_NS)
        await self._writer.append([*anchors, Draft(self.job, "job.close", self._now(), body)])
        await self._checkpoint()

    async def _checkpoint(self) -> None:
        """Sign the log as it stands, so that nothing before can be made anew without its showing.

        This holds against whoever gets the disk later; only a checkpoint that has left this
        machine holds against whoever has its key too.
        """
        if self._notary is None:
            return
        tip = await self._writer.call(lambda journal: journal.tip())
        body: dict[str, object] = {"note": self._notary(self._writer.log, tip)}
        await self._writer.append([Draft(DEVICE_JOB, "checkpoint", self._now(), body)])

    async def _take_all(self) -> None:
        self._awake.clear()
        self._urgent.clear()
        drafts = list(self._inbox)
        self._inbox.clear()
        if self._is_sealed:
            return
        lost, self._lost = self._lost, {}
        if lost:
            drafts += [
                Draft(self.job, "loss", self._now(), {"meter": meter, "count": count})
                for meter, count in lost.items()
            ]
        if drafts:
            await self._commit(list(self._with_clock_steps(drafts)))
        if self.ending is not None and not self._is_sealed:
            await self._seal(self.ending)

    def _with_clock_steps(self, drafts: Iterable[Draft]) -> Iterable[Draft]:
        """Put an entry before each draft whose wall clock has jumped against the boot clock."""
        for draft in drafts:
            offset_ns = draft.at.utc_ns - draft.at.boot_ns
            if self._clock is not None and self._clock[0] == draft.at.boot:
                step_ns = offset_ns - self._clock[1]
                if abs(step_ns) > CLOCK_STEP_NS:
                    body: dict[str, object] = {"moved_ms": step_ns // 1_000_000}
                    yield Draft(self.job, "clock", draft.at, body)
            self._clock = (draft.at.boot, offset_ns)
            yield draft

    async def _commit(self, drafts: Sequence[Draft]) -> None:
        """Append the drafts, derive, append the claims, and only then tell anybody."""
        effects: list[Effect | Shown] = []
        anchors = self._anchor(drafts[-1].at, ANCHOR_NS)
        for entry in await self._writer.append([*drafts, *anchors]):
            effects += self._derivation.feed(entry)
        claims = [effect.body for effect in effects if isinstance(effect, Claim)]
        is_result = any(body.get("claim") in {"attempt", "log"} for body in claims)
        if claims:
            at = self._now()
            written = [Draft(self.job, CLAIM, at, body) for body in claims]
            anchors = self._anchor(at, ATTEMPT_ANCHOR_NS) if is_result else []
            await self._writer.append([*written, *anchors])
        if is_result:
            await self._checkpoint()
        self._publish(effects)

    def _anchor(self, at: Instant, interval_ns: int) -> list[Draft]:
        """Say how far off the wall clock may be, once the last time is `interval_ns` ago.

        Also at once in another boot, and where the clock has been found right or was set meanwhile.
        """
        if self._error_us is None or not _is_anchor_due(self._anchored, at, interval_ns):
            return []
        error_us = self._error_us()
        if error_us is None:
            return []
        self._anchored = self._now()
        body: dict[str, object] = {"error_us": error_us, "source": "kernel"}
        return [Draft(DEVICE_JOB, "anchor", self._anchored, body)]

    def _publish(self, effects: Iterable[Effect | Shown]) -> None:
        for effect in effects:
            self._listener(effect)


def _replay(journal: Journal, job: int) -> tuple[Derivation, list[dict[str, object]]]:
    """Derive an open job from its entries, one at a time; and the claims that are kept of it."""
    derivation, kept, last = Derivation(), list[dict[str, object]](), ""
    for entry in journal.entries(job):  # a week's log has millions
        last = entry.kind
        if last == CLAIM:
            kept.append(entry.body)
        else:
            derivation.feed(entry)
    if not last:
        raise OperatorError(f"job {job}: not in this journal")
    if last == "job.close":
        raise OperatorError(f"job {job}: closed, expected one that was left open")
    return derivation, kept


def _is_anchor_due(last: Instant | None, at: Instant, interval_ns: int) -> bool:
    if last is None or last.boot != at.boot or (at.synced and not last.synced):
        return True
    passed_ns = at.boot_ns - last.boot_ns
    moved_ns = at.utc_ns - last.utc_ns - passed_ns
    return passed_ns >= interval_ns or abs(moved_ns) > CLOCK_STEP_NS


def _meter_body(meter: DeclaredMeter) -> dict[str, object]:
    body: dict[str, object] = {
        "name": meter.name,
        "address": meter.address,
        "driver": meter.driver.id,
    }
    if meter.instrument is not None:
        body["instrument"] = instrument_to_json(meter.instrument)
    if meter.override:
        body["override"] = meter.override
    return body


def _check_meters(procedure: Procedure, meters: Sequence[DeclaredMeter], at: Instant) -> None:
    for meter in meters:
        instrument = meter.instrument
        is_overdue = instrument is not None and instrument.papers(at) is Papers.OVERDUE
        if instrument is not None and is_overdue and not meter.override:
            raise OperatorError(
                f"{instrument.name}: calibration was due on {instrument.due}, expected one in "
                "date, or a reason to use it all the same"
            )
    names = {meter.name for meter in meters}
    for step in procedure.step:
        if step.meter is not None and step.meter not in names:
            raise OperatorError(
                f"step {step.id}: meter {step.meter}: found {', '.join(sorted(names))}, expected "
                f"one given as {step.meter}=ADDRESS"
            )


def _pin(name: str, definition: dict[str, object]) -> dict[str, str]:
    return {"id": name, "sha256": canonical.digest(canonical.dumps(definition))}


def _definition(what: str, name: str, definition: dict[str, object]) -> dict[str, object]:
    return {"what": what, "id": name, "definition": definition}
