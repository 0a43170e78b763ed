"""CSV records: units, separators, gaps, uneven time, cut and broken files, each with a clear refusal."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from orchestrator.analysis.methods import analyse
from orchestrator.analysis.readers import read_waveform
from orchestrator.analysis.refusal import Refused
from orchestrator.analysis.waveform import Array
from tests.impulse_records import V_1_2_50, times_us, values, write_csv

T_US = times_us(100e6)
KV = 1.7 * values(V_1_2_50.form, T_US)


def refusal(path: Path, method: str = "impulse-voltage") -> Refused:
    with pytest.raises(Refused) as refused:
        analyse(read_waveform(path), method)
    return refused.value


def text(header: str = "time [us],voltage [kV]", cell: str = "{:.9g},{:.9g}", time: Array = T_US) -> str:
    return "\n".join([header, *(cell.format(t, v) for t, v in zip(time, KV, strict=True))]) + "\n"


@pytest.mark.parametrize(
    ("header", "time_factor", "value_factor"),
    [
        ("time [us],voltage [kV]", 1.0, 1.0),
        ("time [s],voltage [V]", 1e-6, 1e3),
        ("time [ns], voltage [mV]", 1e3, 1e6),
        ("Time [ms],U out [MV]", 1e-3, 1e-3),
        ("time [\u00b5s],voltage [kV]", 1.0, 1.0),
        ("time [\u03bcs],voltage [kV]", 1.0, 1.0),
        ('"time [us]","voltage [kV]"', 1.0, 1.0),
        ("\ufefftime [us],voltage [kV]", 1.0, 1.0),
    ],
)
def test_prefixes_of_time_and_value(
    tmp_path: Path, header: str, time_factor: float, value_factor: float
) -> None:
    path = write_csv(tmp_path / "shot.csv", header, T_US * time_factor, KV * value_factor)

    results = analyse(read_waveform(path), "impulse-voltage").results

    assert results["peak"].value == pytest.approx(1700.0, rel=1e-3)
    assert results["front_time"].value == pytest.approx(1.19986e-6, rel=5e-3)


@pytest.mark.parametrize("origin_us", [0.0, -3.5, 1e6, -7e7])
def test_any_time_origin(tmp_path: Path, origin_us: float) -> None:
    lines = "".join(f"{t + origin_us:.4f},{v:.7g}\n" for t, v in zip(T_US, KV, strict=True))
    (tmp_path / "shot.csv").write_text("time [us],voltage [kV]\n" + lines)

    waveform = read_waveform(tmp_path / "shot.csv")

    assert waveform.interval_s == pytest.approx(1e-8, rel=1e-6)
    assert waveform.first_s == pytest.approx((origin_us - 10.0) * 1e-6, rel=1e-9)
    results = analyse(waveform, "impulse-voltage").results
    assert results["time_to_half"].value == pytest.approx(50.0018e-6, rel=1e-3)


def test_line_ends_of_another_system_and_blank_lines_at_the_end(tmp_path: Path) -> None:
    (tmp_path / "shot.csv").write_bytes(text().replace("\n", "\r\n").encode() + b"\r\n\r\n")

    assert analyse(read_waveform(tmp_path / "shot.csv"), "impulse-voltage").results["peak"].value > 1690.0


def test_the_one_byte_micro_sign_of_older_instruments(tmp_path: Path) -> None:
    (tmp_path / "shot.csv").write_bytes(text("time [\u00b5s],voltage [kV]").encode("latin-1"))

    assert read_waveform(tmp_path / "shot.csv").interval_s == pytest.approx(1e-8)


HEADERS = {
    "time,voltage": ("wrong_unit", "'time', has no unit"),
    "time [us],voltage": ("wrong_unit", "'voltage', has no unit"),
    "time [us],voltage []": ("wrong_unit", "has no unit"),
    "time (us),voltage (kV)": ("wrong_unit", "has no unit"),
    "time [us],voltage [A]": ("wrong_unit", "in A, not in V"),
    "time [us],voltage [mH]": ("wrong_unit", "in mH, not in V"),
    "time [V],voltage [kV]": ("wrong_unit", "not time"),
    "voltage [kV],time [us]": ("wrong_unit", "not time"),
    "time [us];voltage [kV]": ("unreadable", "semicolons"),
    "time [us]\tvoltage [kV]": ("unreadable", "tabs"),
    "time [us]": ("missing_channel", "nothing else"),
    "-10,0.0": ("unreadable", "begins with numbers"),
    "time [us],voltage [kV],voltage [kV]": ("unreadable", "same name"),
    "time [us],voltage [kV],current [A]": ("unreadable", "has 2 columns where the first line names 3"),
    "time [us],current [kA]": ("missing_channel", "no voltage channel"),
}


@pytest.mark.parametrize(("header", "expected"), HEADERS.items())
def test_first_lines_that_do_not_do(tmp_path: Path, header: str, expected: tuple[str, str]) -> None:
    path = write_csv(tmp_path / "shot.csv", header, T_US, KV)

    found = refusal(path)

    assert found.code == expected[0]
    assert expected[1] in found.sentence


def without(rows: slice) -> str:
    lines = text().splitlines(keepends=True)
    del lines[rows]
    return "".join(lines)


def with_line(number: int, line: str) -> str:
    lines = text().splitlines(keepends=True)
    lines[number - 1] = line + "\n"
    return "".join(lines)


BODIES: dict[str, tuple[Callable[[], str], str, str]] = {
    "rows missing": (lambda: without(slice(3000, 3050)), "gaps", "line 3001: 50 samples are missing"),
    "one row missing": (lambda: without(slice(1050, 1051)), "gaps", "line 1051: 1 samples are missing"),
    "not a number": (lambda: with_line(700, "-3.02,nan"), "gaps", "line 700: voltage"),
    "an empty cell": (lambda: with_line(700, "-3.02,"), "gaps", "line 700: column 2"),
    "a word": (lambda: with_line(700, "-3.02,overload"), "unreadable", "line 700 is not all numbers"),
    "three cells": (lambda: with_line(700, "-3.02,1,2"), "unreadable", "line 700 has 3 columns"),
    "time jumps": (lambda: text(time=T_US + 3.0 * (T_US > 30.0)), "gaps", "300 samples"),
    "time jumps back": (lambda: text(time=T_US - 3.0 * (T_US > 30.0)), "non_uniform_time", "jumps back"),
    "time stands still": (lambda: text(time=np.minimum(T_US, 60.0)), "non_uniform_time", "stands still"),
    "time backwards": (lambda: text(time=-T_US), "non_uniform_time", "forwards"),
    "rate changes": (
        lambda: text(time=np.where(T_US > 20, 1.05 * T_US - 1.0, T_US)),
        "non_uniform_time",
        "off",
    ),
    "jitter": (
        lambda: text(time=T_US + 0.004 * np.random.default_rng(0).uniform(-1, 1, len(T_US))),
        "non_uniform_time",
        "off",
    ),
    "semicolons below the first line": (
        lambda: text(cell="{:.9g};{:.9g}"),
        "unreadable",
        "line 2 has 1 columns",
    ),
    "decimal commas": (lambda: text(cell="{:.0f},5,{:.0f},5"), "unreadable", "line 2 has 4 columns"),
    "no samples": (lambda: "time [us],voltage [kV]\n", "empty", "no samples"),
    "one sample": (lambda: "time [us],voltage [kV]\n0,1\n", "truncated", "fewer than two"),
}


@pytest.mark.parametrize(("body", "code", "words"), BODIES.values(), ids=BODIES.keys())
def test_bodies_that_do_not_do(tmp_path: Path, body: Callable[[], str], code: str, words: str) -> None:
    (tmp_path / "shot.csv").write_text(body())

    found = refusal(tmp_path / "shot.csv")

    assert (found.code, words in found.sentence) == (code, True), found.sentence


@pytest.mark.parametrize("data", [b"", b"  \n\n", b"\xef\xbb\xbf"])
def test_an_empty_file(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "shot.csv").write_bytes(data)

    assert refusal(tmp_path / "shot.csv").code in ("empty", "unreadable")


@pytest.mark.parametrize("seed", range(8))
def test_rubbish_bytes(tmp_path: Path, seed: int) -> None:
    (tmp_path / "shot.csv").write_bytes(np.random.default_rng(seed).bytes(4000))

    assert refusal(tmp_path / "shot.csv").code == "unreadable"


def test_rubbish_in_the_middle(tmp_path: Path) -> None:
    data = bytearray(text().encode())
    data[50_000:50_006] = b"\xff\xfe\x00\x01\x80\x81"
    (tmp_path / "shot.csv").write_bytes(data)

    assert refusal(tmp_path / "shot.csv").code == "unreadable"


def test_half_a_file_is_refused_wherever_it_was_cut(tmp_path: Path) -> None:
    """40 cuts around the middle: inside a number, between cells, at a line's end."""
    data = text().encode()
    for cut in range(len(data) // 2, len(data) // 2 + 40):
        (tmp_path / "shot.csv").write_bytes(data[:cut])
        assert refusal(tmp_path / "shot.csv").code == "truncated"


def test_a_cut_exponent_does_not_become_a_value(tmp_path: Path) -> None:
    """`1.2e-05` cut to `1.2e-0` would be a sample a hundred thousand times too large."""
    whole = text(cell="{:.6e},{:.6e}")
    cut = whole.rstrip("\n")[:-1]
    (tmp_path / "shot.csv").write_text(cut)

    assert refusal(tmp_path / "shot.csv").code == "truncated"


def test_a_last_line_without_its_end_is_left_out_and_said(tmp_path: Path) -> None:
    (tmp_path / "shot.csv").write_text(text().rstrip("\n") + "9")

    waveform = read_waveform(tmp_path / "shot.csv")

    assert waveform.samples == len(T_US) - 1
    assert "left out" in waveform.notes[0]


def test_times_written_with_few_digits_are_still_even(tmp_path: Path) -> None:
    (tmp_path / "shot.csv").write_text(text(cell="{:.2f},{:.6g}"))

    assert read_waveform(tmp_path / "shot.csv").interval_s == pytest.approx(1e-8, rel=1e-4)
