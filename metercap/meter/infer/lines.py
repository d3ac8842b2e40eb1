"""Labelled lines of text to the line driver that reads them; binary frames are not looked at."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple

from metercap.meter.infer.columns import FEWEST_KEPT, LEAST_SHARE_KEPT
from metercap.meter.infer.functions import Function, Row, name_of
from metercap.meter.infer.labels import Sample
from metercap.meter.infer.writing import Named, name_rows
from metercap.model import Status

_TOKEN = re.compile(r"[-+]?[0-9]+(?:\.[0-9]+)?", re.ASCII)
_ENDS = ("\r\n", "\n\r", "\n", "\r")
_LIKE_NUMBERS = tuple("+-.0123456789")
_SLACK = 8  # characters by which a line may be longer than the longest that was seen
_TEXT_SHARE = 0.6  # of the frames that must be lines


class LineFit(NamedTuple):
    """Rows with the texts around the number, and how the line as a whole is set."""

    table: str
    rows: tuple[tuple[Named, str, str], ...]  # row, text before, text after
    named: dict[int, str]  # sample -> name of its row
    next_states: tuple[str, ...]


class _Found(NamedTuple):
    """The number's place in one line."""

    sample: int
    start: int
    end: int


def is_text(samples: Sequence[Sample]) -> bool:
    """Whether most frames are lines of printable ASCII with an end of line."""
    count = sum(_line_of(sample.frame) is not None for sample in samples)
    return count >= _TEXT_SHARE * len(samples)


def _line_of(frame: bytes) -> tuple[str, str] | None:
    """A frame as (line, terminator); None where it is not one whole line."""
    text = frame.decode("latin-1")
    end = next((end for end in _ENDS if text.endswith(end)), "")
    line = text.removesuffix(end)
    return (line, end) if end and line and line.isascii() and line.isprintable() else None


def fit_line(samples: Sequence[Sample]) -> LineFit | str:
    """Find the number and what stands around it; one line saying why where that cannot be."""
    told = [_line_of(sample.frame) for sample in samples]
    end = Counter(pair[1] for pair in told if pair is not None).most_common(1)[0][0]
    lines = [pair[0] if pair is not None and pair[1] == end else None for pair in told]
    found = _find_numbers(samples, lines)
    if len(found) < max(FEWEST_KEPT, LEAST_SHARE_KEPT * _count_numbers(samples)):
        return "line: the numbers of the labels do not stand in the lines"
    plus = {
        (lines[f.sample] or "")[f.start] == "+"
        for f in found
        if not samples[f.sample].label.is_negative
    }
    if len(plus) > 1:
        return "line: found a plus before some numbers and none before others"
    sizes = {len(lines[f.sample] or "") for f in found}
    width = _find_width(lines, found) if len(sizes) == 1 else 0
    pairs: dict[tuple[str, str], list[_Found]] = {}
    for place in found:
        line = lines[place.sample] or ""
        start = place.end - width if width else place.start
        pairs.setdefault((line[:start], line[place.end :]), []).append(place)
    rows, named = _name_pairs(samples, pairs)
    specials = _find_specials(samples, lines, rows, named, width)
    asked = [] if Status.OVER in specials else ["an overload (OL) in a function with a number too"]
    asked += _unshown(samples, rows)
    return LineFit(
        _table(end, lines, found, width, specials, always=plus == {True}),
        tuple(rows),
        named,
        tuple(asked),
    )


def _count_numbers(samples: Sequence[Sample]) -> int:
    return sum(sample.label.status is Status.OK for sample in samples)


def _find_numbers(samples: Sequence[Sample], lines: Sequence[str | None]) -> list[_Found]:
    """The label's number in each line, always as the same one of the line's numbers."""
    by_turn: dict[int, list[_Found]] = {}
    for index, (sample, line) in enumerate(zip(samples, lines, strict=True)):
        if line is None or sample.label.status is not Status.OK:
            continue
        for turn, token in enumerate(_TOKEN.finditer(line)):
            if token[0].removeprefix("+") == sample.label.value:
                by_turn.setdefault(turn, []).append(_Found(index, token.start(), token.end()))
    return max(by_turn.values(), key=len, default=[])


