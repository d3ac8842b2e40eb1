"""Runs the command line as its user does: another process, two streams and an exit status."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import metercap

if TYPE_CHECKING:
    from collections.abc import Mapping

ROOT = Path(__file__).parents[2]
SOURCE = Path(metercap.__file__).parents[1]
COMMAND = (sys.executable, "-m", "metercap")


class Answer(NamedTuple):
    """How a command ended."""

    code: int
    out: str
    err: str

    @property
    def lines(self) -> list[str]:
        return self.out.splitlines()

    @property
    def rows(self) -> list[dict[str, Any]]:
        """Standard output as JSON, one object a line."""
        return [json.loads(line) for line in self.lines]

    @property
    def complaint(self) -> str:
        """The one line on standard error of a command that could not be done."""
        assert self.code == 2, self
        assert self.err.count("\n") == 1, self.err
        assert self.err.startswith("metercap: "), self.err
        return self.err.removeprefix("metercap: ").rstrip("\n")


def surroundings(**more: str) -> dict[str, str]:
    """The environment of a user who has set nothing, 120 columns wide; `more` comes on top."""
    kept = {
        name: value
        for name, value in os.environ.items()
        if name not in {"METERCAP_DATA", "XDG_DATA_HOME", "COLUMNS", "NO_COLOR", "FORCE_COLOR"}
    }
    return {**kept, "PYTHONPATH": str(SOURCE), "COLUMNS": "120", "PYTHONUTF8": "1", **more}


def metercap_(
    *arguments: object,
    typed: str | bytes = b"",
    env: Mapping[str, str] | None = None,
    cwd: Path = ROOT,
) -> Answer:
    """Run one command to its end, from the project's top folder unless told otherwise."""
    given = typed.encode() if isinstance(typed, str) else typed
    done = subprocess.run(
        [*COMMAND, *map(str, arguments)],
        input=given,
        capture_output=True,
        check=False,
        cwd=cwd,
        env=surroundings(**(env or {})),
        timeout=100,
    )
    return Answer(done.returncode, done.stdout.decode(), done.stderr.decode())
