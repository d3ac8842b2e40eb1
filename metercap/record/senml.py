"""Rows of readings to SenML (RFC 8428) in JSON, for programs that take measurements from sensors.

SenML has numbers of one unit for each quantity and nothing else, so digits as displayed are lost,
and readings without a number are left out; both are said in its first row. The record rules.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterable, Mapping
from datetime import datetime
from decimal import Decimal

from metercap import units

# quantity -> (UCUM unit to convert to, unit of RFC 8428 section 12.1, what one is in the other).
_UNITS = {
    "voltage": ("V", "V", "1"),
    "current": ("A", "A", "1"),
    "resistance": ("Ohm", "Ohm", "1"),
    "conductance": ("S", "S", "1"),
    "capacitance": ("F", "F", "1"),
    "inductance": ("H", "H", "1"),
    "frequency": ("Hz", "Hz", "1"),
    "power": ("W", "W", "1"),
    "apparent power": ("V.A", "VA", "1"),
    "energy": ("J", "J", "1"),
    "pressure": ("Pa", "Pa", "1"),
    "temperature": ("Cel", "Cel", "1"),
    "humidity": ("%", "%RH", "1"),
    "duty": ("%", "/", "0.01"),
    "power factor": ("1", "/", "1"),
    "time": ("s", "s", "1"),
    "length": ("m", "m", "1"),
    "illuminance": ("lx", "lx", "1"),
    "irradiance": ("W/m2", "W/m2", "1"),
    "volume flow": ("L/s", "l/s", "1"),
    "mass concentration": ("kg/m3", "kg/m3", "1"),
    "count": ("1", "count", "1"),
}
_NOT_IN_NAMES = re.compile(r"[^A-Za-z0-9:./_-]")  # RFC 8428 section 4.5.1


def pack(rows: Iterable[Mapping[str, object]], log: str, job: int) -> str:
    """A pack of SenML records from rows of `table.readings`; times are seconds since 1970."""
    records: list[dict[str, object]] = []
    left_out: Counter[str] = Counter()
    for row in rows:
        unit, at = _UNITS.get(str(row.get("quantity"))), row.get("phenomenonTime")
        if "value" not in row:
            left_out[f"{row.get('status')}"] += 1
        elif unit is None or at is None:
            left_out["without a unit or a time in SenML"] += 1
        else:
            code, registered, factor = unit
            amount = units.convert(Decimal(str(row["value"])), str(row["unit"]), code)
            records.append(
                {
                    "n": _name(row),
                    "u": registered,
                    "t": datetime.fromisoformat(str(at)).timestamp(),
                    "v": float(amount * Decimal(factor)),
                }
            )
    missing = ", ".join(f"{count} {why}" for why, count in sorted(left_out.items()))
    said = f"digits as displayed are lost here; left out: {missing or 'nothing'}"
    base = _NOT_IN_NAMES.sub("-", f"{log}:job-{job}:")
    lines = [{"bn": base, "n": "note", "vs": said}, *records]
    text = ",\n".join(json.dumps(line, ensure_ascii=True) for line in lines)
    return f"[{text}]\n"


def _name(row: Mapping[str, object]) -> str:
    parts = (row.get(key) for key in ("meter", "quantity", "coupling", "channel"))
    return _NOT_IN_NAMES.sub("-", "/".join(str(part) for part in parts if part))
