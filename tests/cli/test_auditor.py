"""The small verifier: the answers of `metercap verify`, with the libraries of an auditor alone."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

import pytest
from bench.verify import make_rows
from cli.command import metercap_, surroundings
from cryptography.hazmat.primitives.serialization import Encoding
from record.authority import CLOCK
from record.severaljobs import WANDERING, Log
from record.signedjob import FIRM, STRANGER

from metercap import auditor
from metercap.record import seal

if TYPE_CHECKING:
    from pathlib import Path

# Refuses whatever is not Python's own or one of the five libraries and what those require.
ALONE = """
import importlib.abc, sys
KNOWN = sys.stdlib_module_names | {
    "metercap", "cryptography", "_cffi_backend", "pint", "flexcache", "flexparser", "platformdirs",
    "pydantic", "pydantic_core", "annotated_types", "typing_extensions", "typing_inspection",
    "rfc3161_client", "rfc8785",
}
class Guard(importlib.abc.MetaPathFinder):
    def find_spec(self, name, path=None, target=None):
        top = name.partition(".")[0]
        if top not in KNOWN and not top.startswith("_sysconfigdata"):
            raise ImportError(f"{name} is not for auditors", name=name)
sys.meta_path.insert(0, Guard())
for name in ("bleak", "typer", "sqlite_utils"):
    try:
        __import__(name)
    except ImportError:
        continue
    raise SystemExit("nothing is kept out")
import runpy
sys.argv[0] = "auditor"
try:
    runpy.run_module("metercap.auditor", run_name="__main__")
finally:
    for name in ("sqlite3", "metercap.clock", "metercap.daemon", "metercap.records"):
        assert name not in sys.modules, name
"""


@pytest.fixture
def given(tmp_path: Path) -> list[Path]:
    """Records of several kinds, and a file that is none."""
    good, false = Log(), Log(sealer=STRANGER)
    good.visit(1)
    false.visit(1, WANDERING)
    whole = good.record(1)
    paths = []
    for name, data in (
        ("good", whole),
        ("false", false.record(1)),
        ("cut", whole[:-9]),
        ("bent", whole.replace(b'"number":7', b'"number":8', 1)),
        ("unsigned", seal.seal(make_rows(4), 1, "bench")),
    ):
        paths.append(tmp_path / f"{name}.asice")
        paths[-1].write_bytes(data)
    return [*paths, tmp_path / "absent.asice"]


@pytest.fixture
def trust(tmp_path: Path) -> list[str]:
    paths = []
    for name, root in (("root", FIRM.root), ("tsa-root", CLOCK.root)):
        path = tmp_path / f"{name}.pem"
        path.write_bytes(root.public_bytes(Encoding.PEM))
        paths += [f"--{name}", str(path)]
    return paths


def alone(*arguments: object) -> tuple[int, str, str]:
    done = subprocess.run(
        [sys.executable, "-c", ALONE, *map(str, arguments)],
        capture_output=True,
        check=False,
        text=True,
        env=surroundings(),
        timeout=100,
    )
    return done.returncode, done.stdout, done.stderr


@pytest.mark.parametrize("form", [[], ["--json"]])
def test_the_same_answers_without_the_libraries_of_a_recorder(
    given: list[Path], trust: list[str], form: list[str]
) -> None:
    asked = [*given, *trust, *form, "--at", "2026-11-25"]
    small, whole = alone(*asked), metercap_("verify", *asked)
    assert small == (whole.code, whole.out, whole.err)
    assert whole.code == 2
    exits = [int(line.rpartition(" ")[2]) for line in whole.lines if line.startswith("  exit ")]
    assert exits == ([] if form else [1, 6, 3, 3, 7])


def test_exit_codes_and_complaints(
    given: list[Path], trust: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    good, false, *_ = map(str, given)
    assert auditor.main([good, *trust]) == 1
    assert auditor.main([good]) == 6
    assert auditor.main([good, false, *trust]) == 6
    assert capsys.readouterr().err == ""
    assert auditor.main([good, "--root", good]) == 2
    assert auditor.main([good, "--at", "soon"]) == 2
    assert capsys.readouterr().err.splitlines() == [
        f"metercap: {good}: no certificate in PEM",
        "metercap: --at: found 'soon', expected a date or time: 2026-11-25",
    ]
    with pytest.raises(SystemExit, match="2"):
        auditor.main([])
