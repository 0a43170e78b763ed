"""The data sheet: plain text that can be read in eight years without this program.

It is made from the journal alone, so it can be made again at any time and compared.
"""

import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Any

from orchestrator.core.identity import CARD_FIELDS
from orchestrator.record import cycles_sheet, wording
from orchestrator.record.cycles import Cycles
from orchestrator.record.entry_words import entry_words, override_words
from orchestrator.record.summary import PARTS, Shot, Summary, summarise

WIDTH = 110


def data_sheet(
    entries: Iterable[Mapping[str, Any]], amendments: Sequence[Mapping[str, Any]] = (), standing: str = ""
) -> str:
    """The sheet of a run. `standing` is a sentence on the record itself, for instance what `verify` found."""
    run = summarise(entries)
    name = run.started.get("run") or "not named"
    parts = [
        _head(run, standing),
        _section("OUTCOME, VERDICTS, WHY IT STOPPED", _facts(run)),
        _section("CAUTIONS", (line for text in run.cautions for line in _wrapped(text))),
        _section("SPECIMEN", _specimen(run)),
        _section("BENCH AND INSTRUMENTS", _bench(run)),
        _section("CONDITIONS AND PARAMETERS", _conditions(run)),
        _section("PEOPLE AND WHAT THEY CONFIRMED", _people(run, amendments)),
        *([_section(_VERIFICATION, _verification(run))] if run.tells_verification else []),
        *_duty_sections(run),
        _section("DECISION RULES", _rules(run)),
        _section("EVENTS", _events(run)),
        _section("AMENDMENTS", _amendments(amendments)),
    ]
    mark = ", REHEARSAL" if run.rehearsal else ""
    end = f"{wording.ONLY_THE_ITEMS_TESTED}\n\nEND OF THE DATA SHEET of run {name}{mark}\n"
    text = "\n".join([*parts, end])
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def _head(run: Summary, standing: str) -> str:
    started = run.started
    lines = [
        "DATA SHEET OF A TEST RUN",
        "=" * WIDTH,
        *([wording.REHEARSAL, ""] if run.rehearsal else []),
        _fact("run", started.get("run")),
        _fact("sequence", started.get("title")),
        *([_fact("scenario", f"{started['scenario']}")] if started.get("scenario") else []),
        _fact("specimen", started.get("specimen")),
        _fact("bench", started.get("bench")),
        _fact("began", wording.moment(started.get("utc"))),
        _fact("ended", wording.moment(run.ended.get("utc")) if run.ended else "its end is not recorded"),
        *([_fact("record", standing)] if standing else []),
    ]
    return "\n".join(lines) + "\n"


_VERIFICATION = "VERIFICATION OF THE BENCH, SPECIMEN NOT CONNECTED"
_PROVEN = {True: "yes", False: "NO: TREAT AS LIVE", None: "not known: treat as live"}
_VALID = {True: "yes", False: "NO", None: "not computed"}


def _section(title: str, lines: Iterable[str]) -> str:
    body = list(lines) or ["none"]
    return "\n".join([title, "-" * WIDTH, *body]) + "\n"


def _fact(name: str, value: Any) -> str:
    return f"{name + ':':<24}{'not recorded' if value in (None, '') else value}"


@lru_cache(maxsize=1024)  # cautions and definitions are the same on each sheet
def _wrapped(text: str) -> tuple[str, ...]:
    if text and len(text) <= WIDTH and text.isprintable() and text == text.strip():
        return (text,)  # what wrapping would give
    return tuple(textwrap.wrap(text, WIDTH, subsequent_indent="  ")) or ("",)


def _facts(run: Summary) -> Iterator[str]:
    mark = "   REHEARSAL, simulated" if run.rehearsal else ""
    yield _fact("outcome", f"{run.outcome_words.split(':')[0]}   (token: {run.outcome}){mark}")
    yield from _table(
        (*_VERDICT_HEAD, "shots" if run.cycles is None else "cycles"),
        [_verdict_row(row) for row in run.verdicts],
    )
    for row in run.verdicts:
        yield from _wrapped(f"{wording.clause_words(row)}: {wording.verdict_sentence(row)}")
    yield ""
    if not run.ended:
        yield from _wrapped(f"Why it stopped: {wording.INTERRUPTED}")
        return
    yield from _wrapped(f"Why it stopped: {run.ended.get('sentence')}")
    yield _fact("off proven at the end", _PROVEN[run.ended.get("off_proven")])
    for cause in run.of("cause"):
        which = "first cause" if cause.get("first") else "later cause"
        who = f", by {cause['who']}" if cause.get("who") else ""
        yield from _wrapped(f"{which}: {cause.get('reason')}: {cause.get('what')}{who}")


