"""What each figure means: result name -> (unit, definition). Definitions that differ differ in name.

Sources, named from memory, as the texts were not at hand: IEC 60060-1 (voltage, 30 % and 90 %; virtual
origin), IEC 60060-1 and IEC 62475 (current, 10 % and 90 %), IEC 61000-4-5 (between 50 % points, factor 1.18);
of contacts: IEC 61810-1 (bounce time), IEV 441-17-37 (arcing time), IEV 441-17-39 (break time).
"""

from __future__ import annotations

from collections.abc import Mapping

Definitions = Mapping[str, tuple[str, str]]

_PEAK = (
    "largest value of the mean curve (a cubic fitted to the top 2.5 %) above the mean of the pre-trigger, "
    "with the sign of the impulse; no test-voltage function for overshoot is applied"
)
_DURATION_50 = "time between the 50 % points of the peak on front and tail"
_UNDERSHOOT = (
    "largest swing to the opposite polarity after the half value, as a fraction of the peak; 0 if none "
    "stands out of noise and resolution"
)
IMPULSE_VOLTAGE: Definitions = {
    "peak": ("V", _PEAK),
    "front_time": ("s", "virtual front time T1 = (t90 - t30) / 0.6 of an impulse voltage"),
    "time_to_half": (
        "s",
        "virtual time to half value T2, from the virtual origin t30 - 0.3 T1 to 50 % on the tail",
    ),
    "duration_50": ("s", _DURATION_50),
    "undershoot": ("1", _UNDERSHOOT),
}
IMPULSE_CURRENT: Definitions = {
    "peak": ("A", _PEAK),
    "front_time": ("s", "virtual front time T1 = (t90 - t10) / 0.8 of an impulse current"),
    "time_to_half": (
        "s",
        "virtual time to half value T2, from the virtual origin t10 - 0.1 T1 to 50 % on the tail",
    ),
    "duration_50": ("s", _DURATION_50),
    "duration_118": (
        "s",
        "1.18 times the time between the 50 % points, as IEC 61000-4-5 defines the duration",
    ),
    "undershoot": ("1", _UNDERSHOOT),
}
_SPAN = "from the start of the impulse (the end of the pre-trigger) to the end of the record"
LIMITING_VOLTAGE: Definitions = {
    "limiting_voltage": ("V", "peak of the voltage across the specimen: " + _PEAK),
    "peak_current": ("A", "peak of the current through the specimen: " + _PEAK),
    "energy": ("J", f"integral of voltage times current {_SPAN}"),
    "charge": ("C", f"integral of the current {_SPAN}"),
}
CONTACT_MAKE: Definitions = {
    "make_time": ("s", "time from the first sample of the record to the first make"),
    "bounce_time": ("s", "time from the first make to the last, after which the contact stays closed"),
    "bounce_count": ("1", "number of reopenings after the first make; an arc counts as open"),
    "contact_drop": (
        "V",
        "steady voltage across the closed contact: mean over the last quarter of what follows the last make, "
        "positive along the voltage of the open contact; alternating: r.m.s. of the part in phase with the current",
    ),
}
CONTACT_BREAK: Definitions = {
    "break_time": (
        "s",
        "time from the first sample of the record to the end of arcing, where the current ends",
    ),
    "arcing_time": (
        "s",
        "time from the parting of the contact to the end of the current; 0 if it ends at once",
    ),
}
COUNTS = frozenset({"bounce_count"})  # whole numbers, where other figures in "1" are fractions
