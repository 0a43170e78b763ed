"""SCPI-99 headers: long and short forms, the path after a semicolon, suffix multipliers.

Sources, all instrument manuals: the messages under "Traversing the Command Tree", "The Effect of Optional Headers"
and "Moving Among Subsystems" in the programming guide of the 66lxxA power modules; "Multiple commands in a message"
and "Including Common Commands" in that of the IT7300 series; table 3-2 "Suffix Multipliers" in that of the 53131A
counter; "Reviewing SCPI Syntax Rules" in the manual of the 86120B. That a short form is the first four letters of a
word, or three where the fourth is a vowel and the word is longer than four, is from memory of SCPI-99 volume 1.
"""

import pytest

from simulators.scpi import Boolean, Choice, Command, Identity, Number, ScpiDevice, nr3
from simulators.scpi.parameters import forms, suffix_powers

IDENTITY = Identity("Made-up Instruments", "TD-2", "TD2-0001", "1.0")


class Supply:
    """The part of a supply's command tree that the manuals' examples use; it notes every command that arrives."""

    def __init__(self) -> None:
        self.done: list[str] = []
        headers = ["OUTPut:PROTection:CLEar", "INITiate"]
        numbers = [
            *("OUTPut:PROTection:DELay", "VOLTage[:LEVel]", "VOLTage:PROTection", "VOLTage:TRIGgered"),
            *("CURRent[:LEVel]", "POWer[:LEVel]", "POWer:PROTection"),
        ]
        self.device = ScpiDevice(
            IDENTITY,
            [
                *(Command(header, set=self.note(header)) for header in headers),
                *(Command(header, set=self.note(header), parameters=(Number("V"),)) for header in numbers),
                Command("OUTPut[:STATe]", set=self.note("OUTPut[:STATe]"), parameters=(Boolean(),)),
                Command("CURRent:MODE", set=self.note("CURRent:MODE"), parameters=(Choice("LIST", "FIXed"),)),
                Command(
                    "CURRent:PROTection:STATe",
                    set=self.note("CURRent:PROTection:STATe"),
                    parameters=(Boolean(),),
                ),
                Command("*TRG", set=self.note("*TRG")),
            ],
        )

    def note(self, header: str):  # type: ignore[no-untyped-def]
        return lambda args, suffixes, now_s: self.done.append(header)

    def exchange(self, message: str) -> str:
        self.device.receive(message.encode() + b"\n", 0.0)
        return b"".join(data for _, data in self.device.advance(0.0)).decode().rstrip("\n")


@pytest.mark.parametrize(
    ("message", "done", "reply"),
    [
        (
            "OUTPUT:PROTECTION:CLEAR;DELAY 20",
            ["OUTPut:PROTection:CLEar", "OUTPut:PROTection:DELay"],
            "",
        ),
        ("OUTPUT:PROTECTION:CLEAR;:STATUS:OPERATION:CONDITION?", ["OUTPut:PROTection:CLEar"], "0"),
        (
            "VOLTAGE:LEVEL 7;PROTECTION 8;:CURRENT:LEVEL 3;MODE LIST",
            ["VOLTage[:LEVel]", "VOLTage:PROTection", "CURRent[:LEVel]", "CURRent:MODE"],
            "",
        ),
        (
            "POWer:LEVel 200;PROTection 28; :CURRent:LEVel 3;PROTection:STATe ON",
            ["POWer[:LEVel]", "POWer:PROTection", "CURRent[:LEVel]", "CURRent:PROTection:STATe"],
            "",
        ),
        ("VOLTage:TRIGgered 17.5;:INITialize", ["VOLTage:TRIGgered"], ""),
        ("VOLT:TRIG 7.5;:INIT;*TRG", ["VOLTage:TRIGgered", "INITiate", "*TRG"], ""),
        ("STATus:OPERation?;QUEStionable?", [], "0;0"),
        ("OUTP OFF;PROT:CLE", ["OUTPut[:STATe]"], ""),
        ("OUTP:STAT OFF;PROT:CLE", ["OUTPut[:STATe]", "OUTPut:PROTection:CLEar"], ""),
    ],
)
def test_compound_messages_of_the_manuals(message: str, done: list[str], reply: str) -> None:
    """INITialize is no form of INITiate; OUTP OFF leaves the path at the root, OUTP:STAT OFF at OUTPut."""
    supply = Supply()
    assert supply.exchange(message) == reply
    assert supply.done == done


