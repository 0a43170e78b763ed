"""The validation page: reference waveforms computed on this computer, each figure against its reference.

In the style of IEC 61083-2 (from memory), as ISO/IEC 17025 7.11.2 asks a laboratory to validate its
software. The limits are this program's own; a laboratory compares the deviations with those that it has set
itself.
"""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from importlib.resources import files
from typing import Any

from orchestrator.analysis.contact_references import (
    CONTACT_RECORDINGS,
    REFERENCES,
    ContactReference,
    recorded_contact,
)
from orchestrator.analysis.definitions import COUNTS
from orchestrator.analysis.methods import Analysis, analyse
from orchestrator.analysis.reference_waveforms import (
    RECORDINGS,
    Recording,
    ReferenceWaveform,
    recorded,
    reference_waveforms,
)
from orchestrator.analysis.refusal import Refused
from orchestrator.analysis.waveform import Waveform
from orchestrator.analysis.wording import spoken

AMPLITUDES = {"impulse-voltage": 1.7e3, "impulse-current": 850.0, "limiting-voltage": 850.0}
LIMITS: Mapping[str, float] = {  # of the reference; of the peak for the undershoot
    "peak": 0.005,
    "front_time": 0.02,
    "time_to_half": 0.01,
    "duration_50": 0.01,
    "duration_118": 0.01,
    "undershoot": 0.01,
    "limiting_voltage": 0.005,
    "peak_current": 0.005,
    "energy": 0.01,
    "charge": 0.01,
    "make_time": 0.005,
    "bounce_time": 0.02,
    "bounce_count": 0.01,  # less than one of any count
    "contact_drop": 0.02,
    "break_time": 0.005,
    "arcing_time": 0.02,
}
SIGNED = ("peak", "limiting_voltage", "peak_current", "charge")
LIBRARIES = ("benchward", "numpy", "scipy", "h5py", "comtrade")
Analyse = Callable[[Waveform, str], Analysis]


@dataclass(frozen=True)
class Check:
    """One figure of one recording against its reference; `value` is None if the record was refused."""

    waveform: str
    recording: str
    figure: str
    unit: str
    reference: float
    value: float | None
    limit: float  # fraction of the reference (of the peak for the undershoot)
    refused: str = ""

    @property
    def deviation(self) -> float | None:
        """As a fraction, like the limit."""
        if self.value is None:
            return None
        scale = 1.0 if self.figure == "undershoot" else self.reference
        return (self.value - self.reference) / scale

    @property
    def is_in(self) -> bool:
        return self.deviation is not None and abs(self.deviation) <= self.limit


@dataclass(frozen=True)
class Validation:
    """All checks, with what they were made on."""

    at: datetime
    versions: Mapping[str, str]
    waveforms: tuple[ReferenceWaveform | ContactReference, ...]
    checks: tuple[Check, ...]

    @property
    def all_in(self) -> bool:
        return bool(self.checks) and all(check.is_in for check in self.checks)

    def to_json(self) -> dict[str, Any]:
        checks = [{**asdict(check), "deviation": check.deviation, "in": check.is_in} for check in self.checks]
        return {
            "at": self.at.isoformat(),
            "versions": dict(self.versions),
            "all_in": self.all_in,
            "checks": checks,
        }


def validation(compute: Analyse = analyse) -> Validation:
    """Record every reference in every way and compare what `compute` makes of it."""
    impulses = tuple(reference_waveforms())
    checks = [
        check
        for number, reference in enumerate(impulses)
        for seed, how in enumerate(RECORDINGS, start=100 * number)
        for check in _checks(reference, how, seed, compute)
    ]
    checks += [
        check
        for number, contact in enumerate(REFERENCES)
        for seed, how in enumerate(CONTACT_RECORDINGS, start=100 * number)
        for check in _contact_checks(contact, how, seed, compute)
    ]
    return Validation(datetime.now(UTC), versions(), (*impulses, *REFERENCES), tuple(checks))


def versions() -> dict[str, str]:
    """What the figures depend on: system, interpreter, libraries, and a hash over the analysis itself."""
    found = {"system": f"{platform.system()} {platform.release()} {platform.machine()}"}
    found["computer"] = platform.node()
    found["python"] = platform.python_version()
    for library in LIBRARIES:
        try:
            found[library] = version(library)
        except PackageNotFoundError:
            found[library] = "not installed"
    found["analysis, SHA-256"] = _hash_of_analysis()
    return found


