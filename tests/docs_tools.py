"""The generated parts of the docs. `python -m tests.docs_tools` (`make docs`) writes them.

A part stands between `<!-- generated: NAME -->` and `<!-- end of generated -->`. Console blocks are done again and
their output is written anew, its first and last lines where a `...` stands in between.
"""

from __future__ import annotations

import re
import sys
import tempfile
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path

from drivers import dialects
from drivers.equipment import off
from orchestrator.console.keys import KEYS
from orchestrator.core import status
from orchestrator.core.interlock import Rules
from orchestrator.core.outcome import OUTCOME_OF, in_words
from orchestrator.core.reasons import EXPLANATIONS
from orchestrator.core.roles import IN_WORDS, MAY, Role
from orchestrator.core.states import (
    BENCH_TABLE,
    LAMP_OF,
    RUN_TABLE,
    BenchState,
    RunState,
    Transition,
    mermaid,
)
from orchestrator.monitor import port, sequencer
from orchestrator.monitor.logic import PROOF_MARGIN_S
from sequences.bench import Bench
from sequences.capture import CYCLE_COUNTS, CYCLE_FIGURES, INDICATOR_STATES, METHOD_CHANNELS, METHODS
from sequences.codes import CODES
from sequences.findings import Finding, render
from sequences.loader import load_bench
from sequences.model import Sequence
from sequences.quantity import DIMENSIONS, UNITS
from tests.docs_examples import DOCS, GAP, ROOT, TIDEWATER, Block, Command, Workplace, blocks, commands, same
from tests.docs_models import Examples, sections, steps, table
from tests.golden.test_findings import BROKEN, BROKEN_BENCH, EXPECTS, answer

GUIDE = ROOT / "DEVELOPERS.md"
PICTURE = DOCS / "pictures" / "shot.svg"
_PART = re.compile(
    r"(<!-- generated: (?P<name>[a-z-]+) -->\n)(?P<text>.*?)(<!-- end of generated -->)", re.DOTALL
)


def pages() -> list[Path]:
    """Every page, sorted."""
    return sorted(DOCS.glob("*.md"))


def regenerated(text: str) -> str:
    """A page's text with its generated parts made anew."""
    return _PART.sub(lambda part: f"{part[1]}\n{GENERATED[part['name']]()}\n\n{part[4]}", text)


# --------------------------------------------------------------------------- from the models


def _units() -> str:
    rows = []
    for name, dimension in DIMENSIONS.items():
        units = [symbol for symbol, unit in UNITS.items() if unit.dimension == name]
        rows.append((name, ", ".join(f"`{symbol}`" for symbol in units), f"`{dimension.example}`"))
    return table(("quantity", "units", "as in"), rows)


def _results() -> str:
    rows = []
    for method, results in METHODS.items():
        needs = " and ".join({"V": "a voltage", "A": "a current"}[unit] for unit in METHOD_CHANNELS[method])
        rows.append((f"`{method}`", needs, ", ".join(f"`{name}`" for name in results)))
    return table(("method", "channels it needs", "results"), rows)


_OF_CYCLES = {
    "make_time": "from the make record's trigger to the first touch of the contact",
    "bounce_time": "from the first touch to the last reopening's end",
    "bounce_count": "reopenings after the first touch",
    "inrush": "highest current of the make record, by its magnitude",
    "steady_current": "current at the end of the make record",
    "contact_drop": "voltage across the closed contact with the load's current",
    "break_time": "from the break record's trigger to the current's end",
    "arcing_time": "from the contact's parting to the current's end",
    "fail_to_make": "commanded on, confirmed on, and no current through a good load",
    "fail_to_break": "commanded off, confirmed off, and the current goes on",
    "high_resistance": "closed with a drop that no sound contact has",
    "malfunctions": "all of these three; what load, supply, actuator or recorder spoilt is not among them",
    "cycles": "cycles that the specimen has had, the confirmed ones and its malfunctions",
}


def _cycle_results() -> str:
    rows = []
    for name, kind in {**CYCLE_FIGURES, **CYCLE_COUNTS}.items():
        of = "every cycle" if name in CYCLE_FIGURES else "the duty"
        rows.append((f"`{name}`", kind.unit or "a count", of, _OF_CYCLES[name]))
    return table(("result", "unit", "one for", "what it is"), rows)


