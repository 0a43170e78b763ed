"""The screen: three questions always in the same place, one view below them, one line to type in.

What is shown is decided in `words`, `why`, `asking` and `card`; here it is put on the screen, and keys are taken.
Abort is bound before everything else, asks nothing and waits for nobody but the interlock monitor.
"""

from __future__ import annotations

import asyncio
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from typing import Any, ClassVar

from textual.app import App, ComposeResult
from textual.binding import Binding
from textual.containers import Horizontal
from textual.css.query import NoMatches
from textual.message import Message
from textual.theme import Theme
from textual.widgets import ContentSwitcher, Input, Static

from orchestrator.console import words
from orchestrator.console.flow import NOBODY_TOOK_IT, Flow, Then
from orchestrator.console.keys import KEYS, KEYS_LINE, key_lines
from orchestrator.console.known import Known
from orchestrator.console.link import Link, named
from orchestrator.console.middle import bench_lines, trend_points
from orchestrator.console.plots import TrendPlot, WavePlot
from orchestrator.console.why import why_lines
from orchestrator.core.status_text import BENCH_ACTS

Facts = dict[str, Any]
SAY_ROWS = 3
SHOW_AT_MOST_EVERY_S = 0.05
AGE_EVERY_S = 0.25
MOST_WAITING = 5000
POINTS = 600
PROMPT = " type here >"
NOTHING_ASKED = "Nothing is asked of you."
NOTHING_YET = "Nothing has happened since this console was opened. Of the last run: F7."
GREY = Theme(
    name="benchward", primary="#b0b0b0", secondary="#909090", accent="#d0d0d0", warning="#d0d0d0", error="#d0d0d0",
    success="#d0d0d0", foreground="#e8e8e8", background="#101010", surface="#101010", panel="#202020", dark=True,
)  # fmt: skip


