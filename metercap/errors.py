"""The errors of metercap: one root, and one child for each party who must act.

Messages are one line of lower-case text: where, what was found, what was expected.
The root itself is never raised.
"""


class MetercapError(Exception):
    """Root of every error that this package raises on purpose."""


class DriverError(MetercapError):
    """A driver file says something impossible: its author must act."""


class ProcedureError(MetercapError):
    """A procedure file says something impossible: its author must act."""


class DisplayError(MetercapError):
    """A reading cannot be shown by the meter that a driver file describes."""


class LinkError(MetercapError):
    """The path to the meter failed: the radio, the adapter or the meter must be looked at."""


class LinkLost(LinkError):
    """The connection ended."""


class LinkSilent(LinkError):
    """The connection stands, but the meter has sent nothing for too long."""


class JournalError(MetercapError):
    """The journal cannot be written or read: the disk must be looked at."""


class RecordError(MetercapError):
    """A record cannot be read or made: the file must be looked at."""


class OperatorError(MetercapError):
    """The person asked for something that does not exist or is not possible now."""
