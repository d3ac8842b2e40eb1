from __future__ import annotations

import subprocess
from typing import TYPE_CHECKING

import pytest
from record import smalljob

from metercap.errors import RecordError
from metercap.journal import canonical, merkle
from metercap.record import container, seal

if TYPE_CHECKING:
    from pathlib import Path


def test_a_record_holds_these_members_in_this_order() -> None:
    assert list(container.unpack(smalljob.sealed())) == [
        "mimetype",
        "job.json",
        "heads.jsonl",
        "bodies.jsonl",
        "procedure.json",
        "driver-bench.json",
        "readme.txt",
        "sha256sums",
    ]


def test_every_head_of_the_range_is_in_but_no_body_of_another_job() -> None:
    files = container.unpack(smalljob.sealed())
    assert files["heads.jsonl"].count(b'"job":1,') == 1
    assert files["heads.jsonl"].count(b'"job":0,') == 1
    assert b'"raw":"bb"' not in files["bodies.jsonl"]
    assert b"Other Street" not in b"".join(files.values())


def test_the_summary_says_where_in_the_log_the_job_stands() -> None:
    written = smalljob.rows(smalljob.drafts())
    job = canonical.loads(container.unpack(smalljob.sealed())["job.json"])
    assert (job["job"], job["log"], job["from"], job["size"]) == (2, "pi-0007", 4, 18)
    assert job["root"] == merkle.root(smalljob.frontier(written)).hex()
    assert job["steps"]["earth"]["verdict"] == "pass"  # the first attempt at it failed
    assert job["procedure"]["sha256"] == canonical.digest(canonical.dumps(smalljob.PROCEDURE))


def test_sealing_twice_gives_the_same_bytes() -> None:
    assert smalljob.sealed() == smalljob.sealed()


def test_the_readme_tells_commands_that_work(tmp_path: Path) -> None:
    """An auditor has unzip, sed and sha256sum, and nothing of ours."""
    files = container.unpack(smalljob.sealed())
    for name, data in files.items():
        (tmp_path / name).write_bytes(data)
    readme = files["readme.txt"].decode("ascii")
    commands = [line.strip() for line in readme.splitlines() if line.startswith("    ")]
    sums, leaf, body = (line for line in commands if "sha256sum" in line)
    heads = [canonical.loads(line) for line in files["heads.jsonl"].splitlines()]

    def run(command: str) -> str:
        done = subprocess.run(
            ["sh", "-c", command], cwd=tmp_path, check=True, capture_output=True, text=True
        )
        return done.stdout

    assert set(run(sums).split()[1::2]) == {"OK"}
    assert run(leaf).split()[0] == heads[1]["prev"]
    assert run(body).split()[0] == heads[0]["body"]


def test_the_readme_claims_no_more_than_the_record_can_show() -> None:
    readme = container.unpack(smalljob.sealed())["readme.txt"].decode("ascii")
    assert "not a statutory certificate" in readme
    assert "never proves that a conductor is dead" in readme
    assert "unsigned" in readme
    assert all(name in readme for name in ("heads.jsonl", "bodies.jsonl", "metercap verify"))


def test_rows_that_are_not_the_job_from_end_to_end_are_refused() -> None:
    rows = smalljob.rows(smalljob.drafts())
    before = smalljob.frontier(rows[:3])
    for part in (rows[2:], rows[4:], rows[3:-1], []):
        with pytest.raises(RecordError) as caught:
            seal.seal(part, 2, "x", before)
        assert str(caught.value).startswith("job 2: ")
    with pytest.raises(RecordError, match="frontier of 0 entries, expected 3"):
        seal.seal(rows[3:], 2, "x")


def test_a_job_that_is_not_closed_is_refused() -> None:
    rows = smalljob.rows(smalljob.drafts()[:-1])
    with pytest.raises(RecordError, match=r"ends with claim, expected job\.close"):
        seal.seal(rows[3:], 2, "x", smalljob.frontier(rows[:3]))


def test_a_job_without_its_procedure_is_refused() -> None:
    inputs = [item for item in smalljob.INPUTS if item[1].get("what") != "procedure"]
    inputs = [item for item in inputs if item[0] != "begin"]
    with pytest.raises(RecordError, match="no procedure"):
        smalljob.sealed(smalljob.drafts(inputs))


def test_a_driver_name_that_is_no_file_name_is_refused() -> None:
    bad = ("definition", {"what": "driver", "id": "../x", "definition": {}})
    with pytest.raises(RecordError, match="member name"):
        smalljob.sealed(smalljob.drafts([*smalljob.INPUTS, bad]))
