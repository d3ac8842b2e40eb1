"""The report inside a record: made of nothing else, the same everywhere, and fit to be handed over.

Checked with programs and libraries of others: qpdf, pdftotext and pdfinfo of poppler, pikepdf.
"""

from __future__ import annotations

import csv
import io
import itertools
import json
import re
import subprocess
from typing import TYPE_CHECKING

import pikepdf
import pytest
from cli.command import metercap_
from hypothesis import example, given
from hypothesis import strategies as st
from record import signedjob, smalljob
from record.reportjob import (
    PROCEDURE,
    STEP,
    Job,
    plain_job,
    render_elsewhere,
    text_of,
)

from metercap.record import container, seal, wording
from metercap.record.report import render
from metercap.record.verify import verify

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

ACT = """
[[act]]
id = "{id}"
title = "{title}"
do = "Do it."
say = "Do it."
source = "none: a test"
{more}
[[act.ask]]
field = "indicator"
prompt = "Which?"
{same}
"""
PROVED = (
    'caution = ["Never measure ohms on a live circuit."]\n'
    + ACT.format(id="proved", title="Indicator proved before", more="", same="")
    + ACT.format(
        id="seen", title="Line to earth: no indication", more='needs = ["proved"]', same=""
    )
    + ACT.format(
        id="proved-again",
        title="Indicator proved again",
        more='needs = ["seen"]',
        same='same_as = "proved"',
    )
)
RELATION = """
[[relation]]
id = "twice"
title = "The same twice"
rule = "repeat"
steps = { first = "earth", again = "later" }
given = { within = "0.05 Ohm" }
on_fail = "go-on"
source = "none: a test"
"""
OVERDUE = {"instrument": {"name": "Bench 4", "address": "00:00:00:00:00:01", "due": "2026-01-31"}}


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    folder = tmp_path_factory.mktemp("demo")
    assert metercap_("demo", "--out", folder).code == 0
    forms = ("--table", "jsonl", "--table", "senml")
    assert metercap_("export", "1", "--data", folder, "--out", folder / "again", *forms).code == 0
    again = (folder / "again" / "job-1.asice").read_bytes()
    assert again == (folder / "job-1.asice").read_bytes()
    files = container.unpack((folder / "job-1.asice").read_bytes())
    assert files["report.pdf"] == (folder / "job-1.pdf").read_bytes()
    tables = {f"table.{end}": folder / "again" / f"job-1.{end}" for end in ("jsonl", "senml")}
    tables["table.csv"] = folder / "job-1.csv"
    return files | {name: path.read_bytes() for name, path in tables.items()}


@pytest.fixture
def demo_text(demo: dict[str, bytes], tmp_path: Path) -> str:
    return text_of(demo["report.pdf"], tmp_path, "-layout")


def first_page(pdf: bytes, folder: Path) -> str:
    return text_of(pdf, folder, "-layout", "-l", "1")


def test_the_same_record_gives_the_same_bytes_in_any_time_zone_and_language(
    demo: dict[str, bytes], tmp_path: Path
) -> None:
    own = demo["report.pdf"]
    before = ("job.json", "heads.jsonl", "bodies.jsonl")
    plain = {name: demo[name] for name in before}
    assert render(plain) == own
    assert render_elsewhere(plain, tmp_path) == own


def test_it_says_that_it_is_archival_tagged_titled_and_in_english(demo: dict[str, bytes]) -> None:
    with pikepdf.open(io.BytesIO(demo["report.pdf"])) as pdf:
        root = pdf.Root
        assert root.MarkInfo.Marked
        assert root.StructTreeRoot.K is not None
        assert str(root.Lang) == "en-GB"
        assert root.ViewerPreferences.DisplayDocTitle
        meta = pdf.open_metadata()
        assert (meta["pdfaid:part"], meta["pdfaid:conformance"]) == ("3", "A")
        assert meta["pdfuaid:part"] == "1"
        assert str(meta["dc:title"]).startswith("A visit to the spur")
        # The time is that of the closing entry, not of the making.
        assert meta["xmp:CreateDate"].startswith("2026-11-25T10:05:")


