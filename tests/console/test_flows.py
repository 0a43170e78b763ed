"""Every flow of a person, by the ids of the widgets: admission, arming, looking, going on after an outage."""

from __future__ import annotations

from typing import Any

import pytest

from tests.console.fake import CHARGING, RUN, Rig, drive, progress, question, snapshot, status

Facts = dict[str, Any]
SEQUENCE = {
    "ok": True, "runnable": True, "findings": [], "title": "Impulses on an invented filter",
    "specimen_type": "buoy-lamp input filter", "condition": "new", "indicator": "cheesecloth",
    "parameters": [{"name": "shots", "usual": "12", "lowest": "4", "highest": "20"}],
}  # fmt: skip
FRESH = {"ok": True, "identity": "TW-04", "runs": [], "shots_applied": 0, "spent_because": None}


def asked(ask: str, **more: Any) -> dict[str, Any]:
    return status(run=progress("waiting", question=question(ask, **more)))


async def to_the_card(rig: Rig, pilot: Any, specimen: dict[str, Any] = FRESH) -> None:
    rig.link.replies = {"/sequence": SEQUENCE, "/specimens/TW-04": specimen}
    await rig.tell(pilot, "status", status())
    await pilot.press("f8")
    await rig.type(pilot, "/made/up/sequence.yaml", "TW-04")


def test_admission_one_thing_at_a_time() -> None:
    async def admit(rig: Rig, pilot: Any) -> None:
        rig.link.replies["/start"] = {"ok": True, "run": RUN}
        await to_the_card(rig, pilot)
        rig.link.replies["/start"] = {"ok": True, "run": RUN}
        first = rig.text("text")
        await rig.type(pilot, "TW 2026-11", "", "2.1", "C-118", "4", "a remark")
        summary = rig.text("text")
        await rig.type(pilot, "go", "start")

        assert "earlier runs of this specimen: none" in first
        assert first.count("[ ]") == 1
        assert "shots: 4" in summary
        assert rig.link.orders("/start") == [
            {
                "sequence": "/made/up/sequence.yaml",
                "specimen": "TW-04",
                "group": "TW 2026-11",
                "indicator_lot": "C-118",
                "condition": "new",
                "firmware": "2.1",
                "remark": "a remark",
                "parameters": {"shots": "4"},
                "override_calibration": None,
                "override_by": None,
                "by": "T. Made-Up",
            }
        ]

    drive(admit)


def test_condition_and_firmware_of_earlier_duties_are_on_the_card() -> None:
    past = {"run": "20261101-0900-TW-04", "interrupted": False, "reason": "abort_by_person", "shots_applied": 2,
            "group": None, "condition": "new", "firmware": "2.1"}  # fmt: skip

    async def admit(rig: Rig, pilot: Any) -> None:
        await to_the_card(rig, pilot, FRESH | {"runs": [past], "shots_applied": 2})
        shown = " ".join(rig.text("text").split())

        assert "20261101-0900-TW-04: abort by person, 2 shot(s), condition new, firmware 2.1" in shown

    drive(admit)


