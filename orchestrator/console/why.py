"""Why it stopped: the first cause, the ten seconds before it, what to check, who can release it.

From how the run ended and from its journal, so that it is there the next morning too. Whether it is safe now is said
by the first question above it, never here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from orchestrator.cli.happenings import happening
from orchestrator.console.card import counted_words
from orchestrator.console.words import plain, verdicts, wrapped
from orchestrator.core.reasons import EXPLANATIONS, Reason, explained

Facts = Mapping[str, Any]
BEFORE_S = 10.0
MOST_BEFORE = 12
WELL = (Reason.COMPLETED, Reason.COUNT_REACHED)
BLOCKS = {"release": Reason.OFF_NOT_PROVEN, "acknowledge": Reason.INTERNAL_ERROR}
NOTHING = "No run has ended since this data folder was made."


def why_lines(
    ended: Facts | None,
    journal: Sequence[Facts],
    width: int,
    waits_for: str | None = None,
    left: Facts | None = None,
) -> list[str]:
    """The whole view. `journal` are the entries of that run, possibly none; `waits_for` is the act that the bench
    waits for now before anything can be started: release, acknowledge. `left` is what a run of cycles left, counted
    from its ledger."""
    if ended is None:
        return [NOTHING]
    reason = Reason(str(ended["reason"]))
    goes_on = str(ended.get("run")) if _made_cycles(journal) else None
    told = explained(reason, goes_on)
    causes = [entry for entry in journal if entry.get("kind") == "cause"]
    lines = wrapped([f"{ended.get('run')}: {_with_keys(str(ended['sentence']), goes_on)}"], width)
    if ended.get("off_proven") is not True:
        lines += wrapped(
            ["(That was so at its end. Whether it is safe now is the first question above.)"], width
        )
    counted = counted_words(left) if left else []
    lines += wrapped([f"It has had: {one}" for one in counted], width, indent="  ")
    if reason not in WELL:
        lines += wrapped([f"First cause: {_first(causes, reason)}"], width, indent="  ")
    lines += wrapped(
        [f"Later: {entry['what']}" for entry in causes if not entry.get("first")], width, indent="  "
    )
    if reason in WELL and ended.get("verdicts"):
        lines += ["Verdicts:", *verdicts(ended["verdicts"], width)]
    lines += wrapped([_release_words(reason, waits_for, bool(ended.get("go_on_with")))], width, indent="  ")
    lines.append("What to check, the likeliest first:")
    lines += wrapped([f"{number}. {text}" for number, text in enumerate(told.check, 1)], width, indent="   ")
    if reason is Reason.POWER_LOST or not any(entry.get("kind") == "run_ended" for entry in journal):
        lines += wrapped(left_behind(journal), width, indent="  ")
    before = last_seconds(journal)
    if before:
        lines += [f"The last {BEFORE_S:.0f} s before it:", *wrapped(before, width, indent="            ")]
    if reason not in WELL and ended.get("verdicts"):
        lines += ["Verdicts:", *verdicts(ended["verdicts"], width)]
    return lines


def _made_cycles(journal: Sequence[Facts]) -> bool:
    return any(entry.get("kind") == "cycles_started" for entry in journal)


def _with_keys(sentence: str, goes_on: str | None) -> str:
    """The sentence with the key of this screen, where it names the command of a shell."""
    return sentence if goes_on is None else sentence.replace(f"benchward resume {goes_on}", "F9")


def _release_words(reason: Reason, waits_for: str | None, goes_on: bool) -> str:
    """Whose word the bench waits for; nobody's, where nothing is blocked."""
    if waits_for is not None:
        who = str(EXPLANATIONS[BLOCKS[waits_for]].released_by).replace("benchward answer", "F2")
        return f"The next start is blocked. Can be released by: {who}."
    told = EXPLANATIONS[reason].released_by
    if told is None or reason is Reason.POWER_LOST or reason in BLOCKS.values():
        way = "F9 goes on with it, F8 begins a new run" if goes_on else "a new run is begun with F8"
        return f"Nothing is blocked: {way}."
    return f"Nothing is blocked. Before the next run: {told}."


