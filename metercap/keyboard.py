"""Standard input to lines, without ever holding up the event loop."""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
import threading

try:
    import termios
except ImportError:  # only Unix has it; elsewhere nothing is let go at the start
    termios = None  # type: ignore[assignment]

_CHUNK = 4096


class Keyboard:
    """Lines as they are typed, or as they come from a file or a pipe; None once it is closed."""

    def __init__(self) -> None:
        self._typed: asyncio.Queue[str | None] = asyncio.Queue()
        self.is_terminal = sys.stdin.isatty()
        if self.is_terminal and termios is not None:
            termios.tcflush(sys.stdin, termios.TCIFLUSH)
        loop = asyncio.get_running_loop()

        def read() -> None:
            # Read past Python's own buffer: a thread that waits inside it would abort the
            # interpreter when that shuts down.
            rest = b""
            while data := os.read(sys.stdin.fileno(), _CHUNK):
                *lines, rest = (rest + data).split(b"\n")
                for line in lines:
                    loop.call_soon_threadsafe(self._typed.put_nowait, _decoded(line))
            if rest:
                loop.call_soon_threadsafe(self._typed.put_nowait, _decoded(rest))
            loop.call_soon_threadsafe(self._typed.put_nowait, None)

        def until_closed() -> None:
            with contextlib.suppress(OSError, RuntimeError):  # terminal gone; loop already closed
                read()

        threading.Thread(target=until_closed, daemon=True, name="keyboard").start()

    async def line(self) -> str | None:
        """The next line without its end; None, again and again, once the keyboard is closed."""
        typed = await self._typed.get()
        if typed is None:
            self._typed.put_nowait(None)
        return typed

    def let_go(self, kept: str) -> None:
        """Drop what a terminal was typed ahead, up to a line that is `kept`, which stays."""
        while self.is_terminal and not self._typed.empty():
            typed = self._typed.get_nowait()
            if typed is None or typed == kept:
                self._typed.put_nowait(typed)
                return


def _decoded(line: bytes) -> str:
    return line.decode("utf-8", "replace").strip()
