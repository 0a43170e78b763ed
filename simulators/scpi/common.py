"""The commands every SCPI-99 device has: the common ones of IEEE 488.2, SYSTem, STATus, ABORt."""

from collections.abc import Callable
from typing import Protocol

from simulators.scpi.errors import ErrorQueue
from simulators.scpi.formats import nr1
from simulators.scpi.headers import Args, Command, Later, Query, Suffixes
from simulators.scpi.parameters import Integer
from simulators.scpi.status import REGISTER_BITS, Register, Status

SCPI_VERSION = "1999.0"
SERVICE_BITS = 0xBF
"""*SRE keeps every bit but 6, which is the summary of the others."""

_BYTE = (Integer(lowest=0, highest=255, names=False),)
_WORD = (Integer(lowest=0, highest=65_535, names=False),)


class _Identity(Protocol):
    def reply(self) -> str: ...


class Core(Protocol):
    """What the standard commands need of their device."""

    @property
    def identity(self) -> _Identity: ...
    @property
    def status(self) -> Status: ...
    @property
    def errors(self) -> ErrorQueue: ...
    @property
    def operation_pending(self) -> bool: ...
    def clear_status(self) -> None: ...
    def reset(self, now_s: float) -> None: ...
    def abort(self, now_s: float) -> None: ...
    def report_complete(self) -> None: ...
    def status_byte(self, now_s: float) -> int: ...
    @property
    def self_test(self) -> Callable[[float], int]: ...


def standard_commands(core: Core) -> list[Command]:
    """The commands, bound to their device."""
    return [
        *_common(core),
        *_synchronising(core),
        *_system(core),
        *_register("STATus:OPERation", core.status.operation),
        *_register("STATus:QUEStionable", core.status.questionable),
        Command("STATus:PRESet", set=lambda args, suffixes, now_s: core.status.preset()),
        Command("ABORt", set=lambda args, suffixes, now_s: core.abort(now_s)),
    ]


def _common(core: Core) -> list[Command]:
    status = core.status

    def enable_events(args: Args, suffixes: Suffixes, now_s: float) -> None:
        status.events_enabled = args[0]

    def enable_service(args: Args, suffixes: Suffixes, now_s: float) -> None:
        status.service_enabled = args[0] & SERVICE_BITS

    return [
        Command("*CLS", set=lambda args, suffixes, now_s: core.clear_status()),
        Command("*ESE", set=enable_events, query=_plain(lambda: status.events_enabled), parameters=_BYTE),
        Command("*ESR", query=_plain(status.read_events)),
        Command("*IDN", query=lambda args, suffixes, now_s: core.identity.reply(), ends_replies=True),
        Command("*RST", set=lambda args, suffixes, now_s: core.reset(now_s)),
        Command("*SRE", set=enable_service, query=_plain(lambda: status.service_enabled), parameters=_BYTE),
        Command("*STB", query=lambda args, suffixes, now_s: nr1(core.status_byte(now_s))),
        Command("*TST", query=lambda args, suffixes, now_s: nr1(core.self_test(now_s))),
    ]


def _synchronising(core: Core) -> list[Command]:
    def complete(args: Args, suffixes: Suffixes, now_s: float) -> str | Later:
        return Later(lambda at_s: "1") if core.operation_pending else "1"

    def wait(args: Args, suffixes: Suffixes, now_s: float) -> Later | None:
        return Later(lambda at_s: None) if core.operation_pending else None

    return [
        Command("*OPC", set=lambda args, suffixes, now_s: core.report_complete(), query=complete),
        Command("*WAI", set=wait),
    ]


def _system(core: Core) -> list[Command]:
    errors = core.errors
    return [
        Command("SYSTem:ERRor[:NEXT]", query=lambda args, suffixes, now_s: errors.pop()),
        Command("SYSTem:ERRor:ALL", query=lambda args, suffixes, now_s: errors.pop_all()),
        Command("SYSTem:ERRor:COUNt", query=_plain(lambda: len(errors))),
        Command("SYSTem:VERSion", query=lambda args, suffixes, now_s: SCPI_VERSION),
    ]


def _register(header: str, register: Register) -> list[Command]:
    def enable(args: Args, suffixes: Suffixes, now_s: float) -> None:
        register.enable = args[0] & REGISTER_BITS

    return [
        Command(f"{header}[:EVENt]", query=_plain(register.read_event)),
        Command(f"{header}:CONDition", query=_plain(lambda: register.condition)),
        Command(f"{header}:ENABle", set=enable, query=_plain(lambda: register.enable), parameters=_WORD),
    ]


def _plain(number: Callable[[], int]) -> Query:
    """A query that answers one integer."""
    return lambda args, suffixes, now_s: nr1(number())
