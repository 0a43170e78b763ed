"""What is read off one impulse, in physical units and seconds, and what its uncertainty needs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from orchestrator.analysis.contact_record import ContactFigures
from orchestrator.analysis.waveform import Channel

SWING_SEEN = 4.0  # an opposite swing counts when it is this many standard deviations out of the noise


@dataclass(frozen=True)
class Crossing:
    """One level crossing. Times are from sample 0; the slope is that of the height, which rises from zero.

    A change dy of the fitted value moves the crossing by -dy / slope. White noise of rms s in each sample
    gives the fitted value a standard deviation of s * noise_factor.
    """

    level_fraction: float
    time_s: float
    slope_per_s: float  # of the height: positive on the front, negative on the tail
    noise_factor: float
    samples: int
    window_s: tuple[float, float]


@dataclass(frozen=True)
class Extreme:
    """A crest read by a local fit. `height` is signed along the impulse: negative for an opposite swing."""

    height: float
    time_s: float
    noise_factor: float
    samples: int
    window_s: tuple[float, float]


@dataclass(frozen=True)
class Figures:
    """What one channel's impulse looks like, in physical units and seconds from sample 0.

    `polarity` is +1 or -1; heights and slopes are along the impulse, so that the physical value of a height
    is baseline + polarity * height. `crossings` has the keys "front_10" or "front_30", "front_50",
    "front_90" and "tail_50", as far as they were asked for. `resolution` is one code of the converter (0 if
    it is not known).
    """

    channel: str
    unit: str
    polarity: int
    interval_s: float
    peak: Extreme
    baseline: float
    baseline_samples: int
    baseline_window_s: tuple[float, float]
    baseline_drift: float
    noise_rms: float
    resolution: float
    crossings: Mapping[str, Crossing]
    swing: Extreme | None = None

    @property
    def peak_value(self) -> float:
        """The peak relative to the baseline, with the sign of the impulse."""
        return self.polarity * self.peak.height

    def front_span_s(self, low: str) -> float:
        """Time between the low level and 90 % on the front, the shortest interval that is measured."""
        return self.crossings["front_90"].time_s - self.crossings[low].time_s

    @property
    def duration_50_s(self) -> float:
        return self.crossings["tail_50"].time_s - self.crossings["front_50"].time_s

    @property
    def undershoot_fraction(self) -> float:
        """Largest opposite swing after the peak over the peak; 0 when none stands out of the noise."""
        if self.swing is None or -self.swing.height < self.swing_floor:
            return 0.0
        return -self.swing.height / self.peak.height

    @property
    def swing_floor(self) -> float:
        """The opposite swing, in `unit`, below which noise or one code could have made it."""
        if self.swing is None:
            return 0.0
        return max(SWING_SEEN * self.noise_rms * self.swing.noise_factor, self.resolution)


@dataclass(frozen=True)
class Integrals:
    """Sums over the impulse by the trapezoidal rule, of voltage v and current i above their baselines.

    The squares are there for the uncertainty: noise in one channel reaches the energy by the size of the
    other.
    """

    start_s: float  # from sample 0
    stop_s: float
    samples: int
    charge: float  # of i, in A s
    energy: float  # of v i, in J
    voltage: float  # of v, in V s
    current_squared: float  # of i squared, in A2 s
    voltage_squared: float  # of v squared, in V2 s


@dataclass(frozen=True, eq=False)
class Internals:
    """What was read off a record, by role ("voltage", "current"), for the uncertainty and the plot."""

    channels: Mapping[str, Channel]
    figures: Mapping[str, Figures] = field(default_factory=dict)
    integrals: Integrals | None = None
    contact: ContactFigures | None = None
