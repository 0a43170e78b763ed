"""A leakage meter by its dialect."""

from __future__ import annotations

from drivers import scpi
from drivers.dialects.shapes import LeakageMeterDialect
from drivers.equipment.instrument import TIMEOUT_S, ScpiInstrument, one_deadline
from drivers.equipment.off import OffWrite
from drivers.equipment.protocols import Identity, LeakageMeter
from drivers.links.base import Link


class ScpiLeakageMeter(ScpiInstrument, LeakageMeter):
    """`LeakageMeter` over SCPI."""

    def __init__(
        self, link: Link, dialect: LeakageMeterDialect, expected: Identity, timeout_s: float = TIMEOUT_S
    ) -> None:
        off = OffWrite(link, dialect.off.messages, dialect.off.question, dialect.off.answer)
        super().__init__(link, expected, off, timeout_s, dialect.compound_messages)
        self.dialect = dialect

    @one_deadline
    def prepare(self, voltage_v: float, range_a: float) -> None:
        """Output off, voltage, current range."""
        headers = self.dialect.headers
        self.send_settings(
            "prepare",
            scpi.message(headers.output, scpi.switch_text(False)),
            scpi.message(headers.voltage, scpi.number_text(voltage_v)),
            scpi.message(headers.range, scpi.number_text(range_a)),
        )

    @one_deadline
    def read_back(self) -> dict[str, float | str]:
        """`voltage_v`, `range_a`, `output` (on, off)."""
        headers = self.dialect.headers
        voltage_v, range_a, output = self.ask_and_check(
            "read back",
            scpi.query(headers.voltage),
            scpi.query(headers.range),
            scpi.query(headers.output),
        )
        return {
            "voltage_v": self.number_in(voltage_v),
            "range_a": self.number_in(range_a),
            "output": "on" if self.switch_in(output) else "off",
        }

    @one_deadline
    def on(self) -> None:
        """Apply the voltage. Never tried again: a lost reply means it is on."""
        self.send("on", scpi.message(self.dialect.headers.output, scpi.switch_text(True)))

    @one_deadline
    def current_a(self) -> float:
        """One reading in amperes; infinite where the meter is overloaded, not a number where it has none."""
        return self.ask_number(scpi.query(self.dialect.headers.current))

    @one_deadline
    def off(self) -> None:
        """Remove the voltage."""
        self.send("off", *self.dialect.off.messages)