_VERDICT_HEAD = ("clause", "result", "judged", "demand", "value, U", "k", "accept. limit", "verdict")


def _verdict_row(row: Mapping[str, Any]) -> tuple[str, ...]:
    unit = wording.row_unit(row)
    accept = row.get("acceptance_limit")
    return (
        wording.clause_words(row),
        wording.plain_name(row.get("result") or ""),
        str(row.get("judged") or ""),
        wording.limit_words(row),
        wording.row_value(row),
        _factor(row.get("coverage_factor")) if row.get("expanded_uncertainty") else "",
        "" if accept is None else wording.exact(accept, unit),
        f"{row.get('verdict')}{' cond.' if row.get('conditional') else ''}",
        wording.shots_words(row.get("shots")),
    )


def _factor(k: Any) -> str:
    return "" if k is None else f"{k:.2f}"


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> Iterator[str]:
    """Columns as wide as their widest cell; no rows, no table."""
    if not rows:
        return
    widths = [max(len(row[place]) for row in [head, *rows]) for place in range(len(head))]
    for row in [head, ["-" * width for width in widths], *rows]:
        yield "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
    yield ""


def _specimen(run: Summary) -> Iterator[str]:
    started = run.started
    yield _fact("identity", started.get("specimen"))
    for name in CARD_FIELDS:
        if started.get(name):
            yield _fact(name, started[name])
    earlier = started.get("part_of") or []
    yield _fact("earlier runs", ", ".join(map(str, earlier)) if earlier else "none recorded at the start")
    for entry in run.of("indicator"):
        lot = f", lot {entry['lot']}" if entry.get("lot") else ", lot not recorded"
        layers = f"{entry.get('layers')} layer(s) of {entry.get('material')}{lot}"
        yield _fact(
            "indicator", f"{layers}, {entry.get('state')}, put on by {wording.person(entry.get('by'))}"
        )
    if run.started.get("specimens"):
        yield from _wrapped(f"{'mounts:':<24}{', '.join(map(str, run.started['specimens']))}")
    if run.cycles is None:
        yield _fact("shots applied", run.ended.get("shots_applied", "see the shots below"))


def _bench(run: Summary) -> Iterator[str]:
    yield _fact("bench", run.started.get("bench"))
    yield from _table(
        ("instrument", "maker", "model", "serial", "firmware", "calibration due"),
        [
            tuple(str(entry.get(key) or "not recorded") for key in _INSTRUMENT_KEYS)
            for entry in run.of("instrument")
        ],
    )


_INSTRUMENT_KEYS = ("name", "maker", "model", "serial", "firmware", "calibration_due")


def _conditions(run: Summary) -> Iterator[str]:
    started = run.started
    for entry in run.of("ambient"):
        yield _fact("ambient", f"{wording.ambient_words(entry)}   {wording.moment(entry.get('utc'))}")
    for name, value in (started.get("parameters") or {}).items():
        yield _fact(wording.plain_name(name), value)
    yield _fact("software", started.get("software"))
    if started.get("seed") is not None:
        yield _fact("seed", started["seed"])
    yield _fact("sequence, sha256", started.get("sequence_sha256"))
    yield _fact("bench file, sha256", started.get("bench_sha256"))
    if started.get("remark"):
        yield from _wrapped(f"remark: {started['remark']}")


