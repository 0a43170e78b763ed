"""The instrument for a dialect."""

from __future__ import annotations

from drivers import dialects
from drivers.dialects.shapes import DigitiserDialect, ImpulseSourceDialect
from drivers.equipment.digitiser import ScpiDigitiser
from drivers.equipment.impulse_source import ScpiImpulseSource
from drivers.equipment.instrument import TIMEOUT_S
from drivers.equipment.leakage_meter import ScpiLeakageMeter
from drivers.equipment.protocols import Identity
from drivers.links.base import Link

AnyInstrument = ScpiImpulseSource | ScpiDigitiser | ScpiLeakageMeter


def instrument_for(
    dialect_name: str, link: Link, expected: Identity, timeout_s: float = TIMEOUT_S
) -> AnyInstrument:
    """The instrument behind a link, not yet opened. Raises `DialectError`."""
    dialect = dialects.load(dialect_name)
    if isinstance(dialect, ImpulseSourceDialect):
        return ScpiImpulseSource(link, dialect, expected, timeout_s)
    if isinstance(dialect, DigitiserDialect):
        return ScpiDigitiser(link, dialect, expected, timeout_s)
    return ScpiLeakageMeter(link, dialect, expected, timeout_s)
