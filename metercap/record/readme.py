"""The plain words that stand in every record, for whoever opens it without us.

Each text belongs to a version of the record: a verifier compares it byte for byte, so changing one
letter of it needs a new version number in job.json.
"""

_UNSIGNED = b"""\
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

_SIGNED = b"""\
RECORD OF ELECTRICAL TESTS

This file holds one job: what a meter sent, what a person did, saw and declared, and the verdicts
that a program drew from it. It is a ZIP file whose members are stored unpacked, so any ZIP program
opens it.

WHAT IT IS NOT

It is supporting evidence. It is not a statutory certificate and does not replace one.
A meter reading never proves that a conductor is dead. Only a person does that, on the spot, with a
voltage indicator that was proved before and after; what the person declared is recorded here as a
declaration, and nothing more.
The signature is the recorder's. It shows that nothing was changed afterwards, and which recorder
made it. It cannot show that the probes were where the person says, that the meter was the one
named, or that whoever holds the recorder's own key did not write the log anew before anybody else
saw a checkpoint of it.

THE MEMBERS

mimetype            the kind of container (ETSI EN 319 162-1)
job.json            a summary: number of the job, who, where, procedure, drivers, the result for
                    each step, and the place of the job in the recorder's log
heads.jsonl         one line for each entry of the log since the job that was closed before this
                    one, those of other jobs too: number, kind, times, hash of the head before,
                    hash of the body
bodies.jsonl        one line for each entry of this job and of the recorder itself, in the same
                    order: raw frames as received, acts, observations, claims, checkpoints
checkpoint.txt      size and Merkle root (RFC 6962) of the log with the last of these entries,
                    signed by the recorder (C2SP signed-note)
previous.txt        the same for the log before the first of these entries, unless that is entry 1;
                    the record of the job before ends with the same size and root
procedure.json      the sequence that was followed, with its limits and their sources
driver-NAME.json    how a meter's bytes were turned into readings
report.pdf          if there is one: the same as a document to read; the entries rule, not it
readme.txt          this text
sha256sums          SHA-256 of all members above
META-INF            the recorder's signature (CAdES, ETSI EN 319 122-1) over a list of digests, and
                    what was added later: time-stamps (RFC 3161) and approvals, each over a list of
                    the digests of everything before it

Times: utc is the recorder's wall clock, and sync says whether something kept it right at that
moment; bt counts nanoseconds since the recorder started (boot), and cannot be set. Only a
time-stamp is proof of time from outside.
Readings are kept as the digits that the meter showed.

HOW TO CHECK IT WITHOUT OUR PROGRAM

Get the firm's root certificate (root.pem) and the root of the time-stamp authority (tsa-root.pem)
from the firm and from the authority, never from a record, and compare their SHA-256 with what is
printed. Unpack the record into an empty directory, put both files there, then:

1. The recorder's signature over the list of digests. It must say: CAdES Verification successful

    openssl cms -verify -binary -cades -inform DER \\
        -in META-INF/signature001.p7s -content META-INF/ASiCManifest001.xml \\
        -CAfile root.pem -out /dev/null

2. The members. Every line must end in OK; then the second command must print the DigestValue that
   stands for sha256sums in META-INF/ASiCManifest001.xml.

    sha256sum --strict -c sha256sums
    openssl dgst -sha256 -binary sha256sums | openssl base64

3. The time, if META-INF/timestamp001.tst is there. ASiCManifest002.xml is the list that it covers,
   if that list names it in its first lines; else take the one that does. It must say:
   Verification: OK

    openssl ts -verify -token_in -in META-INF/timestamp001.tst \\
        -data META-INF/ASiCManifest002.xml -CAfile tsa-root.pem
    openssl ts -reply -token_in -in META-INF/timestamp001.tst -text | grep 'Time stamp'

   A recorder's certificate that has run out since then makes step 1 fail. Give it the time that is
   proved here, as seconds since 1970, by -attime.

4. The checkpoint. It must say: Verified OK

    openssl pkcs7 -inform DER -in META-INF/signature001.p7s -print_certs -out recorder.pem
    openssl x509 -in recorder.pem -noout -pubkey > recorder-key.pem
    sed '/^$/,$d' checkpoint.txt > body
    tail -n 1 checkpoint.txt | cut -d ' ' -f 3 | base64 -d | tail -c +5 > signature
    openssl dgst -sha256 -verify recorder-key.pem -signature signature body

5. The log. In heads.jsonl, "seq" must rise by one from line to line. "prev" is the SHA-256 of a
   zero byte followed by the line before it, without its line end:

    (printf '\\000'; sed -n 1p heads.jsonl | tr -d '\\n') | sha256sum

   must print the "prev" of line 2, and so on. "body" in heads.jsonl is the SHA-256 of the line that
   belongs to it in bodies.jsonl.

HOW TO CHECK IT WITH OUR PROGRAM

    metercap verify FILE --root root.pem --tsa-root tsa-root.pem

It checks all of the above and the whole log, turns every frame into a reading again by the driver
in this file, runs the sequence again by the procedure in this file, and compares each verdict with
the one recorded. It answers with an exit code: 0 valid, 1 valid with reservations, 3 not a record,
4 altered, 5 incomplete, 6 not from anybody who is trusted, 7 unsigned, 8 a verdict differs.
"""

READMES = {1: _UNSIGNED, 2: _SIGNED}
"""The text of each version of the record."""
