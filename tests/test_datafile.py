"""TOML text to a model, or one line that says where it went wrong."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from metercap.datafile import Table, load_table, parse_table
from metercap.errors import DriverError, ProcedureError


class Row(Table):
    name: str
    count: int = 0
    limit: str | None = None


class Sheet(Table):
    row: tuple[Row, ...] = ()
    only: Row | None = None


def parse(text: str, most_bytes: int = 1000) -> Sheet:
    return parse_table(text, Sheet, "sheet.toml", ProcedureError, most_bytes)


def line(text: str, most_bytes: int = 1 << 20) -> str:
    with pytest.raises(ProcedureError) as caught:
        parse(text, most_bytes)
    return str(caught.value)


def test_a_good_file_is_read() -> None:
    assert parse('[[row]]\nname = "a"\n[[row]]\nname = "b"\ncount = 2').row[1] == Row(
        name="b", count=2
    )


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("row = ", "sheet.toml: not TOML: Invalid value (at end of document)"),
        ("[[row]]\ncount = 1", "sheet.toml: row[0].name: missing, expected a value"),
        ("other = 1", "sheet.toml: other: found a key that is not known here"),
        (
            '[[row]]\nname = "a"\ncount = "1"',
            "sheet.toml: row[0].count: found '1', expected: input should be a valid integer",
        ),
        (
            '[[row]]\nname = "a"\ncount = 1.5',
            "sheet.toml: row[0].count: found 1.5, expected: input should be a valid integer",
        ),
        (
            "[only]\nname = true",
            "sheet.toml: only.name: found True, expected: input should be a valid string",
        ),
        (
            '[only]\nname = "a"\n[only.more]\nx = 1',
            "sheet.toml: only.more: found a key that is not known here",
        ),
        (
            '"a\\nb" = 1',
            "sheet.toml: 'a\\nb': found a key that is not known here",
        ),
        (
            f"[only]\nname = [{', '.join(['1'] * 100)}]",
            (
                f"sheet.toml: only.name: found [{'1, ' * 18}1,..., "
                "expected: input should be a valid string"
            ),
        ),
    ],
)
def test_a_fault_is_named_with_its_place(text: str, said: str) -> None:
    assert line(text) == said


def test_a_key_twice_is_named() -> None:
    assert line('[only]\nname = "a"\nname = "b"').startswith("sheet.toml: not TOML: ")
    assert "Cannot overwrite a value" in line('[only]\nname = "a"\nname = "b"')


@pytest.mark.parametrize("value", ["2026-01-01", "10:30:00", "2026-01-01T00:00:00Z"])
def test_a_date_is_no_text(value: str) -> None:
    assert line(f"[only]\nname = {value}").startswith("sheet.toml: only.name: found {'date': ")


@pytest.mark.parametrize(
    "text",
    [
        "a = " + "[" * 5000,
        "a = " + "{ b = " * 5000,
        ".".join(["a"] * 100_000) + " = 1",
        ".".join(["a"] * 1001) + " = 1",
        "[" + ".".join(["a"] * 1001) + "]",
        "a = " + "1" * 5000,
        "a = 0x" + "f" * 5000,
        "a = nan",
        "a = -inf",
        "only = inf",
    ],
    ids=[
        "lists",
        "tables",
        "dots",
        "deep",
        "head",
        "digits",
        "hex",
        "nan",
        "inf",
        "inf for a table",
    ],
)
def test_a_hostile_file_is_answered_in_one_line(text: str) -> None:
    said = line(text)
    assert said.startswith("sheet.toml: ")
    assert said.isprintable()
    assert len(said) < 400


def test_a_file_too_large_is_not_looked_at() -> None:
    assert line("# " + "é" * 60, 100) == "sheet.toml: found 122 bytes, expected at most 100"


def test_whoever_asks_names_the_error() -> None:
    with pytest.raises(DriverError):
        load_table({"x": 1}, Sheet, "here", DriverError)


def test_what_was_read_is_not_changed() -> None:
    with pytest.raises(ValueError, match="frozen"):
        parse('[only]\nname = "a"').only.name = "b"  # type: ignore[union-attr, misc]


@given(st.text(max_size=60))
def test_any_text_is_read_or_answered_in_one_line(text: str) -> None:
    try:
        parse(text)
    except ProcedureError as error:
        assert "\n" not in str(error)  # noqa: PT017  some texts are read
