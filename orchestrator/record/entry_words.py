"""Every kind of journal entry in a few words, for people who want to know what happened just before a stop."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from orchestrator.record import wording

Entry = Mapping[str, Any]
MOST_FIGURES = 3
PARTS_OF_SHOTS = frozenset({"", "duty", "open circuit", "short circuit", "measurement"})


def entry_words(entry: Entry) -> str:
    """What the entry says; a kind that is not known here shows by its name."""
    tell = _TELLS.get(str(entry.get("kind")))
    words = tell(entry) if tell is not None else wording.plain_name(str(entry.get("kind")))
    lost = entry.get("not_written")
    return f"{words} (before it could not be written: {', '.join(lost)})" if lost else words


def shot_words(entry: Entry) -> str:
    """Which shot, as people count them; empty where the entry belongs to none."""
    if not entry.get("shot"):
        return ""
    part = str(entry.get("part") or "")
    if part == "cycles" or entry.get("counted") == "cycle":
        return f"cycle {entry['shot']}"
    if part not in PARTS_OF_SHOTS:
        return f"{part} after cycle {entry['shot']}"
    of_part = f"{part} " if part in ("open circuit", "short circuit") else ""
    again = f", repeat {entry['repeat']}" if entry.get("repeat") else ""
    return f"{of_part}shot {entry['shot']}{again}"


def proof_words(entry: Entry) -> str:
    """What a proof of off rests on: contacts and voltages, and what speaks against it."""
    contacts = [
        f"{wording.plain_name(name.rpartition('_')[0])} {name.rpartition('_')[2]}"
        if value
        else f"{wording.plain_name(name.rpartition('_')[0])} NOT {name.rpartition('_')[2]}"
        for name, value in entry.items()
        if name.endswith(("_open", "_closed")) and isinstance(value, bool)
    ]
    given = entry.get("voltages") or {n[:-2]: v for n, v in entry.items() if n.endswith("_v")}
    volts = [f"{name} {value:.0f} V" for name, value in given.items() if isinstance(value, (int, float))]
    return ", ".join([*contacts, *volts])


def _intent(entry: Entry) -> str:
    what, shot = entry.get("output") or entry.get("source") or "", shot_words(entry)
    act = {"energise": "about to be switched on", "charge": "about to be charged"}
    if entry.get("act") == "trigger":
        return f"{what}: trigger about to be sent, {shot}" if shot else f"{what}: trigger about to be sent"
    words = f"{wording.plain_name(what)} {act.get(str(entry.get('act')), str(entry.get('act')))}"
    return f"{words}, {shot}" if shot else words


def _off_proof(entry: Entry) -> str:
    failed = [
        f"{one['instrument']} could not be switched off over its own link ({one['result']})"
        for one in entry.get("off_writes") or []
        if one.get("result") != "confirmed"
    ]
    if entry.get("source_silent"):
        failed.append("its source did not say what is left in its store")
    output = wording.plain_name(entry.get("output") or "")
    if entry.get("safe"):
        return "; ".join([f"{output} off, proven: {proof_words(entry)}", *failed])
    return "; ".join([f"{output}: OFF NOT PROVEN ({entry.get('because') or 'see the journal'})", *failed])


def _figures(entry: Entry) -> str:
    if not entry.get("valid"):
        return f"{shot_words(entry)} is not valid: {entry.get('why')}"
    shown = [
        f"{wording.plain_name(name)} "
        f"{wording.with_uncertainty(one.get('value'), one.get('unit'), one.get('expanded_uncertainty'))}"
        for name, one in list((entry.get("results") or {}).items())[:MOST_FIGURES]
    ]
    return f"{shot_words(entry)}: {', '.join(shown)}"


def _measurement(entry: Entry) -> str:
    value = wording.measured(entry)
    after = f" after {shot_words(entry)}" if entry.get("shot") else ""
    if entry.get("mount"):
        after = f", mount {entry['mount']}, " + (
            f"after cycle {entry['shot']}" if entry.get("shot") else "at the start"
        )
    return f"{wording.plain_name(entry.get('result') or '')}{after}: {value}"


def _answered(entry: Entry) -> str:
    who = (entry.get("by") or {}).get("name")
    if not entry.get("yes", True):
        return f"{who} said NO" + (f": {entry['remark']}" if entry.get("remark") else "")
    said = entry.get("choice") or ", ".join(entry.get("confirmed") or []) or "yes"
    return f"{who} answered: {said}"


def _interlock(entry: Entry) -> str:
    state = "FAILED" if entry.get("failed") else "closed" if entry.get("closed") else "OPENED"
    return f"interlock {wording.plain_name(entry.get('name') or '')} {state}"


def _proof_of_capture(entry: Entry) -> str:
    state = "waits for its trigger" if entry.get("waiting") else "DOES NOT WAIT for its trigger"
    return f"{entry.get('instrument')} {state} ({entry.get('method')}), {entry.get('when')}"


def _verification(entry: Entry) -> str:
    if not entry.get("accepted"):
        return f"verification NOT ACCEPTED: {'; '.join(entry.get('findings') or [])}"
    reused = f", taken over from run {entry['reused_from']}" if entry.get("reused_from") else ""
    return f"verification accepted{reused}"


def override_words(entry: Entry) -> str:
    """Who set aside which refusal, and why."""
    late = ", ".join(f"{one.get('name')} (due {one.get('due')})" for one in entry.get("instruments") or [])
    return (
        f"lapsed calibration overridden by {wording.person(entry.get('by'))}: {late}; "
        f"reason: {entry.get('reason')}"
    )


def _arming(entry: Entry) -> str:
    how = "armed" if entry.get("granted") else f"not armed ({entry.get('sentence')})"
    return f"bench {how}, by {entry.get('by')}"


def anomaly_words(entry: Entry) -> str:
    """What went wrong in a cycle, and whether it counts on the specimen."""
    whose = (
        "counts on the specimen" if entry.get("counted") else "not the specimen's, discounted and repeated"
    )
    why = f": {entry['why']}" if entry.get("why") else ""
    return f"cycle {entry.get('cycle')}, mount {entry.get('mount')}: {_finding(entry)}{why} ({whose})"


def _finding(entry: Entry) -> str:
    return wording.plain_name(entry.get("finding") or "")


def warning_words(entry: Entry) -> str:
    """A trend that nears its limit."""
    median = wording.quantity(entry.get("median"), entry.get("unit"), 3)
    what = wording.plain_name(entry.get("result") or "")
    where = f"cycle {entry.get('cycle')}, mount {entry.get('mount')}"
    return f"WARNING, {where}: {what} has a median of {median} over {entry.get('over')} cycles"


def gap_words(entry: Entry) -> str:
    """Between which runs there was a gap, how long, and what was uncertain before it."""
    uncertain = entry.get("uncertain_cycle")
    told = f"; cycle {uncertain} is uncertain and not counted" if uncertain else ""
    return (
        f"goes on with run {entry.get('earlier_run')} after cycle {entry.get('from_cycle')}: stopped "
        f"{wording.moment(entry.get('stopped_utc'))} ({wording.plain_name(entry.get('reason') or '')}), gap "
        f"{duration_words(entry.get('gap_s'))} by the {entry.get('clock')} clock{told}; accepted by "
        f"{wording.person(entry.get('accepted_by'))}"
    )


def duration_words(seconds: Any) -> str:
    """A length of time as people say it."""
    if not isinstance(seconds, (int, float)):
        return "of unknown length"
    minutes, rest = divmod(round(float(seconds)), 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours} h {minutes:02d} min"
    return f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"


def count_words(entry: Entry, key: str = "mounts") -> str:
    """The counts of the mounts; drawn together where there are many."""
    mounts = entry.get(key) or []
    if len(mounts) > 4:
        confirmed = [int(one.get("confirmed") or 0) for one in mounts]
        bad = wording.many(sum(int(one.get("malfunctions") or 0) for one in mounts), "malfunction")
        return f"{len(mounts)} mounts, {min(confirmed):,} to {max(confirmed):,} cycles confirmed, {bad}"
    return "; ".join(
        f"mount {one.get('mount')}: {int(one.get('confirmed') or 0):,} confirmed, "
        f"{wording.many(int(one.get('malfunctions') or 0), 'malfunction')}"
        for one in mounts
    )


def _temperatures(entry: Entry) -> str:
    read = {name: value for name, value in (entry.get("read_c") or {}).items() if value is not None}
    return "temperatures: " + ", ".join(
        f"{wording.plain_name(name)} {value:.1f} °C" for name, value in read.items()
    )


def _measurement_lost(entry: Entry) -> str:
    what = wording.plain_name(entry.get("result") or "")
    return f"no {what} after cycle {entry.get('at_cycle')}: {entry.get('why')}"


def _cycles_started(entry: Entry) -> str:
    before = f"; before: {count_words(entry)}" if entry.get("commanded") else ""
    return f"cycles begin, {entry.get('of') or 0:,} declared{before}"


def _touch_off(entry: Entry) -> str:
    force = wording.quantity(entry.get("force_n"), "N", 3)
    how = "set as the datum" if entry.get("datum") == "set" else "compared with the datum"
    return f"touch-off: touches at {entry.get('touches_at_mm'):.2f} mm, {force}, {how}"


_TELLS: dict[str, Callable[[Entry], str]] = {
    "run_started": lambda e: f"run began, by {wording.person(e.get('started_by'))}",
    "indicator": lambda e: f"indicator: {e.get('layers')} layer(s) of {e.get('material')}, {e.get('state')}",
    "instrument": lambda e: f"{e.get('name')} answers: {e.get('model')}, serial {e.get('serial')}",
    "ambient": lambda e: f"in the cell: {wording.ambient_words(e)}",
    "override": override_words,
    "asked": lambda e: f"asked: {e.get('text')}",
    "answered": _answered,
    "arming": _arming,
    "disarmed": lambda e: f"no longer armed: {e.get('why')}",
    "settings": lambda e: f"{e.get('instrument')}: settings written and read back",
    "proof_of_capture": _proof_of_capture,
    "intent": _intent,
    "charged": lambda e: f"charged to {wording.quantity(e.get('voltage_v'), 'V')}, {shot_words(e)}",
    "triggered": lambda e: f"trigger sent, {shot_words(e)}",
    "off_proof": _off_proof,
    "capture": lambda e: f"trace of {shot_words(e)} is on disk: {e.get('file')}",
    "figures": _figures,
    "measurement": _measurement,
    "observation": lambda e: (
        f"{wording.plain_name(e.get('indicator') or '')} {e.get('state')} after {shot_words(e)}"
    ),
    "verification": _verification,
    "invalid_shot": lambda e: f"{shot_words(e)} is repeated: {e.get('why')}",
    "paused": lambda e: f"paused by {wording.person(e.get('by'))}",
    "resumed": lambda e: f"resumed by {wording.person(e.get('by'))}",
    "interlock": _interlock,
    "bench_state": lambda e: f"bench {e.get('from')} -> {e.get('to')}",
    "clock_step": lambda e: f"the computer's clock was stepped by {e.get('step_s')} s",
    "cause": lambda e: f"cause: {e.get('what')}",
    "verdict": lambda e: f"{e.get('clause')}: {e.get('verdict')}",
    "cycles_started": _cycles_started,
    "segment": lambda e: f"cycles {e.get('first')} to {e.get('last')} are in the ledger: {count_words(e)}",
    "anomaly": anomaly_words,
    "trend_warning": warning_words,
    "mount_stopped": lambda e: f"no further cycles: {e.get('why')}",
    "gap": gap_words,
    "uncertain_cycle": lambda e: (
        f"cycle {e.get('cycle')} had begun and is not confirmed: uncertain, not counted"
    ),
    "lifetime": lambda e: f"on life: {e.get('in_words')}",
    "touch_off": _touch_off,
    "dry_run": lambda e: f"{e.get('cycles')} dry cycles without load voltage: contact followed position",
    "temperatures": _temperatures,
    "measurement_lost": _measurement_lost,
    "run_ended": lambda e: "the run ended",
}
KINDS = frozenset(_TELLS)
