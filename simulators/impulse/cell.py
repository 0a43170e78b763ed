"""The cell's safety hardware: contacts, contactors, discharge, earth, and the interlock chain that needs no software.

The chain: with the door open or the emergency stop pressed (either contact of either) the contactors drop, the
discharge and the earth close, whatever the coils say. It latches: outputs come back only when the chain is whole
again and all their coils have been off.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from simulators.contact import Contact
from simulators.relay import Relay
from simulators.truth import TruthLog

COILS = ("high_voltage", "lift discharge", "lift earth", "leakage", "lamp red", "lamp green", "horn")
SWITCHING_COILS = 4
INPUTS = (
    "door.a",
    "door.b",
    "earthing_stick_home.a",
    "emergency_stop.a",
    "emergency_stop.b",
    "exhaust.a",
    "high_voltage_open",
    "leakage_open",
    "discharge_closed",
    "earth_closed",
)
"""The discrete inputs in the order of their addresses."""
CHAIN = ("door.a", "door.b", "emergency_stop.a", "emergency_stop.b")


class Cell:
    """Everything between the safety controller's terminals and the power circuit."""

    def __init__(self, truth: TruthLog) -> None:
        self.coils: tuple[bool, ...] = (False,) * len(COILS)
        self.mains = True
        self.bridged = False
        self.latched = False
        self.placed = {"door": True, "earthing_stick_home": True, "emergency_stop": True, "exhaust": True}
        self.relays = {
            "high_voltage": Relay("high_voltage", closed=False, closes_in_s=0.030, opens_in_s=0.020),
            "leakage": Relay("leakage", closed=False, closes_in_s=0.020, opens_in_s=0.015),
            "discharge": Relay("discharge", closed=True, closes_in_s=0.035, opens_in_s=0.030),
            "earth": Relay("earth", closed=True, closes_in_s=0.040, opens_in_s=0.035),
        }
        self.contacts = {name: Contact(name, closed=True) for name in INPUTS[:6]}
        self._truth = truth
        self._lamps = self._signals()
        self.due_s = math.inf
        """When something moves by itself, as of the last `settle`."""

    def is_closed(self, relay: str) -> bool:
        """The true state of a relay's main contacts."""
        return self.relays[relay].closed

    def place(self, thing: str, safe: bool) -> None:
        """A person moves the door, the stick, the emergency stop or the exhaust's switch; its contacts follow."""
        self.placed[thing] = safe
        for name, contact in self.contacts.items():
            if name.startswith(thing + "."):
                contact.follow(safe)

    def command(self, coils: Sequence[bool], now_s: float, by: str) -> None:
        """The safety controller's outputs changed, or were written again."""
        self.coils = tuple(coils)
        self._truth.note(now_s, "coils", by=by, **dict(zip(COILS, self.coils, strict=True)))
        self.settle(now_s)

    def settle(self, now_s: float) -> None:
        """Drive every relay as the coils, the chain and the mains now have it."""
        self._watch_chain(now_s)
        high_voltage, lift_discharge, lift_earth, leakage = self.coils[:SWITCHING_COILS]
        allowed = self.mains and not self.latched
        self.relays["high_voltage"].drive(allowed and high_voltage, now_s)
        self.relays["leakage"].drive(allowed and leakage, now_s)
        self.relays["discharge"].drive(not (allowed and lift_discharge), now_s)
        self.relays["earth"].drive(not (allowed and lift_earth), now_s)
        self._note_lamps(now_s)
        relays_s = min([relay.moves_at_s for relay in self.relays.values()])
        contacts_s = min([contact.next_due_s(now_s) for contact in self.contacts.values()])
        self.due_s = min(relays_s, contacts_s)

    def advance(self, now_s: float) -> None:
        """Contacts arrive, inputs change by themselves."""
        for relay in self.relays.values():
            if relay.advance(now_s):
                self._truth.note(
                    now_s, "contactor", name=relay.name, state="closed" if relay.closed else "open"
                )
        self.settle(now_s)

    def discrete_inputs(self, now_s: float) -> tuple[bool, ...]:
        """What the safety controller reads, in the order of INPUTS."""
        relays = self.relays
        return (
            *[contact.value(now_s) for contact in self.contacts.values()],
            not relays["high_voltage"].says_closed(),
            not relays["leakage"].says_closed(),
            relays["discharge"].says_closed(),
            relays["earth"].says_closed(),
        )

    def lamp(self) -> str:
        """What shines over the door: red, green, red and green, or none."""
        red, green, _ = self._lamps
        return " and ".join(word for word, on in (("red", red), ("green", green)) if on) or "none"

    def horn(self) -> bool:
        """Whether the horn sounds."""
        return self._lamps[2]

    def chain_is_whole(self, now_s: float) -> bool:
        """Whether all contacts of the chain are closed."""
        return all(self.contacts[name].value(now_s) for name in CHAIN)

    def _watch_chain(self, now_s: float) -> None:
        whole = self.bridged or self.chain_is_whole(now_s)
        if not whole and not self.latched:
            self.latched = True
            self._truth.note(now_s, "hardware_chain", state="open")
        elif whole and self.latched and not any(self.coils[:SWITCHING_COILS]):
            self.latched = False
            self._truth.note(now_s, "hardware_chain", state="closed")

    def _signals(self) -> tuple[bool, bool, bool]:
        red, green, horn = self.coils[SWITCHING_COILS:]
        return red and self.mains, green and self.mains, horn and self.mains

    def _note_lamps(self, now_s: float) -> None:
        signals = self._signals()
        if signals != self._lamps:
            self._lamps = signals
            self._truth.note(now_s, "lamps", red=signals[0], green=signals[1], horn=signals[2])
