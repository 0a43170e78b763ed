"""A bench's safety hardware: input contacts, contactors, relays, lamps, and the interlock chain that needs no software.

The chain: with one of its contacts open the contactors drop and what was lifted closes, whatever the coils say. It
latches: outputs come back only when the chain is whole again and all their coils have been off.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from simulators.contact import Contact
from simulators.relay import Relay
from simulators.truth import TruthLog

SIGNALS = ("lamp red", "lamp green", "horn")


@dataclass(frozen=True, slots=True)
class RelayPlan:
    """A relay and the coil that drives it; a lifted one is closed at rest, and its coil opens it."""

    coil: int
    closes_in_s: float
    opens_in_s: float
    is_lifted: bool = False


@dataclass(frozen=True, slots=True)
class CellPlan:
    """What one bench's cell consists of. Coils: those of the relays first, then red, green and horn."""

    switching_coils: tuple[str, ...]
    relays: dict[str, RelayPlan]
    contacts: tuple[str, ...]
    """Input contacts in the order of their addresses, each `thing.channel`; behind them stand the relays' feedbacks."""
    chain: tuple[str, ...]

    @property
    def coils(self) -> tuple[str, ...]:
        """All coils in the order of their addresses."""
        return (*self.switching_coils, *SIGNALS)

    @property
    def inputs(self) -> tuple[str, ...]:
        """All discrete inputs in the order of their addresses."""
        said = {name: "closed" if relay.is_lifted else "open" for name, relay in self.relays.items()}
        return (*self.contacts, *[f"{name}_{word}" for name, word in said.items()])


class Cell:
    """Everything between the safety controller's terminals and the power circuit."""

    def __init__(self, truth: TruthLog, plan: CellPlan) -> None:
        self.plan = plan
        self.switching = len(plan.switching_coils)
        self.coils: tuple[bool, ...] = (False,) * len(plan.coils)
        self.mains = True
        self.bridged = False
        self.latched = False
        self.placed = dict.fromkeys([name.partition(".")[0] for name in plan.contacts], True)
        self.relays = {
            name: Relay(name, one.is_lifted, one.closes_in_s, one.opens_in_s)
            for name, one in plan.relays.items()
        }
        self.contacts = {name: Contact(name, closed=True) for name in plan.contacts}
        self._driven = [(self.relays[name], one.coil, one.is_lifted) for name, one in plan.relays.items()]
        self._truth = truth
        self._lamps = self._signals()
        self.due_s = math.inf
        """When something moves by itself, as of the last `settle`."""

    def is_closed(self, relay: str) -> bool:
        """The true state of a relay's main contacts."""
        return self.relays[relay].closed

    def place(self, thing: str, safe: bool) -> None:
        """A person moves a door, a stick, an emergency stop or a switch; its contacts follow."""
        self.placed[thing] = safe
        for name, contact in self.contacts.items():
            if name.startswith(thing + "."):
                contact.follow(safe)

    def command(self, coils: Sequence[bool], now_s: float, by: str) -> None:
        """The safety controller's outputs changed, or were written again."""
        self.coils = tuple(coils)
        self._truth.note(now_s, "coils", by=by, **dict(zip(self.plan.coils, self.coils, strict=True)))
        self.settle(now_s)

    def settle(self, now_s: float) -> None:
        """Drive every relay as the coils, the chain and the mains now have it."""
        self._watch_chain(now_s)
        allowed = self.mains and not self.latched
        for relay, coil, is_lifted in self._driven:
            relay.drive((allowed and self.coils[coil]) != is_lifted, now_s)
        self._note_lamps(now_s)
        relays_s = min([relay.moves_at_s for relay in self.relays.values()])
        contacts_s = min([contact.next_due_s(now_s) for contact in self.contacts.values()])
        self.due_s = min(relays_s, contacts_s)

    def advance(self, now_s: float) -> None:
        """Contacts arrive, inputs change by themselves."""
        for relay in self.relays.values():
            if relay.advance(now_s):
                state = "closed" if relay.closed else "open"
                self._truth.note(now_s, "contactor", name=relay.name, state=state)
        self.settle(now_s)

    def discrete_inputs(self, now_s: float) -> tuple[bool, ...]:
        """What the safety controller reads, in the order of the plan's inputs."""
        return (
            *[contact.value(now_s) for contact in self.contacts.values()],
            *[relay.says_closed() == is_lifted for relay, _, is_lifted in self._driven],
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
        return all(self.contacts[name].value(now_s) for name in self.plan.chain)

    def _watch_chain(self, now_s: float) -> None:
        whole = self.bridged or self.chain_is_whole(now_s)
        if not whole and not self.latched:
            self.latched = True
            self._truth.note(now_s, "hardware_chain", state="open")
        elif whole and self.latched and not any(self.coils[: self.switching]):
            self.latched = False
            self._truth.note(now_s, "hardware_chain", state="closed")

    def _signals(self) -> tuple[bool, bool, bool]:
        red, green, horn = self.coils[self.switching :]
        return red and self.mains, green and self.mains, horn and self.mains

    def _note_lamps(self, now_s: float) -> None:
        signals = self._signals()
        if signals != self._lamps:
            self._lamps = signals
            self._truth.note(now_s, "lamps", red=signals[0], green=signals[1], horn=signals[2])
