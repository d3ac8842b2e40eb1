"""The commands of a record's own readme, run by programs that know nothing of this project."""

from __future__ import annotations

import re
import subprocess
import xml.etree.ElementTree as ET
from typing import TYPE_CHECKING

import pytest
from cryptography.hazmat.primitives.serialization import Encoding
from record import signedjob
from record.authority import OpensslAuthority

from metercap.record import container, seal, stamp

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A directory as the readme asks for: the record unpacked by unzip, both roots beside it."""
    authority = tmp_path / "authority"
    authority.mkdir()
    clock = OpensslAuthority(authority)

    def fetch(covered: bytes) -> bytes:
        return stamp.read_answer(clock.reply(stamp.request(covered, 7)), covered, 7)

    record = tmp_path / "job-2.asice"
    record.write_bytes(seal.stamp(signedjob.sealed(), fetch))
    out = tmp_path / "out"
    out.mkdir()
    subprocess.run(["unzip", "-q", record, "-d", out], check=True)
    (out / "root.pem").write_bytes(signedjob.FIRM.root.public_bytes(Encoding.PEM))
    (out / "tsa-root.pem").write_bytes(clock.root.read_bytes())
    return out


def commands(folder: Path) -> list[str]:
    """What stands indented in the readme, lines that go on joined, without our own program."""
    text = (folder / "readme.txt").read_text("ascii").replace("\\\n", "")
    lines = [line.strip() for line in text.splitlines() if re.match(r"    [a-z(]", line)]
    return [line for line in lines if re.match(r"\(?(openssl|sha256sum|sed|tail|printf)\b", line)]


def run(folder: Path, command: str) -> tuple[int, str]:
    done = subprocess.run(
        ["sh", "-c", command], cwd=folder, check=False, capture_output=True, text=True
    )
    return done.returncode, done.stdout + done.stderr


def found(folder: Path, word: str) -> tuple[int, str]:
    (command,) = [line for line in commands(folder) if word in line]
    return run(folder, command)


def test_the_readme_names_every_command_once(folder: Path) -> None:
    assert len(commands(folder)) == 11
    assert len((folder / "readme.txt").read_bytes().splitlines()) < 130


def test_the_signature_holds_under_the_firms_root(folder: Path) -> None:
    code, said = found(folder, "openssl cms")
    assert (code, "CAdES Verification successful" in said) == (0, True)


def test_every_member_has_the_sum_that_was_signed(folder: Path) -> None:
    code, said = found(folder, "sha256sum --strict")
    assert code == 0
    assert set(said.split()[1::2]) == {"OK"}
    names = {line.split()[1] for line in (folder / "sha256sums").read_text().splitlines()}
    members = container.unpack((folder.parent / "job-2.asice").read_bytes())
    assert names == {name for name in members if not name.startswith("META")} - {"sha256sums"}
    code, digest = found(folder, "openssl dgst -sha256 -binary")
    manifest = (folder / "META-INF" / "ASiCManifest001.xml").read_text("ascii")
    (line,) = [line for line in manifest.splitlines() if 'URI="sha256sums"' in line]
    assert f"<ds:DigestValue>{digest.strip()}<" in line


def test_the_time_stamp_holds_under_its_authoritys_root(folder: Path) -> None:
    code, said = found(folder, "openssl ts -verify")
    assert (code, "Verification: OK" in said) == (0, True)
    code, said = found(folder, "openssl ts -reply")
    assert (code, said.startswith("Time stamp: ")) == (0, True)


def test_the_checkpoint_is_signed_by_the_recorders_key(folder: Path) -> None:
    for word in ("pkcs7", "x509", "sed '/^$/", "tail -n 1"):
        assert found(folder, word)[0] == 0
    assert found(folder, "openssl dgst -sha256 -verify") == (0, "Verified OK\n")


def test_the_heads_are_linked(folder: Path) -> None:
    _, said = found(folder, "printf")
    second = (folder / "heads.jsonl").read_text().splitlines()[1]
    assert f'"prev":"{said.split()[0]}"' in second


@pytest.mark.parametrize(
    ("member", "word"),
    [
        ("META-INF/ASiCManifest001.xml", "openssl cms"),
        ("bodies.jsonl", "sha256sum --strict"),
        ("META-INF/ASiCManifest002.xml", "openssl ts -verify"),
        ("checkpoint.txt", "openssl dgst -sha256 -verify"),
    ],
)
def test_each_of_them_finds_a_change(folder: Path, member: str, word: str) -> None:
    for before in ("pkcs7", "x509", "tail -n 1"):
        found(folder, before)
    data = (folder / member).read_bytes()
    (folder / member).write_bytes(data[:3] + bytes([data[3] ^ 1]) + data[4:])
    found(folder, "sed '/^$/")
    assert found(folder, word)[0] != 0


def test_the_xml_is_well_formed_and_of_the_standards_namespace(folder: Path) -> None:
    """EN 319 162-1 V1.1.1 annex A.4; Python's expat is the parser that we do not use."""
    for name, signed in (("001", "signature001.p7s"), ("002", "timestamp001.tst")):
        data = (folder / "META-INF" / f"ASiCManifest{name}.xml").read_bytes()
        root = ET.fromstring(data)  # noqa: S314  our own bytes
        assert root.tag == "{http://uri.etsi.org/02918/v1.2.1#}ASiCManifest"
        first, *rest = root
        assert first.attrib["URI"] == f"META-INF/{signed}"
        assert {child.tag.partition("}")[2] for child in rest} == {"DataObjectReference"}
        for child in rest:
            assert (folder / child.attrib["URI"]).is_file()
            assert [part.tag.partition("}")[2] for part in child] == ["DigestMethod", "DigestValue"]