def test_every_picture_has_a_sentence_for_who_cannot_see_it(demo: dict[str, bytes]) -> None:
    with pikepdf.open(io.BytesIO(demo["report.pdf"])) as pdf:
        figures = [
            held
            for held in pdf.objects
            if isinstance(held, pikepdf.Dictionary) and held.get("/S") == "/Figure"
        ]
        told = [str(figure.Alt) for figure in figures]
    assert len(told) == 26  # attempts that a meter was asked for; three were seen by a person
    assert all(text.startswith("Value against time: ") for text in told)
    assert any("all over the range" in text for text in told)


def test_every_table_has_a_head_and_every_heading_follows_one_above_it(
    demo: dict[str, bytes],
) -> None:
    """ISO 14289-1 7.5 and 7.4.2."""
    with pikepdf.open(io.BytesIO(demo["report.pdf"])) as pdf:
        tags = list(tags_of(pdf.Root.StructTreeRoot))
    tables = [n for n, (_, tag) in enumerate(tags) if tag == "/Table"]
    assert len(tables) == 2
    for start in tables:
        depth = tags[start][0]
        inside = itertools.takewhile(lambda held: held[0] > depth, tags[start + 1 :])  # noqa: B023  at once
        assert "/TH" in [tag for _, tag in inside]
    levels = [int(tag[2:]) for _, tag in tags if re.fullmatch("/H[1-6]", tag)]
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))
    assert set(levels) == {1, 2, 3}


def tags_of(node: pikepdf.Object, depth: int = 0) -> Iterator[tuple[int, str]]:
    """The structure tree, flat: depth and tag."""
    children = node.get("/K", [])
    for child in children if isinstance(children, pikepdf.Array) else [children]:
        if isinstance(child, pikepdf.Dictionary) and "/S" in child:
            yield depth, str(child.S)
            yield from tags_of(child, depth + 1)


def test_all_tables_list_the_same_readings(demo: dict[str, bytes]) -> None:
    lines = [json.loads(line) for line in demo["table.jsonl"].splitlines()]
    cells = list(csv.DictReader(io.StringIO(demo["table.csv"].decode("utf-8"))))
    assert [row.get("value", "") for row in lines] == [row["value"] for row in cells]
    assert [row["unit"] for row in lines] == [row["unit"] for row in cells]
    note, *records = json.loads(demo["table.senml"])
    assert len(records) == sum("value" in row for row in lines)
    missing = len(lines) - len(records)
    assert note["vs"] == f"digits as displayed are lost here; left out: {missing} over"


def test_others_find_no_fault_in_the_file(demo: dict[str, bytes], tmp_path: Path) -> None:
    path = tmp_path / "report.pdf"
    path.write_bytes(demo["report.pdf"])
    found = subprocess.run(["qpdf", "--check", path], check=True, capture_output=True, text=True)
    assert "No syntax or stream encoding errors found" in found.stdout
    info = subprocess.run(["pdfinfo", path], check=True, capture_output=True, text=True).stdout
    assert "Tagged:          yes" in info


def test_the_first_page_answers_who_where_what_and_what_went_wrong(
    demo: dict[str, bytes], tmp_path: Path
) -> None:
    page = first_page(demo["report.pdf"], tmp_path)
    for said in (
        "This is supporting evidence. It is not a statutory certificate",
        "Figures read from a multimeter are indicative",
        "4 Larch Row, Underhill (an invented house)",
        "Who R. Ashdown",
        "2026-11-25 10:00:00 to 2026-11-25 10:05:",
        "All 16 steps hold, and so do relations between them: 2.",
        "Practice job",
        "Earth continuity at the valve body, attempt 1: fail 2.03 ± ",
        "(mended: earth core loose under the valve cover, remade)",
        "Link to meter lost",
        "no calibration stated",
        "Never measure ohms on a live circuit.",
    ):
        assert said in page, said


