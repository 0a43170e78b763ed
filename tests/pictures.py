"""`make pictures`: the console as it looks at moments of rehearsed runs, and one shot, as SVG for the documentation.

Everything in them comes from a rehearsal with a fixed seed on the simulated bench of the invented demonstrations; the
same code gives the same pictures. They name no font from elsewhere and imitate no window.
"""

from __future__ import annotations

import asyncio
import io
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rich.console import Console as RichConsole
from textual.widgets import Input

from orchestrator.api.looks import rows_of, thinned
from orchestrator.console.app import Console
from orchestrator.core.status import compose
from orchestrator.engine.service import as_facts
from orchestrator.record.captures import read_capture
from orchestrator.rehearse.rehearsal import Rehearsal, plant_for, prepare
from orchestrator.steps import KINDS
from sequences.loader import load_bench, load_sequence
from tests.console.fake import FakeLink
from tests.docs_tools import PICTURE, draw_shot

Facts = dict[str, Any]
ROOT = Path(__file__).resolve().parents[1]
TIDEWATER = ROOT / "sequences" / "library" / "tidewater"
WEIR_GATE = ROOT / "sequences" / "library" / "weir_gate"
PICTURES = ROOT / "orchestrator" / "docs" / "pictures"
RUN = "rehearsal-1-TW-04"
PEDAL, CYCLES, SHOWN_AT = "WG-01", "6000", 4731  # the specimen of the cycles, how many, the one that is shown
WEARS = {"specimen.drop_grows_from": "2500", "supply.dips_at_cycle": "4700:86 %"}
SIZE = (80, 24)
SVG = """<svg viewBox="0 0 {width} {height}" xmlns="http://www.w3.org/2000/svg">
<style>
.{unique_id}-matrix {{ font-family: monospace; font-size: {char_height}px; line-height: {line_height}px; }}
{styles}
</style>
<defs>
<clipPath id="{unique_id}-clip-terminal">
<rect x="0" y="0" width="{terminal_width}" height="{terminal_height}" />
</clipPath>
{lines}
</defs>
<rect width="100%" height="100%" fill="#101010" />
<g transform="translate({terminal_x}, {terminal_y})" clip-path="url(#{unique_id}-clip-terminal)">
{backgrounds}
<g class="{unique_id}-matrix">
{matrix}
</g>
</g>
</svg>
"""


@dataclass(frozen=True)
class Moment:
    """One instant of a rehearsal: the status then, and the journal up to it."""

    status: Facts
    journal: list[Facts]


def rehearsed(stop_by_door: bool = False) -> tuple[list[Moment], Rehearsal]:
    """Every change of a run of six shots; with the door opened during the third charge, where asked for."""
    loaded = load_sequence(str(TIDEWATER / "sequence.yaml"), KINDS, {"shots": "6", "verification_shots": "1"})
    bench = load_bench(str(TIDEWATER / "bench.yaml"))
    plant = plant_for(TIDEWATER / "bench.yaml", 1)
    moments: list[Moment] = []
    journal: list[Facts] = []

    def kept(entry: Facts) -> None:
        journal.append(entry)
        if stop_by_door and entry["kind"] == "intent" and (entry["act"], entry.get("shot")) == ("charge", 3):
            plant.set("door", "open", made.virtual.now_s + 0.0)

    made = prepare(loaded, bench, plant, 1, "TW-04", kept)

    def changed() -> None:
        now_s = made.virtual.now_s
        run = {"bench": "Bench 3 impulse", "run": RUN, "started_by": {}, **made.world.progress.to_json(now_s)}
        moments.append(Moment(compose(as_facts(made.port.snapshot()), run, None, now_s, None), list(journal)))

    made.world.progress.changed = changed
    end = made.perform()
    facts = {
        "run": RUN,
        "reason": end.cause.reason.value,
        "sentence": end.sentence,
        "off_proven": end.off_proven,
        "verdicts": [row.to_json() for row in end.rows],
    }
    now_s = made.virtual.now_s
    idle = compose(as_facts(made.port.snapshot()), {"bench": "Bench 3 impulse"}, facts, now_s, None)
    moments.append(Moment(idle, list(journal)))
    return moments, made


