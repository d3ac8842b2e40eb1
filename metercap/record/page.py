"""The layout of the report, in typst: where each text of the data goes, and no text from a job.

Everything that comes from a job is read as data and set as it stands; nothing of it is markup.
"""

from __future__ import annotations

TYPST = "0.15.2"
"""The layout may change with the version, and with it the bytes."""

NATURE = (
    "This is supporting evidence. It is not a statutory certificate and does not replace one.",
    (
        "Figures read from a multimeter are indicative: they do not stand for the tests that a "
        "statutory form wants from a dedicated instrument."
    ),
    (
        "A meter reading never proves that a conductor is dead. Only a person does that, on the "
        "spot, with a voltage indicator that was proved before and after; what the person declared "
        "is quoted here as a declaration, and nothing more."
    ),
)
HEADS = {
    "who": "Who, where, what",
    "result": "Result",
    "notices": "What did not go straight, or was passed over",
    "cautions": "Cautions that were shown before the first step",
    "results": "Results by step",
    "proofs": "Proofs by indicator, as declared",
    "course": "Course of the visit",
    "steps": "Each step in full",
    "relations": "Values that belong together",
    "instruments": "Instruments and calibration",
    "clock": "The recorder's clock",
    "definitions": "What the job was done by",
    "check": "How to check this without our program",
}

LAYOUT = rb"""
#let d = json("report.json")
#set document(title: d.title, author: d.author)
#set page(
  paper: "a4",
  margin: (x: 19mm, top: 20mm, bottom: 19mm),
  footer: context [
    #set text(size: 8pt, fill: luma(80))
    #d.footer #h(1fr) page #counter(page).display() of #counter(page).final().first()
  ],
)
#set text(font: ("Libertinus Serif", "New Computer Modern", "DejaVu Sans Mono"), size: 10pt,
  lang: "en", region: "GB", hyphenate: false)
#set par(leading: 0.55em, spacing: 0.75em)
#set table(stroke: none, inset: (x: 4pt, y: 3pt))
#show heading.where(level: 1): it => block(above: 1.3em, below: 0.6em,
  text(size: 13pt, weight: "bold", it.body))
#show heading.where(level: 2): it => block(above: 1.5em, below: 0.5em, sticky: true,
  text(size: 11pt, weight: "bold", it.body))
#show heading.where(level: 3): it => block(above: 0.9em, below: 0.45em, sticky: true,
  text(size: 10pt, weight: "regular", it.body))
#let faint(body) = text(fill: luma(70), body)
#let small(body) = text(size: 8.5pt, body)
#let rule = table.hline(stroke: 0.6pt + luma(90))
#let hair = (_, y) => if y > 0 { (top: 0.3pt + luma(190)) }
#let verdict(v) = if v in ("pass", "conditional pass") { strong(v) } else {
  text(fill: rgb("#8a1010"), strong(upper(v)))
}
// Not a table: that would need a head, which the first column cannot be.
#let named(rows) = grid(
  columns: (31mm, 1fr), inset: (x: 4pt, y: 3pt),
  ..rows.map(row => (faint(row.at(0)), row.at(1))).flatten(),
)

#block(below: 0.4em, faint[#d.kind])
#title(text(size: 19pt, d.title))
#block(width: 100%, stroke: (left: 2.5pt + luma(60)), inset: (left: 8pt, y: 3pt), small[
  #for line in d.nature [#line ]
])

= #d.head.who
#named(d.facts)

= #d.head.result
#block(below: 0.5em, text(size: 12pt, weight: "bold", d.result))
#d.counts

= #d.head.notices
#if d.notices.len() == 0 [#d.none]
#for notice in d.notices [
  #block(above: 0.65em, below: 0.45em, sticky: true, strong(notice.at(0)))
  #small(list(marker: [\u{2013}], spacing: 0.4em, ..notice.at(1)))
]

#if d.cautions.len() > 0 [= #d.head.cautions]
#small(list(marker: [\u{2013}], spacing: 0.4em, ..d.cautions))

= #d.head.results
#table(
  columns: (auto, 2.1fr, 1.2fr, 1.2fr, auto, 0.9fr), stroke: hair,
  table.header(..d.results.head.map(strong), rule),
  ..d.results.rows.map(row => (
    row.at(0), row.at(1), row.at(2), row.at(3), verdict(row.at(4)), small(row.at(5)),
  )).flatten(),
)

= #d.head.proofs
#d.proofs.say
#for proof in d.proofs.lines [
  #block(above: 0.7em, below: 0.4em, proof)
]

= #d.head.course
#table(
  columns: (auto, 1fr), stroke: hair,
  table.header(..d.course.head.map(strong), rule),
  ..d.course.rows.map(row => (
    row.at(0), [#if row.at(1) != "" [#strong(row.at(1)) ]#row.at(2)],
  )).flatten(),
)

= #d.head.steps
#for step in d.steps [
  == #step.title
  #block(above: 0.4em, below: 0.55em, sticky: true)[
    #verdict(step.verdict)#if step.why != "" [ (#step.why)]. #step.expect]
  #block(above: 0.55em, below: 0.6em, sticky: true, small(faint[#step.do #step.source]))
  #if step.caution != "" [#small[#parbreak()#step.caution]]
  #for attempt in step.attempts [
    #block(breakable: false, width: 100%, above: 1.2em)[
      #heading(level: 3)[#attempt.title #h(0.3em) #verdict(attempt.verdict) #h(0.3em)
        #strong(attempt.value) #if attempt.limit != "" [#faint[(#attempt.limit)]]]
      #if attempt.why != "" [#block(above: 0.2em, below: 0.4em, attempt.why)]
      #if attempt.svg != "" [
        #image(bytes(attempt.svg), format: "svg", width: 92%, alt: attempt.alt)
      ]
      #small[#for line in attempt.lines [#line ]]
      #if attempt.days.len() > 0 [#small(list(marker: [\u{2013}], spacing: 0.4em, ..attempt.days))]
    ]
  ]
]

#if d.relations.len() > 0 [= #d.head.relations]
#for relation in d.relations [
  == #relation.title
  #block(above: 0.4em, below: 0.55em, sticky: true)[
    #verdict(relation.verdict)#if relation.why != "" [ (#relation.why)].
    #small(faint(relation.source))]
  #small(list(marker: [\u{2013}], spacing: 0.4em, ..relation.lines))
]

= #d.head.instruments
#for meter in d.instruments [
  #block(breakable: false)[
    == #meter.title
    #named(meter.rows)
  ]
]

= #d.head.clock
#for line in d.clock [#line #parbreak()]

= #d.head.definitions
#for line in d.definitions [
  #block(above: 0.6em, below: 0.3em)[#line.at(0) \
    #text(font: "DejaVu Sans Mono", size: 7.5pt, line.at(1))]
]

#pagebreak(weak: true)
= #d.head.check
#for part in d.check [
  #block(above: 0.9em, below: 0.4em, part.at(0))
  #if part.at(1) != "" [
    #block(width: 100%, fill: luma(243), inset: 6pt, below: 0.6em,
      raw(part.at(1), block: true))
  ]
]
"""