class Console(App[None]):
    """The technician's console."""

    class Heard(Message):
        """The link has something; posted from its thread."""

    TITLE = "benchward"
    ENABLE_COMMAND_PALETTE = False
    AUTO_FOCUS = None  # the line has the keys only while it is shown
    CSS = """
    Screen { layout: vertical; overflow: hidden hidden; }
    .rule, #header, #keys { height: 1; width: 100%; }
    #say { height: auto; width: 100%; }
    .question { width: 100%; }
    .label { width: 19; text-style: bold; }
    .words, .label { layer: below; }
    .words { width: 1fr; height: 100%; }
    #entry_row { height: 3; } #going_on_row { height: 3; } #do_row { height: 3; }
    #entry { text-style: bold; }
    #entry_row { layers: below above; }
    #lamp { layer: above; dock: right; width: auto; height: 1; padding: 0 1; text-style: bold; }
    #lamp.red { background: #d00000; color: #ffffff; }
    #lamp.green { background: #008000; color: #ffffff; }
    #body { height: 1fr; width: 100%; }
    #text { height: 100%; width: 100%; }
    #line_row { height: 1; width: 100%; }
    #prompt { width: auto; height: 1; text-style: bold; }
    #line { height: 1; width: 1fr; border: none; padding: 0 1; background: #303030; }
    #say, #keys { text-style: reverse; }
    """
    BINDINGS: ClassVar = [
        Binding("f12,ctrl+x", "abort", "ABORT", priority=True),
        Binding("ctrl+c", "say_keys", show=False, priority=True),
        Binding("escape", "step_back", show=False, priority=True),
        Binding("pageup", "scroll(-1)", show=False, priority=True),
        Binding("pagedown", "scroll(1)", show=False, priority=True),
        *(Binding(key.function, key.action, key.does, priority=True, show=False) for key in KEYS),
        *(Binding(key.letter, key.action, key.does, show=False) for key in KEYS),
    ]

    def __init__(
        self, link: Link, who: str, by: str | None = None, sequence: str = "", ascii_only: bool = False,
        looks: bool = False, now_s: Callable[[], float] = time.monotonic,
    ) -> None:  # fmt: skip
        super().__init__()
        self.link = link
        self.known = Known()
        self.flow = Flow(link, self, self.known, who, by, sequence, looks)
        self.view = "bench"
        self._ascii = ascii_only
        self._now_s = now_s
        self._heard: deque[tuple[str, Facts]] = deque(maxlen=MOST_WAITING)
        self._woken = False
        self._shown_s = 0.0
        self._scrolled = 0
        self._up = 0  # rows above the end, where a view is shown from its end
        self._said = ""
        self._put_before: dict[str, str] = {}
        self._channel = self._trend = 0
        self._drawn: tuple[Any, ...] = ()
        self._told_for: tuple[Any, ...] = ()
        self._told: list[str] = []

    # ---- the screen

    def compose(self) -> ComposeResult:
        yield Static(id="header", markup=False)
        yield Static(id="rule0", classes="rule", markup=False)
        for number, name in enumerate(("entry", "going_on", "do")):
            with Horizontal(id=f"{name}_row", classes="question"):
                yield Static(f" {words.LABELS[number]}", classes="label", markup=False)
                yield Static(id=name, classes="words", markup=False)
                if name == "entry":
                    yield Static(id="lamp", markup=False)
            yield Static(id=f"rule{number + 1}", classes="rule", markup=False)
        with ContentSwitcher(id="body", initial="text"):
            yield Static(id="text", markup=False)
            yield WavePlot(self._ascii, id="wave")
            yield TrendPlot(self._ascii, id="trend")
        yield Static(id="say", markup=False)
        with Horizontal(id="line_row"):
            yield Static(PROMPT, id="prompt", markup=False)
            yield Input(id="line", compact=True, select_on_focus=False)
        yield Static(KEYS_LINE, id="keys", markup=False)

    def on_mount(self) -> None:
        self.register_theme(GREY)
        self.theme = GREY.name
        self.query_one("#line_row").display = False
        self.set_interval(AGE_EVERY_S, self.show)
        self.link.watch(self._hear)
        self.show()

    def on_unmount(self) -> None:
        self.flow.leave()
        self.link.close()

    def on_resize(self) -> None:
        self._put_before.clear()
        self.call_after_refresh(self.show)

    # ---- what is heard

    def _hear(self, kind: str, content: Facts) -> None:
        """From the link's thread: keep it, and wake the screen once for any number of messages."""
        self._heard.append((kind, content))
        if not self._woken:
            self._woken = True
            self.post_message(self.Heard())

    def on_console_heard(self, message: Heard) -> None:
        """Show it, but not more often than a person can see."""
        left_s = self._shown_s + SHOW_AT_MOST_EVERY_S - time.monotonic()
        if left_s > 0:
            self.set_timer(left_s, self.show)
        else:
            self.show()

    def _take_heard(self) -> None:
        self._woken = False
        while self._heard:
            self.known.take(*self._heard.popleft())
        if (run := self.known.journal_wanted) is not None:
            self.known.journal_wanted = None
            self.ask("GET", named("runs", run), None, lambda reply: self._take_journal(run, reply))
            self.ask("GET", named("runs", run, "requirements"), None, self._take_requirements)

    def _take_journal(self, run: str, reply: Facts) -> None:
        self.known.take_journal(run, reply.get("journal") or [])

    def _take_requirements(self, reply: Facts) -> None:
        self.known.requirements = list(reply.get("content") or [])

    # ---- showing

    def show(self) -> None:
        """Bring the screen up to what is known now."""
        with suppress(NoMatches):  # a last look while the screen is being taken down
            self._show()

    def _show(self) -> None:
        self._shown_s = time.monotonic()
        self._take_heard()
        status = self.known.status_at(self._now_s())
        self.flow.follow(status)
        self.flow.keep(self._now_s())
        width = self.size.width
        self._put("header", words.header(status, self.flow.control_words(status), width))
        for number in range(4):
            self._put(f"rule{number}", ("=" if number == 0 else "-") * width)
        lamp = f"lamp: {words.lamp_of(status).upper()}"
        beside = width - words.LABEL_WIDTH - 1
        self._put("entry", "\n".join(words.entry_lines(status, beside, beside - len(lamp) - 3)))
        self._put_lamp(status, lamp)
        self._put("going_on", "\n".join(words.going_on_lines(status, self.known, beside)))
        going = bool(status.get("run")) or status["may_i_go_in"]["answer"] == "no"
        acts = self.flow.may_answer(status)
        stopping = self.flow.stopping and going
        do = words.do_lines(status, self.known, stopping, beside, acts, self.flow.how_to_begin())
        if self.flow.nobody_took_it:
            do = [*words.wrapped([NOBODY_TOOK_IT], beside, 2), "", ""][:2] + do[-1:]
        self._put("do", "\n".join(do))
        self._show_view(status, width)
        said = words.wrapped([self._said], width - 2, SAY_ROWS)
        self._put("say", "\n".join(f" {line}" for line in said))
        self.query_one("#say").display = bool(self._said)
        self._show_line()

    def _put(self, name: str, text: str) -> None:
        """Write only what changed: most of a screen stays as it is from one look to the next."""
        if self._put_before.get(name) != text:
            self._put_before[name] = text
            self.query_one(f"#{name}", Static).update(text)

    def _put_lamp(self, status: Facts, text: str) -> None:
        colour = words.lamp_of(status)
        lamp = self.query_one("#lamp", Static)
        for name in ("red", "green"):
            lamp.set_class(colour == name, name)
        self._put("lamp", text)

    def _show_view(self, status: Facts, width: int) -> None:
        body = self.query_one("#body", ContentSwitcher)
        body.current = self.view if self.view in ("wave", "trend") else "text"
        if self.view == "wave":
            self._show_wave()
        elif self.view == "trend":
            self._show_trend(status)
        else:
            rows = max(1, body.size.height)
            lines = self._lines(status, width - 2, rows)
            most = max(0, len(lines) - rows)
            if self.view == "act":  # what is asked stands last and is there until somebody looks further up
                self._up = min(self._up, most)
                self._scrolled = most - self._up
            self._scrolled = min(max(self._scrolled, 0), most)
            page = _page(lines, self._scrolled, rows, says_up=self.view == "act")
            self._put("text", "\n".join(f" {line}" for line in page))

    def _lines(self, status: Facts, width: int, rows: int) -> list[str]:
        if self.view == "act":
            form = self.flow.form
            return words.wrapped(form.lines() if form else [NOTHING_ASKED], width, indent="    ")
        if self.view == "happened":
            newest = list(self.known.lines)[: -(self._scrolled + 2 * rows + 1) : -1]
            told = [line for text in newest for line in text.splitlines()]
            return words.wrapped(told or [NOTHING_YET], width, indent="          ")
        if self.view == "why":
            return self._why(width, status)
        if self.view == "keys":
            return key_lines()
        return bench_lines(status, self.known, width, rows)

    def _why(self, width: int, status: Facts) -> list[str]:
        """Told anew only when it is another end, another journal, another width, or something else is waited for."""
        asked = str((status["do"].get("question") or {}).get("ask"))
        waits_for = asked if asked in BENCH_ACTS else None
        key = (self.known.last_end, id(self.flow.journal), id(self.flow.left), width, waits_for)
        if key != self._told_for:
            self._told_for = key
            self._told = why_lines(
                self.known.last_end, self.flow.journal, width, waits_for, self.flow.left or None
            )
        return self._told

    def _show_line(self) -> None:
        """The line to type in is there only while something is asked and looked at."""
        line = self.query_one("#line", Input)
        wanted = self.view == "act" and self.flow.form is not None
        row = self.query_one("#line_row")
        if row.display != wanted:
            row.display = wanted
            line.value = self.flow.form.given() if self.flow.form else ""
            self.set_focus(line if wanted else None)

    def _show_wave(self) -> None:
        drawing = self.query_one(WavePlot)
        self.flow.fetch_wave(POINTS)
        channels = list(self.flow.wave.get("channels") or [])
        if not channels:
            self._draw_once(("no wave",), lambda: drawing.nothing("no waveform of this run yet"))
            return
        channel = channels[self._channel % len(channels)]
        key = ("wave", self.flow.wave["run"], self.flow.wave["capture"], channel)
        self._draw_once(key, lambda: drawing.show(self.flow.wave, channel))

    def _show_trend(self, status: Facts) -> None:
        drawing = self.query_one(TrendPlot)
        points = trend_points(status, self.known)
        limits = {str(one["result"]): one for one in reversed(self.known.requirements)}
        limited = [name for name in limits if name in points]
        whole = (
            status["going_on"].get("trend") or not limited
        )  # what a duty draws of itself has no other place
        names = [*limited, *(name for name in points if name not in limited)] if whole else limited
        if not names:
            self._draw_once(("no trend",), lambda: drawing.nothing("no result of this run yet"))
            return
        name = names[self._trend % len(names)]
        newest = points[name][-1].shot  # a long trend is thinned out and keeps its length
        key = ("trend", self.known.picture.run, name, newest, name in limits)
        counted = str(status["going_on"].get("counted") or "shot")
        self._draw_once(key, lambda: drawing.show(name, points[name], limits.get(name), counted))

    def _draw_once(self, key: tuple[Any, ...], draw: Callable[[], None]) -> None:
        if key != self._drawn:
            self._drawn = key
            draw()

    # ---- what the flow asks of a screen

    def ask(self, method: str, path: str, body: Facts | None, then: Then) -> None:
        """One request in a thread of its own; its reply comes back here."""

        async def work() -> None:
            reply = await asyncio.to_thread(self.link.ask, method, path, body)
            then(reply)
            self.show()

        self.run_worker(work(), exit_on_error=True)

    def turn_to(self, view: str) -> None:
        """Show a view, from its beginning."""
        self.view, self._scrolled, self._up = view, 0, 0

    def say(self, text: str) -> None:
        """One line for the person, until the next."""
        self._said = text

    # ---- keys

    def on_input_submitted(self, event: Input.Submitted) -> None:
        text, event.input.value = event.value, ""
        self._up = 0
        self.flow.give(text)
        self.show()

    def action_abort(self) -> None:
        self.flow.abort()
        self.show()

    def action_view(self, view: str) -> None:
        if view == self.view:
            self._channel += view == "wave"
            self._trend += view == "trend"
        self.turn_to(view)
        self.show()

    def action_begin(self) -> None:
        self.flow.begin()
        self.show()

    def action_pause(self) -> None:
        self.flow.pause(bool(((self.known.status or {}).get("going_on") or {}).get("paused")))
        self.show()

    def action_control(self) -> None:
        self.flow.control(self.known.status_at(self._now_s()))
        self.show()

    def action_step_back(self) -> None:
        line = self.query_one("#line", Input)
        form = self.flow.form
        if line.value and not (form and line.value == form.given()):
            line.value = ""
        elif form is not None and self.flow.back():
            line.value = form.given()
            line.cursor_position = len(line.value)
        else:
            self.turn_to("bench")
        self.show()

    def action_scroll(self, pages: int) -> None:
        rows = pages * max(1, self.query_one("#body").size.height - 2)
        self._scrolled, self._up = max(0, self._scrolled + rows), max(0, self._up - rows)
        self.show()

    def action_say_keys(self) -> None:
        self.say("To stop the run: F12 or Ctrl-X. To leave the console: Ctrl-Q; a run goes on without it.")
        self.show()


def _page(lines: list[str], first: int, rows: int, says_up: bool = False) -> list[str]:
    """What fits; where there is more below, the last row says so, and with `says_up` the first what is above."""
    page = lines[first : first + rows]
    if says_up and first > 0 and rows > 3:
        page[0] = f"(PgUp: {first + 1} more lines above)"
    left = len(lines) - first - rows
    if left > 0 and rows > 1:
        page[-1] = f"(PgDn: {left + 1} more lines)"
    return page
