"""Columns of bits to a whole count, or to a floating number, wherever its bits or bytes stand."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Sequence
from decimal import Decimal
from typing import Literal, NamedTuple

from metercap.meter.attribute import read_medfloat, write_medfloat
from metercap.meter.description import bit_address
from metercap.meter.infer.columns import FEWEST_KEPT, LEAST_SHARE_KEPT, Board, Target
from metercap.meter.infer.labels import Label
from metercap.meter.infer.value import ValueFit
from metercap.model import Status

_MOST_COUNT_BITS = 27  # eight digits
_MOST_FIELD_BITS = 32
_LEAST_EVIDENCE = 30.0
_BIGGEST_SHOWN = Decimal(10) ** 8


# ---- counts ----


def fit_count(board: Board, free: Sequence[int], *, twos: bool) -> ValueFit | None:
    """Find the count that the digits without their point are.

    `twos` looks for two's complement, else for the magnitude beside a sign of its own.
    """
    alive = board.where(label.status is Status.OK for label in board.labels)
    values = [
        int(label.digits or 0) * (-1 if twos and label.is_negative else 1) for label in board.labels
    ]
    if twos and not any(value < 0 for value in values):
        return None
    top = max(abs(value) for value in values).bit_length()
    if not 1 <= top <= _MOST_COUNT_BITS:
        return None
    bits = range(top + twos)
    targets = [Target(alive, _bit_of(board, values, bit) & alive) for bit in bits]
    kept = board.agree(targets, free, alive)
    notes: list[str] = []
    while kept is not None and kept.bit_count() >= FEWEST_KEPT:
        top = max(_magnitude(values[index]) for index in board.indices(kept)).bit_length()
        found = _places_of(board, free, values, kept, top, twos=twos)
        if isinstance(found, _Places):
            return _count_fit(board, found, kept, top, notes)
        if not found:
            return None
        lines = " ".join(str(board.samples[index].line) for index in board.indices(found))
        notes.append(f"count: what only line {lines} shows could be any of several bits; left out")
        kept &= ~found
    return None


def _magnitude(value: int) -> int:
    """What the bits below the sign must hold."""
    return value if value >= 0 else ~value


def _bit_of(board: Board, values: Sequence[int], bit: int) -> int:
    return board.where(value >> bit & 1 == 1 for value in values)


class _Places(NamedTuple):
    """The count's bits in the frame, lowest first; then those that tell the sign."""

    bits: tuple[int, ...]
    signs: tuple[int, ...]
    inverted: frozenset[int]
    evidence: float


def _places_of(
    board: Board, free: Sequence[int], values: Sequence[int], kept: int, top: int, *, twos: bool
) -> _Places | int:
    """Where each bit stands; else the samples to leave out so that it can be told, 0 for none."""
    targets = [Target(kept, _bit_of(board, values, bit) & kept) for bit in range(top)]
    minus = Target(kept, _bit_of(board, values, _MOST_FIELD_BITS) & kept)
    is_signed = twos and minus.minority > 0
    wishes = [*targets, minus] if is_signed else targets
    if not all(target.minority for target in wishes):
        return 0
    found = [board.find_same(target, free) for target in wishes]
    if all(same for same, _ in found):
        found = [(same, []) for same, _ in found]
    inverted = frozenset(bit for _, others in found for bit in others)
    choices = [sorted(same + others) for same, others in found]
    if not all(choices):
        return 0
    signs = tuple(choices.pop()) if is_signed else ()
    choices = _in_order(_struck(choices, signs))
    signs = _after(choices, signs)
    for target, choice in zip(reversed(targets), reversed(choices), strict=True):
        if len(choice) != 1:
            return _rarer(target) if target.minority <= 2 else 0  # noqa: PLR2004  a slip, not a rule
    bits = tuple(choice[0] for choice in choices)
    if len(set(bits + signs)) < len(bits) + len(signs):
        return 0
    cost = math.log2(2 * max(len(free), 1))
    evidence = sum(target.evidence - cost for target in wishes)
    used = inverted & frozenset(bits + signs)
    return _Places(bits, signs, used, evidence)


def _rarer(target: Target) -> int:
    ones = target.want
    return ones if 2 * ones.bit_count() <= target.care.bit_count() else target.care & ~ones


def _struck(choices: list[list[int]], signs: tuple[int, ...]) -> list[list[int]]:
    """Strike a bit from all choices but the one that has no other."""
    while True:
        owned = {choice[0]: n for n, choice in enumerate(choices) if len(choice) == 1}
        slimmer = [
            [bit for bit in choice if owned.get(bit, n) == n and bit not in signs] or choice
            for n, choice in enumerate(choices)
        ]
        if slimmer == choices:
            return choices
        choices = slimmer