def test_declarations_are_quoted_as_declarations(demo_text: str) -> None:
    assert (
        "R. Ashdown declared “Indicator proved before” at 2026-11-25 10:00:20 UTC and “Indicator "
        "proved again” at 10:00:36, both times with indicator: indicator 07, proving source: "
        "proving unit." in demo_text
    )
    for word in ("is dead", "is safe", "is isolated"):
        place = demo_text.find(word)
        while place >= 0:  # only where it is said what the report does not say
            before = demo_text[max(0, place - 60) : place]
            assert "never proves that" in before or "not judge that" in before, before
            place = demo_text.find(word, place + 1)


def test_the_last_page_says_how_to_check_with_what_is_at_hand(
    demo: dict[str, bytes], tmp_path: Path
) -> None:
    with pikepdf.open(io.BytesIO(demo["report.pdf"])) as pdf:
        last = str(len(pdf.pages))
    page = text_of(demo["report.pdf"], tmp_path, "-layout", "-f", last)
    for command in ("sha256sum --strict -c sha256sums", "openssl cms -verify", "unzip job-1.asice"):
        assert command in page


def test_text_of_a_person_is_never_markup(tmp_path: Path) -> None:
    hostile = '#import "x": * $a$ *b* _c_ @d <e> `f` [g] \\h // i /* j'
    turned = "abc\u202edef\u200b\x1b[31m \u4e2d Ωλ Иван"
    files = plain_job(who="#panic()", where=f"{hostile} {turned}")
    page = first_page(render(files), tmp_path)
    assert hostile in page
    assert "abc\\u{202e}def\\u{200b}\\u{1b}[31m \\u{4e2d} Ωλ Иван" in page


@given(st.text(max_size=80), st.text(max_size=80), st.text(min_size=1, max_size=80))
@example("", " ", "\ud7ff\ue000\uffff")
@example("\n\r\t", "\u2028", "\U0001f9ea")
def test_no_text_keeps_a_report_from_being_set(who: str, where: str, title: str) -> None:
    """Or a job could be kept from being exported by what somebody types."""
    quoted = json.dumps(title, ensure_ascii=True).replace("\\ud", "\\\\ud")
    job = Job(PROCEDURE.replace('"One step"', quoted) + STEP, who=who, where=where)
    job.tell("begin", step="earth")
    assert render(job.close()).startswith(b"%PDF-")


def test_a_long_word_is_broken_and_a_long_text_is_cut(tmp_path: Path) -> None:
    page = first_page(render(plain_job(where="w" * 5000)), tmp_path)
    assert "[and 4000 characters more]" in page
    assert max(map(len, page.split())) < 100


def test_every_letter_that_is_set_is_in_the_fonts() -> None:
    """Typst refuses to write PDF/A with a glyph missing, so this shows that none is."""
    letters = [chr(code) for low, high in wording._SHOWN for code in range(low, high + 1)]
    shown = [text for text in map(wording.plain, letters) if "\\u{" not in text]
    assert len(shown) > 1500
    for start in range(0, len(shown), 900):
        where = " ".join("".join(shown[n : n + 15]) for n in range(start, start + 900, 15))
        assert render(plain_job(where=where)).startswith(b"%PDF")


def test_an_overdue_instrument_and_why_it_was_used_stand_on_the_first_page(tmp_path: Path) -> None:
    files = plain_job(meter=OVERDUE | {"override": "no other here"})
    page = first_page(render(files), tmp_path)
    assert "Bench 4: overdue (calibration due 2026-01-31); used all the same: no other here" in page


def test_refusals_limitations_and_takings_over_stand_on_the_first_page(tmp_path: Path) -> None:
    other = STEP.replace('"earth"', '"neutral"').replace("Earth at", "Neutral at")
    job = Job(PROCEDURE + STEP + other)
    job.tell("begin", step="neutral")
    job.tell("limit", step="earth", reason="boxed in", agreed="the owner")
    job.put("operator", {"by": "B. Second"})
    page = first_page(render(job.close("B. Second")), tmp_path)
    assert "Neutral at the spur: not asked now, expected measure earth" in page
    assert "Earth at the spur: boxed in; agreed with the owner" in page
    assert "Neutral at the spur: not reached" in page
    assert "A. Person, then B. Second" in page
    assert "0 of 2 steps hold, 2 without a result." in page