def _indicators() -> str:
    rows = [(material, ", ".join(f"`{s}`" for s in states)) for material, states in INDICATOR_STATES.items()]
    return table(("material", "states, from the good one"), rows)


# --------------------------------------------------------------------------- from the lists of codes and reasons


@cache
def _broken() -> Mapping[str, Finding]:
    """For each finding code that a broken file of the tests shows, the finding about the first such file."""
    shown: dict[str, Finding] = {}
    for path in (*BROKEN, *BROKEN_BENCH):
        expected = EXPECTS.fullmatch(path.read_text(encoding="utf-8").splitlines()[0])
        assert expected is not None, f"{path} does not say what it expects"
        if expected["code"] not in shown:
            found = answer(path)[1].findings
            shown[expected["code"]] = next(one for one in found if one.code == expected["code"])
    return shown


def _findings() -> str:
    return "\n\n".join(f"### {code}\n\n{text}{_example(code)}" for code, text in CODES.items())


def _example(code: str) -> str:
    finding = _broken().get(code)
    if finding is None:
        return ""
    lines = render(finding).splitlines()
    lines[0] = lines[0].replace(
        finding.file, "bench.yaml" if Path(finding.file).parent.name.endswith("_bench") else "sequence.yaml"
    )
    return "\n\n```\n" + "\n".join(lines) + "\n```"


def _stop_reasons() -> str:
    rows = []
    for reason, explained in EXPLANATIONS.items():
        outcome = OUTCOME_OF[reason]
        words = in_words(outcome, "the reason is said")
        rows.append((f"`{reason}`", explained.happened, f"`{outcome}`: {words}", explained.advice))
    return table(("reason", "what happened", "outcome", "what to do next"), rows)


def _states(rows: tuple[Transition, ...], initial: str) -> str:
    lines = [
        (t.source, f"`{t.event}`", t.target, " and ".join(f"`{g}`" for g in t.guards) or "-") for t in rows
    ]
    listed = table(("from", "event", "to", "only when"), lines)
    return f"```mermaid\n{mermaid(rows, initial)}\n```\n\n{listed}"


def _lamps() -> str:
    return table(("bench state", "lamp"), [(state, lamp) for state, lamp in LAMP_OF.items()])


def _dialects() -> str:
    rows = [
        (f"`{name}`", dialects.load(name).equipment, dialects.load(name).title) for name in dialects.names()
    ]
    return table(("dialect", "equipment", "what it is"), rows)


def _keys() -> str:
    rows = [(f"`{key.function.upper()}`", f"`{key.letter}`", key.does) for key in KEYS]
    always = [("`F12`", "`Ctrl-X`", "abort, from everywhere, at once, without a question")]
    paging = [("`PgDn` `PgUp`", "", "more of a view"), ("`Esc`", "", "leaves the line, or goes a step back")]
    return table(("key", "letter", "does"), [*always, *rows, *paging, ("`Ctrl-Q`", "", "leaves the console")])


def _roles() -> str:
    anybody = ("look, and abort", *("yes" for _ in Role))
    asked = [
        (
            "answer what is asked of one role: a witness, a hold point",
            "-",
            *("if asked" for _ in list(Role)[1:]),
        )
    ]
    rows = [(IN_WORDS[do], *("yes" if role in may else "-" for role in Role)) for do, may in MAY.items()]
    return table(("what", *(role.value for role in Role)), [anybody, *rows, *asked])


def _times() -> str:
    """What decides in which time, from the code's own constants and the Tidewater bench."""
    bench = load_bench(ROOT / TIDEWATER / "bench.yaml").bench
    assert bench is not None
    rules = Rules.from_dict(bench.monitor_rules())
    rows = [
        ("1", "one source's off messages sent and confirmed, or given up", off.OFF_S),
        ("1", "the engine takes a silent monitor for lost", port.LOST_AFTER_S),
        ("1, 2", "the engine's renewals stop: the monitor cuts", rules.renew_s),
        ("2", "from poll to poll (`poll`)", rules.poll_s),
        ("2", "an input that was not read counts as open (`fresh_within`)", rules.fresh_s),
        ("2", "two channels that differ are a failure (`channels_agree_within`)", rules.agree_s),
        ("2", "a contactor or precaution that contradicts its command is a fault", sequencer.SETTLE_S),
        ("2", "way to safe: one step not confirmed, the next follows all the same", sequencer.STEP_OFF_S),
        ("2", "way to energy: one step not confirmed ends the attempt", sequencer.STEP_ON_S),
        (
            "2",
            "off not proven: start blocked (`discharge_time` and a margin)",
            rules.discharge_s + PROOF_MARGIN_S,
        ),
        ("3", "no renewal: the watchdog drops every coil (`watchdog.time`)", rules.watchdog_time_s),
        ("-", 'an older reading never answers "may I go in?" with yes', status.FRESH_S),
    ]
    return table(
        ("layer", "what", "time"), [(layer, what, f"{time_s * 1000:g} ms") for layer, what, time_s in rows]
    )


