"""Waveforms in text: comma-separated columns whose first line names them as `name [unit]`, time first."""

from __future__ import annotations

import io
import re
from dataclasses import dataclass
from typing import NoReturn

import numpy as np

from orchestrator.analysis.column_units import base_and_factor
from orchestrator.analysis.refusal import Refused
from orchestrator.analysis.time_axis import even_interval_s
from orchestrator.analysis.waveform import Array, Channel, Waveform

HEADER_HELP = "The first line names the columns, time first: time [us],voltage [kV],current [A]"
_COLUMN = re.compile(r"\s*(?P<name>[^\[\]]*?)\s*\[\s*(?P<unit>[^\[\]]*?)\s*\]\s*")
_LINES_COMPARED = 1000  # the last line is compared with so many before it, to see whether the file was cut


@dataclass(frozen=True)
class _Column:
    name: str
    unit: str  # base unit
    factor: float


def read_csv(data: bytes) -> Waveform:
    """A waveform from the bytes of a CSV file, in base units.

    Raises Refused: empty, unreadable, wrong_unit, missing_channel, gaps, non_uniform_time, truncated.
    """
    text = _decoded(data)
    header, _, body = text.partition("\n")
    columns = _columns(header.rstrip("\r"))
    if not body.strip():
        raise Refused("empty", "the file has a first line but no samples.", "Check that the export finished.")
    lines, notes = _whole_lines(body)
    if not lines.strip():
        raise Refused("truncated", "the file ends inside its first sample.", "Export or copy it again.")
    table = _table(lines, columns)
    return _waveform(table, columns, notes)


def _decoded(data: bytes) -> str:
    if not data.strip():
        raise Refused("empty", "the file is empty.", "Check that the instrument wrote its data.")
    if b"\0" in data:
        raise _not_text(data.index(b"\0"))
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        return _decoded_as_latin(data, error.start)


def _decoded_as_latin(data: bytes, at: int) -> str:
    """Older instruments write the micro sign as one byte; nothing else beyond ASCII is expected."""
    if at < len(data.partition(b"\n")[0]) and not set(data) - set(range(32, 127)) - set(b"\r\n\t\xb5\xb0"):
        return data.decode("latin-1")
    raise _not_text(at)


def _not_text(at: int) -> Refused:
    return Refused(
        "unreadable",
        f"the file is neither text nor a record of ours: byte {at} belongs to no text.",
        "Give a CSV, a COMTRADE .cfg, or a capture of this program.",
    )


def _columns(header: str) -> list[_Column]:
    if "," not in header and (";" in header or "\t" in header):
        separator = "semicolons" if ";" in header else "tabs"
        raise Refused(
            "unreadable",
            f"line 1: the columns are separated by {separator}, not by commas.",
            "Export with a comma between columns and a point in decimals.",
        )
    columns = [_column(cell, number) for number, cell in enumerate(header.split(","), start=1)]
    if columns[0].unit != "s":
        raise Refused(
            "wrong_unit",
            f"line 1: the first column is {columns[0].name} [{columns[0].unit}], not time.",
            HEADER_HELP,
        )
    names = [column.name for column in columns]
    if len(columns) < 2:
        raise Refused("missing_channel", "line 1: there is a time column and nothing else.", HEADER_HELP)
    if len(set(names)) < len(names):
        raise Refused("unreadable", "line 1: two columns have the same name.", "Give each its own name.")
    return columns


def _column(cell: str, number: int) -> _Column:
    cell = cell.strip().strip('"')
    match = _COLUMN.fullmatch(cell)
    if match and match["name"] and match["unit"]:
        return _Column(match["name"], *base_and_factor(match["unit"]))
    shown = cell.strip()[:40]
    if _is_number(shown):
        raise Refused("unreadable", "line 1: the file begins with numbers; no column is named.", HEADER_HELP)
    if (match and match["name"]) or re.fullmatch(r"[A-Za-z_][\w .()/-]*", shown):
        raise Refused("wrong_unit", f"line 1: column {number}, {shown!r}, has no unit.", HEADER_HELP)
    raise Refused("unreadable", f"line 1: column {number}, {shown!r}, is not `name [unit]`.", HEADER_HELP)


def _whole_lines(body: str) -> tuple[str, tuple[str, ...]]:
    """A file that was cut usually ends inside a line: raise Refused, or leave out a last line without an end.

    Returns the lines to read, and a note if one was left out.
    """
    if body.endswith("\n"):
        return body, ()
    start = max(len(body) - 200 * _LINES_COMPARED, 0)
    *before, last = body[start:].splitlines()[-_LINES_COMPARED:]
    lengths = [len(line) for line in before[1:] if line.strip()]
    if lengths and len(last) < min(lengths):
        raise Refused(
            "truncated",
            f"the file ends inside a line: {last[:40]!r}.",
            "The file was cut. Export or copy it again.",
        )
    whole = body.rpartition("\n")[0] + "\n"
    return whole, ("The last line of the file has no line end and was left out; is the file whole?",)


def _table(body: str, columns: list[_Column]) -> Array:
    try:
        table = np.loadtxt(io.StringIO(body), delimiter=",", comments=None, ndmin=2)
    except ValueError:
        _say_where(body, len(columns))
    if table.shape[1] != len(columns):
        _say_where(body, len(columns))
    if not np.isfinite(table).all():
        row, column = (int(x) for x in np.argwhere(~np.isfinite(table))[0])
        raise _gap(_line_of_row(body, row), columns[column].name)
    return table


def _say_where(body: str, expected: int) -> NoReturn:
    lines = body.split("\n")
    for number, line in enumerate(lines, start=2):
        cells = line.rstrip("\r").split(",")
        if not line.strip():
            continue
        if len(cells) != expected or not all(_is_number(cell) or not cell.strip() for cell in cells):
            last = not any(rest.strip() for rest in lines[number - 1 :])
            raise _bad_line(number, line, len(cells), expected, last)
        if not all(cell.strip() for cell in cells):
            raise _gap(number, f"column {next(k for k, cell in enumerate(cells, 1) if not cell.strip())}")
    raise Refused("unreadable", "the columns cannot be read as numbers.", HEADER_HELP)


def _bad_line(number: int, line: str, cells: int, expected: int, last: bool) -> Refused:
    shown = line.strip()[:40]
    if last:
        return Refused(
            "truncated",
            f"line {number}, the last one, is not whole: {shown!r}.",
            "The file was cut. Export or copy it again.",
        )
    if cells != expected:
        why = f"has {cells} columns where the first line names {expected}"
    else:
        why = "is not all numbers"
    return Refused(
        "unreadable",
        f"line {number} {why}: {shown!r}.",
        "Use a comma between columns and a point in decimals.",
    )


def _gap(line: int, column: str) -> Refused:
    return Refused(
        "gaps",
        f"line {line}: {column} is missing or not a number.",
        "Read the record out again; a gap cannot be filled by a guess.",
    )


def _line_of_row(body: str, row: int) -> int:
    filled = (number for number, line in enumerate(body.split("\n"), start=2) if line.strip())
    return next(number for k, number in enumerate(filled) if k == row)


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def _waveform(table: Array, columns: list[_Column], notes: tuple[str, ...]) -> Waveform:
    time_s = table[:, 0] * columns[0].factor
    interval_s = even_interval_s(time_s, first_row=2)
    channels = {
        column.name: Channel(column.name, column.unit, np.ascontiguousarray(table[:, k]), column.factor)
        for k, column in enumerate(columns)
        if k > 0
    }
    return Waveform(interval_s, float(time_s[0]), channels, notes)
