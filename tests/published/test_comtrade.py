"""COMTRADE records through our reader.

Source: the `comtrade` package (0.2.0) as an independent implementation of IEEE C37.111 / IEC 60255-24; the files are
written here in the layout as remembered, not checked against the standard. The package is lenient, so this is no
proof of conformance. Values a x + b by hand.
"""

import math
from pathlib import Path

import numpy as np
import pytest

from orchestrator.analysis.methods import analyse
from orchestrator.analysis.readers import read_waveform
from orchestrator.analysis.refusal import Refused
from tests.comtrade_files import TYPES, Analog, write_comtrade

SINE = [round(20000 * math.sin(2 * math.pi * 60 * n / 1000)) for n in range(8)]
COSINE = [round(10000 * math.cos(2 * math.pi * 60 * n / 1000)) for n in range(8)]
EIGHT = (Analog("VA", "V", 0.5, 0.0, SINE), Analog("IA", "A", 0.025, -1.0, COSINE))
KINDS = [(1999, "ASCII"), (1999, "BINARY"), *((2013, kind) for kind in TYPES)]


@pytest.mark.parametrize(("revision", "kind"), KINDS)
def test_all_six_kinds_give_the_same_values(tmp_path: Path, revision: int, kind: str) -> None:
    waveform = read_waveform(write_comtrade(tmp_path / "shot.cfg", EIGHT, kind, revision))

    assert waveform.channels["VA"].values()[:4] == pytest.approx([0.0, 3681.0, 6845.5, 9048.5], rel=1e-6)
    assert waveform.channels["IA"].values()[:4] == pytest.approx([249.0, 231.45, 181.25, 105.45], rel=1e-6)
    assert [channel.unit for channel in waveform.channels.values()] == ["V", "A"]
    assert waveform.interval_s == pytest.approx(1e-3, rel=1e-9)
    assert waveform.first_s == pytest.approx(-0.003, rel=1e-9)  # the trigger is 3 ms after the first sample


@pytest.mark.parametrize("kind", ["ASCII", "BINARY", "BINARY32"])
def test_whole_codes_are_kept_with_their_scale(tmp_path: Path, kind: str) -> None:
    channel = read_waveform(write_comtrade(tmp_path / "shot.cfg", EIGHT, kind)).channels["VA"]

    assert channel.codes.tolist() == SINE
    assert (channel.scale, channel.offset) == (0.5, 0.0)


def test_kilovolts_become_volts(tmp_path: Path) -> None:
    path = write_comtrade(tmp_path / "shot.cfg", [Analog("U", "kV", 0.001, 0.5, SINE)])

    assert read_waveform(path).channels["U"].values()[1] == pytest.approx(1000.0 * (0.001 * SINE[1] + 0.5))


def impulse_codes() -> list[int]:
    t_us = -10.0 + 0.01 * np.arange(10_000)
    heights = 1.037 * (1.0 - np.exp(-np.maximum(t_us, 0) / 0.4074)) * np.exp(-np.maximum(t_us, 0) / 68.22)
    return [int(code) for code in np.rint(25_000 * heights)]


@pytest.mark.parametrize("kind", TYPES)
def test_an_impulse_is_analysed_from_comtrade(tmp_path: Path, kind: str) -> None:
    channel = Analog("U", "kV", 1e-4, 0.0, impulse_codes())
    path = write_comtrade(tmp_path / "shot.cfg", [channel], kind, rate_hz=100e6, trigger_after_us=10)

    results = analyse(read_waveform(path), "impulse-voltage").results

    assert results["peak"].value == pytest.approx(2499.4, rel=1e-3)
    assert results["front_time"].value == pytest.approx(1.19986e-6, rel=5e-3)
    assert results["time_to_half"].value == pytest.approx(50.0018e-6, rel=1e-3)


@pytest.mark.parametrize("kind", TYPES)
def test_half_a_dat_file_is_refused(tmp_path: Path, kind: str) -> None:
    path = write_comtrade(tmp_path / "shot.cfg", EIGHT, kind)
    data = path.with_suffix(".dat").read_bytes()
    path.with_suffix(".dat").write_bytes(data[: len(data) // 2])

    with pytest.raises(Refused) as refused:
        read_waveform(path)

    assert refused.value.code == "truncated"
    assert "says 8" in refused.value.sentence


def test_a_missing_sample_is_a_gap_and_no_value(tmp_path: Path) -> None:
    """Code 0x8000 marks a missing sample in BINARY."""
    path = write_comtrade(tmp_path / "shot.cfg", [Analog("U", "V", 1.0, 0.0, [1, 2, -32768, 4])])

    with pytest.raises(Refused) as refused:
        read_waveform(path)

    assert refused.value.code == "gaps"
    assert "sample 3" in refused.value.sentence


def test_a_skipped_sample_number_is_a_gap(tmp_path: Path) -> None:
    path = write_comtrade(tmp_path / "shot.cfg", EIGHT, "ASCII")
    lines = path.with_suffix(".dat").read_text().splitlines(keepends=True)
    renumbered = [
        line.replace(line.split(",")[0], str(n if n < 5 else n + 2), 1) for n, line in enumerate(lines, 1)
    ]
    path.with_suffix(".dat").write_text("".join(renumbered))

    with pytest.raises(Refused) as refused:
        read_waveform(path)

    assert refused.value.code == "gaps"


def test_without_its_dat_the_cfg_is_refused(tmp_path: Path) -> None:
    path = write_comtrade(tmp_path / "shot.cfg", EIGHT)
    path.with_suffix(".dat").unlink()

    with pytest.raises(Refused) as refused:
        read_waveform(path)

    assert refused.value.code == "unreadable"
    assert "shot.dat" in refused.value.sentence


@pytest.mark.parametrize("text", ["", "nonsense\n", "a,b,2013\n3,2A,1D\n1,U,,,V,x,0\n"])
def test_a_cfg_that_is_none_is_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / "shot.cfg").write_text(text)
    (tmp_path / "shot.dat").write_bytes(b"\x00" * 100)

    with pytest.raises(Refused) as refused:
        read_waveform(tmp_path / "shot.cfg")

    assert refused.value.code == "unreadable"


def test_the_dat_half_is_answered_with_the_name_of_the_other(tmp_path: Path) -> None:
    path = write_comtrade(tmp_path / "shot.cfg", EIGHT)

    with pytest.raises(Refused) as refused:
        read_waveform(path.with_suffix(".dat"))

    assert "shot.cfg" in refused.value.help
