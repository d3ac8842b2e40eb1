"""Adopted characteristics that an electrician's instrument may carry, as rows; nothing is decoded.

A value is raw x M x 10^d x 2^b, little-endian, and its special raw values come first. Source:
Bluetooth SIG, GATT Specification Supplement. Specifications and ranges of the instrument itself
(2B19, 2AEF, 2AF0, 2B06, 2B10) are no measurements and stand nowhere here; nor does noise, whose
unit two libraries understand differently.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Literal, NamedTuple

from metercap.model import Status

_OVER, _UNDER = Status.OVER, Status.UNDER
_UNKNOWN, _INVALID = Status.UNKNOWN, Status.INVALID


Form = Literal["uint", "sint", "medfloat16", "medfloat32", "float32", "float64"]


class Part(NamedTuple):
    """One value within a characteristic.

    `bits` is its width, `lowest` and `highest` the raw values that are numbers, ends included
    (whole numbers only); `specials` are raw values that are none. `marks` say in which way it is
    not the present value.
    """

    quantity: str
    unit: str
    form: Form
    bits: int
    lowest: int = 0
    highest: int = 0
    m: int = 1
    d: int = 0
    b: int = 0
    specials: tuple[tuple[int, Status], ...] = ()
    channel: str = "main"
    marks: tuple[str, ...] = ()

    @property
    def is_floating(self) -> bool:
        """Whether each value brings its own exponent."""
        return self.form not in {"uint", "sint"}

    @property
    def step(self) -> Decimal:
        """What one count is worth in `unit`; exact, because no row has a positive b."""
        return Decimal(self.m * 5**-self.b).scaleb(self.d + self.b)


class Adopted(NamedTuple):
    """A characteristic: its 16-bit number, its name, its values from the first byte on.

    `tail` counts bytes behind them that are no measurement, such as a sensing duration.
    """

    number: int
    name: str
    parts: tuple[Part, ...]
    tail: int = 0


# ---- values that several characteristics are made of ----

_VOLTS = Part(
    "voltage",
    "V",
    "uint",
    16,
    lowest=0x0001,
    highest=0xFF7F,
    b=-6,
    # "0.0 or lower" and "1022.0 or higher"; what lies above is not defined.
    specials=((0x0000, _UNDER), (0xFF80, _OVER), (0xFFFF, _UNKNOWN)),
)
_AMPERES = Part("current", "A", "uint", 16, highest=0xFFFE, d=-2, specials=((0xFFFF, _UNKNOWN),))
_CELSIUS = Part(
    "temperature",
    "Cel",
    "sint",
    16,
    lowest=-27315,
    highest=0x7FFF,
    d=-2,
    specials=((-0x8000, _UNKNOWN),),
)
_TESLA = Part("magnetic flux density", "T", "sint", 16, lowest=-0x8000, highest=0x7FFF, d=-7)
_CONTACT = Part("contact", "1", "uint", 1, highest=1)


def _power(quantity: str, unit: str) -> Part:
    ends = ((0xFFFFFE, _INVALID), (0xFFFFFF, _UNKNOWN))
    return Part(quantity, unit, "uint", 24, highest=0xFFFFFD, d=-1, specials=ends)


def _energy(quantity: str, unit: str) -> Part:
    ends = ((0xFFFFFFFE, _INVALID), (0xFFFFFFFF, _UNKNOWN))
    return Part(quantity, unit, "uint", 32, highest=0xFFFFFFFD, d=-3, specials=ends)


def _statistics(part: Part) -> tuple[Part, ...]:
    """Mean, standard deviation, least and greatest, in the order of every such characteristic."""
    return (
        part._replace(marks=("average",)),
        part._replace(channel="deviation", marks=("deviation",)),
        part._replace(channel="minimum", marks=("minimum",)),
        part._replace(channel="maximum", marks=("maximum",)),
    )


def _count(bits: int) -> Part:
    top = (1 << bits) - 1
    return Part("count", "1", "uint", bits, highest=top - 1, specials=((top, _UNKNOWN),))


_DURATION = 1  # byte of a Time Exponential 8: how long the sensor took

_ROWS = (
    # ---- electrical ----
    Adopted(0x2B18, "Voltage", (_VOLTS,)),
    Adopted(
        0x2BE0,
        "High Voltage",
        # The SIG's file prints b = 6; its text and its maximum say 1/64 V.
        (
            Part(
                "voltage",
                "V",
                "uint",
                24,
                highest=0xFFFFFE,
                b=-6,
                specials=((0xFFFFFF, _UNKNOWN),),
            ),
        ),
    ),
    Adopted(0x2AE1, "Average Voltage", (_VOLTS._replace(marks=("average",)),), _DURATION),
    Adopted(0x2B1A, "Voltage Statistics", _statistics(_VOLTS), _DURATION),
    # 0 Hz is how it says direct current.
    Adopted(
        0x2BE8,
        "Voltage Frequency",
        (
            Part(
                "frequency",
                "Hz",
                "uint",
                16,
                highest=0xFFFD,
                specials=((0xFFFE, _INVALID), (0xFFFF, _UNKNOWN)),
            ),
        ),
    ),
    Adopted(0x2AEE, "Electric Current", (_AMPERES,)),
    Adopted(0x2AE0, "Average Current", (_AMPERES._replace(marks=("average",)),), _DURATION),
    Adopted(0x2AF1, "Electric Current Statistics", _statistics(_AMPERES), _DURATION),
    Adopted(0x2B05, "Power", (_power("power", "W"),)),
    Adopted(0x2B8A, "Apparent Power", (_power("apparent power", "V.A"),)),
    Adopted(
        0x2AF2,
        "Energy",
        (
            Part(
                "energy",
                "kW.h",
                "uint",
                24,
                highest=0xFFFFFE,
                specials=((0xFFFFFF, _UNKNOWN),),
            ),
        ),
    ),
    Adopted(0x2BA8, "Energy 32", (_energy("energy", "kW.h"),)),
    Adopted(0x2B89, "Apparent Energy 32", (_energy("apparent energy", "kV.A.h"),)),
    Adopted(
        0x2B8D,
        "Cosine of the Angle",
        (
            Part(
                "power factor",
                "1",
                "sint",
                8,
                lowest=-100,
                highest=100,
                d=-2,
                specials=((0x7F, _UNKNOWN),),
            ),
        ),
    ),
    Adopted(0x2AE2, "Boolean", (Part("contact", "1", "uint", 8, highest=1),)),
    # 1 is closed. Bit 0 is the first contact.
    Adopted(
        0x2C22,
        "Contact Status 8",
        (_CONTACT, *(_CONTACT._replace(channel=f"contact-{n}") for n in range(2, 9))),
    ),
    Adopted(
        0x2B04,
        "Percentage 8",
        (Part("ratio", "%", "uint", 8, highest=200, b=-1, specials=((0xFF, _UNKNOWN),)),),
    ),
    Adopted(0x2AE8, "Coefficient", (Part("ratio", "1", "float32", 32),)),
    Adopted(0x2AEA, "Count 16", (_count(16),)),
    Adopted(0x2AEB, "Count 24", (_count(24),)),
    # ---- temperature ----
    Adopted(0x2A6E, "Temperature", (_CELSIUS,)),
    Adopted(
        0x2BDF,
        "High Temperature",
        (
            Part(
                "temperature",
                "Cel",
                "sint",
                16,
                lowest=-546,
                highest=0x7FFF,
                b=-1,
                specials=((-0x7FFF, _INVALID), (-0x8000, _UNKNOWN)),
            ),
        ),
    ),
    # 7F is not known; the file of 2017 said FF, which is half a degree of frost.
    Adopted(
        0x2B0D,
        "Temperature 8",
        (
            Part(
                "temperature",
                "Cel",
                "sint",
                8,
                lowest=-128,
                highest=126,
                b=-1,
                specials=((0x7F, _UNKNOWN),),
            ),
        ),
    ),
    Adopted(0x2B11, "Temperature Statistics", _statistics(_CELSIUS), _DURATION),
    Adopted(
        0x2C2E,
        "Cooking Temperature",
        (
            Part(
                "temperature",
                "Cel",
                "sint",
                16,
                lowest=-1000,
                highest=10000,
                d=-1,
                specials=((-0x8000, _UNKNOWN),),
            ),
        ),
    ),
    Adopted(
        0x2A7B, "Dew Point", (Part("temperature", "Cel", "sint", 8, lowest=-128, highest=127),)
    ),
    # ---- what surrounds the work ----
    Adopted(
        0x2A6F,
        "Humidity",
        (Part("humidity", "%", "uint", 16, highest=10000, d=-2, specials=((0xFFFF, _UNKNOWN),)),),
    ),
    Adopted(
        0x2C1B,
        "Humidity 8",
        (Part("humidity", "%", "uint", 8, highest=200, b=-1, specials=((0xFF, _UNKNOWN),)),),
    ),
    Adopted(0x2A6D, "Pressure", (Part("pressure", "Pa", "uint", 32, highest=0xFFFFFFFF, d=-1),)),
    Adopted(
        0x2B1B,
        "Volume Flow",
        # The SIG's file prints the raw 65534 as the maximum; with d = -3 it is 65.534 L/s.
        (
            Part(
                "volume flow",
                "L/s",
                "uint",
                16,
                highest=0xFFFE,
                d=-3,
                specials=((0xFFFF, _UNKNOWN),),
            ),
        ),
    ),
    Adopted(
        0x2B02,
        "Mass Flow",
        (Part("mass flow", "g/s", "uint", 16, highest=0xFFFE, specials=((0xFFFF, _UNKNOWN),)),),
    ),
    Adopted(
        0x2BD0,
        "Carbon Monoxide Concentration",
        (Part("mass concentration", "kg/m3", "medfloat16", 16),),
    ),
    Adopted(
        0x2B8C,
        "CO2 Concentration",
        # FFFE is "65534 or greater".
        (
            Part(
                "concentration",
                "[ppm]",
                "uint",
                16,
                highest=0xFFFD,
                specials=((0xFFFE, _OVER), (0xFFFF, _UNKNOWN)),
            ),
        ),
    ),
    Adopted(
        0x2AFB,
        "Illuminance",
        (
            Part(
                "illuminance",
                "lx",
                "uint",
                24,
                highest=0xFFFFFE,
                d=-2,
                specials=((0xFFFFFF, _UNKNOWN),),
            ),
        ),
    ),
    Adopted(
        0x2C1C,
        "Illuminance 16",
        (Part("illuminance", "lx", "uint", 16, highest=0xFFFE, specials=((0xFFFF, _UNKNOWN),)),),
    ),
    Adopted(0x2A77, "Irradiance", (Part("irradiance", "W/m2", "uint", 16, highest=0xFFFF, d=-1),)),
    Adopted(
        0x2AA0,
        "Magnetic Flux Density - 2D",
        (_TESLA._replace(channel="x"), _TESLA._replace(channel="y")),
    ),
    Adopted(
        0x2AA1,
        "Magnetic Flux Density - 3D",
        tuple(_TESLA._replace(channel=axis) for axis in "xyz"),
    ),
    Adopted(
        0x2C09,
        "Rotational Speed",
        # Clockwise is positive.
        (
            Part(
                "rotational speed",
                "{rev}/min",
                "sint",
                32,
                lowest=-0x80000000,
                highest=0x7FFFFFFE,
                specials=((0x7FFFFFFF, _UNKNOWN),),
            ),
        ),
    ),
)

# Temperature Measurement and Intermediate Temperature: a byte of flags, a medfloat32, then a time
# stamp and a place on the body where the flags say so. The two parts are alternatives.
THERMOMETERS = frozenset({0x2A1C, 0x2A1E})
_EITHER = (
    Part("temperature", "Cel", "medfloat32", 32),
    Part("temperature", "[degF]", "medfloat32", 32),
)

ADOPTED = {
    row.number: row
    for row in (
        *_ROWS,
        Adopted(0x2A1C, "Temperature Measurement", _EITHER),
        Adopted(0x2A1E, "Intermediate Temperature", _EITHER),
    )
}

_BASE_TAIL = "-0000-1000-8000-00805f9b34fb"


def find_adopted(uuid: str) -> Adopted | None:
    """The row of a characteristic's UUID text, in any service; None for one that has none."""
    text = uuid.lower()
    if len(text) != 36 or not text.startswith("0000") or not text.endswith(_BASE_TAIL):  # noqa: PLR2004  characters of a UUID
        return None
    try:
        return ADOPTED.get(int(text[4:8], 16))
    except ValueError:
        return None


def uuid_of(number: int) -> str:
    """The UUID text of a 16-bit number."""
    return f"0000{number:04x}{_BASE_TAIL}"
