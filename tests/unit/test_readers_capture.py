"""Captures of ours as waveforms: codes untouched, accuracy carried along, damage refused."""

from pathlib import Path

import numpy as np
import pytest

from orchestrator.analysis.methods import analyse
from orchestrator.analysis.readers import read_waveform
from orchestrator.analysis.refusal import Refused
from orchestrator.record.captures import CaptureChannel, encode_capture
from tests.impulse_records import I_8_20, times_us, values


def capture() -> bytes:
    t_us = times_us(100e6)
    codes = np.rint(1500 * values(I_8_20.form, t_us)).astype(np.int16)
    channel = CaptureChannel("current", codes, "A", 0.5, 0.0, -1024.0, 1024.0, 12, 0.01, 0.001, 5e-5)
    return encode_capture(1e-8, -10e-6, [channel])


def test_a_capture_keeps_its_codes_range_and_accuracy(tmp_path: Path) -> None:
    (tmp_path / "shot.h5").write_bytes(capture())

    waveform = read_waveform(tmp_path / "shot.h5")
    channel = waveform.channels["current"]

    assert (waveform.interval_s, waveform.first_s) == (1e-8, -10e-6)
    assert channel.codes.dtype == np.int16
    assert (channel.full_scale, channel.bits, channel.stated_step) == ((-1024.0, 1024.0), 12, 0.5)
    assert channel.accuracy is not None and channel.accuracy.gain_fraction == 0.01


def test_a_capture_gives_figures_with_uncertainty(tmp_path: Path) -> None:
    (tmp_path / "anything.bin").write_bytes(capture())  # told by its content, not by its name

    peak = analyse(read_waveform(tmp_path / "anything.bin"), "impulse-current").results["peak"]

    assert peak.value == pytest.approx(750.0, rel=2e-3)
    assert peak.expanded_uncertainty == pytest.approx(
        0.01 * 750.0 * 0.95, rel=0.1
    )  # the gain's limits dominate


@pytest.mark.parametrize("part", [0.05, 0.3, 0.5, 0.9])
def test_half_a_capture_is_refused(tmp_path: Path, part: float) -> None:
    data = capture()
    (tmp_path / "shot.h5").write_bytes(data[: int(part * len(data))])

    with pytest.raises(Refused) as refused:
        read_waveform(tmp_path / "shot.h5")

    assert refused.value.code == "unreadable"


def test_a_capture_without_channels_is_empty(tmp_path: Path) -> None:
    (tmp_path / "shot.h5").write_bytes(encode_capture(1e-8, 0.0, []))

    with pytest.raises(Refused) as refused:
        read_waveform(tmp_path / "shot.h5")

    assert refused.value.code == "empty"


def test_a_file_that_is_not_there_is_the_callers_affair(tmp_path: Path) -> None:
    for name in ("none.csv", "none.cfg", "none.h5"):
        with pytest.raises(FileNotFoundError):
            read_waveform(tmp_path / name)
