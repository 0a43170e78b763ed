"""How runs ended, as the engine remembers and tells it: of this process, or from the run folders of an earlier one."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from orchestrator.core.outcome import exit_code, in_words
from orchestrator.core.reasons import GO_ON
from orchestrator.engine.preflight import FINISHED
from orchestrator.record.reader import NoRecord, RunRecord, last, read_run
from orchestrator.record.specimens import after_a_stop, newest_run
from orchestrator.record.store import StorageFault
from sequences.capture import INDICATOR_STATES

if TYPE_CHECKING:
    from orchestrator.engine.run import RunEnd

Args = dict[str, Any]


def end_facts(name: str, folder: Path, end: RunEnd) -> Args:
    """The end of a run, for people and programs."""
    off_proven = end.off_proven is True
    return {
        "run": name,
        "folder": str(folder),
        "outcome": end.outcome.value,
        "words": in_words(end.outcome, end.cause.what),
        "reason": end.cause.reason.value,
        "off_proven": end.off_proven,
        "sentence": end.sentence,
        "indicator_doubt": end.indicator_doubt,
        "later": [cause.to_json() for cause in end.later],
        "verdicts": [row.to_json() for row in end.rows],
        "sealed": end.sealed,
        "exit_code": exit_code(end.outcome, off_proven),
        "go_on_with": _in_folder(folder),
    }


def end_of_newest(data: Path) -> Args | None:
    """How the last run before this process ended, as far as its folder tells."""
    folder = newest_run(data)
    if folder is None:
        return None
    record = read_run(folder)
    ended = record.last("run_ended")
    known = {"run": record.run, "folder": str(folder), "sealed": record.sealed}
    if not ended:
        sentence = "It was interrupted: the daemon or the computer went down. Inspect the specimen first."
        if record.first("cycles_started"):
            sentence = f"{sentence[:-1]}, then {GO_ON.replace('RUN', record.run)}."
        facts = {"outcome": "none", "reason": "power_lost", "off_proven": None, "sentence": sentence}
        goes_on = {"go_on_with": may_be_gone_on_with(record)}
        return known | facts | goes_on | {"indicator_doubt": indicator_doubt(record.entries)}
    kept = {key: ended.get(key) for key in ("outcome", "reason", "off_proven", "sentence", "indicator_doubt")}
    verdicts = list(record.of("verdict"))
    return known | kept | {"verdicts": verdicts, "go_on_with": may_be_gone_on_with(record)}


def may_be_gone_on_with(record: RunRecord) -> str | None:
    """The run's own name, where its duty is one of cycles that stopped before its end and left its specimens fit.

    It is what a person is offered. Whether it really goes on is looked at when they ask for it: see `preflight`.
    """
    ended, began = record.last("run_ended"), record.first("run_started")
    if not (record.first("cycles_started") or began.get("continues")):
        return None
    mounts = {row.get("mount") for row in record.of("verdict")}
    failed = {row.get("mount") for row in record.of("verdict") if row.get("verdict") == "F"}
    all_failed = bool(mounts) and failed == mounts
    if all_failed or ended.get("reason") in FINISHED or after_a_stop(record, ended) != "may go on":
        return None
    return record.run


def _in_folder(folder: Path) -> str | None:
    """The same of a run that has just ended; nothing, where there is no record that could be gone on with."""
    try:
        return may_be_gone_on_with(read_run(folder))
    except (NoRecord, StorageFault):
        return None


def indicator_doubt(entries: list[Args]) -> str | None:
    """Why fire cannot be excluded after an interrupted run: a shot after which nobody saw the indicator unmarked."""
    indicator, seen = last(entries, "indicator"), last(entries, "observation")
    duty = [one for one in entries if one.get("part") == "duty"]
    fired = [one for one in duty if one["kind"] == "triggered" or one.get("act") == "trigger"]
    if not indicator or not fired:
        return None
    name, shot = str(indicator.get("material")), fired[-1].get("shot")
    if not seen or int(seen["n"]) < int(fired[-1]["n"]):
        return f"nobody has said how the {name} was after shot {shot}"
    unmarked = INDICATOR_STATES.get(name, ("unmarked",))[0]
    return None if seen.get("state") == unmarked else f"the {name} was {seen.get('state')} after shot {shot}"


def failure_kept(path: Path) -> Args | None:
    """The failure of the software that waits for an acknowledgement; a file that cannot be read is one, too."""
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None
    except (OSError, ValueError):
        return {"run": "not known", "what": f"{path.name} cannot be read"}
    return content if isinstance(content, dict) else {"run": "not known", "what": f"{path.name} is damaged"}
