from __future__ import annotations

import subprocess
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest
from cryptography.hazmat.primitives.serialization import Encoding
from record.authority import CLOCK, OTHER_CLOCK, OpensslAuthority

from metercap.errors import RecordError
from metercap.record import stamp

if TYPE_CHECKING:
    from pathlib import Path

AT = datetime(2026, 11, 25, 12, 0, 5, tzinfo=UTC)
DATA = b"what is stamped"
NONCE = 0x1234_5678_9ABC


def test_a_token_gives_its_time_to_whoever_trusts_the_root() -> None:
    token = CLOCK.token(DATA, AT)
    assert stamp.read_token(token) == stamp.Token(AT, stamp.hashlib.sha256(DATA).digest(), None)
    assert stamp.check_token(token, DATA, [CLOCK.root]) == AT
    assert stamp.check_token(token, DATA, [OTHER_CLOCK.root, CLOCK.root]) == AT


def test_openssl_takes_the_token_that_the_tests_make(tmp_path: Path) -> None:
    (tmp_path / "token").write_bytes(CLOCK.token(DATA, AT))
    (tmp_path / "data").write_bytes(DATA)
    (tmp_path / "root.pem").write_bytes(CLOCK.root.public_bytes(Encoding.PEM))
    command = (
        "openssl ts -verify -token_in -in token -data data -CAfile root.pem -attime 1795608005"
    )
    done = subprocess.run(command.split(), cwd=tmp_path, check=True, capture_output=True, text=True)
    assert "Verification: OK" in done.stdout


def test_a_token_over_other_bytes_or_of_another_authority_is_refused() -> None:
    token = CLOCK.token(DATA, AT)
    with pytest.raises(RecordError, match="made over other bytes"):
        stamp.check_token(token, DATA + b".", [CLOCK.root])
    with pytest.raises(RecordError, match="does not hold under the roots"):
        stamp.check_token(token, DATA, [OTHER_CLOCK.root])
    with pytest.raises(RecordError, match="does not hold under the roots"):
        stamp.check_token(token, DATA, [])


def test_openssl_reads_the_question_and_its_answer_is_tidied(tmp_path: Path) -> None:
    authority = OpensslAuthority(tmp_path)
    question = stamp.request(DATA, NONCE)
    (tmp_path / "q").write_bytes(question)
    done = subprocess.run(
        ["openssl", "ts", "-query", "-in", "q", "-text"],
        cwd=tmp_path,
        check=True,
        capture_output=True,
        text=True,
    )
    assert "Nonce: 0x123456789ABC" in done.stdout
    assert "Certificate required: yes" in done.stdout
    answer = authority.reply(question)
    token = stamp.read_answer(answer, DATA, NONCE)
    root = CLOCK.root.public_bytes(Encoding.DER)
    assert root in answer
    assert root not in token
    assert stamp.tidy(token) == token
    assert stamp.check_token(token, DATA, [CLOCK.root]) == stamp.read_token(token).at


def test_an_answer_to_another_question_is_refused(tmp_path: Path) -> None:
    answer = OpensslAuthority(tmp_path).reply(stamp.request(DATA, NONCE))
    for data, nonce in ((DATA, NONCE + 1), (b"other", NONCE)):
        with pytest.raises(RecordError, match="to another question"):
            stamp.read_answer(answer, data, nonce)


def test_a_refusal_and_nonsense_are_refused_in_one_line(tmp_path: Path) -> None:
    authority = OpensslAuthority(tmp_path)
    refusal = authority.reply(b"\x30\x03\x02\x01\x01")
    good = authority.reply(stamp.request(DATA, NONCE))
    for answer in (refusal, b"", b"\x30", b"<html>", b"\x30\x84\xff\xff\xff\xff", good[:-1]):
        with pytest.raises(RecordError, match=r"^time-stamp: ") as caught:
            stamp.read_answer(answer, DATA, NONCE)
        assert "\n" not in str(caught.value)


def test_a_token_with_more_beside_it_than_it_needs_is_refused() -> None:
    token = CLOCK.token(DATA, AT)
    own = CLOCK.certificate.public_bytes(Encoding.DER)
    fatter = CLOCK._replace(certificate=OTHER_CLOCK.certificate).token(DATA, AT)
    with pytest.raises(RecordError, match="does not hold"):
        stamp.check_token(fatter, DATA, [CLOCK.root])
    assert own in token
    with pytest.raises(RecordError, match="65537 bytes, expected 65536 at most"):
        stamp.read_token(token + bytes(65537 - len(token)))


def test_hardly_a_bit_of_a_token_is_without_effect() -> None:
    """Those left are the outermost version numbers and labels, which no signature covers."""
    token = CLOCK.token(DATA, AT)
    accepted = []
    for place in range(len(token)):
        changed = token[:place] + bytes([token[place] ^ 1]) + token[place + 1 :]
        try:
            assert stamp.check_token(changed, DATA, [CLOCK.root]) == AT
        except RecordError:
            continue
        accepted.append(place)
    assert len(accepted) < 12
