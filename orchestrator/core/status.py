"""What a person needs to know now, as three questions: may I go in, what is going on, what do I do.

Rules
- "Yes" comes from proof alone: the monitor's own proof of off, by a reading less than `FRESH_S` old, in a bench
  state whose lamp is not red. A command, or a run that says so, never makes a "yes".
- Whatever is not known is "not known, treat as live": daemon or monitor lost, data old, off not proven.
- Standard library only; everything in and out can be written as JSON.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from orchestrator.core.reasons import in_doubt

FRESH_S = 1.0
SYMBOLS = {"no": "(X)", "not known": "(?)", "yes": "(_)"}
STAY_OUT = "Do not enter. Treat the bench as live and call the test operator in charge."
BEFORE_TOUCHING = "Before you touch anything: test for absence of voltage, put the earthing stick on."
BEFORE_REACHING_IN = "Before you touch anything: test for absence of voltage, keep clear of what moves."
TO_ABORT = "benchward abort"
MOST_FIGURES = 24
EARTH = "earth"  # in the name of the switch that earths
_OFF_STATES = ("ready for operation", "out of operation")
_RED = {"in operation": "energy may be on", "ready to switch on": "the bench is armed"}
_WAITS_FOR = {
    "connect": "a person connects",
    "inspect": "a person inspects",
    "arm": "a person arms the bench",
    "hold": "a person releases the hold point",
    "accept": "a person accepts what was found",
    "attend": "a person watches the first cycles",
    "release": "the test operator in charge releases the bench",
    "acknowledge": "an engineer acknowledges the failure of the software",
}
_REFUSED_UNTIL = "; the next run is refused until an engineer acknowledges it"
_ACKNOWLEDGED = "; an engineer has acknowledged it since"
_BETWEEN_SHOTS = ("inspection", "hold point", "making safe", "waiting for a person", "paused", "resumed")
_WHILE_CHARGED = ("charging", "charged, waiting for the interval")

Facts = Mapping[str, Any]


def compose(
    snapshot: Facts | None, progress: Facts | None, last_end: Facts | None, now_s: float, lost: str | None
) -> dict[str, Any]:
    """The status at the monotonic time `now_s`.

    `snapshot` is the monitor's (see `orchestrator.monitor.snapshot`), `progress` that of a run in progress with `run`
    and `bench` added (without `run` none is in progress), `last_end` the last run's end, `lost` a sentence when daemon
    or engine are gone.
    """
    view: Facts = snapshot or {}
    run: Facts = progress or {}
    last_end = None if last_end is None else _since_acknowledged(last_end, run)
    entry = _with_doubt(_entry(view, now_s, lost), run, last_end or {})
    return {
        "at_s": now_s,
        "read_at_s": view.get("read_at_s"),
        **{key: run.get(key) for key in ("bench", "run", "title", "specimen", "started_by")},
        "may_i_go_in": entry,
        "going_on": _going_on(run, last_end, lost),
        "do": _do(entry, view, run, last_end or {}),
        "interlocks": _interlocks(view, now_s),
        "ambient": dict(view.get("ambient") or {}),
        "figures": [_compact(one) for one in list(run.get("figures") or [])[-MOST_FIGURES:]],
        "verdicts": list(run.get("verdicts") or (last_end or {}).get("verdicts") or []),
        "last_end": last_end,
        "cause": view.get("cause"),
        "blocked": view.get("blocked"),
        "lost": lost,
    }


def aged(status: Facts, now_s: float) -> dict[str, Any]:
    """The same status seen at `now_s`: what has grown old in between is no longer known."""
    older = dict(status)
    entry = dict(status["may_i_go_in"])
    entry["age_s"] = _age_s(status.get("read_at_s"), now_s)
    if is_old(entry["age_s"]):
        entry.update(_nothing_known(entry))
        if entry["answer"] != "not known":
            entry.update(_unknown(_old_words(entry["age_s"])))
            older["do"] = {**status["do"], "sentence": STAY_OUT, "caution": None}
    older["may_i_go_in"] = entry
    since_s = max(0.0, now_s - float(status["at_s"]))
    older["interlocks"] = [{**one, "age_s": one["age_s"] + since_s} for one in status["interlocks"]]
    older["at_s"] = status["at_s"] + since_s
    return older


# --------------------------------------------------------------------------- may I go in?

# What a reading said that has grown old since: nobody may rely on any of it, whatever the answer was.
_NOTHING_KNOWN: Facts = {
    "state": "not known", "lamp": "not known", "stored_v": None, "terminals_v": None, "voltages": {},
    "contactor": "not known", "proven": False,
}  # fmt: skip


def _entry(view: Facts, now_s: float, lost: str | None) -> dict[str, Any]:
    state = view.get("bench_state", "not known")
    age_s = _age_s(view.get("read_at_s"), now_s)
    voltages: Facts = view.get("voltages") or {}
    facts = {
        "state": state,
        "lamp": view.get("lamp", "not known"),
        "stored_v": voltages.get("store"),
        "terminals_v": voltages.get("terminals"),
        "voltages": dict(voltages),
        "contactor": _contactor(view),
        "earth": _earth(view),
        "precautions": _precautions(view),
        "age_s": age_s,
        "proven": _is_proven(view) and not is_old(age_s),
    }
    return {**facts, **(_nothing_known(facts) if is_old(age_s) else {}), **_answer(view, age_s, lost)}


def _nothing_known(entry: Facts) -> Facts:
    """The same entry with nothing in it that anybody may rely on; what the bench does not have stays so."""
    earth = "none" if entry.get("earth") == "none" else "not known"
    precautions = dict.fromkeys(entry.get("precautions") or {}, "not known")
    return {**_NOTHING_KNOWN, "earth": earth, "precautions": precautions}


def _answer(view: Facts, age_s: float | None, lost: str | None) -> dict[str, Any]:
    """Answer, words, symbol and reason; every doubt is "not known", and only proof makes a "yes"."""
    state = view.get("bench_state")
    if lost is not None:
        return _unknown(lost)
    if age_s is None:
        return _unknown("the interlock monitor has not read the safety I/O")
    if is_old(age_s):
        return _unknown(_old_words(age_s))
    if state in _RED:
        words = f"NO. Do not enter: {_RED[state]}."
        return {"answer": "no", "words": words, "symbol": SYMBOLS["no"], "because": _RED[state]}
    if state not in _OFF_STATES or not _is_proven(view) or _is_commanded(view):
        return _unknown(_unproven_words(view))
    words = "YES. Off and earthed, proven." if _earth(view) == "on" else "YES. Off is proven."
    return {"answer": "yes", "words": words, "symbol": SYMBOLS["yes"], "because": None}


def _with_doubt(entry: dict[str, Any], run: Facts, last_end: Facts) -> dict[str, Any]:
    """Off is not the same as without fire: no plain yes while the indicator was not seen unmarked."""
    doubt = (run if run.get("run") else last_end).get("indicator_doubt")
    if entry["answer"] != "yes" or not doubt:
        return entry
    if run.get("run"):
        words = f"NO. Do not enter: off and earthed, but {doubt}."
        return {**entry, "answer": "no", "words": words, "symbol": SYMBOLS["no"], "because": doubt}
    return {**entry, "words": f"YES, BUT LOOK FIRST. Off and earthed. {in_doubt(doubt)}", "because": doubt}


def _unknown(because: str) -> dict[str, Any]:
    words = f"NOT KNOWN. Treat the bench as live: {because.rstrip('.')}."
    return {"answer": "not known", "words": words, "symbol": SYMBOLS["not known"], "because": because}


def _old_words(age_s: float | None) -> str:
    return "there is no reading" if age_s is None else f"the last reading is {age_s:.1f} s old"


def _unproven_words(view: Facts) -> str:
    if view.get("blocked"):
        return str(view["blocked"])
    against = (view.get("proof") or {}).get("against") or []
    return "off is not proven" + (f" ({'; '.join(against)})" if against else "")


def _age_s(read_at_s: float | None, now_s: float) -> float | None:
    return None if read_at_s is None else max(0.0, now_s - read_at_s)


def is_old(age_s: float | None) -> bool:
    """Whether nobody may rely on a reading of this age; None: there is none."""
    return age_s is None or age_s >= FRESH_S


def _is_proven(view: Facts) -> bool:
    return bool((view.get("proof") or {}).get("safe"))


def _is_commanded(view: Facts) -> bool:
    outputs: Facts = view.get("outputs") or {}
    return any(one.get("commanded") or one.get("output_on") for one in outputs.values())


def _contactor(view: Facts) -> str:
    """Open only when every output's own feedback says so."""
    outputs: Facts = view.get("outputs") or {}
    if not outputs or view.get("read_at_s") is None:
        return "not known"
    return "open" if all(one.get("off_feedback") for one in outputs.values()) else "closed"


