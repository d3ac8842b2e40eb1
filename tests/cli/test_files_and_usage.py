"""Commands that need no radio: lists, checks, decoding; and what is said about wrong usage."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
from cli.command import ROOT, metercap_, surroundings
from cli.test_radio_commands import KEYS

DRIVERS = sorted((ROOT / "drivers").glob("*.toml"))
PROCEDURES = sorted((ROOT / "metercap" / "procedure" / "library").glob("*.toml"))
SEGMENTS = ROOT / "drivers" / "bench-segments.toml"
HEAVY = ["bleak", "bumble", "cryptography", "pint", "pydantic", "rich", "sqlite_utils", "starlette"]


def names_of(rows: list[dict[str, object]]) -> list[object]:
    return [row["id"] for row in rows]


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys\n"
        "from metercap.cli import main\n"
        "sys.argv = ['metercap', '--help']\n"
        "try:\n    main()\n"
        "finally:\n"
        f"    print([name for name in {HEAVY} if name in sys.modules], file=sys.stderr)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=surroundings()
    )
    assert done.stderr == "[]\n"
    assert "Usage: metercap" in done.stdout


def commands() -> list[tuple[str, ...]]:
    """Every command that --help names, and every command below it."""
    found: list[tuple[str, ...]] = []

    def listed(*group: str) -> list[str]:
        text = metercap_(*group, "--help").out
        _, _, rest = text.partition("Commands:\n")
        return re.findall(r"^  ([a-z]+) ", rest, re.MULTILINE)

    for name in listed():
        found.append((name,))
        found += [(name, below) for below in (listed(name) if name.endswith("s") else [])]
    return found


def test_every_command_and_option_stands_in_the_readme() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    missing = []
    names = commands()
    assert ("drivers", "decode") in names
    for command in names:
        spoken = " ".join(command)
        if not re.search(rf"(metercap|`) ?{spoken}\b", readme):
            missing.append(spoken)
        options = re.findall(r"^  (--[a-z-]+)", metercap_(*command, "--help").out, re.MULTILINE)
        missing += [f"{spoken} {one}" for one in options if one != "--help" and one not in readme]
    assert missing == []


def test_the_version_names_the_database_too() -> None:
    assert re.fullmatch(r"metercap [0-9.]+, SQLite [0-9.]+\n", metercap_("--version").out)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([], "command: found none, expected one"),
        (["fly"], "no such command 'fly'"),
        (["drivers", "fly"], "no such command 'fly'"),
        (["verify"], "missing argument 'records'"),
        (["run"], "missing argument 'procedure'"),
        (["run", "spur-visit"], "missing option '--meter'"),
        (["watch"], "missing argument 'address'"),
        (["scan", "--seconds", "soon"], "invalid value for '--seconds'"),
        (["scan", "--loud"], "no such option: --loud"),
        (["export", "one"], "invalid value for 'job'"),
        (
            ["export", "1", "--table", "xls"],
            "--table: found 'xls', expected one of csv, jsonl, senml",
        ),
        (["drivers", "check"], "missing argument 'files'"),
        (["drivers", "check", "nowhere.toml"], "nowhere.toml: cannot be read: No such file"),
        (["drivers", "decode", "no-such"], "driver 'no-such': not found, expected one of bench-"),
        (["drivers", "decode", "nowhere.toml"], "nowhere.toml: cannot be read"),
        (["procedures", "show", "no-such"], "procedure 'no-such': not found, expected one of"),
        (["procedures", "check", "nowhere.toml"], "nowhere.toml: cannot be read"),
        (["run", "no-such", "--meter", "AA", "--data", "{tmp}"], "procedure 'no-such': not found"),
        (["run", "spur-visit", "--meter", "AA", "--script", "nowhere"], "nowhere: cannot be read"),
        (["jobs", "--data", "{tmp}"], "{tmp}/journal.sqlite: no journal here"),
        (["export", "1", "--data", "{tmp}"], "{tmp}/journal.sqlite: no journal here"),
        (["verify", "nowhere.asice"], "nowhere.asice: cannot be read: No such file"),
        (["verify", "{tmp}"], "{tmp}: cannot be read: Is a directory"),
        (["verify", "x", "--root", "root.pem"], "root.pem: cannot be read: No such file"),
        (["demo", "--out", "{tmp}/file"], "{tmp}/file: File exists"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_wrong_usage_gets_one_line_and_status_2(
    tmp_path: Path, arguments: list[str], said: str
) -> None:
    (tmp_path / "file").touch()
    found = metercap_(*(word.format(tmp=tmp_path) for word in arguments))
    assert found.complaint.startswith(said.format(tmp=tmp_path))
    assert found.out == ""


def test_a_journal_that_is_none_gets_one_line(tmp_path: Path) -> None:
    (tmp_path / "journal.sqlite").write_bytes(b"no journal" * 1000)
    assert "journal.sqlite: " in metercap_("jobs", "--data", tmp_path).complaint


def test_lists_name_what_is_shipped_and_what_is_the_users_own(tmp_path: Path) -> None:
    assert names_of(metercap_("drivers", "--json").rows) == [path.stem for path in DRIVERS]
    assert names_of(metercap_("procedures", "--json").rows) == [path.stem for path in PROCEDURES]
    for line, path in zip(metercap_("drivers").lines, DRIVERS, strict=True):
        assert line.startswith(path.stem)
    (tmp_path / "drivers").mkdir()
    own = SEGMENTS.read_text(encoding="utf-8").replace("bench-segments", "my-own", 1)
    (tmp_path / "drivers" / "my-own.toml").write_text(own, encoding="utf-8")
    rows = metercap_("drivers", "--json", env={"METERCAP_DATA": str(tmp_path)}).rows
    assert names_of(rows) == [*(path.stem for path in DRIVERS), "my-own"]


def test_every_shipped_file_is_proved_by_its_examples() -> None:
    drivers = metercap_("drivers", "check", *DRIVERS)
    assert (drivers.code, drivers.err) == (0, "")
    assert drivers.lines == [f"{path}: every example holds" for path in DRIVERS]
    procedures = metercap_("procedures", "check", *PROCEDURES)
    assert (procedures.code, procedures.err) == (0, "")
    assert procedures.lines == [f"{path}: every example holds" for path in PROCEDURES]


@pytest.mark.parametrize(
    ("changed", "into", "said"),
    [
        ('value = "0.35"', 'value = "0.36"', ["value", "0.35", "0.36"]),
        ("length = 10", 'length = "ten"', ["frame.length", "ten"]),
        ("length = 10", "lenght = 10", ["frame.length: missing"]),
        ('kind = "frame"', 'kind = "frames"', ["kind", "frames", "frame"]),
        ('bits = ["2.4"]', 'bits = ["2.5"]', ["2.5"]),
        ("[frame]", "[frame", ["not TOML"]),
        ('hex = "6D 57 5E F8 06', 'hex = "6D 57 5E F8 0', ["hex"]),
    ],
)
def test_a_broken_driver_gets_one_line_with_what_was_found(
    tmp_path: Path, changed: str, into: str, said: list[str]
) -> None:
    broken = tmp_path / "bench-segments.toml"
    text = SEGMENTS.read_text(encoding="utf-8")
    assert changed in text
    broken.write_text(text.replace(changed, into, 1), encoding="utf-8")
    found = metercap_("drivers", "check", SEGMENTS, broken)
    assert found.code == 1
    assert found.out == f"{SEGMENTS}: every example holds\n"
    (line,) = found.err.splitlines()
    assert line.startswith(f"{broken}: ")
    for word in said:
        assert word in line


@pytest.mark.parametrize(
    ("changed", "into", "said"),
    [
        ('gives = { leads-nulled = "pass"', 'gives = { leads-nulled = "fail"', ["found pass"]),
        ('expect = { below = "0.5 Ohm" }', 'expect = { below = "0.5 V" }', ["0.5 V"]),
        ('needs = ["indicator-proved-again"]', 'needs = ["nobody"]', ["nobody"]),
        ('quantity = "resistance"', 'quantity = "resistence"', ["resistence"]),
        ('include = ["safe-isolation"]', 'include = ["unsafe"]', ["unsafe"]),
    ],
)
def test_a_broken_procedure_gets_one_line_with_what_was_found(
    tmp_path: Path, changed: str, into: str, said: list[str]
) -> None:
    broken = tmp_path / "spur-dead-tests.toml"
    shipped = next(path for path in PROCEDURES if path.stem == "spur-dead-tests")
    text = shipped.read_text(encoding="utf-8")
    assert changed in text
    broken.write_text(text.replace(changed, into, 1), encoding="utf-8")
    found = metercap_("procedures", "check", broken)
    assert (found.code, found.out) == (1, "")
    (line,) = found.err.splitlines()
    assert line.startswith(f"{broken}: ")
    for word in said:
        assert word in line


def test_frames_from_standard_input_are_read_or_refused() -> None:
    frames = "6D57 5EF8 0653 3415 A6CD\n\n6D 57 5E F8 7E E4 32 17 A6 40\n"
    good = metercap_("drivers", "decode", "bench-segments", typed=frames)
    assert good == (0, "0.35 Ohm\nmore than 60.00 MOhm\n", "")
    mixed = "6D575EF806533415A6CD\n6D575EF806533415A6CE\n6D57\nnot hex\n"
    found = metercap_("drivers", "decode", SEGMENTS, "--json", typed=mixed)
    assert (found.code, found.err) == (1, "")
    number, *invalid = found.rows
    assert list(number) == KEYS
    assert (number["value"], number["phenomenonTime"]) == ("0.35", None)
    assert [row["status"] for row in invalid] == ["invalid"] * 3
    reasons = [row["reason"] for row in invalid]
    assert reasons[0] == "sum8: found 81, expected 82"
    assert reasons[1:] == [
        "cut: found 2 bytes, expected 10",
        "line 4: found 'not hex', expected hex",
    ]
    noise = metercap_("drivers", "decode", SEGMENTS, typed=bytes(range(128, 256)))
    assert (noise.code, noise.err) == (1, "")
    assert noise.out.startswith("refused: line 1: ")


def test_both_displays_of_a_frame_are_read_and_the_second_is_named() -> None:
    frame = "B4 2D 01 FD 08 00 FF 01 F4 01 01 00 00 C7"
    file = ROOT / "drivers" / "bench-dual.toml"
    found = metercap_("drivers", "decode", file, typed=f"{frame}\n")
    assert found == (0, "230.1 V ac\nsecond: 50.0 Hz\n", "")
    main, second = metercap_("drivers", "decode", file, "--json", typed=f"{frame}\n").rows
    assert (main["value"], main.get("channel")) == ("230.1", None)
    assert (second["value"], second["unit"], second["channel"]) == ("50.0", "Hz", "second")


def test_a_procedure_is_shown_as_a_page_to_read() -> None:
    page = metercap_("procedures", "show", "spur-dead-tests").out
    assert page.startswith("Dead tests at the fused spur  (version 1.0)\n")
    for part in ("Caution: ", "What the person declares", "What must be shown", "Only after: "):
        assert part in page
    for path in PROCEDURES:
        shown = metercap_("procedures", "show", path)
        assert (shown.code, shown.err) == (0, "")
    page = metercap_("procedures", "show", "spur-live-no-demand").out
    assert "within 5 V or 3 % of: Line to earth at the spur" in " ".join(page.split())


def test_a_reader_that_goes_away_is_no_fault() -> None:
    with subprocess.Popen(
        [sys.executable, "-m", "metercap", "procedures", "show", "spur-visit"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=surroundings(),
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        assert b"Traceback" not in process.stderr.read()


def test_a_terminal_without_our_signs_ends_nothing() -> None:
    plain = {"PYTHONUTF8": "0", "PYTHONIOENCODING": "", "LC_ALL": "C", "PYTHONCOERCECLOCALE": "0"}
    assert metercap_("procedures", "show", "spur-visit", env=plain).code == 0
    assert json.loads(metercap_("drivers", "--json", env=plain).lines[0])["id"] == "bench-count"
