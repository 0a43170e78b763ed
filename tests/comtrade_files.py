"""COMTRADE records written by hand for the tests, in the layout of IEEE C37.111 (from memory, not the standard)."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

TYPES = ("ASCII", "BINARY", "BINARY32", "FLOAT32")


@dataclass(frozen=True)
class Analog:
    name: str
    unit: str
    a: float
    b: float
    codes: Sequence[int]


def write_comtrade(
    path: Path,
    channels: Sequence[Analog],
    kind: str = "BINARY",
    revision: int = 2013,
    rate_hz: float = 1000.0,
    trigger_after_us: int = 3000,
) -> Path:
    """Write `path` (.cfg) and its .dat with one status channel; returns `path`."""
    count = len(channels[0].codes)
    path.write_bytes(_cfg(channels, kind, revision, rate_hz, count, trigger_after_us).encode())
    rows = zip(*(channel.codes for channel in channels), strict=True)
    dat = path.with_suffix(".dat")
    if kind == "ASCII":
        lines = (_ascii_row(n, row, rate_hz) for n, row in enumerate(rows, start=1))
        dat.write_bytes("".join(lines).encode())
    else:
        dat.write_bytes(b"".join(_binary_row(n, row, rate_hz, kind) for n, row in enumerate(rows, start=1)))
    return path


def _cfg(
    channels: Sequence[Analog], kind: str, revision: int, rate_hz: float, count: int, trigger_after_us: int
) -> str:
    lines = [f"made-up station,recorder 1,{revision}", f"{len(channels) + 1},{len(channels)}A,1D"]
    lines += [
        f"{n},{c.name},,,{c.unit},{c.a!r},{c.b!r},0,-32767,32767,1,1,P"
        for n, c in enumerate(channels, start=1)
    ]
    lines += ["1,trigger,,,0", "60", "1", f"{rate_hz:.10g},{count}"]
    lines += ["24/11/2026,10:00:00.000000", f"24/11/2026,10:00:00.{trigger_after_us:06d}", kind, "1"]
    if revision == 2013:
        lines += ["0,0", "0,0"]
    return "\r\n".join(lines) + "\r\n"


def _ascii_row(n: int, row: Sequence[int], rate_hz: float) -> str:
    return f"{n},{round((n - 1) * 1e6 / rate_hz)},{','.join(str(code) for code in row)},{int(n > 3)}\r\n"


def _binary_row(n: int, row: Sequence[int], rate_hz: float, kind: str) -> bytes:
    letter = {"BINARY": "h", "BINARY32": "i", "FLOAT32": "f"}[kind]
    stamp = round((n - 1) * 1e6 / rate_hz)
    return struct.pack(f"<II{len(row)}{letter}H", n, stamp, *row, int(n > 3))
