"""The flows of a bench that makes cycles, by the ids of the widgets: several mounts, going on with a stopped run."""

from __future__ import annotations

from typing import Any

import pytest

from tests.console.fake import CHARGING, Rig, drive, progress, question, snapshot, status

Facts = dict[str, Any]
RUN = "20261125-0259-WG-01"
SEQUENCE = {
    "ok": True, "runnable": True, "findings": [], "title": "Endurance of an invented pedal",
    "specimen_type": "pedal contact", "condition": None, "indicator": None, "mounts": 3, "parameters": [],
}  # fmt: skip
STOPPED = {
    "run": RUN, "reason": "abort_by_person", "off_proven": True, "verdicts": [], "go_on_with": RUN,
    "sentence": f"A person aborted the run: P asked for it. Off is proven. Go on with it: benchward resume {RUN}.",
}  # fmt: skip
LEFT = {
    "ok": True, "run": RUN, "why_not": None, "of": 44000, "uncertain_cycle": 31417,
    "stopped_utc": "2026-11-25T02:59:00.5Z", "stopped_because": "P asked for it",
    "mounts": [{"mount": 1, "specimen": "WG-01", "cycles": 31416, "malfunctions": 0, "failed_at": None}],
}  # fmt: skip
JOURNAL = [
    {"n": 1, "utc": "x", "kind": "run_started", "mono_s": 0.0, "run": RUN, "specimen": "WG-01"},
    {"n": 2, "utc": "x", "kind": "cycles_started", "mono_s": 1.0},
    {"n": 3, "utc": "x", "kind": "run_ended", "mono_s": 2.0, "reason": "abort_by_person"},
]
FOUND = [
    f"point {number}: found as it was before the gap, in a sentence of some length" for number in range(1, 8)
]


def specimen(identity: str, **more: Any) -> Facts:
    return {"ok": True, "identity": identity, "runs": [], "shots_applied": 0, "cycles": None,
            "spent_because": None} | more  # fmt: skip


def replies(rig: Rig) -> None:
    rig.link.replies = {
        "/sequence": SEQUENCE,
        **{f"/specimens/WG-0{n}": specimen(f"WG-0{n}") for n in (1, 2, 3)},
        f"/runs/{RUN}": {"ok": True, "run": RUN, "journal": JOURNAL},
        f"/runs/{RUN}/go-on": LEFT,
        "/go-on": {"ok": True, "run": "20261125-0311-WG-01"},
        "/start": {"ok": True, "run": RUN},
    }


# --------------------------------------------------------------------------- admission


def test_each_mount_has_a_specimen_of_its_own() -> None:
    async def admit(rig: Rig, pilot: Any) -> None:
        replies(rig)
        rig.link.replies["/specimens/WG-03"] = specimen(
            "WG-03", spent_because="it failed at cycle 7 in run X"
        )
        await rig.tell(pilot, "status", status())
        await pilot.press("f8")
        await rig.type(pilot, "/made/up.yaml", "WG-01", "wg-01")
        twice = rig.text("say")
        await rig.type(pilot, "WG-02", "WG-03")
        spent = rig.text("say")
        rig.link.replies["/specimens/WG-03"] = specimen("WG-03")
        await rig.type(pilot, "WG-03", "", "", "", "", "start")

        assert "wg-01 is at mount 1 already" in twice
        assert "REFUSED: specimen WG-03 is spent: it failed at cycle 7" in spent
        (order,) = rig.link.orders("/start")
        assert (order["specimen"], order["more_specimens"]) == ("WG-01", ["WG-02", "WG-03"])

    drive(admit)


def test_the_history_of_a_specimen_counts_cycles_and_not_shots() -> None:
    past = {"run": RUN, "interrupted": True, "reason": "power_lost", "shots_applied": 0, "cycles": 31416}

    async def admit(rig: Rig, pilot: Any) -> None:
        replies(rig)
        rig.link.replies["/specimens/WG-01"] = specimen("WG-01", runs=[past], cycles=31416)
        await rig.tell(pilot, "status", status())
        await pilot.press("f8")
        await rig.type(pilot, "/made/up.yaml", "WG-01")
        shown = " ".join(rig.text("text").split())

        assert "earlier runs: 1, cycles it has had: 31416" in shown
        assert "INTERRUPTED, the last cycle may be uncertain, 31416 cycles" in shown
        assert "shot" not in shown

    drive(admit)


