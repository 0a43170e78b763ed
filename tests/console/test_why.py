"""Why it stopped: for every stop reason the first cause, what to check, who can release it, and what came before."""

from __future__ import annotations

from typing import Any

import pytest

from orchestrator.console.why import last_seconds, left_behind, why_lines
from orchestrator.core.reasons import EXPLANATIONS, Cause, Reason, sentence
from tests.console.fake import RUN, Rig, drive, progress, snapshot, status
from tests.run.worlds import VirtualBench, short_sequence

Facts = dict[str, Any]
WIDTH = 78


def entry(n: int, mono_s: float, kind: str, **facts: Any) -> Facts:
    return {"n": n, "utc": "2026-11-24T23:10:00Z", "kind": kind, "mono_s": mono_s} | facts


def ended_by(reason: Reason, off_proven: bool | None = True) -> tuple[Facts, list[Facts]]:
    """How a run ended, and its journal."""
    first = Cause(reason, f"made-up cause of {reason.value}", 100.0, "P. Made-Up")
    later = Cause(Reason.STORAGE_FAULT, "the disk was full, too", 101.0)
    journal = [
        entry(1, 0.0, "run_started", run=RUN, specimen="TW-04"),
        entry(2, 80.0, "charged", voltage_v=1500.0),
        entry(3, 95.0, "intent", act="charge", output="high_voltage", part="duty"),
        entry(4, 96.5, "charged", voltage_v=1700.0),
        entry(5, 99.2, "interlock", name="door", closed=False),
        entry(6, 100.4, "off_proof", safe=off_proven, against=[]),
        entry(7, 100.5, "cause", **first.to_json(), first=True),
        entry(8, 101.0, "cause", **later.to_json(), first=False),
        entry(9, 101.1, "run_ended", reason=reason.value, off_proven=off_proven),
    ]
    facts = {
        "run": RUN,
        "reason": reason.value,
        "off_proven": off_proven,
        "sentence": sentence(first, off_proven),
    }
    return facts | {"verdicts": []}, journal


@pytest.mark.parametrize("reason", Reason)
def test_every_reason_says_first_cause_what_to_check_and_whether_anything_is_blocked(reason: Reason) -> None:
    ended, journal = ended_by(reason)
    shown = " ".join(" ".join(why_lines(ended, journal, WIDTH)).split())
    told = EXPLANATIONS[reason]

    first = f"First cause: made-up cause of {reason.value}, P. Made-Up ({reason.value})."
    assert (first in shown) == (reason not in (Reason.COMPLETED, Reason.COUNT_REACHED))
    assert "Later: the disk was full, too" in shown
    assert told.check
    assert all(" ".join(text.split()) in shown for text in told.check)
    assert "Nothing is blocked" in shown
    assert "benchward answer" not in shown
    assert "-0.8 s interlock door OPENED" in shown


@pytest.mark.parametrize(
    ("waits_for", "who"),
    [
        ("release", "the test operator in charge, by name, once off is proven: F2."),
        ("acknowledge", "an engineer, by name: F2."),
        (None, None),
    ],
)
def test_can_be_released_by_was_shown_when_nothing_was_blocked(
    waits_for: str | None, who: str | None
) -> None:
    ended, journal = ended_by(Reason.OFF_NOT_PROVEN, off_proven=False)
    shown = " ".join(" ".join(why_lines(ended, journal, WIDTH, waits_for)).split())

    assert ("Can be released by" in shown) == (who is not None)
    assert (f"The next start is blocked. Can be released by: {who}" in shown) == (who is not None)


VERDICT = {"verdict": "P", "clause": "house 4.1", "result": "limiting_voltage", "judged": "every shot",
           "direction": "at_most", "limit": 310.0, "unit": "V", "sentence": "P (pass): 289 V"}  # fmt: skip


def test_the_view_ended_in_an_empty_verdicts() -> None:
    """At 80x24 the heading was the last row, and nothing said that there is more."""

    async def look(rig: Rig, pilot: Any) -> None:
        ended, journal = ended_by(Reason.COMPLETED)
        rig.link.replies[f"/runs/{RUN}"] = {"ok": True, "journal": journal}
        await rig.tell(pilot, "status", status(ended=ended | {"verdicts": [VERDICT]}))
        await pilot.press("f7")
        await rig.settled(pilot)
        rows = rig.text("text").splitlines()

        at = next(number for number, row in enumerate(rows) if "Verdicts:" in row)
        assert "P    house 4.1: limiting voltage at most 310 V" in rows[at + 1]
        assert "PgDn" in rows[-1]
        for _ in range(5):
            await pilot.press("pagedown")
        assert "PgDn" not in rig.text("text")

    drive(look)


def test_a_run_that_stops_turns_the_screen_to_why_below_the_same_three_questions() -> None:
    async def look(rig: Rig, pilot: Any) -> None:
        for number, reason in enumerate((Reason.INTERLOCK_OPEN, Reason.INSTRUMENT_FAULT)):
            ended, journal = ended_by(reason)
            run = f"{RUN}-{number}"
            rig.link.replies[f"/runs/{run}"] = {"ok": True, "journal": journal}
            await rig.tell(pilot, "status", status(run=progress(run=run)))
            await rig.tell(pilot, "status", status(ended=ended | {"run": run}))
            await rig.settled(pilot)

            assert rig.app.view == "why"
            assert f"First cause: made-up cause of {reason.value}" in rig.text("text")
            assert rig.text("entry").startswith("(_) YES")
            assert "Why it stopped: F7." in rig.text("do")

    drive(look, (100, 60))


