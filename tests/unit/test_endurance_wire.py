"""Both motion dialects byte by byte; a numbered motion is carried out once, whatever the link does."""

import math
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulators.link import LINK_FAULTS
from tests.endurance_rig import BRAKE, CHECK, Rig, framed


@pytest.fixture
def rig() -> Rig:
    """Brake lifted, homed, 2 lines taken."""
    rig = Rig()
    rig.coils(CHECK | BRAKE)
    rig.wait(0.1)
    rig.home()
    rig.move(5.0, 300.0)
    return rig


def lines_rig() -> Rig:
    rig = Rig({"dialect": "motion-lines"})
    rig.coils(CHECK | BRAKE)
    rig.wait(0.1)
    return rig


# Words of ISO 6983


def test_the_frame_itself() -> None:
    assert framed("M900", 7) == b"N7 M900*%d\n" % (
        ord("N") ^ ord("7") ^ ord(" ") ^ ord("M") ^ ord("9") ^ ord("0") ^ ord("0")
    )


def test_a_motion_is_taken_at_once_and_told_when_it_is_done(rig: Rig) -> None:
    assert rig.say("G90 G21 G01 Z-12.000 F7200.000") == b"ok N3\n"
    assert rig.send("gantry", framed("M900", 99)).startswith(b"state N99 L3 D2 Z5.000 ")
    rig.said = b""
    assert rig.until_rest().startswith(b"done N3 Z-12.000 E-1")
    assert rig.state()["L"] == rig.state()["D"] == 3


def test_state_when_nothing_has_happened() -> None:
    assert Rig().say("M900", 0) == b"state N0 L0 D0 Z0.000 E0.000 moving=0 homed=0 alarm=none\n"


def test_state_moves_on(rig: Rig) -> None:
    rig.say("G90 G21 G01 Z-12.000 F7200.000")
    rig.wait(0.1)
    state = rig.state()
    assert state["moving"] == 1 and state["D"] == 2
    travelled_mm = 120 * 0.1 - 120 * 120 / (2 * 4000)  # v t - v^2 / 2 a, the ramp being over
    assert state["Z"] == pytest.approx(5.0 - travelled_mm, abs=1e-3)


def test_settings_and_their_questions(rig: Rig) -> None:
    assert rig.say("M903 Z-20.000 W60.000") == b"ok N3\n"
    assert rig.say("M903", 77) == b"limits N77 Z-20.000 W60.000\n"
    assert rig.say("M904 A2500.000") == b"ok N4\n"
    assert rig.say("M904", 78) == b"acceleration N78 A2500.000\n"
    assert rig.say("M906", 79) == b"identity N79 Made-up Instruments,GX-3,GX3-0007,1.0\n"
    assert rig.state()["L"] == 4


@pytest.mark.parametrize(
    ("sent", "said"),
    [
        (b"N3 G74*0\n", b"resend N3 checksum\n"),
        (b"N3 G74\n", b"resend N3 checksum\n"),
        (b"rubbish\n", b"resend N0 checksum\n"),
        (framed("G74", 9), b"resend N9 number\n"),
        (framed("G99", 3), b"resend N3 words\n"),
        (framed("G01 Z1.0", 3), b"resend N3 words\n"),
        (framed("G01 Z1.0 F0", 3), b"resend N3 words\n"),
        (framed("G74 G01 Z1.0 F60.0", 3), b"resend N3 words\n"),
        (framed("M904 A-5", 3), b"resend N3 words\n"),
        (framed("M900", 3).replace(b"M900", b"M901"), b"resend N3 checksum\n"),
    ],
)
def test_what_is_not_taken(rig: Rig, sent: bytes, said: bytes) -> None:
    moves = rig.plant.bench.axis.moves
    assert rig.send("gantry", sent) == said
    assert rig.state()["L"] == 2 and rig.plant.bench.axis.moves == moves


def test_a_line_that_was_taken_is_acknowledged_again_and_not_carried_out(rig: Rig) -> None:
    line = framed("G90 G21 G01 Z-12.000 F7200.000", 3)
    assert rig.send("gantry", line) == b"ok N3\n"
    assert rig.send("gantry", line) == b"ok N3\n"
    rig.until_rest()
    moves = rig.plant.bench.axis.moves
    again = rig.send("gantry", line)
    assert again.startswith(b"ok N3\ndone N3 Z-12.000 E-1") and again.count(b"\n") == 2
    assert rig.plant.bench.axis.moves == moves


def test_what_a_controller_refuses_is_an_alarm(rig: Rig) -> None:
    rig.say("M903 Z-20.000 W60.000")
    assert rig.say("G90 G21 G01 Z-21.000 F7200.000") == b"ok N4\nalarm N4 limit\n"
    assert rig.say("G90 G21 G01 Z-12.000 F7200.000") == b"ok N5\nalarm N5 limit\n", "until it is acknowledged"
    assert rig.say("M907") == b"ok N6\n"
    assert rig.state()["alarm"] == "none"
    rig.line = 6
    assert rig.move(-12.0).endswith(b"\n") and b"done N7 Z-12.000" in rig.said


