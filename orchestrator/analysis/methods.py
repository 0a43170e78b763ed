"""The methods by name, and `analyse`: the one way from a waveform to figures, for a run and for a file alike.

Definitions are those of IEC 60060-1 (voltage, 30 % and 90 %), IEC 62475 and IEC 60060-1 (current, 10 % and
90 %) and IEC 61000-4-5 (durations between 50 % points), for contacts those of IEC 61810-1 and IEC 60050-441,
named from memory: the texts were not at hand.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from orchestrator.analysis.channels import picked
from orchestrator.analysis.contact_record import ContactFigures, read_break, read_make
from orchestrator.analysis.definitions import (
    CONTACT_BREAK,
    CONTACT_MAKE,
    COUNTS,
    IMPULSE_CURRENT,
    IMPULSE_VOLTAGE,
    LIMITING_VOLTAGE,
    Definitions,
)
from orchestrator.analysis.figures import Figures, Internals
from orchestrator.analysis.impulse import ADVISED_FRONT_SAMPLES, impulse_figures, peak_figures
from orchestrator.analysis.integrals import integrals
from orchestrator.analysis.locate import GOOD_BASELINE_SAMPLES
from orchestrator.analysis.refusal import Refused
from orchestrator.analysis.waveform import Channel, Waveform
from orchestrator.analysis.wording import spoken

if TYPE_CHECKING:
    from orchestrator.analysis.uncertainty import Budget

NOISE_WARNED = 0.012  # rms, of the peak: tested to 1 %, and what a short baseline shows scatters
DRIFT_WARNED = 0.01  # of the pre-trigger, of the peak
CONTACT_NOISE_WARNED = 0.15  # rms, of the open criterion
ZEROS_WARNED = 0.03  # of a period
WIDE_SAMPLES = 3.0  # either side of an instant
CODES_WARNED = 64.0  # fewer codes in the impulse than this


@dataclass(frozen=True)
class Result:
    """One figure in base SI units ("1" for a fraction), with its definition in words.

    The uncertainty stands at the stated coverage factor; None while the record states no accuracy to build
    it on.
    """

    value: float
    unit: str
    definition: str
    expanded_uncertainty: float | None = None
    coverage_factor: float | None = None
    budget: Budget | None = None


def result_in_words(name: str, result: Result) -> str:
    """The figure as a laboratory writes it: counts as whole numbers, all others with a prefixed unit."""
    if name in COUNTS:
        spread = f" +- {result.expanded_uncertainty:.0f}" if result.expanded_uncertainty else ""
        return f"{result.value:.0f}{spread}"
    return spoken(result.value, result.unit, result.expanded_uncertainty)


@dataclass(frozen=True, eq=False)
class Analysis:
    """All figures of one record by one method; `warnings` are sentences for a person."""

    method: str
    results: Mapping[str, Result]
    warnings: tuple[str, ...]
    internals: Internals


@dataclass(frozen=True)
class Asked:
    """What a person states beside the record. `open_above_v`: the contact voltage above which it counts as open."""

    open_above_v: float | None = None


@dataclass(frozen=True)
class Method:
    """A named computation: the channels it needs (role -> unit) and the results it gives."""

    name: str
    title: str
    needs: Mapping[str, str]
    gives: Definitions
    read: Callable[[Mapping[str, Channel], float, Asked], Internals]
    values: Callable[[Internals], Mapping[str, float]]


def analyse(
    waveform: Waveform,
    method: str | Method,
    expected_peak: Mapping[str, float] | None = None,
    asked: Asked | None = None,
) -> Analysis:
    """Compute the figures of `method` from `waveform`.

    `expected_peak` (role -> value in the channel's unit) is used in messages alone. Raises Refused when the
    record cannot carry the figures, KeyError for a method that does not exist.
    """
    chosen = METHODS[method] if isinstance(method, str) else method
    channels = {role: picked(waveform, role, unit) for role, unit in chosen.needs.items()}
    try:
        internals = chosen.read(channels, waveform.interval_s, asked or Asked())
    except Refused as refusal:
        raise _with_expectation(refusal, expected_peak, chosen) from None
    values = chosen.values(internals)
    contact = internals.contact
    by = f" [{contact.criterion}: {contact.rule}]" if contact else ""
    plain = {name: Result(values[name], unit, words + by) for name, (unit, words) in chosen.gives.items()}
    warnings = (*waveform.notes, *_warnings(internals))
    return Analysis(chosen.name, _with_uncertainty(plain, waveform, chosen, internals), warnings, internals)


def _with_uncertainty(
    results: Mapping[str, Result], waveform: Waveform, method: Method, internals: Internals
) -> dict[str, Result]:
    from orchestrator.analysis import contact_budget, impulse_budget

    source = contact_budget if internals.contact else impulse_budget
    budgets = source.budget(waveform, method.name, internals)
    return {
        name: replace(
            result,
            expanded_uncertainty=budgets[name].expanded,
            coverage_factor=budgets[name].coverage_factor,
            budget=budgets[name],
        )
        if name in budgets
        else result
        for name, result in results.items()
    }


def _with_expectation(refusal: Refused, expected_peak: Mapping[str, float] | None, method: Method) -> Refused:
    if not expected_peak:
        return refusal
    expected = ", ".join(f"{role} {peak:.4g} {method.needs[role]}" for role, peak in expected_peak.items())
    return Refused(refusal.code, f"{refusal.sentence} Expected peak: {expected}.", refusal.help)


def _warnings(internals: Internals) -> list[str]:
    unstated = [
        f"{each.name}: no accuracy is stated for it, so no uncertainty is given."
        for each in internals.channels.values()
        if each.accuracy is None
    ]
    of_contact = _warnings_of_contact(internals.contact) if internals.contact else []
    of_impulses = [sentence for each in internals.figures.values() for sentence in _warnings_of(each)]
    return of_contact + of_impulses + unstated


def _warnings_of_contact(each: ContactFigures) -> list[str]:
    said, levels = list(each.said), each.levels
    if levels.noise_v > CONTACT_NOISE_WARNED * levels.criteria.open_above_v:
        said.append(
            f"voltage: the noise is {levels.noise_v:.3g} V (rms), much for an open criterion of "
            f"{levels.criteria.open_above_v:.3g} V."
        )
    if each.brief:
        said.append(f"{each.brief} of the reopenings last one sample alone; others may have passed unseen.")
    if levels.unseen_s * levels.criteria.ac_hz > ZEROS_WARNED:
        said.append(
            f"the supply hides the contact for {levels.unseen_s * 1e3:.2g} ms at each of its zeros; a lower criterion "
            "shortens that (--open-above)."
        )
    if each.zeros:
        said.append(
            f"{each.zeros} zeros of the supply lie within the bounce; what the contact did there is not seen."
        )
    said += [
        f"{name.replace('_', ' ')}: slow, or at a zero of the supply; known within {at.half_width_s * 1e3:.2g} ms "
        "only."
        for name, at in each.instants.items()
        if at.half_width_s > WIDE_SAMPLES * each.interval_s
    ]
    if levels.current_a == 0.0:
        said.append("no current is seen in the closed contact; the drop is that of an unloaded contact.")
    return said


def _warnings_of(each: Figures) -> list[str]:
    height, said = each.peak.height, []
    if each.noise_rms > NOISE_WARNED * height:
        said.append(
            f"{each.channel}: noise {each.noise_rms / height:.1%} of the peak (rms); the procedure is tested to 1 %."
        )
    if abs(each.baseline_drift) > DRIFT_WARNED * height:
        said.append(
            f"{each.channel}: the baseline moves by {abs(each.baseline_drift) / height:.1%} of the peak."
        )
    if each.baseline_samples < GOOD_BASELINE_SAMPLES:
        said.append(f"{each.channel}: the baseline has only {each.baseline_samples} samples.")
    if 0.0 < height < CODES_WARNED * each.resolution:
        said.append(f"{each.channel}: the impulse is only {height / each.resolution:.0f} codes high.")
    low = next((name for name in ("front_10", "front_30") if name in each.crossings), None)
    if low is not None and each.front_span_s(low) < ADVISED_FRONT_SAMPLES * each.interval_s:
        samples = each.front_span_s(low) / each.interval_s
        said.append(
            f"{each.channel}: {samples:.1f} samples between the levels of the front; IEC 61083-1 asks for "
            f"{ADVISED_FRONT_SAMPLES:.0f} over the shortest interval measured."
        )
    return said


def _read_impulse(role: str, low_level: float) -> Callable[[Mapping[str, Channel], float, Asked], Internals]:
    def read(channels: Mapping[str, Channel], interval_s: float, asked: Asked) -> Internals:
        del asked  # an impulse is read by its own levels
        return Internals(channels, {role: impulse_figures(channels[role], interval_s, low_level)})

    return read


def _read_limiting_voltage(channels: Mapping[str, Channel], interval_s: float, asked: Asked) -> Internals:
    del asked
    voltage, current = channels["voltage"], channels["current"]
    of_voltage, of_current = peak_figures(voltage, interval_s), peak_figures(current, interval_s)
    sums = integrals(voltage, of_voltage, current, of_current, interval_s)
    return Internals(channels, {"voltage": of_voltage, "current": of_current}, sums)


def _impulse_values(role: str, low: float, span: float) -> Callable[[Internals], Mapping[str, float]]:
    """`low` is the lower front level, `span` what lies between it and 90 %, both as fractions of the peak."""
    low_name = f"front_{round(low * 100)}"

    def values(internals: Internals) -> Mapping[str, float]:
        figures = internals.figures[role]
        front_time_s = figures.front_span_s(low_name) / span
        virtual_origin_s = figures.crossings[low_name].time_s - low * front_time_s
        return {
            "peak": figures.peak_value,
            "front_time": front_time_s,
            "time_to_half": figures.crossings["tail_50"].time_s - virtual_origin_s,
            "duration_50": figures.duration_50_s,
            "duration_118": 1.18 * figures.duration_50_s,
            "undershoot": figures.undershoot_fraction,
        }

    return values


def _limiting_values(internals: Internals) -> Mapping[str, float]:
    assert internals.integrals is not None
    return {
        "limiting_voltage": internals.figures["voltage"].peak_value,
        "peak_current": internals.figures["current"].peak_value,
        "energy": internals.integrals.energy,
        "charge": internals.integrals.charge,
    }


def _read_contact(
    of: Callable[[Channel, Channel, float, float | None], ContactFigures],
) -> Callable[[Mapping[str, Channel], float, Asked], Internals]:
    def read(channels: Mapping[str, Channel], interval_s: float, asked: Asked) -> Internals:
        found = of(channels["voltage"], channels["current"], interval_s, asked.open_above_v)
        return Internals(channels, contact=found)

    return read


def _make_values(internals: Internals) -> Mapping[str, float]:
    found = internals.contact
    assert found is not None and found.drop is not None
    first, last = found.instants["first_make"], found.instants["last_make"]
    return {
        "make_time": first.time_s,
        "bounce_time": last.time_s - first.time_s,
        "bounce_count": float(found.reopenings),
        "contact_drop": found.drop.value,
    }


def _break_values(internals: Internals) -> Mapping[str, float]:
    assert internals.contact is not None
    parting, end = (internals.contact.instants[name] for name in ("parting", "extinction"))
    return {"break_time": end.time_s, "arcing_time": max(end.time_s - parting.time_s, 0.0)}


METHODS: Mapping[str, Method] = {
    method.name: method
    for method in (
        Method(
            "impulse-voltage",
            "Impulse voltage, front by 30 % and 90 %",
            {"voltage": "V"},
            IMPULSE_VOLTAGE,
            _read_impulse("voltage", 0.3),
            _impulse_values("voltage", 0.3, 0.6),
        ),
        Method(
            "impulse-current",
            "Impulse current, front by 10 % and 90 %",
            {"current": "A"},
            IMPULSE_CURRENT,
            _read_impulse("current", 0.1),
            _impulse_values("current", 0.1, 0.8),
        ),
        Method(
            "limiting-voltage",
            "Voltage across a specimen that limits, with its current",
            {"voltage": "V", "current": "A"},
            LIMITING_VOLTAGE,
            _read_limiting_voltage,
            _limiting_values,
        ),
        Method(
            "contact-make",
            "Make and bounce of a contact, from its voltage and current",
            {"voltage": "V", "current": "A"},
            CONTACT_MAKE,
            _read_contact(read_make),
            _make_values,
        ),
        Method(
            "contact-break",
            "Break and arc of a contact, from its voltage and current",
            {"voltage": "V", "current": "A"},
            CONTACT_BREAK,
            _read_contact(read_break),
            _break_values,
        ),
    )
}
