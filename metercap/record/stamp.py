"""Bytes to the question for a time-stamp and its answer to a token and its time (RFC 3161).

It sends nothing. A token proves that what it covers was there at its time, to whoever trusts the
authority's root.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Annotated, NamedTuple

from cryptography import x509
from cryptography.hazmat import asn1
from rfc3161_client import TimeStampResponse, VerifierBuilder, decode_timestamp_response

from metercap.errors import RecordError
from metercap.record import certificate

_SHA256 = x509.ObjectIdentifier("2.16.840.1.101.3.4.2.1")
_SEQUENCE, _FIRST = 0x30, 0xA0
_GRANTED = b"\x30\x03\x02\x01\x00"  # PKIStatusInfo with nothing but granted
_LONG_FORM = 0x80
_TOKEN_BYTES = 64 * 1024  # tokens with their chain were seen to need 1 to 6 kB


@asn1.sequence
class _Algorithm:
    algorithm: x509.ObjectIdentifier


@asn1.sequence
class _Imprint:
    algorithm: _Algorithm
    digest: bytes


@asn1.sequence
class _Request:
    version: int
    imprint: _Imprint
    nonce: int
    wants_certificate: Annotated[bool, asn1.Default(False)]


class Token(NamedTuple):
    """What a token says: when, over which SHA-256, with the number of the question if it had one.

    Nothing of it is believed before `check_token`.
    """

    at: datetime
    digest: bytes
    nonce: int | None


def request(data: bytes, nonce: int) -> bytes:
    """Ask for a token over `data`, with the authority's certificate in it."""
    imprint = _Imprint(
        algorithm=_Algorithm(algorithm=_SHA256), digest=hashlib.sha256(data).digest()
    )
    question = _Request(version=1, imprint=imprint, nonce=nonce, wants_certificate=True)
    return asn1.encode_der(question)


def read_answer(answer: bytes, data: bytes, nonce: int) -> bytes:
    """Take the token out of an authority's answer to `request(data, nonce)`, certificates sorted.

    Raises RecordError for a refusal and for an answer to another question.
    """
    parts = _elements(_inside(answer, _SEQUENCE))
    if len(parts) != 2 or not _inside(parts[0], _SEQUENCE).startswith(_GRANTED[2:]):  # noqa: PLR2004  status and token
        raise RecordError("time-stamp: the authority granted none")
    token = tidy(parts[1])
    found = read_token(token)
    if found.digest != hashlib.sha256(data).digest() or found.nonce != nonce:
        raise RecordError("time-stamp: the authority's answer is to another question")
    return token


def read_token(token: bytes) -> Token:
    """Read what a token says; raises RecordError when it is none over a SHA-256."""
    answer = _decode(token)
    try:
        info = answer.tst_info
        imprint = info.message_imprint
        found = Token(info.gen_time, imprint.message, info.nonce)
        is_sha256 = imprint.hash_algorithm == _SHA256
    except Exception as error:
        raise RecordError(f"time-stamp: not readable ({type(error).__name__})") from error
    if not is_sha256:
        raise RecordError("time-stamp: over another kind of hash, expected SHA-256")
    return found


def check_digest(token: Token, data: bytes) -> None:
    """Check that a token is over `data`; raises RecordError."""
    if token.digest != hashlib.sha256(data).digest():
        raise RecordError("time-stamp: made over other bytes")


def check_token(token: bytes, data: bytes, roots: Sequence[x509.Certificate]) -> datetime:
    """Check a token over `data` up to one of the authorities' roots; gives its time.

    Raises RecordError when it covers other bytes or does not hold.
    """
    found = read_token(token)
    check_digest(found, data)
    builder = VerifierBuilder()
    for root in roots:
        builder = builder.add_root_certificate(root)
    try:
        # Decoded anew, because the check takes the signer out of what it is given.
        builder.build().verify_message(_decode(token), data)
    except Exception as error:
        # The library lets errors of its parsers through for strange bytes.
        raise RecordError("time-stamp: does not hold under the roots given") from error
    return found.at


def tidy(token: bytes) -> bytes:
    """Put the certificates beside a token's signature into DER order, and leave roots out.

    They are a SET outside the signature, and an authority run by OpenSSL writes them as they come;
    a root inside would be bytes that nothing covers. Raises RecordError when the bytes are no
    signed data.
    """
    kind, wrapped = _two(_elements(_inside(token, _SEQUENCE)))
    parts = _elements(_inside(_inside(wrapped, _FIRST), _SEQUENCE))
    tidied = [
        _element(_FIRST, *sorted(filter(_is_no_root, _elements(_inside(part, _FIRST)))))
        if part[0] == _FIRST
        else part
        for part in parts
    ]
    return _element(_SEQUENCE, kind, _element(_FIRST, _element(_SEQUENCE, *tidied)))


def _is_no_root(der: bytes) -> bool:
    try:
        found = certificate.load(der)
    except RecordError:
        return True
    return found.issuer != found.subject


def _decode(token: bytes) -> TimeStampResponse:
    if len(token) > _TOKEN_BYTES:
        raise RecordError(f"time-stamp: {len(token)} bytes, expected {_TOKEN_BYTES} at most")
    if tidy(token) != token:
        raise RecordError("time-stamp: its certificates are not in order, or a root among them")
    answer = _element(_SEQUENCE, _GRANTED, token)
    try:
        return decode_timestamp_response(answer)
    except Exception as error:
        raise RecordError(f"time-stamp: not readable ({type(error).__name__})") from error


def _two(parts: Sequence[bytes]) -> tuple[bytes, bytes]:
    if len(parts) != 2:  # noqa: PLR2004  a kind and what is of that kind
        raise RecordError("time-stamp: not readable, expected signed data")
    return parts[0], parts[1]


def _inside(element: bytes, tag: int) -> bytes:
    found = list(_headers(element))
    if len(found) != 1 or element[0] != tag:
        raise RecordError("time-stamp: not readable, expected signed data")
    return element[found[0][0] :]


def _elements(data: bytes) -> list[bytes]:
    """Cut DER elements that follow one another apart, each with its head."""
    begins = 0
    parts = []
    for _, end in _headers(data):
        parts.append(data[begins:end])
        begins = end
    return parts


def _headers(data: bytes) -> Iterator[tuple[int, int]]:
    """Give where the content of each element begins and ends."""
    place = 0
    while place < len(data):
        size = int.from_bytes(data[place + 1 : place + 2])
        start = place + 2
        if size >= _LONG_FORM:
            start += size - _LONG_FORM
            size = int.from_bytes(data[place + 2 : start])
        place = start + size
        if place > len(data):
            raise RecordError("time-stamp: cut short")
        yield start, place


def _element(tag: int, *parts: bytes) -> bytes:
    data = b"".join(parts)
    size = len(data)
    if size < _LONG_FORM:
        return bytes([tag, size]) + data
    length = size.to_bytes((size.bit_length() + 7) // 8)
    return bytes([tag, _LONG_FORM + len(length)]) + length + data
