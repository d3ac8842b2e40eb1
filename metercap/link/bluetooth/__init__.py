"""Frames from meters over Bluetooth Low Energy; the only room that knows the client library."""

from metercap.link.bluetooth.advert import listen
from metercap.link.bluetooth.look import look
from metercap.link.bluetooth.radio import Radio
from metercap.link.bluetooth.scan import Seen, find_held, scan
from metercap.link.bluetooth.session import LIMITS, Limits, Sink, Target, supervise

__all__ = [
    "LIMITS",
    "Limits",
    "Radio",
    "Seen",
    "Sink",
    "Target",
    "find_held",
    "listen",
    "look",
    "scan",
    "supervise",
]
