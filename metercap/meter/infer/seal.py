"""A checksum that frames fulfil, and the mask as far as it is known, to how a driver says both."""

from __future__ import annotations

from typing import NamedTuple

from metercap.meter.frame import CHECKSUMS
from metercap.meter.infer.columns import Board
from metercap.meter.infer.sums import Sum
from metercap.meter.infer.writing import SumText


class Seal(NamedTuple):
    """The checksum's text and the whole mask that goes with it."""

    text: SumText | None
    mask: int
    note: str | None = None


def seal(board: Board, found: Sum | None, mask: int, still: frozenset[int]) -> Seal:
    """Fit mask and checksum to each other; `still` are bytes that never change.

    The mask of a sum's own bytes, or of one constant byte in a plain sum, is free to choose: it
    takes up the difference that the frames show throughout.
    """
    if found is None:
        return Seal(None, mask)
    bits = frozenset(range(8 * found.at, 8 * (found.at + found.width)))
    if not found.rest:
        return Seal(SumText(_text(found, "wire"), bits), mask)
    rests = {_rest(board, found, number, mask) for number in board.numbers}
    if len(rests) == 1 and found.kind != "sum8":
        rest = int.from_bytes(rests.pop().to_bytes(found.width, found.order), "little")
        return Seal(SumText(_text(found, "plain"), bits), mask | rest << 8 * found.at)
    spare = [at for at in range(found.start, found.stop) if at in still]
    if len(rests) == 1 and spare:
        at = spare[-1]
        byte = board.numbers[0] >> 8 * at & 0xFF
        change = byte ^ ((byte - rests.pop()) & 0xFF)
        return Seal(SumText(_text(found, "plain"), bits), mask | change << 8 * at)
    note = f"byte {found.at}: looks like a {found.kind} that was not settled; not checked"
    return Seal(None, mask, note)


def seal_masked(found: Sum, mask: int) -> Seal:
    """The same for a plain sum whose mask was found with it."""
    bits = frozenset(range(8 * found.at, 8 * (found.at + found.width)))
    return Seal(SumText(_text(found, "plain"), bits), mask)


def _rest(board: Board, found: Sum, number: int, mask: int) -> int:
    data = (number ^ mask).to_bytes(board.length, "little")
    total = CHECKSUMS[found.kind](data[found.start : found.stop])
    sent = int.from_bytes(data[found.at : found.at + found.width], found.order)
    return (total - sent) & 0xFF if found.kind == "sum8" else total ^ sent


def _text(found: Sum, domain: str) -> str:
    order = f'order = "{found.order}", ' if found.width > 1 else ""
    return (
        f'{{ kind = "{found.kind}", over = [{found.start}, {found.stop}], at = {found.at}, '
        f'{order}domain = "{domain}" }}'
    )
