"""A plain sum under an unknown mask: to the mask that makes every frame fulfil it.

An inverted bit of weight w adds w where it is 0 and takes it away where it is 1. So its inversion
shows first one place further up, where it enters as an exclusive or: place by place, from the
lowest, the inversions are the solution of linear equations over two values, one for each frame.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from metercap.meter.infer.columns import Board
from metercap.meter.infer.sums import Sum

_PLACES = 8


class _Case(NamedTuple):
    """Where the sum may stand: its column's bits, the bits summed, and what is still open."""

    board: Board
    samples: tuple[int, ...]
    at: int
    open_bits: tuple[int, ...]  # summed bits whose inversion is not known, and that move


def find_masked_sum(
    board: Board, kept: int, mask: int, known: frozenset[int]
) -> tuple[Sum, int] | None:
    """The sum and the whole mask with it; `known` are bits that `mask` already puts right."""
    moving = board.varying_in(kept)
    for at in range(board.length - 1, -1, -1):
        own = range(8 * at, 8 * at + 8)
        if known.intersection(own) or len(set(moving).intersection(own)) < _PLACES // 2:
            continue
        for start, stop in _spans(board, kept, at):
            summed = range(8 * start, 8 * stop)
            open_bits = tuple(b for b in moving if b in summed and b not in known)
            case = _Case(board, tuple(board.indices(kept)), at, open_bits)
            totals = [
                sum((board.numbers[i] ^ mask).to_bytes(board.length, "little")[start:stop])
                for i in case.samples
            ]
            still = [b for b in summed if b not in moving and b not in known]
            solved = _lift(case, totals, 0, 0, 0)
            whole = None if solved is None else _level(case, mask ^ solved, start, stop, still)
            if whole is not None:
                return Sum("sum8", start, stop, at, "little", 0, kept), whole
    return None


def _spans(board: Board, kept: int, at: int) -> list[tuple[int, int]]:
    """Spans whose lowest bits, all together, go with the lowest bit of the sum; widest first."""
    spans = []
    for low, high in ((0, at), (at + 1, board.length)):
        parity = board.columns[8 * at]
        for start in range(high - 1, low - 1, -1):
            parity ^= board.columns[8 * start]
            if parity & kept in {0, kept} and high - start > 1:
                spans.append((start, high))
    return sorted(spans, key=lambda span: span[0] - span[1])


def _lift(case: _Case, totals: Sequence[int], place: int, constant: int, mask: int) -> int | None:
    """The inversions as a mask that settle all places from `place` up; None where none do."""
    if place == _PLACES:
        return mask
    bits = [bit for bit in case.open_bits if bit % 8 == place - 1]
    rows = []
    for index, total in zip(case.samples, totals, strict=True):
        number = case.board.numbers[index]
        wrong = (total + constant >> place ^ number >> 8 * case.at + place) & 1
        row = sum((number >> bit & 1) << n for n, bit in enumerate(bits))
        rows.append(row | 1 << len(bits) | wrong << len(bits) + 1)
    answer = _solve(rows, len(bits) + 1)
    if answer is None:
        return None
    turned = [bit for n, bit in enumerate(bits) if answer >> n & 1]
    lowered = [
        total - sum((case.board.numbers[index] >> bit & 1) << place for bit in turned)
        for index, total in zip(case.samples, totals, strict=True)
    ]
    mask |= sum(1 << bit for bit in turned)
    either = answer >> len(bits) & 1  # a constant in this place, or the sum's own bit inverted
    for own in (0, 1):
        carried = constant + ((either ^ own) << place)
        found = _lift(case, lowered, place + 1, carried, mask | own << 8 * case.at + place)
        if found is not None:
            return found
    return None


def _solve(rows: Sequence[int], unknowns: int) -> int | None:
    """One solution of equations over two values: coefficients lowest, right side above them."""
    pivots: dict[int, int] = {}
    for row in rows:
        left = row
        for place, pivot in pivots.items():
            if left >> place & 1:
                left ^= pivot
        low = left & (1 << unknowns) - 1
        if not low:
            if left:
                return None
            continue
        place = (low & -low).bit_length() - 1
        for other, pivot in pivots.items():
            if pivot >> place & 1:
                pivots[other] = pivot ^ left
        pivots[place] = left
    return sum((pivot >> unknowns & 1) << place for place, pivot in pivots.items())


def _level(case: _Case, mask: int, start: int, stop: int, still: Sequence[int]) -> int | None:
    """Invert bits that never move until the sums have no constant difference."""
    rests = set()
    for index in case.samples:
        data = (case.board.numbers[index] ^ mask).to_bytes(case.board.length, "little")
        rests.add((data[case.at] - sum(data[start:stop])) & 0xFF)
    if len(rests) != 1:
        return None
    first = case.board.numbers[case.samples[0]] ^ mask
    reached = {0: 0}
    for bit in still:
        step = (-1 if first >> bit & 1 else 1) << bit % 8
        for rest, chosen in list(reached.items()):
            reached.setdefault((rest + step) & 0xFF, chosen | 1 << bit)
    needed = reached.get(rests.pop())
    return None if needed is None else mask ^ needed
