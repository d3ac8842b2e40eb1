"""What was found in labelled frames to the text of a driver file."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from decimal import Decimal
from typing import NamedTuple, Protocol

from metercap.meter.description import bit_address
from metercap.meter.infer.columns import Board
from metercap.meter.infer.functions import Beside, Function, Row
from metercap.meter.infer.labels import Label, Sample
from metercap.meter.infer.value import ValueFit
from metercap.model import Status

_WRAP = 10  # addresses on a line


class Labelled(Protocol):
    """Labels by sample."""

    labels: tuple[Label, ...]

    def indices(self, vector: int) -> list[int]:
        """The samples of a column."""
        ...


class SumText(NamedTuple):
    """A checksum as the file says it."""

    text: str
    bits: frozenset[int]


class Named(NamedTuple):
    """A row of the function table under its name."""

    name: str
    row: Row


def head(name: str, kind: str, notify: str) -> str:
    """The first keys of the file; what frames cannot tell is left to fill in."""
    return (
        f"# Proposed from labelled frames: check the link, the title and the ranges.\n"
        f'id = "{slug(name)}"\n'
        f'title = "{_plain(name)}"\n'
        'version = "1"\n'
        f'kind = "{kind}"\n\n'
        "[match]\n"
        f'name = "{_plain(name)}"\n\n'
        "[link]\n"
        f'notify = "{notify}"\n'
        'interval = "1 s"\n'
    )


def slug(name: str) -> str:
    """A name as an id: lower-case letters, digits and hyphens."""
    text = "".join(c if c.isascii() and c.isalnum() else "-" for c in name.lower())
    text = "-".join(part for part in text.split("-") if part)[:60]
    return text if text[:1].isalpha() else f"meter-{text}".rstrip("-")


def _plain(name: str) -> str:
    """A name as text of a TOML string."""
    text = "".join(c for c in name if c.isprintable() and c not in '"\\*')[:60].strip()
    return text or "meter"


def name_rows(rows: Sequence[Row]) -> list[Named]:
    """Give each row a name from what it shows."""
    named: list[Named] = []
    taken: set[str] = set()
    for row in rows:
        quantity, unit, coupling = row.function
        base = slug("-".join(part for part in (quantity, coupling, _spoken(unit)) if part))
        name = base
        if sum(other.function == row.function for other in rows) > 1:
            name = f"{base}-{row.decimals}"
        number = 2
        while name in taken:
            name, number = f"{base}-{number}", number + 1
        taken.add(name)
        named.append(Named(name, row))
    return named


def _spoken(unit: str) -> str:
    """A unit's prefix in letters that lower case keeps apart."""
    if unit[:1] == "M":
        return f"mega{unit[1:]}"
    return f"milli{unit[1:]}" if unit[:1] == "m" and len(unit) > 1 else unit


def addresses(bits: Iterable[int]) -> str:
    """Bits as a TOML array, over several lines where there are many."""
    words = [f'"{bit_address(bit)}"' for bit in bits]
    if len(words) <= _WRAP:
        return "[" + ", ".join(words) + "]"
    lines = [", ".join(words[start : start + _WRAP]) for start in range(0, len(words), _WRAP)]
    return "[\n    " + ",\n    ".join(lines) + ",\n]"


def frame_text(
    board: Board, claimed: frozenset[int], mask: int, kept: int, checksum: SumText | None
) -> str:
    """The frame table: length, mask, checksum, and every bit that no field owns."""
    moving = set(board.varying_in(kept))
    summed = checksum.bits if checksum is not None else frozenset()
    number = board.numbers[(kept & -kept).bit_length() - 1] ^ mask
    still = {
        bit
        for bit in range(8 * board.length)
        if bit not in moving and bit not in claimed and bit not in summed
    }
    lines = ["[frame]", f"length = {board.length}"]
    if mask:
        text = mask.to_bytes(board.length, "little").hex(" ").upper()
        lines.append(f'xor = "{text}"')
    whole = [at for at in range(board.length) if still.issuperset(range(8 * at, 8 * at + 8))]
    consts = []
    for first, last in _runs(whole):
        data = (number >> 8 * first).to_bytes(board.length + 8, "little")[: last - first + 1]
        consts.append(f'{{ at = {first}, hex = "{data.hex(" ").upper()}" }}')
        still -= set(range(8 * first, 8 * last + 8))
    if consts:
        lines.append("const = [" + ", ".join(consts) + "]")
    if checksum is not None:
        lines.append(f"checksum = {checksum.text}")
    for key, wanted in (("on", 1), ("off", 0)):
        bits = sorted(bit for bit in still if number >> bit & 1 == wanted)
        if bits:
            lines.append(f"{key} = {addresses(bits)}")
    loose = sorted(moving - claimed - summed)
    if loose:
        lines.append(f"reserved = {addresses(loose)}")
    return "\n".join(lines) + "\n"


