"""For a colleague's spreadsheet: tables as CSV, captures as CSV, and a bundle that holds everything.

CSV by RFC 4180: comma, decimal point, CRLF; UTF-8 with a byte order mark, because common spreadsheets take a file
without one for the machine's old code page and then spoil every name that is not plain English. Units stand in
the heading in brackets, always base SI units, numbers with full precision. A text that a spreadsheet would take
for a formula gets an apostrophe in front.
"""

import csv
import io
import zipfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from orchestrator.record import wording
from orchestrator.record.captures import Capture, read_capture
from orchestrator.record.cycles import own_rows
from orchestrator.record.ledger_rows import FINDINGS
from orchestrator.record.ledger_table import LedgerRows
from orchestrator.record.reader import RunRecord
from orchestrator.record.sheet import data_sheet
from orchestrator.record.summary import Shot, Summary, summarise

Cell = str | float | int | None
_LONG_AGO = (1980, 1, 1, 0, 0, 0)  # the earliest date a zip can hold: equal records give equal bundles


def tables(record: RunRecord) -> dict[str, bytes]:
    """The CSV tables of a run by file name."""
    run = summarise(record.entries)
    both = {"verdicts.csv": _verdicts(run), "measurements.csv": _measurements(run)}
    rows = own_rows(record)
    if rows is None:
        return {"shots.csv": _shots(run), **both}
    return {"cycles.csv": _cycles(run, rows), "anomalies.csv": _anomalies(run), **both}


def capture_csv(capture: Capture) -> bytes:
    """A capture as columns: `time [us]`, then each channel in its unit."""
    channels = list(capture.channels.values())
    head = ["time [us]", *(f"{channel.name} [{channel.unit}]" for channel in channels)]
    columns = [capture.time_s() * 1e6, *(channel.values() for channel in channels)]
    lines = [",".join(head)]
    lines += [",".join(f"{value:.7g}" for value in row) for row in zip(*columns, strict=False)]
    return ("\r\n".join(lines) + "\r\n").encode()


def captures(record: RunRecord) -> Iterable[tuple[str, bytes]]:
    """Every capture of a run as CSV, by file name."""
    for entry in record.of("capture"):
        name = str(entry["file"])
        if name in record.files.names():
            yield str(Path(name).with_suffix(".csv")), capture_csv(read_capture(record.files.read(name)))


def write_tables(record: RunRecord, folder: Path, with_captures: bool = True) -> list[Path]:
    """Write tables and captures into a folder of their own; what was written."""
    made = []
    for name, data in [*tables(record).items(), *(captures(record) if with_captures else ())]:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        made.append(path)
    return made


def write_bundle(record: RunRecord, path: Path, heads: Sequence[Mapping[str, Any]] = ()) -> None:
    """One zip with the run folder as it is, the tables, the sheet with its amendments, and a guide.

    `heads` are this run's lines of the list of heads, to be confirmed by the laboratory.
    """
    with zipfile.ZipFile(path, "w") as bundle:
        for name in record.files.names():
            _add(bundle, f"{record.run}/{name}", record.files.read(name))
        for name, data in tables(record).items():
            _add(bundle, f"tables/{name}", data)
        for name, data in captures(record):
            _add(bundle, f"tables/{name}", data)
        sheet = data_sheet(record.entries, record.amendments.entries)
        _add(bundle, "sheet-with-amendments.txt", sheet.encode())
        _add(bundle, "README.txt", _guide(record, heads).encode())


def _add(bundle: zipfile.ZipFile, name: str, data: bytes) -> None:
    info = zipfile.ZipInfo(name, _LONG_AGO)
    info.external_attr = 0o644 << 16
    bundle.writestr(info, data, zipfile.ZIP_DEFLATED)


def _guide(record: RunRecord, heads: Sequence[Mapping[str, Any]]) -> str:
    rehearsal = f"{wording.REHEARSAL}\n\n" if record.rehearsal else ""
    listed = "\n".join(f"  {head['kind']}: {head['sha256']}" for head in heads) or "  none given"
    return f"""{rehearsal}Record of run {record.run}

{record.run}/            the run folder as it is; nothing in it was changed for this bundle
  journal.jsonl          what happened, one JSON object a line; `prev` is the sha256 of the line before
{_guide_cycles(record)}  seal.json              sha256 and size of every file at the end of the run
  amendments.jsonl       what was said later, each line with who, when, why
  captures/              raw codes of each shot, HDF5
  sheet.txt              the data sheet in plain text, as it was sealed
tables/                  the same figures for a spreadsheet, captures as columns
sheet-with-amendments.txt

Any line can be checked by hand: `sha256sum` of line n of the journal is `prev` of line n + 1, and `sha256sum` of a
file is its hash in seal.json. With this program: `benchward record verify {record.run}` (the run folder's path).
The laboratory's list of heads holds for this run (ask it to confirm):
{listed}

{wording.ONLY_THE_ITEMS_TESTED}
"""


def _guide_cycles(record: RunRecord) -> str:
    if not record.last("cycles_started"):
        return ""
    return "  cycles.txt             the ledger: a row for each mount of each cycle, its columns named at the top\n"


def _table(head: Sequence[str], rows: Iterable[Sequence[Cell]]) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(head)
    writer.writerows([[_cell(cell) for cell in row] for row in rows])
    return text.getvalue().encode("utf-8-sig", "backslashreplace")


def _cell(value: Cell) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return f"'{value}" if value[:1] in tuple("=+-@\t\r") else value
    return f"{value:.12g}" if isinstance(value, float) else str(value)


