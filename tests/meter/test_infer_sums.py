"""Checksums are found from the frames alone, over which bytes they go, masked or not."""

from __future__ import annotations

from random import Random

import pytest
from meter.layouts import Meter, _sum

from metercap.meter.decode import build_decoder
from metercap.meter.description import FrameDriver, parse_driver
from metercap.meter.infer import infer, parse_samples
from metercap.meter.infer.sums import find_sum
from metercap.model import Refusal

NAMES = {
    "sum8": "sum8",
    "xor8": "xor8",
    "modbus": "CRC-16/MODBUS",
    "arc": "CRC-16/ARC",
    "kermit": "CRC-16/KERMIT",
    "xmodem": "CRC-16/XMODEM",
    "ccitt": "CRC-16/IBM-3740",
}


@pytest.mark.parametrize("order", ["little", "big"])
@pytest.mark.parametrize("start", [0, 2])
@pytest.mark.parametrize("kind", NAMES)
def test_each_checksum_is_found_with_its_bytes(kind: str, start: int, order: str) -> None:
    random = Random(7)
    bodies = [bytes([0xA5, 0x11, *random.randbytes(8)]) for _ in range(12)]
    frames = [body + _sum(kind, body[start:], order) for body in bodies]
    found = find_sum(frames)

    assert found is not None
    assert (found.kind, found.at, found.rest) == (NAMES[kind], 10, 0)
    assert (found.start, found.stop) == (start, 10)
    assert found.width == 1 or found.order == order


def test_bytes_that_follow_no_rule_are_no_checksum() -> None:
    random = Random(8)

    assert find_sum([random.randbytes(10) for _ in range(20)]) is None
    assert find_sum([bytes([n, 0, n, 0, n, 0]) for n in range(20)]) is None
    assert find_sum([random.randbytes(10) for _ in range(3)]) is None


def test_frames_of_another_kind_do_not_hide_it() -> None:
    random = Random(9)
    bodies = [random.randbytes(8) for _ in range(16)]
    frames = [body + _sum("sum8", body, "little") for body in bodies]
    frames[3], frames[9] = random.randbytes(9), random.randbytes(9)
    found = find_sum(frames)

    assert found is not None
    assert found.frames == (1 << 16) - 1 - (1 << 3) - (1 << 9)


@pytest.mark.parametrize("kind", ["sum8", "xor8", "modbus"])
def test_a_checksum_made_before_the_mask_guards_the_inferred_driver(kind: str) -> None:
    """Some meter of each kind that masks its frames after it has summed them."""
    seed = next(
        seed
        for seed in range(400)
        if (meter := Meter("bcd", seed)).sum == kind and any(meter.mask) and meter.masked_sum
    )
    meter = Meter("bcd", seed)
    labelled = meter.labels(40, guided=True)
    text = "".join(f"{sample.frame.hex()},{sample.shown}\n" for sample in labelled)
    inference = infer(parse_samples(f"hex,shown\n{text}", "s.csv"), "bench")
    assert inference.driver_text is not None, inference.reason
    driver = parse_driver(inference.driver_text, "bench")

    assert isinstance(driver, FrameDriver)
    assert driver.frame.checksum is not None
    assert driver.frame.checksum.kind == NAMES[kind]
    # A mask that cancels out over the bytes leaves an exclusive or true on either side of it.
    assert driver.frame.checksum.domain == "plain" or kind == "xor8"
    decode = build_decoder(driver).decode
    frame = labelled[0].frame
    for bit in range(8 * len(frame)):
        flipped = (int.from_bytes(frame, "little") ^ 1 << bit).to_bytes(len(frame), "little")
        (outcome,), _ = decode(flipped)
        assert isinstance(outcome, Refusal)
