"""Checksums by catalogue name, against the catalogue's check values and an independent package.

Sources: the check value of each algorithm is its result over the ASCII text "123456789", from the
catalogue of parametrised CRC algorithms (reveng.sourceforge.io/crc-catalogue); the package is
anycrc, which carries the same catalogue as its own parameters.
"""

from __future__ import annotations

import anycrc
import pytest
from hypothesis import given
from hypothesis import strategies as st

from metercap.meter.frame import CHECKSUMS

CHECK = {
    "CRC-16/MODBUS": 0x4B37,
    "CRC-16/IBM-3740": 0x29B1,
    "CRC-16/XMODEM": 0x31C3,
    "CRC-16/KERMIT": 0x2189,
    "CRC-16/ARC": 0xBB3D,
}
MODELS = {name: anycrc.Model(name.replace("/", "-").replace("CRC-16", "CRC16")) for name in CHECK}


@pytest.mark.parametrize("name", CHECK)
def test_a_crc_meets_its_catalogue_check_value(name: str) -> None:
    assert CHECKSUMS[name](b"123456789") == CHECK[name]


def test_every_crc_that_a_driver_may_name_has_a_check_value() -> None:
    assert {name for name in CHECKSUMS if name.startswith("CRC")} == set(CHECK)


@pytest.mark.parametrize("name", CHECK)
@given(data=st.binary(max_size=64))
def test_a_crc_agrees_with_anycrc(name: str, data: bytes) -> None:
    assert CHECKSUMS[name](data) == MODELS[name].calc(data)


def test_the_two_small_sums_are_plain_arithmetic() -> None:
    # By hand: 0x31 + 0x32 + ... + 0x39 = 0x1DD; the exclusive or of the nine is 0x31.
    assert CHECKSUMS["sum8"](b"123456789") == 0xDD
    assert CHECKSUMS["xor8"](b"123456789") == 0x31
