"""COMTRADE records that a fuzzer made: refused before the library makes room for what they announce."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from orchestrator.analysis.comtrade_file import read_comtrade
from orchestrator.analysis.refusal import Refused
from tests.comtrade_files import Analog, write_comtrade

CODES = list(range(24))


def record(tmp_path: Path, kind: str = "BINARY", codes: list[int] | None = None) -> Path:
    return write_comtrade(tmp_path / "r.cfg", [Analog("u", "V", 1.0, 0.0, codes or CODES)], kind)


def joined(cfg: Path, kind: str = "BINARY") -> Path:
    """The same record as one file."""
    data = cfg.with_suffix(".dat").read_bytes()
    one = cfg.with_suffix(".cff")
    kinds = "ASCII" if kind == "ASCII" else f"{kind}: {len(data)}"
    parts = (
        "--- file type: CFG ---\r\n",
        "--- file type: INF ---\r\n",
        f"--- file type: DAT {kinds} ---\r\n",
    )
    one.write_bytes(parts[0].encode() + cfg.read_bytes() + "".join(parts[1:]).encode() + data)
    return one


@pytest.mark.parametrize("kind", ["ASCII", "BINARY"])
def test_one_file_gives_the_values_of_two(tmp_path: Path, kind: str) -> None:
    cfg = record(tmp_path, kind)
    assert read_comtrade(joined(cfg, kind)).channels["u"].values().tolist() == CODES
    assert read_comtrade(cfg).channels["u"].values().tolist() == CODES


@pytest.mark.parametrize("as_one", [True, False])
@pytest.mark.parametrize("counts", ["609999999901,609999999900A,1D", "3,1A,900000000D", "-3,-4A,1D"])
def test_more_channels_than_lines_are_refused_at_once(tmp_path: Path, counts: str, as_one: bool) -> None:
    cfg = record(tmp_path)
    cfg.write_bytes(cfg.read_bytes().replace(b"2,1A,1D", counts.encode()))
    with pytest.raises(Refused, match=r"announces -?[0-9]+ channels and has [0-9]+ lines") as caught:
        read_comtrade(joined(cfg) if as_one else cfg)
    assert caught.value.code == "unreadable"


@pytest.mark.parametrize("kind", ["ASCII", "BINARY"])
def test_more_samples_than_one_file_can_hold_are_refused_at_once(tmp_path: Path, kind: str) -> None:
    cfg = record(tmp_path, kind)
    cfg.write_bytes(cfg.read_bytes().replace(b"1000,24", b"1000,99999999999"))
    with pytest.raises(Refused, match="says that it has 99999999999 samples") as caught:
        read_comtrade(joined(cfg, kind))
    assert caught.value.code == "truncated"


@pytest.mark.parametrize("huge", [3_000_000_000, -(10**15)])
def test_numbers_beyond_32_bits_in_text_keep_their_value(tmp_path: Path, huge: int) -> None:
    cfg = record(tmp_path, "ASCII", [*CODES[:-1], huge])
    values = read_comtrade(cfg).channels["u"].values()
    assert float(values[-1]) == float(huge)
    assert np.isfinite(values).all()
