"""The codec of motion messages: lines with number and checksum, and answers that are exactly one or none."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import dialects
from drivers.dialects.shapes import ActuatorDialect
from drivers.motion import AnswerError, MotionCodec, Said, checksum, decimal, switch, values_of, whole


def codec(name: str) -> MotionCodec:
    dialect = dialects.load(name)
    assert isinstance(dialect, ActuatorDialect)
    return MotionCodec(dialect)


WORDS, LINES = codec("motion-words"), codec("motion-lines")


def test_the_checksum_is_the_exclusive_or_of_the_bytes() -> None:
    """By hand: N = 78, 1 = 49: 78 ^ 49 = 127. Common practice of serial ISO 6983 controllers, no source."""
    assert checksum(b"N1") == 127
    assert checksum(b"") == 0
    assert checksum(b"N1N1") == 0


def test_a_motion_in_words_bears_number_and_checksum_and_a_feed_in_mm_per_minute() -> None:
    line = WORDS.motion(WORDS.move_words(-12.0, 120.0), 12)
    text = b"N12 G90 G21 G01 Z-12.000 F7200.000"
    total = 0
    for byte in text:
        total ^= byte
    assert line == text + b"*%d\n" % total


def test_a_motion_in_lines_bears_its_number_behind_and_a_speed_in_mm_per_second() -> None:
    assert LINES.motion(LINES.move_words(-12.0, 120.0), 12) == b"MOVE Z=-12.000 V=120.000 ID=12\n"
    assert LINES.plain("STATE?", 800) == b"STATE?\n"
    assert LINES.plain(LINES.limits_words(-20, 60), 3) == b"LIMITS LOW=-20.000 HIGH=60.000\n"
    assert LINES.plain(LINES.acceleration_words(4000), 3) == b"ACCELERATION A=4000.000\n"


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (b"ok N12", Said("taken", 12, "")),
        (b"ok N12*%d" % checksum(b"ok N12"), Said("taken", 12, "")),
        (b"done N12 Z-12.000 E-11.998", Said("done", 12, "Z-12.000 E-11.998")),
        (b"resend N0 checksum", Said("refused", 0, "checksum")),
        (b"alarm N12 lost_steps", Said("alarm", 12, "lost_steps")),
        (b"identity N9 Maker,GX,1,2", Said("identity", 9, "Maker,GX,1,2")),
    ],
)
def test_answers_in_words(line: bytes, said: Said) -> None:
    assert WORDS.parse(line) == said


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b"ok",
        b"ok 12",
        b"ok N",
        b"ok N-1",
        b"ok N12 ",
        b"ok N12 Z5",
        b" ok N12",
        b"ok  N12",
        b"OK N12",
        b"okN12",
        b"ok N12*1",
        b"ok N12*",
        b"ok N12\x00",
        b"ok N\xb2",
        b"ok N12345678901",
        b"yes N12",
        b"\xff\xfe",
    ],
)
def test_what_is_no_answer_in_words_is_refused(line: bytes) -> None:
    with pytest.raises(AnswerError):
        WORDS.parse(line)


def test_answers_in_lines() -> None:
    assert LINES.parse(b"+") == Said("taken", -1, "")
    assert LINES.parse(b"- LIMIT") == Said("refused", -1, "LIMIT")
    assert LINES.parse(b"LOW=-20.000 HIGH=60.000") == Said("values", -1, "LOW=-20.000 HIGH=60.000")
    for line in (b"", b"+ ", b"+ +", b"-", b"- ", b"- two words", b"\x80"):
        with pytest.raises(AnswerError):
            LINES.parse(line)


def test_states_of_both_dialects_mean_the_same() -> None:
    words = WORDS.state("L12 D11 Z-12.000 E-11.998 moving=1 homed=1 alarm=none")
    lines = LINES.state("ID=12 DONE=11 Z=-12.000 E=-11.998 MOVING=1 HOMED=1 ALARM=NONE")
    assert words == lines
    assert (words.line, words.done, words.commanded_mm, words.encoder_mm) == (12, 11, -12.0, -11.998)
    assert (words.moving, words.homed, words.alarm) == (True, True, "")
    assert WORDS.state("D11 L12 E-11.998 Z-12.000 homed=1 moving=1 alarm=limit").alarm == "limit"


@pytest.mark.parametrize(
    "rest",
    [
        "",
        "L12 D11 Z-12.000 E-11.998 moving=1 homed=1",
        "L12 D11 Z-12.000 E-11.998 moving=1 homed=1 alarm=none more",
        "L12 L11 Z-12.000 E-11.998 moving=1 homed=1 alarm=none",
        "L12 D11 Z-12.000 E-11.998 moving=2 homed=1 alarm=none",
        "L12 D11 Z-12,000 E-11.998 moving=1 homed=1 alarm=none",
        "L12 D11 Z1e3 E-11.998 moving=1 homed=1 alarm=none",
        "L12 D11 Znan E-11.998 moving=1 homed=1 alarm=none",
        "L-1 D11 Z1 E-11.998 moving=1 homed=1 alarm=none",
        "L12 D11 Z1 E-11.998 moving=1 homed=1 alarm=",
    ],
)
def test_what_is_no_state_is_refused(rest: str) -> None:
    with pytest.raises(AnswerError):
        WORDS.state(rest)


def test_other_values() -> None:
    assert WORDS.done("Z-12.000 E-11.998") == (-12.0, -11.998)
    assert WORDS.limits("Z-20.000 W60.000") == (-20.0, 60.0)
    assert LINES.limits("LOW=-20.000 HIGH=60.000") == (-20.0, 60.0)
    assert WORDS.acceleration("A4000.000") == 4000.0
    assert WORDS.points("1.000:0.00 -12.000:41.20") == [(1.0, 0.0), (-12.0, 41.2)]
    assert WORDS.points("") == []
    assert WORDS.identity("Made-up Instruments, GX-3,GX3-0007,1.0") == (
        "Made-up Instruments",
        "GX-3",
        "GX3-0007",
        "1.0",
    )
    assert WORDS.word("lost_steps") == "lost_steps"


@pytest.mark.parametrize(
    ("read", "rest"),
    [
        (WORDS.points, "1.0:2.0:3.0"),
        (WORDS.points, "1.0"),
        (WORDS.points, "1.0:x"),
        (WORDS.identity, "one,two,three"),
        (WORDS.identity, ",,,"),
        (WORDS.word, ""),
        (WORDS.word, "two words"),
        (WORDS.acceleration, "4000"),
        (WORDS.limits, "Z1 Z2"),
        (decimal, "1."),
        (decimal, "99999999"),
        (whole, "+1"),
        (switch, "01"),
    ],
)
def test_other_values_that_are_none(read: object, rest: str) -> None:
    with pytest.raises(AnswerError) as caught:
        read(rest)  # type: ignore[operator]
    assert str(caught.value)


@given(
    st.integers(1, 10**9),
    st.floats(-900.0, 900.0, allow_nan=False),
    st.floats(0.01, 2000.0, allow_nan=False),
)
def test_a_changed_byte_never_leaves_number_and_checksum_right(
    number: int, to_mm: float, speed: float
) -> None:
    """One changed bit anywhere before the checksum changes the checksum: a controller refuses the line."""
    line = WORDS.motion(WORDS.move_words(to_mm, speed), number)
    before, _, said = line.rstrip(b"\n").rpartition(b"*")
    assert checksum(before) == int(said)
    for at in range(0, len(before), 7):
        changed = bytearray(before)
        changed[at] ^= 1 << number % 7
        assert checksum(bytes(changed)) != int(said)


@given(st.binary(max_size=80))
def test_any_bytes_are_an_answer_or_refused(data: bytes) -> None:
    for each in (WORDS, LINES):
        try:
            said = each.parse(data)
        except AnswerError as error:
            assert str(error)
            continue
        assert said.rest.isprintable()
        assert said.number >= -1


@given(st.integers(0, 10**9), st.floats(-999.0, 999.0, allow_nan=False), st.booleans())
def test_a_state_that_was_written_is_read_back(line: int, at_mm: float, moving: bool) -> None:
    rest = f"L{line} D{line // 2} Z{at_mm:.3f} E{at_mm:.3f} moving={moving:d} homed=0 alarm=overload"
    state = WORDS.state(rest)
    assert (state.line, state.done, state.moving, state.homed) == (line, line // 2, moving, False)
    assert math.isclose(state.encoder_mm, at_mm, abs_tol=0.00051)
    assert values_of("b2 a1", ("a", "b")) == ["1", "2"]
