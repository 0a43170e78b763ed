"""What stands around the contacts at a time: source, current, heat, and what the recorder is wired to."""

from __future__ import annotations

from simulators.cell import Cell
from simulators.endurance.cell import PLAN
from simulators.endurance.electrics import CHECK_V, Electrics, steady_a
from simulators.endurance.loads import LoadBuild
from simulators.endurance.press import NO_MAKE, Press
from simulators.endurance.thermal import SHARES, Terminals
from simulators.endurance.wear import SpecimenBuild, Specimens
from simulators.truth import TruthLog

LINK_OHM = 1e-4


class ContactCircuit:
    """Contactors, supply, load, contacts and terminals; the bench presses the contacts."""

    def __init__(self, specimen: SpecimenBuild, load: LoadBuild, specimens: Specimens) -> None:
        self.truth = TruthLog()
        self.cell = Cell(self.truth, PLAN)
        self.specimen = specimen
        self.load = load
        self.electrics = Electrics(load)
        self.specimens = specimens
        self.terminals = Terminals(specimen.kelvin_per_w, specimen.warms_in_s)
        self.connection = "specimen"
        self.celsius = 23.0
        self.humidity = 45.0
        self.volts, self.is_load = 0.0, False
        """True voltage before the contacts (r.m.s. where it alternates), and whether it is the load's supply."""
        self._press: Press | None = None
        self._pressed = False

    def follow_source(self) -> None:
        """Contactors, supply or mains changed."""
        cell = self.cell
        self.is_load = cell.is_closed("load")
        if self.is_load:
            self.volts = self.electrics.load_v() if cell.mains else 0.0
        else:
            self.volts = CHECK_V if cell.is_closed("check") and cell.mains else 0.0

    def source_v(self, now_s: float) -> float:
        """True voltage before the contacts."""
        return self.volts

    def behind_v(self, now_s: float) -> float:
        """True voltage behind the contact of mount 1."""
        volts, _ = self.contact_now(0, now_s)
        return self.volts - volts

    def contact_now(self, mount: int, now_s: float) -> tuple[float, float]:
        """Voltage across the contact of a mount and current through it, steady."""
        if not self.is_closed(mount):
            return self.volts, 0.0
        share = self.electrics.lamps_left(mount) if self.is_load else 1.0
        ohm = self.contact_ohm(mount)
        amperes = share * steady_a(self.load, self.volts, self.is_load, ohm * share)
        return amperes * ohm, amperes

    def is_closed(self, mount: int) -> bool:
        """Whether the contact of a mount conducts."""
        if self.connection == "link" or self.specimens.welded[mount]:
            return True
        return self._pressed and self._press is not None and self._press.outcome_of(mount) != NO_MAKE

    def contact_ohm(self, mount: int) -> float:
        """Resistance of a closed contact."""
        if self.connection == "link":
            return LINK_OHM
        if self._press is not None:
            return self._press.block.ohm[self._press.row][mount]
        return self.specimen.contact_ohm

    @property
    def mounts(self) -> int:
        """How many specimens there are."""
        return self.specimen.mounts

    @property
    def bank(self) -> int:
        """The closed bank of the load, 0 for none."""
        return self.electrics.bank

    @property
    def banks(self) -> int:
        """How many banks the load has."""
        return self.load.banks

    def choose_bank(self, bank: int, now_s: float) -> None:
        """Close one bank and open the others; 0 opens all."""
        if bank != self.electrics.bank:
            self.electrics.choose(bank, now_s)
            self._heat(now_s)

    def temperature_c(self, sensor: int, now_s: float) -> float:
        """Terminals 1 and 2, then the air."""
        if sensor > len(SHARES):
            return self.celsius
        return self.terminals.reads_c(sensor - 1, self.celsius, now_s)

    def _heat(self, now_s: float) -> None:
        """Current begins or ends: terminals and lamps warm up or cool down."""
        volts, amperes = self.contact_now(0, now_s)
        watts = amperes * volts if amperes else 0.0
        self.terminals.heat(watts, now_s)
        if self.electrics.filament is not None:
            self.electrics.heats(amperes > 0 and self.is_load, now_s)
