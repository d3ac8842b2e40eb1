"""What a person sees of a relation: while the visit runs, in its table, and in the procedure."""

from __future__ import annotations

import io

from rich.console import Console
from sequence.walking import Visit, library

from metercap.terminal import Board, print_procedure, visit_table

LIVE = library("spur-live-no-demand")


def told(line_neutral: str) -> tuple[str, str]:
    """A visit up to the three voltages at the spur: its lines, and its table."""
    visit = Visit(LIVE)
    visit.until_live()
    for value in ("243.1 V", line_neutral, "0.2 V"):
        visit.live(visit.asked[1], value)
    visit.choose("finish")
    console = Console(file=io.StringIO(), width=200, record=True)
    board = Board(console, LIVE)
    for effect in visit.effects:
        board.listen(effect)
    lines = console.export_text()
    console.print(visit_table(LIVE, visit.claims))
    return lines, console.export_text()


def test_three_voltages_that_fit_are_one_line() -> None:
    lines, table = told("242.8 V")
    assert "pass  The three voltages at the spur fit together\n" in lines
    assert "The three voltages at the spur fit together: pass" in table
    assert "at the programmer fit together: not tested (not reached)" in table


def test_three_voltages_that_do_not_fit_say_by_how_much() -> None:
    lines, table = told("236.1 V")
    assert "fail  The three voltages at the spur fit together\n" in lines
    assert "7.0 less 0.2 is 6.8 V, U = " in lines
    assert "The three voltages at the spur fit together: fail" in table


def test_a_procedure_reads_what_it_compares() -> None:
    console = Console(file=io.StringIO(), width=200, record=True)
    print_procedure(console, LIVE)
    page = console.export_text()
    assert "Compared: The three voltages at the spur fit together" in page
    assert "neutral-earth is Neutral to earth at the spur; drift 0.5 V." in page