def _find_width(lines: Sequence[str | None], found: Sequence[_Found]) -> int:
    """Characters in which every number is set, with blanks before it; 0 where that cannot be."""
    told = [(lines[place.sample] or "", place) for place in found]
    width = min(place.end - len(line[: place.start].rstrip(" ")) for line, place in told)
    # The text before a number may not end like one; then a blank between belongs to the text.
    if any(line[: place.end - width][-1:] in _LIKE_NUMBERS for line, place in told):
        width -= 1
    return width if all(place.end - place.start <= width for _, place in told) else 0


def _name_pairs(
    samples: Sequence[Sample], pairs: dict[tuple[str, str], list[_Found]]
) -> tuple[list[tuple[Named, str, str]], dict[int, str]]:
    """Give each pair of texts the function that most of its labels name; none where they tie."""
    told: list[tuple[Row, str, str, list[int]]] = []
    for (before, after), places in pairs.items():
        votes = Counter(samples[place.sample].label.function for place in places).most_common(2)
        if len(votes) > 1 and votes[0][1] == votes[1][1]:
            continue
        function = votes[0][0]
        agreed = [p.sample for p in places if samples[p.sample].label.function == function]
        column = sum(1 << index for index in agreed)
        told.append((Row(function, len(told), None, column), before, after, agreed))
    names = name_rows([row._replace(decimals=None) for row, *_ in told])
    rows = [
        (named, before, after) for named, (_, before, after, _) in zip(names, told, strict=True)
    ]
    named = {index: names[n].name for n, (*_, agreed) in enumerate(told) for index in agreed}
    return rows, named


def _find_specials(
    samples: Sequence[Sample],
    lines: Sequence[str | None],
    rows: Sequence[tuple[Named, str, str]],
    named: dict[int, str],
    width: int,
) -> dict[Status, str]:
    """What stands in the number's place in an overload; adds those samples to `named`."""
    texts: dict[Status, Counter[str]] = {}
    places: list[tuple[int, str, str]] = []
    for index, (sample, line) in enumerate(zip(samples, lines, strict=True)):
        if line is None or sample.label.status is Status.OK:
            continue
        for row, before, after in rows:
            middle = line[len(before) : len(line) - len(after)]
            if (
                row.row.function == sample.label.function
                and line == before + middle + after
                and (not width or len(middle) == width)
                and re.search("[A-Za-z]", middle)
            ):
                text = middle.lstrip(" ") if width else middle
                texts.setdefault(sample.label.status, Counter())[text] += 1
                places.append((index, text, row.name))
    specials = {status: votes.most_common(1)[0][0] for status, votes in texts.items()}
    if specials.get(Status.UNDER) == specials.get(Status.OVER):
        specials.pop(Status.UNDER, None)
    named |= {
        index: name
        for index, text, name in places
        if specials.get(samples[index].label.status) == text
    }
    return specials


def _unshown(samples: Sequence[Sample], rows: Sequence[tuple[Named, str, str]]) -> list[str]:
    known: set[Function] = {row.row.function for row, _, _ in rows}
    wanted = dict.fromkeys(s.label.function for s in samples if s.label.function not in known)
    return [f"a number in {name_of(function)}" for function in wanted]


def _table(
    end: str,
    lines: Sequence[str | None],
    found: Sequence[_Found],
    width: int,
    specials: dict[Status, str],
    *,
    always: bool,
) -> str:
    sizes = {len(lines[f.sample] or "") for f in found}
    text = ["[line]", f'terminator = "{end.encode().hex(" ").upper()}"']
    if len(sizes) == 1:
        size = sizes.pop()
        text += [f"longest = {size}", f"length = {size}"]
    else:
        text += [f"longest = {max(sizes) + _SLACK}"]
    if always:
        text.append('sign = "always"')
    if width:
        text.append(f"width = {width}")
    for status, word in specials.items():
        text.append(f"{status.value} = {quoted(word)}")
    return "\n".join(text) + "\n"


def quoted(text: str) -> str:
    """A TOML string."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
