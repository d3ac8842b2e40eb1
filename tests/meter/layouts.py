"""A seed to an invented meter of a named family, its labelled frames and its fresh displays.

Frames are put together here bit by bit, without the engine under test. Everything that a maker may
choose is drawn: which bit carries what, masks, checksums, codes or flags for function, point and
overload, drawn variants of glyphs, bytes that say nothing.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable
from random import Random
from typing import NamedTuple

SEGMENTS = {
    "0": 0x3F, "1": 0x06, "2": 0x5B, "3": 0x4F, "4": 0x66, "5": 0x6D, "6": 0x7D, "7": 0x07,
    "8": 0x7F, "9": 0x6F, "L": 0x38, "-": 0x40, " ": 0x00,
}  # fmt: skip
MOST_RANGES = 10  # of which 25 labels show each twice; a meter with more needs more labels
FAMILIES = ("seg7", "bcd", "count", "float32", "medfloat32", "medfloat16", "line")


class Row(NamedTuple):
    """A function of the meter: unit as typed, decimals of its ranges, whether it goes negative."""

    quantity: str
    unit: str
    coupling: str | None
    decimals: tuple[int, ...]
    negative: bool

    @property
    def function(self) -> tuple[str, str, str | None]:
        return self.quantity, self.unit, self.coupling


class Display(NamedTuple):
    """What stands on the display: a count with `decimals`, or an overload (None)."""

    row: Row
    count: int | None
    decimals: int

    @property
    def value(self) -> str | None:
        if self.count is None:
            return None
        digits = str(abs(self.count)).zfill(self.decimals + 1)
        sign = "-" if self.count < 0 else ""
        if not self.decimals:
            return sign + digits
        return f"{sign}{digits[: -self.decimals]}.{digits[-self.decimals :]}"

    @property
    def shown(self) -> str:
        what = self.value if self.count is not None else "OL"
        coupling = f" {self.row.coupling.upper()}" if self.row.coupling else ""
        return f"{what} {self.row.unit}{coupling}"


_MENU = [
    ("voltage", "V", "ac", False),
    ("voltage", "V", "dc", True),
    ("voltage", "mV", "dc", True),
    ("voltage", "mV", "ac", False),
    ("resistance", "Ohm", None, False),
    ("resistance", "kOhm", None, False),
    ("resistance", "MOhm", None, False),
    ("current", "mA", "dc", True),
    ("current", "A", "ac", False),
    ("current", "A", "dc", True),
    ("capacitance", "nF", None, False),
    ("capacitance", "uF", None, False),
    ("frequency", "Hz", None, False),
    ("frequency", "kHz", None, False),
    ("temperature", "Cel", None, True),
]


class Labelled(NamedTuple):
    """One line of a samples file; `true` is what was really shown, None for another kind."""

    frame: bytes
    shown: str
    true: Display | None


Setter = Callable[[Display], int]


class Meter:
    """One invented meter."""

    def __init__(self, family: str, seed: int) -> None:
        self.random = random = Random(f"{family} {seed}")
        self.family = family
        self.top = random.choice([1999, 3999, 5999, 9999, 9999, 49999])
        if family == "medfloat16":
            self.top = 1999  # its mantissa ends at 2045
        if family == "count" and random.random() < 0.1:
            self.top = 250  # what a count of eight bits is good for
        self.digits = len(str(self.top))
        self.point = random.choice(["row", "coded", "flags", "range"])
        if family in {"medfloat16", "medfloat32", "line"}:
            self.point = "own"
        self.rows = [self._row(*row) for row in random.sample(_MENU, random.randint(3, 6))]
        while sum(len(row.decimals) for row in self.rows) > MOST_RANGES:
            longest = max(self.rows, key=lambda row: len(row.decimals))
            shorter = longest._replace(decimals=longest.decimals[1:])
            self.rows[self.rows.index(longest)] = shorter
        if not any(row.negative for row in self.rows):
            self.rows[0] = self._row("voltage", "V", "dc", True)
        self.twos = family == "count" and random.random() < 0.5
        self.over = random.choice(["value", "flag", "code"])
        self.one = random.choice([0x06, 0x06, 0x06, 0x30])
        self.six = random.choice([0x7D, 0x7C])
        self.seven = random.choice([0x07, 0x27])
        self.nine = random.choice([0x6F, 0x67])
        self.over_text = random.choice(["0L", "0L ", " 0L"]).rjust(self.digits)
        self.behind_over = random.choice(["", "0", "8" * self.digits])
        self.leading = random.choice(["zero", "blank"])
        self.exact = random.random() < 0.5  # a float32 that is just what is shown
        if family == "line":
            self._make_line()
        else:
            self._make_frame()

    def _row(self, quantity: str, unit: str, coupling: str | None, negative: bool) -> Row:
        least = 1 if quantity in {"voltage", "temperature"} else 0
        most = self.digits - 1
        count = 1 if self.point == "row" else self.random.randint(1, 3)
        places = range(min(least, most), most + 1)
        decimals = tuple(sorted(self.random.sample(places, min(count, len(places)))))
        return Row(quantity, unit, coupling, decimals, negative)

    # ---- binary ----

    def _make_frame(self) -> None:
        random = self.random
        signals: list[tuple[int, Setter]] = []  # (bits, value), to be put anywhere
        words: list[tuple[int, Setter]] = []  # (bytes, value), whole bytes in a row
        if self.family == "seg7":
            signals += [
                (7, lambda d, p=place: self._segments(d, p)) for place in range(self.digits)
            ]
        else:
            words.append(self._word())
        if self.family in {"seg7", "bcd"} or (self.family == "count" and not self.twos):
            signals.append((1, lambda d: int((d.count or 0) < 0)))
        signals += self._function_signals()
        signals += self._point_signals()
        if self.over == "flag":
            signals.append((1, lambda d: int(d.count is None)))
        elif self.over == "code":
            usual, over = random.sample(range(8), 2)
            signals.append((3, lambda d: over if d.count is None else usual))
        for _ in range(random.randint(0, 2)):  # what no label names: a bar, a clock
            signals.append((random.choice([4, 8]), lambda _: random.getrandbits(8)))
        for _ in range(random.randint(0, 6)):  # a lamp that stays as it is
            state = random.getrandbits(1)
            signals.append((1, lambda _, s=state: s))
        self._place(signals, words)
        self._close()

    def _word(self) -> tuple[int, Setter]:
        random = self.random
        swap = random.random() < 0.5
        if self.family == "bcd":
            size = (self.digits + 1) // 2
            nibbles = random.random() < 0.5
            return size, lambda d: _turned(self._bcd(d, nibbles, size), size, swap)
        if self.family == "count":
            sizes = [n for n in (1, 2, 3, 4) if 256**n // (2 if self.twos else 1) > self.top + 2]
            size = random.choice(sizes)
            return size, lambda d: _turned(self._count(d, size), size, swap)
        size = 2 if self.family == "medfloat16" else 4
        return size, lambda d: _turned(self._float(d), size, swap)

    def _segments(self, display: Display, place: int) -> int:
        text = self._spelled(display)
        char = text[-1 - place]
        own = {"1": self.one, "6": self.six, "7": self.seven, "9": self.nine}
        return own.get(char, SEGMENTS[char])

    def _spelled(self, display: Display) -> str:
        if display.count is None:
            if self.over == "value":
                return self.over_text
            return self.behind_over.rjust(self.digits)
        digits = str(abs(display.count)).zfill(display.decimals + 1)
        return digits.rjust(self.digits)

    def _bcd(self, display: Display, nibbles: bool, size: int) -> int:
        blank = 0xF if self.leading == "blank" else 0
        if display.count is None:
            pattern = (0xA, 0xB) if self.over == "value" else (0, 0)
            cells = [pattern[n % 2] for n in range(self.digits)]
        else:
            text = str(abs(display.count)).zfill(display.decimals + 1).rjust(self.digits)
            cells = [blank if char == " " else int(char) for char in text]
        cells = [0] * (2 * size - len(cells)) + cells
        data = bytes(
            (a << 4 | b) if not nibbles else (b << 4 | a)
            for a, b in zip(cells[::2], cells[1::2], strict=True)
        )
        return int.from_bytes(data, "big")

    def _count(self, display: Display, size: int) -> int:
        most = 256**size - 1
        if display.count is None:
            if self.over != "value":
                return self.random.randint(0, self.top)
            return most >> 1 if self.twos else most
        return display.count & most if self.twos else abs(display.count)

    def _float(self, display: Display) -> int:
        if self.family == "float32":
            if display.count is None:
                return 0x7F800000
            number = display.count / 10**display.decimals
            if not self.exact:
                number += self.random.uniform(-0.4, 0.4) / 10**display.decimals
            return int.from_bytes(struct.pack("<f", number), "little")
        bits, half = (12, 0x800) if self.family == "medfloat16" else (24, 0x800000)
        if display.count is None:
            return half - 2
        exponent = -display.decimals & (0xF if bits == 12 else 0xFF)
        return exponent << bits | display.count & (2 * half - 1)

    def _function_signals(self) -> list[tuple[int, Setter]]:
        random = self.random
        if random.random() < 0.5:
            bits = random.choice([4, 8])
            codes = dict(zip(self.rows, random.sample(range(2**bits), len(self.rows)), strict=True))
            return [(bits, lambda d: codes[d.row])]
        lamps = sorted(
            {row.quantity for row in self.rows}
            | {row.unit[0] for row in self.rows if row.unit[0] in "umkMn"}
            | {row.coupling for row in self.rows if row.coupling}
        )
        return [
            (1, lambda d, lamp=lamp: int(lamp in (d.row.quantity, d.row.coupling, d.row.unit[0])))
            for lamp in lamps
        ]

    def _point_signals(self) -> list[tuple[int, Setter]]:
        random = self.random
        if self.point == "flags":
            return [(1, lambda d, n=n: int(d.decimals == n)) for n in range(1, self.digits)]
        if self.point == "coded":
            codes = random.sample(range(8), self.digits)
            return [(3, lambda d: codes[d.decimals])]
        if self.point == "range":
            ranges = [(row, places) for row in self.rows for places in row.decimals]
            codes = dict(zip(ranges, random.sample(range(32), len(ranges)), strict=True))
            return [(5, lambda d: codes[d.row, d.decimals])]
        return []

    def _place(self, signals: list[tuple[int, Setter]], words: list[tuple[int, Setter]]) -> None:
        """Give every signal its bits: whole bytes first, the rest packed or scattered."""
        random = self.random
        spare = random.choice([0, 0, 8])
        loose = -(-(sum(bits for bits, _ in signals) + spare) // 8)
        blocks = ["loose"] * loose + [n for n, _ in enumerate(words)]
        random.shuffle(blocks)
        head = random.randint(0, 2)
        self.fixed = [random.getrandbits(8) for _ in range(head)]
        at = head
        free: list[int] = []
        self.wires: list[tuple[list[int], Setter]] = []
        for block in blocks:
            if block == "loose":
                free += range(8 * at, 8 * at + 8)
                at += 1
            else:
                size, setter = words[block]
                self.wires.append((list(range(8 * at, 8 * (at + size))), setter))
                at += size
        if random.random() < 0.7:
            random.shuffle(free)
        for bits, setter in signals:
            self.wires.append(([free.pop() for _ in range(bits)], setter))
        self.size = at

    def _close(self) -> None:
        """Choose mask and checksum."""
        random = self.random
        self.sum = random.choice(
            ["none", "sum8", "xor8", "modbus", "xmodem", "kermit", "ccitt", "arc"]
        )
        width = {"none": 0, "sum8": 1, "xor8": 1}.get(self.sum, 2)
        self.start = random.choice([0, 0, min(1, len(self.fixed))])
        self.order = random.choice(["little", "big"])
        self.length = self.size + width
        kind = random.choice(["none", "none", "key", "bits"])
        if self.family == "float32" and not self.exact:
            kind = "none"
        key = bytes(random.getrandbits(8) for _ in range(random.randint(1, 4)))
        self.mask = bytes(self.length)
        if kind == "key":
            self.mask = (key * self.length)[: self.length]
        elif kind == "bits":
            self.mask = bytes(random.getrandbits(8) for _ in range(self.length))
        self.masked_sum = random.random() < 0.5

    def frame(self, display: Display) -> bytes:
        """The notification that shows it."""
        if self.family == "line":
            return self._line(display)
        number = int.from_bytes(bytes(self.fixed), "little")
        for bits, setter in self.wires:
            value = setter(display)
            for place, bit in enumerate(bits):
                number |= (value >> place & 1) << bit
        plain = number.to_bytes(self.size, "little")
        body = bytes(a ^ b for a, b in zip(plain, self.mask, strict=False))
        if self.sum == "none":
            return body
        summed = (plain if self.masked_sum else body)[self.start :]
        check = _sum(self.sum, summed, self.order)
        if self.masked_sum:
            check = bytes(a ^ b for a, b in zip(check, self.mask[self.size :], strict=True))
        return body + check

    # ---- lines ----

    def _make_line(self) -> None:
        random = self.random
        self.always = random.random() < 0.5
        self.padded = random.random() < 0.6
        self.end = random.choice([b"\r\n", b"\n", b"\r"])
        self.word = random.choice(["OL", "O.L", "OVER"])
        self.texts = {}
        style = random.randint(0, 2)
        for row in self.rows:
            coupling = (row.coupling or "").upper()
            before = [f"{row.quantity[:3].upper()}{coupling},", "", f"M{len(self.texts)} "][style]
            after = [f",{row.unit}", f" {row.unit} {coupling}".rstrip(), f" {row.unit}{coupling}"][
                style
            ]
            if self.padded:
                before, after = before.ljust(8) if before else "", after.ljust(9)
            elif not before:
                self.always = True
            self.texts[row] = before, after

    def _line(self, display: Display) -> bytes:
        before, after = self.texts[display.row]
        if display.count is None:
            text = ("+" if self.always else "") + self.word
        else:
            text = display.value or ""
            if self.always and display.count >= 0:
                text = f"+{text}"
        if self.padded:
            text = text.rjust(self.digits + 3)
        return f"{before}{text}{after}".encode() + self.end

    # ---- what is shown ----

    def display(self, rows: list[tuple[Row, int]] | None = None) -> Display:
        """Any display that the meter may come to show."""
        random = self.random
        choices = rows or [(row, places) for row in self.rows for places in row.decimals]
        row, places = random.choice(choices)
        if random.random() < 0.05:
            return Display(row, None, places)
        return self._valued(row, places)

    def _valued(self, row: Row, places: int) -> Display:
        random = self.random
        if random.random() < 0.5:
            count = random.randint(0, self.top)
        else:
            count = int(math.exp(random.uniform(0, math.log(self.top))))
        if row.negative and random.random() < 0.4:
            count = -count
        return Display(row, count, places)

    def fresh(self, number: int, labels: list[Labelled]) -> list[Display]:
        """Other displays, of the functions and ranges that the labels name."""
        shown = {label.true for label in labels if label.true is not None}
        ranges = [
            (row, places)
            for row in self.rows
            for places in row.decimals
            if any(d.row == row and d.decimals == places and d.count is not None for d in shown)
        ]
        return [self.display(ranges) for _ in range(number)]

    def labels(
        self, number: int, *, guided: bool, wrong: int = 0, others: int = 0
    ) -> list[Labelled]:
        """Labelled frames; `wrong` of them carry the label before, `others` more mirror nothing.

        `guided` labels show every digit in every place and every range once, as a person does who
        is told what to record next; otherwise only every function is sure to be among them.
        """
        random = self.random
        displays = self._guided(number) if guided else self._free(number)
        random.shuffle(displays)
        shown = [display.shown for display in displays]
        late = random.sample(range(1, len(displays)), wrong)
        samples = [
            Labelled(self.frame(d), shown[n - 1] if n in late else shown[n], d)
            for n, d in enumerate(displays)
        ]
        for _ in range(others):
            real = self.frame(displays[0])
            size = random.choice([len(real), len(real), 3, len(real) + 1])
            junk = bytes(random.getrandbits(8) for _ in range(size))
            samples.insert(
                random.randrange(len(samples)), Labelled(junk, random.choice(shown), None)
            )
        return samples

    def _free(self, number: int) -> list[Display]:
        displays = [self._valued(row, self.random.choice(row.decimals)) for row in self.rows]
        rows = self.random.choices(self.rows, k=2)
        displays += [Display(row, None, row.decimals[0]) for row in rows]
        while len(displays) < number:
            row = self.random.choice(self.rows)
            displays.append(self._valued(row, self.random.choice(row.decimals)))
        return displays

    def _guided(self, number: int) -> list[Display]:
        """Every range; every digit that a place can show; both signs; three overloads."""
        random = self.random
        ranges = [(row, places) for row in self.rows for places in row.decimals]
        overs = random.choices(ranges, k=3)
        count = number - len(overs)
        columns = []
        for place in range(self.digits):
            most = 9 if place < self.digits - 1 else int(str(self.top)[0])
            column = [digit for _ in range(count // (most + 1) + 1) for digit in range(most + 1)]
            column = column[:count]
            random.shuffle(column)
            columns.append(column)
        counts = [sum(c[n] * 10**place for place, c in enumerate(columns)) for n in range(count)]
        counts = [min(value, self.top) for value in counts]
        chosen = [ranges[n % len(ranges)] for n in range(count)]
        for n, (_, places) in enumerate(chosen):
            if places == self.digits - 1:  # a display that shows its first nought
                counts[n] %= 10**places
                break
        turns = dict.fromkeys(self.rows, 0)
        displays = []
        for (row, places), value in zip(chosen, counts, strict=True):
            turns[row] += 1
            either = turns[row] > 2 and random.random() < 0.4
            is_negative = row.negative and (turns[row] == 2 or either)
            displays.append(Display(row, -value if is_negative else value, places))
        return displays + [Display(row, None, places) for row, places in overs]


def _turned(value: int, size: int, swap: bool) -> int:
    """The whole number whose little-endian bytes are the word as it is sent."""
    return int.from_bytes(value.to_bytes(size, "big"), "little") if swap else value


def _crc(data: bytes, polynomial: int, start: int, *, reflected: bool) -> int:
    crc = start
    for byte in data:
        crc ^= (int(f"{byte:08b}"[::-1], 2) if reflected else byte) << 8
        for _ in range(8):
            crc = (crc << 1 ^ (polynomial if crc & 0x8000 else 0)) & 0xFFFF
    return int(f"{crc:016b}"[::-1], 2) if reflected else crc


def _sum(kind: str, data: bytes, order: str) -> bytes:
    if kind == "sum8":
        return bytes([sum(data) & 0xFF])
    if kind == "xor8":
        total = 0
        for byte in data:
            total ^= byte
        return bytes([total])
    polynomial, start, reflected = {
        "modbus": (0x8005, 0xFFFF, True),
        "arc": (0x8005, 0, True),
        "kermit": (0x1021, 0, True),
        "xmodem": (0x1021, 0, False),
        "ccitt": (0x1021, 0xFFFF, False),
    }[kind]
    return _crc(data, polynomial, start, reflected=reflected).to_bytes(2, order)
