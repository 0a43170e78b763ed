"""The drawing: construction lines where the figures say, units at the axes, the same bytes each time."""

from pathlib import Path

import numpy as np
import pytest

from orchestrator.analysis.methods import analyse
from orchestrator.analysis.plot import draw, save
from orchestrator.analysis.waveform import Channel, Waveform
from tests.impulse_records import I_8_20, I_SERIES, V_1_2_50, Truth, record, times_us, values


def drawn(truth: Truth, peak: float = 1000.0) -> tuple[list[str], list[str]]:
    """Texts and axis labels of the drawing."""
    wave = record(truth, peak=peak, noise=0.002)
    axes = draw(wave, analyse(wave, truth.method)).axes
    texts = [text.get_text() for each in axes for text in each.texts]
    labels = [label for each in axes for label in (each.get_xlabel(), each.get_ylabel())]
    return texts, labels


def test_a_voltage_shows_30_90_50_per_cent_origin_and_times() -> None:
    texts, labels = drawn(V_1_2_50)

    assert {"30 %", "90 %", "50 %", "O\u2081"} <= set(texts)
    assert any(text.startswith("T\u2081 = 1.") and text.endswith("\u00b5s") for text in texts)
    assert any(text.startswith("T\u2082 = 50.") for text in texts)
    assert labels.count("time from the virtual origin / \u00b5s") == 2
    assert labels.count("voltage / kV") == 2


def test_a_current_shows_10_per_cent_and_its_reverse_swing() -> None:
    texts, labels = drawn(I_SERIES, peak=-850.0)

    assert "10 %" in texts and "30 %" not in texts
    assert any(text.startswith("undershoot 33.") for text in texts)
    assert "current / A" in labels


@pytest.mark.parametrize("peak", [1000.0, -1000.0])
def test_construction_points_lie_on_the_record(peak: float) -> None:
    wave = record(V_1_2_50, peak=peak, offset=0.1)
    analysis = analyse(wave, "impulse-voltage")
    front = draw(wave, analysis).axes[0]

    curve = max(front.lines, key=lambda line: len(line.get_xdata()))
    marks = [line for line in front.lines if line.get_marker() == "o"]
    assert len(marks) >= 2
    for mark in marks:
        x, y = float(mark.get_xdata()[0]), float(mark.get_ydata()[0])
        assert y == pytest.approx(float(np.interp(x, curve.get_xdata(), curve.get_ydata())), abs=0.01)


def test_voltage_and_current_of_a_limiter_share_their_time_axis() -> None:
    t_us = times_us(50e6)
    i = values(I_8_20.form, t_us)
    channels = {
        "voltage": Channel("voltage", "V", 300.0 * i**0.05),
        "current": Channel("current", "A", 850.0 * i),
    }
    wave = Waveform(2e-8, -10e-6, channels)
    axes = draw(wave, analyse(wave, "limiting-voltage")).axes

    assert axes[0].get_xlim() == axes[2].get_xlim() and axes[1].get_xlim() == axes[3].get_xlim()
    assert "W = " in axes[1].get_title(loc="left") and "Q = " in axes[3].get_title(loc="left")


def test_a_long_record_is_drawn_with_its_extremes() -> None:
    wave = record(V_1_2_50, 100e6, length_us=2000.0, noise=0.01)
    whole = draw(wave, analyse(wave, "impulse-voltage")).axes[1]
    curve = max(whole.lines, key=lambda line: len(line.get_xdata()))

    assert len(curve.get_xdata()) < 4000
    assert np.max(curve.get_ydata()) == pytest.approx(np.max(wave.channels["voltage"].codes) / 1000.0)


def test_the_same_record_gives_the_same_bytes(tmp_path: Path) -> None:
    wave = record(V_1_2_50, noise=0.005)
    for name in ("a.svg", "b.svg", "a.png", "b.png"):
        save(wave, analyse(wave, "impulse-voltage"), tmp_path / name)

    assert (tmp_path / "a.svg").read_bytes() == (tmp_path / "b.svg").read_bytes()
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()
    assert b"<dc:date>" not in (tmp_path / "a.svg").read_bytes()
