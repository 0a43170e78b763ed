"""One whole run on real sockets, for a newcomer: `make demo`.

It uses only the public commands, as a person would: one terminal for the simulated bench, one for the daemon, one
that starts the run and shows it, and the technician's hands (`benchward simulators --set`) and voice (`benchward
answer`). The run is as short as the sequence's own parameters allow; no time is faked.
"""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
LIBRARY = ROOT / "sequences" / "library"
SCENARIOS = {"impulse": "tidewater"}
SHORT = ("shots=4", "interval=2 s", "observation=2 s", "verification_shots=1", "leakage_time=1 s")
SPECIMEN = "TW-04"
TECHNICIAN = "demo technician"
BENCHWARD = (sys.executable, "-c", "import sys; from orchestrator.cli import main; sys.exit(main())")
READY_WITHIN_S = 30.0
NO_PHOTO = """<svg xmlns="http://www.w3.org/2000/svg" width="320" height="60">
<text x="10" y="35">A demonstration has no camera: no photo.</text></svg>
"""
# How a person proves each safety input before arming: open it, close it.
TOGGLES = (
    ("door", "open", "closed"),
    ("earthing_stick", "away", "home"),
    ("emergency_stop", "pressed", "released"),
    ("exhaust", "stopped", "running"),
)
# What an eye sees of the cloth, in the words of the indicator's states.
SEEN = {"glowing": "ignited", "burning": "ignited"}