def test_no_motion_before_homing_but_homing_is_no_matter() -> None:
    rig = Rig()
    rig.coils(CHECK | BRAKE)
    rig.wait(0.1)
    assert rig.say("G90 G21 G01 Z-12.000 F7200.000") == b"ok N1\nalarm N1 not_homed\n"
    assert rig.state()["alarm"] == "none"
    assert b"done N2 Z50.000 E" in rig.home()
    assert rig.plant.bench.axis.true_mm(rig.now_s) == pytest.approx(50.0)


def test_no_motion_on_a_closed_brake() -> None:
    rig = Rig()
    assert rig.say("G74") == b"ok N1\nalarm N1 drive_off\n"
    assert rig.state()["alarm"] == "drive_off"


def test_stop_category_1_gives_neither_done_nor_alarm(rig: Rig) -> None:
    rig.say("G90 G21 G01 Z-12.000 F7200.000")
    rig.wait(0.08)
    assert rig.say("M901", 0) == b"ok N0\n"
    at_s = rig.now_s
    assert rig.state()["moving"] == 1
    rig.said = b""
    rig.until_rest()
    assert rig.said == b""
    assert rig.state()["D"] == 2 and rig.state()["moving"] == 0 and rig.state()["homed"] == 1
    assert rig.events("at_rest")[-1]["at_s"] - at_s == pytest.approx(120 / 4000)


def test_stop_category_0_needs_homing_again(rig: Rig) -> None:
    rig.say("G90 G21 G01 Z-12.000 F7200.000")
    rig.wait(0.08)
    assert rig.say("M902", 0) == b"ok N0\n"
    rig.until_rest()
    assert rig.state()["homed"] == 0
    assert rig.say("G90 G21 G01 Z-12.000 F7200.000") == b"ok N4\nalarm N4 not_homed\n"


def test_orders_that_come_while_it_moves_follow_one_another(rig: Rig) -> None:
    rig.said = b""
    for to_mm in (-12, 5, -3):
        rig.say(f"G90 G21 G01 Z{to_mm}.000 F7200.000")
    rig.say("G04 P0.5")
    rig.say("G90 G21 G01 Z0.000 F7200.000")
    said = rig.until_rest()
    assert [line.split()[1] for line in said.splitlines() if line.startswith(b"done")] == [
        b"N3",
        b"N4",
        b"N5",
        b"N7",
    ]
    assert rig.now_s > 0.5


def test_touch_off_points(rig: Rig) -> None:
    assert rig.say("M905", 50) == b"points N50\n"
    rig.said = rig.say("M905 Z-12.000 F1200.000")
    assert b"done N3 Z-12.000" in rig.until_rest()
    words = rig.say("M905", 51).split()
    assert words[:2] == [b"points", b"N51"] and len(words) - 2 <= 500
    points = [tuple(map(float, word.split(b":"))) for word in words[2:]]
    assert points[0][0] == pytest.approx(5.0, abs=0.01) and points[-1][0] == pytest.approx(-12.0, abs=0.01)
    assert points[0][1] == pytest.approx(0.0, abs=0.3)
    assert points[-1][1] == pytest.approx(3.0 + 3.2 * 14.0, abs=0.3), "preload and spring"
    forces = dict(points)
    before = max(force for at_mm, force in forces.items() if -5.2 < at_mm < 2)
    at_click = min(force for at_mm, force in forces.items() if -5.7 < at_mm < -5.25)
    assert at_click < before - 2, "it gives way when the contact clicks"


def test_falsified_answers(rig: Rig) -> None:
    rig.set("gantry.link", "wrong_value")
    assert b" Z50.000 " in rig.send("gantry", framed("M900", 1))
    rig.set("gantry.link", "garbled")
    assert rig.send("gantry", framed("M900", 1)) != b"" and not rig.send(
        "gantry", framed("M900", 1)
    ).startswith(b"st")


# Plain words


