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
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
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


def encode_capture(interval_s: float, first_s: float, channels: Iterable[CaptureChannel]) -> bytes:
    """The bytes of a capture file. Raises ValueError for codes that are not a row of int16."""
    with h5py.File("capture", "w", driver="core", backing_store=False) as file:
        file.attrs.update({"format": FORMAT, "interval_s": float(interval_s), "first_s": float(first_s)})
        group = file.create_group("channels")
        for channel in channels:
            _write_channel(group, channel)
        file.flush()
        return bytes(file.id.get_file_image())


def _write_channel(group: Any, channel: CaptureChannel) -> None:
    if channel.codes.dtype != np.int16 or channel.codes.ndim != 1:
        raise ValueError(f"channel {channel.name}: codes must be one row of int16")
    own = group.create_group(channel.name)
    codes = own.create_dataset("codes", data=channel.codes, dtype="<i2", track_times=False)
    for name in _ATTRIBUTES:
        codes.attrs[name] = getattr(channel, name)


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
