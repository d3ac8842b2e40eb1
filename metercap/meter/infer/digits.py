"""Columns of bits to the digits of a display, seven segments or BCD, wherever their bits stand."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import NamedTuple

from metercap.meter.description import MOST_DIGITS, SEGMENTS, bit_address
from metercap.meter.infer.columns import Board, Target
from metercap.meter.infer.labels import Label
from metercap.meter.infer.value import ValueFit
from metercap.model import Status

# Patterns that displays draw differently: meter-standards.md 5.1 (6, 7 and 9 with or without a
# tail, 1 on the left).
_DRAWN = {"1": (0x06, 0x30), "6": (0x7D, 0x7C), "7": (0x07, 0x27), "9": (0x6F, 0x67)}
_BCD = {str(n): n for n in range(10)}
_LEAST_EVIDENCE = 30.0  # bits of surprise beyond what picking among all frame bits explains

Cells = list[list[str | None]]  # for each place from the right: the character of each sample


class _Group(NamedTuple):
    """Segments of one place that were always lit together, and the bits that tell them."""

    place: int
    segments: tuple[int, ...]
    target: Target
    same: tuple[int, ...]
    inverted: tuple[int, ...]

    @property
    def bits(self) -> tuple[int, ...]:
        return self.same + self.inverted


class _Layout(NamedTuple):
    """Groups with their bits, and the segments that never changed."""

    glyphs: dict[str, int]
    cells: Cells
    width: int
    groups: tuple[_Group, ...]
    fixed: dict[tuple[int, int], int]  # (place, segment) -> lit or not
    unmet: int

    @property
    def shared(self) -> int:
        """Segments that have no bit of their own."""
        return sum(max(0, len(group.segments) - len(group.bits)) for group in self.groups)

    @property
    def inverted(self) -> frozenset[int]:
        return frozenset(bit for group in self.groups for bit in group.inverted)


def fit_digits(board: Board, free: Sequence[int], kind: str) -> ValueFit | None:
    """Find a display of `kind` ("seg7" or "bcd"), right-aligned, that shows the labels' digits."""
    count = max((len(label.digits) for label in board.labels), default=0)
    if not 1 <= count <= MOST_DIGITS:
        return None
    cells = _typed(board, count)
    alive = board.where(label.status is Status.OK for label in board.labels)
    kept = board.agree(_wishes(board, cells, kind), free, alive)
    notes: list[str] = []
    while kept is not None and 2 * kept.bit_count() > len(board.samples):
        layout = _find_layout(board, free, cells, kept, kind)
        if layout is None:
            return None
        layout = _settled(layout)
        dispute = _find_dispute(layout)
        if dispute is None:
            if _evidence(layout, len(free)) < _LEAST_EVIDENCE:
                return None
            layout = _in_order(layout) if kind == "bcd" else _completed(board, free, layout, kept)
            return _written(board, layout, count, kept, kind, notes)
        lost = _rarer(dispute.target)
        notes += [_dispute_note(board, dispute, lost, count)]
        kept &= ~lost
    return None


def _typed(board: Board, count: int) -> Cells:
    """The digits that the labels name, by place from the right; None where they name none."""
    return [
        [label.digits[-1 - place] if len(label.digits) > place else None for label in board.labels]
        for place in range(count)
    ]


def _target(board: Board, cells: Cells, place: int, lit: dict[str, int], segment: int) -> Target:
    row = cells[place]
    care = board.where(char is not None and char in lit for char in row)
    want = board.where(lit.get(char or "", 0) >> segment & 1 == 1 for char in row)
    return Target(care, want)


def _wishes(board: Board, cells: Cells, kind: str) -> list[Target]:
    """What each segment should have been, leaving out digits that are drawn in several ways."""
    width = 7 if kind == "seg7" else 4
    wishes = []
    for place in range(len(cells)):
        for segment in range(width):
            lit = dict(_BCD)
            if kind == "seg7":
                lit = {char: SEGMENTS[char] for char in _BCD}
                for char, ways in _DRAWN.items():
                    if len({way >> segment & 1 for way in ways}) > 1:
                        del lit[char]
            wishes.append(_target(board, cells, place, lit, segment))
    return wishes


def _drawings(kind: str) -> list[dict[str, int]]:
    if kind == "bcd":
        return [dict(_BCD)]
    usual = {char: SEGMENTS[char] for char in _BCD}
    return [
        usual | dict(zip(_DRAWN, ways, strict=True)) for ways in itertools.product(*_DRAWN.values())
    ]


