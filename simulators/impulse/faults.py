"""Everything that can be set on the impulse bench's plant while it runs: what a person does, and what goes wrong."""

from __future__ import annotations

from simulators.contact import CONTACT_FAULTS
from simulators.impulse.cloth import STATES
from simulators.settings import with_every_device

DEVICES = ("generator", "digitiser_v", "digitiser_i", "meter", "safety_io")
_CONTACT = ", ".join(CONTACT_FAULTS)

HANDS: dict[str, tuple[str, str]] = {
    "connection": ("what is on the generator's terminals", "open, link, specimen"),
    "specimen": ("fit a new specimen of the type", "new"),
    "cloth": ("lay a fresh cloth, take it away, or set what has become of it", "fresh, " + ", ".join(STATES)),
    "door": ("move the door, both contacts follow", "closed, open"),
    "earthing_stick": ("hang the stick on its hook or take it off", "home, away"),
    "emergency_stop": ("press it, or release and reset it", "released, pressed"),
    "exhaust": ("the exhaust air", "running, stopped"),
    "mains": ("supply of the whole bench, instruments included", "on, off"),
    "ambient.temperature": ("air in the cell", "a temperature: 23 degC"),
    "ambient.humidity": ("air in the cell", "a humidity: 45 %"),
    "generator.front_panel.voltage": ("turn the set-point at the generator's front", "a voltage: 1500 V"),
    "generator.front_panel.output": ("press output at the generator's front", "on, off"),
    "generator.front_panel.polarity": ("turn the polarity at the generator's front", "positive, negative"),
    "digitiser_v.front_panel.range": ("turn the range at the front", "a voltage: 0.4 V"),
    "digitiser_i.front_panel.range": ("turn the range at the front", "a voltage: 1 V"),
}
"""What a person at the bench does: name -> (what it is, values)."""

TROUBLES: dict[str, tuple[str, str]] = {
    "door.a": ("first door contact; true is closed", _CONTACT),
    "door.b": ("second door contact", _CONTACT),
    "earthing_stick_home.a": ("contact of the stick's hook", _CONTACT),
    "emergency_stop.a": ("first emergency stop contact; true is released and reset", _CONTACT),
    "emergency_stop.b": ("second emergency stop contact", _CONTACT),
    "exhaust.a": ("contact of the air flow switch", _CONTACT),
    "hardware_chain.bridged": ("the interlock chain no longer acts by itself", "no, yes"),
    "contactor.welds": ("a contactor closes as ever and then stays closed", "none, high_voltage, leakage"),
    "contactor.does_not_close": ("a contactor stays open", "none, high_voltage, leakage"),
    "contactor.mirror": ("the high-voltage contactor's mirror contact lies", "ok, says_open, says_closed"),
    "discharge.fails": ("it stays open; or it closes and its resistor is burnt", "no, yes, resistor"),
    "discharge.does_not_lift": ("it stays closed", "no, yes"),
    "discharge.feedback": ("its auxiliary contact lies", "ok, says_open, says_closed"),
    "earth.fails": ("it stays open", "no, yes"),
    "earth.does_not_lift": ("it stays closed", "no, yes"),
    "earth.feedback": ("its auxiliary contact lies", "ok, says_open, says_closed"),
    "store_divider.fails": ("the independent reading of the store lies", "no, reads_0, frozen, x<factor>"),
    "terminals_divider.fails": (
        "the independent reading of the terminals lies",
        "no, reads_0, frozen, x<factor>",
    ),
    "voltage_probe.ratio": ("the probe's switch stands at another ratio", "a number: 100"),
    "voltage_probe.cable": ("its cable to the digitiser", "on, off"),
    "current_probe.ratio": ("amperes for one volt at the digitiser", "a number: 200"),
    "current_probe.cable": ("its cable to the digitiser", "on, off"),
    "generator.voltage_read_back": ("what it measures on its store is wrong", "x<factor>: x0.96"),
    "generator.charges_to": ("its regulator stops beside the set-point", "x<factor>: x1.05"),
    "generator.does_not_charge": ("its supply is dead", "no, yes"),
    "generator.does_not_fire": ("its switch does not close on a trigger", "no, yes"),
    "generator.dump_fails": ("its internal dump relay stays open", "no, yes"),
    "generator.leftover": ("the switch goes out early and leaves this on the store", "a voltage: 300 V"),
    "generator.self_triggers_at": (
        "it fires once without command, when charging passes this voltage or at once",
        "never, now, a voltage: 1200 V, 1200 V after shot 5 (of the specimen)",
    ),
    "digitiser_v.waiting_bit": ("operation bit 5 is stuck", "ok, stuck_0, stuck_1"),
    "digitiser_i.waiting_bit": ("operation bit 5 is stuck", "ok, stuck_0, stuck_1"),
    "digitiser_v.misses_trigger": ("it waits and does not see the trigger", "no, yes, next"),
    "digitiser_i.misses_trigger": ("it waits and does not see the trigger", "no, yes, next"),
    "digitiser_v.stalls": ("an acquisition stops before it waits for its trigger", "no, yes"),
    "digitiser_i.stalls": ("an acquisition stops before it waits for its trigger", "no, yes"),
    "digitiser_v.gain": ("gain error of its front end", "x<factor>: x1.02"),
    "digitiser_i.gain": ("gain error of its front end", "x<factor>: x1.02"),
    "meter.reads": ("the meter reads wrong", "x<factor>: x0.5"),
    "specimen.limits_at": ("this specimen's limiting voltage is off", "x<factor>: x1.1"),
    "specimen.leaks": ("this specimen leaks more", "x<factor>: x2.5"),
    "specimen.fails_at_shot": ("it breaks down in its shot of that number", "never, a number: 9"),
    "cloth.glows_at_shot": ("it glows after the specimen's shot of that number", "never, a number: 8"),
    "cloth.glow_delay": ("from that shot to the glow", "a time: 4 s"),
    "cloth.burns_at_shot": ("it burns after the specimen's shot of that number", "never, a number: 8"),
    "safety_io.watchdog": ("it no longer expires", "ok, dead"),
}
"""What goes wrong by itself: name -> (what it does, values); the first value is that of a sound bench."""

FAULTS = with_every_device(DEVICES, HANDS, TROUBLES)
"""Every name that can be set."""
