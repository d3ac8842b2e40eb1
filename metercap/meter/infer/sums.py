"""Frames to the checksum that closes them and the bytes it covers; labels are not needed for it.

Every kind here but the plain sum is linear over exclusive or, so a mask laid over the frame leaves
the difference between the sum as computed and as sent the same in every frame. That difference is
what is looked for; it then becomes the mask of the sum's own bytes.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from typing import Literal, NamedTuple

from metercap.meter.description import ChecksumKind
from metercap.meter.frame import CHECKSUMS

_FEWEST_FRAMES = 7  # a chance agreement of so many bytes is one in 2**48
_LEAST_SHARE = 0.7  # of the frames: the others are of another kind
_FEWEST_SUMS = 5  # different ones; what moves less says something else
_SHORT = 40  # bytes; in longer frames a sum starts near the head and stands near an end
_CRCS: tuple[ChecksumKind, ...] = (
    "CRC-16/MODBUS", "CRC-16/ARC", "CRC-16/KERMIT", "CRC-16/XMODEM", "CRC-16/IBM-3740",
)  # fmt: skip
Order = Literal["little", "big"]


class Sum(NamedTuple):
    """A checksum that the frames fulfil, but for `rest`: computed minus, or xor, sent."""

    kind: ChecksumKind
    start: int
    stop: int
    at: int
    order: Order
    rest: int
    frames: int  # column of the frames that fulfil it

    @property
    def width(self) -> int:
        """Bytes that the sum takes."""
        return 1 if self.kind in {"sum8", "xor8"} else 2


def find_sum(frames: Sequence[bytes]) -> Sum | None:
    """The checksum that most frames fulfil; None where none is surely found."""
    if len(frames) < _FEWEST_FRAMES:
        return None
    length = len(frames[0])
    found: list[Sum] = []
    for at in _places(length):
        if len({frame[at] for frame in frames}) < _FEWEST_SUMS:
            continue
        spans = [(0, at), (at + 1, length)]
        for low, high in spans:
            found += _bytewise(frames, at, low, high)
        if at + 1 < length:
            for low, high in [(0, at), (at + 2, length)]:
                found += _crcs(frames, at, low, high)
    return min((each for each in found if _is_sum(frames, each)), key=_rank, default=None)


def _places(length: int) -> list[int]:
    places = list(range(length - 1, -1, -1))
    return places if length <= _SHORT else [*places[:4], *range(4)]


def _starts(low: int, high: int, length: int) -> range:
    return range(low, high if length <= _SHORT else min(high, low + 6))


def _rank(found: Sum) -> tuple[int, bool, int, int, int]:
    """The wider sum, then what needs no mask, then what covers more."""
    return (-found.width, found.rest != 0, -(found.stop - found.start), -found.at, found.start)


def _agreeing(rests: Sequence[int]) -> tuple[int, int] | None:
    """The commonest difference and the frames that have it, where they are enough."""
    rest, count = Counter(rests).most_common(1)[0]
    if count < max(_FEWEST_FRAMES, _LEAST_SHARE * len(rests)):
        return None
    return rest, sum(1 << index for index, other in enumerate(rests) if other == rest)


def _is_sum(frames: Sequence[bytes], found: Sum) -> bool:
    """Whether it tells more than a copy would: many different sums of two bytes or more."""
    agreed = [frame for n, frame in enumerate(frames) if found.frames >> n & 1]
    sums = {frame[found.at : found.at + found.width] for frame in agreed}
    moving = sum(len({f[at] for f in agreed}) > 1 for at in range(found.start, found.stop))
    return moving > 1 and len(sums) >= max(_FEWEST_SUMS, len(agreed) // 4)


def _bytewise(frames: Sequence[bytes], at: int, low: int, high: int) -> list[Sum]:
    found: list[Sum] = []
    steps: tuple[tuple[ChecksumKind, Callable[[int, int], int]], ...] = (
        ("sum8", lambda total, byte: (total - byte) & 0xFF),
        ("xor8", lambda total, byte: total ^ byte),
    )
    for kind, take in steps:
        for start in _starts(low, high, len(frames[0])):
            rests = [
                (sum(frame[start:high]) - frame[at]) & 0xFF
                if kind == "sum8"
                else CHECKSUMS["xor8"](frame[start:high]) ^ frame[at]
                for frame in frames
            ]
            for stop in range(high, start, -1):
                agreed = _agreeing(rests)
                if agreed is not None:
                    found.append(Sum(kind, start, stop, at, "little", *agreed))
                rests = [take(r, frame[stop - 1]) for r, frame in zip(rests, frames, strict=True)]
    return found


def _crcs(frames: Sequence[bytes], at: int, low: int, high: int) -> list[Sum]:
    """A CRC that ends where its bytes begin, or at the frame's end; any start."""
    found: list[Sum] = []
    sent: list[tuple[Order, list[int]]] = [
        ("little", [int.from_bytes(frame[at : at + 2], "little") for frame in frames]),
        ("big", [int.from_bytes(frame[at : at + 2], "big") for frame in frames]),
    ]
    stops = range(high, max(low, high - 4), -1)
    for kind in _CRCS:
        crc_of = CHECKSUMS[kind]
        for stop in stops:
            for start in _starts(low, stop - 1, len(frames[0])):
                sums = [crc_of(frame[start:stop]) for frame in frames]
                for order, texts in sent:
                    rests = [a ^ b for a, b in zip(sums, texts, strict=True)]
                    agreed = _agreeing(rests)
                    if agreed is not None:
                        found.append(Sum(kind, start, stop, at, order, *agreed))
    return found
