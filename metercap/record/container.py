"""Named members to the one ZIP file that holds them, and back.

Members are stored, not packed, and carry no date, owner or order of their own, so the same members
always give the same bytes; reading builds the file again and demands that it is identical, which
leaves no room for hidden data. What the members mean is not known here.
"""

from __future__ import annotations

import io
import re
import struct
import zipfile
from typing import TYPE_CHECKING

from metercap.errors import RecordError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

MIMETYPE = b"application/vnd.etsi.asic-e+zip"
"""ETSI EN 319 162-1: the first member of an associated signature container says what it is."""

SIZE_LIMIT_BYTES = 256 * 1024 * 1024
"""About 450,000 readings at the measured 575 bytes each: a week of five a second is a mistake."""

_NAME = re.compile(r"[a-z0-9][a-z0-9._-]{0,63}")
_SEAL_NAME = re.compile(
    r"META-INF/(ASiCManifest[0-9]{3}\.xml|signature[0-9]{3}\.p7s|timestamp[0-9]{3}\.tst)"
)
_FIRST = ("mimetype", "job.json", "heads.jsonl", "bodies.jsonl", "procedure.json")
_LAST = ("readme.txt", "sha256sums")
_DATE = (1980, 1, 1, 0, 0, 0)  # the earliest that ZIP can write
_MODE = 0o100644
_UNIX = 3


def pack(files: Mapping[str, bytes]) -> bytes:
    """Write the members as a container; raises RecordError for a name or a size out of bounds."""
    if files.get("mimetype") != MIMETYPE:
        raise RecordError(f"container: mimetype missing or not {MIMETYPE.decode()}")
    for name in files:
        check_name(name)
    data = _write(files)
    _check_size(data)
    return data


def unpack(data: bytes) -> dict[str, bytes]:
    """Read a container strictly; raises RecordError unless `pack` of the members gives `data`."""
    _check_size(data)
    files: dict[str, bytes] = {}
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = archive.infolist()
            # Stored members cannot be larger than the file, unless two claim the same bytes.
            if sum(member.file_size for member in members) > len(data):
                raise RecordError("container: members larger than the file")
            for member in members:
                check_name(member.filename)
                if member.filename in files:
                    raise RecordError(f"container: member {member.filename} stands twice")
                if member.compress_type != zipfile.ZIP_STORED or member.flag_bits:
                    raise RecordError(
                        f"container: member {member.filename} is compressed or marked, "
                        "expected stored"
                    )
                files[member.filename] = archive.read(member)
    except (
        zipfile.BadZipFile,
        struct.error,
        ValueError,
        EOFError,
        OSError,
        NotImplementedError,
    ) as error:
        raise RecordError(f"container: not readable as zip ({type(error).__name__})") from error
    if pack(files) != data:
        raise RecordError("container: bytes beside its members, expected the canonical form")
    return files


def _write(files: Mapping[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as archive:
        for name in in_order(files):
            info = zipfile.ZipInfo(name, _DATE)
            info.external_attr = _MODE << 16
            info.create_system = _UNIX
            archive.writestr(info, files[name])
    return out.getvalue()


def in_order(names: Iterable[str]) -> list[str]:
    """Sort member names into the order in which they stand in the file."""
    return sorted(names, key=_place)


def _place(name: str) -> tuple[int, str]:
    """Sort the fixed members to their places and everything else by name between them."""
    if name in _FIRST:
        return _FIRST.index(name), ""
    if name in _LAST:
        return len(_FIRST) + 1 + _LAST.index(name), ""
    if is_seal_name(name):
        return len(_FIRST) + 1 + len(_LAST), name
    return len(_FIRST), name


def is_seal_name(name: str) -> bool:
    """Whether a member is one of the manifests and seals over the others (EN 319 162-1)."""
    return _SEAL_NAME.fullmatch(name) is not None


def check_name(name: str) -> None:
    """Refuse a name that is neither a seal's nor short, lower-case ASCII without a path.

    Raises RecordError.
    """
    if _NAME.fullmatch(name) is None and not is_seal_name(name):
        raise RecordError(f"container: member name {name[:64]!a}, expected {_NAME.pattern}")


def _check_size(data: bytes) -> None:
    if len(data) > SIZE_LIMIT_BYTES:
        raise RecordError(f"container: {len(data)} bytes, expected {SIZE_LIMIT_BYTES} at most")
