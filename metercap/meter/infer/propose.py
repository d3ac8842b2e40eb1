"""Labelled frames to a proposed driver file, or to why there is none and what to record next.

Every family of values is tried; what is proposed has read all the labels that it was made from.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

from metercap.errors import DriverError
from metercap.meter.check import check_driver
from metercap.meter.decode import build_decoder
from metercap.meter.description import parse_driver
from metercap.meter.infer.columns import FEWEST_KEPT, LEAST_SHARE_KEPT, Board
from metercap.meter.infer.digits import fit_digits
from metercap.meter.infer.functions import Beside, read_beside
from metercap.meter.infer.labels import Label, Sample
from metercap.meter.infer.lines import fit_line, is_text, quoted
from metercap.meter.infer.masked import find_masked_sum
from metercap.meter.infer.numbers import fit_count, fit_float
from metercap.meter.infer.seal import seal, seal_masked
from metercap.meter.infer.sums import Sum, find_sum
from metercap.meter.infer.value import ValueFit
from metercap.meter.infer.writing import (
    Named,
    example_text,
    frame_text,
    function_name,
    head,
    name_rows,
    rows_text,
    slug,
    value_text,
)
from metercap.model import Reading, Refusal

FEWEST_SAMPLES = 8
UNKNOWN_CHARACTERISTIC = "00000000-0000-0000-0000-000000000000"
_MOST_FRAMES = 200  # labelled frames that are looked at; a person records some tens
_LATEST = 3  # samples by which a label may be late, frames of other kinds between
_SELDOM = 2  # samples
_MOST_TRIES = 6  # times that a proposal may drop what contradicts it and be written again


class Inference(NamedTuple):
    """A driver file, or None and the `reason`; what stayed open; what would settle it.

    `left_out` names the samples that contradict the rest, by their line in the file.
    """

    driver_text: str | None
    ambiguous: tuple[str, ...] = ()
    next_states: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    reason: str | None = None


class _Proposal(NamedTuple):
    text: str
    kept: int
    notes: tuple[str, ...]
    next_states: tuple[str, ...]


class _Failure(NamedTuple):
    reason: str
    next_states: tuple[str, ...] = ()
    reach: int = 0  # samples that a family explained before it failed


def infer(samples: Sequence[Sample], name: str, notify: str = UNKNOWN_CHARACTERISTIC) -> Inference:
    """Propose the driver file that reads all samples but those that contradict the others.

    `name` becomes the file's id and title, and the advertised name to look for; `notify` is the
    characteristic that the frames came from. Where nothing reads them, or several things could,
    the answer is no file.
    """
    given = samples[:_MOST_FRAMES]
    samples = _prompt(given)
    if len(samples) < FEWEST_SAMPLES:
        return Inference(
            None,
            reason=f"found {len(samples)} labelled frames, expected at least {FEWEST_SAMPLES}",
            next_states=("more readings, with other digits in every place",),
        )
    told = _infer_line(samples, name, notify) if is_text(samples) else None
    if not isinstance(told, _Proposal):
        framed = _infer_frame(samples, name, notify)
        if isinstance(framed, _Proposal) or told is None:
            told = framed
    if isinstance(told, _Failure):
        return Inference(None, reason=told.reason, next_states=told.next_states)
    return Inference(
        told.text,
        told.notes,
        told.next_states,
        tuple(_contradictions(told.text, given, slug(name))),
    )


def _prompt(samples: Sequence[Sample]) -> Sequence[Sample]:
    """The samples without those that may carry the label of a display before.

    That is, what repeats one of the last numbers beside another frame. Where whole runs of frames
    have one label, people meant it so, and all stay.
    """
    prompt = [
        sample
        for index, sample in enumerate(samples)
        if not any(
            sample.label.value is not None
            and before.label == sample.label
            and before.frame != sample.frame
            for before in samples[max(0, index - _LATEST) : index]
        )
    ]
    return prompt if len(prompt) >= LEAST_SHARE_KEPT * len(samples) else samples


# ---- lines ----


def _infer_line(samples: Sequence[Sample], name: str, notify: str) -> _Proposal | _Failure:
    fit = fit_line(samples)
    if isinstance(fit, str):
        return _Failure(fit)
    parts = [head(name, "line", notify), fit.table]
    for named, before, after in fit.rows:
        row = rows_text([named], _LabelsOnly(samples))
        parts.append(f"{row}before = {quoted(before)}\nafter = {quoted(after)}\n")
    parts += [example_text(samples[index], fit.named[index]) for index in sorted(fit.named)]
    text = "\n".join(parts)
    problem = _find_problem(text, slug(name))
    if problem is not None:
        return _Failure(problem, fit.next_states, len(fit.named))
    kept = sum(1 << index for index in fit.named)
    return _Proposal(text, kept, (), fit.next_states)


def _find_problem(text: str, name: str) -> str | None:
    try:
        problems = check_driver(parse_driver(text, name))
    except DriverError as fault:
        return str(fault)
    return problems[0] if problems else None


# ---- binary frames ----


def _infer_frame(samples: Sequence[Sample], name: str, notify: str) -> _Proposal | _Failure:
    board, summed = _main_kind(samples)
    if board is None:
        return _Failure(
            f"found no {FEWEST_SAMPLES} labelled frames of one length",
            ("more readings, with other digits in every place",),
        )
    covered = set() if summed is None else set(range(8 * summed.at, 8 * (summed.at + summed.width)))
    free = [bit for bit in board.varying if bit not in covered]
    usable = frozenset(bit for bit in range(8 * board.length) if bit not in covered)
    best: _Proposal | None = None
    failures = []
    for fit in _fits(board, free, usable):
        if fit is None:
            continue
        told = _propose(board, fit, summed, frozenset(free), name, notify)
        if isinstance(told, _Failure):
            failures.append(told)
        elif best is None or told.kept.bit_count() > best.kept.bit_count():
            best = told
    if best is not None:
        return best
    if failures:
        return max(failures, key=lambda failure: failure.reach)
    return _Failure(
        "no bits of the frames go with the digits of the labels",
        ("more readings, with other digits in every place, each label from its own frame",),
    )


def _main_kind(samples: Sequence[Sample]) -> tuple[Board | None, Sum | None]:
    """The commonest length, without the frames that break its checksum."""
    lengths: dict[int, list[Sample]] = {}
    for sample in samples:
        lengths.setdefault(len(sample.frame), []).append(sample)
    group = max(lengths.values(), key=len)
    if len(group) < FEWEST_SAMPLES:
        return None, None
    summed = find_sum([sample.frame for sample in group])
    if summed is not None:
        group = [sample for n, sample in enumerate(group) if summed.frames >> n & 1]
        if len(group) < FEWEST_SAMPLES:
            return None, None
    return Board(group), summed


def _fits(board: Board, free: Sequence[int], usable: frozenset[int]) -> Iterable[ValueFit | None]:
    """Each family in turn; where two explain as much, the earlier is proposed."""
    tries: tuple[Callable[[], ValueFit | None], ...] = (
        lambda: fit_float(board, usable, "float32"),
        lambda: fit_float(board, usable, "medfloat32"),
        lambda: fit_float(board, usable, "medfloat16"),
        lambda: fit_digits(board, free, "seg7"),
        lambda: fit_digits(board, free, "bcd"),
        lambda: fit_count(board, free, twos=True),
        lambda: fit_count(board, free, twos=False),
    )
    return (attempt() for attempt in tries)


def _propose(
    board: Board, fit: ValueFit, summed: Sum | None, free: frozenset[int], name: str, notify: str
) -> _Proposal | _Failure:
    covered = frozenset(range(8 * board.length)) - free - frozenset(board.steady)
    fewest = max(FEWEST_KEPT, LEAST_SHARE_KEPT * len(board.samples))
    reason = "too few samples agree"
    for _ in range(_MOST_TRIES):
        beside = read_beside(board, fit, free)
        if isinstance(beside, str):
            return _Failure(beside, reach=fit.kept.bit_count())
        beside = _without_stirrings(board, fit, beside, covered)
        kept = beside.numbers | beside.overs
        asked = beside.next_states + fit.next_states
        if kept.bit_count() < fewest:
            return _Failure(reason, asked, kept.bit_count())
        named = name_rows(beside.rows)
        text, notes, wrong = _write(board, fit, beside, summed, named, name, notify)
        try:
            problems = check_driver(parse_driver(text, slug(name)))
        except DriverError as fault:
            return _Failure(str(fault), asked, kept.bit_count())
        if not problems:
            return _Proposal(text, kept, fit.notes + beside.notes + notes, asked)
        reason = problems[0]
        dropped = 0
        for problem in problems:
            if problem.startswith("example["):
                dropped |= 1 << wrong[int(problem[len("example[") : problem.index("]")])]
        if not dropped:
            return _Failure(reason, asked, kept.bit_count())
        fit = _without(fit, beside, dropped)
    return _Failure(reason, reach=fit.kept.bit_count())


def _without_stirrings(
    board: Board, fit: ValueFit, beside: Beside, covered: frozenset[int]
) -> Beside:
    """Leave out samples in which a bit that says nothing known moved only once or twice.

    What moves that seldom is no noise: it may be a lamp, whose meaning no label told.
    """
    known = fit.claimed | beside.claimed | covered
    numbers, overs = beside.numbers, beside.overs
    for bit in board.varying_in(numbers | overs):
        kept = numbers | overs
        lit = board.columns[bit] & kept
        few = min(lit, kept & ~lit, key=int.bit_count)
        if bit not in known and few.bit_count() <= _SELDOM:
            numbers, overs = numbers & ~few, overs & ~few
    return beside._replace(numbers=numbers, overs=overs)


def _without(fit: ValueFit, beside: Beside, dropped: int) -> ValueFit:
    """The fit that no longer counts those samples."""
    return fit._replace(kept=beside.numbers & ~dropped, barred=fit.barred | dropped)


def _write(
    board: Board,
    fit: ValueFit,
    beside: Beside,
    summed: Sum | None,
    named: Sequence[Named],
    name: str,
    notify: str,
) -> tuple[str, tuple[str, ...], list[int]]:
    """The file's text, notes, and which sample each example is."""
    kept = beside.numbers | beside.overs
    inverted = fit.inverted | ({beside.sign} if beside.sign_inverted else frozenset())
    mask = sum(1 << bit for bit in inverted if bit is not None)
    claimed = fit.claimed | beside.claimed
    moving = set(board.varying_in(kept))
    still = frozenset(
        at
        for at in range(board.length)
        if not moving.union(claimed).intersection(range(8 * at, 8 * at + 8))
    )
    sealed = seal(board, summed, mask, still)
    if summed is None:
        known = fit.claimed if beside.sign is None else fit.claimed | {beside.sign}
        hidden = find_masked_sum(board, kept, mask, known)
        if hidden is not None:
            sealed = seal_masked(*hidden)
    order = board.indices(kept)
    names = [
        function_name(named, board.labels[i].function, board.code_of(i, beside.row_bits)) or ""
        for i in order
    ]
    parts = [
        head(name, "frame", notify),
        frame_text(board, claimed, sealed.mask, kept, sealed.text),
        value_text(fit, beside, board, sealed.mask),
        rows_text(named, board, beside.row_bits, sealed.mask),
        *(example_text(board.samples[i], row) for i, row in zip(order, names, strict=True)),
    ]
    summed_bits = sealed.text.bits if sealed.text is not None else frozenset()
    loose = len(moving - claimed - summed_bits)
    notes = [sealed.note] if sealed.note else []
    if loose:
        notes.append(f"{loose} bits change without saying what the labels say; they are ignored")
    return "\n".join(parts), tuple(notes), order


