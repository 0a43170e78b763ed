"""Waveforms in COMTRADE (IEEE C37.111, IEC 60255-24), read by the comtrade library: name the .cfg, or a .cff.

The library fills what a short .dat lacks with zeros and passes over samples that are marked as missing;
both are refused here.
"""

from __future__ import annotations

import math
import re
import struct
from pathlib import Path
from typing import Any

import numpy as np

from orchestrator.analysis.column_units import base_and_factor
from orchestrator.analysis.refusal import Refused
from orchestrator.analysis.time_axis import even_interval_s
from orchestrator.analysis.waveform import Array, Channel, CodeArray, Waveform

_BYTES = {"BINARY": 2, "BINARY32": 4, "FLOAT32": 4}  # of one analog value
_CFF_PART = re.compile(r"(?i)--- file type: ([a-z]+)(?:\s+([a-z0-9]+)(?:\s*:\s*[0-9]+)?)? ---$")
_CODE_TYPES: dict[str, type[np.signedinteger[Any]]] = {
    "ASCII": np.int32,
    "BINARY": np.int16,
    "BINARY32": np.int32,
}


def read_comtrade(path: Path) -> Waveform:
    """The analog channels of a COMTRADE record.

    Raises Refused: unreadable, empty, truncated, gaps, non_uniform_time.
    """
    import comtrade  # late: a reader for one kind of file

    record = comtrade.Comtrade(use_numpy_arrays=True, use_double_precision=True, ignore_warnings=True)
    try:
        if path.suffix.lower() == ".cfg":
            _require_room_for_channels(path.name, path.read_text(errors="ignore").split("\n"))
            _require_whole(path, comtrade)
        else:
            _require_possible(path, comtrade)
        record.load(str(path))
    except FileNotFoundError as error:
        raise Refused(
            "unreadable",
            f"the data file beside {path.name} is missing ({error.filename}).",
            "A COMTRADE record is two files of one name, .cfg and .dat: copy both.",
        ) from error
    except (
        ValueError,
        IndexError,
        TypeError,
        KeyError,
        OverflowError,
        struct.error,
        comtrade.ComtradeError,
    ) as e:
        raise Refused(
            "unreadable",
            f"{path.name} cannot be read as COMTRADE: {e}.",
            "Check that .cfg and .dat belong together and are whole.",
        ) from e
    return _waveform(record)


def _require_room_for_channels(name: str, lines: list[str]) -> None:
    """Raise Refused if the second line announces more channels than there are lines: the library would make them."""
    try:
        counts = [int(field.strip()[:-1]) for field in lines[1].split(",")[1:3]]
    except (ValueError, IndexError):
        return  # no such line: the library says so
    wrong = [count for count in counts if not 0 <= count <= len(lines)]
    if wrong:
        raise Refused(
            "unreadable",
            f"{name} announces {wrong[0]} channels and has {len(lines)} lines.",
            "The file is damaged. Copy the record again.",
        )


