"""A real OpenSSH server of files, on this machine alone, with keys that are made for it."""

from __future__ import annotations

import getpass
import os
import shutil
import socket
import subprocess
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterator

_ATTEMPTS = 200


class SftpServer(NamedTuple):
    """Where it is reached, the key that opens it, and the file that says which key it has."""

    address: str
    key: Path
    known_hosts: Path
    folder: Path

    @property
    def options(self) -> tuple[object, ...]:
        return "--key", self.key, "--known-hosts", self.known_hosts


def make_key(path: Path) -> str:
    """Make an Ed25519 key without a password; its public half."""
    subprocess.run(
        ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", str(path)], check=True, timeout=60
    )
    return " ".join(path.with_name(f"{path.name}.pub").read_text("ascii").split()[:2])


@contextmanager
def serving(folder: Path) -> Iterator[SftpServer]:
    """Serve files under `folder` on a free port of the loopback."""
    program = shutil.which("sshd", path="/usr/sbin:/usr/local/sbin:/sbin:/usr/bin")
    assert program is not None, "no sshd: install openssh-server"
    if os.geteuid() == 0:
        # A server of the superuser wants this; where systemd does not run, nobody makes it.
        Path("/run/sshd").mkdir(mode=0o755, exist_ok=True)
    host = make_key(folder / "host")
    (folder / "authorized").write_text(make_key(folder / "own") + "\n", encoding="ascii")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    (folder / "config").write_text(
        f"ListenAddress 127.0.0.1:{port}\nHostKey {folder / 'host'}\nPidFile none\n"
        f"AuthorizedKeysFile {folder / 'authorized'}\nStrictModes no\nUsePAM no\n"
        "PasswordAuthentication no\nKbdInteractiveAuthentication no\nPermitRootLogin yes\n"
        "Subsystem sftp internal-sftp\nForceCommand internal-sftp\n",
        encoding="ascii",
    )
    known = folder / "known_hosts"
    known.write_text(f"[127.0.0.1]:{port} {host}\n", encoding="ascii")
    log = (folder / "log").open("wb")
    # In the foreground, so that what was started is what ends.
    server = subprocess.Popen([program, "-D", "-e", "-f", str(folder / "config")], stderr=log)
    try:
        _wait(server, port, folder)
        address = f"sftp://{getpass.getuser()}@127.0.0.1:{port}{folder}"
        yield SftpServer(address, folder / "own", known, folder)
    finally:
        server.terminate()
        server.wait(timeout=30)
        log.close()


def _wait(server: subprocess.Popen[bytes], port: int, folder: Path) -> None:
    """Wait until the server answers, or say why it does not."""
    for _ in range(_ATTEMPTS):
        try:
            with socket.create_connection(("127.0.0.1", port), timeout=10) as found:
                if found.recv(4) == b"SSH-":
                    return
        except OSError:
            try:
                server.wait(timeout=0.05)
            except subprocess.TimeoutExpired:
                continue
            break
    raise AssertionError((folder / "log").read_text("utf-8", "replace"))
