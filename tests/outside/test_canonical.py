"""Canonical JSON and SHA-256 against the documents that define them."""

from __future__ import annotations

import hashlib
import struct

import pytest
import rfc8785

from metercap.errors import JournalError
from metercap.journal import canonical


def test_rfc_8785_sorting() -> None:
    """RFC 8785 section 3.2.3: names sort by UTF-16 code units, which is not the order of UTF-8."""
    data = {
        "\u20ac": "Euro Sign",
        "\r": "Carriage Return",
        "\ufb33": "Hebrew Letter Dalet With Dagesh",
        "1": "One",
        "\U0001f600": "Emoji: Grinning Face",
        "\u0080": "Control",
        "\u00f6": "Latin Small Letter O With Diaeresis",
    }
    written = canonical.dumps(data).decode("utf-8")
    places = [written.index(f'"{value}"') for value in data.values()]
    order = [value for _, value in sorted(zip(places, data.values(), strict=True))]
    assert order == [
        "Carriage Return",
        "One",
        "Control",
        "Latin Small Letter O With Diaeresis",
        "Euro Sign",
        "Emoji: Grinning Face",
        "Hebrew Letter Dalet With Dagesh",
    ]


def test_rfc_8785_strings_and_literals() -> None:
    """RFC 8785 sections 3.2.2 and 3.2.4, the sample without its numbers, which we do not store."""
    data = {
        "string": "\u20ac$\u000f\u000aA'\u0042\u0022\u005c\\\"/",
        "literals": [None, True, False],
    }
    expected = (
        '{"literals":[null,true,false],"string":"\u20ac$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'.encode()
    )
    assert canonical.dumps(data) == expected
    assert bytes.fromhex("e282ac245c75303030665c6e4127425c225c5c5c5c5c222f") in expected
    assert canonical.loads(expected) == data


# RFC 8785 appendix B: IEEE 754 bits and how they are written. We store no fractions, so this only
# shows that the package which defines our form knows the whole of the standard.
NUMBERS = [
    ("0000000000000000", "0"),
    ("8000000000000000", "0"),
    ("0000000000000001", "5e-324"),
    ("8000000000000001", "-5e-324"),
    ("7fefffffffffffff", "1.7976931348623157e+308"),
    ("ffefffffffffffff", "-1.7976931348623157e+308"),
    ("4340000000000000", "9007199254740992"),
    ("c340000000000000", "-9007199254740992"),
    ("4430000000000000", "295147905179352830000"),
    ("44b52d02c7e14af5", "9.999999999999997e+22"),
    ("44b52d02c7e14af6", "1e+23"),
    ("44b52d02c7e14af7", "1.0000000000000001e+23"),
    ("444b1ae4d6e2ef4e", "999999999999999700000"),
    ("444b1ae4d6e2ef4f", "999999999999999900000"),
    ("444b1ae4d6e2ef50", "1e+21"),
    ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
    ("3eb0c6f7a0b5ed8d", "0.000001"),
    ("41b3de4355555553", "333333333.3333332"),
    ("41b3de4355555554", "333333333.33333325"),
    ("41b3de4355555555", "333333333.3333333"),
    ("41b3de4355555556", "333333333.3333334"),
    ("41b3de4355555557", "333333333.33333343"),
    ("becbf647612f3696", "-0.0000033333333333333333"),
    ("43143ff3c1cb0959", "1424953923781206.2"),
]


@pytest.mark.parametrize(("bits", "text"), NUMBERS)
def test_rfc_8785_numbers(bits: str, text: str) -> None:
    (number,) = struct.unpack(">d", bytes.fromhex(bits))
    assert rfc8785.dumps(number) == text.encode()
    with pytest.raises(JournalError):
        canonical.dumps(number)


def test_rfc_8785_refuses_what_i_json_cannot_carry() -> None:
    """RFC 8785 section 3.2.2.2: a lone surrogate is an error; 3.2.2.3: so are NaN and infinity."""
    for value in ("\ud800", float("nan"), float("inf")):
        with pytest.raises(JournalError):
            canonical.dumps(value)


# FIPS 180-4 with the examples of NIST's "Cryptographic Standards and Guidelines, SHA256.pdf":
# one block, two blocks; the empty message and a million letters are in NIST's SHAVS vectors.
SHA_256 = [
    (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
    (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
    (
        b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
    ),
    (b"a" * 1_000_000, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
]


@pytest.mark.parametrize(("message", "expected"), SHA_256, ids=["0", "3", "56", "million"])
def test_sha_256(message: bytes, expected: str) -> None:
    assert canonical.digest(message) == expected
    assert hashlib.sha256(message).hexdigest() == expected
