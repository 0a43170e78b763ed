"""What the screen asks for beside the status: a sequence before its start, a specimen's history, a waveform.

Heavy libraries are loaded when they are first needed, in this process, never in the engine's.
"""

from __future__ import annotations

import re
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fastapi import FastAPI, HTTPException, Query

from orchestrator.daemon.places import Places

if TYPE_CHECKING:
    from orchestrator.record.captures import CaptureChannel
    from sequences.model import Sequence

Facts = dict[str, Any]
FEWEST_POINTS, MOST_POINTS = 10, 4000
NOT_THERE: dict[int | str, dict[str, Any]] = {404: {"description": "there is none"}}


def add_looks(app: FastAPI, places: Places) -> None:
    """Add the endpoints; they only read."""

    @app.get(
        "/sequence", summary="a sequence before its start: what it is, what may be set, what is wrong with it"
    )
    def sequence(file: str) -> Facts:
        """`parameters` with their bounds as the file writes them, `findings` as text; checked against the bench."""
        return sequence_facts(Path(file), places.bench_file)

    @app.get("/specimens/{identity}", summary="what has been done to a specimen")
    def specimen(identity: str) -> Facts:
        """Every run, oldest first; `spent_because` says why a further one is refused."""
        from orchestrator.record.specimens import history

        past = history(places.data, identity)
        return {
            "identity": past.identity,
            "runs": [asdict(one) for one in past.runs],
            "shots_applied": past.shots_applied,
            "cycles": past.cycles,
            "spent_because": past.spent_because,
        }

    @app.get(
        "/runs/{run}/requirements",
        summary="a run's limits, as its frozen sequence has them",
        responses=NOT_THERE,
    )
    def requirements(run: str) -> list[Facts]:
        """One row for each clause, before anything is judged."""
        return requirement_rows(run_folder(places.data, run))

    @app.get(
        "/runs/{run}/go-on", summary="what a run of cycles left for one that goes on", responses=NOT_THERE
    )
    def go_on(run: str) -> Facts:
        """Counts of every mount over all runs that belong together, and how it stopped; `why_not` where its record
        does not allow a run to go on with it."""
        return left_for_going_on(run_folder(places.data, run))

    @app.get("/runs/{run}/captures/{name}", summary="a shot's waveform, thinned out", responses=NOT_THERE)
    def capture(run: str, name: str, points: int = Query(400, ge=FEWEST_POINTS, le=MOST_POINTS)) -> Facts:
        """Lowest and highest value of each of `points` columns, so that no peak is lost."""
        from orchestrator.record.captures import CaptureUnreadable, read_capture

        if not re.fullmatch(r"[A-Za-z0-9_.-]+", name):
            raise HTTPException(404, f"There is no capture {name}.")
        path = run_folder(places.data, run) / "captures" / f"{name.removesuffix('.h5')}.h5"
        try:
            found = read_capture(path)
        except (OSError, CaptureUnreadable) as error:
            raise HTTPException(404, f"There is no capture {name} of run {run}: {error}") from error
        channels = {
            one.name: thinned(one, found.interval_s, found.first_s, points) for one in found.channels.values()
        }
        return {"run": run, "capture": path.stem, "channels": channels}


def run_folder(data: Path, run: str) -> Path:
    """The folder of a run. HTTPException 404 where there is none."""
    from orchestrator.record.specimens import run_folders

    folder = next((path for path in run_folders(data) if path.name == run), None)
    if folder is None:
        raise HTTPException(404, f"There is no run {run}; GET /runs lists them.")
    return folder


