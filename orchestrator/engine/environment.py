"""What a run was made with: versions, host and paths. The one file that may differ between equal rehearsals."""

from __future__ import annotations

import platform
import sys
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from typing import Any

LIBRARIES = (
    "numpy",
    "scipy",
    "h5py",
    "pydantic",
    "pymodbus",
    "pyvisa",
    "pyvisa-py",
    "pyserial",
    "transitions",
)


def environment() -> dict[str, Any]:
    """Versions of the program, of Python and of the libraries that touch the figures and the links."""
    return {
        "benchward": _version("benchward"),
        "python": sys.version.split()[0],
        "libraries": {name: _version(name) for name in LIBRARIES},
        "host": platform.node(),
        "system": platform.platform(),
        "executable": sys.executable,
    }


@cache
def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"
