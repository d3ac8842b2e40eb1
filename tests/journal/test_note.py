from __future__ import annotations

import base64

import pytest
from hypothesis import given
from hypothesis import strategies as st

from metercap.errors import JournalError
from metercap.journal import merkle, note

PUBLIC = b"a public key in DER"
TEXT = note.checkpoint_text("pi-0007", merkle.Frontier(1, (bytes(32),)))
WHOLE = note.sign_note(TEXT, "pi-0007", PUBLIC, lambda message: b"signed " + message[:3])

names = st.from_regex(r"[!-*,-~]{1,20}", fullmatch=True)
signatures = st.builds(
    note.Signature, names, st.binary(min_size=4, max_size=4), st.binary(min_size=1, max_size=80)
)
texts = st.text(st.characters(codec="utf-8", exclude_categories=("C", "Z")), max_size=40)


@given(texts, st.lists(signatures, min_size=1, max_size=note.MOST_SIGNATURES))
def test_a_note_comes_back_as_it_was_written(text: str, rows: list[note.Signature]) -> None:
    made = note.Note(f"{text}\n", tuple(rows))
    assert note.parse_note(note.write_note(made)) == made


@given(st.integers(0, 10**9), st.binary(min_size=32, max_size=32))
def test_a_checkpoint_comes_back_as_it_was_written(size: int, peak: bytes) -> None:
    text = note.checkpoint_text("a/log", merkle.Frontier(size, (peak,)))
    found = note.parse_checkpoint(text)
    assert (found.log, found.size) == ("a/log", size)
    assert found.root == merkle.root(merkle.Frontier(size, (peak,)))


def test_a_signature_is_found_by_name_and_key() -> None:
    found = note.parse_note(WHOLE)
    assert note.find_signature(found, "pi-0007", PUBLIC) == b"signed pi-"
    assert note.find_signature(found, "pi-0008", PUBLIC) is None
    assert note.find_signature(found, "pi-0007", b"another key") is None


@pytest.mark.parametrize(
    "text",
    [
        "",
        TEXT,
        TEXT + "\n",
        WHOLE[:-1],
        WHOLE + "\n",
        WHOLE.replace("\u2014", "-"),
        WHOLE.replace("\u2014 ", "\u2014  "),
        WHOLE.replace(" pi-0007 ", " pi+0007 "),
        WHOLE.replace(" pi-0007 ", " "),
        WHOLE.replace("\n\n", "\n"),
        WHOLE.replace("\n\n", "\r\n\n"),
        WHOLE[:-2] + "!\n",
        WHOLE + WHOLE.splitlines(keepends=True)[-1] * note.MOST_SIGNATURES,
        "\x1b[2J" + WHOLE,
        "\n\n" + WHOLE.splitlines(keepends=True)[-1] + "x",
    ],
)
def test_another_spelling_of_a_note_is_refused(text: str) -> None:
    with pytest.raises(JournalError, match=r"^note: ") as caught:
        note.parse_note(text)
    assert "\n" not in str(caught.value)


ROOT = base64.b64encode(bytes(32)).decode()


@pytest.mark.parametrize(
    "text",
    [
        "",
        "log\n1\n",
        f"log\n1\n{ROOT}",
        f"log\n01\n{ROOT}\n",
        f"log\n-1\n{ROOT}\n",
        f"log\n1 \n{ROOT}\n",
        f"\n1\n{ROOT}\n",
        f"log\n1\n{ROOT}\nmore\n",
        f"log\n1\n{ROOT[:-4]}\n",
        f"log\n1\n{ROOT[:-2]}!=\n",
        f"log\n{'1' * 19}\n{ROOT}\n",
    ],
)
def test_what_is_no_checkpoint_is_refused(text: str) -> None:
    with pytest.raises(JournalError, match=r"^checkpoint: "):
        note.parse_checkpoint(text)
