"""A campaign's result in words: for the screen, for the page of the safety argument, and for CI."""

from __future__ import annotations

import shlex
from collections import Counter
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

from orchestrator.engine.environment import environment
from orchestrator.rehearse.faults.invariants import checks_of
from orchestrator.rehearse.faults.kinds import NOT_IN_VIRTUAL_WORLD

if TYPE_CHECKING:
    from orchestrator.rehearse.faults.campaign import Result
    from orchestrator.rehearse.faults.walk import Cell

MOST_BREACHES_SHOWN = 20


def again(command: str, cell: Cell) -> str:
    """The one command that shows a cell again."""
    return f"{command} --fault {shlex.quote(f'{cell.fault}@{cell.point}')}"


def counts(result: Result) -> list[str]:
    """Points, cells and what was left out, in lines."""
    points, tried = result.known.by_kind(), len(result.found)
    by_kind = ", ".join(f"{number} {kind}" for kind, number in sorted(points.items()))
    same = "the same number" if points == result.known.counted else f"DIFFERENT: {result.known.counted}"
    lines = [f"points: {len(result.known.points)} ({by_kind}); counted by plant, journal and store: {same}"]
    lines += [f"collapsed: {number} points, {why}" for why, number in result.selection.collapsed.items()]
    lines.append(f"cells: {tried} tried of {len(result.selection.numbers)} points")
    lines.append(f"  of them rejoined the fault-free run and were not walked further: {result.rejoined}")
    removed = result.removed()
    lines.append(f"cells removed by the declared table: {sum(removed.values())}")
    lines += [f"  {number:6}  {why}" for why, number in sorted(removed.items(), key=lambda item: -item[1])]
    return lines


def matrix(result: Result) -> list[str]:
    """Point kind and place against fault family: held of tried, breaches marked."""
    kinds: dict[str, Counter[str]] = {}
    broken: Counter[tuple[str, str]] = Counter()
    bad = {id(cell) for cell in result.breaches}
    for cell in result.found:
        row = ":".join(cell.point.split(":")[:2])
        kinds.setdefault(row, Counter())[cell.family] += 1
        broken[row, cell.family] += id(cell) in bad
    families = result.known.bench.families
    lines = [f"{'held of tried at':34}" + "".join(f"{family:>14}" for family in families)]
    for row, tried in kinds.items():
        texts = [
            f"{tried[family] - broken[row, family]}/{tried[family]}{'!' if broken[row, family] else ''}"
            if tried[family]
            else "-"
            for family in families
        ]
        lines.append(f"{row:34}" + "".join(f"{text:>14}" for text in texts))
    return lines


def summary(result: Result) -> str:
    """One sentence."""
    breaches = len(result.breaches)
    words = f"{result.held} cells held, {breaches} breach{'es' if breaches != 1 else ''}, "
    words += f"{len(result.not_detectable)} not detectable here (rests on calibration), "
    words += f"{len(result.not_tried)} not tried; {result.rejoined} rejoined the fault-free run"
    return words + ("." if result.passed else "; the test is NOT passed.")


def as_text(result: Result, command: str) -> str:
    """What is printed at the end."""
    lines = [*matrix(result), "", *counts(result), ""]
    lines += [f"worst time to safe, {family}: {time_s:.3f} s" for family, time_s in _worst(result)]
    for cell in result.breaches[:MOST_BREACHES_SHOWN]:
        lines += [
            "",
            f"BREACH {cell.fault} at {cell.point} ({cell.part or f'no {result.known.bench.applied[:-1]}'})",
        ]
        lines += [f"  {sentence}" for sentence in cell.breaches]
        lines.append(f"  again: {again(command, cell)}")
    more = len(result.breaches) - MOST_BREACHES_SHOWN
    lines += [f"... and {more} more (--json lists all)"] if more > 0 else []
    lines += [f"not tried: {cell.fault} at {cell.point}" for cell in result.not_tried]
    lines += [f"unfinished: {what}" for what in result.unfinished]
    return "\n".join([*lines, "", summary(result)])