GENERATED: Mapping[str, Callable[[], str]] = {
    "sequence-keys": lambda: sections(Sequence, Examples.of_library()),
    "bench-keys": lambda: sections(Bench, Examples.of_library()),
    "step-kinds": lambda: steps(Examples.of_library()),
    "units": _units,
    "results": _results,
    "indicators": _indicators,
    "cycle-results": _cycle_results,
    "findings": _findings,
    "stop-reasons": _stop_reasons,
    "bench-states": lambda: _states(BENCH_TABLE, BenchState.OUT_OF_OPERATION),
    "run-states": lambda: _states(RUN_TABLE, RunState.DRAFTED),
    "lamps": _lamps,
    "safety-times": _times,
    "dialects": _dialects,
    "console-keys": _keys,
    "roles": _roles,
}


# --------------------------------------------------------------------------- what commands print


def printed_anew(page: Path) -> str:
    """The page's text with the output of its commands as it is now. Follows the page from its beginning."""
    text = page.read_text(encoding="utf-8")
    with tempfile.TemporaryDirectory() as folder:
        place = Workplace(Path(folder))
        for block in blocks(page):
            if block.language == "console":
                text = text.replace(
                    f"```console\n{block.body}```", f"```console\n{_done(block, place)}```", 1
                )
            elif block.language == "diff":
                place.change(block)
            elif block.is_saved:
                place.save(block)
    return text


def _done(block: Block, place: Workplace) -> str:
    lines: list[str] = []
    for command in commands(block):
        printed = command.printed
        lines += command.typed
        lines += _as_stated(printed, place.run(command)) if command.runs_alone else printed
    return "".join(f"{line}\n" for line in lines)


def _as_stated(stated: list[str], printed: list[str]) -> list[str]:
    """What was printed, shortened in the same way as what was stated."""
    if GAP not in stated:
        return printed
    if same(stated, printed):
        return stated
    first, last = stated.index(GAP), stated[::-1].index(GAP)
    return [*printed[:first], GAP, *printed[len(printed) - last :]]


def draw_shot(file: Path) -> None:
    """The picture of one shot: rehearsed, then drawn from its record."""
    with tempfile.TemporaryDirectory() as folder:
        place = Workplace(Path(folder))
        capture = "rehearsed/captures/duty-01.h5"
        for words in (
            f"benchward rehearse {TIDEWATER}/sequence.yaml --set shots=4 --output rehearsed",
            f"benchward analyse {capture} --method limiting-voltage --plot {file}",
        ):
            said = place.run(Command(words, []))
            assert place.exit_code == 0, said
    file.write_text(_smaller(file.read_text(encoding="utf-8")), encoding="utf-8")


def _smaller(svg: str) -> str:
    """Without metadata, and the curves to hundredths of a point."""

    def rounded(path: re.Match[str]) -> str:
        return re.sub(r"(\d\.\d\d)\d+", r"\1", path[0].replace(" \n", " "))

    plain = re.sub(r"<metadata>.*?</metadata>\s*", "", svg, flags=re.DOTALL)
    return re.sub(r' d="[^"]+"', rounded, plain)


def main() -> int:
    """Write every page anew, and the picture; say which pages changed."""
    draw_shot(PICTURE)
    for page in [*pages(), GUIDE]:
        before = page.read_text(encoding="utf-8")
        page.write_text(regenerated(before), encoding="utf-8")
        page.write_text(printed_anew(page), encoding="utf-8")
        if page.read_text(encoding="utf-8") != before:
            print(f"written: {page.relative_to(ROOT)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
