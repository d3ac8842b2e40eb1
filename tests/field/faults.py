"""One function for each fault that a recorder in its own process recovers from within seconds.

Each makes the fault happen, and where something has to come back (a service, an adapter) lets it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from field.recorder import Field

BUSY = "org.bluez.Error.InProgress"
ENDED = "link ended"


def _ended(field: Field, before: int) -> None:
    field.recorder.until_said(ENDED, before)


def connect_aborts_twice(field: Field) -> None:
    field.order("fault", kind="abort", times=2)
    field.order("drop")


def device_is_forgotten(field: Field) -> None:
    field.order("remove")


def device_is_forgotten_while_connecting(field: Field) -> None:
    field.order("fault", kind="forgotten", times=1)
    field.order("drop")


def link_drops(field: Field) -> None:
    field.order("drop")


def meter_falls_silent(field: Field) -> None:
    before = len(field.recorder.said)
    field.order("silence")
    _ended(field, before)
    field.lift()
    field.order("silence", on=False)


def service_is_killed(field: Field) -> None:
    before = len(field.recorder.said)
    field.bluez.kill()
    _ended(field, before)
    field.lift()
    field.bluez.start()
    field.play()


def bus_dies(field: Field) -> None:
    before = len(field.recorder.said)
    field.bus.kill()
    field.bluez.kill()
    _ended(field, before)
    field.lift()
    field.bus.start()
    field.bluez.start()
    field.play()


def subscription_is_not_answered(field: Field) -> None:
    field.order("fault", kind="no-reply", method="StartNotify", times=1)
    field.order("drop")


def scan_is_busy(field: Field) -> None:
    field.order("fault", kind="error", method="StartDiscovery", error=BUSY, times=2)
    field.order("drop")


def scan_cannot_be_stopped(field: Field) -> None:
    field.order("fault", kind="error", method="StopDiscovery", error=BUSY, times=1)
    field.order("drop")


def recorder_is_killed(field: Field) -> None:
    said, raw = field.recorder.said, field.recorder.raw
    field.recorder.kill()
    field.recorder = field.new_recorder()
    field.recorder.said, field.recorder.raw = [*said, "killed"], raw


def services_are_stale(field: Field) -> None:
    field.order("spoil")
    field.order("drop")


def link_falls_during_discovery(field: Field) -> None:
    field.order("fault", kind="fall", times=1)
    field.order("drop")


def adapter_is_unplugged(field: Field) -> None:
    before = len(field.recorder.said)
    field.order("adapter", present=False)
    _ended(field, before)
    field.lift()
    field.order("adapter", present=True)


def adapter_is_renumbered(field: Field) -> None:
    before = len(field.recorder.said)
    field.bluez.kill()
    _ended(field, before)
    field.lift()
    field.bluez.start("hci1")
    field.play()


def adapter_is_switched_off(field: Field) -> None:
    before = len(field.recorder.said)
    field.order("power", on=False)
    _ended(field, before)
    field.lift()
    field.order("power", on=True)


def connects_over_classic(field: Field) -> None:
    text = "br-connection-profile-unavailable"
    field.order("fault", kind="error", method="Connect", text=text, times=1)
    field.order("drop")


def use_is_denied(field: Field) -> None:
    denied = "org.freedesktop.DBus.Error.AccessDenied"
    field.order("fault", kind="error", method="StartDiscovery", error=denied, times=1)
    field.order("drop")


FAULTS: dict[str, Callable[[Field], None]] = {
    "1 connect aborts twice": connect_aborts_twice,
    "2 device is forgotten": device_is_forgotten,
    "3 device is forgotten while connecting": device_is_forgotten_while_connecting,
    "4 link drops": link_drops,
    "5 meter falls silent, link stands": meter_falls_silent,
    "5 service is killed": service_is_killed,
    "6 message bus dies": bus_dies,
    "7 subscription is not answered": subscription_is_not_answered,
    "8 scan is busy, twice": scan_is_busy,
    "9 scan cannot be stopped": scan_cannot_be_stopped,
    "11 recorder is killed, link stays": recorder_is_killed,
    "13 services are stale": services_are_stale,
    "14 link falls during discovery": link_falls_during_discovery,
    "19 adapter is unplugged": adapter_is_unplugged,
    "19 adapter is renumbered": adapter_is_renumbered,
    "23 connect over classic Bluetooth": connects_over_classic,
    "24 adapter is switched off": adapter_is_switched_off,
    "24 use is denied": use_is_denied,
}


def disconnect_is_not_answered(field: Field) -> None:
    before = len(field.recorder.said)
    field.order("fault", kind="no-reply", method="Disconnect", times=1)
    field.order("silence")
    _ended(field, before)
    field.lift()
    field.order("silence", on=False)


def scan_hears_nothing(field: Field) -> None:
    field.order("fault", kind="deaf-scan", times=1)
    field.order("drop")


def link_has_nothing_behind_it(field: Field) -> None:
    field.order("phantom")


def connect_is_not_answered(field: Field) -> None:
    field.order("fault", kind="no-reply", method="Connect", times=1)
    field.order("drop")


def services_never_resolve(field: Field) -> None:
    field.order("fault", kind="unresolved", times=1)
    field.order("drop")


# As above, and each waits for a limit of 5 to 20 s first.
SLOW: dict[str, Callable[[Field], None]] = {
    "7 disconnect is not answered": disconnect_is_not_answered,
    "7 connect is not answered": connect_is_not_answered,
    "10 scan hears nothing": scan_hears_nothing,
    "12 link has nothing behind it": link_has_nothing_behind_it,
    "14 services never resolve": services_never_resolve,
}
