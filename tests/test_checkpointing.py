"""The recorder signs its log as a job goes on, and what it signed stands in the record."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from record import signedjob
from sequence import jobs

from metercap.daemon import Daemon, DeclaredMeter
from metercap.device import open_device
from metercap.journal import merkle, note
from metercap.journal.store import Journal, Writer
from metercap.record import seal, signing
from metercap.record.verify import verify

if TYPE_CHECKING:
    from pathlib import Path

    from metercap.device import Device
    from metercap.model import Instant

DECLARED = DeclaredMeter(jobs.METER, "00:00:00:00:00:01", jobs.DRIVER)


async def work(path: Path, device: Device) -> None:
    """Open a job, and abandon it at once."""
    ticks = iter(range(1, 100))

    def now() -> Instant:
        return jobs.at(next(ticks) * 1_000_000_000)

    writer = await Writer.open(path, "pi-0007")
    try:
        daemon = Daemon(writer, now, lambda _: None, device.checkpoint)
        await daemon.start()
        await daemon.open_job(jobs.SPUR, [DECLARED], who="A", where="B", practice=False)
        await daemon.close_job("abandon")
    finally:
        await writer.close()


def test_the_log_is_signed_when_a_job_opens_and_when_it_closes(tmp_path: Path) -> None:
    device = open_device(tmp_path, "pi-0007")
    asyncio.run(work(tmp_path / "journal", device))
    journal = Journal.read(tmp_path / "journal")
    try:
        entries = list(journal.entries())
        signed = [found for found in entries if found.kind == "checkpoint"]
        before = [entries[found.seq - 2].kind for found in signed]
        assert (before[0], before[-1]) == ("definition", "job.close")
        for found in signed:
            whole = note.parse_note(str(found.body["note"]))
            said = note.parse_checkpoint(whole.text)
            assert said.log == "pi-0007"
            assert said.size == found.seq - 1
            assert said.root == merkle.root(journal.frontier(said.size))
            signature = note.find_signature(whole, "pi-0007", device.public)
            assert signature is not None
            assert signing.is_signed_by(device.key.public_key(), whole.text.encode(), signature)
        first, last = journal.stretch(1)
        rows = list(journal.rows(first, last))
    finally:
        journal.close()
    sealer = seal.Sealer(device.certificate, device.sign)
    report = verify(seal.seal(rows, 1, "x", merkle.EMPTY, sealer), "x", trusted=signedjob.TRUST)
    assert (report.exit, report.is_whole) == (6, True)
