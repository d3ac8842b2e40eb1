"""A whole job read from what a meter advertises: settled, sealed, and verified without a key."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

import pytest
from sequence.walking import NOWHERE, NS_PER_S, PERSON, written

from metercap import shelf
from metercap.daemon import Daemon, DeclaredMeter, frame_body
from metercap.derive import derive
from metercap.errors import JournalError
from metercap.journal.entry import CLAIM
from metercap.journal.store import Journal, Writer
from metercap.meter.advert import SERVICE_DATA, open_sealed, seal, write_advert
from metercap.model import Frame, Instant, LinkChange, Refusal
from metercap.record.seal import seal as seal_record
from metercap.record.verify import verify

if TYPE_CHECKING:
    from pathlib import Path

    from metercap.journal.entry import Entry

ADDRESS = "F0:00:00:00:00:01"
KEY = bytes(range(16))
DRIVER = shelf.load_driver(NOWHERE, "open-advert")
STEP = """
id = "flow-pipe"
title = "Flow pipe"
version = "1"
[[step]]
id = "warm"
title = "Warm"
do = "Sensor on the flow pipe."
say = "Sensor on."
source = "common practice"
quantity = "temperature"
mode = "none"
start = "begin"
expect = { above = "40 Cel" }
settle = { window = "10 s", slowest = "3 s" }
"""


class Clock:
    """A clock that a test moves."""

    def __init__(self) -> None:
        self.ns = 1000 * NS_PER_S

    def now(self) -> Instant:
        return Instant(1_795_000_000 * NS_PER_S + self.ns, self.ns, "boot-a", synced=True)


async def play(path: Path, packets: int, every_s: float, *, is_sealed: bool) -> None:
    """A job of the one step, with a packet each `every_s` seconds, one of three without it."""
    clock = Clock()
    writer = await Writer.open(path, "test")
    try:
        daemon = Daemon(writer, clock.now, lambda _: None)
        await daemon.start()
        meter = DeclaredMeter("sensor", ADDRESS, DRIVER)
        await daemon.open_job(written(STEP), [meter], who=PERSON, where="here", practice=False)
        daemon.put(LinkChange(clock.now(), "sensor", 1, up=True, reason="heard"))
        await daemon.tell("begin", {"by": PERSON, "step": "warm"})
        for count in range(1, packets + 1):
            clock.ns += int(every_s * NS_PER_S)
            objects = [(0x45, 552), (0x0C, 2987)] if count % 3 else [(0x0C, 2987)]
            plain = write_advert(objects, count % 256)
            data = seal(plain, ADDRESS, KEY, count) if is_sealed else plain
            opened = plain if is_sealed else None
            daemon.put(Frame(clock.now(), "sensor", SERVICE_DATA, 1, count, data, opened))
            await daemon.flush()
        if daemon.ending is None:
            await daemon.close_job("finish")
    finally:
        await writer.close()


def kept(path: Path) -> list[Entry]:
    journal = Journal.read(path)
    found = list(journal.entries(1))
    journal.close()
    return found


def attempts(path: Path) -> list[dict[str, object]]:
    return [e.body for e in kept(path) if e.kind == CLAIM and e.body["claim"] == "attempt"]


@pytest.mark.parametrize("is_sealed", [False, True])
def test_a_step_settles_on_samples_and_its_claim_says_that_they_are(
    tmp_path: Path, is_sealed: bool
) -> None:
    path = tmp_path / "j.sqlite"
    asyncio.run(play(path, 60, 0.5, is_sealed=is_sealed))

    (claim,) = attempts(path)
    assert (claim["verdict"], claim["value"], claim["unit"]) == ("pass", "55.200", "Cel")
    assert claim["sampled"] is True
    assert "samples between these may have been lost" in str(claim["sentence"])


def test_a_sender_slower_than_the_interval_promises_settles_nothing(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite"
    asyncio.run(play(path, 60, 2.0, is_sealed=False))

    assert {(claim["verdict"], claim.get("why")) for claim in attempts(path)} == {
        ("undecided", "did not stand still within 60 s")
    }


def test_the_record_of_sealed_packets_is_verified_by_who_has_no_key(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite"
    asyncio.run(play(path, 60, 0.5, is_sealed=True))
    journal = Journal.read(path)
    first, last = journal.span(1)
    record = seal_record(list(journal.rows(first, last)), 1, "test", journal.frontier(first - 1))
    journal.close()

    report = verify(record, "job-1.asice", derive)
    assert report.status == "UNSIGNED"
    assert report.facts["attempts"] == 1
    assert KEY.hex().encode() not in record
    frames = [found.body for found in kept(path) if found.kind == "frame"]
    assert frames
    # Whoever holds the key can show besides that the one was inside the other.
    for body in frames:
        sealed, opened = bytes.fromhex(body["raw"]), bytes.fromhex(body["opened"])
        assert open_sealed(sealed, ADDRESS, KEY)[0] == opened


def changed(entries: list[Entry], **more: object) -> list[Entry]:
    """The job with its last frame that counted changed; the claims are left away."""
    place = max(n for n, found in enumerate(entries) if found.kind == "frame")
    found = entries[place]
    body = {key: value for key, value in (found.body | more).items() if value is not None}
    return [*entries[:place], found._replace(body=body), *entries[place + 1 :]]


def test_another_opening_of_any_frame_changes_the_claim_that_answers_for_it(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite"
    asyncio.run(play(path, 60, 0.5, is_sealed=True))
    entries = kept(path)
    honest = derive(entries).claims
    tried = 0
    for place, found in enumerate(entries):
        if found.kind != "frame" or place > max(
            n for n, one in enumerate(entries) if one.kind == CLAIM
        ):
            continue
        opened = bytearray.fromhex(found.body["opened"])
        opened[-1] ^= 1
        other = found._replace(body={**found.body, "opened": opened.hex()})
        assert derive([*entries[:place], other, *entries[place + 1 :]]).claims != honest
        tried += 1
    assert tried > 20


def test_two_openings_of_one_frame_are_no_recorders_work(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite"
    asyncio.run(play(path, 3, 0.5, is_sealed=True))

    with pytest.raises(JournalError, match=r"\(frame\): found opened and unopened, expected one"):
        derive(changed(kept(path), unopened="no key"))
    with pytest.raises(JournalError, match="opened: found 'zz', expected hex"):
        derive(changed(kept(path), opened="zz"))


def test_why_a_packet_stayed_shut_stands_in_the_journal() -> None:
    frame = Frame(Clock().now(), "sensor", SERVICE_DATA, 1, 1, b"\x41", Refusal("sealed: why"))

    assert frame_body(frame)["unopened"] == "sealed: why"
    assert "opened" not in frame_body(frame)
    assert not {"opened", "unopened"} & set(frame_body(frame._replace(opened=None)))
