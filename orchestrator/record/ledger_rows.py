"""The form of a ledger: a heading, then one row of fixed width for each mount of each cycle.

The file starts with `HEADING`: what it is, and the columns. A row has `ROW_BYTES` bytes with its line end; its last
column is the CRC-32 (zlib's, in hex) of all bytes of the row before it. Columns, separated by one space each:

    cycle  number of the commanded cycle; a resumed run goes on with the number after the last one
    t_s    seconds since the run began
    bk mt  load bank (0: none) and mount, from 1
    flag   C commanded, P position confirmed, E electrically confirmed, N counts on the specimen; `-` where not
    fi     finding, a place in `FINDINGS`
    then make time, bounce time, reopenings, inrush, steady current, contact drop, break time, arcing time, and the
    supply in parts of a thousand of its rated value; `-` where there is none, the widest number where it is wider

A row that stands in the file is what happened: a cycle counts for a mount by `E` and `N` together ("confirmed"), a
malfunction by `N` without `E`. A cycle number never comes twice for a mount."""

from __future__ import annotations

import math
import zlib
from collections.abc import Sequence
from functools import lru_cache

LEDGER = "cycles.txt"
FINDINGS = (
    "ok", "fail_to_make", "fail_to_break", "high_resistance", "load_open", "load_partial", "supply_lost",
    "supply_dip", "actuator", "not_recorded",
)  # fmt: skip
COUNTED = frozenset({"ok", "fail_to_make", "fail_to_break", "high_resistance"})  # on the specimen

FIGURES = {  # name: units of a column for each SI unit, width
    "make_time": (1e6, 6),
    "bounce_time": (1e6, 5),
    "bounce_count": (1.0, 2),
    "inrush": (1e3, 6),
    "steady_current": (1e3, 6),
    "contact_drop": (1e5, 8),
    "break_time": (1e6, 6),
    "arcing_time": (1e6, 5),
}
COLUMNS = (  # heading and width of each; a row is all of them with a space between each two, and its line end
    ("# cycle", 7), ("t_s", 10), ("bk", 2), ("mt", 2), ("flag", 4), ("fi", 2), ("mk_us", 6), ("bn_us", 5), ("bn", 2),
    ("inr_mA", 6), ("st_mA", 6), ("drop", 8), ("br_us", 6), ("ar_us", 5), ("sup", 4), ("crc32", 8),
)  # fmt: skip
HIGHEST_MOUNT = 64
ROW_BYTES = sum(width + 1 for _, width in COLUMNS)
HEADING = (
    "# benchward ledger 1. A row for each mount of each cycle; its last column is the CRC-32 of the bytes before it.\n"
    f"# finding: {', '.join(f'{place} {name}' for place, name in enumerate(FINDINGS))}\n"
    "# flag: commanded, position confirmed, electrically confirmed, counts on the specimen. drop in units of 10 uV.\n"
    f"{' '.join(name.rjust(width) for name, width in COLUMNS)}\n"
).encode()

_SHARED = b"%7d %10.2f %2d "
_OWN = b"%b%2d %b %2d %6d %5d %2d %6d %6d %8d %6d %5d %b "
WIDTHS = tuple(width for _, width in FIGURES.values())
_IS_COUNTED = tuple(name in COUNTED for name in FINDINGS)


def shared_text(cycle: int, t_s: float, bank: int) -> bytes:
    """The first columns of every row of a cycle."""
    return _SHARED % (cycle, t_s, bank)


def supply_text(supply: float) -> bytes:
    """The column of the supply; `supply` is a part of its rated value, not a number where it is not known."""
    return b"   -" if math.isnan(supply) else b"%4d" % min(max(round(1000.0 * supply), -999), 9999)


def _flags(confirmed: str) -> tuple[bytes, ...]:
    """The flags for each finding."""
    position = "P" if "P" in confirmed else "-"
    return tuple(
        f"C{position}{'E' if name == 'ok' and position == 'P' else '-'}{'N' if counted else '-'}".encode()
        for name, counted in zip(FINDINGS, _IS_COUNTED, strict=True)
    )