def _people(run: Summary, amendments: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    yield _fact("started by", wording.person(run.started.get("started_by")))
    asked = {entry.get("question"): entry for entry in run.of("asked")}
    corrected = {
        (a["what"]["entry"], a["what"]["reading"]): a for a in amendments if a.get("kind") == "correction"
    }
    for entry in run.of("answered"):
        question = asked.get(entry.get("question"), {})
        no = "" if entry.get("yes", True) else " NO, STOP."
        yield from _wrapped(
            f"{wording.moment(entry.get('utc'))}  {entry.get('ask') or question.get('ask')}: "
            f"{question.get('text') or ''}{no} Answered by {wording.person(entry.get('by'))}"
        )
        yield from _answer_details(entry, corrected)


def _answer_details(entry: Mapping[str, Any], corrected: Mapping[tuple[Any, str], Any]) -> Iterator[str]:
    for item in entry.get("confirmed") or []:
        yield f"    confirmed: {item}"
    if entry.get("choice"):
        yield f"    seen: {entry['choice']}"
    for name, value in (entry.get("readings") or {}).items():
        amendment = corrected.get((entry.get("n"), name))
        if amendment is None:
            yield f"    reading {name}: {value}   (entry {entry.get('n')})"
        else:
            now = amendment["what"]["now"]
            yield f"    reading {name}: {now}   CORRECTED by amendment {amendment['n']}; written then: {value}"
    if entry.get("labels"):
        yield f"    labels, by mount: {', '.join(entry['labels'])}"
    for key in ("label", *CARD_FIELDS, "photo", "remark"):
        if entry.get(key):
            yield f"    {key}: {entry[key]}"


def _verification(run: Summary) -> Iterator[str]:
    for entry in run.of("verification"):
        reused = f", taken over from run {entry['reused_from']}" if entry.get("reused_from") else ""
        yield _fact("result", ("accepted" if entry.get("accepted") else "NOT ACCEPTED") + reused)
        if entry.get("effective_impedance_ohm") is not None:
            yield _fact("effective impedance", wording.quantity(entry["effective_impedance_ohm"], "ohm"))
        for found in entry.get("findings") or []:
            yield from _wrapped(f"finding: {found}")
    yield ""
    yield from _shots(run, PARTS[:2])


def _other_measurements(run: Summary) -> Iterator[str]:
    for figure, utc in run.other_measurements:
        value = wording.measured(vars(figure))
        factor = f" (k = {figure.coverage_factor:.2f})" if figure.coverage_factor else ""
        yield _fact(wording.plain_name(figure.name), f"{value}{factor}   {wording.moment(utc)}")


def _duty_sections(run: Summary) -> Iterator[str]:
    cycles = run.cycles
    if cycles is None:
        yield _section("MEASUREMENTS NOT BELONGING TO A SHOT", _other_measurements(run))
        yield _section("SHOTS ON THE SPECIMEN", _shots(run, ("duty",)))
    else:
        yield _section("MEASUREMENTS BEFORE, BETWEEN AND AFTER THE CYCLES", _between_cycles(run))
        yield _section("CYCLES ON THE SPECIMEN", _cycles(cycles))


def _between_cycles(run: Summary) -> Iterator[str]:
    for name, (head, rows) in cycles_sheet.measured_tables(run.of("measurement")):
        yield f"{name}:"
        yield from _table(head, rows)


def _cycles(cycles: Cycles) -> Iterator[str]:
    yield from (_fact(name, value) for name, value in cycles_sheet.facts(cycles))
    yield ""
    yield from _table(*cycles_sheet.counts_table(cycles))
    for text in cycles_sheet.sentences(cycles):
        yield from _wrapped(text)


def _shots(run: Summary, parts: Sequence[str]) -> Iterator[str]:
    for part in parts:
        shots = run.part(part)
        if not shots:
            continue
        if len(parts) > 1:
            yield f"{part}:"
        yield from _shot_table(shots)
        for shot in shots:
            yield from _shot_notes(shot)
        for name, definition in _definitions(shots).items():
            yield from _wrapped(f"{wording.plain_name(name)}: {definition}")
        if factor := _coverage(shots):
            yield factor
        yield ""


def _shot_table(shots: Sequence[Shot]) -> Iterator[str]:
    names = list(dict.fromkeys(f.name for shot in shots for f in (*shot.figures, *shot.measurements)))
    state = ["indicator"] if any(shot.state for shot in shots) else []
    head = [
        "shot",
        "time UTC",
        "interval",
        "polarity",
        "charged",
        *map(wording.plain_name, names),
        *state,
        "valid",
    ]
    yield from _table(head, [_shot_row(shot, names, bool(state)) for shot in shots])


def _shot_row(shot: Shot, names: Sequence[str], with_state: bool) -> list[str]:
    figures = [shot.figure(name) for name in names]
    return [
        f"{shot.shot}" + (f" rep. {shot.repeat}" if shot.repeat else ""),
        wording.moment(shot.triggered_utc)[5:19],
        "" if shot.interval_s is None else f"{shot.interval_s:.1f} s",
        shot.polarity or "",
        "" if shot.charged_v is None else wording.quantity(shot.charged_v, "V"),
        *("" if f is None else wording.measured(vars(f)) for f in figures),
        *([shot.state or ""] if with_state else []),
        _VALID[shot.valid],
    ]


def _shot_notes(shot: Shot) -> Iterator[str]:
    if shot.why:
        yield from _wrapped(f"{shot.name} not valid: {shot.why}")
    for warning in shot.warnings:
        yield from _wrapped(f"{shot.name}: {warning}")
    if shot.file:
        yield f"{shot.name}: {shot.file}  sha256 {shot.sha256}"


def _definitions(shots: Sequence[Shot]) -> dict[str, str]:
    return {f.name: f.definition for shot in shots for f in shot.figures if f.definition}


def _coverage(shots: Sequence[Shot]) -> str:
    factors = sorted({round(f.coverage_factor, 2) for s in shots for f in s.figures if f.coverage_factor})
    if not factors:
        return ""
    between = f"{factors[0]:.2f}" if len(factors) == 1 else f"{factors[0]:.2f} to {factors[-1]:.2f}"
    return f"± is the expanded uncertainty U, coverage factor k = {between}."


def _rules(run: Summary) -> Iterator[str]:
    for rule in dict.fromkeys(str(row["rule"]) for row in run.verdicts if row.get("rule")):
        clauses = ", ".join(str(row["clause"]) for row in run.verdicts if row.get("rule") == rule)
        yield from _wrapped(f"{clauses}: {wording.RULES.get(rule, rule)}")


def _events(run: Summary) -> Iterator[str]:
    for entry in run.entries:
        text = event_words(entry)
        if text:
            yield from _wrapped(f"{wording.moment(entry.get('utc'))}  {text}")


def event_words(entry: Mapping[str, Any]) -> str:
    """What happened beside the plan, in a sentence; empty for everything else."""
    match entry.get("kind"):
        case "paused" | "resumed" as kind:
            return f"{kind} by {wording.person(entry.get('by'))}"
        case "clock_step":
            return f"the computer's clock was stepped by {entry.get('step_s')} s; intervals are not affected"
        case "interlock":
            return f"interlock {entry.get('name')} {'closed' if entry.get('closed') else 'OPENED'}"
        case "override":
            return override_words(entry)
        case "gap" | "uncertain_cycle" | "trend_warning" | "mount_stopped" | "measurement_lost":
            return entry_words(entry)
        case "invalid_shot":
            return f"shot {entry.get('shot')} was not valid: {entry.get('why')}"
        case "off_proof" if not entry.get("safe"):
            return f"OFF NOT PROVEN on {entry.get('output')}: {entry.get('because') or 'see the journal'}"
    lost = entry.get("not_written")
    return f"could not be written at the time: {', '.join(lost)}" if lost else ""


def _amendments(amendments: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    for entry in amendments:
        yield from _wrapped(
            f"{entry.get('n')}  {wording.moment(entry.get('utc'))}  {entry.get('kind')}: {amendment_words(entry)}. "
            f"By {wording.person(entry.get('by'))}. Reason: {entry.get('reason')}"
        )


def amendment_words(entry: Mapping[str, Any]) -> str:
    """What an amendment says."""
    what = entry.get("what") or {}
    match entry.get("kind"):
        case "remark":
            return str(what.get("text"))
        case "correction":
            return f"reading {what['reading']} of entry {what['entry']}: was {what['was']}, now {what['now']}"
        case "report issued":
            replaces = f", replaces {what['replaces']}" if what.get("replaces") else ""
            return f"{what['file']}, revision {what['revision']}{replaces}, sha256 {what['sha256']}"
    return str(what)
