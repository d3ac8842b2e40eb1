"""What is asked to what a person answers: typed at a keyboard, or read from a script.

A deed is the kind and body of a journal entry; whether it is accepted is for the sequence to say.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Mapping, Sequence
from typing import NamedTuple, Protocol

from metercap.errors import OperatorError
from metercap.keyboard import Keyboard
from metercap.procedure.description import Act, Procedure
from metercap.sequence.effect import Ask, Signal
from metercap.sequence.played import answers_as_asked
from metercap.sequence.walk import AGAIN, FINISH_LOG
from metercap.terminal import Board, printable

NOT_TESTED = "not tested"


class Deed(NamedTuple):
    """What the person does; the body lacks only who."""

    kind: str
    body: dict[str, object]


class Person(Protocol):
    """Somebody who answers."""

    async def answer(self, ask: Ask) -> Deed:
        """Answer what is asked, in the person's own time; raises OperatorError."""
        ...


async def _never() -> Deed:
    """Wait until cancelled: the readings alone will end the step."""
    waiting: asyncio.Future[Deed] = asyncio.get_running_loop().create_future()
    return await waiting


def _given_before(claims: Sequence[Mapping[str, object]]) -> dict[str, dict[str, str]]:
    """The answers of each act that was declared before the job was taken up again."""
    return {
        str(claim["act"]): dict(claim["answers"])  # type: ignore[call-overload]  # an act's answers are an object
        for claim in claims
        if claim["claim"] == "act"
    }


class ScriptedPerson:
    """Answers from the lines of a script, one JSON object each, strictly in order.

    Lines: {"acts": "as asked"}, {"act": ID, "answers": {...}}, {"begin": STEP},
    {"observe": STEP, "answer": TEXT}, {"enter": STEP, "value": AMOUNT, ...}, {"choose": WHAT},
    {"limit": STEP, "reason": TEXT, "agreed": TEXT}. Raises OperatorError for other lines.
    """

    _KEYS = ("acts", "act", "begin", "observe", "enter", "choose", "limit")

    def __init__(self, text: str, where: str, procedure: Procedure, board: Board) -> None:
        self._where = where
        self._procedure = procedure
        self._board = board
        self._given = _given_before(board.claims)
        self._lines = [
            self._read(number, line)
            for number, line in enumerate(text.splitlines(), 1)
            if line.strip()
        ]

    def _read(self, number: int, line: str) -> tuple[int, dict[str, object]]:
        try:
            said = json.loads(line)
        except ValueError as error:
            raise OperatorError(f"{self._where} line {number}: not JSON: {error}") from error
        if not isinstance(said, dict) or sum(key in said for key in self._KEYS) != 1:
            raise OperatorError(
                f"{self._where} line {number}: found {line.strip()[:60]!a}, expected an object "
                f"with one of {', '.join(self._KEYS)}"
            )
        return number, said

    async def answer(self, ask: Ask) -> Deed:
        """Give the next line if it is for what is asked."""
        if self._lines and "acts" in self._lines[0][1] and ask.what != "act":
            self._lines.pop(0)
        if not self._lines:
            if ask.what == "measure":
                return await _never()
            raise OperatorError(f"{self._where}: ends while {ask.what} {ask.id} is asked")
        number, said = self._lines[0]
        if ask.what == "measure" and said.get("limit") != ask.id:
            return await self._begin(ask, said)
        deed = self._deed(ask, said)
        if deed is None:
            raise OperatorError(
                f"{self._where} line {number}: found {json.dumps(said)[:80]}, but "
                f"{ask.what} {ask.id} is asked"
            )
        if "acts" not in said:
            self._lines.pop(0)
        return deed

    def _deed(self, ask: Ask, said: dict[str, object]) -> Deed | None:
        """What a line does about what is asked; None where it is about something else."""
        if "limit" in said:
            reasons = {key: str(said.get(key, "")) for key in ("reason", "agreed")}
            return Deed("limit", {"step": str(said["limit"]), **reasons})
        if ask.what == "act" and ("acts" in said or said.get("act") == ask.id):
            answers = said.get("answers", {})
            return self._declare(ask.id, dict(answers) if isinstance(answers, dict) else {})
        if ask.what == "observe" and said.get("observe") == ask.id:
            return Deed("observe", {"step": ask.id, "answer": str(said.get("answer", ""))})
        if ask.what == "enter" and said.get("enter") == ask.id:
            stated = {key: str(text) for key, text in said.items() if key != "enter"}
            return Deed("observe", {"step": ask.id, "answer": stated})
        if ask.what == "choose" and "choose" in said:
            return Deed("choose", {"what": str(said["choose"])})
        return None

    def _declare(self, name: str, answers: dict[str, str]) -> Deed:
        act = self._procedure.find_act(name)
        if act is None:
            raise OperatorError(f"{self._where}: act {name!r}: not in this procedure")
        whole = answers_as_asked(act, self._given) | answers
        self._given[name] = whole
        return Deed("act", {"act": name, "answers": dict(whole)})

    async def _begin(self, ask: Ask, said: dict[str, object]) -> Deed:
        """Say that the probes are on as soon as the sequence waits for just that."""
        if said.get("begin") != ask.id:
            return await _never()
        while self._board.signal is not Signal.PROBES_OFF:
            self._board.moved.clear()
            await self._board.moved.wait()
        self._lines.pop(0)
        return Deed("begin", {"step": ask.id})