def _first(causes: Sequence[Facts], reason: Reason) -> str:
    first = next((entry for entry in causes if entry.get("first")), None)
    if first is None:
        return f"{EXPLANATIONS[reason].happened}."
    who = f", {first['who']}" if first.get("who") and str(first["who"]) not in str(first["what"]) else ""
    return f"{first['what']}{who} ({reason.value})."


def last_seconds(journal: Sequence[Facts], before_s: float = BEFORE_S) -> list[str]:
    """What happened in the seconds before the first cause, each line with its distance from it."""
    stop_s = _stop_s(journal)
    if stop_s is None:
        return []
    lines = []
    for entry in journal:
        at_s = entry.get("mono_s")
        if (
            isinstance(at_s, float | int)
            and stop_s - before_s <= at_s <= stop_s
            and entry["kind"] not in _NOT_BEFORE
        ):
            lines += [f"{at_s - stop_s:7.1f} s  {text}" for text in _told(entry)]
    return lines[-MOST_BEFORE:]


_NOT_BEFORE = ("cause", "run_ended", "verdict")


def _stop_s(journal: Sequence[Facts]) -> float | None:
    """When the first cause was noticed; of an interrupted run, when it was heard last."""
    first = next((entry for entry in journal if entry.get("kind") == "cause" and entry.get("first")), None)
    if first is not None:
        return float(first.get("at_s") or first["mono_s"])
    times = [float(entry["mono_s"]) for entry in journal if isinstance(entry.get("mono_s"), float | int)]
    return times[-1] if times else None


def _told(entry: Facts) -> Iterable[str]:
    """What a person wants to read of an entry just before a stop: more than in the course of a run."""
    tell = _MORE.get(str(entry["kind"]))
    return [plain(line) for line in ([tell(entry)] if tell else happening(dict(entry)))]


def _intent(entry: Facts) -> str:
    on = f" {entry['output']}" if entry.get("output") else ""
    return f"about to {entry.get('act')}{on}"


_MORE: dict[str, Callable[[Facts], str]] = {
    "intent": _intent,
    "charged": lambda entry: f"charged to {entry['voltage_v']:.0f} V",
    "triggered": lambda entry: f"triggered, shot {entry['shot']}",
    "interlock": lambda entry: (
        f"interlock {entry.get('name')} {'closed' if entry.get('closed') else 'OPENED'}"
    ),
    "bench_state": lambda entry: f"bench: {entry.get('to') or entry.get('state')}",
    "off_proof": lambda entry: (
        "off proven" if entry.get("safe") else f"OFF NOT PROVEN: {'; '.join(entry.get('against') or [])}"
    ),
    "asked": lambda entry: f"asked: {entry['text']}",
}


def left_behind(journal: Sequence[Facts]) -> list[str]:
    """What an interrupted run left: shots that are certain, one that may have happened, what was connected."""
    if not journal:
        return ["Its journal is not at hand: look at it with benchward record show."]
    duty = [entry for entry in journal if entry.get("part") == "duty"]
    asked = sum(entry.get("kind") == "intent" and entry.get("act") == "trigger" for entry in duty)
    done = sum(entry.get("kind") == "triggered" for entry in duty)
    started = next((entry for entry in journal if entry.get("kind") == "run_started"), {})
    whose = f"Left behind: specimen {started.get('specimen')}, "
    lines = [whose + f"{done} shot(s) certain" + _uncertain(asked - done)]
    cycles = _made_cycles(journal)
    if not asked and not done and cycles:
        lines = [whose + "with the cycles named above."]
    last = next(
        (entry for entry in reversed(journal) if entry.get("kind") in ("intent", "asked", "answered")), None
    )
    if last is not None:
        lines.append(f"The last thing on record: {next(iter(_told(last)), last['kind'])}.")
    then = "go on with F9" if cycles else "begin a run on it with F8"
    lines.append(f"It is not gone on with by itself: inspect the specimen, then {then}.")
    return lines


def _uncertain(number: int) -> str:
    if number <= 0:
        return ", none uncertain."
    return f", {number} UNCERTAIN (announced, never confirmed: counted as one it has had)."
