"""An IEEE 488.2 / SCPI-99 device core without I/O, on which the simulated instruments are built."""

from simulators.scpi.blocks import definite_block
from simulators.scpi.device import Identity, Operation, ScpiDevice
from simulators.scpi.errors import EventBit, ScpiError
from simulators.scpi.formats import boolean, nr1, nr3, quoted
from simulators.scpi.headers import Args, Command, Later, Suffixes
from simulators.scpi.parameters import Block, Boolean, Choice, Integer, Number, Text
from simulators.scpi.status import OperationBit, QuestionableBit, Register, Status, StatusBit

__all__ = [
    "Args",
    "Block",
    "Boolean",
    "Choice",
    "Command",
    "EventBit",
    "Identity",
    "Integer",
    "Later",
    "Number",
    "Operation",
    "OperationBit",
    "QuestionableBit",
    "Register",
    "ScpiDevice",
    "ScpiError",
    "Status",
    "StatusBit",
    "Suffixes",
    "Text",
    "boolean",
    "definite_block",
    "nr1",
    "nr3",
    "quoted",
]