def _runs(numbers: Sequence[int]) -> list[tuple[int, int]]:
    runs: list[tuple[int, int]] = []
    for number in numbers:
        if runs and runs[-1][1] == number - 1:
            runs[-1] = runs[-1][0], number
        else:
            runs.append((number, number))
    return runs


def _unmasked(code: int, bits: Sequence[int], mask: int) -> int:
    """A code as it is when the mask is taken off its bits."""
    return code ^ sum((mask >> bit & 1) << place for place, bit in enumerate(bits))


def value_text(fit: ValueFit, beside: Beside, board: Board, mask: int) -> str:
    """The value table and the fields beside the value."""
    lines = ["[value]", *(f"{key} = {text}" for key, text in fit.value)]
    fields = list(fit.fields)
    if beside.sign is not None:
        lines.append('sign = "minus"')
        fields.append(f'[field.minus]\ntype = "flag"\nbits = ["{bit_address(beside.sign)}"]')
    for key, bits in (
        ("function", beside.row_bits),
        ("point", beside.place_bits),
        ("state", beside.state_bits),
    ):
        if bits:
            fields.append(f'[field.{key}]\ntype = "uint"\nbits = {addresses(bits)}')
    if beside.place_bits:
        plain = {_unmasked(code, beside.place_bits, mask): n for code, n in beside.places.items()}
        codes = ", ".join(f"{code} = {places}" for code, places in sorted(plain.items()))
        lines.append(f'places = {{ field = "point", codes = {{ {codes} }} }}')
    if beside.state_bits:
        told = {_unmasked(code, beside.state_bits, mask): s for code, s in beside.states.items()}
        codes = ", ".join(
            f'{code} = "{"special" if status is None else status.value}"'
            for code, status in sorted(told.items())
        )
        lines.append(f'state = {{ field = "state", codes = {{ {codes} }} }}')
    if not fit.has_over:
        overs = {index: board.labels[index].status for index in board.indices(beside.overs)}
        if beside.sign is not None:
            # The sign flag tells the two ends apart; one text or raw value serves both.
            overs = dict.fromkeys(overs, Status.OVER)
        for status, shown in fit.specials(overs).items():
            words = ", ".join(f'"{word}"' if isinstance(word, str) else str(word) for word in shown)
            lines.append(f"{status.value} = [{words}]")
    return "\n\n".join([*fields, "\n".join(lines)]) + "\n"


def rows_text(
    named: Sequence[Named], board: Labelled, bits: Sequence[int] = (), mask: int = 0
) -> str:
    """The function table; an overload means more than the highest number seen in the row."""
    parts = []
    for name, row in named:
        quantity, unit, coupling = row.function
        shown = [board.labels[index].value or "0" for index in board.indices(row.samples)]
        highest = max((abs(Decimal(value)) for value in shown), default=Decimal(0))
        lines = [
            "[[function]]",
            f'name = "{name}"',
            f'quantity = "{quantity}"',
            f'unit = "{unit}"',
            f'coupling = "{coupling or "none"}"',
            f'ceiling = "{format(highest, "f")}" # the highest seen',
        ]
        if row.decimals is not None:
            lines.append(f"decimals = {row.decimals}")
        if bits:
            lines.append(f"when = {{ function = {_unmasked(row.code, bits, mask)} }}")
        parts.append("\n".join(lines))
    return "\n\n".join(parts) + "\n"


def example_text(sample: Sample, function: str) -> str:
    """One sample as an example of the file."""
    data = sample.frame.hex(" ").upper()
    return f'[[example]]\nhex = "{data}"\nreading = {_reading(sample.label, function)}\n'


def _reading(label: Label, function: str) -> str:
    parts = [f'function = "{function}"', f'quantity = "{label.quantity}"', f'unit = "{label.unit}"']
    if label.coupling is not None:
        parts.append(f'coupling = "{label.coupling}"')
    if label.value is not None:
        parts.append(f'value = "{label.value}"')
    else:
        parts.append(f'status = "{label.status.value}"')
    return "{ " + ", ".join(parts) + " }"


def function_name(named: Sequence[Named], function: Function, code: int) -> str | None:
    """The name of the row that has that code; None where it shows another function."""
    for name, row in named:
        if row.code == code and row.function == function:
            return name
    return None