# ---- what is left out ----


class _LabelsOnly:
    """The labels of samples that have no columns."""

    def __init__(self, samples: Sequence[Sample]) -> None:
        self.labels: tuple[Label, ...] = tuple(sample.label for sample in samples)

    def indices(self, vector: int) -> list[int]:
        """The samples of a column."""
        return [index for index in range(len(self.labels)) if vector >> index & 1]


def _contradictions(text: str, samples: Sequence[Sample], name: str) -> list[str]:
    """One line for each sample that the driver does not read as its label says."""
    decoder = build_decoder(parse_driver(text, name))
    lines = []
    for sample in samples:
        outcomes, _ = decoder.decode(sample.frame)
        outcome = outcomes[0] if len(outcomes) == 1 else Refusal("no single reading")
        label = sample.label
        if isinstance(outcome, Refusal):
            lines.append(f"line {sample.line}: {outcome.reason}")
        elif not _says(outcome, label):
            shown = outcome.value or outcome.status.value
            lines.append(
                f"line {sample.line}: found {shown} {outcome.unit}, but the label says "
                f"{label.value or label.status.value} {label.unit}"
            )
    return lines


def _says(reading: Reading, label: Label) -> bool:
    return (reading.value, reading.status) == (label.value, label.status) and (
        reading.quantity,
        reading.unit,
        reading.coupling,
    ) == label.function
