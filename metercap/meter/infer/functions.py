"""Columns of bits and a value that was found to what stands beside it: sign, point, state, rows.

Whatever always went with a function, a point or an overload becomes part of its code, so that a
frame is only read where all of it is as it was seen.
"""

from __future__ import annotations

from typing import NamedTuple

from metercap.meter.infer.columns import Board, Target
from metercap.meter.infer.value import ValueFit
from metercap.model import Status

Function = tuple[str, str, str | None]


class Row(NamedTuple):
    """One row of the function table: its code, its decimals where the row carries them."""

    function: Function
    code: int
    decimals: int | None
    samples: int


class Beside(NamedTuple):
    """What the bits beside the value say."""

    numbers: int  # column of samples that show a number and are kept
    overs: int  # column of samples that show none and are kept
    sign: int | None
    sign_inverted: bool
    row_bits: tuple[int, ...]
    rows: tuple[Row, ...]
    place_bits: tuple[int, ...]
    places: dict[int, int]
    state_bits: tuple[int, ...]
    states: dict[int, Status | None]  # None: the value itself says what it is
    notes: tuple[str, ...]
    next_states: tuple[str, ...]

    @property
    def claimed(self) -> frozenset[int]:
        """All bits that say something here."""
        sign = () if self.sign is None else (self.sign,)
        return frozenset((*sign, *self.row_bits, *self.place_bits, *self.state_bits))


def read_beside(board: Board, fit: ValueFit, free: frozenset[int]) -> Beside | str:
    """Find it in the bits of `free`; a line saying what is missing where the labels need more."""
    notes: list[str] = []
    asked: list[str] = []
    bits = [bit for bit in board.varying if bit in free and bit not in fit.claimed]
    minus = board.where(label.is_negative for label in board.labels)
    numbers = _agreeing(board, bits, fit.kept, None if fit.has_sign else minus)
    sign, sign_inverted = None, False
    if not fit.has_sign:
        found = _find_sign(board, bits, numbers, minus)
        if found is not None:
            sign, sign_inverted = found
            bits.remove(sign)
        elif minus & numbers:
            notes.append("sign: no single bit goes with the minus; readings with one are left out")
            numbers &= ~minus
    if not minus & numbers:
        asked.append("a negative reading (probes the other way round)")
    told = _find_rows(board, bits, numbers, has_point=fit.has_point)
    if isinstance(told, str):
        return told
    row_bits, rows, place_bits, places = told
    overs = board.where(label.status is not Status.OK for label in board.labels) & ~fit.barred
    known = {row.function for row in rows}
    for index in board.indices(overs):
        function = board.labels[index].function
        code = board.code_of(index, row_bits)
        if not any(row.function == function and row.code == code for row in rows):
            overs &= ~(1 << index)
            if function not in known:
                asked.append(f"a number in {name_of(function)}")
    asked += _unshown(board, rows, has_point=fit.has_point)
    used = {*row_bits, *place_bits}
    quiet = [b for b in bits if b not in used and board.is_constant_within(b, [numbers])]
    overs, state_bits, states = _find_states(board, fit, quiet, numbers, overs)
    if not overs:
        asked.append("an overload (OL) in a function that has also shown a number")
    return Beside(
        numbers,
        overs,
        sign,
        sign_inverted,
        row_bits,
        rows,
        place_bits,
        places,
        state_bits,
        states,
        tuple(notes),
        tuple(dict.fromkeys(asked)),
    )


def _unshown(board: Board, rows: tuple[Row, ...], *, has_point: bool) -> list[str]:
    """Functions and ranges that only late labels named, or ones left out: to be shown again."""
    asked = []
    for label in board.labels:
        same = [row for row in rows if row.function == label.function]
        is_known = any(has_point or row.decimals in {None, label.places} for row in same)
        if label.value is not None and not is_known:
            asked.append(f"a number in {name_of(label.function)} with {label.places} decimals")
    return asked


def name_of(function: Function) -> str:
    """A function as a person says it: "mV dc"."""
    return f"{function[1]} {function[2] or ''}".strip()


_FEWEST_PROOFS = 4  # of a code for the point alone: chance makes one in sixteen look like it
_FEW = 2  # samples: so many may speak against what all others say of a bit


