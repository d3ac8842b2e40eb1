"""The members of a record to what a report tells: claims with their times, readings by attempt.

Readings are derived again from the frames. It words nothing and concludes nothing.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from typing import NamedTuple

from metercap import units
from metercap.derive import Derivation, Shown
from metercap.errors import RecordError
from metercap.journal import canonical, entry
from metercap.journal.entry import CLAIM, Entry, Head
from metercap.model import Instant, Reading, Status
from metercap.procedure.description import Procedure
from metercap.record import plot, seal
from metercap.record.plot import Point
from metercap.record.wording import plain, signs

# A picture with more points is thinned out to three in each of so many parts of its time.
_MOST_POINTS, _PARTS = 2000, 500


class Told(NamedTuple):
    """A claim, and when its cause happened."""

    at: Instant
    seq: int
    body: dict[str, object]

    @property
    def kind(self) -> str:
        """Of what it is a claim."""
        return str(self.body.get("claim"))


class Moment(NamedTuple):
    """When an entry was written."""

    seq: int
    at: Instant


class Job(NamedTuple):
    """A job as it is reported.

    `entries` are all but the frames, `moments` the times of all; `points` holds the readings of
    each attempt, by the cause's seq.
    """

    summary: Mapping[str, object]
    entries: Sequence[Entry]
    moments: Sequence[Moment]
    heads: Sequence[Head]
    told: Sequence[Told]
    procedure: Procedure
    titles: Mapping[str, str]
    points: Mapping[int, Readings]

    @property
    def opening(self) -> Entry:
        """The first entry."""
        return self.entries[0]

    @property
    def closing(self) -> Entry:
        """The last entry."""
        return self.entries[-1]

    def between(self, first: int, last: int) -> Sequence[Moment]:
        """When the job's entries with these numbers and those between were written."""
        begin = bisect_left(self.moments, first, key=lambda moment: moment.seq)
        return self.moments[begin : bisect_right(self.moments, last, key=lambda one: one.seq)]

    def of_kind(self, *kinds: str) -> list[Told]:
        """Claims of these kinds, in order."""
        return [told for told in self.told if told.kind in kinds]

    def attempts(self, step: str) -> list[Told]:
        """Every attempt at a step, in order."""
        return [told for told in self.of_kind("attempt") if told.body.get("step") == step]

    def title(self, name: object) -> str:
        """The title of a step, an act or a relation, by its id."""
        return self.titles.get(str(name), plain(name))

    def row(self, step: str) -> Mapping[str, object]:
        """What the summary says of a step: `verdict`, and `why` where it has none."""
        steps = self.summary.get("steps")
        row = steps.get(step) if isinstance(steps, dict) else None
        return row if isinstance(row, dict) else {"verdict": "not tested"}

    def relations(self) -> dict[str, Mapping[str, object]]:
        """What the summary says of each relation between steps, by its id: as `row`."""
        last = self.of_kind("job")
        found = last[-1].body.get("relations") if last else None
        rows = found.items() if isinstance(found, dict) else ()
        return {name: row for name, row in rows if isinstance(row, dict)}


class Readings:
    """The readings of one attempt, thinned out as they grow many."""

    def __init__(self) -> None:
        self.count = 0
        self.points: list[Point] = []
        self.unit: str | None = None
        self.top: float | None = None
        self.times: dict[int, int] = {}

    def add(self, shown: Shown, reading: Reading, unit: str) -> None:
        """Take one reading, in `unit`."""
        value: float | None = None
        if reading.status is Status.OK and reading.value is not None:
            value = _convert(reading.value, reading.unit, unit)
        elif reading.ceiling is not None:
            self.top = _convert(reading.ceiling, reading.unit, unit)
        self.unit = unit
        self.count += 1
        self.points.append(Point(shown.at.boot_ns, value))
        if len(self.points) > _MOST_POINTS:
            self.points = plot.thin(self.points, _PARTS)


