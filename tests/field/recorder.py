"""A recorder in a process of its own, and all that it said, in order.

`Field` is the bus, the played service, one meter that counts, and `metercap watch` reading it.
Every value that the meter sends is one more than the last, so what comes out tells what was shown
twice and what was left out.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import tempfile
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from cli.command import COMMAND, ROOT, surroundings
from fake_bluez import CONFIGURATION, BluezProcess

from metercap.meter.decode import build_decoder
from metercap.meter.description import parse_driver

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import TracebackType

ADDRESS = "C0:FF:EE:00:00:17"
DRIVER = parse_driver((ROOT / "drivers/bench-count.toml").read_text("utf-8"), "bench-count.toml")
DECODER = build_decoder(DRIVER)
EVERY_MS = 20
COUNTED = 3000  # values that one player has, a minute of them
PHASE = 10_000  # where the next player begins
GUARD_S = 60.0  # against hanging; the goal is to recover within 30 s
INTERRUPTED = 130


def counting(number: int) -> str:
    """The frame, in hex, that shows `number`."""
    return DECODER.encode(DRIVER.function[0].reading(str(number))).hex()


class Bus:
    """A message bus of our own that can be killed and come back at the same address."""

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory()
        self._before = os.environ.get("DBUS_SYSTEM_BUS_ADDRESS")
        self._file = Path(self._folder.name, "bus.conf")
        self._file.write_text(CONFIGURATION.format(folder=self._folder.name), encoding="ascii")
        self._process: subprocess.Popen[str] | None = None

    def start(self) -> None:
        command = ["dbus-daemon", f"--config-file={self._file}", "--nofork", "--print-address=1"]
        self._process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        )
        assert self._process.stdout is not None
        self._process.stdout.readline()  # printed once it listens
        os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = f"unix:path={self._folder.name}/bus"

    def kill(self) -> None:
        if self._process is not None:
            with self._process as process:
                process.kill()
            self._process = None
        Path(self._folder.name, "bus").unlink(missing_ok=True)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()
        self._folder.cleanup()
        if self._before is None:
            del os.environ["DBUS_SYSTEM_BUS_ADDRESS"]
        else:
            os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = self._before


class Recorder:
    """`metercap watch`, and what it said: a number for each value, a text for each change."""

    def __init__(self, *arguments: object) -> None:
        self.said: list[int | str] = []
        self.raw: list[dict[str, Any]] = []
        # Started from a shell's background, everything below would inherit that Ctrl-C is ignored.
        if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
            signal.signal(signal.SIGINT, signal.default_int_handler)
        self.process = subprocess.Popen(
            [*COMMAND, "watch", *map(str, arguments), "--json"],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,  # one stream, so that changes stand between the values
            env=surroundings(),
            encoding="utf-8",
        )

    @property
    def values(self) -> list[int]:
        return [item for item in self.said if isinstance(item, int)]

    @property
    def changes(self) -> list[str]:
        return [item for item in self.said if isinstance(item, str)]

    @property
    def descriptors(self) -> int:
        return len(os.listdir(f"/proc/{self.process.pid}/fd"))  # noqa: PTH208  counted, not read

    def until(self, is_enough: Callable[[], bool]) -> None:
        """Read until then; raises AssertionError with the last words where it ends before."""
        assert self.process.stdout is not None
        hanging = threading.Timer(GUARD_S, self.process.kill)
        hanging.start()
        try:
            while not is_enough():
                line = self.process.stdout.readline()
                assert line, f"the recorder ended: {self.said[-8:]}"
                self._take(line)
        finally:
            hanging.cancel()

    def flow(self, more: int = 5) -> None:
        """Read until that many more values have come."""
        wanted = len(self.values) + more
        self.until(lambda: len(self.values) >= wanted)

    def until_said(self, part: str, after: int) -> None:
        """Read until a change with that in it stands behind the first `after` items."""
        self.until(lambda: any(isinstance(one, str) and part in one for one in self.said[after:]))

    def interrupt(self) -> int:
        """End it as a person does; its exit status."""
        self.process.send_signal(signal.SIGINT)
        hanging = threading.Timer(GUARD_S, self.process.kill)
        hanging.start()
        with self.process as process:
            assert process.stdout is not None
            for line in process.stdout:
                self._take(line)
        hanging.cancel()
        return process.returncode

    def kill(self) -> None:
        with self.process as process:
            process.kill()

    def _take(self, line: str) -> None:
        if not line.startswith("{"):
            self.said.append(line.rstrip("\n").split("  ", 1)[-1])
            return
        row = json.loads(line)
        self.raw.append(row)
        self.said.append(int(row["value"]) if row["status"] == "ok" else f"refused {row['reason']}")


class Field:
    """The whole of it; `bluez.send` makes things go wrong, `recorder` tells what came of it."""

    def __init__(self, driver: str = "bench-count", every_ms: float = EVERY_MS) -> None:
        self.bus = Bus()
        self.bluez = BluezProcess()
        self.recorder: Recorder
        self._driver = driver
        self._every_ms = every_ms
        self._phase = 0
        self.lifted_s = 0.0
        self._forgiven = 0
        self.steady = 0  # descriptors of a recorder whose link stands

    def lift(self) -> None:
        """Count the recovery from now, when what was away comes back."""
        self.lifted_s = time.monotonic()

    def __enter__(self) -> Self:
        with contextlib.ExitStack() as stack:
            stack.enter_context(self.bus)
            stack.enter_context(self.bluez)
            self.put_meter()
            self.play()
            self.recorder = self.new_recorder()
            stack.callback(self._kill)  # the recorder of then, which may be another
            self.recorder.flow()
            self.steady = self.recorder.descriptors
            self._stack = stack.pop_all()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stack.close()

    def _kill(self) -> None:
        self.recorder.kill()

    def put_meter(self) -> None:
        """Switch the meter on."""
        link = DRIVER.link
        self.bluez.send(
            {
                "do": "meter",
                "address": ADDRESS,
                "name": "BENCH-COUNT 17",
                "service": DRIVER.match.service,
                "notify": link.notify,
                "write": link.write,
                "start": (link.start or "").replace(" ", ""),
                "information": {"2a24": "Bench 17", "2a25": "0017"},
            }
        )

    def play(self) -> None:
        """Let the meter count on, higher than ever before."""
        self._phase += 1
        frames = [counting(self._phase * PHASE + number) for number in range(COUNTED)]
        play = {"do": "play", "address": ADDRESS, "every_ms": self._every_ms, "frames": frames}
        # What a service started anew repeats must not count anew.
        self.bluez._setup = [one for one in self.bluez._setup if one["do"] != "play"]
        self.bluez.send(play)
        self.bluez._setup.pop()

    def new_recorder(self) -> Recorder:
        return Recorder(ADDRESS, "--driver", self._driver)

    def order(self, what: str, **more: Any) -> dict[str, Any]:
        """One command to the service, about the meter where it is about one."""
        about = {"drop", "remove", "silence", "spoil", "phantom", "notify", "vanish", "until_sent"}
        return self.bluez.send(
            {"do": what, **({"address": ADDRESS} if what in about else {}), **more}
        )

    def strike(self, fault: Callable[[Field], None]) -> float:
        """Let one fault happen; seconds from when it was lifted to the next value."""
        before = len(self.recorder.said)
        self.lifted_s = 0.0
        fault(self)
        since_s = self.lifted_s or time.monotonic()
        self.recorder.until(lambda: self._has_recovered(before))
        took_s = time.monotonic() - since_s
        self.recorder.flow()
        return took_s

    def _has_recovered(self, before: int) -> bool:
        """Whether a value came in a session that began after the fault."""
        said = self.recorder.said[before:]
        begun = next((n for n, one in enumerate(said) if one == "connected"), None)
        return begun is not None and isinstance(said[-1], int)

    def assert_nothing_twice_nor_left_out(self) -> None:
        """Each value is higher than the last, and by one unless the link was lost in between."""
        last: int | None = None
        is_marked = True
        for place, item in enumerate(self.recorder.said):
            if isinstance(item, str) or place < self._forgiven:
                is_marked = True
            if isinstance(item, str):
                continue
            assert last is None or item > last, f"{item} was shown again: {self.recorder.changes}"
            assert is_marked or item == (last or 0) + 1, f"{last} to {item} without a word"
            last, is_marked = item, False

    def forgive(self) -> None:
        """Ask for no more than the order of what came in the sessions until now."""
        said = self.recorder.said
        self._forgiven = max(place for place, one in enumerate(said) if one == "connected")

    def finish(self) -> None:
        """End the recorder; it leaves no link behind."""
        assert self.recorder.interrupt() == INTERRUPTED
        assert self.order("state")["connected"] == []