def _require_possible(path: Path, comtrade: Any) -> None:
    """Raise Refused if a .cff announces more channels or samples than it has bytes for."""
    lines = _cff_lines(path)
    _require_room_for_channels(path.name, lines)
    cfg = comtrade.Cfg(ignore_warnings=True)
    cfg.read("\n".join(lines))
    stated = int(cfg.sample_rates[-1][1])
    if stated * (cfg.analog_count + cfg.status_count // 16 + 2) > path.stat().st_size:
        raise Refused(
            "truncated",
            f"{path.name} says that it has {stated} samples, and is too short for them.",
            "The file was cut. Copy the record again.",
        )


def _cff_lines(path: Path) -> list[str]:
    """The lines of the .cfg part of a .cff, found as the library finds them."""
    part, found = "", []
    for line in path.read_bytes().decode("utf-8", errors="ignore").split("\n"):
        if header := _CFF_PART.match(line.strip()):
            part = header[1].upper()
            if part == "DAT" and header[2] and header[2].upper() != "ASCII":
                break
        elif part == "CFG":
            found.append(line.strip())
    return found


def _require_whole(path: Path, comtrade: Any) -> None:
    """Raise Refused if the .dat has fewer samples than the .cfg says."""
    cfg = comtrade.Cfg(ignore_warnings=True)
    cfg.load(str(path))
    data = _data_path(path)
    stated = int(cfg.sample_rates[-1][1])
    kind = str(cfg.ft).upper()
    if kind == "ASCII":
        with data.open("rb") as lines:
            found = sum(1 for line in lines if line.count(b",") >= cfg.analog_count + cfg.status_count + 1)
    else:
        row = 8 + _BYTES.get(kind, 2) * cfg.analog_count + 2 * math.ceil(cfg.status_count / 16)
        found = data.stat().st_size // row
    if found == 0:
        raise Refused("empty", f"{data.name} has no samples.", "Check that the instrument wrote its data.")
    if found < stated:
        raise Refused(
            "truncated",
            f"{data.name} has {found} samples, but {path.name} says {stated}.",
            "The file was cut. Copy the record again.",
        )


def _data_path(path: Path) -> Path:
    upper, lower = path.with_suffix(".DAT"), path.with_suffix(".dat")
    data = upper if path.suffix.isupper() else lower
    if not data.exists():
        raise FileNotFoundError(2, "no such file", str(data.name))
    return data


def _waveform(record: Any) -> Waveform:
    if len({rate for rate, _ in record.cfg.sample_rates}) > 1:
        raise Refused(
            "non_uniform_time",
            "the record changes its sample rate on the way.",
            "Export one stretch with one sample rate.",
        )
    channels = {}
    notes: list[str] = []
    for described, values in zip(record.cfg.analog_channels, record.analog, strict=True):
        channel, said = _channel(described, values, str(record.ft).upper())
        channels[channel.name] = channel
        notes += said
    time_s: Array = np.asarray(record.time, dtype=np.float64)
    interval_s = even_interval_s(time_s, first_row=1)
    return Waveform(interval_s, float(time_s[0]) - float(record.trigger_time), channels, tuple(notes))


def _channel(described: Any, values: CodeArray, kind: str) -> tuple[Channel, list[str]]:
    name = str(described.name).strip() or f"channel {described.n}"
    if not np.isfinite(values).all():
        raise Refused(
            "gaps",
            f"{name}: sample {int(np.argmin(np.isfinite(values))) + 1} is marked as missing.",
            "Read the record out again; a gap cannot be filled by a guess.",
        )
    unit, factor = base_and_factor(str(described.uu))
    codes = _codes(described, values, kind)
    if codes is None:
        return Channel(name, unit, values, factor), _notes(name, described)
    return Channel(name, unit, codes, described.a * factor, described.b * factor), _notes(name, described)


def _codes(described: Any, values: CodeArray, kind: str) -> CodeArray | None:
    """The whole numbers in the file; None for a file of real numbers (FLOAT32, or ASCII written so)."""
    if kind not in _CODE_TYPES or described.a == 0.0:
        return None
    raw = (values - described.b) / described.a
    codes = np.rint(raw)
    room = np.iinfo(_CODE_TYPES[kind])
    whole_numbers = float(np.max(np.abs(raw - codes), initial=0.0)) <= 1e-3
    if not whole_numbers or codes.min(initial=0.0) < room.min or codes.max(initial=0.0) > room.max:
        return None
    whole: CodeArray = codes.astype(_CODE_TYPES[kind])
    return whole


def _notes(name: str, described: Any) -> list[str]:
    notes = []
    if described.pors.strip().upper() == "S" and described.primary != described.secondary:
        ratio = f"{described.primary:g}/{described.secondary:g}"
        notes.append(f"{name}: the file gives secondary values; they were not multiplied by {ratio}.")
    if described.skew != 0.0:
        notes.append(f"{name}: the file states a skew of {described.skew:g} us; it was not applied.")
    return notes
