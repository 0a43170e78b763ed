import hashlib
import io
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest

from orchestrator.record import captures
from orchestrator.record.captures import CaptureChannel, CaptureUnreadable, encode_capture, read_capture

CODES = np.array([-2048, -1, 0, 1, 2047], dtype=np.int16)
VOLTAGE = CaptureChannel("voltage", CODES, "V", 0.2, 1.5, -400.0, 400.0, 12, 0.005, 0.001, 5e-5)
CURRENT = CaptureChannel("current", CODES[::-1].copy(), "A", 0.5, 0.0, -1000.0, 1000.0, 12)


def test_a_capture_reads_back_as_it_was(tmp_path: Path) -> None:
    data = encode_capture(1e-8, -1e-5, [VOLTAGE, CURRENT])
    path = tmp_path / "shot.h5"
    path.write_bytes(data)
    for capture in (read_capture(data), read_capture(path)):
        assert capture.interval_s == 1e-8
        assert capture.first_s == -1e-5
        assert list(capture.channels) == ["current", "voltage"]
        found = capture.channels["voltage"]
        assert np.array_equal(found.codes, CODES)
        assert found.codes.dtype == np.int16
        assert (found.unit, found.scale, found.offset, found.bits) == ("V", 0.2, 1.5, 12)
        assert (found.full_scale_low, found.full_scale_high) == (-400.0, 400.0)
        assert found.gain_fraction == 0.005
        assert found.offset_fraction_of_range == 0.001
        assert found.timebase_fraction == 5e-5


def test_values_and_times_follow_from_the_attributes() -> None:
    capture = read_capture(encode_capture(2.0, -4.0, [VOLTAGE]))
    assert capture.channels["voltage"].values() == pytest.approx([-408.1, 1.3, 1.5, 1.7, 410.9])
    assert list(capture.time_s()) == [-4.0, -2.0, 0.0, 2.0, 4.0]


def test_the_layout_is_readable_without_this_module() -> None:
    with h5py.File(io.BytesIO(encode_capture(1e-8, 0.0, [VOLTAGE])), "r") as file:
        assert file.attrs["format"] == "benchward capture 1"
        codes = file["channels/voltage/codes"]
        assert codes.dtype == np.dtype("<i2")
        assert codes.attrs["unit"] == "V"
        assert codes.attrs["scale"] == 0.2


def test_equal_captures_give_equal_bytes_in_every_process() -> None:
    here = encode_capture(1e-8, -1e-5, [VOLTAGE, CURRENT])
    script = (
        "import hashlib; from tests.unit.test_captures import *;"
        "print(hashlib.sha256(encode_capture(1e-8, -1e-5, [VOLTAGE, CURRENT])).hexdigest())"
    )
    there = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert there.stdout.strip() == hashlib.sha256(here).hexdigest()


def test_codes_of_another_kind_are_refused() -> None:
    wrong = CaptureChannel("voltage", CODES.astype(np.float64), "V", 1, 0, -1, 1, 8)
    with pytest.raises(ValueError, match="channel voltage: codes must be one row of int16"):
        encode_capture(1e-8, 0.0, [wrong])


def test_what_is_no_capture_is_named(tmp_path: Path) -> None:
    with pytest.raises(CaptureUnreadable, match="no capture file, or it is damaged"):
        read_capture(b"text")
    buffer = io.BytesIO()
    with h5py.File(buffer, "w") as file:
        file.attrs["format"] = "something else"
    with pytest.raises(CaptureUnreadable, match="the file says it is 'something else'"):
        read_capture(buffer.getvalue())


def test_a_truncated_capture_is_named() -> None:
    data = encode_capture(1e-8, 0.0, [VOLTAGE])
    with pytest.raises(CaptureUnreadable):
        read_capture(data[: len(data) // 2])


def test_a_capture_filled_in_is_the_one_written_out() -> None:
    """Long rows go into a form that was encoded before; the bytes are those of encoding it from the start."""
    rng = np.random.default_rng(4)
    for length in (64, 10_000):
        rows = [
            replace(each, codes=rng.integers(-2048, 2047, length, dtype=np.int16), scale=float(rng.uniform()))
            for each in (VOLTAGE, CURRENT)
        ]
        for channels in (rows, rows[:1], rows[::-1]):
            assert encode_capture(1e-8, -1e-5, channels) == captures._encoded(1e-8, -1e-5, channels)
            assert captures._form(tuple((c.name, c.unit, c.bits, length) for c in channels)) is not None