def _hash_of_analysis() -> str:
    parts = sorted(
        (part for part in files("orchestrator.analysis").iterdir() if part.name.endswith((".py", ".json"))),
        key=lambda part: part.name,
    )
    whole = hashlib.sha256()
    for part in parts:
        whole.update(part.name.encode() + b"\0" + hashlib.sha256(part.read_bytes()).digest())
    return whole.hexdigest()


def _checks(reference: ReferenceWaveform, how: Recording, seed: int, compute: Analyse) -> list[Check]:
    amplitude = AMPLITUDES[reference.method]
    record, values = recorded(reference, amplitude, how, seed), _scaled(reference, amplitude, how)
    return _compared(reference.name, reference.method, how.name, record, values, compute)


def _contact_checks(reference: ContactReference, how: Recording, seed: int, compute: Analyse) -> list[Check]:
    record = recorded_contact(reference, how, seed)
    return _compared(reference.name, reference.method, how.name, record, reference.references, compute)


def _compared(
    name: str, method: str, how: str, record: Waveform, references: Mapping[str, float], compute: Analyse
) -> list[Check]:
    try:
        results = compute(record, method).results
    except Refused as refusal:
        return [
            Check(name, how, figure, "", value, None, LIMITS[figure], refusal.sentence)
            for figure, value in references.items()
        ]
    return [
        Check(name, how, figure, results[figure].unit, value, results[figure].value, LIMITS[figure])
        for figure, value in references.items()
    ]


def _scaled(reference: ReferenceWaveform, amplitude: float, how: Recording) -> dict[str, float]:
    """References are for an amplitude of 1: values grow with it, energy with its square, times do not."""
    by = dict.fromkeys(SIGNED, how.polarity * amplitude) | {"energy": amplitude**2}
    return {name: value * by.get(name, 1.0) for name, value in reference.references.items()}


def page(found: Validation) -> str:
    """The page that a laboratory keeps, as text."""
    out = sum(not check.is_in for check in found.checks)
    verdict = (
        f"All {len(found.checks)} figures are in."
        if found.all_in
        else f"{out} of {len(found.checks)} are OUT."
    )
    lines = [
        "Validation of the impulse and contact figures",
        "",
        verdict,
        f"Made {found.at:%Y-%m-%d %H:%M:%S} UTC",
        "",
    ]
    lines += [f"  {name:18} {text}" for name, text in found.versions.items()]
    lines += ["", *_PREAMBLE, ""]
    for waveform in found.waveforms:
        lines += [f"{waveform.name}: {waveform.method}", f"  {waveform.source}"]
        lines += [f"  {waveform.sample_rate_hz / 1e6:g} MS/s, {_length(waveform.record_s)}", "", _HEADINGS]
        lines += [_line(check) for check in found.checks if check.waveform == waveform.name]
        lines.append("")
    return "\n".join([*lines, verdict, "", "Reviewed by ____________________   on ____________________", ""])


def _length(time_s: float) -> str:
    return f"{time_s * 1e6:g} us" if time_s < 1e-3 else f"{time_s * 1e3:g} ms"


_PREAMBLE = (
    "References: of impulses computed with 30 digits by root finding and quadrature, independently of the",
    "procedure; of contacts the instants and sizes that their records were made with.",
    "Limits: this program's own (in per cent of the reference, for the undershoot of the peak). They are not",
    "those of IEC 61083-2. Not covered: dividers, probes, digitiser; these need their own calibration.",
)
_HEADINGS = f"  {'recording':44}{'figure':18}{'reference':>12}{'computed':>12}{'off by':>10}{'limit':>8}"


def _line(check: Check) -> str:
    start = f"  {check.recording:44}{check.figure:18}"
    limit = f"{100.0 * check.limit:.1f} %"
    if check.value is None or check.deviation is None:
        return f"{start}{'':12}{'refused':>12}{'':>10}{limit:>8}  OUT  {check.refused}"
    reference, value = (_spoken(check, number) for number in (check.reference, check.value))
    verdict = "in" if check.is_in else "OUT"
    return f"{start}{reference:>12}{value:>12}{100.0 * check.deviation:>+8.3f} %{limit:>8}  {verdict}"


def _spoken(check: Check, number: float) -> str:
    return f"{number:g}" if check.figure in COUNTS else spoken(number, check.unit)
