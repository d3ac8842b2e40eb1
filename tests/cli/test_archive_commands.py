"""The firm's archive as its user meets it, in a folder and on a real server of files."""

from __future__ import annotations

from typing import TYPE_CHECKING

import fsspec
import pytest
from cli import sftp
from cli.command import Answer, metercap_
from cryptography.hazmat.primitives.serialization import Encoding
from record.severaljobs import WANDERING, Log, shifted
from record.signedjob import DEVICE, ENGINEER, FIRM, LOOK_ALIKE, STRANGER, TODAY, TRUST

from metercap import archive
from metercap.archive import Archive
from metercap.errors import OperatorError, RecordError
from metercap.journal import canonical, entry
from metercap.journal.entry import Draft
from metercap.journal.store import Journal
from metercap.record import seal
from metercap.record.trust import Trust

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

NOBODY = Trust(TODAY)
GOOD = Log()
NOTES = {job: GOOD.visit(job, shown) for job, shown in enumerate([WANDERING, shifted(1)], 1)}
NOTES[3] = GOOD.visit(3, shifted(2))
LAST = {job: last for job, (_, last) in GOOD.closed.items()}


class Files:
    """Files to hand in, each written once."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir()

    def job(self, job: int, log: Log = GOOD, name: str = "") -> Path:
        return self.data(name or f"job-{job}.asice", log.record(job))

    def note(self, text: str, name: str = "checkpoint.txt") -> Path:
        return self.data(name, text.encode())

    def data(self, name: str, data: bytes) -> Path:
        (self.folder / name).write_bytes(data)
        return self.folder / name


@pytest.fixture
def files(tmp_path: Path) -> Files:
    return Files(tmp_path / "given")


@pytest.fixture
def root(tmp_path: Path) -> Path:
    path = tmp_path / "root.pem"
    path.write_bytes(FIRM.root.public_bytes(Encoding.PEM))
    return path


@pytest.fixture(params=["folder", "memory"])
def kept(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Archive]:
    """A folder on the disk, and one that keeps files as an object store does: without folders."""
    if request.param == "folder":
        with archive.opened(str(tmp_path / "archive"), tmp_path / "none") as found:
            yield found
    else:
        memory = fsspec.filesystem("memory", skip_instance_cache=True)
        yield Archive(memory, f"/{tmp_path.name}")
        memory.store.clear()


def exits(kept: Archive, *given: Path, trusted: Trust = NOBODY) -> list[int]:
    return [answer.exit for answer in archive.add(kept, given, trusted)]


def texts(kept: Archive, *given: Path, trusted: Trust = NOBODY) -> list[str]:
    return [answer.text for answer in archive.add(kept, given, trusted)]


def kinds(kept: Archive) -> list[str]:
    bad, findings, _, _ = archive.check(kept, NOBODY)
    return [answer.status for answer in bad] + [finding.kind for finding in findings]


def test_records_are_kept_in_any_order_and_once(kept: Archive, files: Files) -> None:
    assert exits(kept, files.job(3), files.job(1), files.job(2)) == [0, 0, 0]
    assert kinds(kept) == []
    (text,) = texts(kept, files.job(2))
    assert text.startswith("was kept before: job 2 of pi-0007, entries ")
    assert archive.check(kept, NOBODY).records == 3


def test_a_job_handed_in_late_fits_its_hole(kept: Archive, files: Files) -> None:
    assert exits(kept, files.job(1), files.job(3)) == [0, 0]
    assert kinds(kept) == ["MISSING"]
    assert exits(kept, files.job(2)) == [0]
    assert kinds(kept) == []


def test_a_hole_of_two_jobs_is_filled_from_its_end(kept: Archive, files: Files) -> None:
    assert exits(kept, files.job(3)) == [0]
    (text,) = texts(kept, files.job(1))
    assert text.startswith(f"kept {LAST[3]}, given {LAST[1]}: ")
    assert exits(kept, files.job(1), files.job(2)) == [0, 0]
    assert kinds(kept) == []


def test_attack_12_1_history_rewritten_after_a_checkpoint_was_sent(
    kept: Archive, files: Files
) -> None:
    assert exits(kept, files.job(1)) == [0]
    assert exits(kept, files.note(NOTES[2][1])) == [0]
    other = Log()
    other.visit(1)
    other.visit(2, shifted(7))
    (answer,) = archive.add(kept, [files.job(2, other, "rewritten.asice")], NOBODY)
    assert answer.exit == 5
    assert "given another root at size " in answer.text
    assert answer.text.endswith("the log forked")
    assert exits(kept, files.job(2)) == [0]
    assert kinds(kept) == []


def test_attack_14_a_card_set_back_and_run_further(kept: Archive, files: Files) -> None:
    assert exits(kept, *(files.job(job) for job in (1, 2, 3))) == [0, 0, 0]
    saved = Log()
    saved.visit(1)
    assert saved.rows == GOOD.rows[: len(saved.rows)]
    shorter, further = saved.copy(), saved.copy()
    shorter.visit(2, shifted(8, 5))
    further.visit(2, shifted(8, 400))
    assert further.closed[2][1] > LAST[3] > shorter.closed[2][1]
    for log in (shorter, further):
        (answer,) = archive.add(kept, [files.job(2, log, "again.asice")], NOBODY)
        assert (answer.exit, answer.text[-15:]) == (5, " the log forked")
    assert kinds(kept) == []


def test_a_smaller_checkpoint_is_refused_where_nothing_shows_it(
    kept: Archive, files: Files
) -> None:
    own = files.data("own.pem", DEVICE.certificate.public_bytes(Encoding.PEM))
    assert exits(kept, own, trusted=TRUST) == [0]
    assert exits(kept, files.note(NOTES[2][2])) == [0]
    (text,) = texts(kept, files.note(NOTES[1][0], "old.txt"))
    assert text.startswith(f"kept {LAST[2]}, given 1: the log was rolled back")
    (text,) = texts(kept, files.note(NOTES[2][2]))
    assert text == f"was known before: pi-0007 at {LAST[2]}"
    other = Log()
    other.visit(1)
    forked = other.visit(2, shifted(9))[2]
    (text,) = texts(kept, files.note(forked, "fork.txt"))
    assert text.endswith("the log forked")
    assert exits(kept, files.job(1), files.job(2)) == [0, 0]
    (text,) = texts(kept, files.note(NOTES[1][1], "old.txt"))
    assert text.startswith("was known before")
    assert kinds(kept) == []


def test_a_log_belongs_to_the_first_key_unless_a_root_says_otherwise(
    kept: Archive, files: Files
) -> None:
    unknown = files.note(NOTES[2][0])
    assert exits(kept, unknown) == [6]
    assert exits(kept, files.job(1)) == [0]
    assert exits(kept, unknown) == [0]
    false = Log(sealer=STRANGER)
    forged = false.visit(1)[0]
    assert exits(kept, files.job(1, false, "false.asice"), files.note(forged, "f.txt")) == [6, 6]
    assert exits(kept, files.job(2), trusted=TRUST) == [0]
    look_alike = Trust(TODAY, (LOOK_ALIKE.root,))
    assert exits(kept, files.job(3), trusted=look_alike) == [6]
    assert [answer.exit for answer in archive.check(kept, look_alike).bad] == [6, 6]


def test_certificates_are_taken_under_a_root_and_of_recorders(kept: Archive, files: Files) -> None:
    own, person = (
        files.data(f"{number}.pem", sealer.certificate.public_bytes(Encoding.PEM))
        for number, sealer in enumerate((DEVICE, ENGINEER))
    )
    assert exits(kept, own) == [6]
    assert exits(kept, person, trusted=TRUST) == [6]
    assert exits(kept, own, files.note(NOTES[1][0]), trusted=TRUST) == [0, 0]
    broken = files.data("broken.pem", b"-----BEGIN CERTIFICATE-----\nAA==\n")
    assert exits(kept, broken, trusted=TRUST) == [3]


def test_what_does_not_hold_is_refused_by_its_own_answer(kept: Archive, files: Files) -> None:
    whole = GOOD.record(1)
    cut = files.data("cut.asice", whole[:-30])
    bent = files.data("bent.asice", whole.replace(b'"raw"', b'"rew"', 1))
    unsigned = files.data("v1.asice", seal.seal(GOOD.rows[: LAST[1]], 1, "bench"))
    text = files.data("x.txt", b"\xff")
    assert exits(kept, cut, bent, unsigned, text) == [3, 3, 7, 3]


def test_check_finds_what_was_done_to_the_archive_itself(kept: Archive, files: Files) -> None:
    assert exits(kept, *(files.job(job) for job in (1, 2, 3))) == [0, 0, 0]
    folder = f"{kept.top}/pi-0007"
    paths = sorted(kept.files.ls(folder, detail=False))
    first = next(path for path in paths if "job-000001" in path)
    second = next(path for path in paths if "job-000002" in path)
    kept.files.pipe_file(second, kept.files.cat_file(first))
    assert kinds(kept) == ["ALTERED", "MISSING"]
    with pytest.raises(RecordError, match="has been changed where it is kept"):
        archive.add(kept, [files.job(2)], NOBODY)
    kept.files.pipe_file(second, b"PK")
    assert kinds(kept) == ["MALFORMED", "MISSING"]
    kept.files.pipe_file(f"{folder}/checkpoint-{1:018}-{'0' * 64}.txt", NOTES[1][0].encode())
    kept.files.pipe_file(f"{folder}/checkpoint-{2:018}-{'0' * 64}.txt", b"no note")
    assert kinds(kept)[:2] == ["MALFORMED", "MALFORMED"]


def test_what_was_left_half_written_is_not_seen(kept: Archive, files: Files) -> None:
    assert exits(kept, files.job(1)) == [0]
    folder = f"{kept.top}/pi-0007"
    name = next(path for path in kept.files.ls(folder, detail=False) if path.endswith(".asice"))
    kept.files.pipe_file(f"{name}.part", b"PK half")
    assert exits(kept, files.job(2)) == [0]
    assert kinds(kept) == []


def test_names_of_logs_stay_inside_the_archive(kept: Archive, files: Files) -> None:
    log = Log("a/../../b:7")
    log.visit(1)
    assert exits(kept, files.job(1, log)) == [0]
    assert kinds(kept) == []
    (folder,) = kept.files.ls(kept.top, detail=False)
    assert folder.endswith("a%2F..%2F..%2Fb%3A7")


def test_archives_that_are_none_are_refused(tmp_path: Path, files: Files) -> None:
    none = tmp_path / "none"
    with archive.opened(str(none), none) as found, pytest.raises(OperatorError, match="no archive"):
        archive.check(found, NOBODY)
    for place, told in (
        ("nowhere://x/y", "no file system for it"),
        ("sftp://a:b@127.0.0.1/x", "found a password in the address"),
        ("simplecache::sftp://a@127.0.0.1/x", "two addresses in one"),
    ):
        with pytest.raises(OperatorError, match=told), archive.opened(place, none):
            pass
    with archive.opened(str(none), none) as found, pytest.raises(OperatorError, match="read"):
        archive.add(found, [files.folder / "absent"], NOBODY)


def run(*arguments: object) -> Answer:
    answer = metercap_("archive", *arguments)
    assert answer.err == ""
    return answer


@pytest.fixture
def server(tmp_path: Path) -> Iterator[sftp.SftpServer]:
    folder = tmp_path / "server"
    folder.mkdir()
    with sftp.serving(folder) as found:
        yield found


@pytest.mark.parametrize("where", ["folder", "server"])
def test_the_archive_at_the_command_line(
    where: str, tmp_path: Path, files: Files, root: Path, request: pytest.FixtureRequest
) -> None:
    own = tmp_path / "archive"
    place: tuple[object, ...] = (own, "--root", root)
    if where == "server":
        found: sftp.SftpServer = request.getfixturevalue("server")
        own = found.folder / "archive"
        place = (f"{found.address}/archive", "--root", root, *found.options)
    added = run("add", *place, files.job(1), files.job(3), files.note(NOTES[2][1]))
    size = NOTES[2][1].splitlines()[1]
    assert added.code == 5
    assert [line.partition(".asice: ")[2][:11] for line in added.lines[:2]] == ["VALID: kept"] * 2
    assert f"checkpoint.txt: INCOMPLETE: kept {LAST[3]}, given {size}: " in added.lines[2]
    checked = run("check", *place)
    first, last = GOOD.closed[2]
    assert (checked.code, checked.lines) == (
        5,
        [
            f"pi-0007: MISSING: entries {first} to {last} are in no record: a job is missing",
            "2 records and 0 checkpoints hold",
        ],
    )
    assert run("add", *place, files.job(2), files.note(NOTES[2][1])).code == 0
    assert run("check", *place).lines == ["3 records and 0 checkpoints hold"]
    (kept,) = own.iterdir()
    names = sorted(path.name[:19] for path in kept.iterdir())
    assert names[:3] == [f"job-00000{job}-entries-"[:19] for job in (1, 2, 3)]
    assert names[3].startswith("recorder-")
    copied = next(path for path in kept.iterdir() if path.name.startswith("job-000001"))
    assert canonical.digest(copied.read_bytes()) in copied.name
    replayed = Log("pi-0009")
    replayed.visit(1)
    (row,) = run("add", *place, "--json", files.job(1, replayed, "replayed.asice")).rows
    assert (row["exit"], row["status"]) == (0, "VALID")
    answer = run("check", *place, "--json")
    assert answer.code == 1
    assert [(row["kind"], row["log"]) for row in answer.rows] == [("REPLAYED", "pi-0009")]


def test_a_server_is_taken_under_the_key_that_was_written_down_and_no_other(
    server: sftp.SftpServer, tmp_path: Path, files: Files
) -> None:
    other = tmp_path / "other"
    name = server.known_hosts.read_text("ascii").split()[0]
    strange = tmp_path / "strange_hosts"
    strange.write_text(f"{name} {sftp.make_key(other)}\n", encoding="ascii")
    job = files.job(1)
    for known in (strange, tmp_path / "absent"):
        more = ("--key", server.key, "--known-hosts", known)
        refused = metercap_("archive", "add", f"{server.address}/archive", job, *more).complaint
        assert refused.startswith(f"{name}: its key ssh-ed25519 SHA256:")
        assert not (server.folder / "archive").exists()
    more = ("--key", other, "--known-hosts", server.known_hosts)
    refused = metercap_("archive", "add", f"{server.address}/archive", job, *more).complaint
    assert "the server refused: " in refused


def test_a_recorder_hands_its_newest_checkpoint_to_an_archive(
    tmp_path: Path, files: Files, root: Path
) -> None:
    journal = Journal.open(tmp_path / "journal.sqlite", GOOD.name)
    written = [
        Draft(found.job, found.kind, found.at, found.body)
        for row in GOOD.rows
        if (found := entry.read_entry(row.head, row.body))
    ]
    journal.append(written[:1])
    out, place = tmp_path / "c.txt", tmp_path / "archive"
    asked = ("device", "checkpoint", "--data", tmp_path, "--out", out)
    try:
        assert "holds no checkpoint yet" in metercap_(*asked).complaint
        journal.append(written[1:])
        assert metercap_(*asked).lines == [str(out)]
    finally:
        journal.close()
    assert out.read_text("utf-8") == NOTES[3][-1]
    own = files.data("own.pem", DEVICE.certificate.public_bytes(Encoding.PEM))
    assert run("add", place, own, out, "--root", root).code == 0
    last = LAST[3]
    told = f"entries 1 to {last} are in no record, pi-0007/checkpoint-{last:018}-"
    checked = run("check", place)
    assert checked.code == 5
    assert checked.lines[0].startswith(f"pi-0007: NOT_HANDED_IN: {told}")


def test_usage_and_absent_archives(tmp_path: Path) -> None:
    assert "no archive" in metercap_("archive", "check", tmp_path / "absent").complaint
    assert "cannot be read" in metercap_("archive", "add", tmp_path, tmp_path / "x").complaint
    nobody = metercap_("archive", "check", "sftp://a@127.0.0.1:9/x").complaint
    assert nobody.startswith("sftp://a@127.0.0.1:9/x: ")
