"""A meter on the emulated Bluetooth service, and probes that follow what a run asks for.

`Bench` reads a run's standard output line by line as the person at work would, and changes what the
meter shows. The frames come from the driver's own encoder.
"""

from __future__ import annotations

import re
import subprocess
import threading
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cli.command import COMMAND, ROOT, surroundings

from metercap.meter.decode import build_decoder
from metercap.meter.description import parse_driver
from metercap.meter.display import show

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from fake_bluez import BluezProcess

ADDRESS = "C0:FF:EE:00:00:07"
SEGMENTS = ROOT / "drivers" / "bench-segments.toml"
EVERY_MS = 50
DRIVER = parse_driver(SEGMENTS.read_text(encoding="utf-8"), "bench-segments.toml")
DECODER = build_decoder(DRIVER)

LIBRARY = ROOT / "metercap" / "procedure" / "library"
DONE_AFTER_S = 100


def write_quick(data: Path) -> Path:
    """Put a driver and a procedure for tests into a user's folder; hand back the driver's file.

    They are the shipped ones but for the pace: the meter sends twenty times a second, and a step
    has to stand still for a part of a second.
    """
    for folder in ("drivers", "procedures"):
        (data / folder).mkdir(parents=True, exist_ok=True)
    driver = data / "drivers" / "quick-segments.toml"
    text = SEGMENTS.read_text(encoding="utf-8")
    text = text.replace('id = "bench-segments"', 'id = "quick-segments"', 1)
    driver.write_text(text.replace('interval = "0.25 s"', 'interval = "0.05 s"', 1), "utf-8")
    (data / "procedures" / "quick-dead-tests.toml").write_text(_quick_dead_tests(), "utf-8")
    return driver


def _quick_dead_tests() -> str:
    text = (LIBRARY / "spur-dead-tests.toml").read_text(encoding="utf-8")
    text = text[: text.index("[[example]]")]  # the examples keep the shipped pace
    text = text.replace('id = "spur-dead-tests"', 'id = "quick-dead-tests"', 1)
    text = re.sub(r"(?m)^(dwell|settle) = .*\n", "", text)
    pace = 'dwell = "0.3 s"\nsettle = { window = "0.8 s", slowest = "0.4 s" }\n'
    text = text.replace("[[step]]\n", f"[[step]]\n{pace}")
    # Of two steps that are done alike one is enough.
    alike = "neutral-earth-resistance"
    text = text.replace(f'    "{alike}",\n', "")
    parts = re.split(r"(?m)^(?=\[\[(?:step|act)\]\])", text)
    return "".join(part for part in parts if f'id = "{alike}"' not in part)


def ohms(amount: str | None) -> str:
    """The frame, in hex, of that many ohms on the display; None for an open circuit."""
    value = None if amount is None else Decimal(amount)
    return DECODER.encode(show(DRIVER, "resistance", None, value, "Ohm")).hex()


def volts(amount: str) -> str:
    """The frame, in hex, of that many volts a.c. on the display."""
    return DECODER.encode(show(DRIVER, "voltage", "ac", Decimal(amount), "V")).hex()


LIFT, TOUCH = [ohms(None)] * 8, [ohms("0.28")] * 8
GOOD: dict[str, list[str]] = {
    "The leads' own resistance": LIFT + [ohms("0.28")] * 400,
    "Earth continuity at the spur": LIFT + [ohms("0.36")] * 400,
    "Earth continuity at the valve body": LIFT + [ohms("0.43")] * 400,
    "Earth continuity at the programmer": LIFT + [ohms("0.40")] * 400,
    "No short circuit, line to neutral": TOUCH + [ohms("184")] * 400,
    "Resistance, line to earth": TOUCH + [ohms(None)] * 400,
}
"""What the probes find at each step of the dead tests in a good circuit, by the step's title."""


def put_meter(bluez: BluezProcess, name: str = "BENCH-SEG 4", **more: Any) -> None:
    """Switch a meter on."""
    bluez.send(
        {
            "do": "meter",
            "address": ADDRESS,
            "name": name,
            "service": DRIVER.match.service,
            "notify": DRIVER.link.notify,
            "rssi": -58,
            **more,
        }
    )


def play(bluez: BluezProcess, frames: Sequence[str], *, loop: bool = False) -> None:
    """Let the meter send these frames, from now."""
    command = {"do": "play", "address": ADDRESS, "every_ms": EVERY_MS}
    bluez.send({**command, "frames": list(frames), "loop": loop})


class Bench:
    """One `metercap run`, and the probes of the person who does what it asks."""

    def __init__(
        self,
        bluez: BluezProcess,
        arguments: Sequence[object],
        probes: Mapping[str, list[str]] = GOOD,
        on: Mapping[str, Callable[[Bench], None]] | None = None,
    ) -> None:
        self.bluez = bluez
        self.out: list[str] = []
        self._probes = probes
        self._on = dict(on or {})
        self.process = subprocess.Popen(
            [*COMMAND, "run", *map(str, arguments)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env=surroundings(),
            encoding="utf-8",
        )

    def close_keyboard(self) -> None:
        """Leave nobody who could answer."""
        assert self.process.stdin is not None
        self.process.stdin.close()

    def finish(self) -> tuple[int, str, str]:
        """Follow the run to its end: exit status, standard output, standard error."""
        hanging = threading.Timer(DONE_AFTER_S, self.process.kill)
        hanging.start()
        with self.process as process:
            assert process.stdout is not None
            assert process.stderr is not None
            for line in process.stdout:
                self.out.append(line)
                self._follow(line)
            err = process.stderr.read()
        hanging.cancel()
        return process.returncode, "".join(self.out), err

    def _follow(self, line: str) -> None:
        for part, do in list(self._on.items()):
            if part in line:
                del self._on[part]
                do(self)
        for title, frames in self._probes.items():
            if re.match(rf" *\d+:\d\d  {re.escape(title)}: ", line):
                play(self.bluez, frames)
