"""Keys, enrolment, approval, time-stamps and revocation as their users meet them."""

from __future__ import annotations

import stat
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from bench.verify import PROCEDURE, make_rows
from cli.command import Answer, metercap_
from cryptography.hazmat.primitives.serialization import Encoding
from record.authority import OpensslAuthority

from metercap import clock as clock_of_this_machine
from metercap import device, firm, records
from metercap.journal import entry
from metercap.journal.entry import Draft
from metercap.journal.store import Journal
from metercap.record import certificate

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A recorder's directory with one closed job in its journal."""
    folder = tmp_path / "data"
    (folder / "procedures").mkdir(parents=True)
    (folder / "procedures" / "bench.toml").write_text(PROCEDURE, encoding="utf-8")
    found = [entry.read_entry(row.head, row.body) for row in make_rows(8)]
    journal = Journal.open(folder / "journal.sqlite", "bench")
    journal.append([Draft(row.job, row.kind, row.at, row.body) for row in found])
    journal.close()
    return folder


@pytest.fixture
def keys(tmp_path: Path) -> Path:
    """The folder of a firm's root key."""
    return firm_in(tmp_path / "stick")


def firm_in(folder: Path) -> Path:
    firm.make_root(folder, "Example Electrical", 1, now())
    return folder


def now() -> datetime:
    return records.date_of(clock_of_this_machine.now())


def done(*arguments: object) -> Answer:
    answer = metercap_(*arguments)
    assert (answer.code, answer.err) == (0, "")
    return answer


def enrolled(data: Path, keys: Path) -> Path:
    """Enrol the recorder without the command line, which takes its time; its root certificate."""
    own = device.open_device(data, "bench")
    request = certificate.make_request(own.key, "bench").public_bytes(Encoding.PEM)
    found = firm.certify(keys, request, "devices", 900, 2, now())
    root = device.read_certificate(keys / "root.pem")
    device.enrol(data, own, found, root)
    (data / "own.pem").write_bytes(found.public_bytes(Encoding.PEM))
    return keys / "root.pem"


def enrolled_by_command(data: Path, keys: Path) -> Path:
    request, own = data / "request.csr", data / "own.pem"
    done("device", "request", "--out", request, "--data", data)
    done("firm", "sign", request, "--keys", keys, "--out", own)
    done("device", "enrol", own, "--root", keys / "root.pem", "--data", data)
    return keys / "root.pem"


def exported(data: Path) -> Path:
    done("export", "1", "--data", data, "--out", data)
    return data / "job-1.asice"


def report(*arguments: object) -> dict[str, Any]:
    (row,) = metercap_("verify", "--json", *arguments).rows
    return dict(row)


def journalled(data: Path, kind: str) -> list[dict[str, object]]:
    journal = Journal.read(data / "journal.sqlite")
    try:
        return [found.body for found in journal.entries(0) if found.kind == kind]
    finally:
        journal.close()


@pytest.fixture
def clock(tmp_path: Path, data: Path) -> Iterator[OpensslAuthority]:
    """An authority that the recorder knows, after one that nobody answers for."""
    folder = tmp_path / "clock"
    folder.mkdir()
    authority = OpensslAuthority(folder)
    with authority.serving() as address:
        (data / "time-stamp-authorities.txt").write_text(
            f"# two to ask\nhttp://127.0.0.1:9/\n{address}\n", encoding="utf-8"
        )
        yield authority


def test_a_recorder_makes_its_key_and_keeps_it_to_itself(data: Path) -> None:
    (first,) = metercap_("device", "show", "--json", "--data", data).rows
    (again,) = metercap_("device", "show", "--json", "--data", data).rows
    assert first == again
    assert first["firm"] == "UNENROLLED"
    assert first["number"] == first["sha256"][:16]
    assert stat.S_IMODE((data / "key.pem").stat().st_mode) == 0o600
    assert "not enrolled" in done("device", "show", "--data", data).out
    (data / "key.pem").chmod(0o640)
    refused = metercap_("device", "show", "--data", data).complaint
    assert "found mode 0640, expected 0600" in refused


def test_a_record_is_nobodys_until_the_recorder_is_enrolled(data: Path, tmp_path: Path) -> None:
    keys = tmp_path / "firm"
    made = done("firm", "root", "Example Electrical", "--keys", keys)
    assert "root-key.pem: keep it off line" in made.out
    found = report(exported(data), "--root", keys / "root.pem")
    assert (found["status"], found["exit"]) == ("UNTRUSTED", 6)
    assert found["reasons"][-1] == "integrity holds, identity does not"
    root = enrolled_by_command(data, keys)
    assert "Example Electrical" in done("device", "show", "--data", data).out
    found = report(exported(data), "--root", root)
    assert (found["status"], found["exit"]) == ("VALID_WITH_RESERVATIONS", 1)
    assert found["signer"]["firm"] == "Example Electrical"
    assert found["signer"]["role"] == "devices"
    (kept,) = journalled(data, "enrol")
    assert set(kept) == {"certificate", "root", "key"}
    assert report(data / "job-1.asice")["exit"] == 6  # without a root nobody is trusted