# What stands before a number that is shorter than the display, and its pattern: nothing, or zeros
# that are not shown. Of a BCD blank only that it is no digit is known.
_BEFORE = {
    "seg7": ((" ", 0x00), ("0", 0x3F), (None, 0)),
    "bcd": (("0", 0), *((" ", n) for n in (15, 10, 11, 12, 13, 14)), (None, 0)),
}


def _find_layout(
    board: Board, free: Sequence[int], cells: Cells, kept: int, kind: str
) -> _Layout | None:
    """The drawing of the digits under which every wish is met; None where none is.

    Of several, the one that leaves the fewest segments to share a bit with another; where that
    still leaves a choice, the digits that differ in it count as not seen.
    """
    width = 7 if kind == "seg7" else 4
    seen = {char for row in cells for index in board.indices(kept) if (char := row[index])}
    for before, blank in _BEFORE[kind]:
        filled = _led(board, cells, before, kind)
        found: list[_Layout] = []
        tried: set[tuple[int, ...]] = set()
        for glyphs in _drawings(kind):
            key = tuple(pattern for char, pattern in glyphs.items() if char in seen)
            if key in tried:
                continue
            tried.add(key)
            drawn = glyphs | {" ": blank} if before == " " else glyphs
            layout = _layout(board, free, filled, kept, drawn, width)
            if not layout.unmet:
                found.append(layout)
        fewest = min((layout.shared for layout in found), default=0)
        found = [layout for layout in found if layout.shared == fewest]
        if len(found) > 1:
            drawn = found[0].glyphs
            open_ = {c for c in drawn if len({layout.glyphs[c] for layout in found}) > 1}
            sure = [[None if char in open_ else char for char in row] for row in filled]
            return _layout(board, free, sure, kept, drawn, width)
        if found:
            return found[0]
    return None


def _in_order(layout: _Layout) -> _Layout:
    """Split groups of one BCD digit as all digits that are sure have their four bits in order."""
    sure = {}
    for group in layout.groups:
        if len(group.segments) == len(group.bits) == 1:
            sure[group.place, group.segments[0]] = group.bits[0]
    shifts = {
        tuple(sure[place, segment] - sure[place, 0] for segment in range(layout.width))
        for place in range(len(layout.cells))
        if all((place, segment) in sure for segment in range(layout.width))
    }
    if len(shifts) != 1:
        return layout
    (shift,) = shifts
    groups: list[_Group] = []
    for group in layout.groups:
        firsts = {sure[p, s] - shift[s] for p, s in sure if p == group.place}
        places = [first + shift[s] for first in firsts for s in group.segments]
        if len(group.segments) == 1 or len(firsts) != 1 or {*places} != {*group.bits}:
            groups.append(group)
            continue
        groups += [
            group._replace(
                segments=(segment,),
                same=tuple(bit for bit in group.same if bit == at),
                inverted=tuple(bit for bit in group.inverted if bit == at),
            )
            for segment, at in zip(group.segments, places, strict=True)
        ]
    return layout._replace(groups=tuple(groups))


def _led(board: Board, cells: Cells, before: str | None, kind: str) -> Cells:
    """The cells with `before` ahead of each number; segments may form a minus there instead."""
    return [
        [
            before
            if char is None and label.value and not (label.is_negative and kind == "seg7")
            else char
            for char, label in zip(row, board.labels, strict=True)
        ]
        for row in cells
    ]


def _layout(
    board: Board, free: Sequence[int], cells: Cells, kept: int, glyphs: dict[str, int], width: int
) -> _Layout:
    groups: list[_Group] = []
    fixed: dict[tuple[int, int], int] = {}
    unmet = 0
    for place in range(len(cells)):
        together: dict[int, list[int]] = {}
        targets = [
            _target(board, cells, place, glyphs, segment).within(kept) for segment in range(width)
        ]
        for segment, target in enumerate(targets):
            if target.minority:
                together.setdefault(target.want, []).append(segment)
            else:
                fixed[place, segment] = 1 if target.want else 0
        for want, segments in together.items():
            target = Target(targets[0].care, want)
            same, inverted = board.find_same(target, free)
            unmet += not (same or inverted)
            groups.append(_Group(place, tuple(segments), target, tuple(same), tuple(inverted)))
    layout = _Layout(glyphs, cells, width, tuple(groups), fixed, unmet)
    return _without_mask(layout) or layout


def _without_mask(layout: _Layout) -> _Layout | None:
    """The layout with no bit inverted, where every wish allows it: a mask would show somewhere."""
    if not layout.groups or not all(group.same for group in layout.groups):
        return None
    return layout._replace(groups=tuple(group._replace(inverted=()) for group in layout.groups))


