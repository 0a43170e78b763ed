"""Control in the console: the first one has it, a second one only looks, taking over is said twice."""

from __future__ import annotations

from typing import Any

import pytest

from tests.console.fake import CHARGING, NOW_S, Rig, drive, progress, question, status

TAKEN = {"ok": True, "sentence": "T. Made-Up has control of this bench.", "control": "a token", "number": 1}
OTHERS = {"owner": "O. Ther", "number": 7}


def test_the_first_console_takes_control_and_gives_it_back_when_left() -> None:
    async def open_it(rig: Rig, pilot: Any) -> None:
        rig.link.replies["/take-control"] = TAKEN
        await rig.tell(pilot, "status", status() | {"control": None})
        await rig.tell(pilot, "status", status() | {"control": {"owner": "T. Made-Up", "number": 1}})

        assert rig.link.orders("/take-control") == [{"by": "T. Made-Up", "over": False}]
        assert rig.link.control == "a token"
        assert "control: T. Made-Up   " in rig.text("header")

    rig = drive(open_it)
    assert rig.link.orders("/give-control") == [{"by": "T. Made-Up"}]


def test_a_second_console_says_that_it_only_looks_and_takes_over_at_the_second_press() -> None:
    async def look(rig: Rig, pilot: Any) -> None:
        rig.link.replies["/take-control"] = TAKEN | {
            "number": 8,
            "sentence": "T. Made-Up has control, taken over.",
        }
        await rig.tell(pilot, "status", CHARGING | {"control": OTHERS})
        header = rig.text("header")
        await pilot.press("f10")
        first = rig.text("say")
        before = rig.link.orders("/take-control")
        await pilot.press("f10")
        await rig.settled(pilot)

        assert "control: O. Ther, you only look" in header
        assert "F10 once more takes it over; it is recorded." in first
        assert before == []
        assert rig.link.orders("/take-control") == [{"by": "T. Made-Up", "over": True}]
        assert "taken over" in rig.text("say")

    drive(look)


def test_whoever_lost_control_is_told_and_does_not_snatch_it_back() -> None:
    async def lose(rig: Rig, pilot: Any) -> None:
        rig.link.replies["/take-control"] = TAKEN
        await rig.tell(pilot, "status", status() | {"control": None})
        await rig.tell(pilot, "status", CHARGING | {"control": OTHERS})
        told = rig.text("say")
        await rig.tell(pilot, "status", CHARGING | {"control": None})

        assert "O. Ther has taken control over: you only look." in told
        assert len(rig.link.orders("/take-control")) == 1
        assert rig.link.control is None

    drive(lose)


def test_one_that_waited_does_not_get_control_by_itself_when_it_is_given_back() -> None:
    async def wait(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", CHARGING | {"control": OTHERS})
        await rig.tell(pilot, "status", CHARGING | {"control": None})

        assert rig.link.orders("/take-control") == []
        assert "control: nobody" in rig.text("header")

    drive(wait)


def test_after_a_restart_of_the_daemon_the_one_who_had_it_has_it_again() -> None:
    async def restart(rig: Rig, pilot: Any) -> None:
        rig.link.replies["/take-control"] = TAKEN
        await rig.tell(pilot, "status", status() | {"control": None})
        await rig.tell(pilot, "status", status() | {"control": {"owner": "T. Made-Up", "number": 1}})
        await rig.tell(pilot, "lost", {"sentence": "The engine is gone"})
        await rig.tell(pilot, "status", status() | {"control": None})

        assert len(rig.link.orders("/take-control")) == 2

    drive(restart)


def test_a_console_that_only_looks_takes_nothing_and_can_still_abort() -> None:
    async def look(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", CHARGING | {"control": None})
        await pilot.press("f12")

        assert rig.link.orders("/take-control") == []
        assert rig.link.aborted_by == ["T. Made-Up"]

    drive(look, looks=True)


def test_a_second_person_and_a_witness_say_their_own_names() -> None:
    async def confirm(rig: Rig, pilot: Any) -> None:
        asked = question("witness", items=["the witness is ready"], role="witness", not_by=["T. Made-Up"])
        await rig.tell(pilot, "status", status(run=progress("waiting", question=asked)))
        await rig.type(pilot, "1", "t. made-up")
        same = rig.text("say")
        await rig.type(pilot, "W. Made-Up")

        assert "has confirmed already: this is for another person." in same
        (answer,) = rig.link.orders("/answer")
        assert answer["by"] == "W. Made-Up"

    drive(confirm)


@pytest.mark.parametrize("control", [OTHERS, None])
def test_a_console_that_only_looks_showed_the_form(control: dict[str, Any] | None) -> None:
    asked = status(run=progress("waiting", question=question("arm", items=["cell is clear"])))

    async def look(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", asked | {"control": control})
        await pilot.press("f2")
        await rig.settled(pilot)
        shown = rig.text("text")
        await pilot.press("f8", "f9")
        await rig.settled(pilot)

        assert rig.app.flow.form is None
        assert not rig.app.query_one("#line_row").display
        assert "Nothing is asked of you." in shown
        assert "you only look: F10" in " ".join(rig.text("do").split())
        assert rig.link.orders("/pause") == []

    drive(look, looks=True)


def test_a_witness_answers_at_a_console_that_only_looks() -> None:
    asked = question("witness", items=["the witness is ready"], role="witness")

    async def look(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", status(run=progress("waiting", question=asked)) | {"control": OTHERS})
        await rig.type(pilot, "1", "W. Made-Up")

        assert rig.link.orders("/answer")[0]["by"] == "W. Made-Up"

    drive(look, looks=True)


def test_the_form_is_there_once_control_was_taken() -> None:
    asked = status(run=progress("waiting", question=question("arm", items=["cell is clear"])))

    async def take(rig: Rig, pilot: Any) -> None:
        rig.link.replies["/take-control"] = TAKEN | {"number": 8}
        await rig.tell(pilot, "status", asked | {"control": OTHERS})
        await pilot.press("f10", "f10")
        await rig.settled(pilot)
        await rig.tell(pilot, "status", asked | {"control": {"owner": "T. Made-Up", "number": 8}})

        assert rig.app.flow.form is not None

    drive(take)


def test_a_console_says_now_and_then_that_it_is_still_there() -> None:
    async def stay(rig: Rig, pilot: Any) -> None:
        rig.link.replies["/take-control"] = TAKEN
        await rig.tell(pilot, "status", status() | {"control": None})
        for passed_s in (0.0, 0.5, 9.0, 10.6, 21.0):
            rig.now_s = NOW_S + passed_s
            await rig.tell(pilot, "status", status() | {"control": {"owner": "T. Made-Up", "number": 1}})

        assert len(rig.link.orders("/keep-control")) == 3

    drive(stay)
