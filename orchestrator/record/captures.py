"""Captures: the raw codes of one shot in one immutable HDF5 file, made in memory.

Layout, readable with any HDF5 tool:

    /                       attributes: format "benchward capture 1", interval_s, first_s
    /channels/NAME/codes    int16, as the digitiser sent them, with the attributes unit, scale, offset,
                            full_scale_low, full_scale_high, bits, gain_fraction,
                            offset_fraction_of_range, timebase_fraction

A value in `unit` is `code * scale + offset`; sample n was taken at `first_s + n * interval_s` after the
trigger. No times of writing are stored, so equal captures give equal bytes.
"""

import io
import math
import struct
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from functools import lru_cache
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

FORMAT = "benchward capture 1"


class CaptureUnreadable(Exception):
    """The file is no capture of ours, or it is damaged; the text says which and where."""


@dataclass(frozen=True)
class CaptureChannel:
    """One recorded channel: codes, and what turns them into values with an uncertainty.

    `full_scale_low` and `full_scale_high` are the ends of the range in `unit`; the three fractions are the
    accuracy of gain (of the reading), of offset (of the range) and of the time base.
    """

    name: str
    codes: NDArray[np.int16]
    unit: str
    scale: float
    offset: float
    full_scale_low: float
    full_scale_high: float
    bits: int
    gain_fraction: float = 0.0
    offset_fraction_of_range: float = 0.0
    timebase_fraction: float = 0.0

    def values(self) -> NDArray[np.float64]:
        """Values in `unit`."""
        return self.codes.astype(np.float64) * self.scale + self.offset


@dataclass(frozen=True)
class Capture:
    """Everything recorded of one shot; all channels share the time axis."""

    interval_s: float
    first_s: float
    channels: Mapping[str, CaptureChannel]

    def time_s(self) -> NDArray[np.float64]:
        """Time of each sample of the longest channel, from the trigger."""
        longest = max((len(channel.codes) for channel in self.channels.values()), default=0)
        return self.first_s + np.arange(longest, dtype=np.float64) * self.interval_s


_ATTRIBUTES = tuple(item.name for item in fields(CaptureChannel) if item.name not in ("name", "codes"))
_FIGURES = tuple(name for name in _ATTRIBUTES if name not in ("unit", "bits"))
_DOUBLE = struct.Struct("<d")
FEWEST_FILLED_IN = 64  # codes of each channel: a shorter row could stand in the file twice


def encode_capture(interval_s: float, first_s: float, channels: Iterable[CaptureChannel]) -> bytes:
    """The bytes of a capture file. Raises ValueError for codes that are not a row of int16.

    Captures of one layout differ in their codes and figures alone: the layout is encoded once and filled in.
    """
    kept = tuple(channels)
    for channel in kept:
        if channel.codes.dtype != np.int16 or channel.codes.ndim != 1:
            raise ValueError(f"channel {channel.name}: codes must be one row of int16")
    figures = _figures(interval_s, first_s, kept)
    if all(len(channel.codes) >= FEWEST_FILLED_IN for channel in kept):
        layout = tuple((c.name, c.unit, c.bits, len(c.codes)) for c in kept)
        if all(type(figure) is float for figure in figures) and (form := _form(layout)) is not None:
            return form.filled(figures, kept)
    return _encoded(interval_s, first_s, kept)


def _encoded(interval_s: float, first_s: float, channels: Iterable[CaptureChannel]) -> bytes:
    with h5py.File("capture", "w", driver="core", backing_store=False) as file:
        file.attrs.update({"format": FORMAT, "interval_s": float(interval_s), "first_s": float(first_s)})
        group = file.create_group("channels")
        for channel in channels:
            _write_channel(group, channel)
        file.flush()
        return bytes(file.id.get_file_image())


def _write_channel(group: Any, channel: CaptureChannel) -> None:
    own = group.create_group(channel.name)
    codes = own.create_dataset("codes", data=channel.codes, dtype="<i2", track_times=False)
    for name in _ATTRIBUTES:
        codes.attrs[name] = getattr(channel, name)


@dataclass(frozen=True)
class _Form:
    """An encoded capture, and where in it the figures and each channel's codes stand."""

    data: bytes
    figures_at: tuple[int, ...]
    codes_at: tuple[int, ...]

    def filled(self, figures: Iterable[float], channels: Iterable[CaptureChannel]) -> bytes:
        data = bytearray(self.data)
        for at, figure in zip(self.figures_at, figures, strict=True):
            _DOUBLE.pack_into(data, at, figure)
        for at, channel in zip(self.codes_at, channels, strict=True):
            raw = channel.codes.astype("<i2", copy=False).tobytes()
            data[at : at + len(raw)] = raw
        return bytes(data)


@lru_cache(maxsize=16)
def _form(layout: tuple[tuple[str, str, int, int], ...]) -> _Form | None:
    """The form of a layout (name, unit, bits, codes of each channel); None where a place cannot be told.

    It is encoded with figures and codes that occur nowhere else, and these are looked for in the bytes.
    """
    count = len(_FIGURES)
    marks = [math.pi + each for each in range(2 + count * len(layout))]
    channels = []
    for place, (name, unit, bits, length) in enumerate(layout):
        own = dict(zip(_FIGURES, marks[2 + count * place :], strict=False))
        codes = (np.arange(length) * 31 + place).astype(np.int16)
        channels.append(CaptureChannel(name=name, codes=codes, unit=unit, bits=bits, **own))
    data = _encoded(marks[0], marks[1], channels)
    figures = [_DOUBLE.pack(mark) for mark in marks]
    codes_of = [channel.codes.astype("<i2").tobytes() for channel in channels]
    if any(data.count(each) != 1 for each in [*figures, *codes_of]):
        return None
    return _Form(data, tuple(map(data.find, figures)), tuple(map(data.find, codes_of)))


def _figures(interval_s: float, first_s: float, channels: Iterable[CaptureChannel]) -> list[float]:
    """Every number of a capture but codes and bits, in the order in which a form holds them."""
    return [float(interval_s), float(first_s), *(getattr(c, name) for c in channels for name in _FIGURES)]


def read_capture(source: bytes | Path | str) -> Capture:
    """Read a capture file, given as its bytes or its path. Raises CaptureUnreadable."""
    data = source if isinstance(source, bytes) else Path(source).read_bytes()
    try:
        with h5py.File(io.BytesIO(data), "r") as file:
            _require_format(file)
            found = {name: _read_channel(name, group) for name, group in file["channels"].items()}
            return Capture(float(file.attrs["interval_s"]), float(file.attrs["first_s"]), found)
    except (OSError, KeyError, ValueError, TypeError, AttributeError, RuntimeError) as error:
        raise CaptureUnreadable(f"this is no capture file, or it is damaged: {error}") from error


def _require_format(file: Any) -> None:
    found = file.attrs.get("format", "nothing")
    if found != FORMAT:
        raise CaptureUnreadable(f"the file says it is {found!r}, expected {FORMAT!r}")


def _read_channel(name: str, group: Any) -> CaptureChannel:
    facts = {key: group["codes"].attrs[key] for key in _ATTRIBUTES}
    return CaptureChannel(
        name=name,
        codes=np.asarray(group["codes"][()], dtype=np.int16),
        unit=str(facts.pop("unit")),
        bits=int(facts.pop("bits")),
        **{key: float(value) for key, value in facts.items()},
    )
