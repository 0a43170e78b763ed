"""An impulse source by its dialect."""

from __future__ import annotations

from drivers import scpi
from drivers.dialects.shapes import ImpulseSourceDialect
from drivers.equipment.instrument import TIMEOUT_S, ScpiInstrument, one_deadline
from drivers.equipment.off import OffWrite
from drivers.equipment.protocols import Identity, ImpulseSource, Polarity
from drivers.links.base import Link


class ScpiImpulseSource(ScpiInstrument, ImpulseSource):
    """`ImpulseSource` over SCPI."""

    def __init__(
        self, link: Link, dialect: ImpulseSourceDialect, expected: Identity, timeout_s: float = TIMEOUT_S
    ) -> None:
        off = OffWrite(link, dialect.off.messages, dialect.off.question, dialect.off.answer)
        super().__init__(link, expected, off, timeout_s, dialect.compound_messages)
        self.dialect = dialect

    @one_deadline
    def prepare(self, voltage_v: float, polarity: Polarity) -> None:
        """Trigger inhibited, polarity, charging voltage, trigger by command. Does not charge."""
        headers, words = self.dialect.headers, self.dialect.words
        self.send_settings(
            "prepare",
            headers.inhibit_trigger,
            scpi.message(
                headers.polarity, {"positive": words.positive, "negative": words.negative}[polarity]
            ),
            scpi.message(headers.voltage, scpi.number_text(voltage_v)),
            scpi.message(headers.trigger_source, words.by_command),
        )

    @one_deadline
    def read_back(self) -> dict[str, float | str]:
        """`voltage_v`, `polarity`, `trigger_source` (command, or its own word), `output` (on, off)."""
        headers = self.dialect.headers
        voltage_v, polarity, source, output = self.ask_and_check(
            "read back",
            scpi.query(headers.voltage),
            scpi.query(headers.polarity),
            scpi.query(headers.trigger_source),
            scpi.query(headers.output),
        )
        return {
            "voltage_v": self.number_in(voltage_v),
            "polarity": self.word_in(polarity, self._polarities()),
            "trigger_source": self.word_in(source, self._trigger_sources()),
            "output": "on" if self.switch_in(output) else "off",
        }

    @one_deadline
    def read_back_for_trigger(self) -> dict[str, str]:
        """`polarity` and `trigger_source` once more."""
        headers = self.dialect.headers
        polarity, source = self.ask_together(scpi.query(headers.polarity), scpi.query(headers.trigger_source))
        return {
            "polarity": self.word_in(polarity, self._polarities()),
            "trigger_source": self.word_in(source, self._trigger_sources()),
        }

    def _polarities(self) -> dict[str, str]:
        return {"positive": self.dialect.words.positive, "negative": self.dialect.words.negative}

    def _trigger_sources(self) -> dict[str, str]:
        return {"command": self.dialect.words.by_command}

    @one_deadline
    def charge(self) -> None:
        """Start charging. Never tried again: a lost reply means it charges."""
        self.send("charge", scpi.message(self.dialect.headers.output, scpi.switch_text(True)))

    @one_deadline
    def charge_voltage_v(self) -> float:
        """The store's voltage as the instrument reads it."""
        return self.ask_number(scpi.query(self.dialect.headers.charge_voltage))

    @one_deadline
    def charging(self) -> bool:
        """Whether it still charges towards the set-point."""
        return self.ask_bit(self.dialect.headers.status, self.dialect.bits.charging)

    @one_deadline
    def enable_trigger(self) -> None:
        """From here a trigger fires it."""
        self.send("enable trigger", self.dialect.headers.enable_trigger)

    @one_deadline
    def waiting_for_trigger(self) -> bool:
        """Whether a trigger would fire it."""
        return self.ask_bit(self.dialect.headers.status, self.dialect.bits.waiting)

    @one_deadline
    def trigger(self) -> None:
        """Fire. Never tried again: whatever this raises, assume that it fired."""
        self.send("trigger", self.dialect.headers.trigger)

    @one_deadline
    def inhibit_trigger(self) -> None:
        """No trigger fires it any more."""
        self.send("inhibit trigger", self.dialect.headers.inhibit_trigger)

    @one_deadline
    def off(self) -> None:
        """Trigger inhibited, charging off, internal discharge closed."""
        self.send("off", *self.dialect.off.messages)
