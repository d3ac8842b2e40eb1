"""Labelled frames of one length to columns of bits, and columns to the bits that tell the same.

A column is a whole number: its bit i is the frame bit in sample i. What a segment, a digit's bit or
a sign should have been in each sample is such a number too, and the frame bits that carry it are
those with the same column, or with its complement. Labels may be wrong: samples that speak against
what all others agree on are voted out.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from metercap.meter.infer.labels import Label, Sample

FEWEST_KEPT = 6  # below it, chance finds a bit for every wish
LEAST_SHARE_KEPT = 0.6  # of the samples; where more contradict, the reading of the frame is wrong


class Target(NamedTuple):
    """A wish: in the samples of `care`, the bit should be as in `want`."""

    care: int
    want: int

    def within(self, alive: int) -> Target:
        """The same wish for those samples only."""
        return Target(self.care & alive, self.want & self.care & alive)

    @property
    def minority(self) -> int:
        """Samples that show the rarer of the two states."""
        ones = (self.want & self.care).bit_count()
        return min(ones, self.care.bit_count() - ones)

    @property
    def evidence(self) -> float:
        """Bits of surprise when one given bit fits it."""
        return math.log2(math.comb(self.care.bit_count(), self.minority))


class Board:
    """The samples of one frame length."""

    def __init__(self, samples: Sequence[Sample]) -> None:
        self.samples = tuple(samples)
        self.labels: tuple[Label, ...] = tuple(sample.label for sample in samples)
        self.length = len(samples[0].frame)
        self.everyone = (1 << len(samples)) - 1
        self.numbers = [int.from_bytes(sample.frame, "little") for sample in samples]
        self.columns = [0] * (8 * self.length)
        changing = 0
        for number in self.numbers:
            changing |= number ^ self.numbers[0]
        self.varying = tuple(bit for bit in range(8 * self.length) if changing >> bit & 1)
        for bit in range(8 * self.length):
            if not changing >> bit & 1:
                self.columns[bit] = self.everyone if self.numbers[0] >> bit & 1 else 0
        for index, number in enumerate(self.numbers):
            for bit in self.varying:
                self.columns[bit] |= (number >> bit & 1) << index

    @property
    def steady(self) -> tuple[int, ...]:
        """Bits that never change in any sample."""
        return tuple(bit for bit in range(8 * self.length) if bit not in set(self.varying))

    def where(self, wanted: Iterable[bool]) -> int:
        """A column from one truth value a sample."""
        return sum(1 << index for index, is_so in enumerate(wanted) if is_so)

    def indices(self, vector: int) -> list[int]:
        """The samples of a column."""
        return [index for index in range(len(self.samples)) if vector >> index & 1]

    def varying_in(self, samples: int) -> list[int]:
        """Bits that are not the same throughout those samples."""
        return [bit for bit in self.varying if self.columns[bit] & samples not in {0, samples}]

    def is_constant_within(self, bit: int, classes: Iterable[int]) -> bool:
        """Whether the bit is the same throughout each class of samples."""
        column = self.columns[bit]
        return all(column & members in {0, members} for members in classes)

    def code_of(self, index: int, bits: Sequence[int]) -> int:
        """The number that those bits, lowest first, form in one sample."""
        number = self.numbers[index]
        return sum((number >> bit & 1) << place for place, bit in enumerate(bits))

    def find_same(self, target: Target, bits: Iterable[int]) -> tuple[list[int], list[int]]:
        """The bits that fulfil a wish as they are, and those that do inverted."""
        same, inverted = [], []
        for bit in bits:
            wrong = (self.columns[bit] ^ target.want) & target.care
            if not wrong:
                same.append(bit)
            elif wrong == target.care:
                inverted.append(bit)
        return same, inverted

    def _nearest(self, target: Target, bits: Sequence[int]) -> tuple[int, int]:
        """Mismatches of the bit that comes nearest to a wish, and the samples where they are.

        Where several come equally near, only samples that all of them miss are named.
        """
        fewest, missed = target.care.bit_count() + 1, 0
        for bit in bits:
            wrong = (self.columns[bit] ^ target.want) & target.care
            count = wrong.bit_count()
            other = target.care.bit_count() - count
            if other < count:
                wrong, count = target.care & ~wrong, other
            if count < fewest:
                fewest, missed = count, wrong
            elif count == fewest:
                missed &= wrong
        return fewest, missed

    def agree(self, targets: Sequence[Target], bits: Sequence[int], alive: int) -> int | None:
        """The largest part of `alive` found in which every telling wish has a bit; None for none.

        The sample that most wishes speak against goes first, until none does.
        """
        floor = max(FEWEST_KEPT, math.ceil(LEAST_SHARE_KEPT * alive.bit_count()))
        while alive.bit_count() >= floor:
            votes: dict[int, int] = {}
            unmet = 0
            for wish in targets:
                target = wish.within(alive)
                if target.minority < 2:  # noqa: PLR2004  a single sample cannot vote itself out
                    continue
                count, missed = self._nearest(target, bits)
                if 2 * count > target.minority or 4 * count > target.care.bit_count():
                    unmet += 1
                    continue
                for index in self.indices(missed):
                    votes[index] = votes.get(index, 0) + 1
            if not votes:
                return alive if not unmet else None
            worst = max(votes, key=lambda index: (votes[index], index))
            alive &= ~(1 << worst)
        return None
