"""What is asked to what a person answers: typed at a keyboard, or read from a script.

A deed is the kind and body of a journal entry; whether it is accepted is for the sequence to say.
"""

from __future__ import annotations

import asyncio
import json
import sys
import threading
from collections.abc import Callable
from typing import NamedTuple, Protocol

from metercap.errors import OperatorError
from metercap.procedure.description import Act, Procedure
from metercap.sequence.effect import Ask, Signal
from metercap.sequence.rehearse import answers_as_asked
from metercap.sequence.walk import AGAIN
from metercap.terminal import Board, printable


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


class ScriptedPerson:
    """Answers from the lines of a script, one JSON object each, strictly in order.

    Lines: {"acts": "as asked"}, {"act": ID, "answers": {...}}, {"begin": STEP},
    {"observe": STEP, "answer": TEXT}, {"choose": WHAT},
    {"limit": STEP, "reason": TEXT, "agreed": TEXT}. Raises OperatorError for other lines.
    """

    _KEYS = ("acts", "act", "begin", "observe", "choose", "limit")

    def __init__(self, text: str, where: str, procedure: Procedure, board: Board) -> None:
        self._where = where
        self._procedure = procedure
        self._board = board
        self._given: dict[str, dict[str, str]] = {}
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


class TypingPerson:
    """Answers by keyboard: a line at a time, and never more than one question at once."""

    def __init__(self, procedure: Procedure, say: Callable[[str], None]) -> None:
        self._procedure = procedure
        self._say = say
        self._typed: asyncio.Queue[str | None] = asyncio.Queue()
        loop = asyncio.get_running_loop()

        def read() -> None:
            for line in sys.stdin:
                loop.call_soon_threadsafe(self._typed.put_nowait, line.strip())
            loop.call_soon_threadsafe(self._typed.put_nowait, None)

        threading.Thread(target=read, daemon=True, name="keyboard").start()

    async def _line(self) -> str:
        typed = await self._typed.get()
        if typed is None:
            self._typed.put_nowait(None)
            raise OperatorError("keyboard: closed while something was asked")
        return typed

    async def answer(self, ask: Ask) -> Deed:
        """Put the question, and read what is typed."""
        match ask.what:
            case "act":
                return await self._declare(self._procedure.find_act(ask.id))
            case "measure":
                return await self._stand_by(ask)
            case "observe":
                step = self._procedure.find_step(ask.id)
                self._say(step.do if step else ask.id)
                return Deed(
                    "observe", {"step": ask.id, "answer": await self._pick("seen", ask.options)}
                )
        options = [*ask.options, "not tested", "abandon"]
        what = await self._pick("what next", tuple(options))
        if what == "not tested":
            return await self._limit(ask.id)
        return Deed("choose", {"what": what})

    async def _declare(self, act: Act | None) -> Deed:
        if act is None:
            raise OperatorError("an act is asked that the procedure does not have")
        self._say(f"{act.title}. {act.do}")
        if act.caution:
            self._say(f"Caution: {act.caution}")
        answers = {}
        for question in act.ask:
            if question.answers:
                answers[question.field] = await self._pick(question.prompt, question.answers)
            else:
                self._say(question.prompt)
                answers[question.field] = await self._line()
        if not act.ask:
            self._say("Enter when it is done.")
            await self._line()
        return Deed("act", {"act": act.id, "answers": answers})

    async def _stand_by(self, ask: Ask) -> Deed:
        self._say("Enter: probes are on.  n: not tested.  q: abandon the job.")
        typed = await self._line()
        if typed == "n":
            return await self._limit(ask.id)
        if typed == "q":
            return Deed("choose", {"what": "abandon"})
        return Deed("begin", {"step": ask.id})

    async def _limit(self, step: str) -> Deed:
        self._say("Why is it not tested?")
        reason = await self._line()
        self._say("With whom was that agreed?")
        return Deed("limit", {"step": step, "reason": reason, "agreed": await self._line()})

    async def _pick(self, prompt: str, options: tuple[str, ...]) -> str:
        titles = {option: self._procedure.find_act(option) for option in options}
        names = [
            f"{number} {'try it again' if option == AGAIN else act.title if act else option}"
            for number, (option, act) in enumerate(titles.items(), 1)
        ]
        self._say(f"{prompt}: {',  '.join(names)}")
        while True:
            typed = await self._line()
            if typed.isdecimal() and 1 <= int(typed) <= len(options):
                return options[int(typed) - 1]
            self._say(f"found {printable(typed)!r}, expected a number from 1 to {len(options)}")
