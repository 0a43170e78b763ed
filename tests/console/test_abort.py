"""Abort: from every view and every field, no question, straight to the interlock monitor, who then is told who."""

from __future__ import annotations

from typing import Any

import pytest
from textual.widgets import Input

from tests.console.fake import CHARGING, Rig, drive, progress, question, snapshot, status

VIEWS = ("bench", "wave", "trend", "happened", "why", "keys", "act")
FIELDS = {
    "label at the bench": question("connect", label_of="TW-04", items=["specimen TW-04 connected"]),
    "checklist": question("arm", items=["cell is clear"], caution="Stored energy can kill."),
    "choice": question("observe", choices=["unmarked", "scorched"]),
    "photo": question("inspect", needs_photo=True),
    "done": question("hold"),
}


KEYS = pytest.mark.parametrize("key", ["f12", "ctrl+x"])


@KEYS
def test_from_every_view(key: str) -> None:
    async def press(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", CHARGING)
        for number, view in enumerate(VIEWS, 1):
            rig.app.action_view(view)
            await pilot.press(key)

            assert rig.link.aborted_by == ["T. Made-Up"] * number
            assert rig.text("do").startswith("STOPPING: the interlock monitor has been told. Stay out")

    drive(press)


@KEYS
def test_from_every_field(key: str) -> None:
    """Also with something typed already and selected, where Ctrl-X would cut it."""

    async def press(rig: Rig, pilot: Any) -> None:
        line = rig.app.query_one("#line", Input)
        for number, (field, asked) in enumerate(FIELDS.items(), 1):
            numbered = {**asked, "question": number}
            await rig.tell(pilot, "status", status(run=progress("waiting", question=numbered)))
            line.value = "half a label"
            line.action_select_all()
            assert rig.app.focused is line
            await pilot.press(key)

            assert rig.link.aborted_by == ["T. Made-Up"] * number, field
            assert line.value == "half a label"

    drive(press)


@KEYS
def test_from_every_step_of_the_card(key: str) -> None:
    async def press(rig: Rig, pilot: Any) -> None:
        rig.link.replies = {"/sequence": {"ok": True, "runnable": True, "title": "t", "findings": []}}
        rig.link.replies["/specimens/TW-04"] = {
            "ok": True,
            "identity": "TW-04",
            "runs": [],
            "spent_because": None,
        }
        await rig.tell(pilot, "status", status())
        await pilot.press("f8")
        for number, text in enumerate(["/made/up.yaml", "TW-04", "a group", "as new", "", "", "start"], 1):
            await pilot.press(key)
            assert rig.link.aborted_by == ["T. Made-Up"] * number
            await rig.type(pilot, text)

    drive(press)


def test_without_a_name_the_user_of_the_computer_aborts() -> None:
    async def press(rig: Rig, pilot: Any) -> None:
        await pilot.press("f12")
        await rig.settled(pilot)

        assert rig.link.aborted_by == ["t-user"]
        assert rig.link.orders("/abort") == [{"by": None}]

    drive(press, by=None)


def test_an_abort_that_nobody_took_is_shouted() -> None:
    async def press(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", CHARGING)
        rig.link.takes_aborts = False
        await pilot.press("f12")

        assert rig.text("do").startswith("NOBODY TOOK THE ABORT")
        assert "Cut the mains by hand" in rig.text("say")

    drive(press)


def test_it_says_stopping_until_the_run_is_over() -> None:
    async def press(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", CHARGING)
        await pilot.press("f12")
        await rig.tell(
            pilot, "status", status(snapshot("ready to switch on", "red"), progress("making safe"))
        )
        during = rig.text("do")
        await rig.tell(pilot, "status", status())

        assert during.startswith("STOPPING")
        assert "STOPPING" not in rig.text("do")

    drive(press)


def test_ctrl_c_neither_stops_nor_leaves_but_says_how() -> None:
    async def press(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", CHARGING)
        await pilot.press("ctrl+c")

        assert rig.link.aborted_by == []
        assert "To stop the run: F12 or Ctrl-X." in rig.text("say")
        assert rig.app.is_running

    drive(press)