def left_for_going_on(folder: Path) -> Facts:
    """What a person is shown before they let a run of cycles go on, from its ledger and its journal."""
    from orchestrator.record.continued import CannotGoOn, continued
    from orchestrator.record.reader import read_run

    record = read_run(folder)
    facts: Facts = {"run": folder.name, "title": record.first("run_started").get("title")}
    try:
        left = continued(folder)
    except CannotGoOn as error:
        return {**facts, "why_not": str(error), "mounts": []}
    counts = left.counts
    mounts = [
        {
            "mount": place + 1,
            "specimen": specimen,
            "cycles": int(counts.done[place]),
            "malfunctions": int(counts.done[place] - counts.confirmed[place]),
            "failed_at": int(counts.failed_at[place]) or None,
        }
        for place, specimen in enumerate(left.specimens)
    ]
    return facts | {
        "why_not": None,
        "mounts": mounts,
        "of": _declared(folder, left.runs),
        "uncertain_cycle": left.uncertain_cycle,
        "stopped_utc": left.stopped_utc,
        "stopped_because": left.stopped_because,
    }


def _declared(folder: Path, runs: tuple[str, ...]) -> int | None:
    """The declared count, as the newest of the runs has it that began cycles."""
    from orchestrator.record.reader import read_run

    began = (read_run(folder.parent / run).last("cycles_started") for run in reversed(runs))
    return next((int(one["of"]) for one in began if one), None)


def thinned(channel: CaptureChannel, interval_s: float, first_s: float, points: int) -> Facts:
    """Lowest and highest value of each column, and the middle time of it, in the channel's unit and in seconds."""
    import numpy as np

    values = channel.values()
    starts = np.unique(np.linspace(0, len(values), min(points, len(values)), endpoint=False).astype(int))
    if not len(starts):
        return {"unit": channel.unit, "time_s": [], "lowest": [], "highest": []}
    ends = np.append(starts[1:], len(values))
    return {
        "unit": channel.unit,
        "time_s": (first_s + interval_s * (starts + ends - 1) / 2).tolist(),
        "lowest": np.minimum.reduceat(values, starts).tolist(),
        "highest": np.maximum.reduceat(values, starts).tolist(),
    }


def sequence_facts(file: Path, bench_file: Path) -> Facts:
    """What a technician is shown of a sequence before its start. Nothing is raised for a file with findings."""
    from orchestrator.steps import KINDS
    from sequences.checker import check
    from sequences.findings import in_order, refused, render
    from sequences.loader import load_bench, load_sequence

    loaded = load_sequence(str(file), KINDS, {})
    bench = load_bench(str(bench_file))
    findings = in_order([*loaded.findings, *check(loaded, bench)])
    facts: Facts = {
        "file": str(file),
        "runnable": loaded.sequence is not None and not refused(findings),
        "findings": [render(one) for one in findings],
    }
    if (found := loaded.sequence) is not None:
        parameters = [
            {"name": name, "usual": one.usual.text, "lowest": one.lowest.text, "highest": one.highest.text}
            for name, one in found.set_at_start.items()
        ]
        facts |= {
            "title": found.title,
            "scenario": found.scenario,
            "specimen_type": found.specimen.type,
            "condition": found.specimen.condition,
            "indicator": None if found.indicator is None else found.indicator.material,
            "parameters": parameters,
            "mounts": None if found.mounts is None else found.mounts.count,
        }
    return facts


def requirement_rows(folder: Path) -> list[Facts]:
    """The rows of a run's frozen sequence."""
    from orchestrator.steps import KINDS
    from sequences.loader import load_sequence

    loaded = load_sequence(str(folder / "sequence.yaml"), KINDS, {})
    return [] if loaded.sequence is None else rows_of(loaded.sequence)


def rows_of(sequence: Sequence) -> list[Facts]:
    """A sequence's limits, each as a row of a verdict names it."""
    from orchestrator.engine.judge import direction, limit

    return [
        {
            "clause": one.clause,
            "result": one.result,
            "judged": one.judged,
            "direction": direction(one),
            "limit": None if limit(one) is None else float(limit(one)),
            "unit": None if limit(one) is None else limit(one).unit,
            "must_be": one.must_be,
        }
        for one in sequence.requirements
    ]