def test_sealing_again_gives_the_same_bytes(data: Path, keys: Path) -> None:
    enrolled(data, keys)
    first = exported(data).read_bytes()
    assert exported(data).read_bytes() == first


def test_only_the_firms_own_certificate_for_this_key_is_taken(
    data: Path, keys: Path, tmp_path: Path
) -> None:
    request = tmp_path / "request.csr"
    done("device", "request", "--out", request, "--data", data)
    root = keys / "root.pem"

    def refused(own: Path, above: Path = root) -> str:
        return metercap_("device", "enrol", own, "--root", above, "--data", data).complaint

    done("firm", "sign", request, "--keys", keys, "--out", tmp_path / "own.pem")
    done(
        *("firm", "sign", request, "--keys", keys, "--out", tmp_path / "person.pem"),
        *("--role", "engineers"),
    )
    firm_in(tmp_path / "other")
    done("firm", "sign", request, "--keys", tmp_path / "other", "--out", tmp_path / "false.pem")
    other_data = tmp_path / "data-2"
    done("device", "request", "--out", tmp_path / "2.csr", "--data", other_data)
    done("firm", "sign", tmp_path / "2.csr", "--keys", keys, "--out", tmp_path / "2.pem")
    assert (
        refused(tmp_path / "2.pem")
        == "certificate: for another key, expected one for this recorder's"
    )
    assert refused(tmp_path / "person.pem") == "certificate: not one of devices"
    assert (
        refused(tmp_path / "false.pem")
        == "certificate: certificate comes from no root that was given"
    )
    assert refused(root) == "certificate: for another key, expected one for this recorder's"
    assert journalled(data, "enrol") == []
    done("device", "enrol", tmp_path / "own.pem", "--root", root, "--data", data)
    other_root = tmp_path / "other" / "root.pem"
    assert "kept since enrolment" in refused(tmp_path / "false.pem", other_root)


def test_a_time_stamp_is_fetched_and_proves_the_time(
    data: Path, keys: Path, clock: OpensslAuthority
) -> None:
    root = enrolled(data, keys)
    record = exported(data)
    before = record.read_bytes()
    assert "no time-stamp" in report(record, "--root", root)["reservations"][0]
    said = done("stamp", record, "--data", data)
    assert said.out.startswith(f"{record}: time-stamp of 20")
    trusted = ("--root", root, "--tsa-root", clock.root)
    found = report(record, *trusted)
    assert found["reservations"] == ["steps not tested: earth"]
    assert found["timestamp"] in said.out
    assert "not checked" in report(record, "--root", root)["reservations"][0]
    (kept,) = journalled(data, "tst")
    assert kept["at"] == found["timestamp"]
    assert len(before) < len(record.read_bytes())
    assert done("stamp", record, "--data", data).out == f"{record}: has a time-stamp\n"
    assert clock.asked == 1
    stamped = record.read_bytes()
    assert exported(data).read_bytes() == stamped
    done("device", "rekey", "--data", data)
    refused = metercap_("export", "1", "--data", data, "--out", data).complaint
    assert refused.endswith("would now be sealed otherwise; move it away first")
    assert record.read_bytes() == stamped


def test_off_line_a_record_waits_for_its_time_stamp(
    data: Path, keys: Path, clock: OpensslAuthority
) -> None:
    enrolled(data, keys)
    record = exported(data)
    before = record.read_bytes()
    for answer in (b"", b"\x30\x05\x30\x03\x02\x01\x02"):
        clock.answers = answer
        missed = metercap_("stamp", record, "--data", data)
        assert missed.code == 1
        assert "no time-stamp: http://127.0.0.1:9/: " in missed.err
        assert record.read_bytes() == before
    assert journalled(data, "tst") == []
    clock.answers = None
    assert done("stamp", "--data", data).out.startswith(f"{record}: time-stamp of 20")
    assert done("stamp", "--data", data).out == ""


def test_without_an_authority_to_ask_there_is_no_time_stamp(data: Path) -> None:
    refused = metercap_("stamp", "x.asice", "--data", data).complaint
    assert refused.endswith("names no authority, expected one address a line")
    (data / "time-stamp-authorities.txt").write_text("file:///etc/passwd\n", encoding="utf-8")
    refused = metercap_("stamp", "x.asice", "--data", data).complaint
    assert refused.endswith("found 'file:///etc/passwd', expected an http address")


