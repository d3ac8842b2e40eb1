from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from metercap.errors import JournalError
from metercap.journal import canonical, entry, merkle
from metercap.journal.entry import Draft
from metercap.model import Instant

if TYPE_CHECKING:
    from collections.abc import Callable

    from metercap.journal.entry import Head

AT = Instant(1_795_000_000_123_456_789, 50_000_000_001, "boot-a", synced=True)
DRAFT = Draft(3, "frame", AT, {"raw": "00ff"})
ROW = entry.write_row("pi-0007", 7, b"\xab" * 32, 2, DRAFT)


def test_the_bytes_of_an_entry() -> None:
    assert ROW.body == b'{"raw":"00ff"}'
    assert ROW.head == (
        b'{"body":"' + canonical.digest(ROW.body).encode() + b'","job":3,"js":2,"kind":"frame",'
        b'"log":"pi-0007","prev":"' + b"ab" * 32 + b'","seq":7,"t":{"boot":"boot-a",'
        b'"bt":"50000000001","sync":true,"utc":"2026-11-18T11:06:40.123456Z"},"v":1}'
    )
    assert ROW.leaf == merkle.leaf_hash(ROW.head)
    assert (ROW.seq, ROW.job) == (7, 3)


def test_an_entry_is_read_as_it_was_written_to_the_microsecond() -> None:
    assert entry.read_entry(ROW.head, ROW.body) == entry.Entry(
        7, 3, 2, "frame", AT._replace(utc_ns=1_795_000_000_123_456_000), {"raw": "00ff"}
    )


@given(
    st.builds(
        Draft,
        st.integers(0, 10**12),
        st.sampled_from(entry.KINDS),
        st.builds(
            Instant,
            st.integers(-62_135_596_800_000_000, 253_402_300_799_999_999).map(lambda us: us * 1000),
            st.integers(0, 10**18),
            st.just("b"),
            st.booleans(),
        ),
        st.dictionaries(st.text("ab\u00e9\u20ac\U0001f600\x00\x1b"), st.text("0\u2028\n")),
    )
)
def test_every_draft_comes_back_or_is_refused(draft: Draft) -> None:
    job, kind, at, body = draft
    row = entry.write_row("log", 1, entry.NO_LEAF, 1, draft)
    assert b"\n" not in row.head + row.body  # records keep one to a line
    if at.utc_text[:4].isdigit() and len(at.utc_text) == len("2026-11-18T11:06:40.123456Z"):
        assert entry.read_entry(row.head, row.body) == (1, job, 1, kind, at, body)
    else:
        # Before the year 1000 the system writes fewer digits; no clock of ours gets there.
        with pytest.raises(JournalError, match="utc"):
            entry.read_entry(row.head, row.body)


def test_a_body_with_a_fraction_is_not_written() -> None:
    with pytest.raises(JournalError, match="a float, expected text"):
        entry.write_row("log", 1, entry.NO_LEAF, 1, DRAFT._replace(body={"volts": 230.1}))


def test_a_time_that_is_no_date_is_not_written() -> None:
    far = DRAFT._replace(at=AT._replace(utc_ns=10**30))
    with pytest.raises(JournalError, match="is no date"):
        entry.write_row("log", 1, entry.NO_LEAF, 1, far)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (b'"v":1', b'"v":2', "version 2"),
        (b'"v":1', b'"v":true', "version True"),
        (b'"kind":"frame"', b'"kind":"wish"', "kind 'wish'"),
        (b'"kind":"frame"', b'"kind":["frame"]', "kind"),
        (b'"job":3', b'"job":-1', "job is '-1'"),
        (b'"job":3', b'"job":true', "job is 'True'"),
        (b'"js":2', b'"js":0', "js is '0'"),
        (b'"seq":7', b'"seq":"7"', "seq is"),
        (b'"seq":7', b'"seq":0', "seq is"),
        (b'"prev":"ab', b'"prev":"AB', "prev is"),
        (b'"prev":"abab', b'"prev":"ab', "prev is"),
        (b'"log":"pi-0007"', b'"log":"pi 0007"', "log is"),
        (b'"log":"pi-0007"', b'"log":""', "log is"),
        (b'"sync":true', b'"sync":1', "sync is '1'"),
        (b'"sync":true,', b"", "t has other keys"),
        (b'"bt":"5', b'"bt":"05', "bt is"),
        (b'"bt":"5', b'"bt":"-5', "bt is"),
        (b'"boot":"boot-a"', b'"boot":"boot a"', "boot is"),
        (b"T11:06", b"T24:06", "utc is"),
        (b"-11-18", b"-02-30", "is no date"),
        (b"2026", b"2O26", "utc is"),
        (b"456Z", b"456+00:00", "utc is"),
        (b'"v":1', b'"v":1,"w":1', "other keys"),
        (b'{"body"', b'{"aaa":1,"body"', "other keys"),
        (b'"v":1', b'"v":1 ', "another spelling"),
    ],
)
def test_a_head_is_read_strictly(old: bytes, new: bytes, message: str) -> None:
    assert old in ROW.head
    with pytest.raises(JournalError) as caught:
        entry.read_entry(ROW.head.replace(old, new), ROW.body)
    assert message in str(caught.value)
    assert "\n" not in str(caught.value)


def answer(read: Callable[[bytes], Head], data: bytes) -> object:
    try:
        return read(data)
    except JournalError as error:
        return str(error)


PIECES = [
    b"",
    b"0",
    b"1",
    b"-",
    b"a",
    b"F",
    b'"',
    b"\\",
    b" ",
    b",",
    b"9" * 16,
    b"\n",
    b"Z",
    b"\xc3\xa9",
]


@given(
    st.integers(0, len(ROW.head)),
    st.integers(0, 3),
    st.sampled_from(PIECES),
    st.sampled_from(["boot-a", "", '"', "\\", "a b", "\u00e9", "[", "]"]),
)
def test_a_head_is_read_at_once_as_it_is_read_step_by_step(
    at: int, less: int, piece: bytes, boot: str
) -> None:
    draft = DRAFT._replace(at=AT._replace(boot=boot))
    head = entry.write_row("pi-0007", 7, b"\xab" * 32, 2, draft).head
    changed = head[:at] + piece + head[at + less :]
    for data in (head, changed):
        assert answer(entry.read_head, data) == answer(entry._read_head, data)


@pytest.mark.parametrize(
    "utc",
    [
        "2026-02-30T00:00:00",
        "2026-01-01T24:00:00",
        "0000-01-01T00:00:00",
        "2026-01-01T00:00:60",
        "2026-W01-1T00:00:00",
        "2026-01-01-00:00:00",
    ],
)
def test_a_time_that_is_none_is_not_read(utc: str) -> None:
    data = ROW.head.replace(b"2026-11-18T11:06:40", utc.encode())
    found = answer(entry.read_head, data)
    assert isinstance(found, str)
    assert found == answer(entry._read_head, data)


def test_a_head_keeps_to_its_body() -> None:
    with pytest.raises(JournalError, match=r"entry 7 \(frame\): body hashes to"):
        entry.read_entry(ROW.head, b'{"raw":"01ff"}')
    listed = entry.read_head(ROW.head)._replace(body=canonical.digest(b"[]"))
    with pytest.raises(JournalError, match="body is no object"):
        entry.read_body(listed, b"[]")


def test_only_a_claim_is_not_an_input() -> None:
    assert entry.CLAIM in entry.KINDS
    assert len(set(entry.KINDS)) == 22
