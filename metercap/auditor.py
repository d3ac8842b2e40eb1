"""`python -m metercap.auditor RECORD --root PEM`: check records where nothing else is installed.

The same answers and exit codes as `metercap verify`, without the libraries of a recorder: it needs
cryptography, pint, pydantic, rfc3161-client and rfc8785, and any computer that has Python.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from metercap import __version__, checking
from metercap.errors import OperatorError
from metercap.record.verify import report_json, report_lines


def main(arguments: Sequence[str] | None = None) -> int:
    """Check the records that are named and print an answer for each; the exit code of them all."""
    asked = _parser().parse_args(arguments)
    try:
        # Not the recorder's clock, which reads its kernel: an auditor's machine may be of any kind.
        at = datetime.now(UTC) if asked.at is None else checking.parse_day(asked.at)
        trusted = checking.load_trust(asked.root, asked.tsa_root, asked.crl, asked.approved, at)
    except OperatorError as error:
        return _complain(error)
    exits = []
    for path in asked.records:
        try:
            report = checking.check(path, trusted)
        except OperatorError as error:
            exits.append(_complain(error))
            continue
        lines = [json.dumps(report_json(report))] if asked.json else report_lines(report)
        sys.stdout.write("".join(f"{line}\n" for line in lines))
        exits.append(report.exit)
    return checking.worst(exits)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m metercap.auditor",
        description="Check records and derive every verdict anew from the raw frames.",
    )
    parser.add_argument("records", nargs="+", type=Path, metavar="RECORD")
    for name, told in (
        ("--root", "A root certificate of the firm, in PEM."),
        ("--tsa-root", "A root certificate of a time-stamp authority."),
        ("--crl", "Certificates that were revoked."),
    ):
        parser.add_argument(name, action="append", type=Path, default=[], help=told)
    parser.add_argument("--approved", type=Path, help="SHA-256 of approved procedures and drivers.")
    parser.add_argument("--at", help="Ask for that day, not for today.")
    parser.add_argument("--json", action="store_true", help="One JSON object a line.")
    parser.add_argument("--version", action="version", version=f"metercap {__version__}")
    return parser


def _complain(error: OperatorError) -> int:
    sys.stderr.write(f"metercap: {error}\n")
    return checking.UNUSABLE


if __name__ == "__main__":
    sys.exit(main())