# --------------------------------------------------------------------------- going on with a stopped run


def test_a_stopped_run_is_gone_on_with_by_one_key_and_two_words() -> None:
    async def go_on(rig: Rig, pilot: Any) -> None:
        replies(rig)
        await rig.tell(pilot, "status", status(ended=STOPPED))
        offered = " ".join(rig.text("do").split())
        await pilot.press("f9")
        await rig.settled(pilot)
        shown = " ".join(rig.text("text").split())
        await rig.type(pilot, "mains back", "yes")
        not_yet, why = rig.link.orders("/go-on"), rig.text("say")
        await rig.type(pilot, "go on")

        assert "Go on with it: F9. New run: F8." in offered
        assert f"GO ON WITH RUN {RUN}" in shown
        assert "stopped 2026-11-25 02:59:00 UTC: P asked for it" in shown
        assert "WG-01: 31416 of 44000 cycles, malfunctions 0" in shown
        assert "cycle 31417 is UNCERTAIN: not counted, made again" in shown
        assert not_yet == []
        assert "Type go on and Enter." in why
        (order,) = rig.link.orders("/go-on")
        assert (order["run"], order["remark"], order["by"]) == (RUN, "mains back", "T. Made-Up")
        assert rig.link.orders("/resume") == []
        assert "Run 20261125-0311-WG-01 has begun." in rig.text("say")

    drive(go_on)


def test_a_refusal_to_go_on_stays_on_the_screen_and_asks_for_the_override() -> None:
    refused = {"ok": False, "code": "calibration-lapsed", "sentence": "The calibration lapses.", "help": "x"}

    async def go_on(rig: Rig, pilot: Any) -> None:
        replies(rig)
        rig.link.replies["/go-on"] = refused
        await rig.tell(pilot, "status", status(ended=STOPPED))
        await pilot.press("f9")
        await rig.settled(pilot)
        await rig.type(pilot, "", "go on")
        asked_why = rig.text("text")
        await rig.type(pilot, "drift below 0.1 %", "E. Made-Up", "go on")

        assert "The calibration lapses." in asked_why
        assert "Why it may start all the same" in asked_why
        assert rig.link.orders("/go-on")[-1]["override_by"] == "E. Made-Up"

    drive(go_on)


def test_a_run_whose_record_does_not_hold_is_not_gone_on_with() -> None:
    async def go_on(rig: Rig, pilot: Any) -> None:
        replies(rig)
        why = "The ledger of that run is not the one that was sealed."
        rig.link.replies[f"/runs/{RUN}/go-on"] = {"ok": True, "run": RUN, "why_not": why, "mounts": []}
        await rig.tell(pilot, "status", status(ended=STOPPED))
        await pilot.press("f9")
        await rig.settled(pilot)

        assert why in rig.text("say")
        assert rig.app.flow.form is None

    drive(go_on)


def test_f9_once_more_lays_it_aside_and_the_card_is_another_one() -> None:
    async def look(rig: Rig, pilot: Any) -> None:
        replies(rig)
        await rig.tell(pilot, "status", status(ended=STOPPED))
        await pilot.press("f9")
        await rig.settled(pilot)
        await pilot.press("f9")
        await rig.settled(pilot)
        aside = rig.app.flow.form
        await pilot.press("f8")
        await rig.settled(pilot)

        assert aside is None
        assert "A NEW RUN." in rig.text("text")
        assert rig.link.orders("/go-on") == []

    drive(look)


@pytest.mark.parametrize("ended", [None, STOPPED | {"go_on_with": None}])
def test_nothing_is_offered_where_nothing_may_go_on(ended: Facts | None) -> None:
    async def press(rig: Rig, pilot: Any) -> None:
        replies(rig)
        await rig.tell(pilot, "status", status(ended=ended))
        await pilot.press("f9")
        await rig.settled(pilot)

        assert "Go on with it" not in rig.text("do")
        assert rig.app.flow.form is None

    drive(press)