def test_plain_words_one_by_one() -> None:
    rig = lines_rig()
    said = [
        rig.send("gantry", text)
        for text in (
            b"IDENTITY?\n",
            b"STATE?\n",
            b"MOVE Z=-12.000 V=120.000 ID=1\n",
            b"LIMITS LOW=-20.000 HIGH=60.000\n",
            b"LIMITS?\n",
            b"ACCELERATION A=2500.000\n",
            b"ACCELERATION?\n",
            b"POINTS?\n",
            b"HOME ID=1\n",
        )
    ]
    assert said == [
        b"Made-up Instruments,GX-3,GX3-0007,1.0\n",
        b"ID=0 DONE=0 Z=0.000 E=0.000 MOVING=0 HOMED=0 ALARM=NONE\n",
        b"- NOT_HOMED\n",
        b"+\n",
        b"LOW=-20.000 HIGH=60.000\n",
        b"+\n",
        b"A=2500.000\n",
        b"\n",
        b"+\n",
    ]
    rig.until_rest()
    assert rig.send("gantry", b"STATE?\n").startswith(b"ID=1 DONE=1 Z=50.000 E=")
    assert rig.send("gantry", b"HOME ID=1\n") == b"+\n" and rig.plant.bench.axis.moves == 1
    assert rig.send("gantry", b"MOVE Z=-20.001 V=120.000 ID=2\n") == b"- LIMIT\n"
    assert rig.send("gantry", b"MOVE Z=5.000 V=300.000 ID=2\n") == b"+\n"
    assert b"MOVING=1" in rig.send("gantry", b"STATE?\n")
    assert rig.send("gantry", b"STOP\n") == b"+\n"
    rig.until_rest()
    assert rig.send("gantry", b"STATE?\n").startswith(b"ID=2 DONE=1 ")
    assert rig.send("gantry", b"CUT\n") == b"+\n"
    assert b"HOMED=0" in rig.send("gantry", b"STATE?\n")


@pytest.mark.parametrize(
    "text",
    [
        b"",
        b"MOVE",
        b"MOVE Z=1 V=2",
        b"MOVE Z=1 V=2 ID=1 ID=2",
        b"MOVE Z=1 V=0 ID=1",
        b"MOVE Z=x V=2 ID=1",
        b"\xff\xfe",
    ],
)
def test_plain_words_that_are_none(text: bytes) -> None:
    assert lines_rig().send("gantry", text + b"\n") == b"- words\n"


# Once and never twice

ACTS = st.lists(
    st.tuples(
        st.sampled_from(["new", "again", "gap", "spoilt", "stop", "reopen", "wait", "question"]),
        st.sampled_from(["", *[kind.replace("<s>", "0.3 s") for kind in LINK_FAULTS if kind != "restart"]]),
        st.sampled_from([-12.0, -3.0, 5.0, 40.0]),
    ),
    max_size=25,
)


@settings(max_examples=60, deadline=None)
@given(ACTS)
def test_moves_are_the_distinct_numbers_that_were_taken(acts: list[tuple[str, str, float]]) -> None:
    rig = Rig()
    rig.coils(CHECK | BRAKE)
    rig.wait(0.1)
    rig.home()
    sent: list[bytes] = []
    for what, fault, to_mm in acts:
        gantry = rig.plant.gantry
        if fault:
            gantry.plan_fault(gantry.exchanges + 1, fault)
        line = framed(f"G90 G21 G01 Z{to_mm:.3f} F7200.000", gantry.taken + 1)
        if what == "new":
            sent.append(line)
        message = {
            "new": line,
            "again": sent[-1] if sent else line,
            "gap": framed("G74", gantry.taken + 5),
            "spoilt": line.replace(b"F7200", b"F7300"),
            "stop": framed("M901", 0),
            "question": framed("M900", 3),
        }.get(what)
        if message is not None:
            rig.send("gantry", message)
        elif what == "reopen":
            gantry.link_closed(rig.now_s)
            gantry.link_opened(rig.now_s)
        else:
            rig.wait(0.4)
        if gantry.link.kind != "ok":
            rig.set("gantry.link", "ok")
        rig.wait(0.06)
    rig.until_rest()
    lines = [entry["line"] for entry in rig.events("move")]
    assert len(lines) == len(set(lines)) == rig.plant.show(rig.now_s)["moves"]
    assert set(lines) <= set(range(1, rig.plant.gantry.taken + 1))
    assert rig.plant.bench.axis.due_s == math.inf


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        ("silent", b""),
        ("twice", b"ok N3\nok N3\ndone N3 Z-12.000 E*\ndone N3 Z-12.000 E*\n"),
        ("late:0.5 s", b"ok N3\ndone N3 Z-12.000 E*\n"),
    ],
)
def test_a_planned_fault_concerns_the_end_of_the_motion_too(rig: Rig, fault: str, said: bytes) -> None:
    rig.plant.plan_fault("gantry", rig.plant.gantry.exchanges + 1, fault)
    rig.said = b""
    rig.said = rig.say("G90 G21 G01 Z-12.000 F7200.000")
    rig.wait(2.0)
    assert re.sub(rb"E-\d+\.\d+", b"E*", rig.said) == said
    assert rig.state()["D"] == 3, "it was carried out"


def test_the_encoder_is_exact_to_some_micrometres(rig: Rig) -> None:
    errors_mm = []
    for to_mm in (-12.0, 5.0) * 10:
        rig.move(to_mm)
        errors_mm.append(float(rig.state()["E"]) - to_mm)
    assert 0 < max(map(abs, errors_mm)) < 0.012 and len(set(errors_mm)) > 5
