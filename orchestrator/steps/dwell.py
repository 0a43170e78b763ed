"""Dwell: a fixed time."""

from __future__ import annotations

from typing import ClassVar, Literal

from pydantic import Field

from sequences.fields import Seconds
from sequences.step import Step


class Dwell(Step, kind="dwell"):
    """Keep the present state for a fixed time."""

    main: ClassVar[str | None] = "time"
    in_block: ClassVar[Literal["only", "may", "never"]] = "may"

    time: Seconds = Field(gt=0, le=3600, description="how long")
