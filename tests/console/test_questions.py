"""May I go in, what is going on, what do I do: always in the same place, from proof only, by word and symbol."""

from __future__ import annotations

import threading
from typing import Any

import pytest

from orchestrator.console import app
from orchestrator.console.words import LABELS
from tests.console.fake import CHARGING, NOW_S, Rig, drive, progress, question, snapshot, status


def places_of_labels(rows: list[str]) -> list[int]:
    return [next(number for number, row in enumerate(rows) if label in row) for label in LABELS]


def test_before_anything_is_heard_it_is_not_known() -> None:
    async def look(rig: Rig, pilot: Any) -> None:
        assert rig.text("entry").startswith("(?) NOT KNOWN. Treat the bench as live")
        assert "NO DATA" in rig.text("header")

    drive(look)


def test_yes_comes_from_proof_and_keeps_its_caution() -> None:
    async def look(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", status())

        assert rig.text("entry").splitlines()[0] == "(_) YES. Off and earthed, proven."
        assert "lamp: GREEN" in rig.text("lamp")
        assert "test for absence of voltage" in rig.text("do")
        assert "Begin a run: F8." in rig.text("do")

    drive(look)


@pytest.mark.parametrize(
    ("facts", "words", "lamp"),
    [
        (status(snapshot("in operation", "red", 1690.0), progress()), "(X) NO. Do not enter: energy may be on.", "RED"),
        (status(snapshot("ready to switch on", "red"), progress()), "(X) NO. Do not enter: the bench is armed.", "RED"),
        (status(snapshot(safe=False)), "(?) NOT KNOWN.", "GREEN"),
        (status(snapshot("off not proven", "red", safe=False, blocked="Blocked.")), "(?) NOT KNOWN", "RED"),
        (status(snapshot("out of operation", "none")), "(_) YES.", "NONE"),
    ],
)  # fmt: skip
def test_each_state_by_word_and_symbol(facts: dict[str, Any], words: str, lamp: str) -> None:
    async def look(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", facts)

        assert rig.text("entry").startswith(words)
        assert rig.text("lamp") == f"lamp: {lamp}"

    drive(look)


def test_a_reading_grows_old_without_anybody_saying_so() -> None:
    async def look(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", status())
        rig.now_s = NOW_S + 0.9
        rig.app.show()
        young = rig.text("entry")
        rig.now_s = NOW_S + 1.1
        rig.app.show()

        assert young.startswith("(_) YES")
        assert "the last reading is 1.1 s old" in " ".join(rig.text("entry").split())
        assert "off NOT proven" in rig.text("entry")
        assert rig.text("lamp") == "lamp: NOT KNOWN"
        assert rig.text("entry").startswith("(?) NOT KNOWN")
        assert "Do not enter" in rig.text("do")

    drive(look)


def test_a_lost_daemon_is_not_known_and_one_that_is_back_is_known_again() -> None:
    async def look(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", status())
        await rig.tell(pilot, "lost", {"sentence": "The engine is gone", "bench": "Bench 3 impulse"})
        lost = rig.text("entry")
        await rig.tell(pilot, "status", status())

        assert "NOT KNOWN. Treat the bench as live: The engine is" in lost.replace("\n    ", " ")
        assert rig.text("entry").startswith("(_) YES")
        assert "Bench 3 impulse" in rig.text("header")

    drive(look)


def test_charging_is_told_with_its_countdown_voltage_and_capture() -> None:
    async def look(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", CHARGING)

        assert "Shot 3 of 12, positive: charging. Trigger in 4 s." in rig.text("going_on")
        assert "1649 of 1700 V charged, all channels waiting for trigger" in rig.text("going_on")
        assert "store 1649 V" in rig.text("entry")
        assert rig.text("do").startswith("Nothing. Stay outside.")
        assert rig.text("do").splitlines()[-1] == "To stop now: F12 or Ctrl-X. No question is asked."

    drive(look)


def test_yes_but_look_first_said_that_off_was_not_proven() -> None:
    ended = {"run": "R1", "sentence": "It was interrupted.", "indicator_doubt": "nobody has seen the cloth"}

    async def look(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", status(ended=ended))

        assert rig.text("entry").startswith("(_) YES, BUT LOOK FIRST.")
        assert "NOT proven" not in rig.text("entry")

    drive(look)


LONG = " ".join(["a made-up sentence that goes on and on"] * 12)


@pytest.mark.parametrize("size", [(80, 24), (132, 50), (60, 18)])
def test_the_questions_stand_in_the_same_place_whatever_is_said(size: tuple[int, int]) -> None:
    async def look(rig: Rig, pilot: Any) -> None:
        seen = []
        asked = progress("waiting", question=question("hold", LONG, items=[LONG]))
        for facts in (status(), CHARGING, status(run=asked), status(snapshot(safe=False, blocked=LONG))):
            await rig.tell(pilot, "status", facts)
            for view in ("bench", "wave", "trend", "happened", "why", "keys", "act"):
                rig.app.action_view(view)
                await pilot.pause()
                seen.append(places_of_labels(rig.rows()))
                assert "To stop now: F12 or Ctrl-X" in "".join(rig.rows())

        assert set(map(tuple, seen)) == {(2, 6, 10)}

    drive(look, size)


def test_a_resize_in_the_middle_keeps_everything() -> None:
    async def look(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", CHARGING)
        for size in ((40, 10), (200, 60), (80, 24)):
            await pilot.resize_terminal(*size)
            await rig.settled(pilot)

        assert places_of_labels(rig.rows()) == [2, 6, 10]
        assert "(X) NO. Do not enter" in "".join(rig.rows())

    drive(look)


@pytest.mark.parametrize("keys", [(), ("f4",), ("f5",), ("f1",), ("f7",), ("f8",)])
def test_plain_characters_only(keys: tuple[str, ...]) -> None:
    """A terminal without Unicode gets ASCII alone, drawings too."""

    async def look(rig: Rig, pilot: Any) -> None:
        facts = CHARGING | {"title": "A filter of 2 µF ± 5 %"}
        await rig.tell(pilot, "status", facts)
        await pilot.press(*keys)
        await rig.settled(pilot)

        assert "".join(rig.rows()).isascii()

    drive(look, ascii_only=True)


def test_without_colour_nothing_is_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")

    async def look(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", CHARGING)
        shown = "\n".join(rig.rows())

        assert rig.app.no_color
        assert "(X) NO. Do not enter: energy may be on." in shown
        assert "lamp: RED" in shown

    drive(look)


def test_green_and_red_stand_on_the_lamp_alone() -> None:
    """By the colours of every cell of the screen: EN 50191 has given these two a meaning."""

    async def look(rig: Rig, pilot: Any) -> None:
        for facts in (CHARGING, status(), status(snapshot(safe=False))):
            await rig.tell(pilot, "status", facts)
            coloured = ""
            for strip in rig.app.screen._compositor.render_strips():
                for segment in strip:
                    style = segment.style
                    for colour in (style.color, style.bgcolor) if style else ():
                        if colour is not None and len(set(colour.get_truecolor())) > 1:
                            coloured += segment.text

            assert coloured.strip() in ("lamp: RED", "lamp: GREEN")

    drive(look)


def test_what_the_link_hears_in_its_own_thread_is_shown_without_waiting_for_the_next_look(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(app, "AGE_EVERY_S", 1000.0)

    async def look(rig: Rig, pilot: Any) -> None:
        hearing = threading.Thread(target=rig.link.tell, args=("status", CHARGING))
        hearing.start()
        hearing.join()
        while not rig.text("entry").startswith("(X) NO"):
            await pilot.pause()  # the timeout of the test bounds it

    drive(look)


def test_a_flood_of_events_leaves_the_newest_and_the_questions() -> None:
    async def look(rig: Rig, pilot: Any) -> None:
        for number in range(1, 20_000):
            rig.link.tell("event", {"n": number, "kind": "paused", "by": f"person {number}", "utc": ""})
        await rig.tell(pilot, "status", CHARGING)
        await pilot.press("f6")

        assert "paused by person 19999" in rig.text("text")
        assert len(rig.app.known.lines) <= 400
        assert rig.text("entry").startswith("(X) NO")

    drive(look)


def test_the_log_shows_the_newest_first_and_pages_to_the_oldest() -> None:
    async def look(rig: Rig, pilot: Any) -> None:
        for number in range(1, 31):
            rig.link.tell("event", {"n": number, "kind": "paused", "by": f"person {number}", "utc": ""})
        await rig.tell(pilot, "status", CHARGING)
        await pilot.press("f6")
        first = rig.text("text").splitlines()[0]
        for _ in range(5):
            await pilot.press("pagedown")
        oldest = rig.text("text").splitlines()[-1]
        for _ in range(5):
            await pilot.press("pageup")

        assert "person 30" in first
        assert oldest.split("by ")[1] == "person 1"
        assert "person 30" in rig.text("text").splitlines()[0]

    drive(look)


def test_a_value_was_torn_from_its_unit_and_a_sentence_cut_in_the_middle() -> None:
    told = "A person aborted the run: T. Made-Up asked for it. Off is proven. Write down why; the specimen may go on."
    ended = {"run": "20261125-0213-TW-04", "sentence": told, "off_proven": True, "reason": "abort_by_person"}
    late = progress(countdown_s=8.0, countdown_to="charged at the latest")

    async def look(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", status(ended=ended))
        idle = " ".join(rig.text("going_on").split())
        assert idle.endswith("T. Made-Up asked for it. Off is proven.")
        open_door = f"An interlock opened while the bench was armed: door opened while {LONG}. Off is proven."
        await rig.tell(pilot, "status", status(ended=ended | {"sentence": open_door}))
        assert rig.text("going_on").endswith("was armed.")
        await rig.tell(pilot, "status", status(snapshot("in operation", "red"), late))
        assert "8 s." in rig.text("going_on").splitlines()[1]

    drive(look)


def test_letters_went_into_a_line_that_nobody_saw() -> None:
    """From the first moment on, before anything was asked: terminals without function keys have only the letters."""

    async def look(rig: Rig, pilot: Any) -> None:
        await rig.tell(pilot, "status", status())
        seen = []
        for letter, view in (("k", "keys"), ("h", "happened"), ("y", "why"), ("b", "bench")):
            await pilot.press(letter)
            seen.append(rig.app.view == view)

        assert seen == [True] * 4

    drive(look)


def test_the_reason_why_nobody_may_go_in_was_cut_in_the_middle() -> None:
    blocked = (
        "Start blocked: off was not proven (high voltage open is not confirmed). Treat the bench as live; the test "
        "operator in charge must find the reason, and releases it once off is proven."
    )

    async def look(rig: Rig, pilot: Any) -> None:
        await rig.tell(
            pilot, "status", status(snapshot("off not proven", "red", blocked=blocked, safe=False))
        )
        told = " ".join(rig.text("entry").split())

        interrupted = (
            f"Start blocked: off was not proven at the end of run 20261125-0240-TW-12 ({LONG}). Stay out."
        )
        view = snapshot("off not proven", "red", blocked=interrupted, safe=False)
        await rig.tell(pilot, "status", status(view))
        short = " ".join(rig.text("entry").split())

        assert short.endswith("off was not proven at the end of run 20261125-0240-TW-12. Stay out.")
        assert told.startswith("(?) NOT KNOWN. Treat the bench as live: Start blocked: off was not proven")
        assert "(high voltage open is not confirmed)." in told
        assert "..." not in told

    drive(look)


def test_a_long_question_was_cut_and_its_key_with_it() -> None:
    text = "The software failed in run 20261124-2301-TW-04: ValueError: made-up. The next run is refused until then."

    async def look(rig: Rig, pilot: Any) -> None:
        for asked in (text, LONG):
            await rig.tell(pilot, "status", status(run=progress("waiting", question=question("hold", asked))))
            told = " ".join(rig.text("do").split())
            assert "Answer below (F2)." in told
            assert "..." not in told

    drive(look)
