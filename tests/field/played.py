"""An event loop whose clock skips the waiting: two days of a link's own time limits in minutes.

Where nothing is ready and no thread works, the clock jumps to the next timer. Nothing in the code
under test knows of it: every limit, interval and pause keeps its full length on this clock. Sockets
of other processes have no place in it, for they would be outrun.
"""

from __future__ import annotations

import asyncio
import selectors
from typing import TYPE_CHECKING, Any

from metercap.model import NS_PER_S, Instant

if TYPE_CHECKING:
    from collections.abc import Callable

BEGIN_UTC_NS = 1_790_000_000 * NS_PER_S
BOOT = "played"
THREAD_S = 1.0  # real time that a thread may work before it is looked after again


class _Skipping(selectors.DefaultSelector):  # type: ignore[misc,valid-type]
    """Waits for no longer than it must, and counts what it left out."""

    def __init__(self) -> None:
        super().__init__()
        self.skipped_s = 0.0
        self.working = 0

    def select(self, timeout: float | None = None) -> list[Any]:
        ready = super().select(0 if timeout is not None else None)
        if ready or timeout is None or timeout <= 0:
            return ready
        if self.working:
            return super().select(min(timeout, THREAD_S))
        self.skipped_s += timeout
        return ready


class PlayedLoop(asyncio.SelectorEventLoop):
    """The loop; `now` is the recorder's clock on it, whose wall clock can be moved."""

    def __init__(self) -> None:
        self._skipping = _Skipping()
        super().__init__(self._skipping)
        self.wall_ns = BEGIN_UTC_NS

    def time(self) -> float:
        """Seconds, those that were skipped among them."""
        return super().time() + self._skipping.skipped_s

    def run_in_executor(self, executor: Any, func: Callable[..., Any], *args: Any) -> Any:
        """As every loop does, but let no time pass meanwhile."""
        self._skipping.working += 1
        future = super().run_in_executor(executor, func, *args)
        future.add_done_callback(self._done)
        return future

    def _done(self, _: object) -> None:
        self._skipping.working -= 1

    def now(self) -> Instant:
        """The recorder's two clocks."""
        boot_ns = int(self.time() * NS_PER_S)
        return Instant(self.wall_ns + boot_ns // 1000 * 1000, boot_ns, BOOT, synced=True)
