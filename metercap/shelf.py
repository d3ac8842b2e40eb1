"""Where drivers, procedures and the journal lie on this machine: the shipped ones and the user's.

It finds and reads files; what they mean is decided by `meter` and `procedure`.
"""

from __future__ import annotations

import os
import re
import stat
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path

from metercap.errors import DriverError, MetercapError, OperatorError, ProcedureError
from metercap.meter.description import Driver, parse_driver
from metercap.meter.register import Register, parse_register
from metercap.procedure.description import Procedure, join, parse_procedure
from metercap.procedure.expand import write_out
from metercap.procedure.net import NetFile, parse_net_file
from metercap.procedure.pack import Pack, parse_pack

_PACKAGE = Path(__file__).parent
JOURNAL = "journal.sqlite"
KEYS = "keys.toml"
_ADDRESS = re.compile(r"[0-9A-Fa-f]{2}(:[0-9A-Fa-f]{2}){5}", re.ASCII)
_KEY = re.compile(r"[0-9A-Fa-f]{32}", re.ASCII)


def find_data(given: Path | None) -> Path:
    """The user's directory: `given`, else $METERCAP_DATA, else where the desktop standard says.

    Source of the last: XDG Base Directory Specification, $XDG_DATA_HOME or ~/.local/share.
    """
    if given is not None:
        return given
    if named := os.environ.get("METERCAP_DATA"):
        return Path(named)
    base = os.environ.get("XDG_DATA_HOME") or str(Path.home() / ".local" / "share")
    return Path(base) / "metercap"


def _shipped_drivers() -> Path:
    inside = _PACKAGE / "drivers"
    return inside if inside.is_dir() else _PACKAGE.parent / "drivers"


def _read(path: Path, error: type[MetercapError]) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as fault:
        raise error(f"{path}: cannot be read: {fault}") from fault


def _files(*directories: Path) -> Iterator[Path]:
    for directory in directories:
        if directory.is_dir():
            yield from sorted(directory.glob("*.toml"))


def load_driver_file(path: Path) -> Driver:
    """Read one driver file; raises DriverError."""
    return parse_driver(_read(path, DriverError), str(path))


def load_drivers(data: Path) -> dict[str, Driver]:
    """Every driver by its id; a user's own comes before a shipped one of the same id."""
    found = (load_driver_file(path) for path in _files(_shipped_drivers(), data / "drivers"))
    return {driver.id: driver for driver in found}


def load_driver(data: Path, name: str) -> Driver:
    """The driver of that id, or in that file; raises DriverError or OperatorError."""
    if name.endswith(".toml"):
        return load_driver_file(Path(name))
    drivers = load_drivers(data)
    if name not in drivers:
        raise OperatorError(f"driver {name!r}: not found, expected one of {', '.join(drivers)}")
    return drivers[name]


def load_register(data: Path) -> Register:
    """The user's instruments, from instruments.toml; none where there is no such file."""
    path = data / "instruments.toml"
    if not path.is_file():
        return Register()
    return parse_register(_read(path, OperatorError), str(path))


def load_procedure_file(path: Path) -> Procedure:
    """Read one procedure file as it stands, not joined; raises ProcedureError."""
    return parse_procedure(_read(path, ProcedureError), str(path))


def load_procedures(data: Path) -> dict[str, Procedure]:
    """Every procedure by its id, not joined; a user's own comes before a shipped one."""
    paths = _files(_PACKAGE / "procedure" / "library", data / "procedures")
    found = (load_procedure_file(path) for path in paths)
    return {procedure.id: procedure for procedure in found}


def load_procedure(data: Path, name: str) -> tuple[Procedure, Procedure]:
    """A procedure by id or file: as it stands, and joined with what it includes."""
    known = load_procedures(data)
    if name.endswith(".toml"):
        own = load_procedure_file(Path(name))
        known |= {own.id: own}
    elif name in known:
        own = known[name]
    else:
        raise OperatorError(f"procedure {name!r}: not found, expected one of {', '.join(known)}")
    wanted = _included(own, known)
    if any(part.circuit or part.walk for part in wanted.values()):
        nets, packs = load_nets(data), load_packs(data)
        written = {n: write_out(part, nets, packs, name) for n, part in wanted.items()}
        return own, join(written[own.id], known | written, name)
    return own, join(own, known, name)


def _included(own: Procedure, known: Mapping[str, Procedure]) -> dict[str, Procedure]:
    """A procedure and whatever it includes, however deep; unknown names are left to `join`."""
    found, waiting = {own.id: own}, list(own.include)
    while waiting:
        part = known.get(waiting.pop())
        if part is not None and part.id not in found:
            found[part.id] = part
            waiting += part.include
    return found


def load_nets(data: Path) -> dict[str, NetFile]:
    """Every net by its id, as written; a user's own comes before a shipped one."""
    paths = _files(_PACKAGE / "procedure" / "nets", data / "nets")
    found = (parse_net_file(_read(path, ProcedureError), str(path)) for path in paths)
    return {net.id: net for net in found}


def load_packs(data: Path) -> dict[str, Pack]:
    """Every country pack by its id; a user's own comes before a shipped one."""
    paths = _files(_PACKAGE / "procedure" / "packs", data / "packs")
    found = (parse_pack(_read(path, ProcedureError), str(path)) for path in paths)
    return {pack.id: pack for pack in found}


def load_keys(data: Path) -> dict[str, bytes]:
    """The keys of meters that encrypt what they advertise, by address in capitals; {} if none.

    The file holds lines `"F0:00:00:00:00:01" = "32 digits in hex"` and nobody else may read it.
    Raises OperatorError; no message shows a key.
    """
    path = data / KEYS
    try:
        with path.open("rb") as file:
            mode = stat.S_IMODE(os.fstat(file.fileno()).st_mode)
            if mode & (stat.S_IRWXG | stat.S_IRWXO):
                raise OperatorError(
                    f"{path}: found mode {mode:04o}, expected 0600, so that nobody else reads the "
                    f"keys: chmod 600 {path}"
                )
            table = tomllib.load(file)
    except FileNotFoundError:
        return {}
    except OSError as fault:
        raise OperatorError(f"{path}: cannot be read: {fault.strerror}") from fault
    except (ValueError, RecursionError) as fault:
        raise OperatorError(f"{path}: not TOML, expected lines of address = key") from fault
    keys = {}
    for address, key in table.items():
        if _ADDRESS.fullmatch(address) is None:
            raise OperatorError(f"{path}: found {address!a}, expected an address: F0:00:...")
        if not isinstance(key, str) or _KEY.fullmatch(key) is None:
            raise OperatorError(f"{path}: {address}: expected a key of 32 digits in hex")
        if address.upper() in keys:
            raise OperatorError(f"{path}: {address}: found again, expected once")
        keys[address.upper()] = bytes.fromhex(key)
    return keys
