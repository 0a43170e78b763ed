"""An invented instrument on the SCPI device core, with every kind of parameter, for the tests of the core."""

from collections.abc import Callable
from typing import Any

from simulators.scpi import (
    Args,
    Block,
    Boolean,
    Choice,
    Command,
    Identity,
    Integer,
    Number,
    Operation,
    ScpiDevice,
    ScpiError,
    Suffixes,
    Text,
    boolean,
    nr1,
    nr3,
    quoted,
)
from simulators.scpi.headers import Query, Setter

IDENTITY = Identity("Made-up Instruments", "TD-1", "TD1-0001", "1.0")
IDENTITY_REPLY = b"Made-up Instruments,TD-1,TD1-0001,1.0\n"


class Instrument:
    """The instrument that tests/golden/scpi_messages.yaml describes."""

    def __init__(self, **device_options: Any) -> None:
        self.kept: dict[str, Any] = {}
        self.device = ScpiDevice(
            IDENTITY, self.commands(), on_reset=self.on_reset, on_abort=self.on_abort, **device_options
        )
        self.acquisition: Operation | None = None

    def exchange(self, message: bytes, now_s: float = 0.0) -> bytes:
        """Send bytes and give the responses due at once."""
        self.device.receive(message, now_s)
        return b"".join(data for _, data in self.device.advance(now_s))

    def on_reset(self, now_s: float) -> None:
        self.kept.clear()
        self.acquisition = None

    def on_abort(self, now_s: float) -> None:
        self.acquisition = None

    def commands(self) -> list[Command]:
        volts = Number("V", lowest=0.1, highest=1000.0, default=10.0)
        return [
            self.setting("[SENSe#:]VOLTage[:DC]:RANGe[:UPPer]", volts, 10.0, short_nr3, highest=(4,)),
            self.setting("[SENSe#:]VOLTage[:DC]:OFFSet", Number("V", -10, 10), 0.0, short_nr3, highest=(4,)),
            self.setting("TRIGger[:SEQuence]:SOURce", Choice("IMMediate", "EXTernal", "BUS"), "IMM", str),
            self.setting("TRIGger:COUNt", Integer(lowest=1, highest=1000), 1, nr1),
            self.setting("TRIGger:DELay", Number("S", 0.0, 10.0), 0.0, short_nr3),
            self.setting("SAMPle:RATE", Number("HZ", 1.0, 1e9), 1e6, short_nr3),
            self.setting("RESistance:LOAD", Number("OHM", 0.0, 1e9), 50.0, short_nr3),
            self.setting("OUTPut[:STATe]", Boolean(), False, boolean),
            self.setting("DISPlay:TEXT", Text(longest=12), "", quoted),
            self.setting("DATA:PATTern", Block(longest=16), b"", bytes),
            Command("CALCulate:LIMit", set=self.ignore, parameters=(Number(), Number(optional=True))),
            Command("INITiate[:IMMediate]", set=self.initiate),
            Command("*TRG", set=self.trigger),
            Command(
                "SIMulate:OPERation",
                set=self.operation,
                parameters=(Integer(lowest=0, highest=14), Boolean()),
            ),
            Command(
                "SIMulate:QUEStionable",
                set=self.questionable,
                parameters=(Integer(lowest=0, highest=14), Boolean()),
            ),
            Command("SIMulate:ERRor", set=self.error, parameters=(Integer(),)),
        ]

    def setting(
        self,
        header: str,
        parameter: Any,
        usual: Any,
        reply: Callable[[Any], str | bytes],
        highest: tuple[int, ...] = (),
    ) -> Command:
        """A value that is set and read back, one for each numeric suffix."""

        def put(args: Args, suffixes: Suffixes, now_s: float) -> None:
            self.kept[f"{header}{suffixes}"] = args[0]

        def get(args: Args, suffixes: Suffixes, now_s: float) -> str | bytes:
            return reply(self.kept.get(f"{header}{suffixes}", usual))

        setter: Setter = put
        query: Query = get
        return Command(header, set=setter, query=query, parameters=(parameter,), highest_suffixes=highest)

    def ignore(self, args: Args, suffixes: Suffixes, now_s: float) -> None:
        """Limits are taken and not used."""

    def initiate(self, args: Args, suffixes: Suffixes, now_s: float) -> None:
        if self.acquisition is not None:
            raise ScpiError(-213)
        self.acquisition = self.device.begin_operation()

    def trigger(self, args: Args, suffixes: Suffixes, now_s: float) -> None:
        if self.acquisition is None:
            raise ScpiError(-211)
        self.device.end_operation(self.acquisition, now_s)
        self.acquisition = None

    def operation(self, args: Args, suffixes: Suffixes, now_s: float) -> None:
        self.device.status.operation.set_condition(args[0], args[1])

    def questionable(self, args: Args, suffixes: Suffixes, now_s: float) -> None:
        self.device.status.questionable.set_condition(args[0], args[1])

    def error(self, args: Args, suffixes: Suffixes, now_s: float) -> None:
        try:
            self.device.error(args[0])
        except ValueError as error:  # a number of no class
            raise ScpiError(-222) from error


def short_nr3(value: float) -> str:
    return nr3(value, digits=3)