def checking(name: str, entries: str, root: str) -> list[tuple[str, str]]:
    """How to check a record, in steps of (what, commands); `root` is of its log, in hex."""
    return [
        (
            (
                "This document is a rendering. What rules is the record that it stands in: a ZIP "
                f"file, {name}, which holds every frame as the meter sent it, every declaration, "
                "the procedure and this document, under a signature. Its readme.txt explains all "
                "of it. Get the firm's root certificate (root.pem) from the firm, not from the "
                "record."
            ),
            "",
        ),
        (
            (
                "1. Unpack the record into an empty directory, and compare this document with the "
                "one inside."
            ),
            f"unzip {name}\ncmp report.pdf THIS-DOCUMENT.pdf",
        ),
        (
            "2. Each member is what the list of digests says. Every line must end in OK.",
            "sha256sum --strict -c sha256sums",
        ),
        (
            (
                "3. The recorder's signature over the list of digests. It must say: CAdES "
                "Verification successful"
            ),
            (
                "openssl cms -verify -binary -cades -inform DER \\\n"
                "    -in META-INF/signature001.p7s -content META-INF/ASiCManifest001.xml \\\n"
                "    -CAfile root.pem -out /dev/null"
            ),
        ),
        (
            (
                "4. The list that was signed names the list of digests. The command must print the "
                "DigestValue that stands for sha256sums in META-INF/ASiCManifest001.xml."
            ),
            "openssl dgst -sha256 -binary sha256sums | openssl base64",
        ),
        (
            (
                f"5. The record holds entries {entries} of the recorder's log. After the last of "
                "them the log had this Merkle root (RFC 6962); checkpoint.txt has its size in the "
                "second line and the root in the third, in base64."
            ),
            root,
        ),
        (
            (
                "With our program, all of this is checked, and each reading and each verdict is "
                "worked out again from the frames:"
            ),
            f"metercap verify {name} --root root.pem",
        ),
        (
            (
                "Letters that the font of this document lacks, or that would turn the direction of "
                "writing, stand as \\u{...} with their Unicode number; the record holds them as "
                f"they were. Set with typst {TYPST} as PDF/A-3a and PDF/UA-1."
            ),
            "",
        ),
    ]