# Where a bit stands in a run of bytes, lowest byte first and last.
_ORDERS: tuple[Callable[[int], int], ...] = (
    lambda place: place,
    lambda place: -8 * (place // 8) + place % 8,
)


def _in_order(choices: list[list[int]]) -> list[list[int]]:
    """Where all sure bits stand in one run of bytes, let it choose for the unsure ones."""
    sure = [(place, choice[0]) for place, choice in enumerate(choices) if len(choice) == 1]
    if 2 * len(sure) < len(choices) or len(sure) == len(choices):
        return choices
    for order in _ORDERS:
        starts = {bit - order(place) for place, bit in sure}
        if len(starts) == 1:
            (start,) = starts
            return [
                [start + order(place)] if start + order(place) in choice else choice
                for place, choice in enumerate(choices)
            ]
    return choices


def _after(choices: list[list[int]], signs: tuple[int, ...]) -> tuple[int, ...]:
    """Of the bits that go with the sign, those that carry the run of the count on; else all."""
    sure = [choice[0] for choice in choices if len(choice) == 1]
    if len(sure) < len(choices):
        return signs
    for order in _ORDERS:
        starts = {bit - order(place) for place, bit in enumerate(sure)}
        if len(starts) == 1:
            (start,) = starts
            run: list[int] = []
            while (bit := start + order(len(sure) + len(run))) in signs:
                run.append(bit)
            return tuple(run) or signs
    return signs


def _count_fit(
    board: Board, found: _Places, kept: int, top: int, notes: list[str]
) -> ValueFit | None:
    if found.evidence < _LEAST_EVIDENCE:
        return None
    bits = (found.bits + found.signs)[:_MOST_FIELD_BITS]
    digits = max(len(board.labels[index].digits) for index in board.indices(kept))
    most = min(10**digits, 1 << top) - 1
    mask = sum(1 << bit for bit in found.inverted)
    half = 1 << (len(bits) - 1) if found.signs else 0
    shown = []
    for number in board.numbers:
        raw = sum(((number ^ mask) >> bit & 1) << place for place, bit in enumerate(bits))
        shown.append((raw ^ half) - half if half else raw)
    top_raw = (1 << len(bits)) - 1
    called = [n for n, label in enumerate(board.labels) if label.value is None]
    if top_raw == most and sum(shown[n] == top_raw for n in called) > 1:
        most -= 1  # every bit set was called an overload twice
    kind = "sint" if found.signs else "uint"
    names = ", ".join(f'"{bit_address(bit)}"' for bit in bits)
    asked = () if most == 10**digits - 1 else (f"a reading whose digits are above {most}",)
    return ValueFit(
        "count",
        kept,
        frozenset(bits),
        found.inverted & frozenset(bits),
        (f'[field.count]\ntype = "{kind}"\nbits = [{names}]',),
        (("count", '"count"'), ("most", str(most))),
        shown=tuple(shown),
        has_sign=bool(found.signs),
        no_numbers=_find_ends(board, shown, most, len(bits)),
        # Every bit set may be the end of a longer count, whose upper bits are not yet told.
        unsure=frozenset(n for n, raw in enumerate(shown) if raw == top_raw <= most),
        untold=max(0, (10**digits - 1).bit_length() - len(bits)),
        notes=tuple(notes),
        next_states=asked,
    )


def _find_ends(board: Board, shown: Sequence[int], most: int, width: int) -> frozenset[int]:
    """Samples whose raw value stands for no number: beyond the display, and no chance.

    A raw value that is one end of what its bits hold says so at once; another must have been
    called an overload twice, for a label may be late.
    """
    ends = {(1 << width) - 1, (1 << width - 1) - 1, -(1 << width - 1)}
    called = [raw for raw, label in zip(shown, board.labels, strict=True) if label.value is None]
    return frozenset(
        n
        for n, raw in enumerate(shown)
        if abs(raw) > most and (raw in ends or called.count(raw) > 1)
    )


# ---- floating numbers ----

FloatKind = Literal["float32", "medfloat32", "medfloat16"]


def fit_float(board: Board, usable: frozenset[int], kind: FloatKind) -> ValueFit | None:
    """Find whole bytes, in either order, that hold the labels' numbers as `kind`."""
    size = 2 if kind == "medfloat16" else 4
    raws = [_raw_of(label, kind) for label in board.labels]
    alive = board.where(raw is not None for raw in raws)
    if alive.bit_count() < FEWEST_KEPT:
        return None
    wishes = [board.where(((raw or 0) >> bit & 1) == 1 for raw in raws) for bit in range(8 * size)]
    best = None
    for at in range(board.length - size + 1):
        for order in ("little", "big"):
            bits = _word(at, size, order)
            if not usable.issuperset(bits):
                continue
            placed = _placed(board, bits, wishes, alive)
            if placed is not None and kind != "float32" and not _is_floating(board, placed[0]):
                continue
            if placed is None and kind == "float32":
                placed = _rounded(board, bits, alive)
            if placed is not None and (best is None or placed[0].bit_count() > best[0].bit_count()):
                best = (*placed, bits)
    return None if best is None else _float_fit(board, kind, *best)


def _is_floating(board: Board, kept: int) -> bool:
    """Whether the exponent was seen to move; else it could be any constant beside a count."""
    return len({board.labels[index].places for index in board.indices(kept)}) > 1


def _raw_of(label: Label, kind: FloatKind) -> int | None:
    """The bits that say the label's number; None for no number, or one that does not fit."""
    if label.status is not Status.OK:
        return None
    if kind == "float32":
        text = label.value or ""
        return int.from_bytes(struct.pack("<f", float(text)), "little")
    try:
        return write_medfloat(Status.OK, label.value, 24 if kind == "medfloat32" else 12)
    except ValueError:
        return None


def _word(at: int, size: int, order: str) -> tuple[int, ...]:
    rows = range(at, at + size)
    return tuple(
        8 * n + bit for n in (rows if order == "little" else reversed(rows)) for bit in range(8)
    )


def _placed(
    board: Board, bits: Sequence[int], wishes: Sequence[int], alive: int
) -> tuple[int, frozenset[int]] | None:
    """(samples that agree, bits inverted) where these bits are those of the wishes."""
    kept, count = alive, alive.bit_count()
    inverted = set()
    evidence = 0.0
    for bit, want in zip(bits, wishes, strict=True):
        wrong = (board.columns[bit] ^ want) & alive
        if 2 * wrong.bit_count() > count:
            inverted.add(bit)
            wrong = alive & ~wrong
        kept &= ~wrong
        if kept.bit_count() < max(FEWEST_KEPT, LEAST_SHARE_KEPT * count):
            return None
    for want in wishes:
        evidence += Target(kept, want & kept).evidence
    # An inversion of every bit that moves is a mask; of one that never moved, a constant.
    return (kept, frozenset(inverted)) if evidence >= _LEAST_EVIDENCE else None


def _rounded(board: Board, bits: Sequence[int], alive: int) -> tuple[int, frozenset[int]] | None:
    """The same for a float32 with more digits than are shown; it must stand there unmasked."""
    kept = 0
    for index in board.indices(alive):
        label = board.labels[index]
        raw = board.code_of(index, bits)
        number = Decimal(struct.unpack("<f", raw.to_bytes(4, "little"))[0])
        if not number.is_finite() or abs(number) >= _BIGGEST_SHOWN:
            continue
        step = Decimal(1).scaleb(-label.places)
        if format(number.quantize(step), "f") == label.value:
            kept |= 1 << index
    if kept.bit_count() < max(FEWEST_KEPT, LEAST_SHARE_KEPT * alive.bit_count()):
        return None
    values = {board.labels[index].value for index in board.indices(kept)}
    return (kept, frozenset()) if len(values) >= FEWEST_KEPT else None


def _float_fit(
    board: Board, kind: FloatKind, kept: int, inverted: frozenset[int], bits: tuple[int, ...]
) -> ValueFit:
    mask = sum(1 << bit for bit in inverted)
    raws = [
        sum(((number ^ mask) >> bit & 1) << place for place, bit in enumerate(bits))
        for number in board.numbers
    ]
    no_numbers = frozenset(index for index, raw in enumerate(raws) if _is_no_number(raw, kind))
    names = ", ".join(f'"{bit_address(bit)}"' for bit in bits)
    return ValueFit(
        kind,
        kept,
        frozenset(bits),
        inverted,
        (f'[field.number]\ntype = "{kind}"\nbits = [{names}]',),
        (("number", '"number"'),),
        shown=tuple(raws),
        has_sign=True,
        has_point=kind != "float32",
        has_over=kind != "float32",
        no_numbers=no_numbers,
    )


def _is_no_number(raw: int, kind: FloatKind) -> bool:
    if kind == "float32":
        number = Decimal(struct.unpack("<f", raw.to_bytes(4, "little"))[0])
        return not number.is_finite() or abs(number) >= _BIGGEST_SHOWN
    shown = read_medfloat(raw, 24 if kind == "medfloat32" else 12)
    return isinstance(shown, str) or shown[0] is not Status.OK