def _settled(layout: _Layout) -> _Layout:
    """Strike a bit from all wishes but the one that has no other."""
    groups = list(layout.groups)
    while True:
        owned = {group.bits[0]: n for n, group in enumerate(groups) if len(group.bits) == 1}
        slimmer = [
            group._replace(
                same=tuple(b for b in group.same if owned.get(b, n) == n),
                inverted=tuple(b for b in group.inverted if owned.get(b, n) == n),
            )
            for n, group in enumerate(groups)
        ]
        if slimmer == groups or not all(group.bits for group in slimmer):
            return layout._replace(groups=tuple(groups))
        groups = slimmer


def _find_dispute(layout: _Layout) -> _Group | None:
    """A wish that shares a bit with another, or that more bits fulfil than it has segments.

    Of two that share, the one that fewer samples speak for. A bit too many may be a sign or a lamp
    that happened to go with the segment, and must not be swallowed.
    """
    for group in layout.groups:
        if len(group.bits) > len(group.segments):
            return group
    users: dict[int, _Group] = {}
    for group in layout.groups:
        for bit in group.bits:
            other = users.setdefault(bit, group)
            if other is not group:
                return min(group, other, key=lambda g: (g.target.minority, g.place))
    return None


def _rarer(target: Target) -> int:
    ones = target.want
    return ones if 2 * ones.bit_count() <= target.care.bit_count() else target.care & ~ones


def _dispute_note(board: Board, group: _Group, lost: int, count: int) -> str:
    lines = " ".join(str(board.samples[index].line) for index in board.indices(lost))
    return (
        f"digit {count - group.place}: what only line {lines} shows could be any of several bits; "
        "left out"
    )


def _evidence(layout: _Layout, choices: int) -> float:
    cost = math.log2(2 * max(choices, 1))
    return sum(group.target.evidence - cost for group in layout.groups)


# ---- cells that the labels do not name: leading blanks, and what an overload spells ----


def _pattern_of(board: Board, layout: _Layout, index: int, place: int) -> tuple[int, int] | None:
    """(segments known, segments lit) in one sample; None where bits that should agree do not."""
    number = board.numbers[index]
    known = lit = 0
    for group in layout.groups:
        if group.place != place:
            continue
        states = {number >> bit & 1 for bit in group.same}
        states |= {1 - (number >> bit & 1) for bit in group.inverted}
        if len(states) != 1:
            return None
        state = states.pop()
        for segment in group.segments:
            known |= 1 << segment
            lit |= state << segment
    return known, lit


_NO_NUMBER = " 0L-OEroF"


def _completed(board: Board, free: Sequence[int], layout: _Layout, kept: int) -> _Layout:
    """Read the cells that no label names, and let them tell segments that no digit told."""
    glyphs = SEGMENTS | layout.glyphs
    fuller = [list(row) for row in layout.cells]
    more = kept
    for index, label in enumerate(board.labels):
        is_kept = bool(kept >> index & 1)
        if not is_kept and label.status is Status.OK:
            continue
        read = [
            _find_char(board, layout, index, place, label, glyphs) for place in range(len(fuller))
        ]
        if not is_kept:
            if _NO_CHAR in read:
                continue  # a number after all: the label was late
            more |= 1 << index
        for row, char in zip(fuller, read, strict=True):
            if row[index] is None and char != _NO_CHAR:
                row[index] = char
    full = _settled(_layout(board, free, fuller, more, glyphs, layout.width))
    full = full._replace(glyphs=layout.glyphs)
    told = {(g.place, s): {*g.bits} for g in layout.groups for s in g.segments}
    is_finer = all(
        {*g.bits} <= told.get((g.place, s), {*g.bits}) for g in full.groups for s in g.segments
    )
    if full.unmet or not is_finer or _find_dispute(full) is not None:
        return layout
    return layout if full.inverted and not layout.inverted else full


_NO_CHAR = "?"


def _find_char(
    board: Board, layout: _Layout, index: int, place: int, label: Label, glyphs: dict[str, int]
) -> str | None:
    """What stands in a cell that the label does not name: None for unsure, "?" for none of them."""
    told = _pattern_of(board, layout, index, place)
    if told is None or told[0].bit_count() < 4:  # noqa: PLR2004  most of the seven
        return None
    allowed = _NO_NUMBER
    if label.status is Status.OK:
        allowed = " 0-" if label.is_negative else " 0"
    fitting = [c for c in allowed if c in glyphs and glyphs[c] & told[0] == told[1]]
    if not fitting:
        return _NO_CHAR
    return fitting[0] if len(fitting) == 1 else None


