"""Byte links to instruments: the kind follows from the resource string, and only that kind is imported."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from drivers.links.base import Link, Pace, Transport

if TYPE_CHECKING:
    from drivers.links.serial import SerialSettings

Kind = Literal["visa", "socket"]

__all__ = ["Kind", "link_to", "open_link", "plain_transport", "transport_to"]


def open_link(
    resource: str,
    name: str,
    pace: Pace,
    transport: Kind = "visa",
    *,
    timeout_s: float = 2.0,
    line: SerialSettings | None = None,
) -> Link:
    """The link, opened. Raises `LinkFault`, and `ValueError` for a resource string that cannot be one."""
    link = link_to(resource, name, pace, transport, line=line)
    link.open(timeout_s)
    return link


def link_to(
    resource: str, name: str, pace: Pace, transport: Kind = "visa", *, line: SerialSettings | None = None
) -> Link:
    """The link, not yet opened: an instrument opens it and identifies itself in one go."""
    return Link(name, transport_to(resource, transport, line=line), pace)


def transport_to(resource: str, kind: Kind = "visa", *, line: SerialSettings | None = None) -> Transport:
    """The transport for a VISA resource string: through VISA, or (`kind` "socket") without it.

    Without VISA: `TCPIP::host::port::SOCKET` and `ASRL/dev/name::INSTR`.
    """
    if kind == "visa":
        from drivers.links.visa import VisaTransport

        return VisaTransport(resource, line)
    transport = plain_transport(resource, line)
    if transport is None:
        raise ValueError(
            f"{resource!r} needs VISA: without it only TCPIP::host::port::SOCKET and ASRL/dev/name::INSTR work"
        )
    return transport


def plain_transport(resource: str, line: SerialSettings | None = None) -> Transport | None:
    """A socket or serial transport for the resource string, None where only VISA can open it."""
    fields = resource.split("::")
    board = fields[0].upper()
    if board.startswith("TCPIP") and fields[-1].upper() == "SOCKET" and fields[-2].isdecimal():
        from drivers.links.socket import SocketTransport

        return SocketTransport(fields[-3], int(fields[-2]))
    if board.startswith("ASRL/"):
        from drivers.links.serial import SerialTransport

        return SerialTransport(fields[0][len("ASRL") :], line)
    return None
