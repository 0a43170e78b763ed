"""Speed of `benchward status` with a daemon that answers, beside a Python that does nothing.

The plant, the daemon and its processes run beside it as on a bench. Run alone: python -m tests.bench.commands
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.bench.row import Row
from tests.daemon_rig import installation

TIMES = 25
AT_MOST = 4.0


def rows() -> list[Row]:
    """The command's row."""
    status, nothing = [sys.executable, "-m", "orchestrator.cli.main"], [sys.executable, "-c", "pass"]
    installed = Path(sys.executable).with_name("benchward")
    status = [str(installed), "status"] if installed.exists() else [*status, "status"]
    with tempfile.TemporaryDirectory() as folder, installation(Path(folder)) as lab:
        environment = {**os.environ, "BENCHWARD_DATA": str(lab.data)}
        said = subprocess.run(status, env=environment, capture_output=True, text=True, check=True).stdout
        assert "YES. Off" in said, said
        pairs = [(_taken_s(status, environment), _taken_s(nothing, environment)) for _ in range(TIMES)]
    ratio = statistics.median(a / b for a, b in pairs)
    ours_s, bare_s = (statistics.median(side) for side in zip(*pairs, strict=True))
    return [Row("benchward status", ours_s, "python -c pass", bare_s, ratio, AT_MOST)]


def _taken_s(command: list[str], environment: dict[str, str]) -> float:
    began_s = time.perf_counter()
    subprocess.run(command, env=environment, stdout=subprocess.DEVNULL, check=True)
    return time.perf_counter() - began_s
