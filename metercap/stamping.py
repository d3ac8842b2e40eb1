"""Bytes to a time-stamp token from an authority on the network, and the records that wait for one.

The authorities are the person's choice: one address a line in a file. It never judges a token; that
is for whoever holds the authority's root.
"""

from __future__ import annotations

import http.client
import urllib.error
import urllib.request
from collections.abc import Callable, Sequence
from pathlib import Path

from metercap.errors import OperatorError, RecordError
from metercap.record import stamp

AUTHORITIES = "time-stamp-authorities.txt"
WAITING = "waiting-for-time-stamp.txt"

_TIMEOUT_S = 15.0
_ANSWER_BYTES = 64 * 1024  # answers were seen to need 1 to 6 kB
_QUERY, _REPLY = "application/timestamp-query", "application/timestamp-reply"  # RFC 3161, 3.4


def load_authorities(folder: Path) -> list[str]:
    """Read the addresses of the authorities to ask, in order; raises OperatorError for none."""
    path = folder / AUTHORITIES
    lines = _lines(path)
    if not lines:
        raise OperatorError(f"{path}: names no authority, expected one address a line")
    for line in lines:
        if not line.startswith(("http://", "https://")):
            raise OperatorError(f"{path}: found {line[:80]!a}, expected an http address")
    return lines


def fetch_token(
    data: bytes, authorities: Sequence[str], new_nonce: Callable[[], int]
) -> tuple[bytes, str]:
    """Get a token over `data` from the first authority that gives one; the token and its address.

    Raises OperatorError with what each of them did instead. Only a hash leaves this machine.
    """
    faults = []
    for address in authorities:
        nonce = new_nonce()
        try:
            answer = _post(address, stamp.request(data, nonce))
            return stamp.read_answer(answer, data, nonce), address
        except (OSError, http.client.HTTPException) as error:
            reason = error.reason if isinstance(error, urllib.error.URLError) else error
            faults.append(f"{address}: {reason or type(error).__name__}")
        except RecordError as error:
            faults.append(f"{address}: {error}")
    raise OperatorError(f"no time-stamp: {'; '.join(faults)}")


def waiting(folder: Path) -> list[Path]:
    """Read which records wait for a time-stamp."""
    return [Path(line) for line in _lines(folder / WAITING)]


def set_waiting(folder: Path, records: Sequence[Path]) -> None:
    """Keep which records wait for a time-stamp, each once."""
    text = "".join(f"{line}\n" for line in dict.fromkeys(str(path.resolve()) for path in records))
    path = folder / WAITING
    part = path.with_name(f"{path.name}.part")
    part.write_text(text, encoding="utf-8")
    part.replace(path)


def _post(address: str, query: bytes) -> bytes:
    request = urllib.request.Request(  # noqa: S310  load_authorities lets nothing but http through
        address, data=query, headers={"Content-Type": _QUERY, "Accept": _REPLY}
    )
    with urllib.request.urlopen(request, timeout=_TIMEOUT_S) as answer:  # noqa: S310  same
        if answer.headers.get_content_type() != _REPLY:
            raise RecordError(f"answers {answer.headers.get_content_type()}, expected {_REPLY}")
        data: bytes = answer.read(_ANSWER_BYTES + 1)
    if len(data) > _ANSWER_BYTES:
        raise RecordError(f"answers more than {_ANSWER_BYTES} bytes")
    return data


def _lines(path: Path) -> list[str]:
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return []
    except (OSError, UnicodeDecodeError) as error:
        raise OperatorError(f"{path}: cannot be read: {error}") from error
    found = (line.strip() for line in text.splitlines())
    return [line for line in found if line and not line.startswith("#")]
