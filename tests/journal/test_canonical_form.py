from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from metercap.errors import JournalError
from metercap.journal import canonical
from metercap.model import Status

if TYPE_CHECKING:
    from collections.abc import Callable

TEXT = st.text(st.characters(exclude_categories=["Cs"]))
VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-canonical.INTEGER_LIMIT + 1, canonical.INTEGER_LIMIT - 1)
    | TEXT,
    lambda inner: st.lists(inner) | st.dictionaries(TEXT, inner),
    max_leaves=20,
)


@given(VALUES)
def test_what_is_written_is_read_back(value: object) -> None:
    data = canonical.dumps(value)
    assert canonical.loads(data) == value
    assert json.loads(data) == value


@given(st.binary(max_size=200) | VALUES.map(lambda value: json.dumps(value).encode()))
def test_reading_refuses_or_gives_back_the_very_bytes(data: bytes) -> None:
    refusal = ""
    try:
        value = canonical.loads(data)
    except JournalError as error:
        refusal = str(error)
    else:
        assert canonical.dumps(value) == data
    assert refusal.isascii()
    assert refusal.isprintable()


@pytest.mark.parametrize(
    "value",
    [
        1.0,
        float("nan"),
        [0.5],
        {"a": {"b": 1e3}},
        10**15,
        -(10**15),
        {1: "a"},
        {"a": b"bytes"},
        {"a"},
        object(),
        "\ud800",
        {"\udfff": 1},
    ],
)
def test_values_outside_the_form_are_not_written(value: object) -> None:
    with pytest.raises(JournalError) as caught:
        canonical.dumps(value)
    assert str(caught.value).startswith("canonical json: ")
    assert str(caught.value).isascii()


def test_limits_hold_to_the_last_value() -> None:
    for number in (10**15 - 1, -(10**15) + 1):
        assert canonical.loads(canonical.dumps(number)) == number
    for text in (b"1" + b"0" * 15, b"-1" + b"0" * 15, b"9" * 5000):
        with pytest.raises(JournalError):
            canonical.loads(text)
    deepest = b"[" * 32 + b"]" * 32
    assert canonical.dumps(canonical.loads(deepest)) == deepest
    with pytest.raises(JournalError, match="nested deeper than 32"):
        canonical.loads(b"[" + deepest + b"]")


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"{",
        b"1.0",
        b"2.50",
        b"1e3",
        b"1E400",
        b"NaN",
        b"-Infinity",
        b"-0",
        b"01",
        b'{"a":1,"a":1}',
        b'{"b":1,"a":2}',
        b'{"a": 1}',
        b'{"a":1.5}',
        b'{"a":NaN}',
        b'{"a":-0}',
        b'{"a":1000000000000000}',
        b'{"a":-1000000000000000}',
        b'{"a":[1000000000000000]}',
        b'{"a":[1.5]}',
        b'{"a":' * 33 + b"1" + b"}" * 33,
        b"[1,2]\n",
        b'"\\u0041"',
        b'"\\/"',
        b"\xef\xbb\xbf{}",
        b"\xff",
        b'"\xed\xa0\x80"',
        b'"\\ud800"',
        b"[" * 200_000,
        b'{"a":' * 200_000,
    ],
)
def test_another_spelling_is_not_read(data: bytes) -> None:
    with pytest.raises(JournalError) as caught:
        canonical.loads(data)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 120


def test_our_own_enumerations_are_written_as_their_text() -> None:
    assert canonical.dumps({"status": Status.OVER}) == b'{"status":"over"}'


ASCII = st.text(st.characters(max_codepoint=0x7F), max_size=8)
NEAR = st.sampled_from(
    ["", "\ud7ff", "\ue000", "\uffff", "\U00010000", "\U0010ffff", "\x7f", "\x1f"]
)
OBJECTS = st.dictionaries(
    ASCII | NEAR,
    st.recursive(
        st.none() | st.booleans() | st.integers(-(10**17), 10**17) | ASCII | NEAR | st.floats(),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(ASCII | NEAR, inner),
        max_leaves=6,
    ),
)


@given(VALUES | OBJECTS)
def test_the_short_way_writes_what_the_definition_writes(value: object) -> None:
    """The oracle is the rfc8785 package; a value that is not in the form is refused by both."""
    try:
        data = canonical.dumps(value)
    except JournalError:
        return
    assert data == rfc8785.dumps(value)  # type: ignore[arg-type]


@given(
    (VALUES | OBJECTS).map(lambda value: json.dumps(value, separators=(",", ":")).encode())
    | st.builds(
        lambda value, at, change: change_at(rfc8785.dumps(value), at, change),
        st.dictionaries(ASCII, ASCII | st.integers(-9, 9), min_size=1),
        st.integers(0, 60),
        st.sampled_from([b"", b" ", b"0", b"-", b".5", b"e1", b"\\u0041", b"[", b"{", b'"', b","]),
    )
)
def test_the_short_way_reads_what_step_by_step_is_read(data: bytes) -> None:
    assert answer(canonical.loads, data) == answer(canonical._read, data)


def change_at(data: bytes, at: int, change: bytes) -> bytes:
    place = at % (len(data) + 1)
    return data[:place] + change + data[place + (not change) :]


def answer(read: Callable[[bytes], object], data: bytes) -> object:
    try:
        return read(data)
    except JournalError as error:
        return str(error)