def test_an_engineer_approves_with_a_key_of_their_own(
    data: Path, keys: Path, tmp_path: Path
) -> None:
    root = enrolled(data, keys)
    record = exported(data)
    person = tmp_path / "person"
    done("device", "request", "--out", tmp_path / "p.csr", "--data", person)
    own = tmp_path / "p.pem"
    done("firm", "sign", tmp_path / "p.csr", "--keys", keys, "--out", own, "--role", "engineers")
    other = metercap_("approve", record, "--key", data / "key.pem", "--certificate", own)
    assert other.complaint.endswith("for another key than that in " + str(data / "key.pem"))
    as_device = ("approve", record, "--key", data / "key.pem", "--certificate")
    assert metercap_(*as_device, data / "own.pem").complaint.endswith(
        "not a certificate of engineers"
    )
    done("approve", record, "--key", person / "key.pem", "--certificate", own)
    found = report(record, "--root", root)
    assert found["exit"] == 1
    (approval,) = found["approvals"]
    assert approval["role"] == "engineers"


def test_what_the_firm_withdraws_no_longer_counts(data: Path, keys: Path, tmp_path: Path) -> None:
    root = enrolled(data, keys)
    record = exported(data)
    done("firm", "revoke", data / "own.pem", "--keys", keys)
    found = report(record, "--root", root, "--crl", keys / "revoked.pem")
    assert (found["exit"], "certificate revoked 20" in found["reasons"][0]) == (6, True)
    firm_in(tmp_path / "other")
    wrong = metercap_(
        "verify", record, "--root", tmp_path / "other" / "root.pem", "--crl", keys / "revoked.pem"
    )
    assert wrong.complaint.endswith("revoked.pem: not signed by a root that was given")


def test_only_approved_definitions_are_trusted(data: Path, keys: Path, tmp_path: Path) -> None:
    root = enrolled(data, keys)
    record = exported(data)
    listed = tmp_path / "approved.txt"
    approve = ("firm", "approve", "--keys", keys, "--out", listed, "--data", data)
    done(*approve, "bench", "bench-count")
    assert report(record, "--root", root, "--approved", listed)["exit"] == 1
    done(*approve, "bench-count")
    found = report(record, "--root", root, "--approved", listed)
    assert (found["exit"], found["reasons"][0]) == (
        6,
        "not among the approved definitions: 'bench'",
    )
    text = listed.read_text(encoding="utf-8")
    listed.write_text(text.replace(text[0], "0" if text[0] != "0" else "1", 1), encoding="utf-8")
    wrong = metercap_("verify", record, "--root", root, "--approved", listed)
    assert wrong.complaint.endswith("approved.txt: not signed by a root that was given")
    listed.write_text("nonsense\n", encoding="utf-8")
    wrong = metercap_("verify", record, "--root", root, "--approved", listed)
    assert wrong.complaint.endswith("line 1: found 'nonsense', expected a SHA-256")


def test_another_day_may_be_asked_for(data: Path, keys: Path) -> None:
    root = enrolled(data, keys)
    record = exported(data)
    late = report(record, "--root", root, "--at", "2039-01-01")
    assert (late["exit"], "certificate expired 20" in late["reasons"][0]) == (6, True)
    wrong = metercap_("verify", record, "--at", "soon").complaint
    assert wrong == "--at: found 'soon', expected a date or time: 2026-11-25"


def test_a_new_key_is_vouched_for_by_the_old_and_enrolled_again(data: Path, keys: Path) -> None:
    root = enrolled(data, keys)
    (before,) = metercap_("device", "show", "--json", "--data", data).rows
    done("device", "rekey", "--data", data)
    (after,) = metercap_("device", "show", "--json", "--data", data).rows
    assert (after["firm"], after["sha256"] != before["sha256"]) == ("UNENROLLED", True)
    assert (data / f"key-{before['number']}.pem").exists()
    assert len(journalled(data, "rekey")) == 1
    assert report(exported(data), "--root", root)["exit"] == 6
    enrolled(data, keys)
    assert report(exported(data), "--root", root)["exit"] == 1


def test_a_firms_key_is_never_written_over(keys: Path) -> None:
    before = (keys / "root-key.pem").read_bytes()
    again = metercap_("firm", "root", "Another", "--keys", keys).complaint
    assert again.endswith("exists, expected none: a key is never written over")
    assert (keys / "root-key.pem").read_bytes() == before
