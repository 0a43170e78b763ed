"""A cyclic duty in words and tables for the screen: counts, rate, time left, wear, the last anomalies."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from orchestrator.engine.digest import FIGURES
from orchestrator.record.wording import quantity

if TYPE_CHECKING:
    from orchestrator.engine.digest import Digest
    from orchestrator.engine.mounts import Mounts

WEAR = ("contact_drop", "bounce_time")
SHORT = {"contact_drop": "drop", "bounce_time": "bounce"}
LONG_S = 10 * 3600.0
HEAD = ["mount", "specimen", "cycles", "malfunctions", "drop", "bounce", "failed at"]


def running_words(mounts: Mounts, digest: Digest, period_s: float, anomalies: list[str]) -> tuple[str, ...]:
    """Counts and time left, wear, and what was odd of late, the newest first."""
    left_s = 0.0 if mounts.reached else (mounts.cycles - mounts.least_done) * period_s
    goes_on = mounts.active if mounts.active.any() else mounts.failed_at == 0
    own = mounts.confirmed[goes_on] if goes_on.any() else mounts.confirmed
    confirmed, bad = int(own.min()), int(mounts.malfunctions.sum())
    first = (
        f"confirmed {confirmed}, malfunctions {bad}, {60.0 / period_s:g} a minute, {_left_words(left_s)} left"
    )
    wear = (words for name in WEAR if (words := _wear_words(digest, name, mounts)))
    return (first, *wear, *reversed(anomalies))


def _left_words(left_s: float) -> str:
    """Minutes matter to nobody who has half a day; the line has to fit beside the question."""
    return f"{left_s / 3600:.0f} h" if left_s >= LONG_S else duration_words(left_s)


def _wear_words(digest: Digest, name: str, mounts: Mounts) -> str:
    """From the first to the last figure of the mount whose last one is largest."""
    row = list(FIGURES).index(name)
    if not digest.count[row].any():
        return ""
    place = int(digest.last[row].argmax()) if digest.count[row].all() else int(digest.count[row].argmax())
    where = f" at mount {place + 1}" if len(mounts.specimens) > 1 else ""
    first, last = (quantity(float(kept[row, place]), FIGURES[name]) for kept in (digest.first, digest.last))
    number, _, unit = first.partition(" ")
    return f"{SHORT[name]}{where} {number if last.endswith(f' {unit}') else first} to {last}"


def table_of(mounts: Mounts, digest: Digest, anomalies: list[str]) -> dict[str, Any]:
    """One row a mount, the failed ones first; above them what was odd of late, the newest first."""
    order = sorted(range(len(mounts.specimens)), key=lambda place: (not mounts.failed_at[place], place))
    rows = [_row(mounts, digest, place) for place in order]
    return {"head": HEAD, "rows": rows, "notes": [*reversed(anomalies)]}


def _row(mounts: Mounts, digest: Digest, place: int) -> list[str]:
    wear = []
    for name in WEAR:
        row = list(FIGURES).index(name)
        there = digest.count[row, place]
        wear.append(quantity(float(digest.last[row, place]), FIGURES[name]) if there else "-")
    failed = int(mounts.failed_at[place])
    counts = (int(mounts.done[place]), int(mounts.malfunctions[place]))
    return [str(place + 1), mounts.specimens[place], *map(str, counts), *wear, str(failed or "")]


def duration_words(seconds: float) -> str:
    """A long time as people say it: 61 h 07 min, 12 min, 40 s."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"
