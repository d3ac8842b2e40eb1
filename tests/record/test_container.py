from __future__ import annotations

import io
import warnings
import zipfile
from hashlib import sha256

import pytest
from hypothesis import given
from hypothesis import strategies as st

from metercap.errors import RecordError
from metercap.record import container

FILES = {
    "mimetype": container.MIMETYPE,
    "job.json": b"{}",
    "driver-a.json": b"1",
    "sha256sums": b"",
}


def zipped(*members: tuple[str, bytes], how: int = zipfile.ZIP_STORED, year: int = 1980) -> bytes:
    out = io.BytesIO()
    with warnings.catch_warnings(), zipfile.ZipFile(out, "w", how) as archive:
        warnings.simplefilter("ignore")  # zipfile warns of the repeated name that is wanted here
        for name, data in members:
            info = zipfile.ZipInfo(name, (year, 1, 1, 0, 0, 0))
            info.external_attr = 0o100644 << 16
            info.create_system = 3
            info.compress_type = how
            archive.writestr(info, data)
    return out.getvalue()


@given(
    st.dictionaries(
        st.from_regex(r"[a-z0-9][a-z0-9._-]{0,20}", fullmatch=True), st.binary(max_size=300)
    )
)
def test_members_come_back_as_they_were(files: dict[str, bytes]) -> None:
    files["mimetype"] = container.MIMETYPE
    assert container.unpack(container.pack(files)) == files


def test_the_order_of_the_mapping_does_not_matter() -> None:
    assert container.pack(FILES) == container.pack(dict(reversed(FILES.items())))


def test_the_bytes_are_the_same_on_every_machine() -> None:
    # Our own record of the form: a new Python whose zipfile wrote differently would fail here.
    data = container.pack(FILES)
    assert (
        sha256(data).hexdigest()
        == "5f27dc230b63bac3de93897250a2b2a3dc7d5a65475f6ac9dfe38a5c0d253d23"
    )
    assert data.startswith(b"PK\x03\x04")
    assert data[30:38] == b"mimetype"  # first and unpacked, as EN 319 162-1 annex A asks


def test_a_member_may_not_be_called_anything() -> None:
    for name in ("../up", "/etc/x", "a/b", "UPPER", "\u0430.json", "x" * 65, "", "a b", "a\n"):
        with pytest.raises(RecordError, match="member name"):
            container.pack({**FILES, name: b""})
        with pytest.raises(RecordError, match=r"member name|not readable"):
            container.unpack(zipped(("mimetype", container.MIMETYPE), (name, b"")))


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"PK",
        b"not a zip at all",
        container.pack(FILES) + b"\0",
        b"#!/bin/sh\n" + container.pack(FILES),
        container.pack(FILES)[:-1],
        container.pack(FILES)[:200],
        zipped(("mimetype", container.MIMETYPE), year=2026),
        zipped(("mimetype", container.MIMETYPE), ("a", b"1"), ("a", b"2")),
        zipped(("mimetype", container.MIMETYPE), ("a", b"0" * 1000), how=zipfile.ZIP_DEFLATED),
        zipped(("mimetype", container.MIMETYPE), ("a", b"0" * 1000), how=zipfile.ZIP_LZMA),
        zipped(("a", b"1")),
    ],
    ids=[
        "empty",
        "two-bytes",
        "text",
        "trailing-byte",
        "polyglot",
        "cut-by-one",
        "cut-in-half",
        "date",
        "twice",
        "deflated",
        "lzma",
        "no-mimetype",
    ],
)
def test_another_form_is_refused(data: bytes) -> None:
    with pytest.raises(RecordError) as caught:
        container.unpack(data)
    assert "\n" not in str(caught.value)


def test_the_hand_made_zip_is_otherwise_good() -> None:
    """The refusals above are for their one difference, not for something else in how we zip."""
    assert zipped(("mimetype", container.MIMETYPE)) == container.pack(
        {"mimetype": container.MIMETYPE}
    )


def test_a_comment_is_refused() -> None:
    out = io.BytesIO(container.pack(FILES))
    with zipfile.ZipFile(out, "a") as archive:
        archive.comment = b"hello"
    with pytest.raises(RecordError, match="canonical form"):
        container.unpack(out.getvalue())


def test_two_members_may_not_share_bytes() -> None:
    """The central directory of a bomb points many names at the same data."""
    data = container.pack({"mimetype": container.MIMETYPE, "big": b"0" * 5000})
    start = data.index(b"PK\x01\x02", 100)
    end = data.index(b"PK\x05\x06")
    entries = data[start:end]
    big = entries[entries.index(b"PK\x01\x02", 10) :]
    copies = b"".join(big.replace(b"big", f"bi{n}".encode()) for n in range(3))
    count = (5).to_bytes(2, "little") * 2
    size = (len(entries) + len(copies)).to_bytes(4, "little")
    tail = data[end : end + 8] + count + size + data[end + 16 :]
    with pytest.raises(RecordError):
        container.unpack(data[:start] + entries + copies + tail)


def test_the_size_limit_holds_to_the_byte(monkeypatch: pytest.MonkeyPatch) -> None:
    data = container.pack(FILES)
    monkeypatch.setattr(container, "SIZE_LIMIT_BYTES", len(data))
    assert container.unpack(data) == FILES
    monkeypatch.setattr(container, "SIZE_LIMIT_BYTES", len(data) - 1)
    with pytest.raises(RecordError, match=f"{len(data)} bytes, expected {len(data) - 1}"):
        container.unpack(data)
    with pytest.raises(RecordError, match="bytes, expected"):
        container.pack(FILES)
