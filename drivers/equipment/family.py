"""The instrument for a dialect, and the serial line's format that goes with it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers import dialects
from drivers.dialects.shapes import (
    ActuatorDialect,
    ContactRecorderDialect,
    DigitiserDialect,
    ImpulseSourceDialect,
)
from drivers.equipment.actuator import MotionActuator, MotionRules
from drivers.equipment.contact_recorder import ScpiContactRecorder
from drivers.equipment.digitiser import ScpiDigitiser
from drivers.equipment.impulse_source import ScpiImpulseSource
from drivers.equipment.leakage_meter import ScpiLeakageMeter
from drivers.equipment.linked import TIMEOUT_S
from drivers.equipment.protocols import Identity
from drivers.links.base import Link

if TYPE_CHECKING:
    from drivers.links.serial import SerialSettings

AnyInstrument = ScpiImpulseSource | ScpiDigitiser | ScpiLeakageMeter | MotionActuator | ScpiContactRecorder


def instrument_for(
    dialect_name: str,
    link: Link,
    expected: Identity,
    timeout_s: float = TIMEOUT_S,
    *,
    motion: MotionRules | None = None,
) -> AnyInstrument:
    """The instrument behind a link, not yet opened; `motion` is of an actuator. Raises `DialectError`."""
    dialect = dialects.load(dialect_name)
    if isinstance(dialect, ImpulseSourceDialect):
        return ScpiImpulseSource(link, dialect, expected, timeout_s)
    if isinstance(dialect, DigitiserDialect):
        return ScpiDigitiser(link, dialect, expected, timeout_s)
    if isinstance(dialect, ActuatorDialect):
        return MotionActuator(link, dialect, expected, timeout_s, motion)
    if isinstance(dialect, ContactRecorderDialect):
        return ScpiContactRecorder(link, dialect, expected, timeout_s)
    return ScpiLeakageMeter(link, dialect, expected, timeout_s)


def line_of(dialect_name: str) -> SerialSettings | None:
    """The serial line's format, for `transport_to(resource, line=...)`; None where the dialect says none.

    A resource that is no serial line has no use for it. Raises `DialectError`.
    """
    dialect = dialects.load(dialect_name)
    if not isinstance(dialect, ActuatorDialect):
        return None
    from drivers.links.serial import SerialSettings  # late: pyserial is needed on serial lines alone

    line = dialect.serial
    return SerialSettings(line.baud, line.data_bits, line.parity, line.stop_bits)
