"""What a procedure file says of its circuit: the net, the walk through its states, what follows.

Tables only. `expand` writes a walk out into acts and steps; what a terminal must read is worked out
when a visit has come to it, from the states that were really walked and the supply as measured.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from metercap import units
from metercap.datafile import Table
from metercap.procedure.net import Id, Name, NetFile, Text
from metercap.procedure.pack import Pack

Mode = Literal["ac", "dc"]
LIVE, NOT_LIVE = "live", "not live"


class Circuit(Table):
    """[circuit]: the net, for each of its supplies the step that measures it, and the country.

    `wiring` and `country` are the net's and the pack's own files, put in when the procedure is
    joined, so that a job that pins it can be derived without them.
    """

    net: Id
    supply: dict[Name, Id]
    pack: Id | None = None
    wiring: NetFile | None = None
    country: Pack | None = None


class ClassAt(Table):
    """What the circuit makes of terminal `at`, seen from terminal `to`, in a state."""

    state: Name
    at: Name
    to: Name


class Follows(Table):
    """The right answers by the circuit: by where `motor` stands, or by whether `at` is live.

    The keys of `answers` are the motor's positions, or "live" and "not live".
    """

    state: Name
    motor: Name | None = None
    at: Name | None = None
    to: Name | None = None
    answers: dict[Name, tuple[Text, ...]] = Field(min_length=2)

    @model_validator(mode="after")
    def _whole(self) -> Follows:
        if (self.motor is None) == (self.at is None) or (self.at is None) != (self.to is None):
            raise ValueError("follows: expected either motor, or at and to")
        if self.at is not None and set(self.answers) != {LIVE, NOT_LIVE}:
            raise ValueError(f"follows: answers: expected {LIVE!r} and {NOT_LIVE!r}")
        if not all(self.answers.values()):
            raise ValueError("follows: answers: expected at least one right answer for each")
        return self


class Reads(Table):
    """[[walk.read]]: where the second probe stays, where the first one goes, and in which states.

    Without `states` in all of the walk. `mode` "dc" is for what an appliance puts out itself.
    """

    to: Name
    at: tuple[Name, ...] = Field(min_length=1)
    mode: Mode = "ac"
    states: tuple[Name, ...] = ()
    caution: Text | None = None
    source: Text | None = None


class Watch(Table):
    """[[walk.observe]]: what to look at in the states named, all of the walk where none is.

    The right answers go by `motor`, by `at` and `to`, or are `accept` in all those states.
    """

    id: Id
    title: Text
    do: Text
    states: tuple[Name, ...] = ()
    motor: Name | None = None
    at: Name | None = None
    to: Name | None = None
    answers: dict[Name, tuple[Text, ...]] = Field(default_factory=dict)
    choose: tuple[Text, ...] = ()
    accept: tuple[Text, ...] = ()
    caution: Text | None = None
    source: Text

    @model_validator(mode="after")
    def _whole(self) -> Watch:
        if bool(self.answers) == bool(self.accept):
            raise ValueError(
                f"observe {self.id}: expected answers with motor or at and to, or choose and accept"
            )
        return self


class WalkThrough(Table):
    """[[walk]]: states of the net in order, and what is read and seen in each of them.

    `takes` is how long after its act a state may still move, `time_out` how long a reading may
    take. `purpose` and `caution` are by state. Other keys name all its steps by the walk's own id.
    """

    id: Id
    title: Text
    states: tuple[Name, ...] = ()
    needs: tuple[Id, ...] = ()
    read: tuple[Reads, ...] = Field(min_length=1)
    observe: tuple[Watch, ...] = ()
    takes: str = "30 s"
    time_out: str = "90 s"
    on_fail: Literal["stop", "go-on"] = "stop"
    purpose: dict[Name, Text] = Field(default_factory=dict)
    caution: dict[Name, Text] = Field(default_factory=dict)
    source: Text

    @model_validator(mode="after")
    def _times(self) -> WalkThrough:
        for text in (self.takes, self.time_out):
            units.parse_duration_ns(text)
        return self