def test_values_that_do_not_fit_together_fail_the_job_in_words(tmp_path: Path) -> None:
    again = STEP.replace('"earth"', '"later"').replace("Earth at", "Later at")
    job = Job(PROCEDURE + STEP + again + RELATION)
    for step, shown in (("earth", "0.31"), ("later", "0.80")):
        job.tell("begin", step=step)
        job.show([shown] * 40)
    pdf = render(job.close())
    page = first_page(pdf, tmp_path)
    assert "2 of 3 steps and relations between them hold, 1 fail." in page
    assert "The same twice" in page.partition("What fails")[2][:20]
    assert "The same twice FAIL. Source: none: a test." in text_of(pdf, tmp_path)


def test_a_proof_is_told_only_where_it_was_declared_again(tmp_path: Path) -> None:
    job = Job(PROCEDURE + PROVED)
    job.tell("act", act="proved", answers={"indicator": "07"})
    job.tell("act", act="seen", answers={"indicator": "07"})
    text = text_of(render(job.close()), tmp_path)
    assert "None was declared." in text
    assert "A. Person declared: Indicator proved before (indicator: 07)." in text

    job = Job(PROCEDURE + PROVED)
    for act in ("proved", "seen", "proved-again"):
        job.tell("act", act=act, answers={"indicator": "07"})
    text = text_of(render(job.close()), tmp_path)
    assert "both times with indicator: 07. In between, as declared: Line to earth: no" in text


def test_a_clock_that_nobody_set_right_is_told(tmp_path: Path) -> None:
    files = plain_job(synced=False)
    page = first_page(render(files), tmp_path)
    assert "The clock was not synchronised in" in page


def test_a_log_is_told_by_its_days(tmp_path: Path) -> None:
    step = STEP.replace('"1 Ohm" }', '"5 V" }\nlog = { lasting = "20 min", mean = "10 min" }')
    step = step.replace('"resistance"', '"voltage"').replace('"none"', '"ac"')
    job = Job(PROCEDURE + step)
    job.tell("begin", step="earth")
    job.show(["1.3", "1.1"] * 2000, "volts-ac")  # two thousand seconds
    text = text_of(render(job.close()), tmp_path)
    assert "2 of 2 means, 1.20 to 1.20 V; 0 gaps, 0 events" in text
    assert "2026-11-18: 2 of 2 means" in text


def test_a_long_job_is_set_in_full(tmp_path: Path) -> None:
    job = Job()
    for _ in range(120):
        job.tell("begin", step="earth")
        job.show(["1.31", "1.90"] * 62)
    pdf = render(job.close())
    text = text_of(pdf, tmp_path)
    attempts = sum(claim["claim"] == "attempt" for claim in job.derivation.claims)
    assert attempts > 0
    assert all(f"Attempt {number}, " in text for number in range(1, attempts + 1))
    assert len(pdf) < 2_000_000


def test_a_record_with_a_report_is_whole_and_another_report_is_not_believed() -> None:
    rows, job = signedjob.rows(), smalljob.JOB
    places = [n for n, row in enumerate(rows) if row.job == job]
    part, before = rows[places[0] : places[-1] + 1], smalljob.frontier(rows[: places[0]])
    data = seal.seal(
        part, job, smalljob.SOFTWARE, before, signedjob.DEVICE, lambda _: b"%PDF-1.7 as rendered"
    )
    derive = smalljob.derive
    report = verify(data, "job-2.asice", derive, signedjob.TRUST)
    assert report.is_whole, report.reasons
    for change in (b"%PDF-1.7 as pleases", b""):
        forged = container.unpack(data) | {"report.pdf": change}
        report = verify(container.pack(forged), "job-2.asice", derive, signedjob.TRUST)
        assert (report.exit, report.reasons) == (4, ["member report.pdf differs from its digest"])
