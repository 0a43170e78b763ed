"""One target under a coverage-guided fuzzer (atheris, libFuzzer): `python -m tests.fuzz.feed TARGET SECONDS`."""

from __future__ import annotations

import logging
import sys
import tempfile
from itertools import islice
from pathlib import Path

import atheris

from tests.fuzz.__main__ import KEPT

SLOWEST_S = 20  # an input that takes longer counts as a hang
MOST_MB = 3000

with atheris.instrument_imports(include=["sequences", "drivers", "simulators", "orchestrator", "comtrade"]):
    from tests.fuzz.targets import TARGETS, Target

    for good in islice(TARGETS[sys.argv[1]].seeds(), 3):  # loads what is loaded late
        TARGETS[sys.argv[1]].feed(good)


def main(name: str, seconds: str) -> None:
    """Never returns: the fuzzer ends the process, with 0 if the target held."""
    logging.disable()
    target = TARGETS[name]
    kept, found = KEPT / name, KEPT / "found"
    for folder in (kept, found):
        folder.mkdir(parents=True, exist_ok=True)
    given = Path(tempfile.mkdtemp(prefix=f"fuzz-{name}-"))
    seeds = _write_seeds(target, given)
    options = [
        f"-max_total_time={seconds}",
        f"-timeout={SLOWEST_S}",
        f"-rss_limit_mb={MOST_MB}",
        f"-artifact_prefix={found / name}-",
        f"-dict={_write_words(target, given)}",
        "-max_len=20000",
        "-print_final_stats=1",
    ]
    atheris.Setup([sys.argv[0], *options, str(kept), str(seeds)], target.feed)
    atheris.Fuzz()


def _write_seeds(target: Target, folder: Path) -> Path:
    seeds = folder / "seeds"
    seeds.mkdir()
    for number, seed in enumerate(target.seeds()):
        (seeds / f"{number:04}").write_bytes(seed)
    return seeds


def _write_words(target: Target, folder: Path) -> Path:
    """The fuzzer's dictionary: one quoted word a line, each byte that is not plain as hexadecimal."""
    lines = ['"' + "".join(f"\\x{byte:02x}" for byte in word.encode()) + '"' for word in target.words]
    (folder / "words").write_text("\n".join(lines) + "\n")
    return folder / "words"


if __name__ == "__main__":
    main(*sys.argv[1:])