def test_what_to_do_was_cut_while_the_card_was_filled_in() -> None:
    ended: Facts = {
        "run": "R1",
        "reason": "power_lost",
        "off_proven": None,
        "sentence": "It was interrupted.",
        "verdicts": [],
    }

    async def admit(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", status(ended=ended))
        await pilot.press("f8")
        await rig.settled(pilot)

        assert " ".join(rig.text("do").split()).startswith(
            "Before you touch anything: test for absence of voltage"
        )
        assert "Fill in the card below." in rig.text("do")

    drive(admit)


def test_f8_threw_away_a_full_card_unasked() -> None:
    async def admit(rig: Rig, pilot: Any) -> None:
        rig.link.replies["/start"] = {"ok": True, "run": RUN}
        await to_the_card(rig, pilot)
        await rig.type(pilot, "TW 2026-11", "", "2.1", "C-118", "4", "a remark")
        await pilot.press("f8")
        aside, view = rig.text("say"), rig.app.view
        blocked = status(snapshot("off not proven", "red", blocked="Start blocked.", safe=False))
        await rig.tell(pilot, "status", blocked)  # something else is asked in between
        await rig.tell(pilot, "status", status())
        await pilot.press("f8")
        back = rig.text("text")
        rig.link.replies["/start"] = {"ok": True, "run": RUN}
        await rig.type(pilot, "start")
        await pilot.press("f8")

        assert "laid aside with what was filled in: F8 comes back to it" in " ".join(aside.split())
        assert view == "bench"
        assert "shots: 4" in back
        assert rig.link.orders("/start")[0]["firmware"] == "2.1"
        assert "[ ] Sequence: path of the file" in rig.text("text")  # the next run has a card of its own

    drive(admit)


def test_the_card_could_not_carry_an_override_of_a_lapsed_calibration() -> None:
    refusal = {"ok": False, "code": "calibration-lapsed", "sentence": "The calibration lapses.", "help": "x"}

    async def admit(rig: Rig, pilot: Any) -> None:
        await to_the_card(rig, pilot)
        rig.link.replies["/start"] = refusal
        await rig.type(pilot, "", "", "", "", "", "", "start")
        asked_why = rig.text("text")
        await rig.type(pilot, "", "drift below 0.1 %", "E. Made-Up", "start")

        assert "Why it may start all the same" in asked_why
        order = rig.link.orders("/start")[-1]
        assert (order["override_calibration"], order["override_by"]) == ("drift below 0.1 %", "E. Made-Up")
        assert order["by"] == "T. Made-Up"

    drive(admit)


def test_a_long_refusal_was_cut_at_the_edge() -> None:
    async def admit(rig: Rig, pilot: Any) -> None:
        reason = "it failed a requirement in run 20261101-0900-TW-04, and that was a made-up requirement"
        await to_the_card(rig, pilot, FRESH | {"spent_because": reason})
        rows = rig.rows()

        assert "Take a fresh one." in rig.text("say")
        assert all(len(row) <= 80 for row in rows)
        assert "..." not in rig.text("say")

    drive(admit)


def test_a_spent_specimen_is_refused_on_the_card_with_its_reason() -> None:
    spent = FRESH | {"spent_because": "it failed a requirement in run 20261101-0900-TW-04"}

    async def admit(rig: Rig, pilot: Any) -> None:
        await to_the_card(rig, pilot, spent)

        assert rig.text("say").startswith(" REFUSED: specimen TW-04 is spent: it failed a requirement")
        assert "Scan or type the label of the specimen" in rig.text("text")
        assert rig.link.orders("/start") == []

    drive(admit)


def test_what_an_interrupted_run_left_is_on_the_card() -> None:
    past = {"run": "20261101-0900-TW-04", "interrupted": True, "reason": "power_lost", "shots_applied": 7}

    async def admit(rig: Rig, pilot: Any) -> None:
        await to_the_card(rig, pilot, FRESH | {"runs": [past], "shots_applied": 7})

        assert "earlier runs: 1, shots it has had: 7" in rig.text("text")
        assert "INTERRUPTED, the last shot may be uncertain, 7 shot(s)" in rig.text("text")

    drive(admit)


def test_a_sequence_with_findings_shows_all_of_them() -> None:
    async def admit(rig: Rig, pilot: Any) -> None:
        found = ["made.yaml:3:1 refused: no such thing\n  help: write another"]
        rig.link.replies = {"/sequence": {"ok": True, "runnable": False, "findings": found}}
        await rig.tell(pilot, "status", status())
        await pilot.press("f8")
        await rig.type(pilot, "/made/up.yaml")

        assert "This sequence cannot be run on this bench:" in rig.text("text")
        assert "help: write another" in rig.text("text")

    drive(admit)


def test_a_refused_start_keeps_the_card_and_says_why() -> None:
    async def admit(rig: Rig, pilot: Any) -> None:
        await to_the_card(rig, pilot)
        help_ = "calibrate it"
        rig.link.replies["/start"] = {"ok": False, "sentence": "The calibration lapses.", "help": help_}
        await rig.type(pilot, "", "", "", "", "", "", "start")

        assert "The calibration lapses. Help: calibrate it" in rig.text("text")
        assert "Begin?" in rig.text("text")

    drive(admit)


def test_the_label_is_scanned_again_at_the_bench() -> None:
    async def connect(rig: Rig, pilot: Any) -> None:
        items = ["specimen TW-04 connected"]
        await rig.tell(pilot, "status", asked("connect", label_of="TW-04", items=items))
        await rig.type(pilot, "TW-05")
        wrong = rig.text("say")
        await rig.type(pilot, "tw-04 ")
        second = rig.text("text")
        await rig.type(pilot, "2")

        assert "WRONG SPECIMEN: this is TW-05, the run is for TW-04. Do not connect it." in wrong
        assert "(2 of 2)" in second  # and not "(2 of 2)" beside "type 1"
        assert "type 2, then Enter" in second
        (answer,) = rig.link.orders("/answer")
        assert answer["confirmed"] == items
        assert answer["label"] == "tw-04"

    drive(connect)


def test_the_label_of_each_mount_is_scanned_again() -> None:
    async def connect(rig: Rig, pilot: Any) -> None:
        items = ["all 2 specimens connected, each at its own mount"]
        await rig.tell(pilot, "status", asked("connect", labels_of=["WG-01", "WG-02"], items=items))
        first = rig.text("text")
        await rig.type(pilot, "WG-01", "WG-01")
        wrong, second = rig.text("say"), rig.text("text")
        await rig.type(pilot, "wg-02", "3")

        assert "label at mount 1, WG-01   (1 of 3)" in first
        assert "WRONG SPECIMEN: this is WG-01, the run is for WG-02. Do not connect it." in wrong
        assert "label at mount 2, WG-02   (2 of 3)" in second
        (answer,) = rig.link.orders("/answer")
        assert (answer["labels"], answer["label"], answer["confirmed"]) == (["WG-01", "wg-02"], None, items)

    drive(connect)


def test_arming_shows_the_caution_and_wants_each_item_by_its_own_number() -> None:
    items = ["cell is clear", "earthing stick on its hook"]

    async def arm(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", asked("arm", items=items, caution="Stored energy can kill."))
        first = rig.text("text")
        await rig.type(pilot, "", "1", "1")
        not_yet = rig.link.orders("/answer")
        await rig.type(pilot, "2")

        assert "CAUTION: Stored energy can kill." in first
        assert "earthing stick" not in first
        assert not_yet == []
        (answer,) = rig.link.orders("/answer")
        assert (answer["confirmed"], answer["yes"], answer["by"]) == (items, True, "T. Made-Up")

    drive(arm)


def test_inputs_that_are_to_be_opened_and_closed_first_were_named_one_refusal_at_a_time() -> None:
    async def arm(rig: Rig, pilot: Any) -> None:
        facts = asked(
            "arm", items=["cell is clear"], text="Not armed: exhaust has not been opened and closed."
        )
        for one in facts["interlocks"]:
            one["proven"] = one["name"] in ("door", "earthing_stick_home")
        await rig.tell(pilot, "status", facts)
        told = " ".join(rig.text("do").split())

        assert told.startswith("Open and close once: emergency_stop, exhaust. Then arm the bench: F2.")

    drive(arm)


def test_what_is_asked_is_on_the_screen_however_much_stands_above_it() -> None:
    items = [f"point {number}" for number in range(1, 7)]

    async def arm(rig: Rig, pilot: Any) -> None:
        long = "Not armed: a made-up sentence of some length about what has to be done first. " * 3
        await rig.tell(
            pilot, "status", asked("arm", items=items, text=long, caution="Stored energy can kill. " * 9)
        )
        for number in range(1, 6):
            await rig.type(pilot, str(number))
            assert f"[ ] point {number + 1}   ({number + 1} of 6)" in "\n".join(rig.rows())

    drive(arm)


def test_no_stops_the_run_without_confirming_anything() -> None:
    async def refuse(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", asked("arm", items=["cell is clear", "stick home"]))
        await rig.type(pilot, "1", "no")

        (answer,) = rig.link.orders("/answer")
        assert (answer["yes"], answer["confirmed"]) == (False, [])

    drive(refuse)


def test_observing_too_early_says_so_and_asks_again() -> None:
    async def observe(rig: Rig, pilot: Any) -> None:
        refusal = {"ok": False, "sentence": "The observation window runs for another 9 s.", "help": "wait"}
        rig.link.replies["/answer"] = refusal
        await rig.tell(pilot, "status", asked("observe", choices=["unmarked", "scorched"]))
        await rig.type(pilot, "1", "")
        early = rig.text("say")
        rig.link.replies["/answer"] = {"ok": True}
        await rig.type(pilot, "smoke came late")

        assert "The observation window runs for another 9 s. Help: wait" in early
        late = rig.link.orders("/answer")[-1]
        assert (late["choice"], late["remark"]) == ("unmarked", "smoke came late")

    drive(observe)


def test_inspection_takes_a_photo_and_a_remark() -> None:
    async def inspect(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", asked("inspect", items=["cloth examined"], needs_photo=True))
        await rig.type(pilot, "1", "", "/made/up.jpg", "no mark")

        (answer,) = rig.link.orders("/answer")
        assert (answer["photo"], answer["remark"]) == ("/made/up.jpg", "no mark")

    drive(inspect)


def test_a_blocked_start_is_released_only_by_a_name() -> None:
    async def release(rig: Rig, pilot: Any) -> None:
        await rig.tell(
            pilot, "status", status(snapshot("off not proven", "red", blocked="Start blocked.", safe=False))
        )
        await rig.type(pilot, "1", "", "M. Made-Up")

        assert rig.text("entry").startswith("(?) NOT KNOWN")
        assert rig.link.orders("/release") == [{"by": "M. Made-Up"}]

    drive(release, by=None)


@pytest.mark.parametrize("ask", ["release", "acknowledge"])
def test_whoever_sat_at_the_console_released_under_the_technician_s_name(ask: str) -> None:
    """The one who may is another person than the one who opened the console, and says their own name."""
    view = (
        snapshot("off not proven", "red", blocked="Start blocked.", safe=False) if ask == "release" else None
    )
    failed = {"bench": "Bench 3", "unacknowledged": {"run": RUN, "what": "ValueError: x"}}

    async def release(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", status(view, None if view else failed))
        first = rig.text("text")
        await rig.type(pilot, "no")
        wrong = rig.text("say")
        await rig.type(pilot, "1", "O. Charge")

        assert "stop the run" not in first
        assert "Type 1 when it is so. 'no' is not that." in wrong
        assert rig.link.orders(f"/{ask}") == [{"by": "O. Charge"}]

    drive(release)


def test_escape_goes_one_step_back() -> None:
    async def mend(rig: Rig, pilot: Any) -> None:
        await to_the_card(rig, pilot)
        await rig.type(pilot, "a wrong group")
        await pilot.press("escape")
        await rig.type(pilot, "the right group")

        assert "the right group" in rig.text("text")
        assert "a wrong group" not in rig.text("text")

    drive(mend)


def test_a_question_that_is_over_leaves_no_form_behind() -> None:
    async def over(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", asked("hold"))
        await rig.tell(pilot, "status", CHARGING)

        assert rig.app.flow.form is None
        assert not rig.app.query_one("#line_row").display

    drive(over)


@pytest.mark.parametrize(("paused", "path"), [(False, "/pause"), (True, "/resume")])
def test_one_key_pauses_and_goes_on(paused: bool, path: str) -> None:
    async def press(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", status(run=progress(paused=paused)))
        await pilot.press("f9")
        await rig.settled(pilot)

        assert rig.link.orders(path) == [{"by": "T. Made-Up"}]

    drive(press)


def test_after_f9_the_console_named_the_command_of_a_shell() -> None:
    async def press(rig: Rig, pilot: Any) -> None:
        rig.link.replies["/pause"] = {"ok": True, "sentence": "The run pauses after the present shot.",
                                      "then": "To go on: benchward resume"}  # fmt: skip
        await rig.tell(pilot, "status", CHARGING)
        await pilot.press("f9")
        await rig.settled(pilot)

        assert rig.text("say").strip() == "The run pauses after the present shot. To go on: F9."

    drive(press)


def test_the_middle_shows_what_the_duty_says_of_itself() -> None:
    """A duty that is none of shots: its own table and its own trend, from the status alone."""
    shown = {"head": ["mount", "confirmed"], "rows": [["1", "31417"], ["2", "31416"]]}
    trend = {"contact_drop": {"unit": "V", "points": [[1000, 0.021], [2000, 0.022]]}}
    cycles = progress("cycles run", counted="cycle", where="cycle 31417 of 44000", shown=shown, trend=trend,
                      details=["12 a minute, 17 h 28 min left"])  # fmt: skip

    async def look(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", status(snapshot("in operation", "red"), cycles))
        bench = rig.text("text")
        await pilot.press("f5")
        await rig.settled(pilot)

        assert rig.text("going_on").splitlines()[:2] == [
            "Cycle 31417 of 44000: cycles run.",
            "12 a minute, 17 h 28 min left",
        ]
        assert "2      31416" in bench
        assert "contact drop in mV by cycle" in "\n".join(rig.rows())

    drive(look)


def test_the_newest_waveform_is_fetched_once_and_drawn_channel_by_channel() -> None:
    channel = {
        "unit": "V",
        "time_s": [0.0, 1e-6, 2e-6],
        "lowest": [0.0, 250.0, 90.0],
        "highest": [1.0, 289.0, 99.0],
    }
    wave = {
        "ok": True,
        "run": RUN,
        "capture": "duty-03",
        "channels": {"current": channel, "voltage": channel},
    }

    async def look(rig: Rig, pilot: Any) -> None:
        rig.link.replies[f"/runs/{RUN}/captures/duty-03"] = wave
        await rig.tell(pilot, "status", CHARGING)
        await rig.tell(pilot, "event", {"n": 9, "kind": "capture", "file": "captures/duty-03.h5", "utc": ""})
        await pilot.press("f4")
        await rig.settled(pilot)
        first = "\n".join(rig.rows())
        await pilot.press("f4")
        await rig.settled(pilot)

        assert "duty-03: current in V, time in us" in first
        assert "duty-03: voltage in V, time in us" in "\n".join(rig.rows())
        assert sum("captures" in path for _, path, _ in rig.link.asked) == 1

    drive(look)


def test_the_trend_stands_against_its_limit_and_the_table_has_every_shot() -> None:
    limit = {"clause": "house 4.1", "result": "limiting_voltage", "judged": "every shot", "direction": "at_most",
             "limit": 310.0, "unit": "V", "must_be": None}  # fmt: skip

    async def look(rig: Rig, pilot: Any) -> None:
        rig.link.replies[f"/runs/{RUN}/requirements"] = {"ok": True, "content": [limit]}
        await rig.tell(pilot, "status", CHARGING)
        for shot in (1, 2, 3):
            result = {"limiting_voltage": {"value": -280.0 - shot, "unit": "V", "expanded_uncertainty": 1.4}}
            facts: Facts = {"n": shot, "kind": "figures", "part": "duty", "shot": shot, "of": 12,
                            "polarity": "negative", "valid": True, "results": result, "warnings": [],
                            "utc": ""}  # fmt: skip
            await rig.tell(pilot, "event", facts)
        bench = rig.text("text")
        await pilot.press("f5")
        await rig.settled(pilot)

        assert "at most 310 V" in bench
        assert [f"-28{shot}.0 +- 1.4 V" in bench for shot in (1, 2, 3)] == [True] * 3
        assert "limiting voltage in V by shot, limit 310 V" in "\n".join(rig.rows())

    drive(look)
