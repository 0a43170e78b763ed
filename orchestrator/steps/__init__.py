"""Step kinds, one file each. The folder is the list: a new file here is a new kind everywhere."""

from __future__ import annotations

from importlib import import_module
from pkgutil import iter_modules

from sequences.step import Step, kinds

for _module in sorted(found.name for found in iter_modules(__path__)):
    import_module(f"{__name__}.{_module}")

KINDS: dict[str, type[Step]] = kinds()
