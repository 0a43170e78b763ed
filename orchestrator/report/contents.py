"""What goes into a report, put together from the record: figures computed again from the raw codes for the plots
and held against the recorded ones, trends with their limits, the budgets behind the verdicts."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import yaml

from orchestrator.record import wording
from orchestrator.record.captures import Capture, CaptureChannel, CaptureUnreadable, read_capture
from orchestrator.record.reader import RunRecord
from orchestrator.record.store import StorageFault
from orchestrator.record.summary import Figure, Shot, Summary
from orchestrator.report.plots import Trend, shot_svg, trend_svg

SAME_WITHIN = 1e-9
SMALL = 0.01  # of the variance
MARK = "REHEARSAL, simulated"


@dataclass(frozen=True)
class Drawn:
    """A shot with its plot; `checked` says what came of computing the figures again."""

    shot: Shot
    svg: str
    checked: str
    differs: bool = False


def laboratory(record: RunRecord) -> dict[str, str]:
    """What the frozen bench file says of the laboratory."""
    try:
        bench = yaml.load(record.files.read("bench.yaml"), Loader=yaml.BaseLoader)
    except (StorageFault, yaml.YAMLError):
        return {}
    known = bench if isinstance(bench, dict) else {}
    return {key: str(known[key]) for key in ("laboratory", "location") if key in known}


def specimen_facts(record: RunRecord) -> dict[str, str]:
    """What the frozen sequence says of the specimen."""
    try:
        sequence = yaml.load(record.files.read("sequence.yaml"), Loader=yaml.BaseLoader)
    except (StorageFault, yaml.YAMLError):
        return {}
    known = sequence.get("specimen") if isinstance(sequence, dict) else None
    return {key: str(value) for key, value in known.items()} if isinstance(known, dict) else {}


def drawn(record: RunRecord, run: Summary, part: str) -> list[Drawn]:
    """The shots of a part with their plots."""
    return [_drawn(record, shot, run.rehearsal) for shot in run.part(part)]


def _drawn(record: RunRecord, shot: Shot, rehearsal: bool) -> Drawn:
    if shot.file is None:
        return Drawn(shot, "", "no capture was recorded")
    try:
        capture = read_capture(record.files.read(shot.file))
    except (StorageFault, CaptureUnreadable) as fault:
        return Drawn(shot, "", f"the capture cannot be read: {fault}", differs=True)
    prefix = f"{shot.part[0]}{shot.shot}r{shot.repeat}"
    return _computed_again(shot, capture, prefix, MARK if rehearsal else "")


def _computed_again(shot: Shot, capture: Capture, prefix: str, mark: str) -> Drawn:
    from orchestrator.analysis.methods import METHODS, analyse
    from orchestrator.analysis.refusal import Refused

    waveform = _waveform(capture)
    if shot.method is None or shot.method not in METHODS:
        return Drawn(shot, shot_svg(waveform, None, prefix, mark), f"method {shot.method} is not known here")
    try:
        analysis = analyse(waveform, shot.method)
    except Refused as refused:
        svg = shot_svg(waveform, None, prefix, mark)
        return Drawn(shot, svg, f"not analysed: {refused.sentence}", differs=bool(shot.figures))
    svg = shot_svg(waveform, analysis, prefix, mark)
    values = {name: result.value for name, result in analysis.results.items()}
    other = [f.name for f in shot.figures if not _same(f, values)]
    if not shot.figures:
        return Drawn(shot, svg, "no figures were recorded; those drawn were computed for this report")
    if other:
        names = ", ".join(map(wording.plain_name, other))
        text = f"computed again for this report: DIFFERENT from the record: {names}. The record counts."
        return Drawn(shot, svg, text, differs=True)
    return Drawn(shot, svg, "computed again from the raw codes for this report: same as recorded")


def _same(figure: Figure, values: Mapping[str, float]) -> bool:
    value = values.get(figure.name)
    if value is None or figure.value is None:
        return value is None and figure.value is None
    return math.isclose(value, figure.value, rel_tol=SAME_WITHIN, abs_tol=0.0)


def _waveform(capture: Capture) -> Any:
    from orchestrator.analysis.waveform import Waveform

    channels = {name: _channel(kept) for name, kept in capture.channels.items()}
    return Waveform(capture.interval_s, capture.first_s, channels)


def _channel(kept: CaptureChannel) -> Any:
    from orchestrator.analysis.waveform import Accuracy, Channel

    accuracy = Accuracy(kept.gain_fraction, kept.offset_fraction_of_range, kept.timebase_fraction)
    full_scale = (kept.full_scale_low, kept.full_scale_high)
    return Channel(kept.name, kept.unit, kept.codes, kept.scale, kept.offset, full_scale, kept.bits, accuracy)


def trends(run: Summary) -> list[tuple[str, str]]:
    """For each result with a limit in its own unit: its name and its plot over the shots of the duty."""
    mark = MARK if run.rehearsal else ""
    made = [_trend(run, result) for result in dict.fromkeys(str(row.get("result")) for row in run.verdicts)]
    return [(t.name, trend_svg(t, f"t{place}", mark)) for place, t in enumerate(made) if t is not None]


def _trend(run: Summary, result: str) -> Trend | None:
    known = [(shot, figure) for shot in run.part("duty") if (figure := shot.figure(result)) and shot.valid]
    valued = [(shot, figure, abs(figure.value)) for shot, figure in known if figure.value is not None]
    if not valued:
        return None
    unit = valued[0][1].unit
    return Trend(
        wording.plain_name(result),
        unit,
        [shot.shot for shot, _, _ in valued],
        [value for _, _, value in valued],
        [figure.expanded_uncertainty for _, figure, _ in valued],
        [shot.polarity == "negative" for shot, _, _ in valued],
        list(_limits(run, result, unit)),
    )


def _limits(run: Summary, result: str, unit: str) -> Iterator[tuple[str, float]]:
    for row in run.verdicts:
        limit, accept = row.get("limit"), row.get("acceptance_limit")
        if row.get("result") != result or row.get("unit") != unit or limit is None:
            continue
        yield f"limit, {row.get('clause')}: {wording.exact(limit, unit)}", limit
        if accept is not None and accept != limit:
            yield f"acceptance limit: {wording.exact(accept, unit)}", accept


@dataclass(frozen=True)
class Contribution:
    """One line of a budget: its standard uncertainty in the result, and its share of the variance."""

    name: str
    in_result: str
    share: str


@dataclass(frozen=True)
class Budget:
    """The uncertainty of one figure of one shot."""

    title: str
    result: str
    combined: str
    factor: str
    contributions: list[Contribution]


def budgets(run: Summary) -> list[Budget]:
    """For each figure the budget of the shot where it was largest; the others are in the journal."""
    largest: dict[str, tuple[float, dict[str, Any], str]] = {}
    for entry in run.of("figures"):
        for name, budget in (entry.get("budget") or {}).items():
            size = abs(budget.get("value") or 0.0)
            key = f"{entry.get('part')} {name}"
            if key not in largest or size > largest[key][0]:
                title = f"{wording.plain_name(name)}, {entry.get('part')}, shot {entry.get('shot')}"
                largest[key] = (size, budget, title)
    return [_budget(budget, title) for _, budget, title in largest.values()]


def _budget(budget: Mapping[str, Any], title: str) -> Budget:
    unit = str(budget.get("unit") or "")
    k = budget.get("coverage_factor")
    return Budget(
        title,
        wording.with_uncertainty(budget.get("value"), unit, budget.get("expanded_uncertainty")),
        wording.quantity(budget.get("combined_standard_uncertainty"), unit, 2),
        "" if k is None else f"{k:.2f}",
        list(_contributions(budget.get("contributions") or [], unit)),
    )


def _contributions(all_of_them: list[dict[str, Any]], unit: str) -> Iterator[Contribution]:
    """The contributions that count, largest first; the others drawn together in one line."""
    ranked = sorted(all_of_them, key=lambda c: -float(c.get("share") or 0.0))
    large = [c for c in ranked if (c.get("share") or 0.0) >= SMALL]
    for c in large:
        in_result = wording.quantity(abs(c.get("in_result") or 0.0), unit, 2)
        yield Contribution(str(c.get("name")), in_result, f"{c.get('share'):.0%}")
    small = ranked[len(large) :]
    if small:
        together = math.sqrt(sum(float(c.get("in_result") or 0.0) ** 2 for c in small))
        share = sum(float(c.get("share") or 0.0) for c in small)
        yield Contribution(f"{len(small)} smaller ones", wording.quantity(together, unit, 2), f"{share:.1%}")
