"""A run at a terminal, typed at like a person would: wait for what is shown, then answer."""

from __future__ import annotations

import contextlib
import fcntl
import os
import pty
import re
import select
import struct
import subprocess
import termios
from typing import TYPE_CHECKING, Self

from cli.command import COMMAND, surroundings

if TYPE_CHECKING:
    from types import TracebackType

# ECMA-48 control sequences, which move the cursor and set colours.
_CONTROL = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
PATIENCE_S = 30.0


class Terminal:
    """A command in a terminal of its own."""

    def __init__(self, *arguments: object, columns: int = 80) -> None:
        self.shown = ""
        self._read = 0
        self._side, inner = pty.openpty()
        fcntl.ioctl(inner, termios.TIOCSWINSZ, struct.pack("HHHH", 50, columns, 0, 0))
        self.process = subprocess.Popen(
            [*COMMAND, *map(str, arguments)],
            stdin=inner,
            stdout=inner,
            stderr=inner,
            env=surroundings(TERM="xterm", COLUMNS=str(columns)),
            start_new_session=True,
        )
        os.close(inner)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        os.close(self._side)

    def until(self, text: str) -> str:
        """Read until `text` is shown anew; what was shown before it."""
        while (place := self.shown.find(text, self._read)) < 0:
            assert self._more(), f"{text!r} was not shown:\n{self.shown[self._read :]}"
        before, self._read = self.shown[self._read : place], place + len(text)
        return before

    def type(self, line: str) -> None:
        """Type a line and Enter."""
        os.write(self._side, f"{line}\n".encode())

    def end(self) -> int:
        """Read to the end of the command; its exit status."""
        while self._more():
            pass
        return self.process.wait(PATIENCE_S)

    def _more(self) -> bool:
        ready, _, _ = select.select([self._side], [], [], PATIENCE_S)
        data = b""
        with contextlib.suppress(OSError):  # the other side is closed
            data = os.read(self._side, 65536) if ready else b""
        self.shown += _CONTROL.sub("", data.decode("utf-8", "replace"))
        return bool(data)