def _agreeing(board: Board, bits: list[int], numbers: int, minus: int | None) -> int:
    """The samples without those whose digits are right but whose sign or function is not.

    A late label may name the digits that stand there, too, as noughts often do. Then bits that go
    with the sign, or with the function, in all other samples do not in that one.
    """
    while True:
        votes: dict[int, int] = {}
        functions = list(_classes(board, numbers, by_places=False).values())
        ranges = list(_classes(board, numbers, by_places=True).values())
        places = list(_by_places(board, numbers).values())
        target = Target(numbers, 0 if minus is None else minus & numbers)
        is_signed = target.minority == 0 or any(board.find_same(target, bits))
        for bit in board.varying_in(numbers):
            if bit not in bits or any(
                board.is_constant_within(bit, each) for each in (ranges, places)
            ):
                continue
            column = board.columns[bit] & numbers
            if not is_signed:
                wrong = column ^ target.want
                _vote(board, votes, min(wrong, numbers & ~wrong, key=int.bit_count), 2)
            elif any(board.find_same(target, [bit])):
                continue
            against = 0
            for members in functions:
                lit = column & members
                against |= min(lit, members & ~lit, key=int.bit_count)
            _vote(board, votes, against, 1)
        worst = max(votes, key=lambda index: (votes[index], index), default=None)
        if worst is None or votes[worst] < 2:  # noqa: PLR2004  one bit alone may be a chance
            return numbers
        numbers &= ~(1 << worst)


def _vote(board: Board, votes: dict[int, int], against: int, weight: int) -> None:
    if 0 < against.bit_count() <= _FEW:
        for index in board.indices(against):
            votes[index] = votes.get(index, 0) + weight


def _by_places(board: Board, samples: int) -> dict[int, int]:
    classes: dict[int, int] = {}
    for index in board.indices(samples):
        places = board.labels[index].places
        classes[places] = classes.get(places, 0) | 1 << index
    return classes


def _find_sign(board: Board, bits: list[int], numbers: int, minus: int) -> tuple[int, bool] | None:
    """The one bit that goes with the minus, and whether it is inverted."""
    target = Target(numbers, minus & numbers)
    if not target.minority:
        return None
    # Where whole functions were only ever negative, their own bits go with the minus as well.
    classes = _classes(board, numbers, by_places=False).values()
    if all(target.want & members in {0, members} for members in classes):
        return None
    same, inverted = board.find_same(target, bits)
    if len(same) + len(inverted) != 1:
        return None
    return (same + inverted)[0], bool(inverted)


def _classes(
    board: Board, samples: int, *, by_places: bool
) -> dict[tuple[Function, int | None], int]:
    classes: dict[tuple[Function, int | None], int] = {}
    for index in board.indices(samples):
        label = board.labels[index]
        key = label.function, label.places if by_places else None
        classes[key] = classes.get(key, 0) | 1 << index
    return classes


_Told = tuple[tuple[int, ...], tuple[Row, ...], tuple[int, ...], dict[int, int]]


def _find_rows(board: Board, bits: list[int], numbers: int, *, has_point: bool) -> _Told | str:
    moving = [bit for bit in bits if bit in set(board.varying_in(numbers))]
    classes = _classes(board, numbers, by_places=False)
    row_bits = tuple(b for b in moving if board.is_constant_within(b, classes.values()))
    shown = {
        function: {board.labels[index].places for index in board.indices(members)}
        for (function, _), members in classes.items()
    }
    if has_point or all(len(places) == 1 for places in shown.values()):
        rows = tuple(
            _row(board, members, row_bits, function, max(shown[function]))
            for (function, _), members in classes.items()
        )
        return _twins(rows) or (row_bits, rows, (), {})
    by_places = _by_places(board, numbers)
    place_bits = tuple(
        b for b in moving if b not in row_bits and board.is_constant_within(b, by_places.values())
    )
    codes = {
        board.code_of(_first(members), place_bits): places for places, members in by_places.items()
    }
    rows = tuple(
        _row(board, members, row_bits, function, None) for (function, _), members in classes.items()
    )
    finer = _classes(board, numbers, by_places=True)
    range_bits = tuple(b for b in moving if board.is_constant_within(b, finer.values()))
    # Bits that need both function and point to tell them are a range code; it may go on otherwise.
    proofs = len(finer) - len(by_places)  # times that another function had the same point
    is_split = {*range_bits} <= {*row_bits, *place_bits} and proofs >= _FEWEST_PROOFS
    if is_split and len(codes) == len(by_places) and _twins(rows) is None:
        return row_bits, rows, place_bits, codes
    row_bits = range_bits
    rows = tuple(
        _row(board, members, row_bits, function, places)
        for (function, places), members in finer.items()
    )
    return _twins(rows) or (row_bits, rows, (), {})