def test_the_ten_seconds_before_are_those_ten_and_end_with_the_cause() -> None:
    _, journal = ended_by(Reason.INTERLOCK_OPEN)

    assert [line.split("s  ")[1] for line in last_seconds(journal)] == [
        "about to charge high_voltage",
        "charged to 1700 V",
        "interlock door OPENED",
    ]
    assert last_seconds(journal)[0].startswith("   -5.0 s")


def test_off_not_proven_is_never_softened_and_names_the_person_in_charge() -> None:
    ended, journal = ended_by(Reason.OFF_NOT_PROVEN, off_proven=False)

    async def look(rig: Rig, pilot: Any) -> None:
        rig.link.replies[f"/runs/{RUN}"] = {"ok": True, "journal": journal}
        view = snapshot("off not proven", "red", safe=False, blocked="Start blocked: off was not proven.")
        await rig.tell(pilot, "status", status(view, ended=ended))
        await pilot.press("f7")
        await rig.settled(pilot)

        shown = " ".join(rig.text("text").split())
        assert "OFF IS NOT PROVEN: treat the bench as live and stay out." in shown
        assert "Can be released by: the test operator in charge" in shown
        assert rig.text("entry").startswith("(?) NOT KNOWN")
        assert rig.text("lamp") == "lamp: RED"

    drive(look, (100, 60))


def test_an_interrupted_run_shows_what_is_certain_and_what_is_not() -> None:
    """A trigger that was announced and never confirmed counts as one that the specimen has had."""
    journal = [
        entry(1, 0.0, "run_started", run=RUN, specimen="TW-04"),
        entry(2, 1.0, "intent", act="trigger", part="duty", shot=1),
        entry(3, 1.1, "triggered", part="duty", shot=1),
        entry(4, 9.0, "intent", act="trigger", part="duty", shot=2),
    ]
    ended = {"run": RUN, "reason": "power_lost", "off_proven": None, "sentence": "It was interrupted."}
    text = " ".join(why_lines(ended, journal, WIDTH))

    assert "Left behind: specimen TW-04, 1 shot(s) certain, 1 UNCERTAIN" in left_behind(journal)[0]
    assert "The last thing on record: about to trigger" in text
    assert "It is not gone on with by itself" in text


def test_before_any_run_there_is_nothing_to_tell() -> None:
    assert why_lines(None, [], WIDTH) == ["No run has ended since this data folder was made."]


@pytest.mark.parametrize("width", [40, 80, 132])
@pytest.mark.parametrize("reason", [Reason.COMPLETED, Reason.OFF_NOT_PROVEN, Reason.CAPTURE_INVALID])
def test_no_line_is_wider_than_the_screen(reason: Reason, width: int) -> None:
    ended, journal = ended_by(reason)

    assert max(map(len, why_lines(ended, journal, width))) <= width


def test_a_real_stop_from_the_engine_reads_the_same() -> None:
    """The door opened while charging, in a rehearsal: nothing here is made up but the bench."""
    bench = VirtualBench()

    def act(made: Facts) -> None:
        if made["kind"] == "charged":
            bench.set("door", "open")

    ending = bench.perform(short_sequence(), act)
    ended = {"run": "r", "reason": ending.end.cause.reason.value, "sentence": ending.end.sentence}
    text = " ".join(" ".join(why_lines(ended, ending.entries, WIDTH)).split())

    assert ending.end.cause.reason is Reason.INTERLOCK_OPEN
    assert "First cause: " in text
    assert "charged to 1700 V" in text
    assert "count heads before anything else" in text


def test_a_daemon_lost_in_the_middle_of_a_run_showed_how_an_earlier_run_had_ended() -> None:
    """ "Off is proven", of the run before, stood under "not known, treat as live"."""
    ended, _ = ended_by(Reason.ABORT_BY_PERSON)
    earlier = ended | {"run": "20261123-0911-TW-03"}

    async def look(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", status(snapshot("in operation", "red"), progress(), earlier))
        await rig.tell(pilot, "lost", {"sentence": "The daemon's API does not answer"})
        shown = " ".join("\n".join(rig.rows()).split())

        assert rig.app.view == "bench"
        assert "Off is proven" not in shown
        assert "The run has stopped" not in shown
        told = " ".join(rig.text("going_on").split())
        assert f"When it was last heard, run {RUN} was in progress. Shot 3 of 12, positive: charging." in told

    drive(look)


def test_nobody_took_the_abort_stayed_after_off_was_proven_again() -> None:
    async def look(rig: Rig, pilot: Any) -> None:
        rig.link.takes_aborts = False
        await rig.tell(pilot, "status", status(snapshot("in operation", "red"), progress()))
        await pilot.press("f12")
        await rig.settled(pilot)
        lost = rig.text("do").splitlines()
        await rig.tell(pilot, "status", status())

        assert lost[0] == "NOBODY TOOK THE ABORT. Stay out. Cut the mains by hand."
        assert lost[1] == ""
        assert "NOBODY" not in rig.text("do")

    drive(look)