class Demo:
    """The folder of one demonstration and the commands run in it."""

    def __init__(self, scenario: Path, data: Path) -> None:
        self.sequence = scenario / "sequence.yaml"
        self.bench = scenario / "bench.yaml"
        self.data = data
        self.ended = threading.Event()
        self.log = (data / "technician.log").open("w")
        self.photo = data / "in-place-of-a-photo.svg"
        self.photo.write_text(NO_PHOTO)

    def command(self, *arguments: str) -> list[str]:
        return [*BENCHWARD, *arguments]

    def ask(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """Run a command and keep what it says."""
        done = subprocess.run(self.command(*arguments), capture_output=True, text=True, cwd=ROOT, check=False)
        if arguments[0] != "status":
            print(f"$ benchward {' '.join(arguments)}\n{done.stdout}{done.stderr}", file=self.log, flush=True)
        return done

    def background(self, stack: ExitStack, name: str, *arguments: str) -> subprocess.Popen[bytes]:
        """A command in a terminal of its own; ended with the demonstration."""
        log = stack.enter_context((self.data / f"{name}.log").open("wb"))
        process = subprocess.Popen(self.command(*arguments), stdout=log, stderr=log, cwd=ROOT)
        stack.callback(_end, process)
        return process

    def hand(self, thing: str, value: str) -> None:
        self.ask("simulators", str(self.bench), "--set", f"{thing}={value}")

    def question(self) -> dict[str, Any] | None:
        """What is being asked of a person now."""
        done = self.ask("status", "--data", str(self.data), "--json")
        try:
            status = json.loads(done.stdout)
        except ValueError:
            return None
        question: dict[str, Any] | None = status.get("do", {}).get("question")
        return question

    def technician(self) -> None:
        """Do what is asked, then answer: the life of the technician until the run has ended."""
        for thing, unsafe, safe in TOGGLES:
            self.hand(thing, unsafe)
            self.hand(thing, safe)
        while not self.ended.is_set():
            question = self.question()
            if question is not None:
                self.do(question)
            self.ended.wait(0.2)

    def do(self, question: dict[str, Any]) -> None:
        answer = ["answer", "--data", str(self.data), "--question", str(question["question"])]
        answer += ["--by", TECHNICIAN, "--confirm-all"]
        if question["ask"] == "connect":
            self._connect(str(question["connection"]))
        if question.get("label_of"):
            answer += ["--label", str(question["label_of"])]  # its technician reads the right one
        if question.get("needs_photo"):
            answer += ["--photo", str(self.photo)]
        if question.get("choices"):
            seen = json.loads(self.ask("simulators", str(self.bench), "--show", "--json").stdout)["cloth"]
            answer += ["--choice", SEEN.get(seen, seen)]
        self.ask(*answer)

    def _connect(self, connection: str) -> None:
        self.hand("door", "open")
        self.hand("connection", connection)
        if connection == "specimen":
            self.hand("cloth", "fresh")
        self.hand("door", "closed")


def _end(process: subprocess.Popen[bytes]) -> None:
    """Ask it to end; the daemon proves off before it does."""
    if process.poll() is None:
        process.terminate()
    try:
        process.wait(20.0)
    except subprocess.TimeoutExpired:
        process.kill()


def _wait_for(log: Path, word: str, process: subprocess.Popen[bytes]) -> None:
    until_s = time.monotonic() + READY_WITHIN_S
    while word not in log.read_text(errors="replace"):
        if process.poll() is not None or time.monotonic() > until_s:
            sys.exit(f"{log.stem} did not come up:\n{log.read_text(errors='replace')}")
        time.sleep(0.05)  # look again; the limit above bounds it


def _say(text: str) -> None:
    print(f"\n== {text}", flush=True)


def main(kind: str) -> int:
    if kind not in SCENARIOS:
        sys.exit(f"there is no demonstration {kind!r}; there are: {', '.join(SCENARIOS)}")
    data = ROOT / "demo-data" / f"{datetime.now(UTC):%Y%m%d-%H%M%S}"  # earlier demonstrations stay
    data.mkdir(parents=True)
    demo = Demo(LIBRARY / SCENARIOS[kind], data)
    began_s = time.monotonic()
    _say("DEMONSTRATION on a simulated bench: invented specimen, house limits of a made-up laboratory.")
    with ExitStack() as stack:
        plant = demo.background(
            stack, "simulators", "simulators", str(demo.bench), "--truth", str(data / "truth.jsonl")
        )
        _wait_for(data / "simulators.log", "running", plant)
        _say(f"the bench's plant runs in process {plant.pid} on real sockets (benchward simulators)")
        daemon = demo.background(stack, "serve", "serve", str(demo.bench), "--data", str(data))
        _wait_for(data / "serve.log", "ready", daemon)
        _say(
            f"the daemon runs in process {daemon.pid} (benchward serve); the run begins (benchward start --wait)"
        )
        hands = threading.Thread(target=demo.technician, name="technician")
        hands.start()
        try:
            code = _run(demo)
        finally:
            demo.ended.set()
            hands.join()
    code = code or _show_record(demo)
    _say(f"done in {time.monotonic() - began_s:.0f} s; what the technician did: {data / 'technician.log'}")
    return code


def _run(demo: Demo) -> int:
    settings = [word for value in SHORT for word in ("--set", value)]
    start = [
        "start",
        str(demo.sequence),
        "--specimen",
        SPECIMEN,
        "--by",
        TECHNICIAN,
        "--data",
        str(demo.data),
    ]
    remark = "DEMONSTRATION on a simulated bench, played by a program"
    return subprocess.run(
        demo.command(*start, "--remark", remark, *settings, "--wait"), cwd=ROOT, check=False
    ).returncode


def _show_record(demo: Demo) -> int:
    (run,) = (journal.parent for journal in demo.data.glob("*/journal.jsonl"))
    for words, arguments in (
        ("the record is verified (benchward record verify)", ["record", "verify", run.name]),
        ("the report is made (benchward record report)", ["record", "report", run.name]),
    ):
        _say(words)
        code = subprocess.run(
            demo.command(*arguments, "--data", str(demo.data)), cwd=ROOT, check=False
        ).returncode
        if code:
            return code
    _say(f"record {run}\n   data sheet {run / 'sheet.txt'}\n   report     {run / 'report.html'}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1] if len(sys.argv) > 1 else "impulse"))