def _worst(result: Result) -> list[tuple[str, float]]:
    return sorted(result.worst_time_to_safe_s().items())


def page(result: Result, command: str) -> str:
    """The safety argument: what must hold, what was tried, what came of it, what was not tried. Markdown."""
    versions, bench = environment(), result.known.bench
    libraries = ", ".join(f"{name} {version}" for name, version in versions["libraries"].items())
    faults = Counter(cell.fault for cell in result.found)
    undetectable = [f"- {cell.fault} at {cell.point} ({cell.part})" for cell in result.not_detectable]
    lines = [
        "# Fault test",
        "",
        "Simulated bench, virtual time. It argues about the sequence and the software; it proves nothing about a",
        "real bench's wiring. The hardware interlock chain is the safety function; it is bridged in this test on",
        "purpose, so that the software's own reaction is judged.",
        "",
        f"**{summary(result)}**",
        "",
        "## What must hold",
        *[f"- {name}" for name in checks_of(bench)],
        "",
        "## Faults tried",
        *[
            f"- {fault.name} ({fault.family}): {fault.words}; {faults[fault.name]} cells"
            for fault in bench.table
        ],
        f"- seeded pairs, the second on the way to safe of the first: {len(result.selection.pairs)} cells",
        "",
        "## Matrix",
        "```",
        *matrix(result),
        "```",
        "",
        "## Counts",
        *[f"- {line.strip()}" for line in counts(result)],
        "",
        "## Worst time from the fault until the contactors were open",
        *[f"- {family}: {time_s:.3f} s" for family, time_s in _worst(result)],
        "",
        "## Breaches",
        *[
            f"- {c.fault} at {c.point}: {'; '.join(c.breaches)} (again: `{again(command, c)}`)"
            for c in result.breaches
        ],
        *(["- none"] if not result.breaches else []),
        "",
        "## Not detectable here, rests on calibration",
        *(undetectable or ["- none"]),
        "",
        "## Not tried",
        *[f"- {cell.fault} at {cell.point}: it changed nothing" for cell in result.not_tried],
        *[f"- {what}" for what in result.unfinished],
        *[f"- {why}" for why in NOT_IN_VIRTUAL_WORLD.values()],
        "",
        "## Versions and seed",
        f"- benchward {versions['benchward']}, Python {versions['python']}, {libraries}",
        f"- seed {result.order.seed}",
        "",
    ]
    return "\n".join(lines)


def as_json(result: Result) -> dict[str, Any]:
    return {
        "passed": result.passed,
        "held": result.held,
        "points": result.known.by_kind(),
        "counted": result.known.counted,
        "collapsed": result.selection.collapsed,
        "removed": result.removed(),
        "tried": len(result.found),
        "rejoined": result.rejoined,
        "breaches": [cell.to_json() for cell in result.breaches],
        "not_detectable": [cell.to_json() for cell in result.not_detectable],
        "not_tried": [cell.to_json() for cell in result.not_tried],
        "unfinished": result.unfinished,
        "worst_time_to_safe_s": result.worst_time_to_safe_s(),
        "seed": result.order.seed,
    }


def ci_xml(result: Result) -> str:
    """The test-report XML that continuous integration services read: one case a point, failures with their cell."""
    bad = {id(cell) for cell in result.breaches}
    points: dict[str, list[Cell]] = {}
    for cell in result.found:
        points.setdefault(cell.point, []).append(cell)
    failures = sum(any(id(c) in bad for c in found) for found in points.values())
    suite = ElementTree.Element(
        "testsuite", name="fault test", tests=str(len(points)), failures=str(failures)
    )
    for point, found in points.items():
        case = ElementTree.SubElement(suite, "testcase", classname="fault test", name=point)
        for cell in found:
            if id(cell) in bad:
                failure = ElementTree.SubElement(case, "failure", message=f"{cell.fault}: {cell.breaches[0]}")
                failure.text = "\n".join(cell.breaches)
    return ElementTree.tostring(suite, encoding="unicode")
