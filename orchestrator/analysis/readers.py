"""From a file to a waveform: CSV, COMTRADE or a capture of ours, told apart by what is in the file."""

from __future__ import annotations

from pathlib import Path

from orchestrator.analysis.refusal import Refused
from orchestrator.analysis.waveform import Accuracy, Channel, Waveform

HDF5_MAGIC = b"\x89HDF\r\n\x1a\n"


def read_waveform(path: Path) -> Waveform:
    """The record in `path`, in base units. Raises Refused, and OSError if the file cannot be opened."""
    suffix = path.suffix.lower()
    if suffix in (".cfg", ".cff"):
        path.open("rb").close()  # a file that is not there is the caller's affair
        from orchestrator.analysis.comtrade_file import read_comtrade

        return read_comtrade(path)
    data = path.read_bytes()
    if data.startswith(HDF5_MAGIC):
        return _read_capture(data)
    if suffix == ".dat":
        raise Refused(
            "unreadable",
            f"{path.name} is the data half of a COMTRADE record.",
            f"Name the other half: {path.with_suffix('.cfg').name}",
        )
    from orchestrator.analysis.csv_file import read_csv

    return read_csv(data)


def _read_capture(data: bytes) -> Waveform:
    from orchestrator.record.captures import CaptureUnreadable, read_capture

    try:
        capture = read_capture(data)
    except CaptureUnreadable as error:
        raise Refused(
            "unreadable", f"{error}.", "Copy the file again from the record and verify the record."
        ) from error
    channels = {
        name: Channel(
            name=name,
            unit=each.unit,
            codes=each.codes,
            scale=each.scale,
            offset=each.offset,
            full_scale=(each.full_scale_low, each.full_scale_high),
            bits=each.bits,
            accuracy=Accuracy(each.gain_fraction, each.offset_fraction_of_range, each.timebase_fraction),
        )
        for name, each in capture.channels.items()
    }
    if not channels:
        raise Refused("empty", "the capture has no channels.", "Check that the instrument wrote its data.")
    return Waveform(capture.interval_s, capture.first_s, channels)