def _earth(view: Facts) -> str:
    """On only when its feedback says so; none, where the bench has no earthing switch among what it lifts."""
    lifted: Facts = view.get("lifted") or {}
    if not lifted or view.get("read_at_s") is None:
        return "not known"
    wanted = [one for name, one in lifted.items() if EARTH in name]
    if not wanted:
        return "none"
    return "on" if all(one.get("closed") for one in wanted) else "off"


def _precautions(view: Facts) -> dict[str, str]:
    """What else is lifted while an output is on, a brake for one: closed or lifted, as its feedback says."""
    lifted: Facts = view.get("lifted") or {}
    if view.get("read_at_s") is None:
        return {}
    return {
        name: "closed" if one.get("closed") else "lifted" for name, one in lifted.items() if EARTH not in name
    }


# --------------------------------------------------------------------------- what is going on?


def _going_on(run: Facts, last_end: Facts | None, lost: str | None) -> dict[str, Any]:
    kept = {
        key: run.get(key)
        for key in (
            "part", "shot", "shots", "polarity", "doing", "countdown_s", "countdown_to", "charge_v", "wanted_v",
            "capture", "paused", "counted", "where", "shown", "trend",
        )
    }  # fmt: skip
    details = (
        [] if lost is not None else _details(run, last_end)
    )  # how an earlier run ended is no word on now
    return {"sentence": _sentence(run, lost), "details": details, **kept}