FLAGS = {confirmed: _flags(confirmed) for confirmed in ("C", "CP")}


def row(shared: bytes, mount: int, flags: bytes, code: int, own: Sequence[float], supply: bytes) -> bytes:
    """One row with its CRC and line end. `own` holds the figures in the units of their columns."""
    try:
        a, b, c, d, e, f, g, h = map(round, own)
        text = _OWN % (shared, mount, flags, code, a, b, c, d, e, f, g, h, supply)
    except (ValueError, OverflowError):  # not a number, or infinite
        text = b""
    if len(text) != ROW_BYTES - 9:
        fields = [_field(value, width) for value, width in zip(own, WIDTHS, strict=True)]
        text = b"%b%2d %b %2d %b %b " % (shared, mount, flags, code, b" ".join(fields), supply)
    return b"%b%08x\n" % (text, zlib.crc32(text))


@lru_cache(maxsize=64)
def _clean_form(mounts: tuple[int, ...], supply: bytes) -> bytes:
    """The form of many rows behind their shared columns, where every mount did its part."""
    figures = b" ".join(b"%%%dd" % width for width in WIDTHS)
    flags = FLAGS["CP"][0]
    return b"".join(b"%2d %b  0 %b %b " % (mount, flags, figures, supply) for mount in mounts)


def clean_rows(shared: bytes, mounts: tuple[int, ...], figures: list[int], supply: bytes) -> bytes:
    """The rows of many mounts that all did their part, formatted at once. `figures` are whole numbers, each within its
    column, those of one mount behind those of another. The same bytes as `row` gives."""
    text = _clean_form(mounts, supply) % tuple(figures)
    before, width = zlib.crc32(shared), ROW_BYTES - 9 - len(shared)
    parts = [text[place : place + width] for place in range(0, len(text), width)]
    return b"".join([b"%b%b%08x\n" % (shared, part, zlib.crc32(part, before)) for part in parts])


def _field(value: float, width: int) -> bytes:
    """A figure that may be missing, or wider than its column."""
    if math.isnan(value):
        return b"-".rjust(width)
    return b"%*d" % (width, round(min(max(value, -(10.0 ** (width - 1) - 1)), 10.0**width - 1)))


def whole_bytes(data: bytes) -> int:
    """How many bytes of a ledger are whole, with the heading: what is behind them is a write that was cut off.

    A write that was cut off is no whole row, or holds bytes of zero where a disk had made room and put nothing there
    yet. A row that is whole and does not pass its check is damage, not a torn write, and stays. A file with a torn
    heading holds nothing; one that is no ledger is whole.
    """
    if HEADING.startswith(data):
        return len(data) if data == HEADING else 0
    if not data.startswith(HEADING):
        return len(data)
    rows = (len(data) - len(HEADING)) // ROW_BYTES
    zero = data.find(b"\0", len(HEADING) + max(0, rows - HIGHEST_MOUNT) * ROW_BYTES)
    if zero >= 0:
        rows = (zero - len(HEADING)) // ROW_BYTES
    return len(HEADING) + rows * ROW_BYTES


def rows_between(data: bytes, first: int, last: int) -> bytes:
    """The bytes of the rows of the cycles first to last of a whole ledger file, whose rows are in order."""
    rows = memoryview(data)[len(HEADING) :]
    count = len(rows) // ROW_BYTES
    begin, end = _place(rows, count, first), _place(rows, count, last + 1)
    return bytes(rows[begin * ROW_BYTES : end * ROW_BYTES])


def _place(rows: memoryview, count: int, cycle: int) -> int:
    """The place of the first row whose cycle is not before this one."""
    low, high = 0, count
    while low < high:
        middle = (low + high) // 2
        if int(bytes(rows[middle * ROW_BYTES :][:7])) < cycle:
            low = middle + 1
        else:
            high = middle
    return low
