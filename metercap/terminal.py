"""Effects to what a person sees in a terminal: lines that stay, and one line that moves.

It draws only what the daemon has told, which is on disk by then. It decides nothing.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from typing import Self

from rich import box
from rich.console import Console
from rich.live import Live
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from metercap.derive import Shown
from metercap.model import NS_PER_S, Reading, Status
from metercap.procedure.circuit import Class, class_between
from metercap.procedure.circuit import walk as follow
from metercap.procedure.description import Act, Expect, Procedure, Step
from metercap.procedure.net import Net, build_net
from metercap.procedure.rule import find_act
from metercap.procedure.states import WalkThrough, Watch
from metercap.sequence.effect import Ask, Claim, Effect, Progress, Signal
from metercap.sequence.walk import AGAIN

_ORIGINS = {
    "ghost": "a ghost: gone at low input impedance",
    "fed": "fed: it stands at low input impedance",
    "diode": "through a diode: it neither stands nor goes",
    "nought": "at nought in both",
}
_BAR = 20
_LEAST_WIDTH = 20  # a narrower terminal breaks the lines itself
_HOUR, _MINUTE = 3600, 60
_DAY_HOURS = 24
_VERDICT_STYLES = {
    "pass": "bold green",
    "conditional pass": "green",
    "conditional fail": "red",
    "fail": "bold red",
    "undecided": "yellow",
    "not tested": "yellow",
}


def printable(text: object) -> str:
    """Text from a file, a meter or a person, without anything that would move the cursor."""
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in str(text))


def reading_text(reading: Reading) -> str:
    """A reading as one would say it: "0.35 Ohm", "more than 60.00 MOhm", "243.1 V ac"."""
    if reading.status is Status.OK:
        shown = f"{reading.value} {reading.unit}"
    elif reading.status is Status.OVER:
        shown = f"more than {reading.ceiling or 'the range,'} {reading.unit}"
    else:
        shown = f"{reading.status.value}, {reading.unit}"
    marks = "".join(f" ({mark})" for mark in reading.marks)
    return printable(f"{shown} {reading.coupling or ''}".rstrip() + marks)


def expectation_text(expect: Expect, title: Callable[[str], str] = str) -> str:
    """An expectation as one would say it: "below 1 Ohm"; `title` names a step by its id."""
    if expect.between is not None:
        return f"{expect.between[0]} to {expect.between[1]}"
    if expect.near is not None:
        width = f"within {expect.near.within} or {expect.near.percent} %"
        return f"{width} of: {title(expect.near.step)}"
    if expect.overload is not None:
        return f"overload, on a range of {expect.overload} or more"
    if expect.rule is not None:
        return f"as the rule {expect.rule} gives it for {_given_text(expect.given, expect.table)}"
    if expect.class_ is not None:
        return "what the circuit makes of it, against the supply of this visit"
    word, amount = ("below", expect.below) if expect.below else ("above", expect.above)
    return f"{word} {amount}"


def _given_text(given: Mapping[str, str], table: Mapping[str, str]) -> str:
    """Amounts of a rule as one would say them: "power as stated, plus 5 %"."""
    told = [f"{name} {'as stated' if find_act(text) else text}" for name, text in given.items()]
    return ", ".join((*told, *(f"{text} at {name}" for name, text in table.items())))


def print_cautions(console: Console, procedure: Procedure) -> None:
    """Print what the person must know before the first step."""
    for line in procedure.caution:
        console.print(f"Caution: {line}", style="yellow", soft_wrap=not console.is_terminal)
    console.print()


def limit_text(limit: object) -> str:
    """The limit that an attempt was judged by, from its claim."""
    if not isinstance(limit, Mapping):
        return ""
    low, high = limit.get("low"), limit.get("high")
    if "overload" in limit:
        return f"more than {limit['overload']}"
    if "accept" in limit:
        return " or ".join(map(str, limit["accept"]))
    if low is not None and high is not None:
        return f"{_short(low).partition(' ')[0]} to {_short(high)}"
    return f"up to {_short(high)}" if high is not None else f"from {_short(low)}"


def _short(amount: object) -> str:
    """An amount to at most two decimals more than make sense to read."""
    number, _, unit = str(amount).partition(" ")
    whole, dot, decimals = number.partition(".")
    return f"{whole}{dot}{decimals[:2]} {unit}"


class Board:
    """What one visit shows."""

    def __init__(self, console: Console, procedure: Procedure) -> None:
        self._console = console
        self._procedure = procedure
        self._live = Live(console=console, transient=True, auto_refresh=False)
        self._begun: int | None = None
        self._elapsed_s = 0
        self._told: set[tuple[str, str]] = set()
        self._asked: Ask | None = None
        self._is_still = False
        self.changed = asyncio.Event()
        self.moved = asyncio.Event()
        self.signal: Signal | None = None
        self.claims: list[dict[str, object]] = []

    def __enter__(self) -> Self:
        if self._console.is_terminal:
            self._live.start()
        return self

    def __exit__(self, *_error: object) -> None:
        self._live.stop()

    def listen(self, effect: Effect | Shown) -> None:
        """Take one effect from the daemon and show it."""
        match effect:
            case Shown():
                self._note_time(effect)
            case Ask():
                self.signal = None
                self.changed.set()
                self._ask(effect)
            case Progress():
                self.signal = effect.signal
                self.moved.set()
                self._progress(effect)
            case Claim(body=body):
                self.claims.append(body)
                self._claim(body)

    def recall(self, claims: Sequence[dict[str, object]]) -> None:
        """Take what was claimed before this recorder started, without showing it again."""
        self.claims = list(claims)

    def remind(self, ask: Ask) -> None:
        """Show what is asked, unless it has been shown: a job taken up again asks as before."""
        if ask != self._asked:
            self._ask(ask)

    def say(self, text: str, style: str = "") -> None:
        """Print one line that stays; blanks in front of it indent the whole of it."""
        self._print(Text(printable(text), style=style or "default"))

    def hold_still(self, still: bool) -> None:
        """Take the moving line away while something is typed, so that it overwrites nothing."""
        self._is_still = still
        if still:
            self._live.update(Text(""), refresh=True)

    def _print(self, line: Text) -> None:
        """Print a line after the clock. A terminal gets it in parts, broken between words."""
        clock = f"{self._clock()}  "
        if not self._console.is_terminal:
            self._console.print(Text(clock) + line, soft_wrap=True)
            return
        indent = len(line.plain) - len(line.plain.lstrip())
        width = max(_LEAST_WIDTH, self._console.width - len(clock) - indent)
        for number, part in enumerate(line[indent:].wrap(self._console, width)):
            start = Text(clock if number == 0 else " " * len(clock), style="dim")
            part.rstrip()
            self._console.print(start + " " * indent + part, soft_wrap=True)

    def _clock(self) -> str:
        minutes, seconds = divmod(self._elapsed_s, _MINUTE)
        return f"{minutes:3d}:{seconds:02d}"

    def _note_time(self, shown: Shown) -> None:
        if self._begun is None:
            self._begun = shown.at.boot_ns
        self._elapsed_s = max(0, (shown.at.boot_ns - self._begun) // NS_PER_S)

    def _title(self, name: object) -> str:
        item = (
            self._procedure.find_step(str(name))
            or self._procedure.find_act(str(name))
            or self._procedure.find_relation(str(name))
        )
        return item.title if item else str(name)

    def _ask(self, ask: Ask) -> None:
        self._told.clear()
        self._asked = ask
        self._live.update(Text(""), refresh=True)
        step = self._procedure.find_step(ask.id)
        if step is None or ask.what not in {"measure", "observe", "enter"}:
            return
        wanted = " or ".join(step.accept) or "where the circuit says"
        if step.expect is not None:
            wanted = expectation_text(step.expect, self._title)
        self.say(f"{step.title}: {wanted}", "bold")
        self.say(f"    {step.do}", "dim")
        if step.caution:
            self.say(f"    Caution: {step.caution}", "yellow")
        for line in provenance_lines(step):
            self.say(f"    {line}", "dim")

    def _progress(self, progress: Progress) -> None:
        shown = reading_text(progress.reading) if progress.reading else ""
        if progress.signal is Signal.TAKEN:
            return
        told = (progress.signal.value, progress.note)
        if progress.note and progress.signal in _TOLD and told not in self._told:
            self._told.add(told)
            self.say(f"    {progress.signal.value}: {progress.note}", "yellow")
        if self._is_still:
            return
        if self._console.is_terminal and not self._console.is_dumb_terminal:
            self._live.update(self._moving(progress, shown), refresh=True)

    def _moving(self, progress: Progress, shown: str) -> Text:
        line = Text(f"{self._clock()}      ")
        line.append(f"{shown:<22}", style="bold")
        if progress.signal is Signal.LOGGING:
            run = f"{span_text(progress.held_ns)} of {span_text(progress.dwell_ns)}"
            line.append(f"{run}; {printable(progress.note)}", style="cyan")
        elif progress.note:
            line.append(printable(progress.note), style="cyan")
        else:
            filled = _BAR * progress.held_ns // progress.dwell_ns if progress.dwell_ns else 0
            line.append("█" * filled + "░" * (_BAR - filled))
            line.append(f"  {progress.signal.value}", style="cyan")
        line.truncate(self._console.width, overflow="ellipsis")
        return line

    def _claim(self, body: Mapping[str, object]) -> None:
        says: dict[str, Callable[[Mapping[str, object]], None]] = {
            "act": self._say_act,
            "attempt": self._say_attempt,
            "relation": self._say_relation,
            "void": self._say_void,
            "refusal": self._say_refusal,
            "limitation": self._say_limitation,
            "stranger": self._say_stranger,
            "instrument": self._say_papers,
            "choice": self._say_choice,
            "log": self._say_day,
        }
        kind = str(body["claim"])
        if kind in says:
            says[kind](body)

    def _say_refusal(self, body: Mapping[str, object]) -> None:
        self.say(f"refused: {self._title(body['what'])}: {body['why']}", "red")

    def _say_limitation(self, body: Mapping[str, object]) -> None:
        self.say(f"not tested: {self._title(body['step'])}: {body['why']}", "yellow")

    def _say_stranger(self, body: Mapping[str, object]) -> None:
        self.say(f"another meter answers as {body['meter']}: {body['why']}", "bold red")

    def _say_void(self, body: Mapping[str, object]) -> None:
        names = body["what"]
        if isinstance(names, list):
            titles = "; ".join(self._title(name) for name in names)
            self.say(f"void: {titles} ({body['why']})", "yellow")

    def _say_choice(self, body: Mapping[str, object]) -> None:
        what = str(body["what"])
        chosen = "try it again" if what == AGAIN else self._title(what)
        self.say(f"after the fault: {chosen}", "bold")

    def _say_day(self, body: Mapping[str, object]) -> None:
        self.say(f"    {body['day']}: {day_text(body)}")
        told = body.get("told")
        for event in told if isinstance(told, list) else ():
            text = f"{event['kind']} from {event['at']}, {event['lasted']}, {event['extreme']}"
            self.say(f"      {text} {body['unit']}", "yellow")

    def _say_papers(self, body: Mapping[str, object]) -> None:
        name = body.get("instrument", body["meter"])
        why = f"; used all the same: {body['override']}" if body.get("override") else ""
        self.say(f"{name}: {body['papers']}{why}", "yellow" if why else "default")

    def _say_act(self, body: Mapping[str, object]) -> None:
        answers = body["answers"]
        said = "; ".join(f"{field}: {answer}" for field, answer in dict(answers).items())  # type: ignore[call-overload]  # an act's answers are an object
        stands = body["outcome"] == "stands"
        word = "declares" if stands else "declares, and it does not hold"
        self.say(
            f"{body['by']} {word}: {self._title(body['act'])} ({said})",
            "default" if stands else "red",
        )

    def _say_attempt(self, body: Mapping[str, object]) -> None:
        verdict = str(body["verdict"])
        line = Text(f"    {verdict}", style=_VERDICT_STYLES[verdict])
        line.append(f"  {printable(value_text(body))}")
        if body.get("limit"):
            line.append(f"  ({printable(limit_text(body['limit']))})", style="dim")
        if body.get("origin"):
            line.append(f"  {printable(_ORIGINS.get(str(body['origin']), body['origin']))}")
        if body.get("why"):
            line.append(f"  {printable(body['why'])}", style="yellow")
        self._print(line)

    def _say_relation(self, body: Mapping[str, object]) -> None:
        verdict = str(body["verdict"])
        line = Text(f"    {verdict}", style=_VERDICT_STYLES[verdict])
        line.append(f"  {self._title(body['relation'])}")
        if body.get("why"):
            line.append(f"  {printable(body['why'])}", style="yellow")
        self._print(line)
        if verdict not in {"pass", "undecided"}:
            for check in body["checks"]:  # type: ignore[attr-defined]  # a list of objects
                if check["verdict"] != "pass":
                    self.say(f"        {check['sentence']}", "dim")


# What stays to be read, once for each step; the rest comes and goes in the moving line.
_TOLD = frozenset(
    {
        Signal.WRONG_FUNCTION,
        Signal.FROZEN,
        Signal.LOW_RANGE,
        Signal.BOUNCE,
        Signal.NO_LINK,
        Signal.NO_VALUE,
    }
)


def value_text(body: Mapping[str, object]) -> str:
    """The value of an attempt's claim, with its uncertainty: "2.028 ± 0.12 Ohm"."""
    if "answer" in body:
        return str(body["answer"])
    log = body.get("log")
    if isinstance(log, Mapping):
        return day_text({**log, "unit": body["unit"]})
    if "value" not in body:
        return ""
    value = str(body["value"]).replace(">", "more than ")
    doubt = f" ± {body['expanded']}" if "expanded" in body else ""
    entered = body.get("entered")
    by_hand = ""
    if isinstance(entered, Mapping):
        by_hand = f", entered from {entered['instrument']} {entered['serial']}"
    indicative = ", indicative" if "indicative" in body else ""
    return f"{value}{doubt} {body['unit']}{by_hand}{indicative}"


