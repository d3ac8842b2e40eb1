"""Writes the records of fixtures/records, once for each version of the record."""

from __future__ import annotations

from pathlib import Path

from cryptography.hazmat.primitives.serialization import Encoding
from record import signedjob, test_attacks
from record.authority import CLOCK
from record.test_attacks import BARE, STAMPED, replace, resealed, rewritten, stamped

from metercap.record import seal

FOLDER = Path(__file__).parents[2] / "fixtures" / "records"


def main() -> None:
    """Write all of them; refuses to write over one."""
    FOLDER.mkdir(exist_ok=True)
    files = {
        "root.pem": signedjob.FIRM.root.public_bytes(Encoding.PEM),
        "tsa-root.pem": CLOCK.root.public_bytes(Encoding.PEM),
        "v2-approved-and-stamped.asice": stamped(
            seal.approve(BARE, signedjob.ENGINEER, STAMPED), STAMPED
        ),
        "v2-not-stamped.asice": BARE,
        "v2-unenrolled.asice": signedjob.sealed(sealer=signedjob.UNENROLLED),
        "v2-signature-taken-away.asice": test_attacks.repacked(test_attacks.stripped),
        "v2-frame-changed-and-signed-by-a-look-alike.asice": resealed(
            test_attacks.SHOWN, signedjob.STRANGER
        ),
        "v2-frame-changed-and-log-made-anew.asice": rewritten(replace("frame", 1, raw="0050")),
        "v2-failed-attempt-dropped.asice": resealed(test_attacks.dropped),
        "v2-time-stamp-of-another-record.asice": test_attacks.other_token(),
    }
    for name, data in files.items():
        with (FOLDER / name).open("xb") as file:
            file.write(data)


if __name__ == "__main__":
    main()
