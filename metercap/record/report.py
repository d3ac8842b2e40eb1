"""The members of a record to a report to read: one PDF, the same bytes from the same record.

It words what the entries and claims say and lays it out; it concludes nothing of its own. What a
person declared is quoted as declared. PDF/A-3a (ISO 19005-3) and PDF/UA-1 (ISO 14289-1).
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any

from metercap import units
from metercap.errors import RecordError
from metercap.meter.register import Papers
from metercap.model import NS_PER_S
from metercap.procedure.description import Act, Step
from metercap.record import plot, seal
from metercap.record.clock_step import clock_steps
from metercap.record.course import breaks, course, line, papers, words
from metercap.record.page import HEADS, LAYOUT, NATURE, checking
from metercap.record.plot import Plot
from metercap.record.told import Job, Readings, Told, read_job, rows_of
from metercap.record.wording import (
    BREAK,
    date_text,
    expectation_text,
    limit_text,
    log_text,
    plain,
    signs,
    span_text,
    time_text,
    unit_text,
    value_text,
)

STANDARDS = ("a-3a", "ua-1")
_MOST_DRAWN = 500  # a finer picture than this shows nothing more on paper
_MOST_LINES = 9  # of one kind on the first pages; the rest stands in the course of the visit
_FAILING = frozenset({"fail", "conditional fail"})
_HOLDING = frozenset({"pass", "conditional pass"})

_RULES = {
    "guarded": "Decided with a guard band of U (ILAC-G8:09/2019, 4.2.3).",
    "simple": "Decided by simple acceptance, as the limit holds an allowance "
    "(ILAC-G8:09/2019, 4.2.1).",
}
_PAPERS = (
    ("serial", "Serial number"),
    ("category", "Category"),
    ("calibrated", "Calibrated"),
    ("due", "Calibration due"),
    ("certificate", "Certificate"),
)


def render(files: Mapping[str, bytes]) -> bytes:
    """Set the report of a record from its members, as PDF; raises RecordError.

    The members are those that stand before the report: job.json, heads, bodies, definitions.
    """
    import typst  # noqa: PLC0415  the largest part of the install, for this function alone

    compile_: Any = typst.compile  # its types leave out the form with several files
    job = read_job(files)
    data = json.dumps(build(job), ensure_ascii=False, sort_keys=True).encode("utf-8")
    try:
        made = compile_(
            {"main": LAYOUT, "report.json": data},
            format="pdf",
            ignore_system_fonts=True,
            pdf_standards=list(STANDARDS),
            timestamp=job.closing.at.utc_ns // NS_PER_S,
        )
    except typst.TypstError as error:
        said = str(error).partition("\n")[0]
        raise RecordError(f"report: cannot be set: {said[:200]!a}") from error
    if not isinstance(made, bytes):
        raise RecordError("report: found several files, expected one")
    return made


# What the page holds


def build(job: Job) -> dict[str, object]:
    """Word a job for the page; every value is text, a list or a table of texts."""
    number, log = job.summary.get("job"), plain(job.summary.get("log"))
    practice = ", practice" if job.summary.get("practice") is True else ""
    return {
        "kind": "Record of electrical tests",
        "title": signs(job.procedure.title).replace(BREAK, ""),
        "author": plain(job.summary.get("who")).replace(BREAK, ""),
        "footer": f"Job {number} of log {log}{practice}: supporting evidence, not a statutory "
        "certificate",
        "nature": list(NATURE),
        "head": HEADS,
        "facts": _facts(job),
        "result": _result(job),
        "counts": _counts(job),
        "notices": [(name, _shortened(lines)) for name, lines in _notices(job) if lines],
        "none": "Nothing: no refusal, no void, no override, no limitation.",
        "cautions": [signs(line) for line in job.procedure.caution],
        "results": {
            "head": ["No.", "Step", "Value", "Limit", "Verdict", "Before that"],
            "rows": [
                *(_result_row(job, *pair) for pair in enumerate(job.procedure.step, 1)),
                *(_relation_row(job, *pair) for pair in job.relations().items()),
            ],
        },
        "proofs": _proofs(job),
        "course": {"head": ["UTC", "What happened"], "rows": list(course(job))},
        "relations": [_relation(job, *pair) for pair in job.relations().items()],
        "steps": [_step(job, *pair) for pair in enumerate(job.procedure.step, 1)],
        "instruments": [_meter(job, row) for row in rows_of(job.opening.body.get("meters"))],
        "clock": _clock(job),
        "definitions": _definitions(job),
        "check": checking(
            f"job-{number}.asice",
            f"{job.heads[0].seq} to {job.heads[-1].seq}",
            str(job.summary.get("root")),
        ),
    }


def _facts(job: Job) -> list[tuple[str, str]]:
    opened, closed = job.opening.at, job.closing.at
    lasted = closed.boot_ns - opened.boot_ns
    if opened.boot != closed.boot:
        lasted = closed.utc_ns - opened.utc_ns
    names = [plain(job.summary.get("who"))]
    names += [plain(found.body.get("by")) for found in job.entries if found.kind == "operator"]
    meters = []
    for row in rows_of(job.opening.body.get("meters")):
        known = row.get("instrument")
        address = f"{row.get('driver')} at {row.get('address')}, not in the register"
        meters.append(plain(known.get("name") if isinstance(known, dict) else address))
    return [
        ("Where", plain(job.summary.get("where"))),
        ("Who", ", then ".join(names)),
        ("When", f"{date_text(opened)} to {date_text(closed)} UTC ({span_text(max(lasted, 0))})"),
        ("What", signs(f"{job.procedure.title} (version {job.procedure.version})")),
        ("Meter", "; ".join(meters)),
        ("Job", f"{job.summary.get('job')} of log {plain(job.summary.get('log'))}"),
        ("Written by", plain(job.summary.get("software"))),
    ]


def _result(job: Job) -> str:
    related = job.relations()
    rows = [*(job.row(step.id) for step in job.procedure.step), *related.values()]
    verdicts = [str(row.get("verdict")) for row in rows]
    what = "steps and relations between them" if related else "steps"
    number = len(verdicts)
    if not number:
        return plain(f"As recorded: {job.summary.get('result')}.")
    holding = sum(verdict in _HOLDING for verdict in verdicts)
    failing = sum(verdict in _FAILING for verdict in verdicts)
    if holding == number:
        steps, more = len(job.procedure.step), len(related)
        also = f", and so do relations between them: {more}" if more else ""
        return f"All {steps} steps hold{also}."
    missing = number - holding - failing
    parts = [f"{holding} of {number} {what} hold"]
    parts += [f"{failing} fail"] if failing else []
    parts += [f"{missing} without a result"] if missing else []
    return f"{', '.join(parts)}."


def _counts(job: Job) -> str:
    found = Counter(str(told.body.get("verdict")) for told in job.of_kind("attempt"))
    attempts = ", ".join(f"{count} {verdict}" for verdict, count in sorted(found.items()))
    reason = plain(job.closing.body.get("reason"))
    total = sum(found.values())
    return (
        f"The job was {reason}. {total} attempts in all ({attempts or 'none'}); every one of them "
        "is listed. Which of them counts follows from the procedure, not from a choice."
    )


def _result_row(job: Job, number: int, step: Step) -> list[str]:
    attempts = job.attempts(step.id)
    last = attempts[-1].body if attempts else {}
    row = job.row(step.id)
    before = [str(told.body.get("verdict")) for told in attempts[:-1]]
    before += [plain(row["why"])] if row.get("why") else []
    return [
        str(number),
        job.title(step.id),
        value_text(last),
        limit_text(last.get("limit")),
        plain(row.get("verdict")),
        "; ".join(before),
    ]


def _relation_row(job: Job, name: str, row: Mapping[str, object]) -> list[str]:
    why = plain(row.get("why", ""))
    return ["", job.title(name), "", "", plain(row.get("verdict")), why]


def _relation(job: Job, name: str, row: Mapping[str, object]) -> dict[str, object]:
    """A relation between steps, each time that it was looked at."""
    told = [told for told in job.of_kind("relation") if told.body.get("relation") == name]
    source = plain(told[-1].body.get("source", "")) if told else ""
    return {
        "title": job.title(name),
        "verdict": plain(row.get("verdict")),
        "why": plain(row.get("why", "")),
        "source": f"Source: {_stopped(source)}" if source else "",
        "lines": [line(job, one) for one in told],
    }


def _shortened(lines: list[str]) -> list[str]:
    rest = len(lines) - _MOST_LINES
    if rest <= 0:
        return lines
    return [*lines[:_MOST_LINES], f"and {rest} more, in the course of the visit below"]


def _notices(job: Job) -> Iterator[tuple[str, list[str]]]:
    """What an auditor wants to see first, each kind with its lines."""
    if job.summary.get("practice") is True:
        yield (
            "Practice job",
            ["Its acts and observations were not made by a person on site. It shows nothing."],
        )
    rows = [(step, job.row(step.id)) for step in job.procedure.step]
    related = job.relations()
    yield (
        "What fails",
        [
            *(job.title(step.id) for step, row in rows if row.get("verdict") in _FAILING),
            *(job.title(name) for name, row in related.items() if row["verdict"] in _FAILING),
        ],
    )
    agreed = {told.body.get("step"): told.body for told in job.of_kind("limitation")}
    yield (
        "Not tested",
        [
            f"{job.title(step.id)}: {plain(row.get('why', 'not reached'))}"
            + (f"; agreed with {plain(agreed[step.id]['agreed'])}" if step.id in agreed else "")
            for step, row in rows
            if row.get("verdict") not in _HOLDING | _FAILING
        ],
    )
    yield "Instruments", _doubted(job)
    repairs = {act.id for act in job.procedure.act if act.offered_after}
    yield (
        "Found at fault, and what was done",
        [line(job, told) for told in job.told if _is_fault(told) or _is_mending(told, repairs)],
    )
    entered = [told for told in job.of_kind("attempt") if "entered" in told.body]
    yield "Read off another instrument, and entered by hand", [line(job, t) for t in entered]
    failed = [told for told in job.of_kind("act") if told.body.get("outcome") != "stands"]
    yield "Declared, and does not hold", [line(job, told) for told in failed]
    for kind, head in (
        ("refusal", "Out of order or incomplete, and refused"),
        ("void", "Void: no longer stood, and had to be done again"),
    ):
        found = job.of_kind(kind)
        yield head, [f"{time_text(told.at)}  {words(job, told)[1]}" for told in found]
    yield "Tries without a verdict", [line(job, told) for told in job.told if _is_undecided(told)]
    yield "Interruptions", [f"{time_text(found.at)}  {text}." for found, text in breaks(job)]
    yield "Clock", _clock_doubts(job)


def _doubted(job: Job) -> list[str]:
    """Meters whose papers are not in order, and those that turned out to be another one."""
    unknown = [
        f"{plain(row.get('name'))}: not in the register, no calibration stated"
        for row in rows_of(job.opening.body.get("meters"))
        if not isinstance(row.get("instrument"), dict)
    ]
    claims = [told.body for told in job.of_kind("instrument", "stranger")]
    return unknown + [papers(body) for body in claims if body.get("papers") != Papers.IN_DATE]


def _is_fault(told: Told) -> bool:
    return told.kind in {"attempt", "relation"} and told.body.get("verdict") in _FAILING


def _is_mending(told: Told, repairs: Collection[str]) -> bool:
    return told.kind == "choice" or (told.kind == "act" and told.body.get("act") in repairs)


def _is_undecided(told: Told) -> bool:
    return told.kind in {"attempt", "relation"} and told.body.get("verdict") == "undecided"


def _proofs(job: Job) -> dict[str, object]:
    """Each pair of acts of which the second repeats answers of the first, and what lay between."""
    acts = {act.id: act for act in job.procedure.act}
    stood: list[Told] = []
    lines = []
    for told in job.of_kind("act"):
        if told.body.get("outcome") != "stands":
            continue
        after = acts.get(str(told.body.get("act")))
        first = _find_first(after, stood) if after else None
        if after is not None and first is not None:
            lines.append(_proof(job, after, stood[first:], told))
        stood.append(told)
    return {
        "say": "Each of these is a declaration by the person named, quoted as it was made. "
        "The recorder neither saw nor checked what the indicator did."
        if lines
        else "None was declared.",
        "lines": lines,
    }


def _find_first(after: Act, stood: Sequence[Told]) -> int | None:
    """Where the act stands that this one repeats."""
    names = {question.same_as for question in after.ask if question.same_as is not None}
    places = [n for n, told in enumerate(stood) if told.body.get("act") in names]
    return places[-1] if places else None


def _proof(job: Job, after: Act, stood: Sequence[Told], last: Told) -> str:
    answers = last.body.get("answers")
    same = [
        f"{question.field.replace('-', ' ')}: {plain(answers.get(question.field))}"
        for question in after.ask
        if question.same_as is not None and isinstance(answers, Mapping)
    ]
    between = [
        f"{job.title(told.body.get('act'))} ({time_text(told.at)})"
        for told in stood[1:]
        if told.body.get("act") != stood[0].body.get("act")
    ]
    first = stood[0]
    return (
        f"{plain(last.body.get('by'))} declared \u201c{job.title(first.body.get('act'))}\u201d at "
        f"{date_text(first.at)} UTC and \u201c{job.title(after.id)}\u201d at {time_text(last.at)}, "
        f"both times with {', '.join(same)}. In between, as declared: {'; '.join(between)}."
    )


def _step(job: Job, number: int, step: Step) -> dict[str, object]:
    row = job.row(step.id)
    return {
        "title": f"{number}. {job.title(step.id)}",
        "verdict": plain(row.get("verdict")),
        "why": plain(row.get("why", "")),
        "expect": f"Expected: {expectation_text(step, job.titles)}.",
        "do": signs(step.do),
        "source": f"Source: {_stopped(signs(step.source))}",
        "caution": f"Caution: {signs(step.caution)}" if step.caution else "",
        "attempts": [_attempt(job, told) for told in job.attempts(step.id)],
    }


def _attempt(job: Job, told: Told) -> dict[str, object]:
    body = told.body
    limit = limit_text(body.get("limit"))
    step = job.procedure.find_step(str(body.get("step")))
    svg, alt = _picture(job.points.get(told.seq), body, step)
    return {
        "title": f"Attempt {body.get('attempt')}, {date_text(told.at)} UTC, "
        f"{plain(body.get('by'))}:",
        "verdict": plain(body.get("verdict")),
        "value": value_text(body),
        "limit": limit,
        "why": signs(body.get("why", "")),
        "svg": svg,
        "alt": alt,
        "lines": [
            *_sentences(body),
            *_meter_of(job, step, body),
            *_legend(job.points.get(told.seq)),
            _clock_at(job, told),
        ],
        "days": [
            f"{plain(day.body.get('day'))}: {log_text(day.body, day.body.get('unit'))}"
            for day in job.of_kind("log")
            if day.body.get("step") == body.get("step") and _is_within(day, told)
        ],
    }


def _is_within(day: Told, attempt: Told) -> bool:
    opened = attempt.body.get("opened")
    return isinstance(opened, int) and opened <= day.seq <= attempt.seq


def _sentences(body: Mapping[str, object]) -> Iterator[str]:
    if body.get("sentence"):
        text = signs(body["sentence"])
        yield _stopped(f"{text[:1].upper()}{text[1:]}")
    if "null" in body:
        yield signs(
            f"The leads' own {body['null']} {body.get('unit')} is taken off, in the picture too."
        )
    if body.get("rule") in _RULES:
        likely = body.get("probability")
        yield _RULES[str(body["rule"])]
        if likely is not None:
            yield f"Probability that the true value is within: {likely} (JCGM 106:2012)."
    yield from _source_of(body)


def _meter_of(job: Job, step: Step | None, body: Mapping[str, object]) -> Iterator[str]:
    """The very instrument of an attempt that a meter was asked for, and its calibration."""
    rows = rows_of(job.opening.body.get("meters"))
    names = [row for row in rows if step and step.meter in {None, row.get("name")}]
    if not names or "answer" in body or "entered" in body:
        return
    known = names[0].get("instrument")
    if not isinstance(known, dict):
        yield f"Instrument: {plain(names[0].get('name'))}, no calibration stated."
        return
    due = f"calibration due {plain(known['due'])}" if "due" in known else "no calibration stated"
    yield f"Instrument: {plain(known.get('name'))}, {due}."


def _source_of(body: Mapping[str, object]) -> Iterator[str]:
    """Where the value of an attempt comes from."""
    if "function" in body:
        limit = body.get("accuracy")
        yield plain(f"Meter function {body['function']}, limit of error {limit}.")
    if body.get("breaks"):
        yield plain(f"Breaks of contact: {body['breaks']}.")
    entered = body.get("entered")
    if isinstance(entered, Mapping):
        said = "; ".join(f"{name}: {plain(text)}" for name, text in entered.items())
        yield f"Not captured: entered by hand from another instrument ({said})."
    if isinstance(body.get("indicative"), str):
        yield f"Indicative; does not replace: {_stopped(signs(body['indicative']))}"
    if "answer" in body:
        yield "Seen and answered by the person; no meter was asked."
    if body.get("caution") and str(body["caution"]) not in str(body.get("sentence")):
        yield f"Caution: {_stopped(signs(body['caution']))}"


def _legend(readings: Readings | None) -> Iterator[str]:
    if readings is not None and any(point.value is None for point in readings.points):
        yield "Triangles at the top of the picture are readings over the range."


def _clock_at(job: Job, told: Told) -> str:
    opened = body if isinstance(body := told.body.get("opened"), int) else told.seq
    during = job.between(opened, told.seq)
    unsynced = sum(not found.at.synced for found in during)
    if not unsynced:
        return "Clock synchronised throughout."
    return f"Clock not synchronised in {unsynced} of {len(during)} entries."


def _picture(
    readings: Readings | None, body: Mapping[str, object], step: Step | None
) -> tuple[str, str]:
    """The plot of an attempt as SVG, and its alternative text; nothing without readings."""
    if readings is None or not readings.points or readings.unit is None:
        return "", ""
    null = body.get("null")
    leads = float(null) if isinstance(null, str) else 0.0
    points = [
        point if point.value is None else point._replace(value=point.value - leads)
        for point in readings.points
    ]
    if len(points) > _MOST_DRAWN:
        points = plot.thin(points, _MOST_DRAWN // 2)
    low, high = _limits(body.get("limit"), readings.unit, step)
    window = body.get("window")
    times = [
        readings.times.get(window[name])
        for name in ("from", "to")
        if isinstance(window, Mapping) and isinstance(window.get(name), int)
    ]
    found = [t_ns for t_ns in times if t_ns is not None]
    drawn = Plot(
        points=points,
        unit=unit_text(readings.unit),
        low=low,
        high=high,
        window=(found[0], found[1]) if len(found) == len(("from", "to")) else None,
        top=readings.top if all(point.value is None for point in points) else None,
    )
    return plot.draw(drawn), plot.alt_text(drawn, readings.count)


def _limits(limit: object, unit: str, step: Step | None) -> tuple[float | None, float | None]:
    """Limits to be drawn, in `unit`: those that were judged by, or those that would have been."""
    if isinstance(limit, Mapping):
        if "overload" in limit:
            return _limit(limit["overload"], unit), None
        return _limit(limit.get("low"), unit), _limit(limit.get("high"), unit)
    if step is None or step.expect is None or not step.expect.has_limits:
        return None, None
    low, high, own = step.expect.limits()
    return _limit(low and f"{low:f} {own}", unit), _limit(high and f"{high:f} {own}", unit)


def _limit(amount: object, unit: str) -> float | None:
    if not isinstance(amount, str):
        return None
    number, own = units.parse_amount(amount)
    return float(units.convert(number, own, unit))


def _meter(job: Job, row: Mapping[str, object]) -> dict[str, object]:
    instrument = row.get("instrument")
    known = instrument if isinstance(instrument, dict) else {}
    name = row.get("name")
    rows = [("Address", plain(row.get("address"))), ("Driver", plain(row.get("driver")))]
    rows += [(head, plain(known[key])) for key, head in _PAPERS if key in known]
    said = [told.body for told in job.of_kind("instrument") if told.body.get("meter") == name]
    stated = str(said[0].get("papers")) if said else "not in the register: no calibration stated"
    rows.append(("Papers", plain(stated)))
    if said and "override" in said[0]:
        rows.append(("Used all the same", plain(said[0]["override"])))
    told = _facts_told(job, name)
    if told:
        rows.append(("Says of itself", told))
    return {"title": plain(known.get("name", name)), "rows": rows}


def _facts_told(job: Job, meter: object) -> str:
    for found in job.entries:
        facts = found.body.get("facts")
        if found.kind == "link" and found.body.get("meter") == meter and isinstance(facts, dict):
            said = "; ".join(f"{plain(key)} {plain(value)}" for key, value in facts.items())
            if said:
                return said
    return ""


def _clock(job: Job) -> list[str]:
    number, boots = len(job.moments), len({found.at.boot for found in job.moments})
    doubts = _clock_doubts(job)
    if not doubts:
        doubts = [f"It was held to be synchronised at each of the {number} entries of this job."]
    again = f" The recorder was started {boots} times during the job." if boots > 1 else ""
    return [
        *doubts,
        (
            "All times are UTC by the recorder's own clock. How far apart two readings are is told "
            f"by a second clock that nobody can set.{again} Only a time-stamp (RFC 3161) in the "
            "record, if there is one, is proof of time from outside."
        ),
    ]


def _clock_doubts(job: Job) -> list[str]:
    unsynced = sum(not found.at.synced for found in job.moments)
    number = len(job.moments)
    lines = []
    if unsynced:
        lines.append(
            f"The clock was not synchronised in {unsynced} of {number} entries: dates are the "
            "recorder's own."
        )
    return lines + clock_steps(job.heads)


def _definitions(job: Job) -> list[tuple[str, str]]:
    procedure = seal.read_opening(job.entries).procedure
    drivers = seal.read_opening(job.entries).drivers
    version = plain(job.procedure.version)
    out = [(f"Procedure {plain(procedure[0])}, version {version}, SHA-256:", procedure[1])]
    out += [(f"Driver {plain(name)}, SHA-256:", digest) for name, digest in drivers]
    guards = [
        (
            signs(f"Watched all along: {guard.quantity} {guard.mode} above {guard.above}. ")
            + f"Source: {_stopped(signs(guard.source))}",
            "",
        )
        for guard in job.procedure.guard
    ]
    return out + guards


def _stopped(text: str) -> str:
    return text if text.endswith(".") else f"{text}."
