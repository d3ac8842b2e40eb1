"""What a scan shows of a device to the driver that fits it, or why none does; nothing connects."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from metercap.meter.description import Driver


def find_driver(
    drivers: Sequence[Driver], name: str | None, services: Sequence[str]
) -> tuple[Driver | None, str]:
    """Choose the one driver whose every stated match holds, and say why; None where not one does.

    Of several, the one that states most is chosen: a sender known by its name has a driver of its
    own beside that of every sender of its format. `name` is the advertised name, `services` the
    advertised service UUIDs in any case.
    """
    fitting = fitting_drivers(drivers, name, services)
    most = max(map(_count, fitting), default=0)
    fitting = [driver for driver in fitting if _count(driver) == most]
    if len(fitting) == 1:
        return fitting[0], f"{fitting[0].id} fits"
    if fitting:
        return None, f"{' and '.join(driver.id for driver in fitting)} fit alike: name one"
    shown = f"name {name!r}" if name else "no name"
    offered = len({uuid.lower() for uuid in services})
    return None, f"none of {len(drivers)} drivers fits {shown} and {offered} services"


def fitting_drivers(
    drivers: Sequence[Driver], name: str | None, services: Sequence[str]
) -> list[Driver]:
    """Every driver whose every stated match holds; the arguments are those of `find_driver`."""
    offered = {uuid.lower() for uuid in services}
    return [driver for driver in drivers if _is_fit(driver, name, offered)]


def _count(driver: Driver) -> int:
    """How many things must be so for the driver to fit."""
    return (driver.match.service is not None) + (driver.match.name is not None)


def _is_fit(driver: Driver, name: str | None, offered: set[str]) -> bool:
    match = driver.match
    if match.service is not None and match.service not in offered:
        return False
    return match.name is None or _is_named(name or "", match.name)


def _is_named(name: str, pattern: str) -> bool:
    """A `*` at the end of a pattern stands for any text, also for none."""
    if pattern.endswith("*"):
        return name.startswith(pattern[:-1])
    return name == pattern