def rehearsed_cycles() -> tuple[Moment, Rehearsal]:
    """A cycle far into a run whose contact wears faster than most, some cycles after a dip of the supply."""
    values = {"cycles": CYCLES, "checked_every": "2000"}
    loaded = load_sequence(str(WEIR_GATE / "sequence.yaml"), KINDS, values)
    plant = plant_for(WEIR_GATE / "bench.yaml", 1)
    for name, value in WEARS.items():
        plant.set(name, value, 0.0)
    shown: list[Moment] = []
    journal: list[Facts] = []
    made = prepare(
        loaded, load_bench(str(WEIR_GATE / "bench.yaml")), plant, 1, PEDAL, journal.append, coasts=True
    )

    def changed() -> None:
        progress, now_s = made.world.progress, made.virtual.now_s
        if shown or progress.shot < SHOWN_AT or progress.doing != "cycles run":
            return
        run = {
            "bench": "Bench 7 endurance",
            "run": made.order.run,
            "started_by": {},
            **progress.to_json(now_s),
        }
        shown.append(Moment(compose(as_facts(made.port.snapshot()), run, None, now_s, None), list(journal)))

    made.world.progress.changed = changed
    made.perform()
    return shown[0], made


def first(moments: list[Moment], true: Callable[[Facts], bool]) -> Moment:
    """The first moment that satisfies."""
    return next(moment for moment in moments if true(moment.status))


def asks(ask: str, shot: int = 0) -> Callable[[Facts], bool]:
    """Whether this is asked, from this shot on."""
    return lambda status: (
        (status["do"]["question"] or {}).get("ask") == ask and status["going_on"]["shot"] >= shot
    )


def is_charging(status: Facts) -> bool:
    """The fifth shot being charged, with most of its voltage there."""
    going_on = status["going_on"]
    return (going_on["doing"], going_on["shot"]) == ("charging", 5) and (
        status["may_i_go_in"]["stored_v"] or 0
    ) > 1000


def connects_specimen(status: Facts) -> bool:
    """The specimen is to be connected."""
    return (status["do"]["question"] or {}).get("connection") == "specimen"


def picture(moment: Moment, made: Rehearsal, keys: tuple[str, ...] = (), typed: str = "") -> str:
    """The console's screen at a moment, as SVG."""
    link = FakeLink()
    sequence = made.order.sequence.sequence
    assert sequence is not None
    run = made.order.run
    link.replies[f"/runs/{run}/requirements"] = {"ok": True, "content": rows_of(sequence)}
    link.replies[f"/runs/{run}"] = {"ok": True, "journal": moment.journal}
    for entry in moment.journal:
        if entry["kind"] == "capture":
            name = Path(entry["file"]).stem
            link.replies[f"/runs/{run}/captures/{name}"] = wave(made, name)
    at_s = float(moment.status["at_s"])
    app = Console(link, "technician", "K. Invented", now_s=lambda: at_s + 0.04)

    async def shoot() -> str:
        async with app.run_test(size=SIZE) as pilot:
            link.tell("status", moment.status)
            app.show()
            for key in (None, *keys, None):
                if key:
                    await pilot.press(key)
                await pilot.pause()
                await app.workers.wait_for_complete()
                app.show()
            app.query_one("#line", Input).value = typed
            await pilot.pause()
            return svg_of(app)

    return asyncio.run(shoot())


def wave(made: Rehearsal, name: str) -> Facts:
    """What the API would tell of a capture."""
    capture = read_capture(made.store.read(f"captures/{name}.h5"))
    channels = {
        one.name: thinned(one, capture.interval_s, capture.first_s, 600) for one in capture.channels.values()
    }
    return {"ok": True, "run": made.order.run, "capture": name, "channels": channels}


def svg_of(app: Console) -> str:
    """What is on the screen, in our own frame: none."""
    width, height = app.size
    paper = RichConsole(
        width=width, height=height, file=io.StringIO(), force_terminal=True, color_system="truecolor",
        record=True, legacy_windows=False, safe_box=False,
    )  # fmt: skip
    paper.print(app.screen._compositor.render_update(full=True))
    return paper.export_svg(title="", code_format=SVG, unique_id="benchward")


def pictures() -> dict[str, str]:
    """Every picture of the console by its name."""
    moments, made = rehearsed()
    stopped, other = rehearsed(stop_by_door=True)
    cycles, pedal = rehearsed_cycles()
    return {
        "console-cycles": picture(cycles, pedal),
        "console-trend": picture(cycles, pedal, ("f5", "f5")),
        "console-label": picture(first(moments, connects_specimen), made, typed="TW-04"),
        "console-arming": picture(first(moments, asks("arm", 0)), made, typed="1"),
        "console-charging": picture(first(moments, is_charging), made),
        "console-waveform": picture(first(moments, asks("observe", 4)), made, ("f4", "f4")),
        "console-why": picture(stopped[-1], other, ("f7",)),
    }


def main() -> int:
    """Write them all."""
    PICTURES.mkdir(parents=True, exist_ok=True)
    for name, svg in pictures().items():
        (PICTURES / f"{name}.svg").write_text(svg, encoding="utf-8")
        print(f"written: {name}.svg")
    draw_shot(PICTURE)
    print(f"written: {PICTURE.name}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