def test_a_level_without_its_optional_node_takes_the_path_to_the_root() -> None:
    """As OUTP OFF does: after VOLT 7 the word PROT is looked for at the root."""
    supply = Supply()
    supply.exchange("VOLT 7;PROT 8")
    assert supply.done == ["VOLTage[:LEVel]"]
    assert supply.exchange("SYST:ERR?").startswith('-113,"Undefined header')


def test_a_common_command_between_leaves_the_path() -> None:
    supply = Supply()
    supply.exchange("VOLT:LEV 7;*ESE 4;PROT 8")
    assert supply.done == ["VOLTage[:LEVel]", "VOLTage:PROTection"]


def test_neither_long_nor_short_is_an_error() -> None:
    """A manual's own example: in place of SYSTem:PRESet, :SYSTe:PRESe is illegal; here with SYSTem:ERRor?."""
    supply = Supply()
    assert supply.exchange("SYSTe:ERRo?") == ""
    assert supply.exchange(":SYSTem:ERRor?").startswith('-113,"Undefined header')
    assert supply.exchange(":syst:err?") == '0,"No error"'


@pytest.mark.parametrize(
    "notation", ["VOLTage", "CURRent", "FREQuency", "MEASure", "TRIGger", "RESistance", "SENSe", "POWer"]
)
def test_short_forms_follow_the_rule(notation: str) -> None:
    word = notation.upper()
    length = 3 if len(word) > 4 and word[3] in "AEIOU" else 4
    assert forms(notation) == (word[:length], word)


@pytest.mark.parametrize(
    ("multiplier", "factor"),
    [
        *(("EX", 1e18), ("PE", 1e15), ("T", 1e12), ("G", 1e9), ("MA", 1e6), ("K", 1e3)),
        *(("M", 1e-3), ("U", 1e-6), ("N", 1e-9), ("P", 1e-12), ("F", 1e-15), ("A", 1e-18)),
    ],
)
def test_suffix_multipliers(multiplier: str, factor: float) -> None:
    seen: list[float] = []
    device = ScpiDevice(
        IDENTITY,
        [Command("LEVel", set=lambda args, suffixes, now_s: seen.append(args[0]), parameters=(Number("V"),))],
    )
    device.receive(f"LEV 3 {multiplier}V\nLEV 3{multiplier.lower()}v\n".encode(), 0.0)
    assert seen == [pytest.approx(3 * factor, rel=1e-12)] * 2


def test_megahertz_and_megohm_are_the_exceptions() -> None:
    assert (suffix_powers("HZ")["MHZ"], suffix_powers("OHM")["MOHM"], suffix_powers("V")["MV"]) == (6, 6, -3)
    assert suffix_powers("HZ")["MAHZ"] == 6


def test_one_quantity_written_in_several_ways() -> None:
    """The 86120B's list of equal numbers: 28, 0.28E2, 280E-1, 28000m, 0.028K, 28E-3K, here with a unit."""
    seen: list[float] = []
    device = ScpiDevice(
        IDENTITY,
        [Command("LEVel", set=lambda args, suffixes, now_s: seen.append(args[0]), parameters=(Number("V"),))],
    )
    device.receive(b"LEV 28\nLEV 0.28E2\nLEV 280E-1\nLEV 28000mV\nLEV 0.028KV\nLEV 28E-3KV\n", 0.0)
    assert seen == [28.0] * 6
    assert nr3(seen[0], 3) == "+2.80E+01"