# ---- the driver's words for it ----


def _written(
    board: Board, layout: _Layout, count: int, kept: int, kind: str, notes: list[str]
) -> ValueFit:
    glyphs = dict(layout.glyphs)
    if kind == "seg7":
        glyphs = SEGMENTS | glyphs
    else:
        glyphs |= _bcd_blanks(board, layout, count, kept)
    texts = [_spell(board, layout, glyphs, index, count) for index in range(len(board.samples))]
    digits = []
    for place in reversed(range(count)):
        words = {
            seg: "on" if lit else "off" for (p, seg), lit in layout.fixed.items() if p == place
        }
        for group in layout.groups:
            if group.place == place:
                words |= dict.fromkeys(group.segments, " ".join(map(bit_address, group.bits)))
        digits.append([words[segment] for segment in range(layout.width)])
    rows = "".join("    [" + ", ".join(f'"{word}"' for word in digit) + "],\n" for digit in digits)
    fields = [f"[field.digits]\ntype = {_quoted(kind)}\ndigits = [\n{rows}]"]
    usual = SEGMENTS if kind == "seg7" else _BCD
    own = {char: pattern for char, pattern in glyphs.items() if usual.get(char) != pattern}
    if own:
        inside = ", ".join(f'{_quoted(char)} = "{pattern:02X}"' for char, pattern in own.items())
        fields[0] += f"\nglyphs = {{ {inside} }}"
    claimed = frozenset(bit for group in layout.groups for bit in group.bits)
    over = frozenset(
        index
        for index, text in enumerate(texts)
        if text is not None and any(c not in "0123456789 " for c in text.strip().removeprefix("-"))
    )
    dashed = any(
        "-" in (texts[index] or "")
        for index in board.indices(kept)
        if board.labels[index].is_negative
    )
    return ValueFit(
        kind,
        kept,
        claimed,
        layout.inverted,
        tuple(fields),
        (("digits", '"digits"'),),
        shown=tuple(None if text is None else text.lstrip(" ") for text in texts),
        has_sign=dashed,
        no_numbers=over,
        unsure=frozenset(index for index, text in enumerate(texts) if text is None),
        untold=len(layout.fixed),
        notes=tuple(notes),
        next_states=tuple(_missing(layout, count)),
    )


def _quoted(text: str) -> str:
    return f'"{text}"'


def _bcd_blanks(board: Board, layout: _Layout, count: int, kept: int) -> dict[str, int]:
    """Characters for the nibbles beyond 9: a blank where they lead a number, else their letter."""
    blanks: set[int] = set()
    others: set[int] = set()
    for index, label in enumerate(board.labels):
        for place in range(count):
            told = _full_pattern(board, layout, index, place)
            if told is None or told < 10:  # noqa: PLR2004  the digits
                continue
            if label.status is Status.OK and place >= len(label.digits) and kept >> index & 1:
                blanks.add(told)
            elif label.status is not Status.OK:
                others.add(told)
    table = {f"{pattern:X}": pattern for pattern in sorted(others - blanks)}
    return table | ({" ": blanks.pop()} if len(blanks) == 1 else {})


def _full_pattern(board: Board, layout: _Layout, index: int, place: int) -> int | None:
    told = _pattern_of(board, layout, index, place)
    if told is None:
        return None
    lit = told[1]
    for (other, segment), state in layout.fixed.items():
        if other == place:
            lit |= state << segment
    return lit


def _spell(
    board: Board, layout: _Layout, glyphs: dict[str, int], index: int, count: int
) -> str | None:
    """What the display spells in one sample; None where a cell is no known character."""
    chars = {pattern: char for char, pattern in glyphs.items()}
    text = ""
    for place in reversed(range(count)):
        pattern = _full_pattern(board, layout, index, place)
        if pattern is None or pattern not in chars:
            return None
        text += chars[pattern]
    return text


def _missing(layout: _Layout, count: int) -> list[str]:
    """For each place, a digit to record that would tell what is still open there."""
    asked = []
    for place in range(count):
        unsure = [char for char in _BCD if not _is_readable(layout, place, layout.glyphs[char])]
        if unsure:
            asked.append(
                f"a reading with a {' or a '.join(unsure[:3])} as digit {count - place} of {count}"
            )
    return asked


def _is_readable(layout: _Layout, place: int, pattern: int) -> bool:
    for (other, segment), state in layout.fixed.items():
        if other == place and pattern >> segment & 1 != state:
            return False
    return all(
        len({pattern >> segment & 1 for segment in group.segments}) == 1
        for group in layout.groups
        if group.place == place
    )
