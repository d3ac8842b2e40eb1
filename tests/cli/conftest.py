from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from cli.bench import write_quick
from fake_bluez import BluezProcess, private_bus

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def bluez() -> Iterator[BluezProcess]:
    """The emulated Bluetooth service; commands started meanwhile find it on the system bus."""
    with private_bus(), BluezProcess() as process:
        yield process


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A user's folder with a driver and a procedure of a quicker pace."""
    folder = tmp_path / "data"
    write_quick(folder)
    return folder