def _sentence(run: Facts, lost: str | None) -> str:
    if lost is not None:
        return f"{lost.rstrip('.')}."
    if not run.get("run"):
        return str(run.get("doing") or "No run is in progress.")
    doing = str(run.get("doing") or "beginning").rstrip(".")
    where = _where(run)
    question = run.get("question") or {}
    if question.get("ask") in _WAITS_FOR:
        doing = f"waiting until {_WAITS_FOR[question['ask']]}"
    sentence = f"{where}: {doing}." if where else f"{doing[:1].upper()}{doing[1:]}."
    if run.get("countdown_s") is not None and run.get("countdown_to"):
        sentence += f" {_capital(str(run['countdown_to']))} in {_seconds(float(run['countdown_s']))}."
    return sentence


def _where(run: Facts) -> str:
    """How far the duty is, as it says itself, or the shot; nothing where what is done belongs to neither."""
    doing, asked = str(run.get("doing") or ""), (run.get("question") or {}).get("ask")
    if asked in _WAITS_FOR or doing.startswith(_BETWEEN_SHOTS):
        return ""
    if run.get("where"):
        return _capital(str(run["where"]))
    if not run.get("shots") or not run.get("shot"):
        return ""
    if (doing.startswith("measuring") and run.get("part") != "duty") or ". " in doing:
        return ""
    shot = f"shot {run['shot']} of {run['shots']}"
    polarity = f", {run['polarity']}" if run.get("polarity") else ""
    part = run.get("part") or "duty"
    return _capital(f"{shot}{polarity}" if part == "duty" else f"verification, {part}, {shot}{polarity}")


def _details(run: Facts, last_end: Facts | None) -> list[str]:
    if not run.get("run"):
        return [] if last_end is None else [_last_words(last_end)]
    details = [str(one) for one in run.get("details") or ()]
    if run.get("pause_asked_by") and not run.get("paused"):
        counted = run.get("counted") or "shot"
        details.insert(0, f"pauses after the present {counted}, asked for by {run['pause_asked_by']}")
    if run.get("doing") in _WHILE_CHARGED and run.get("charge_v") is not None:
        details.append(
            f"{abs(float(run['charge_v'])):.0f} of {float(run.get('wanted_v') or 0):.0f} V charged"
        )
        if run.get("capture"):
            details.append(f"capture: {run['capture']}")
    return details


