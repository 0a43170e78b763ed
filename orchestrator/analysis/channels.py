"""Which channel of a record a method reads: by unit, and by name where several have it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from orchestrator.analysis.refusal import Refused
from orchestrator.analysis.waveform import Channel, Waveform


def picked(waveform: Waveform, role: str, unit: str) -> Channel:
    """The channel named `role`, else the only one in `unit`. Raises Refused if there is no such one."""
    named = waveform.channels.get(role)
    if named is not None:
        return _require_unit(named, unit)
    fitting = [channel for channel in waveform.channels.values() if channel.unit == unit]
    if len(fitting) == 1:
        return fitting[0]
    found = ", ".join(f"{channel.name} [{channel.unit}]" for channel in waveform.channels.values()) or "none"
    if fitting:
        raise Refused(
            "ambiguous_channel",
            f"{len(fitting)} channels are in {unit}, and none is named {role}; the record has {found}.",
            f"Name the one to use: --{role} NAME.",
        )
    raise Refused(
        "missing_channel",
        f"the record has no {role} channel in {unit}; it has {found}.",
        f"Name the column `{role} [{unit}]`, or choose a method that needs other channels.",
    )


def _require_unit(channel: Channel, unit: str) -> Channel:
    if channel.unit != unit:
        raise Refused(
            "wrong_unit",
            f"{channel.name} is in {channel.unit}, not in {unit}.",
            f"Give the column a unit of {unit}, for example `{channel.name} [k{unit}]`.",
        )
    return channel


def renamed(waveform: Waveform, roles: Mapping[str, str]) -> Waveform:
    """The waveform with channels under the names of their roles (role -> name in the record).

    Raises ValueError for a name that is not in the record.
    """
    for name in roles.values():
        if name not in waveform.channels:
            raise ValueError(f"the record has no channel {name!r}; it has {', '.join(waveform.channels)}")
    chosen = {role: replace(waveform.channels[name], name=role) for role, name in roles.items()}
    others = {name: channel for name, channel in waveform.channels.items() if name not in roles.values()}
    return replace(waveform, channels={**others, **chosen})
