"""metercap: a recorder for electrical tests of heating controls, read from any Bluetooth meter."""

__version__ = "0.1.0"