def provenance_lines(step: Step) -> list[str]:
    """What is said of a value that no meter captures, or that a multimeter only indicates."""
    lines = []
    if step.entered is not None:
        at = f", at {step.entered.at}" if step.entered.at else ""
        lines.append(f"Entered by hand, from: {step.entered.instrument}{at}.")
    if step.indicative is not None:
        lines.append(f"Indicative (multimeter). It does not replace: {step.indicative}")
    return lines


def day_text(log: Mapping[str, object]) -> str:
    """What a log holds, or one day of it: "144 of 144 means, 228.31 to 241.06 V, 0 gaps"."""
    least, most = log.get("least-mean"), log.get("most-mean")
    span = ""
    if isinstance(least, Mapping) and isinstance(most, Mapping):
        span = f", {least['value']} to {most['value']} {log['unit']}"
    text = f"{log['means']} of {log['of']} means{span}, {_several(log['gaps'], 'gap')}"
    return f"{text}, {_several(log['events'], 'event')}" if log["events"] else text


def _several(number: object, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def span_text(ns: int) -> str:
    """A long time in two units: "45 min", "2 h 10 min", "3 days 4 h"."""
    minutes = ns // (_MINUTE * NS_PER_S)
    hours, minutes = divmod(minutes, _MINUTE)
    days, hours = divmod(hours, _DAY_HOURS)
    if days:
        return f"{_several(days, 'day')} {hours} h"
    return f"{hours} h {minutes} min" if hours else f"{minutes} min"


def visit_table(procedure: Procedure, claims: Sequence[Mapping[str, object]]) -> Table:
    """The visit in one table: each step with its last value, limit, verdict and earlier tries."""
    table = Table(
        title=procedure.title,
        title_justify="left",
        title_style="bold",
        box=box.SIMPLE_HEAD,
        pad_edge=False,
    )
    for heading in ("Step", "Value", "Limit", "Verdict", "Before that"):
        table.add_column(heading)
    summary = next((claim for claim in reversed(claims) if claim["claim"] == "job"), None)
    steps = summary["steps"] if summary is not None else {}
    for step in procedure.step:
        row = steps.get(step.id, {}) if isinstance(steps, dict) else {}
        table.add_row(*_row(step, row, claims))
    related = summary.get("relations") if summary is not None else None
    below = [_order_text(claims)]
    if isinstance(related, dict):
        below.insert(0, _related_text(procedure, related))
    table.caption = Text("\n").join(below)
    table.caption_justify = "left"
    table.caption_style = "default"
    return table


def _order_text(claims: Sequence[Mapping[str, object]]) -> Text:
    """How often the order was not kept: what was refused, out of order or otherwise, and voids."""
    refused = [claim for claim in claims if claim["claim"] == "refusal"]
    early = sum("asked" in claim for claim in refused)
    voids = sum(claim["claim"] == "void" for claim in claims)
    line = f"Refused: {len(refused)}, of them out of order: {early}. Voided: {voids}."
    return Text(line, style="yellow" if refused else "default")


def _related_text(procedure: Procedure, related: Mapping[str, Mapping[str, object]]) -> Text:
    """A line for each relation of the visit, with its verdict."""
    lines = []
    for name, row in related.items():
        relation, verdict = procedure.find_relation(name), str(row["verdict"])
        line = Text(f"{printable(relation.title if relation else name)}: ")
        line.append(verdict, style=_VERDICT_STYLES[verdict])
        if row.get("why"):
            line.append(f" ({printable(row['why'])})")
        lines.append(line)
    return Text("\n").join(lines)


def _row(
    step: Step, row: Mapping[str, object], claims: Sequence[Mapping[str, object]]
) -> tuple[str | Text, ...]:
    attempts = [claim for claim in claims if _is_attempt_at(claim, step)]
    last = attempts[-1] if attempts else {}
    verdict = str(row.get("verdict", "not tested"))
    shown = Text(verdict, style=_VERDICT_STYLES[verdict])
    if row.get("why"):
        shown.append(f" ({printable(row['why'])})")
    return (
        step.title,
        printable(value_text(last)),
        printable(limit_text(last.get("limit"))),
        shown,
        ", ".join(str(claim["verdict"]) for claim in attempts[:-1]),
    )


def _is_attempt_at(claim: Mapping[str, object], step: Step) -> bool:
    return claim["claim"] == "attempt" and claim["step"] == step.id


def print_procedure(console: Console, procedure: Procedure) -> None:
    """Print a joined procedure as a page to read: cautions, acts, steps with limit and source."""
    console.print(f"{procedure.title}  (version {procedure.version})", style="bold")
    if procedure.about:
        console.print(procedure.about)
    for line in procedure.caution:
        console.print(f"Caution: {line}", style="yellow")
    console.print("\nWhat the person declares", style="bold")
    for act in [act for act in procedure.act if act.walk is None]:
        _print_act(console, act)
    console.print("\nWhat must be shown", style="bold")
    for number, step in enumerate([step for step in procedure.step if step.walk is None], 1):
        _print_step(console, procedure, number, step)
    for walk in procedure.walk:
        _print_walk(console, procedure, walk)
    for relation in procedure.relation:
        console.print(f"\n  Compared: {relation.title}", style="bold")
        items = ((part, procedure.find_step(name)) for part, name in relation.steps.items())
        titles = "; ".join(f"{part} is {step.title if step else ''}" for part, step in items)
        given = _given_text(relation.given, relation.table)
        _print_indented(console, f"{relation.rule}: {'; '.join(filter(None, (titles, given)))}.")
        _print_indented(console, f"Source: {relation.source}", "dim")
    _print_country(console, procedure)
    for guard in procedure.guard:
        console.print(f"\n  Watched all along: {guard.quantity} {guard.mode} above {guard.above}")
        _print_indented(console, guard.say, "yellow")
        _print_indented(console, f"Source: {guard.source}", "dim")


_CLASSES = {
    Class.LIVE: "live, within a few percent of the supply of this visit",
    Class.BACK_FED: "as live, by another path than its own switch: healthy here",
    Class.ZERO: "at nought",
    Class.FLOATING: "joined to nothing: a ghost at high input impedance, nought at low",
    Class.PARTIAL: "half-waves through a diode: some 10 to 80 % of the supply",
}


def _print_country(console: Console, procedure: Procedure) -> None:
    country = procedure.circuit.country if procedure.circuit else None
    if country is None:
        return
    console.print(f"\nWhere this is written for: {country.title}", style="bold")
    for rule in (country.proving_dead, country.wiring_code, country.licence, country.fuse):
        _print_indented(console, f"{rule.text} ({rule.source})")


def _print_walk(console: Console, procedure: Procedure, walk: WalkThrough) -> None:
    """Print a walk: its states in order, what every terminal must read in them, what to look at."""
    wiring = procedure.circuit.wiring if procedure.circuit else None
    if wiring is None:
        return
    net = build_net(wiring)
    console.print(f"\nThe walk through the states: {net.title}", style="bold")
    _print_indented(console, " ".join(wiring.about.split()))
    needs = [procedure.find_step(name) or procedure.find_act(name) for name in walk.needs]
    _print_indented(console, f"Only after: {', '.join(one.title for one in needs if one)}", "dim")
    for act in [act for act in procedure.act if act.walk == walk.id and act.state is not None]:
        console.print(f"\n  {act.title}", style="bold")
        _print_indented(console, act.do)
        if act.caution:
            _print_indented(console, f"Caution: {act.caution}", "yellow")
    console.print("\n  What each terminal must read, in this order of states", style="bold")
    console.print(Padding(_class_table(procedure, walk, net), (0, 0, 0, 5)))
    states = dict(follow(net))
    shown = {found for state in states.values() for found in state.classes.values()}
    for found, words in _CLASSES.items():
        if found in shown:
            _print_indented(console, f"{found.value:<3} {words}", "dim")
    _print_indented(
        console,
        f"After each change {walk.takes} go by before a reading counts; one that does not stand "
        f"still within {walk.time_out} is none. Valves remember: in another order of states other "
        "values are right, and the visit reckons with the order that was really walked.",
    )
    for read in [read for read in walk.read if read.caution]:
        names = ", ".join(read.at)
        _print_indented(console, f"Caution, {names} to {read.to}: {read.caution}", "yellow")
    for watch in walk.observe:
        _print_watch(console, watch)
    _print_indented(console, f"Source of the walk: {walk.source}; {wiring.source}", "dim")


def _print_watch(console: Console, watch: Watch) -> None:
    console.print(f"\n  Look: {watch.title}", style="bold")
    _print_indented(console, watch.do)
    if watch.caution:
        _print_indented(console, f"Caution: {watch.caution}", "yellow")
    for place, answers in watch.answers.items():
        _print_indented(console, f"- {watch.motor or watch.at} {place}: {' or '.join(answers)}")
    if watch.accept:
        where = f" in {', '.join(watch.states)}" if watch.states else ""
        _print_indented(console, f"Expect{where}: {' or '.join(watch.accept)}.")
    _print_indented(console, f"Source: {watch.source}", "dim")


def _class_table(procedure: Procedure, walk: WalkThrough, net: Net) -> Table:
    """Terminals by states, each with its class as a healthy installation has it."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("Terminal")
    wanted = [
        step.expect.class_
        for step in procedure.step
        if step.walk == walk.id and step.expect is not None and step.expect.class_ is not None
    ]
    states = {name: state for name, state in follow(net) if any(w.state == name for w in wanted)}
    for name in states:
        table.add_column(name)
    for at, to in dict.fromkeys((one.at, one.to) for one in wanted):
        cells = (
            class_between(state, at, to).value
            if any((one.state, one.at, one.to) == (name, at, to) for one in wanted)
            else ""
            for name, state in states.items()
        )
        table.add_row(f"{at} to {to}", *cells)
    for motor in net.motors:
        places = (state.positions[motor.name] for state in states.values())
        table.add_row(f"{motor.name} stands", *places)
    return table


def _print_act(console: Console, act: Act) -> None:
    console.print(f"\n  {act.title}", style="bold")
    _print_indented(console, act.do)
    if act.caution:
        _print_indented(console, f"Caution: {act.caution}", "yellow")
    for question in act.ask:
        choice = f" ({' / '.join(question.answers)})" if question.answers else ""
        _print_indented(console, f"- {question.prompt}{choice}")
    if act.stands:
        _print_indented(console, f"Stands for {act.stands}.", "dim")
    _print_indented(console, f"Source: {act.source}", "dim")


def _print_step(console: Console, procedure: Procedure, number: int, step: Step) -> None:
    console.print(f"\n  {number}. {step.title}", style="bold")
    _print_indented(console, step.do)
    if step.caution:
        _print_indented(console, f"Caution: {step.caution}", "yellow")
    if step.expect is not None:
        mode = f" {step.mode}" if step.coupling else ""
        held = f"held {step.dwell} once it stands still"
        if step.entered is not None:
            held = "as the instrument shows it"
        if step.log is not None:
            held = f"for {step.log.share} of the {step.log.mean} means of {step.log.lasting}"
            if step.log.always is not None:
                held += f", and all within {' to '.join(step.log.always)}"

        def title(name: str) -> str:
            other = procedure.find_step(name)
            return other.title if other else name

        wanted = f"{step.quantity}{mode} {expectation_text(step.expect, title)}, {held}"
    else:
        wanted = " or ".join(step.accept) or "what the circuit says"
    _print_indented(console, f"Expect: {wanted}.")
    for line in provenance_lines(step):
        _print_indented(console, line)
    names = [procedure.find_step(name) or procedure.find_act(name) for name in step.needs]
    if names:
        titles = ", ".join(item.title for item in names if item)
        _print_indented(console, f"Only after: {titles}", "dim")
    _print_indented(console, f"Source: {step.source}", "dim")


def _print_indented(console: Console, text: str, style: str = "default") -> None:
    console.print(Padding(Text(printable(text), style=style), (0, 0, 0, 5)))