def _first(members: int) -> int:
    return (members & -members).bit_length() - 1


def _row(
    board: Board, members: int, bits: tuple[int, ...], function: Function, decimals: int | None
) -> Row:
    return Row(function, board.code_of(_first(members), bits), decimals, members)


def _twins(rows: tuple[Row, ...]) -> str | None:
    """One line where two rows have one code."""
    seen: dict[int, Row] = {}
    for row in rows:
        other = seen.setdefault(row.code, row)
        if other is not row:
            what = [
                name_of(each.function)
                + ("" if each.decimals is None else f" with {each.decimals} decimals")
                for each in (other, row)
            ]
            return f"function: no bit tells {what[0]} from {what[1]}"
    return None


def _find_states(
    board: Board, fit: ValueFit, quiet: list[int], numbers: int, overs: int
) -> tuple[int, tuple[int, ...], dict[int, Status | None]]:
    """(samples kept, bits, code -> status) of what only ever moved beside an overload."""
    told = [index for index in board.indices(overs) if index not in fit.no_numbers]
    for index in fit.unsure.intersection(told):
        if sum(board.columns[b] >> index & 1 != _usual(board, b, numbers) & 1 for b in quiet) <= (
            fit.untold
        ):
            overs &= ~(1 << index)
            told.remove(index)
    flags = _find_flags(board, quiet, numbers, told)
    usual = board.code_of(_first(numbers), flags)
    for index in told:
        # A label may be late: what it calls an overload must differ from a number as others do.
        unlike = board.code_of(index, flags) ^ usual
        if not flags or unlike != (1 << len(flags)) - 1:
            overs &= ~(1 << index)
    if not overs:
        return 0, (), {}
    state_bits = tuple(b for b in quiet if not board.is_constant_within(b, [numbers | overs]))
    if not state_bits:
        return overs, (), {}
    states: dict[int, Status | None] = {board.code_of(_first(numbers), state_bits): Status.OK}
    for index in board.indices(overs):
        code, status = board.code_of(index, state_bits), board.labels[index].status
        if index in fit.no_numbers:
            states.setdefault(code, None)
        elif states.get(code) is not Status.OVER:
            # With a sign beside it, an overload below says itself by both.
            states[code] = Status.OVER if states.get(code, status) is not status else status
    return overs, state_bits, states


def _find_flags(board: Board, quiet: list[int], numbers: int, told: list[int]) -> tuple[int, ...]:
    """Bits that say "no number": never so beside a number, always so in those samples.

    A label may be late by one display. Those that follow a sample with a proven number are not;
    where there are none, two samples must agree.
    """
    sure = [index for index in told if _is_prompt(board, index, numbers)]
    fewest = 1 if sure else 2
    marked = {
        bit: sum((board.columns[bit] ^ _usual(board, bit, numbers)) >> i & 1 for i in sure or told)
        for bit in quiet
    }
    most = max(marked.values(), default=0)
    if most < fewest:
        return ()
    return tuple(bit for bit, count in marked.items() if count == most)


def _is_prompt(board: Board, index: int, numbers: int) -> bool:
    """Whether the sample before it, which a late label would belong to, surely shows a number."""
    if index == 0:
        return True
    follows = board.samples[index - 1].line == board.samples[index].line - 1
    return follows and numbers >> (index - 1) & 1 == 1


def _usual(board: Board, bit: int, numbers: int) -> int:
    return board.everyone if board.columns[bit] & numbers else 0