_ABANDON = "q"


class _Abandoned(Exception):
    """The person typed that the job ends here."""


class TypingPerson:
    """Answers by keyboard: a line at a time, and never more than one question at once.

    At a terminal, what was typed before a question was put is no answer to it and is let go; lines
    from a file or a pipe are taken in order.
    """

    def __init__(self, procedure: Procedure, board: Board) -> None:
        self._procedure = procedure
        self._board = board
        self._say = board.say
        self._keyboard = Keyboard()
        self._begun = ""
        self._say("Answer by number, or in words where no numbers are shown, then Enter.")
        self._say("q at any question abandons the job; n at a step leaves it not tested.")

    async def _line(self) -> str:
        typed = await self._keyboard.line()
        if typed is None:
            raise OperatorError("keyboard: closed while something was asked")
        if typed == _ABANDON:
            raise _Abandoned
        return typed

    async def answer(self, ask: Ask) -> Deed:
        """Put the question, and read what is typed."""
        self._keyboard.let_go(_ABANDON)
        try:
            return await self._answer(ask)
        except _Abandoned:
            return Deed("choose", {"what": "abandon"})
        finally:
            self._board.hold_still(False)

    async def _answer(self, ask: Ask) -> Deed:
        match ask.what:
            case "act":
                return await self._declare(self._procedure.find_act(ask.id))
            case "measure":
                return await self._stand_by(ask)
            case "observe":
                return await self._observe(ask)
            case "enter":
                return await self._enter(ask.id)
        what = await self._pick("What next?", (*ask.options, NOT_TESTED, "abandon"))
        if what == NOT_TESTED:
            return await self._limit(ask.id)
        return Deed("choose", {"what": what})

    async def _observe(self, ask: Ask) -> Deed:
        seen = await self._pick("What do you see?", (*ask.options, NOT_TESTED))
        if seen == NOT_TESTED:
            return await self._limit(ask.id)
        return Deed("observe", {"step": ask.id, "answer": seen})

    async def _declare(self, act: Act | None) -> Deed:
        if act is None:
            raise OperatorError("an act is asked that the procedure does not have")
        self._say(act.title, "bold")
        self._say(f"    {act.do}", "dim")
        if act.caution:
            self._say(f"    Caution: {act.caution}", "yellow")
        answers = {}
        for question in act.ask:
            if question.answers:
                answers[question.field] = await self._pick(question.prompt, question.answers)
            else:
                answers[question.field] = await self._words(question.prompt)
        if not act.ask:
            self._say("    Enter when it is done.")
            await self._line()
        return Deed("act", {"act": act.id, "answers": answers})

    async def _words(self, prompt: str) -> str:
        """Put a question until there is an answer to it."""
        self._board.hold_still(True)
        while True:
            self._say(f"    {prompt}")
            if typed := await self._line():
                return typed

    async def _stand_by(self, ask: Ask) -> Deed:
        step = self._procedure.find_step(ask.id)
        by_contact = step is not None and step.start == "contact"
        ends_log = FINISH_LOG in ask.options
        if self._begun != ask.id:
            how = "It begins by itself." if by_contact else "Enter when the probes are on."
            self._say(f"    {how}")
            if ends_log:
                self._say(f"    It ends by itself when its time is over; e to {FINISH_LOG} before.")
        while True:
            typed = await self._line()
            if ends_log and typed == "e":
                return Deed("choose", {"what": FINISH_LOG})
            if typed == "n":
                return await self._limit(ask.id)
            if not typed and not by_contact:
                self._begun = ask.id
                return Deed("begin", {"step": ask.id})

    async def _enter(self, name: str) -> Deed:
        step = self._procedure.find_step(name)
        at = step.entered.at if step and step.entered else None
        value = await self._words(
            "The value and its unit, with > before it where the range ended (n: not tested)?"
        )
        if value == "n":
            return await self._limit(name)
        said = {
            "value": value,
            "instrument": await self._words("Read from which instrument?"),
            "serial": await self._words("Its own number?"),
        }
        if at is not None:
            said["at"] = await self._words(f"Taken at which setting ({at} is wanted)?")
        doubt = await self._words("Its uncertainty for k = 2 with the unit, or n for not stated?")
        if doubt != "n":
            said["uncertainty"] = doubt
        said["reason"] = await self._words("Why is it entered by hand?")
        return Deed("observe", {"step": name, "answer": said})

    async def _limit(self, step: str) -> Deed:
        reason = await self._words("Why is it not tested?")
        agreed = await self._words("With whom was that agreed?")
        return Deed("limit", {"step": step, "reason": reason, "agreed": agreed})

    async def _pick(self, prompt: str, options: tuple[str, ...]) -> str:
        self._board.hold_still(True)
        self._say(f"    {prompt}")
        for number, option in enumerate(options, 1):
            act = self._procedure.find_act(option)
            name = "try it again" if option == AGAIN else act.title if act else option
            self._say(f"      {number}) {name}")
        while True:
            typed = await self._line()
            if typed.isdecimal() and 1 <= int(typed) <= len(options):
                return options[int(typed) - 1]
            if typed == "n" and NOT_TESTED in options:
                return NOT_TESTED
            found = printable(typed)
            self._say(f"    found {found!r}, expected a number from 1 to {len(options)}", "red")
