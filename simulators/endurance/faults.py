"""Everything that can be set on the endurance bench's plant while it runs: what a person does, and what goes wrong."""

from __future__ import annotations

from simulators.contact import CONTACT_FAULTS
from simulators.endurance.gantry import CABLES
from simulators.settings import with_every_device

DEVICES = ("safety_io", "gantry", "recorder")
CONNECTIONS = ("specimen", "link")
ALARMS = ("none", "overload", "lost_steps", "drive_off")
_CONTACT = ", ".join(CONTACT_FAULTS)
_DIVIDER = "no, reads_0, frozen, x<factor>"
_NUMBERS = "never, numbers of cycles: 15002,15003, or with a mount: 40006 mount 2"

HANDS: dict[str, tuple[str, str]] = {
    "connection": ("what stands between the contact's terminals", ", ".join(CONNECTIONS)),
    "specimen": ("fit new specimens of the type on all mounts; cycles count from the start", "new"),
    "guard": ("move the guard, both contacts follow", "closed, open"),
    "emergency_stop": ("press it, or release and reset it", "released, pressed"),
    "mains": ("supply of the whole bench, instruments included", "on, off"),
    "supply": ("supply of the load", "on, off"),
    "lamp": ("put new lamps into all banks", "new"),
    "thermocouple": ("at terminal 1", "on, off"),
    "ambient.temperature": ("air in the cell", "a temperature: 23 degC"),
    "ambient.humidity": ("air in the cell", "a humidity: 45 %"),
    "gantry.cable": ("its serial cable: plugged in, pulled, or back under another name", ", ".join(CABLES)),
}
"""What a person at the bench does, or what happens around it: name -> (what it is, values)."""

TROUBLES: dict[str, tuple[str, str]] = {
    "smoke_detector": ("it sees smoke", "clear, smoke"),
    "guard.a": ("first guard contact; true is closed", _CONTACT),
    "guard.b": ("second guard contact", _CONTACT),
    "emergency_stop.a": ("first emergency stop contact; true is released and reset", _CONTACT),
    "emergency_stop.b": ("second emergency stop contact", _CONTACT),
    "smoke_detector.a": ("contact of the smoke detector; true is clear", _CONTACT),
    "hardware_chain.bridged": ("the interlock chain no longer acts by itself", "no, yes"),
    "contactor.welds": ("a contactor closes as ever and then stays closed", "none, load, check"),
    "contactor.does_not_close": ("a contactor stays open", "none, load, check"),
    "contactor.mirror": ("the load contactor's mirror contact lies", "ok, says_open, says_closed"),
    "brake.fails": ("it stays lifted", "no, yes"),
    "brake.does_not_lift": ("it stays closed", "no, yes"),
    "brake.feedback": ("its auxiliary contact lies", "ok, says_open, says_closed"),
    "supply_divider.fails": ("the independent reading before the contact lies", _DIVIDER),
    "contact_divider.fails": ("the independent reading behind the contact lies", _DIVIDER),
    "gantry.encoder": ("its value no longer changes", "ok, stale"),
    "gantry.encoder_stale": ("its value does not change for a time, from now on", "never, a time: 6 s"),
    "gantry.loses_steps_at_cycle": ("the motor slips in that cycle", "never, cycle:steps: 18250:14"),
    "gantry.loses_steps": ("the motor slips now", "never, a number of steps: 14"),
    "gantry.limit_switch": ("a limit switch is held", "ok, pressed"),
    "gantry.alarm": ("its drive has an alarm now; a person acknowledges it", ", ".join(ALARMS)),
    "gantry.identity": ("another make of device answers where it should be", "own, foreign"),
    "recorder.misses_trigger": ("it waits and does not see the make", "no, yes, next"),
    "specimen.welds_at_cycle": ("its contact makes in that cycle and stays closed", _NUMBERS),
    "specimen.fails_to_make_at": ("its contact does not make in those cycles", _NUMBERS),
    "specimen.bounces": ("all bounce longer", "x1, x<factor>: x1.5"),
    "specimen.drop": ("all contacts have more resistance", "x1, x<factor>: x2"),
    "specimen.drop_grows_from": (
        "from that cycle on the drop grows towards three times its value",
        "never, a cycle: 12000",
    ),
    "lamp.burns": (
        "one lamp of a bank goes in that cycle",
        "never, bank at cycle: 3 at 7204, or with a mount: 3 at 7204 mount 2",
    ),
    "supply.dips_at_cycle": ("the load's supply is low in that cycle", "never, cycle:part: 9911:86 %"),
    "thermocouple.falls_off_at_cycle": ("at terminal 1", "never, a cycle: 9000"),
    "at_cycle": ("set anything in that cycle, at its make", "never, cycle name=value: 31417 mains=off"),
    "safety_io.watchdog": ("it no longer expires", "ok, dead"),
}
"""What goes wrong by itself: name -> (what it does, values); the first value is that of a sound bench."""

FAULTS = with_every_device(DEVICES, HANDS, TROUBLES)
"""Every name that can be set."""
