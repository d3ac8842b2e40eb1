"""The plain words that stand in every record, for whoever opens it without us.

The text belongs to version 1 of the record: a verifier compares it byte for byte, so changing one
letter of it needs a new version number in job.json.
"""

README = b"""\
RECORD OF ELECTRICAL TESTS

This file holds one job: what a meter sent, what a person did, saw and declared, and the verdicts
that a program drew from it. It is a ZIP file whose members are stored unpacked, so any ZIP program
opens it.

WHAT IT IS NOT

It is supporting evidence. It is not a statutory certificate and does not replace one.
A meter reading never proves that a conductor is dead. Only a person does that, on the spot, with a
voltage indicator that was proved before and after; what the person declared is recorded here as a
declaration, and nothing more.
This record is unsigned. The checks below find damage and careless changes, but nothing in the file
shows who made it, and somebody who made every part of it anew would not be found out.

THE MEMBERS

mimetype            the kind of container (ETSI EN 319 162-1)
job.json            a summary: number of the job, who, where, procedure, drivers, the result for
                    each step, and the place of the job in the recorder's log
heads.jsonl         one line for each entry of the log from the job's first to its last, those of
                    other jobs too: number, kind, times, hash of the head before, hash of the body
bodies.jsonl        one line for each entry of this job and of the recorder itself, in the same
                    order: raw frames as received, acts, observations, claims
procedure.json      the sequence that was followed, with its limits and their sources
driver-NAME.json    how a meter's bytes were turned into readings
readme.txt          this text
sha256sums          SHA-256 of all other members

Times: utc is the recorder's wall clock, and sync says whether something kept it right at that
moment; bt counts nanoseconds since the recorder started (boot), and cannot be set.
Readings are kept as the digits that the meter showed.

HOW TO CHECK IT WITHOUT OUR PROGRAM

Unpack it into an empty directory, then:

    sha256sum --strict -c sha256sums

Every line must end in OK. In heads.jsonl, "seq" must rise by one from line to line. "prev" is the
SHA-256 of a zero byte followed by the line before it, without its line end:

    (printf '\\000'; sed -n 1p heads.jsonl | tr -d '\\n') | sha256sum

must print the "prev" of line 2, and so on. "body" is the SHA-256 of the line in bodies.jsonl:

    sed -n 1p bodies.jsonl | tr -d '\\n' | sha256sum

HOW TO CHECK IT WITH OUR PROGRAM

    metercap verify FILE

It checks all of the above, turns every frame into a reading again by the driver in this file, runs
the sequence again by the procedure in this file, and compares each verdict with the one recorded.
For a record without a signature it ends with exit code 7 when all else is in order.
"""