def read_job(files: Mapping[str, bytes]) -> Job:
    """Read a job from its members and derive its readings again."""
    summary = canonical.loads(files["job.json"])
    if not isinstance(summary, dict):
        raise RecordError("job.json: no object")
    number = summary.get("job")
    heads = [entry.read_head(line) for line in files["heads.jsonl"].splitlines()]
    disclosed = [head for head in heads if head.job in {number, entry.DEVICE_JOB}]
    pairs = zip(disclosed, files["bodies.jsonl"].splitlines(), strict=True)
    own = [(head, body) for head, body in pairs if head.job == number]
    # Frames are most of a job, and are read only one by one.
    entries = [entry.read_body(head, body) for head, body in own if head.kind != "frame"]
    times = {head.seq: head.at for head, _ in own}
    told = [_tell(found, times) for found in entries if found.kind == CLAIM]
    derivation = Derivation()
    every = (entry.read_body(head, body) for head, body in own if head.kind != CLAIM)
    points = _gather(every, told, derivation)
    if derivation.procedure is None:
        raise RecordError(f"job {number}: no procedure among its entries")
    titles = {item.id: signs(item.title) for item in derivation.procedure.act}
    titles |= {item.id: signs(item.title) for item in derivation.procedure.step}
    for found in seal.read_definitions(entries):
        if found.what == "procedure" and isinstance(found.value, dict):
            for row in rows_of(found.value.get("relation")):
                titles[str(row.get("id"))] = signs(row.get("title"))
    moments = [Moment(head.seq, head.at) for head, _ in own]
    return Job(summary, entries, moments, heads, told, derivation.procedure, titles, points)


def _tell(found: Entry, times: Mapping[int, Instant]) -> Told:
    cause = found.body.get("cause")
    seq = cause if isinstance(cause, int) else found.seq
    return Told(times.get(seq, found.at), seq, found.body)


def _gather(
    entries: Iterable[Entry], told: Iterable[Told], derivation: Derivation
) -> dict[int, Readings]:
    """Derive the job from its inputs; the readings of each attempt, by the cause of its claim."""
    spans = [
        (opened, claim.seq, claim.body)
        for claim in told
        if claim.kind == "attempt" and isinstance(opened := claim.body.get("opened"), int)
    ]
    out: dict[int, Readings] = {}
    place = 0
    for found in entries:
        effects = derivation.feed(found)
        while place < len(spans) and spans[place][1] < found.seq:
            place += 1
        if place == len(spans) or found.seq < spans[place][0]:
            continue
        _, cause, body = spans[place]
        for shown in effects:
            if isinstance(shown, Shown) and isinstance(shown.outcome, Reading) and shown.fresh:
                _keep(out.setdefault(cause, Readings()), shown, body, derivation)
    return out


def _keep(
    readings: Readings, shown: Shown, body: Mapping[str, object], derivation: Derivation
) -> None:
    """Keep one reading if it is of what the step measures."""
    procedure, reading = derivation.procedure, shown.outcome
    step = procedure.find_step(str(body.get("step"))) if procedure else None
    if step is None or not isinstance(reading, Reading) or step.meter not in {None, shown.meter}:
        return
    wanted = (step.quantity, step.coupling, step.channel)
    if (reading.quantity, reading.coupling, reading.channel) != wanted:
        return
    unit = body.get("unit") or readings.unit or reading.unit
    window = body.get("window")
    if isinstance(window, Mapping) and shown.seq in {window.get("from"), window.get("to")}:
        readings.times[shown.seq] = shown.at.boot_ns
    readings.add(shown, reading, str(unit))


def _convert(number: str, unit_from: str, unit_to: str) -> float:
    amount = Decimal(number)
    if unit_from != unit_to:
        amount = units.convert(amount, unit_from, unit_to)
    return float(amount)


def rows_of(value: object) -> list[dict[str, object]]:
    """The objects of a list; none where it is no list."""
    return [row for row in value if isinstance(row, dict)] if isinstance(value, list) else []
