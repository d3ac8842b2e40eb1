"""The command line: parse, build the real parts, call, print.

Each command imports what it needs when it runs, so that asking for help costs nothing.
"""

from __future__ import annotations

import contextlib
import json
import sys
from collections.abc import Iterator, Sequence
from io import TextIOWrapper
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from metercap import __version__
from metercap.errors import MetercapError, OperatorError

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from metercap.daemon import DeclaredMeter
    from metercap.device import Device
    from metercap.link.bluetooth import Radio
    from metercap.meter.description import Driver
    from metercap.model import Outcome
    from metercap.person import Person
    from metercap.record.trust import Trust
    from metercap.visit import Begun

app = typer.Typer(
    help="Record electrical tests of heating controls from any Bluetooth meter.",
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
drivers_app = typer.Typer(
    help="Meter descriptions: list, check, decode, record, infer.", rich_markup_mode=None
)
procedures_app = typer.Typer(help="Test sequences: list, show, check.", rich_markup_mode=None)
device_app = typer.Typer(
    help="This recorder's key and log: show, checkpoint, request, enrol.", rich_markup_mode=None
)
firm_app = typer.Typer(help="The firm's root key, kept off line.", rich_markup_mode=None)
archive_app = typer.Typer(help="The firm's archive: add, check.", rich_markup_mode=None)
app.add_typer(archive_app, name="archive")
app.add_typer(device_app, name="device")
app.add_typer(firm_app, name="firm")
app.add_typer(drivers_app, name="drivers", invoke_without_command=True)
app.add_typer(procedures_app, name="procedures", invoke_without_command=True)

Data = Annotated[Path | None, typer.Option("--data", help="Where journal and own files lie.")]
Cycle = Annotated[
    bool,
    typer.Option("--cycle-adapter", help="Switch the adapter off and on where nothing else helps."),
]
AsJson = Annotated[bool, typer.Option("--json", help="One JSON object a line.")]

_PRACTICE = "Mark the job as practice; without --meter a simulated circuit hides a fault."
_NO = 1
_UNUSABLE = 2
_INTERRUPTED = 130  # what a shell reports for a program that Ctrl-C ended
_JOURNAL = "journal.sqlite"
# Most meters advertise several times a second; a slow one, or one whose name comes later, gets
# a longer look.
_LOOKS_S = (1.0, 4.0)


def main() -> NoReturn:
    """Run the command line; errors go to standard error as one line, exit status 2."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="replace")  # a sign that a terminal lacks ends no visit
    try:
        status = app(standalone_mode=False, prog_name="metercap")
    except MetercapError as error:
        status = _complain(str(error))
    except typer.Exit as stop:
        status = stop.exit_code
    except OSError as error:
        # A file or folder that the machine refuses: full, read-only, in the way, not ours.
        status = _complain(f"{error.filename or 'this machine'}: {error.strerror or error}")
    except Exception as error:
        # The parser's own errors share this method; anything else is a fault of ours.
        if not hasattr(error, "format_message"):
            raise
        said = error.format_message()
        status = _complain(f"{said[:1].lower()}{said[1:].rstrip('.')}; see metercap --help")
    if status == _INTERRUPTED:
        _complain("interrupted")
    sys.exit(status if isinstance(status, int) else 0)


def _complain(text: str) -> int:
    print(f"metercap: {' '.join(text.split())}", file=sys.stderr)  # noqa: T201  the one place for it
    return _UNUSABLE


def _print(text: str) -> None:
    typer.echo(text)


def _print_json(value: dict[str, Any]) -> None:
    typer.echo(json.dumps(value, ensure_ascii=True))


@app.callback(invoke_without_command=True)
def _root(
    context: typer.Context,
    version: Annotated[bool, typer.Option("--version", help="Print the version.")] = False,
) -> None:
    if version:
        import sqlite3

        _print(f"metercap {__version__}, SQLite {sqlite3.sqlite_version}")
        raise typer.Exit
    if context.invoked_subcommand is None:
        raise OperatorError("command: found none, expected one; see metercap --help")


@app.command()
def demo(
    out: Annotated[Path | None, typer.Option(help="Where the record goes.")] = None,
    real_time: Annotated[bool, typer.Option("--real-time", help="Play at its true pace.")] = False,
) -> None:
    """Play a whole visit without hardware, and verify its record."""
    import asyncio
    import tempfile

    from rich.console import Console

    from metercap import checking, shelf
    from metercap.demo import DRIVER, PROCEDURE, play
    from metercap.device import ROOT
    from metercap.model import NS_PER_S
    from metercap.terminal import print_cautions, visit_table

    folder = out or Path(tempfile.mkdtemp(prefix="metercap-demo-"))
    folder.mkdir(parents=True, exist_ok=True)
    console = Console(highlight=False)
    # At a terminal the play runs fast but can be followed; into a file it need not wait.
    share = 1.0 if real_time else (1 / 10 if console.is_terminal else 0.0)

    async def wait(ns: int) -> None:
        await asyncio.sleep(share * ns / NS_PER_S)

    nowhere = Path("/nonexistent")
    _, procedure = shelf.load_procedure(nowhere, PROCEDURE)
    driver = shelf.load_driver(nowhere, DRIVER)
    print_cautions(console, procedure)
    job, board = asyncio.run(play(driver, procedure, folder, console, wait))
    console.print()
    console.print(visit_table(procedure, board.claims))
    console.print()
    record, report, *_ = _export(folder, job, folder)
    status = _verify_one(record, checking.load_trust([folder / ROOT], [], [], None, _today()))
    _print(f"\n{report}: the report, to read.")
    _print(f"{record}: the record. {folder / _JOURNAL}: the journal.")
    if status not in {0, 1}:
        raise typer.Exit(_NO)


@app.command()
def scan(
    seconds: Annotated[float, typer.Option(help="How long to listen.")] = 5.0,
    as_json: AsJson = False,
    data: Data = None,
) -> None:
    """List meters in range, and the driver that fits each or why none does."""
    import asyncio

    from metercap import shelf
    from metercap.link.bluetooth import Radio, find_held
    from metercap.link.bluetooth import scan as scan_radio
    from metercap.meter.found import may_describe_itself
    from metercap.meter.match import find_driver
    from metercap.terminal import printable

    drivers = list(shelf.load_drivers(shelf.find_data(data)).values())

    async def listen() -> tuple[list[Any], list[Any]]:
        async with Radio() as radio:
            return list(await scan_radio(radio, seconds)), await find_held(radio)

    found, held = asyncio.run(listen())
    for seen in found:
        driver, why = find_driver(drivers, seen.name, seen.services)
        look = f"; what it says of itself: metercap watch {seen.address}"
        if may_describe_itself(seen.services):
            look = f"; can be read as found: metercap watch {seen.address}"
        if as_json:
            _print_json(
                {
                    "address": seen.address,
                    "name": seen.name,
                    "rssi": seen.rssi,
                    "driver": driver.id if driver else None,
                    "why": why,
                }
            )
        else:
            signal = f"{seen.rssi} dBm" if seen.rssi is not None else "no signal"
            name = printable(seen.name or "(no name)")
            fits = f"driver {driver.id}" if driver else f"no driver: {printable(why)}{look}"
            _print(f"{seen.address}  {name:<20}  {signal:>9}  {fits}")
    heard = {seen.address for seen in found}
    for address, known in [one for one in held if one[0] not in heard]:
        why = "a program of this machine is connected to it already: end that program"
        if as_json:
            row = {"address": address, "name": known, "rssi": None, "driver": None, "why": why}
            _print_json(row)
        else:
            _print(f"{address}  {printable(known or '(no name)'):<20}  {'held':>9}  {why}")
    if not found and not held and not as_json:
        _print(
            "nothing heard: is the meter switched on, its radio too, and near? One that a phone or "
            "another program holds is silent until that lets go of it"
        )


async def _declare(
    radio: Radio, folder: Path, given: list[str], driver_name: str | None, overdue: str
) -> list[DeclaredMeter]:
    """The meters of a new job, each with its driver and its papers."""
    from metercap import shelf
    from metercap.daemon import DeclaredMeter

    register = shelf.load_register(folder)
    meters = []
    for number, text in enumerate(given, 1):
        part, address = _split_meter(text)
        instrument = register.find(address)
        if instrument is not None:
            address = instrument.address
        wanted = driver_name or (instrument.driver if instrument else None)
        driver = await _find_driver(radio, folder, address, wanted)
        name = part or f"meter-{number}"
        meters.append(DeclaredMeter(name, address, driver, instrument, overdue))
    return meters


def _split_meter(text: str) -> tuple[str, str]:
    """NAME=ADDRESS into its parts; the name is "" where none is given."""
    part, mark, address = text.rpartition("=")
    return (part, address) if mark else ("", text)


async def _find_driver(radio: Radio, data: Path, address: str, name: str | None) -> Driver:
    """The driver named, the one that fits what the meter advertises, or one made of its GATT table.

    Raises OperatorError where several fit, or where it does not say what it measures.
    """
    from metercap import shelf
    from metercap.link.bluetooth import scan as scan_radio
    from metercap.meter.match import find_driver, fitting_drivers
    from metercap.visit import look_at

    if name is not None:
        return shelf.load_driver(data, name)
    drivers = list(shelf.load_drivers(data).values())
    found, may_look = "not heard, expected a meter that is on and near", False
    for seconds in _LOOKS_S:
        for seen in await scan_radio(radio, seconds):
            if seen.address.lower() == address.lower():
                driver, why = find_driver(drivers, seen.name, seen.services)
                if driver is not None:
                    return driver
                found = f"{why}; name a driver with --driver"
                may_look = not fitting_drivers(drivers, seen.name, seen.services)
    if not may_look:
        raise OperatorError(f"{address}: {found}")
    driver, why = await look_at(radio, address)
    if driver is None:
        raise OperatorError(
            f"{address}: no driver fits, and {why}: record some of its frames and have a driver "
            "inferred (see metercap drivers --help); or name a driver with --driver"
        )
    typer.echo(f"{address}: no driver fits; it {why}", err=True)
    return driver


@app.command()
def watch(
    address: str,
    driver: Annotated[str | None, typer.Option(help="Driver id or file.")] = None,
    seconds: Annotated[float | None, typer.Option(help="Stop after this long.")] = None,
    as_json: AsJson = False,
    cycle: Cycle = False,
    data: Data = None,
) -> None:
    """Print readings as they come, one line each."""
    import asyncio

    asyncio.run(_watch(address, driver, seconds, as_json=as_json, cycle=cycle, data=data))


async def _watch(
    address: str,
    driver_name: str | None,
    seconds: float | None,
    *,
    as_json: bool,
    cycle: bool,
    data: Path | None,
) -> None:
    import asyncio

    from metercap import clock, shelf
    from metercap.daemon import DeclaredMeter
    from metercap.derive import Shown
    from metercap.errors import LinkLost
    from metercap.link.bluetooth import Radio
    from metercap.meter.decode import build_decoder, decode_frame
    from metercap.model import Frame, LinkChange
    from metercap.visit import follow

    folder = shelf.find_data(data)
    keys = shelf.load_keys(folder)
    async with Radio(may_cycle=cycle) as radio:
        driver = await _find_driver(radio, folder, address, driver_name)
        decoder = build_decoder(driver)
        pending = b""
        seq = 0
        up = False

        def show(item: Frame | LinkChange) -> None:
            nonlocal pending, seq, up
            if isinstance(item, LinkChange):
                pending = b""
                lost = "link ended" if up else "no link"
                begun = "heard" if driver.kind == "advert" else "connected"
                state = begun if item.up else f"{lost}: {item.reason}"
                up = item.up
                typer.echo(f"{item.at.utc_text}  {state}", err=True)
                return
            outcomes, pending = decode_frame(decoder, item.source, item.data, pending, item.opened)
            for outcome in outcomes:
                seq += 1
                shown = Shown(item.at, seq, "", outcome, item.data, fresh=True)
                _print_reading(shown, driver.id, as_json=as_json)

        meter = DeclaredMeter("meter", address, driver)
        try:
            async with asyncio.timeout(seconds):
                await follow(radio, meter, clock.now, show, keys)
        except TimeoutError:
            if seq == 0:
                raise LinkLost(f"{address}: found no reading within {seconds:g} s") from None


def _print_reading(shown: Any, driver_id: str, *, as_json: bool) -> None:
    from metercap.model import Reading
    from metercap.record.table import reading_row
    from metercap.terminal import reading_text

    if as_json:
        _print_json(reading_row(shown, driver_id))
        return
    outcome = shown.outcome
    text = reading_text(outcome) if isinstance(outcome, Reading) else f"refused: {outcome.reason}"
    if isinstance(outcome, Reading) and outcome.channel != "main":
        text = f"{outcome.channel}: {text}"
    when = f"{shown.at.utc_text}  " if shown.at.boot else ""
    _print(f"{when}{text}")


@app.command()
def run(
    procedure: Annotated[str, typer.Argument(help="Id or file; see: metercap procedures")],
    meter: Annotated[
        list[str] | None,
        typer.Option(help="A meter's address, or its name in the register; [PART=]..."),
    ] = None,
    driver: Annotated[str | None, typer.Option(help="Driver id or file.")] = None,
    overdue: Annotated[str, typer.Option(help="Why an overdue meter is used all the same.")] = "",
    who: Annotated[str, typer.Option(help="The person at work.")] = "",
    where: Annotated[str, typer.Option(help="The site.")] = "",
    script: Annotated[Path | None, typer.Option(help="Acts and observations from a file.")] = None,
    practice: Annotated[bool, typer.Option("--practice", help=_PRACTICE)] = False,
    resume: Annotated[int | None, typer.Option(help="Take up this job again.")] = None,
    capture: Annotated[Path | None, typer.Option(help="Keep raw notifications here.")] = None,
    cycle: Cycle = False,
    data: Data = None,
) -> None:
    """Walk a procedure with a meter, in the terminal."""
    import asyncio

    if not meter:
        if not practice or resume is not None:
            raise OperatorError(
                "missing option '--meter', expected an address, or --practice without one"
            )
        said = None if script is None else (_read_text(script), str(script))
        asyncio.run(_practise(procedure, who or "the person at practice", said, data))
        return
    asyncio.run(
        _run(
            procedure,
            meter,
            driver,
            overdue=overdue,
            who=who,
            where=where,
            script=None if script is None else (_read_text(script), str(script)),
            practice=practice,
            resume=resume,
            capture=capture,
            cycle=cycle,
            data=data,
        )
    )


def _read_text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except OSError as error:
        raise OperatorError(f"{path}: cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise OperatorError(
            f"{path}: found bytes that are no text, expected a file in UTF-8"
        ) from error


async def _run(
    procedure_name: str,
    addresses: list[str],
    driver_name: str | None,
    *,
    overdue: str,
    who: str,
    where: str,
    script: tuple[str, str] | None,
    practice: bool,
    resume: int | None,
    capture: Path | None,
    cycle: bool,
    data: Path | None,
) -> None:
    import asyncio
    import contextlib

    from rich.console import Console

    from metercap import clock, shelf
    from metercap.device import open_device
    from metercap.link.bluetooth import Radio
    from metercap.person import ScriptedPerson, TypingPerson
    from metercap.terminal import Board, print_cautions, visit_table
    from metercap.visit import linked, open_daemon, take_up, walk_through

    folder = shelf.find_data(data)
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    device = open_device(folder, _log_name())
    keys = shelf.load_keys(folder)
    _, procedure = shelf.load_procedure(folder, procedure_name)
    name, for_practice = who or "the person at work", practice or script is not None
    begun = (
        _look_up(folder, resume, procedure.id, addresses, is_scripted=script is not None)
        if resume is not None
        else None
    )
    if begun is not None:
        procedure, for_practice, name = begun.procedure, begun.practice, who or begun.who
    console = Console(highlight=False)
    print_cautions(console, procedure)
    board = Board(console, procedure)
    board.recall(begun.claims if begun else [])
    person: Person | None = None
    if script is not None:
        person = ScriptedPerson(*script, procedure, board)
    async with Radio(may_cycle=cycle) as radio:
        meters = (
            begun.meters
            if begun
            else await _declare(radio, folder, addresses, driver_name, overdue)
        )
        async with contextlib.AsyncExitStack() as stack:
            kept = stack.enter_context(capture.open("x", encoding="utf-8")) if capture else None
            daemon = await stack.enter_async_context(
                open_daemon(
                    folder / _JOURNAL,
                    _log_name(),
                    clock.now,
                    board,
                    device.checkpoint,
                    clock.error_us,
                )
            )
            if begun is not None:
                job = begun.job
                board.say(f"job {job}, taken up again")
                await take_up(daemon, begun, name)
            else:
                job = await daemon.open_job(
                    procedure, meters, who=name, where=where or "not stated", practice=for_practice
                )
            board.say(f"job {job}{', for practice' if for_practice else ''}")
            for meter in meters:
                board.say(f"{meter.name}: {meter.address}, read by {meter.driver.id}")
            async with linked(daemon, radio, meters, clock.now, kept, keys):
                with board:
                    typing = person or TypingPerson(procedure, board)
                    try:
                        holds = await walk_through(daemon, typing, board, name)
                    except asyncio.CancelledError:
                        board.say(f"job {job} stays open; go on with it by --resume {job}", "bold")
                        raise
    console.print(visit_table(procedure, board.claims))
    _print(f"job {job}: {'all steps hold' if holds else 'not all steps hold'}")
    if not holds:
        raise typer.Exit(_NO)


async def _practise(
    procedure_name: str, who: str, script: tuple[str, str] | None, data: Path | None
) -> None:
    """Walk a procedure in a simulated circuit that hides a fault, and say at the end which."""
    from rich.console import Console

    from metercap import clock, shelf
    from metercap.daemon import DeclaredMeter
    from metercap.device import open_device
    from metercap.link.simulated import ADDRESS, DRIVER, SimulatedMeter
    from metercap.person import ScriptedPerson, TypingPerson
    from metercap.procedure.house import visible_faults
    from metercap.procedure.net import Fault, build_net
    from metercap.terminal import Board, print_cautions, visit_table
    from metercap.visit import open_daemon, simulated, walk_through

    folder = shelf.find_data(data)
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    device = open_device(folder, _log_name())
    _, procedure = shelf.load_procedure(folder, procedure_name)
    wiring = procedure.circuit.wiring if procedure.circuit else None
    faults = visible_faults(build_net(wiring)) if wiring else [Fault()]
    fault = faults[clock.draw(len(faults))]
    meter = SimulatedMeter(shelf.load_driver(folder, DRIVER), "meter", procedure, fault, clock.now)
    declared = DeclaredMeter("meter", ADDRESS, meter.driver)
    console = Console(highlight=False)
    print_cautions(console, procedure)
    board = Board(console, procedure)
    async with open_daemon(
        folder / _JOURNAL, _log_name(), clock.now, board, device.checkpoint, clock.error_us
    ) as daemon:
        job = await daemon.open_job(
            procedure,
            [declared],
            who=who,
            where="nowhere: a simulated circuit",
            practice=True,
            simulated=fault.text,
        )
        board.say(f"job {job}, for practice, in a simulated circuit: never a record")
        with board:
            person = (
                ScriptedPerson(*script, procedure, board)
                if script
                else TypingPerson(procedure, board)
            )
            async with simulated(daemon, meter, board):
                holds = await walk_through(daemon, person, board, who)
    console.print(visit_table(procedure, board.claims))
    _print(f"hidden in the circuit: {fault.text or 'nothing'}")
    _print(f"job {job}: {'all steps hold' if holds else 'not all steps hold'}")
    if not holds:
        raise typer.Exit(_NO)


def _look_up(
    folder: Path, job: int, procedure: str, addresses: list[str], *, is_scripted: bool
) -> Begun:
    """A job of the journal as it was begun, whatever the files of today say.

    Raises OperatorError where procedure or meters are not those of the job, and where a script
    would answer for the person in a job that is no practice.
    """
    from metercap.visit import look_up

    begun = look_up(folder / _JOURNAL, job)
    if begun.procedure.id != procedure:
        raise OperatorError(
            f"job {job}: procedure: found {procedure}, expected {begun.procedure.id}, with which "
            "it was begun"
        )
    own = [meter.address for meter in begun.meters]
    given = [_split_meter(address)[1].lower() for address in addresses]
    names = [(meter.instrument.name if meter.instrument else "").lower() for meter in begun.meters]
    if any(a not in {b.lower(), c} for a, b, c in zip(given, own, names, strict=False)) or len(
        given
    ) != len(own):
        raise OperatorError(
            f"job {job}: meter: found {', '.join(addresses)}, expected {', '.join(own)}, with "
            "which it was begun"
        )
    if is_scripted and not begun.practice:
        raise OperatorError(f"job {job}: --script: the job was not begun for practice")
    return begun


def _log_name() -> str:
    import platform
    import re

    host = re.sub(r"[^A-Za-z0-9-]", "-", platform.node()) or "recorder"
    return f"metercap/{host}"


@app.command()
def jobs(as_json: AsJson = False, data: Data = None) -> None:
    """List what the journal holds."""
    from metercap import shelf
    from metercap.journal.store import Journal
    from metercap.terminal import printable

    journal = Journal.read(shelf.find_data(data) / _JOURNAL)
    try:
        for number in journal.jobs():
            row = _job_row(number, journal.entries(number))
            if as_json:
                _print_json(row)
            else:
                mark = "  practice" if row["practice"] else ""
                _print(
                    f"{number:>5}  {row['opened']}  {row['procedure']:<22}  {row['state']:<10}"
                    f"  {printable(row['who'])}, {printable(row['where'])}{mark}"
                )
    finally:
        journal.close()


def _job_row(number: int, entries: Iterator[Any]) -> dict[str, Any]:
    opening = next(entries)
    closing = result = None
    for entry in entries:  # a week's log has millions
        if entry.kind == "job.close":
            closing = entry
        elif entry.kind == "claim" and entry.body.get("claim") == "job":
            result = entry.body["result"]
    return {
        "job": number,
        "opened": opening.at.utc_text,
        "procedure": opening.body["procedure"]["id"],
        "who": opening.body["who"],
        "where": opening.body["where"],
        "practice": opening.body["practice"],
        "state": closing.body["reason"] if closing else "open",
        "result": result,
    }


@app.command()
def export(
    job: int,
    out: Annotated[Path, typer.Option(help="Where the record goes.")] = Path(),
    table: Annotated[
        list[str] | None,
        typer.Option(help="How to list the readings: csv, jsonl, senml (RFC 8428). Repeatable."),
    ] = None,
    data: Data = None,
) -> None:
    """Seal one job's record, verify it, and put its report and its readings beside it."""
    from metercap import shelf

    _print("\n".join(map(str, _export(shelf.find_data(data), job, out, table or ("csv",)))))


def _export(folder: Path, job: int, out: Path, tables: Sequence[str] = ("csv",)) -> list[Path]:
    from metercap import records
    from metercap.device import open_device

    known = {form.value: form for form in records.Form}
    for name in tables:
        if name not in known:
            raise OperatorError(f"--table: found {name!a}, expected one of {', '.join(known)}")
    forms = [known[name] for name in dict.fromkeys(tables)]
    return records.export(
        folder / _JOURNAL, job, out, lambda log: open_device(folder, log), _today(), forms
    )


def _today() -> datetime:
    from metercap import clock, records

    return records.date_of(clock.now())


Roots = Annotated[
    list[Path] | None, typer.Option("--root", help="A root certificate of the firm, in PEM.")
]


@app.command()
def verify(
    records: list[Path],
    root: Roots = None,
    tsa_root: Annotated[
        list[Path] | None, typer.Option(help="A root certificate of a time-stamp authority.")
    ] = None,
    crl: Annotated[list[Path] | None, typer.Option(help="Certificates that were revoked.")] = None,
    approved: Annotated[
        Path | None, typer.Option(help="SHA-256 of approved procedures and drivers.")
    ] = None,
    at: Annotated[str | None, typer.Option(help="Ask for that day, not for today.")] = None,
    as_json: AsJson = False,
) -> None:
    """Check records and derive every verdict anew from the raw frames."""
    from metercap import checking

    asked = _today() if at is None else checking.parse_day(at)
    trusted = checking.load_trust(root or [], tsa_root or [], crl or [], approved, asked)
    exits = set()
    for record in records:
        try:
            exits.add(_verify_one(record, trusted, as_json=as_json))
        except OperatorError as error:
            exits.add(_complain(str(error)))
    raise typer.Exit(checking.worst(exits))


def _verify_one(path: Path, trusted: Trust, *, as_json: bool = False) -> int:
    from metercap.checking import check
    from metercap.record.verify import report_json, report_lines

    report = check(path, trusted)
    if as_json:
        _print_json(report_json(report))
    else:
        for line in report_lines(report):
            _print(line)
    return report.exit


@app.command()
def approve(
    record: Path,
    key: Annotated[Path, typer.Option(help="The engineer's own key.")],
    certificate: Annotated[Path, typer.Option(help="The firm's certificate for it.")],
) -> None:
    """Add an engineer's signature to a record."""
    from metercap import records

    records.approve(record, key, certificate, _today())
    _print(f"{record}: approved")


@app.command()
def stamp(
    records: Annotated[list[Path] | None, typer.Argument(help="None: all that wait.")] = None,
    data: Data = None,
) -> None:
    """Add a time-stamp of an authority to records; off line they wait for the next time."""
    from metercap import clock, shelf, stamping
    from metercap.records import is_stamped, time_stamp

    folder = shelf.find_data(data)
    authorities = stamping.load_authorities(folder)
    left = [*stamping.waiting(folder), *(records or [])]
    missed = []
    for path in dict.fromkeys(path.resolve() for path in left):
        try:
            if is_stamped(path):
                _print(f"{path}: has a time-stamp")
                continue
            at = time_stamp(
                path,
                authorities,
                folder / _JOURNAL,
                lambda: int(clock.new_id()[:15], 16),
                clock.now,
            )
            _print(f"{path}: time-stamp of {at.isoformat()}")
        except MetercapError as error:
            missed.append(path)
            _complain(f"{path}: {error}")
    stamping.set_waiting(folder, missed)
    if missed:
        raise typer.Exit(_NO)


@device_app.command("show")
def device_show(as_json: AsJson = False, data: Data = None) -> None:
    """Show this recorder's number, the hash of its key, and who has certified it."""
    from metercap.record import certificate

    device = _device(data)
    named = certificate.read_name(device.certificate)
    row = {
        "number": certificate.device_number(device.key.public_key()),
        "sha256": device.sha256,
        "firm": named.firm,
        "name": named.name,
        "until": device.certificate.not_valid_after_utc.isoformat(),
    }
    if as_json:
        _print_json(row)
        return
    groups = " ".join(device.sha256[at : at + 4] for at in range(0, len(device.sha256), 4))
    _print(f"recorder {row['number']}\nkey      {groups}")
    if device.root is None:
        _print("not enrolled: its records show who made them to nobody; see device request")
    else:
        _print(f"firm     {named.firm}\nname     {named.name}\nuntil    {row['until'][:10]}")


@device_app.command("checkpoint")
def device_checkpoint(
    out: Annotated[Path, typer.Option(help="Where it goes.")] = Path("checkpoint.txt"),
    data: Data = None,
) -> None:
    """Write out the newest signed checkpoint of the log, for an archive that is to know of it."""
    from metercap import shelf
    from metercap.journal.entry import DEVICE_JOB
    from metercap.journal.store import Journal

    journal = Journal.read(shelf.find_data(data) / _JOURNAL)
    try:
        signed = [row.body for row in journal.entries(DEVICE_JOB) if row.kind == "checkpoint"]
    finally:
        journal.close()
    if not signed:
        raise OperatorError("journal: holds no checkpoint yet; one is signed when a job opens")
    out.write_text(str(signed[-1]["note"]), encoding="utf-8", newline="")
    _print(f"{out}")


@device_app.command("request")
def device_request(
    out: Annotated[Path | None, typer.Option(help="A file, not the screen.")] = None,
    data: Data = None,
) -> None:
    """Write what the firm needs to certify this recorder's key; compare the hash on the phone."""
    from cryptography.hazmat.primitives.serialization import Encoding

    from metercap.record import certificate

    device = _device(data)
    name = certificate.read_name(device.certificate).name
    pem = certificate.make_request(device.key, name).public_bytes(Encoding.PEM).decode("ascii")
    if out is None:
        typer.echo(pem, nl=False)
    else:
        out.write_text(pem, encoding="ascii")
        _print(f"{out}: key {device.sha256}")


@device_app.command("enrol")
def device_enrol(
    certificate: Path,
    root: Annotated[Path, typer.Option(help="The firm's root certificate.")],
    data: Data = None,
) -> None:
    """Take the firm's certificate for this recorder's key."""
    from cryptography.hazmat.primitives.hashes import SHA256

    from metercap import shelf
    from metercap.device import enrol, read_certificate

    folder = shelf.find_data(data)
    found, above = read_certificate(certificate), read_certificate(root)
    with _own_journal(folder) as write:
        device = enrol(folder, _device(data), found, above)
        write(
            "enrol",
            {
                "certificate": found.fingerprint(SHA256()).hex(),
                "root": above.fingerprint(SHA256()).hex(),
                "key": device.sha256,
            },
        )
    _print(f"enrolled: {found.subject.rfc4514_string()}")


@device_app.command("rekey")
def device_rekey(data: Data = None) -> None:
    """Make a new key, vouched for by the old one; it has to be enrolled again."""
    from metercap import shelf
    from metercap.device import rekey

    folder = shelf.find_data(data)
    with _own_journal(folder) as write:
        name = _name_of(folder)
        new = rekey(folder, _device(data), name, lambda note: write("rekey", {"note": note}))
    _print(f"new key {new.sha256}; see device request")


def _device(data: Path | None) -> Device:
    from metercap import shelf
    from metercap.device import open_device

    folder = shelf.find_data(data)
    return open_device(folder, _name_of(folder))


def _name_of(folder: Path) -> str:
    """The name of the log in `folder`, or of the one that will be."""
    from metercap.journal.store import Journal

    if not (folder / _JOURNAL).exists():
        return _log_name()
    journal = Journal.read(folder / _JOURNAL)
    journal.close()
    return journal.log


@contextlib.contextmanager
def _own_journal(folder: Path) -> Iterator[Callable[[str, dict[str, object]], None]]:
    """A way to write entries of the recorder itself; nobody else writes meanwhile."""
    from metercap import clock
    from metercap.journal.entry import DEVICE_JOB, Draft
    from metercap.journal.store import Journal

    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    journal = Journal.open(folder / _JOURNAL, _name_of(folder))

    def write(kind: str, body: dict[str, object]) -> None:
        journal.append([Draft(DEVICE_JOB, kind, clock.now(), body)])

    try:
        yield write
    finally:
        journal.close()


Keys = Annotated[Path, typer.Option("--keys", help="The folder of the firm's root key.")]


@firm_app.command("root")
def firm_root(name: str, keys: Keys) -> None:
    """Make the firm's root key and certificate, in a folder that has none."""
    from cryptography.hazmat.primitives.hashes import SHA256

    from metercap import clock, firm

    root = firm.make_root(keys, name, int(clock.new_id(), 16), _today())
    _print(f"{keys / firm.ROOT}: SHA-256 {root.fingerprint(SHA256()).hex()}")
    _print(f"{keys / firm.KEY}: keep it off line, and a copy elsewhere")


@firm_app.command("sign")
def firm_sign(
    request: Path,
    keys: Keys,
    out: Annotated[Path, typer.Option(help="Where the certificate goes.")],
    role: Annotated[str, typer.Option(help="devices or engineers")] = "devices",
    days: Annotated[int, typer.Option(min=1, help="For how long.")] = 3 * 365,
) -> None:
    """Certify the key of a recorder or an engineer; compare its hash with theirs before."""
    from cryptography.hazmat.primitives.serialization import Encoding

    from metercap import clock, firm
    from metercap.journal import canonical
    from metercap.record import signing

    asked = _read_text(request).encode("utf-8")
    found = firm.certify(keys, asked, role, days, int(clock.new_id(), 16), _today())
    out.write_bytes(found.public_bytes(Encoding.PEM))
    _print(f"{out}: {found.subject.rfc4514_string()}")
    _print(f"key {canonical.digest(signing.certified_bytes(found))}")


@firm_app.command("revoke")
def firm_revoke(certificates: list[Path], keys: Keys) -> None:
    """Withdraw certificates; the list of all that are withdrawn is made anew."""
    from metercap import firm
    from metercap.device import read_certificate

    firm.revoke(keys, [read_certificate(path) for path in certificates], _today())
    _print(f"{keys / firm.REVOKED}: for --crl")


@firm_app.command("approve")
def firm_approve(
    names: Annotated[list[str], typer.Argument(help="Ids or files of procedures and drivers.")],
    keys: Keys,
    out: Annotated[Path, typer.Option(help="Where the list goes.")],
    data: Data = None,
) -> None:
    """Sign the list of the procedures and drivers that the firm has approved."""
    from metercap import firm, shelf
    from metercap.journal import canonical
    from metercap.meter.description import driver_to_json
    from metercap.procedure.description import procedure_to_json

    folder = shelf.find_data(data)
    rows = []
    for name in names:
        try:
            whole = driver_to_json(shelf.load_driver(folder, name))
        except MetercapError:
            whole = procedure_to_json(shelf.load_procedure(folder, name)[1])
        rows.append((canonical.digest(canonical.dumps(whole)), str(whole["id"])))
    out.write_text(firm.approve(keys, rows), encoding="utf-8")
    _print(f"{out}: {len(rows)} definitions, for --approved")


Place = Annotated[
    str, typer.Argument(metavar="ARCHIVE", help="A folder, or sftp://USER@HOST/FOLDER, s3://...")
]
KnownHosts = Annotated[
    Path, typer.Option("--known-hosts", help="The keys of SFTP servers, as OpenSSH keeps them.")
]
OwnKey = Annotated[
    Path | None, typer.Option("--key", help="The key for an SFTP server; none: those of OpenSSH.")
]
_KNOWN_HOSTS = Path("~/.ssh/known_hosts")


@archive_app.command("add")
def archive_add(
    place: Place,
    files: Annotated[list[Path], typer.Argument(help="Records, checkpoints, certificates.")],
    root: Roots = None,
    known_hosts: KnownHosts = _KNOWN_HOSTS,
    key: OwnKey = None,
    as_json: AsJson = False,
) -> None:
    """Keep records and checkpoints, unless their log was rolled back or forked."""
    from metercap import checking

    archive = _load_archive()
    trusted = _trust(root)
    with archive.opened(place, known_hosts.expanduser(), key) as found:
        answers = archive.add(found, files, trusted)
    for answer in answers:
        _print_answer(answer, as_json=as_json)
    raise typer.Exit(checking.worst(answer.exit for answer in answers))


@archive_app.command("check")
def archive_check(
    place: Place,
    root: Roots = None,
    known_hosts: KnownHosts = _KNOWN_HOSTS,
    key: OwnKey = None,
    as_json: AsJson = False,
) -> None:
    """Find missing and doubled jobs, forks and replayed frames among all that is kept."""
    from metercap import checking
    from metercap.terminal import printable

    archive = _load_archive()
    trusted = _trust(root)
    with archive.opened(place, known_hosts.expanduser(), key) as place_found:
        checked = archive.check(place_found, trusted)
    for answer in checked.bad:
        _print_answer(answer, as_json=as_json)
    for finding in checked.findings:
        if as_json:
            _print_json(finding._asdict())
        else:
            _print(printable(f"{finding.log}: {finding.kind}: {finding.text}"))
    if not as_json:
        _print(f"{checked.records} records and {checked.checkpoints} checkpoints hold")
    found = (*checked.bad, *checked.findings)
    raise typer.Exit(checking.worst(map(archive.exit_of, found)))


def _load_archive() -> Any:
    try:
        from metercap import archive
    except ImportError as error:
        raise OperatorError(
            f"archive: {error.name} is not installed; pip install 'metercap[archive]'"
        ) from error
    return archive


def _trust(root: list[Path] | None) -> Trust:
    from metercap.checking import load_trust

    return load_trust(root or [], [], [], None, _today())


def _print_answer(answer: Any, *, as_json: bool) -> None:
    from metercap.terminal import printable

    if as_json:
        _print_json(answer._asdict())
    else:
        _print(printable(f"{answer.place}: {answer.status}: {answer.text}"))


@drivers_app.callback()
def _drivers(context: typer.Context, data: Data = None, as_json: AsJson = False) -> None:
    if context.invoked_subcommand is not None:
        return
    from metercap import shelf

    for driver in shelf.load_drivers(shelf.find_data(data)).values():
        quantities = sorted({row.quantity for row in driver.rows})
        if as_json:
            _print_json(
                {
                    "id": driver.id,
                    "title": driver.title,
                    "kind": driver.kind,
                    "quantities": quantities,
                }
            )
        else:
            _print(f"{driver.id:<18}  {driver.kind:<9}  {driver.title}: {', '.join(quantities)}")


@drivers_app.command("check")
def drivers_check(files: list[Path]) -> None:
    """Prove descriptions against their own examples."""
    from metercap import shelf
    from metercap.meter.check import check_driver

    _check(files, lambda path: check_driver(shelf.load_driver_file(path)))


@drivers_app.command("decode")
def drivers_decode(file: str, as_json: AsJson = False, data: Data = None) -> None:
    """Read hex frames from standard input, one a line, and print readings.

    A meter that is asked: its query, a space, and the hex of the whole answer.
    """
    from metercap import shelf
    from metercap.derive import Shown
    from metercap.meter.decode import build_decoder, decode_frame
    from metercap.meter.reply import split_query
    from metercap.model import Instant, Reading, Refusal

    driver = shelf.load_driver(shelf.find_data(data), file)
    decoder = build_decoder(driver)
    nowhen = Instant(0, 0, "", synced=False)
    pending, refused = b"", False
    for number, line in enumerate(_lines_of_stdin(), 1):
        outcomes: tuple[Outcome, ...]
        source, text = split_query(driver, line, number)
        try:
            raw = bytes.fromhex(text)
        except ValueError:
            raw, outcomes = b"", (Refusal(f"line {number}: found {line[:40]!a}, expected hex"),)
        else:
            if source:
                outcomes, _ = decode_frame(decoder, source, raw)
            else:
                outcomes, pending = decoder.decode(raw, pending)
        for outcome in outcomes:
            refused |= not isinstance(outcome, Reading)
            shown = Shown(nowhen, number, "", outcome, raw, fresh=True)
            _print_reading(shown, driver.id, as_json=as_json)
    if refused:
        raise typer.Exit(_NO)


def _lines_of_stdin() -> Iterator[str]:
    for line in sys.stdin.buffer:
        if text := line.decode("ascii", "backslashreplace").strip():
            yield text


@drivers_app.command("record")
def drivers_record(
    address: str,
    out: Annotated[Path, typer.Option(help="The file of samples to write.")],
    notify: Annotated[str | None, typer.Option(help="The characteristic that sends.")] = None,
) -> None:
    """Make labelled frames of a meter that no driver knows, by typing what its display shows."""
    import asyncio

    from metercap.labelling import find_notify, record_samples
    from metercap.link.bluetooth import Radio

    async def record() -> tuple[str, int]:
        async with Radio() as radio:
            source = notify or await find_notify(radio, address)
            return source, await record_samples(radio, address, source, out, _print)

    source, count = asyncio.run(record())
    _print(f"{count} samples in {out}. Then: metercap drivers infer {out} --notify {source}")


@drivers_app.command("infer")
def drivers_infer(
    samples: Path,
    out: Annotated[Path | None, typer.Option(help="The driver file to write.")] = None,
    notify: Annotated[str | None, typer.Option(help="The characteristic that sends.")] = None,
) -> None:
    """Propose a description from labelled frames: a CSV file with the columns hex and shown."""
    from metercap.meter.infer import infer, parse_samples
    from metercap.terminal import printable

    path = out or samples.with_suffix(".toml")
    read = parse_samples(_read_text(samples), str(samples))
    found = infer(read, path.stem, notify) if notify else infer(read, path.stem)
    told = {
        "left out": found.left_out,
        "open": found.ambiguous,
        "record next": found.next_states,
    }
    for heading, lines in told.items():
        for line in lines:
            _print(f"{heading}: {printable(line)}")
    if found.driver_text is None:
        _print(f"cannot: {printable(found.reason or 'nothing reads these samples')}")
        raise typer.Exit(_NO)
    _write_new(path, found.driver_text)
    _print(
        f"{path}: reads every sample but those left out; prove it: metercap drivers check {path}"
    )


def _write_new(path: Path, text: str) -> None:
    """Write a file that is not there yet; raises OperatorError where it is."""
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise OperatorError(f"{path}: cannot be written: {error.strerror}") from error


@procedures_app.callback()
def _procedures(context: typer.Context, data: Data = None, as_json: AsJson = False) -> None:
    if context.invoked_subcommand is not None:
        return
    from metercap import shelf

    for procedure in shelf.load_procedures(shelf.find_data(data)).values():
        if as_json:
            _print_json(
                {"id": procedure.id, "title": procedure.title, "version": procedure.version}
            )
        else:
            _print(f"{procedure.id:<22}  {procedure.version:<4}  {procedure.title}")


@procedures_app.command("show")
def procedures_show(name: str, data: Data = None) -> None:
    """Print a procedure as a person would read it."""
    from rich.console import Console

    from metercap import shelf
    from metercap.terminal import print_procedure

    _, whole = shelf.load_procedure(shelf.find_data(data), name)
    print_procedure(Console(highlight=False), whole)


@procedures_app.command("check")
def procedures_check(files: list[Path], data: Data = None) -> None:
    """Prove procedures against their own examples."""
    from metercap import shelf
    from metercap.sequence.rehearse import check_procedure

    folder = shelf.find_data(data)

    def problems(path: Path) -> list[str]:
        own, whole = shelf.load_procedure(folder, str(path))
        return check_procedure(own, whole)

    _check(files, problems)


def _check(files: list[Path], problems_of: Any) -> None:
    """Print what is wrong with each file, one line each; exit 1 if anything is."""
    for path in files:
        _read_text(path)  # what cannot be read is no answer about a description
    bad = False
    for path in files:
        try:
            problems = problems_of(path)
        except MetercapError as error:
            problems = [str(error)]
        for problem in problems:
            bad = True
            line = problem if problem.startswith(str(path)) else f"{path}: {problem}"
            typer.echo(line, err=True)
        if not problems:
            _print(f"{path}: every example holds")
    if bad:
        raise typer.Exit(_NO)
