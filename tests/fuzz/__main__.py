"""`make fuzz`: every target for the time given, one after the other; what breaks one is kept and named.

    python -m tests.fuzz [SECONDS FOR EACH TARGET] [TARGET ...]

Inputs that reach new code are kept in .fuzz/<target>/ and used again by the next run; inputs that break a target are
in .fuzz/found/. Exit code 1 if there was one.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

KEPT = Path(".fuzz")
GRACE_S = 90.0  # beyond its time budget a target gets so long to load and to end


def fuzz(name: str, seconds: int) -> bool:
    """Feed one target in a process of its own; whether it held."""
    command = [sys.executable, "-m", "tests.fuzz.feed", name, str(seconds)]
    try:
        return subprocess.run(command, timeout=seconds + GRACE_S, check=False).returncode == 0
    except subprocess.TimeoutExpired:
        print(f"{name}: does not come to an end")
        return False


def main(arguments: list[str]) -> int:
    from tests.fuzz.targets import TARGETS

    seconds = int(arguments[0]) if arguments else 60
    broken = []
    for name in arguments[1:] or TARGETS:
        print(f"--- {name}: {seconds} s", flush=True)
        if not fuzz(name, seconds):
            broken.append(name)
    said = (
        f"broken: {', '.join(broken)}; the inputs are in {KEPT / 'found'}" if broken else "every target held"
    )
    print(f"--- {said}")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
