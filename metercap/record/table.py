"""Entries of a job to plain tables: one row for each reading, as JSON lines or as CSV.

A table is for reading on; the record is the evidence.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable

from metercap.derive import Derivation, Shown
from metercap.journal.entry import CLAIM, Entry
from metercap.model import Instant, Reading, Status

COLUMNS = (
    "phenomenonTime",
    "resultTime",
    "quantity",
    "value",
    "unit",
    "status",
    "coupling",
    "function",
    "ceiling",
    "marks",
    "channel",
    "seq",
    "meter",
    "driver",
    "raw",
    "reason",
)


def reading_row(shown: Shown, driver: str) -> dict[str, object]:
    """One reading as JSON values, times after SOSA, unit in UCUM; `value` only with a number.

    Bytes that are no reading have status "invalid", no quantity and the reason. Beside the keys
    that every row has stand `ceiling` where the display was over or under its range, `marks` where
    annunciators were lit, `channel` for a second display and `meter` within a job.
    """
    at = _time(shown.at)
    row: dict[str, object] = {"phenomenonTime": at, "resultTime": at}
    outcome = shown.outcome
    more: dict[str, object] = {}
    if isinstance(outcome, Reading):
        row["quantity"] = outcome.quantity
        if outcome.value is not None:
            row["value"] = outcome.value
        row |= {
            "unit": outcome.unit,
            "status": outcome.status.value,
            "coupling": outcome.coupling,
            "function": outcome.function,
        }
        if outcome.ceiling is not None and outcome.status in {Status.OVER, Status.UNDER}:
            more["ceiling"] = outcome.ceiling
        if outcome.marks:
            more["marks"] = list(outcome.marks)
        if outcome.channel != "main":
            more["channel"] = outcome.channel
    else:
        row |= {
            "quantity": None,
            "unit": None,
            "status": Status.INVALID.value,
            "coupling": None,
            "function": None,
        }
        more["reason"] = outcome.reason
    row |= {"seq": shown.seq, "driver": driver, "raw": shown.raw.hex()} | more
    if shown.meter:
        row["meter"] = shown.meter
    return row


def _time(at: Instant) -> str | None:
    """The wall clock's text; None for bytes whose time nobody knows."""
    return at.utc_text if at.boot else None


def readings(entries: Iterable[Entry]) -> Iterable[dict[str, object]]:
    """Every reading of a job, in order."""
    derivation = Derivation()
    for entry in entries:
        if entry.kind == CLAIM:
            continue
        for effect in derivation.feed(entry):
            if isinstance(effect, Shown):
                yield reading_row(effect, derivation.driver_of(effect.meter).id)


def readings_csv(entries: Iterable[Entry]) -> str:
    """Every reading of a job as CSV (RFC 4180), with a head line."""
    text = io.StringIO(newline="")
    table = csv.DictWriter(text, COLUMNS, restval="")
    table.writeheader()
    for row in readings(entries):
        marks = row.get("marks")
        if isinstance(marks, list):
            row["marks"] = " ".join(marks)
        table.writerow(row)
    return text.getvalue()


def readings_lines(entries: Iterable[Entry]) -> str:
    """Every reading of a job as one line of JSON: digits as text, units in UCUM."""
    return "".join(f"{json.dumps(row, ensure_ascii=False)}\n" for row in readings(entries))
