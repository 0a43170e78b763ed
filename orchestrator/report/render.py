"""The report: one HTML file that needs nothing else, made from the record and meant for print as well.

The same record, issued at the same moment by the same person, gives the same bytes.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from orchestrator.record import wording
from orchestrator.record.amend import corrections, issued_reports
from orchestrator.record.chain import sha256_hex
from orchestrator.record.entry_words import entry_words
from orchestrator.record.reader import SEAL, RunRecord
from orchestrator.record.sheet import amendment_words, event_words
from orchestrator.record.specimens import SpecimenHistory
from orchestrator.record.summary import PARTS, Shot, summarise
from orchestrator.record.verify import Verification
from orchestrator.report import contents
from orchestrator.report.cycle_contents import cyclic_duty

TEMPLATE = "report.html.j2"


@dataclass(frozen=True)
class Issue:
    """Who issues the report and when; `revision` counts from 1."""

    by: str
    utc: str
    revision: int = 1
    replaces: str | None = None

    @classmethod
    def next(cls, record: RunRecord, by: str, utc: str) -> "Issue":
        """The next revision of this record's report."""
        issued = issued_reports(record)
        replaces = str(issued[-1]["what"]["file"]) if issued else None
        return cls(by, utc, len(issued) + 1, replaces)


def render(
    record: RunRecord, verification: Verification, history: SpecimenHistory | None, issue: Issue
) -> bytes:
    """The report of a run as UTF-8 HTML. Takes about half a second for each shot, for the plots."""
    run = summarise(_open(record.entries))
    page = _environment().get_template(TEMPLATE)
    text: str = page.render(
        record=record,
        run=run,
        started=_open(run.started),
        ended=_open(run.ended),
        issue=issue,
        verification=verification,
        history=history,
        laboratory=_open(contents.laboratory(record)),
        specimen=contents.specimen_facts(record),
        drawn={part: contents.drawn(record, run, part) for part in PARTS},
        trends=contents.trends(run),
        duty=cyclic_duty(record, run, contents.MARK if run.rehearsal else ""),
        budgets=contents.budgets(run),
        corrections=_open(corrections(record)),
        asked={entry.get("question"): entry for entry in run.of("asked")},
        events=[(entry, words) for entry in run.entries if (words := event_words(entry))],
        amendments=[(_open(entry), amendment_words(entry)) for entry in record.amendments.entries],
        rules=_rules(run.verdicts),
        seal_sha256=sha256_hex(record.files.read(SEAL)) if record.sealed else None,
    )
    return text.encode("utf-8", "backslashreplace")


class _Open(dict[Any, Any]):
    """A mapping in which what was not recorded is None: a record may end anywhere."""

    def __missing__(self, key: Any) -> None:
        return None


def _open(value: Any) -> Any:
    if isinstance(value, dict):
        return _Open({key: _open(item) for key, item in value.items()})
    return [_open(item) for item in value] if isinstance(value, list) else value


def _rules(verdicts: Sequence[dict[str, Any]]) -> list[tuple[str, str]]:
    """Each rule that was applied, with the clauses it was applied to."""
    names = dict.fromkeys(str(row["rule"]) for row in verdicts if row.get("rule"))
    return [
        (
            ", ".join(str(row["clause"]) for row in verdicts if row.get("rule") == name),
            wording.RULES.get(name, name),
        )
        for name in names
    ]


def _environment() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=PackageLoader("orchestrator.report", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals["words"] = wording
    made.globals["parts"] = PARTS
    made.globals["entry_words"] = entry_words
    made.filters["figure_names"] = _figure_names
    made.filters["first_upper"] = lambda text: text[:1].upper() + text[1:]
    made.filters["plain"] = wording.plain_name
    made.filters["moment"] = wording.moment
    made.filters["shots"] = wording.shots_words
    made.filters["volts"] = partial(wording.quantity, unit="V")
    return made


def _figure_names(shots: Sequence[Shot]) -> list[str]:
    """The names of all figures and measured values of these shots, each once."""
    return list(dict.fromkeys(f.name for shot in shots for f in (*shot.figures, *shot.measurements)))
