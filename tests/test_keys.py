"""The keys of meters that encrypt: where they lie, who may read them, and what is refused."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from metercap.errors import OperatorError
from metercap.shelf import load_keys

if TYPE_CHECKING:
    from pathlib import Path

ADDRESS = "f0:00:00:00:00:01"
KEY = "000102030405060708090A0b0c0d0e0f"


def put(data: Path, text: str | bytes, mode: int = 0o600) -> None:
    path = data / "keys.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    path.chmod(mode)


def test_without_a_file_there_are_no_keys(tmp_path: Path) -> None:
    assert load_keys(tmp_path) == {}
    assert load_keys(tmp_path / "nowhere") == {}


def test_a_key_is_found_by_its_address_in_capitals(tmp_path: Path) -> None:
    put(tmp_path, f'# the boiler house\n"{ADDRESS}" = "{KEY}"\n')

    assert load_keys(tmp_path) == {ADDRESS.upper(): bytes(range(16))}


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o620, 0o601, 0o644])
def test_a_file_that_others_may_use_is_refused(tmp_path: Path, mode: int) -> None:
    put(tmp_path, f'"{ADDRESS}" = "{KEY}"\n', mode)

    with pytest.raises(OperatorError, match=f"found mode {mode:04o}, expected 0600.*chmod 600"):
        load_keys(tmp_path)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (f'"{ADDRESS}" = "{KEY}00"', "expected a key of 32 digits in hex"),
        (f'"{ADDRESS}" = "{KEY[:-1]}g"', "expected a key of 32 digits in hex"),
        (f'"{ADDRESS}" = 12', "expected a key of 32 digits in hex"),
        (f'["{ADDRESS}"]\nkey = "{KEY}"', "expected a key of 32 digits in hex"),
        (f'"f0:00" = "{KEY}"', "found 'f0:00', expected an address"),
        (f'"{ADDRESS}" = "{KEY}"\n"{ADDRESS.upper()}" = "{KEY}"', "found again, expected once"),
        (f'"{ADDRESS}" = {KEY}', "not TOML"),
        (f'"{ADDRESS}" = "{KEY}'.encode() + b'\xff"', "not TOML"),
        ("a = " + "[" * 100_000, "not TOML"),
    ],
)
def test_what_is_no_key_is_one_line_that_shows_none(
    tmp_path: Path, text: str | bytes, said: str
) -> None:
    put(tmp_path, text)

    with pytest.raises(OperatorError) as caught:
        load_keys(tmp_path)
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)
    assert KEY[:-1] not in str(caught.value)


def test_a_folder_in_its_place_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "keys.toml").mkdir()

    with pytest.raises(OperatorError, match=r"keys.toml: cannot be read"):
        load_keys(tmp_path)