def _shots(run: Summary) -> bytes:
    names: dict[str, str] = {}
    for shot in run.shots:
        names.update({figure.name: figure.unit for figure in (*shot.figures, *shot.measurements)})
    head = [title for title, _ in _SHOT_COLUMNS]
    for name, unit in names.items():
        said = wording.plain_name(name)
        head += [f"{said} [{unit}]", f"{said}, expanded uncertainty U [{unit}]", f"{said}, k"]
    return _table(head, [_shot_row(run, shot, names) for shot in run.shots])


_SHOT_COLUMNS: tuple[tuple[str, Callable[[Summary, Shot], Cell]], ...] = (
    ("run", lambda run, shot: str(run.started.get("run"))),
    ("world", lambda run, shot: str(run.started.get("world"))),
    ("specimen", lambda run, shot: str(run.started.get("specimen"))),
    ("part", lambda run, shot: shot.part),
    ("shot", lambda run, shot: shot.shot),
    ("repeat", lambda run, shot: shot.repeat),
    ("triggered [UTC]", lambda run, shot: shot.triggered_utc),
    ("interval [s]", lambda run, shot: shot.interval_s),
    ("polarity", lambda run, shot: shot.polarity),
    ("charged [V]", lambda run, shot: shot.charged_v),
    ("indicator", lambda run, shot: shot.state),
    ("valid", lambda run, shot: {True: "yes", False: "no", None: "not computed"}[shot.valid]),
    ("not valid because", lambda run, shot: shot.why),
    ("capture", lambda run, shot: shot.file),
)


def _shot_row(run: Summary, shot: Shot, names: Iterable[str]) -> list[Cell]:
    row = [value(run, shot) for _, value in _SHOT_COLUMNS]
    for name in names:
        figure = shot.figure(name)
        if figure is None:
            row += [None, None, None]
        else:
            row += [figure.value, figure.expanded_uncertainty, figure.coverage_factor]
    return row


_CONFIRMED = ("position confirmed", "electrically confirmed", "counts on the specimen")


def _cycles(run: Summary, rows: LedgerRows) -> bytes:
    """The ledger with its columns in SI units; one line for each mount of each cycle."""
    units = {"bounce_count": "1"} | dict.fromkeys(("inrush", "steady_current"), "A") | {"contact_drop": "V"}
    head = ["run", "world", "cycle", "time since the run began [s]", "bank", "mount", *_CONFIRMED, "finding"]
    head += [f"{wording.plain_name(name)} [{units.get(name, 's')}]" for name in rows.figures]
    head += ["supply [1]"]
    first = ",".join(_quoted(str(run.started.get(key))) for key in ("run", "world"))
    flags = [np.where(one, "yes", "no") for one in (rows.position, rows.electrical, rows.counted)]
    columns = [rows.cycle, rows.t_s, rows.bank, rows.mount, *flags, np.array(FINDINGS)[rows.finding]]
    measured = [_column(one) for one in (*rows.figures.values(), rows.supply)]
    table = zip(*(one.tolist() for one in columns), *measured, strict=True)
    lines = [f"{first},{','.join(map(str, row))}" for row in table]
    return ("\r\n".join([",".join(head), *lines]) + "\r\n").encode("utf-8-sig")


def _quoted(text: str) -> str:
    """A text as one field of a CSV line."""
    return _table([], [[text]]).decode("utf-8-sig").strip("\r\n")


def _column(values: Any) -> list[str]:
    """Numbers as text; empty where there is none."""
    return ["" if value != value else f"{value:.9g}" for value in values.tolist()]


def _anomalies(run: Summary) -> bytes:
    head = [
        "run",
        "world",
        "cycle",
        "mount",
        "bank",
        "finding",
        "counts on the specimen",
        "why",
        "noticed [UTC]",
    ]
    first = [str(run.started.get(key)) for key in ("run", "world")]
    return _table(
        head,
        [
            [
                *first, e.get("cycle"), e.get("mount"), e.get("bank"), wording.plain_name(e.get("finding") or ""),
                "yes" if e.get("counted") else "no", e.get("why"), e.get("utc"),
            ]
            for e in run.of("anomaly")
        ],
    )  # fmt: skip


_VERDICT_COLUMNS = (
    "clause", "result", "judged", "direction", "limit", "unit", "must_be", "rule", "value", "expanded_uncertainty",
    "coverage_factor", "acceptance_limit", "verdict", "conditional", "sentence",
)  # fmt: skip


def _verdicts(run: Summary) -> bytes:
    columns = _VERDICT_COLUMNS if run.cycles is None else ("mount", "at_least", *_VERDICT_COLUMNS)
    head = [
        "run",
        "world",
        "specimen",
        *map(wording.plain_name, columns),
        "shots" if run.cycles is None else "cycles",
    ]
    first = [str(run.started.get(key)) for key in ("run", "world", "specimen")]
    return _table(
        head,
        [
            [*first, *(row.get(key) for key in columns), wording.shots_words(row.get("shots"))]
            for row in run.verdicts
        ],
    )


def _measurements(run: Summary) -> bytes:
    cyclic = run.cycles is not None
    place = ["mount", "cycle"] if cyclic else ["shot"]
    head = ["run", "world", "specimen", "result", *place, "measured [UTC]", "value", "unit"]
    head += ["expanded uncertainty U", "k", "instrument"]
    first = [str(run.started.get(key)) for key in ("run", "world", "specimen")]
    keys = ("value", "unit", "expanded_uncertainty", "coverage_factor", "instrument")
    return _table(
        head,
        [
            [
                *first,
                wording.plain_name(e.get("result") or ""),
                *([e.get("mount"), e.get("shot") or 0] if cyclic else [e.get("shot")]),
                e.get("utc"),
                *map(e.get, keys),
            ]
            for e in run.of("measurement")
        ],
    )