def _last_words(last_end: Facts) -> str:
    """How the last run ended; a sentence that says "not proven" is of then, not of now."""
    then = "" if last_end.get("off_proven", True) is True else ", as it was at its end"
    return f"Last run {last_end.get('run')}{then}: {last_end.get('sentence')}"


def _since_acknowledged(last_end: Facts, run: Facts) -> dict[str, Any]:
    """The sentence of a run that the software failed in, once nothing waits for an engineer any more."""
    sentence = str(last_end.get("sentence"))
    if "unacknowledged" in run and not run["unacknowledged"]:
        sentence = sentence.replace(_REFUSED_UNTIL, _ACKNOWLEDGED)
    return {**last_end, "sentence": sentence}


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _seconds(left_s: float) -> str:
    if left_s < 90:
        return f"{left_s:.0f} s"
    return f"{int(left_s // 60)} min {int(left_s % 60):02d} s"


# --------------------------------------------------------------------------- what do I do?


def _do(entry: Facts, view: Facts, run: Facts, last_end: Facts) -> dict[str, Any]:
    question = run.get("question") or _question_of_the_bench(view, run)
    sentence, then = _act(entry, question, run, last_end)
    before = BEFORE_REACHING_IN if entry["earth"] == "none" else BEFORE_TOUCHING
    return {
        "sentence": sentence,
        "then": then,
        "caution": (question or {}).get("caution") or (before if entry["answer"] == "yes" else None),
        "question": question,
        "abort": TO_ABORT if run.get("run") else None,
    }


def _question_of_the_bench(view: Facts, run: Facts) -> dict[str, Any] | None:
    """What must be answered outside of a run: a blocked start, a failure of the software."""
    if view.get("blocked"):
        text = f"{view['blocked']} Release it only after you have made sure, at the bench, that it is off."
        off = "off" if _earth(view) == "none" else "off and earthed"
        return _bench_question("release", text, f"{off}, checked at the bench")
    failure = run.get("unacknowledged")
    if failure:
        text = f"The software failed in run {failure.get('run')}: {failure.get('what')}. The next run is refused."
        return _bench_question("acknowledge", text, "the failure was looked into")
    return None


def _bench_question(ask: str, text: str, item: str) -> dict[str, Any]:
    return {"question": 0, "ask": ask, "text": text, "items": [item], "choices": [], "needs_photo": False}


def _act(entry: Facts, question: Facts | None, run: Facts, last_end: Facts) -> tuple[str, str | None]:
    """What to do now, and what comes then."""
    asked = str(question["text"]) if question else None
    if entry["answer"] == "not known":
        return STAY_OUT, asked
    if asked is not None:
        return asked, "Answer: benchward answer"
    if run.get("paused"):
        return "The run is paused. To go on: benchward resume", None
    if not run.get("run"):
        begin = "To begin a run: benchward start SEQUENCE --specimen ID"
        if last_end.get("go_on_with"):
            return f"To go on with the last run: benchward resume {last_end['go_on_with']}", begin
        return begin, None
    if entry["answer"] == "no":
        return "Nothing. Stay outside.", run.get("next") or None
    return "Nothing yet: wait.", run.get("next") or None


# --------------------------------------------------------------------------- the rest


def _interlocks(view: Facts, now_s: float) -> list[dict[str, Any]]:
    since_s = max(0.0, now_s - float(view["at_s"])) if view.get("inputs") else 0.0
    return [
        {
            "name": name,
            "closed": bool(one.get("closed")),
            "failed": bool(one.get("failed")),
            "age_s": float(one.get("age_s") or 0.0) + since_s,
            "proven": bool(one.get("proven")),
            "needed": name in (view.get("armed") or ()),
        }
        for name, one in (view.get("inputs") or {}).items()
    ]


def _compact(figures: Facts) -> dict[str, Any]:
    """A shot's figures without their definitions and budgets."""
    kept = ("value", "unit", "expanded_uncertainty")
    results: Facts = figures.get("results") or {}
    return {
        **{key: figures.get(key) for key in ("part", "shot", "of", "repeat", "polarity", "valid", "why")},
        "results": {name: {key: one.get(key) for key in kept} for name, one in results.items()},
    }
