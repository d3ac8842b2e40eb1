"""Claims of a job, and what broke off, to lines of text: singly, and in the order of time.

What a person declared is worded as declared.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

from metercap.journal.entry import Entry
from metercap.record.told import Job, Told, rows_of
from metercap.record.wording import (
    date_text,
    limit_text,
    log_text,
    plain,
    signs,
    time_text,
    value_text,
)

Words = tuple[str, str]
"""What leads a line and is set apart ("R. Ashdown declared:"), and what follows."""


def words(job: Job, told: Told) -> Words:
    """A claim in words."""
    write = _WORDS.get(told.kind)
    return write(job, told.body) if write else ("", plain(told.kind))


def line(job: Job, told: Told) -> str:
    """A claim as one line that begins with the time."""
    return f"{time_text(told.at)}  {' '.join(filter(None, words(job, told)))}"


def papers(body: Mapping[str, object]) -> str:
    """What is claimed of an instrument: its papers, or that another one answers."""
    if body.get("claim") == "stranger":
        return f"Another meter answers as {plain(body.get('meter'))}: {plain(body.get('why'))}"
    name = plain(body.get("instrument", body.get("meter")))
    due = f" (calibration due {plain(body['due'])})" if "due" in body else ""
    why = f"; used all the same: {plain(body['override'])}" if "override" in body else ""
    return f"{name}: {plain(body.get('papers'))}{due}{why}"


def breaks(job: Job) -> Iterator[tuple[Entry, str]]:
    """Tell of lost links, lost frames, restarts and changes of person."""
    for found in job.entries:
        body = found.body
        if found.kind == "link" and body.get("up") is not True:
            yield found, f"Link to {plain(body.get('meter'))} lost: {plain(body.get('reason'))}"
        elif found.kind == "loss":
            yield found, f"Frames lost: {plain(body.get('count', 'unknown number'))}"
        elif found.kind == "restart":
            yield found, "The recorder started again"
        elif found.kind == "operator":
            yield found, f"{plain(body.get('by'))} took over"


def _act(job: Job, body: Mapping[str, object]) -> Words:
    by = plain(body.get("by"))
    stands = body.get("outcome") == "stands"
    does = "declared" if stands else "declared, and it does not hold"
    return f"{by} {does}:", f"{job.title(body.get('act'))}{_said(body)}."


def _attempt(job: Job, body: Mapping[str, object]) -> Words:
    why = signs(body.get("why", ""))
    limit = limit_text(body.get("limit"))
    text = f"{job.title(body.get('step'))}, attempt {body.get('attempt')}: "
    found = [str(body.get("verdict")), value_text(body), f"({limit})" if limit else ""]
    return "", f"{text}{' '.join(filter(None, found))}{f'; {why}' if why else ''}."


def _void(job: Job, body: Mapping[str, object]) -> Words:
    why = signs(body.get("why", ""))
    what = body.get("what")
    names = [job.title(name) for name in what] if isinstance(what, list) else []
    return "No longer stands:", f"{'; '.join(names)} ({why})."


def _refusal(job: Job, body: Mapping[str, object]) -> Words:
    why = signs(body.get("why", ""))
    return "Refused:", f"{job.title(body.get('what'))}: {why}."


def _limitation(job: Job, body: Mapping[str, object]) -> Words:
    why = signs(body.get("why", ""))
    agreed = plain(body.get("agreed"))
    return "Not tested:", f"{job.title(body.get('step'))}: {why}; agreed with {agreed}."


def _choice(job: Job, body: Mapping[str, object]) -> Words:
    by = plain(body.get("by"))
    what = body.get("what")
    chosen = "try it again" if what == "again" else job.title(what)
    return f"{by} chose,", f"after {job.title(body.get('after'))}: {chosen}."


def _relation(job: Job, body: Mapping[str, object]) -> Words:
    why = signs(body.get("why", ""))
    text = f"{job.title(body.get('relation'))}: {plain(body.get('verdict'))}"
    said = [signs(row.get("sentence", "")) for row in rows_of(body.get("checks"))]
    return "", f"{'; '.join(filter(None, [text, why, *said]))}."


def _log(job: Job, body: Mapping[str, object]) -> Words:
    day = log_text(body, body.get("unit"))
    return "", f"{job.title(body.get('step'))}, {plain(body.get('day'))}: {day}."


def _meter(_job: Job, body: Mapping[str, object]) -> Words:
    return "", f"{papers(body)}."


def _job(_job: Job, body: Mapping[str, object]) -> Words:
    return "", f"The job was {plain(body.get('reason'))}: {plain(body.get('result'))}."


_WORDS: dict[str, Callable[[Job, Mapping[str, object]], Words]] = {
    "act": _act,
    "attempt": _attempt,
    "void": _void,
    "refusal": _refusal,
    "limitation": _limitation,
    "choice": _choice,
    "relation": _relation,
    "log": _log,
    "instrument": _meter,
    "stranger": _meter,
    "job": _job,
}


def _said(body: Mapping[str, object]) -> str:
    answers = body.get("answers")
    if not isinstance(answers, Mapping) or not answers:
        return ""
    said = "; ".join(f"{name.replace('-', ' ')}: {plain(text)}" for name, text in answers.items())
    return f" ({said})"


def course(job: Job) -> Iterator[tuple[str, str, str]]:
    """Everything that was claimed or broke off, in order: time, lead and text."""
    rows = [(told.seq, told.at, words(job, told)) for told in job.told]
    rows += [(found.seq, found.at, ("", f"{text}.")) for found, text in breaks(job)]
    day = ""
    for _, at, (lead, text) in sorted(rows, key=lambda row: row[0]):
        date, time = date_text(at).split(" ")
        yield (time if date == day else f"{date} {time}"), lead, text
        day = date