def test_everything_that_was_found_can_be_read_before_it_is_accepted() -> None:
    items = ["ground fuse continuous", "fixture as it was left"]
    asked = status(run=progress("waiting", question=question("accept", "Read what was found.", items=items,
                                                             found=FOUND)))  # fmt: skip

    async def accept(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", asked)
        seen = [rig.text("text")]
        assert "[ ] ground fuse continuous   (1 of 2)" in seen[0]
        assert "more lines above)" in seen[0]
        for _ in range(4):
            await pilot.press("pageup")
            seen.append(rig.text("text"))
        read = " ".join(" ".join(seen).split())
        await rig.type(pilot, "1", "2")

        assert "more lines)" in seen[-1]
        assert all(f"point {number}:" in read for number in range(1, 8))
        (answer,) = rig.link.orders("/answer")
        assert answer["confirmed"] == items

    drive(accept)


def test_why_it_stopped_counts_cycles_and_names_the_key() -> None:
    async def look(rig: Rig, pilot: Any) -> None:
        replies(rig)
        await rig.tell(pilot, "status", status(ended=STOPPED))
        await pilot.press("f7")
        await rig.settled(pilot)
        shown = " ".join(rig.text("text").split())

        assert "Go on with it: F9." in shown
        assert "benchward resume" not in shown
        assert "It has had: WG-01: 31416 of 44000 cycles, malfunctions 0" in shown
        assert "F9 goes on with it, F8 begins a new run" in shown

    drive(look)


# --------------------------------------------------------------------------- while it runs


def test_while_it_runs_the_screen_shows_counts_wear_oddities_and_every_mount() -> None:
    rows = [[str(n), f"WG-{n:02}", "31416", "0", "55.1 mV", "2.1 ms", ""] for n in range(1, 13)]
    shown = {"head": ["mount", "specimen", "cycles", "malfunctions", "drop", "bounce", "failed at"], "rows": rows,
             "notes": ["cycle 30000: load open", "cycle 29996: load open"]}  # fmt: skip
    details = ["confirmed 31416, malfunctions 0, 12 a minute, 17 h left", "drop at mount 3 51.0 to 55.1 mV",
               "cycle 30000: load open"]  # fmt: skip
    running = progress(
        "cycles run", counted="cycle", where="cycle 31416 of 44000", shown=shown, details=details
    )

    async def look(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", status(snapshot("in operation", "red"), running))
        first, going_on = rig.text("text"), rig.text("going_on")
        await pilot.press("pagedown")
        await rig.settled(pilot)

        assert going_on.splitlines() == [
            "Cycle 31416 of 44000: cycles run.",
            f"{details[0]},",
            ", ".join(details[1:]),
        ]
        assert "Odd of late: cycle 30000: load open; cycle 29996: load open" in first
        assert "12     WG-12" in rig.text("text")
        assert all(len(row) <= 80 for row in rig.rows())

    drive(look)


def test_the_drop_had_no_drawing_because_only_the_bounce_had_a_limit() -> None:
    trend = {name: {"unit": unit, "points": [[1, 0.01], [2, 0.02]]}
             for name, unit in (("contact_drop", "V"), ("bounce_time", "s"))}  # fmt: skip
    running = progress("cycles run", counted="cycle", where="cycle 2 of 9", trend=trend)
    limit = {
        "clause": "house 5.3",
        "result": "bounce_time",
        "judged": "every cycle",
        "limit": 0.009,
        "unit": "s",
    }

    async def look(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", status(snapshot("in operation", "red"), running))
        rig.app.known.requirements = [limit]
        await pilot.press("f5")
        await rig.settled(pilot)
        first = "\n".join(rig.rows())
        await pilot.press("f5")
        await rig.settled(pilot)

        assert "bounce time in ms by cycle, limit 9 ms" in first
        assert "contact drop in mV by cycle" in "\n".join(rig.rows())

    drive(look)


def test_before_the_first_cycle_nothing_is_said_of_shots() -> None:
    begun = progress("dry run", counted="cycle", shot=0, shots=0)

    async def look(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", status(run=begun))
        assert "shot" not in rig.text("text")
        await rig.tell(pilot, "status", CHARGING)
        assert "no shot so far" in rig.text("text")

    drive(look)
