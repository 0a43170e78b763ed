"""A run as it goes, on a terminal or into a pipe.

On a terminal the three questions stay in place at the bottom and what has happened scrolls above them. Into a pipe
come plain lines, one for each thing that happens, without control characters.
"""

from __future__ import annotations

import json
import shutil
import sys
import time
from collections.abc import Callable, Iterator
from typing import Any, TextIO

from orchestrator.cli.abort import abort_now
from orchestrator.cli.answer import question_text, to_reach
from orchestrator.cli.client import NOT_VALID, EngineLink, Facts, Unreachable
from orchestrator.cli.happenings import ending, happening, wrapped
from orchestrator.core.status import FRESH_S, aged
from orchestrator.core.status_text import compact
from orchestrator.daemon.places import Places

UP_AND_CLEAR = "\x1b[{}F\x1b[J"
WIDEST = 100
REDRAW_S = 0.1


class Screen:
    """Where it is shown. `bottom` are the lines that stay in place, on a terminal only."""

    def __init__(self, out: TextIO) -> None:
        self._out = out
        self._is_terminal = out.isatty()
        self._drawn = 0
        self._bottom: list[str] = []
        self._said = ""

    @property
    def width(self) -> int:
        """Columns; a pipe has as many as a usual terminal."""
        return min(shutil.get_terminal_size((80, 24)).columns, WIDEST) if self._is_terminal else 80

    def say(self, text: str) -> None:
        """Something that happened: it stays."""
        self._wipe()
        for line in text.splitlines():
            self._out.write(f"{line}\n")
        self._draw()

    def stay(self, lines: list[str], sentence: str) -> None:
        """The present state. A pipe only gets the sentence, and only when it is another one."""
        if self._is_terminal:
            self._wipe()
            self._bottom = lines
            self._draw()
        elif sentence != self._said:
            self._said = sentence
            self.say(sentence)

    def end(self) -> None:
        """Nothing stays in place any more."""
        self._wipe()
        self._bottom = []
        self._out.flush()

    def _wipe(self) -> None:
        if self._drawn:
            self._out.write(UP_AND_CLEAR.format(self._drawn))
            self._drawn = 0

    def _draw(self) -> None:
        if self._is_terminal and self._bottom:
            rule = "-" * (self.width - 1)
            self._out.write("\n".join([rule, *self._bottom]) + "\n")
            self._drawn = len(self._bottom) + 1
        self._out.flush()


class Showing:
    """One run being shown until it ends."""

    def __init__(self, places: Places, as_json: bool, by: str | None) -> None:
        self._places = places
        self._as_json = as_json
        self._by = by
        self._more = to_reach(places.data)
        self._screen = Screen(sys.stdout)
        self._status: Facts | None = None
        self._asked: int | None = None
        self._run: str | None = None
        self.exit_code: int | None = None

    def begin(self, reply: Facts) -> None:
        """The engine has accepted the start."""
        self._run = reply["run"]
        if self._as_json:
            print(json.dumps({"started": reply}), flush=True)
            return
        for text in reply["warnings"]:
            self._screen.say(text)
        self._screen.say(f"Run {reply['run']} has begun; its record: {reply['folder']}")
        for earlier in reply["part_of"]:
            self._screen.say(f"The specimen goes on after run {earlier}.")

    def take(self, message: Facts) -> None:
        """One message of the engine."""
        if self._run is None:
            return  # not begun: what is shown belongs to nobody yet
        if "status" in message and not self._as_json:
            self._status = message["status"]
            self._take_question(message["status"]["do"]["question"])
            self.draw()
        elif "event" in message:
            self._happened(message)
        elif "ended" in message and message["ended"]["run"] == self._run:
            self._end(message["ended"])

    def draw(self) -> None:
        """The three questions as they stand; what has grown old says so."""
        if self._status is None or self._as_json:
            return
        status = aged(self._status, time.monotonic())
        width = self._screen.width - 1
        self._screen.stay(compact(status, width), _plain_state(status))

    def _take_question(self, question: Facts | None) -> None:
        number = None if question is None else question["question"]
        if question is not None and number != self._asked:
            self._screen.say("\n" + question_text(question, self._more) + "\n")
        self._asked = number

    def _happened(self, message: Facts) -> None:
        if self._as_json:
            print(json.dumps(message), flush=True)
            return
        for line in happening(message["event"]):
            stamp = str(message["event"].get("utc", ""))[11:19]
            self._screen.say("\n".join(wrapped(line, self._screen.width - 1, f"{stamp}  ", " " * 10)))

    def _end(self, ended: Facts) -> None:
        self.exit_code = int(ended["exit_code"])
        self._screen.end()
        if self._as_json:
            print(json.dumps({"ended": ended}), flush=True)
            return
        self._screen.say("\n" + ending(ended, self._screen.width - 1))

    def abort(self) -> None:
        """Ctrl-C: stop the run, and go on showing how it ends."""
        try:
            abort_now(self._places, self._by)
            self._screen.say("Aborting. (Ctrl-C once more only stops the showing.)")
        except Unreachable as error:
            self._screen.say(f"{error}\nhelp: {error.help}")


def _plain_state(status: Facts) -> str:
    """The state in a line of a pipe: without what changes all the time."""
    entry, going_on = status["may_i_go_in"], status["going_on"]
    where = going_on["sentence"].split(". ")[0].rstrip(".")
    return f"{entry['symbol']} {entry['answer'].upper()}, {entry['state']}: {where}"


def show_run(
    link: EngineLink, places: Places, began: Callable[[Facts], Facts | None], as_json: bool, by: str | None
) -> int:
    """Show until the run has ended; the exit code. Raises Refusal for a start that is refused, and Unreachable."""
    showing = Showing(places, as_json, by)
    aborted = False
    while showing.exit_code is None:
        try:
            _take_all(link, showing, began)
        except KeyboardInterrupt:
            if aborted:
                print("\nThe showing ended; see: benchward status", flush=True)
                return NOT_VALID
            aborted = True
            showing.abort()
    return showing.exit_code


def _take_all(link: EngineLink, showing: Showing, began: Callable[[Facts], Facts | None]) -> None:
    """Until the end, with a look at the age of the status in between."""
    while showing.exit_code is None:
        for message in _some(link):
            if (reply := began(message)) is not None:
                showing.begin(reply)
            showing.take(message)
            if showing.exit_code is not None:
                return
        showing.draw()


def _some(link: EngineLink) -> Iterator[dict[str, Any]]:
    return link.messages(time.monotonic() + FRESH_S)
