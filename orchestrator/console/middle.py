"""The middle part of the screen: interlocks, and how far the duty has come.

What stands there of a duty comes from the status: `going_on` has `counted` (what it counts), `shown` (a table of text)
and `trend` (points of each result), which the duty's own progress says (`orchestrator.engine.progress`). A duty that
says none of them is one of shots, and its table is made from the figures of its journal.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from orchestrator.cli.happenings import value_words
from orchestrator.console.known import Known, Point
from orchestrator.console.words import joined, plain, wrapped
from orchestrator.core.status import is_old
from orchestrator.core.status_text import cut, interlock_state
from orchestrator.record.wording import limit_words, plain_name

Facts = Mapping[str, Any]
MOST_NOTES = 2


def bench_lines(status: Facts, known: Known, width: int, rows: int) -> list[str]:
    """Interlocks with their ages; below them what the duty shows of itself, or the shots against their limits."""
    interlocks = list(status["interlocks"])
    states = "   ".join(_interlock(one) for one in interlocks) or "no interlock is known"
    lines = wrapped([states, *unproven_line(interlocks)], width, indent="  ")
    shown = status["going_on"].get("shown")
    if shown:
        notes = [f"Odd of late: {'; '.join(shown['notes'])}"] if shown.get("notes") else []
        lines += wrapped(notes, width, MOST_NOTES, indent="  ")
        return [*lines, *table([list(map(plain, row)) for row in (shown["head"], *shown["rows"])], width)]
    if status["going_on"].get("counted") not in (None, "shot"):
        return lines
    return [*lines, *shot_table(known, width, rows - len(lines))]


def trend_points(status: Facts, known: Known) -> dict[str, list[Point]]:
    """The points of each result that can be drawn: as the duty gives them, or from the figures of its shots."""
    given = status["going_on"].get("trend")
    if not given:
        return known.picture.points
    return {
        str(name): [
            Point(int(number), float(value), str(one["unit"]), None) for number, value in one["points"]
        ]
        for name, one in given.items()
    }


def _interlock(one: Facts) -> str:
    state = interlock_state(one)
    return joined(
        f"{one['name']} {state}" if is_old(one["age_s"]) else f"{one['name']} {state} {one['age_s']:.1f} s"
    )


def unproven_line(interlocks: Iterable[Facts]) -> list[str]:
    """Which inputs have to be opened and closed by hand before arming."""
    names = [joined(str(one["name"])) for one in interlocks if not one["proven"]]
    return [f"Open and close once, before arming: {', '.join(names)}."] if names else []


def shot_table(known: Known, width: int, rows: int) -> list[str]:
    """A column for each limited result, a row for each shot; the newest ones where there are too many."""
    picture = known.picture
    limited = list(dict.fromkeys(str(one["result"]) for one in known.requirements))
    names = [name for name in limited if name in picture.points or name in picture.states]
    if not names or rows < 3:
        return [] if rows < 1 else ["no shot so far"]
    limits = {name: _limit(known, name) for name in names}
    by_shot = {name: {point.shot: point for point in picture.points.get(name, [])} for name in names}
    shots = sorted(
        {
            *(s for name in names for s in by_shot[name]),
            *(s for name in names for s in picture.states.get(name, {})),
        }
    )
    cells = [["shot", *(plain_name(name) for name in names)], ["limit", *limits.values()]]
    for shot in shots[-max(1, rows - 2) :]:
        cells.append(
            [
                str(shot),
                *(_cell(by_shot[name].get(shot), picture.states.get(name, {}).get(shot)) for name in names),
            ]
        )
    return table(cells, width)


def _limit(known: Known, name: str) -> str:
    rows = [one for one in known.requirements if one["result"] == name and one["judged"] == "every shot"]
    return plain(limit_words(rows[0])) if rows else ""


def _cell(point: Point | None, state: str | None) -> str:
    if point is None:
        return state or "-"
    words = {"value": point.value, "unit": point.unit, "expanded_uncertainty": point.expanded_uncertainty}
    return plain(value_words(words))


def table(cells: list[list[str]], width: int) -> list[str]:
    """Columns as wide as they have to be, two blanks between them."""
    widths = [max(len(row[column]) for row in cells) for column in range(len(cells[0]))]
    return [
        cut("  ".join(f"{text:{wide}}" for text, wide in zip(row, widths, strict=True)).rstrip(), width)
        for row in cells
    ]
