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
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
LIBRARY = ROOT / "sequences" / "library"
TECHNICIAN = "demo technician"
BENCHWARD = (sys.executable, "-c", "import sys; from orchestrator.cli import main; sys.exit(main())")
READY_WITHIN_S = 30.0

NO_PHOTO = """<svg xmlns="http://www.w3.org/2000/svg" width="320" height="60">
<text x="10" y="35">A demonstration has no camera: no photo.</text></svg>
"""


@dataclass(frozen=True)
class Scenario:
    """What is shown: a folder of the library, the shortest run that its parameters allow, and the bench's ways.

    `toggles` is how a person proves each safety input before arming: open it, close it. `rehearsed` says whether the
    whole run follows in virtual time, because nobody would wait for it.
    """

    folder: str
    specimen: str
    short: tuple[str, ...]
    toggles: tuple[tuple[str, str, str], ...]
    rehearsed: bool = False

    @property
    def way_in(self) -> str:
        return self.toggles[0][0]


STOP = ("emergency_stop", "pressed", "released")
SCENARIOS = {
    "impulse": Scenario(
        "tidewater",
        "TW-04",
        ("shots=4", "interval=2 s", "observation=2 s", "verification_shots=1", "leakage_time=1 s"),
        (
            ("door", "open", "closed"),
            ("earthing_stick", "away", "home"),
            STOP,
            ("exhaust", "stopped", "running"),
        ),
    ),
    "endurance": Scenario(
        "weir_gate",
        "WG-01",
        ("cycles=4", "checked_every=2", "watched=4"),
        (("guard", "open", "closed"), STOP, ("smoke_detector", "smoke", "clear")),
        rehearsed=True,
    ),
}
# What an eye sees of the cloth, in the words of the indicator's states.
SEEN = {"glowing": "ignited", "burning": "ignited"}


class Demo:
    """The folder of one demonstration and the commands run in it."""

    def __init__(self, scenario: Scenario, data: Path) -> None:
        self.scenario = scenario
        self.sequence = LIBRARY / scenario.folder / "sequence.yaml"
        self.bench = LIBRARY / scenario.folder / "bench.yaml"
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
        for thing, unsafe, safe in self.scenario.toggles:
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
        for label in question.get("labels_of") or ():
            answer += ["--label", str(label)]
        if question.get("needs_photo"):
            answer += ["--photo", str(self.photo)]
        if question.get("choices"):
            seen = json.loads(self.ask("simulators", str(self.bench), "--show", "--json").stdout)["cloth"]
            answer += ["--choice", SEEN.get(seen, seen)]
        self.ask(*answer)

    def _connect(self, connection: str) -> None:
        self.hand(self.scenario.way_in, "open")
        self.hand("connection", connection)
        if connection == "specimen":
            self.hand("cloth", "fresh")  # where the bench has one
        self.hand(self.scenario.way_in, "closed")


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
    demo = Demo(SCENARIOS[kind], data)
    began_s = time.monotonic()
    _say("DEMONSTRATION on a simulated bench: invented specimen, house limits of a made-up laboratory.")
    with ExitStack() as stack:
        plant = demo.background(
            stack, "simulators", "simulators", str(demo.bench), "--truth", str(data / "truth.jsonl")
        )
        _wait_for(data / "simulators.log", "running", plant)
        where = "a real serial line and real sockets" if demo.scenario.rehearsed else "real sockets"
        _say(f"the bench's plant runs in process {plant.pid} on {where} (benchward simulators)")
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
    if demo.scenario.rehearsed:
        code = code or _rehearse(demo)
    _say(f"done in {time.monotonic() - began_s:.0f} s; what the technician did: {data / 'technician.log'}")
    return code


def _run(demo: Demo) -> int:
    settings = [word for value in demo.scenario.short for word in ("--set", value)]
    start = [
        "start",
        str(demo.sequence),
        "--specimen",
        demo.scenario.specimen,
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


def _rehearse(demo: Demo) -> int:
    """The whole run in virtual time, and its trends."""
    _say(
        "the same sequence at its full length, days of it, in virtual time (benchward rehearse); about a minute"
    )
    folder = demo.data / "rehearsal"
    command = ["rehearse", str(demo.sequence), "--bench", str(demo.bench), "--output", str(folder)]
    with (demo.data / "rehearsal.log").open("w") as log:
        done = subprocess.run(demo.command(*command), stdout=log, cwd=ROOT, check=False)
    print("".join((demo.data / "rehearsal.log").read_text().splitlines(keepends=True)[-9:]))
    if done.returncode:
        return done.returncode
    _plot(folder)
    report = demo.data / "rehearsal.html"
    made = demo.ask("record", "report", folder.name, "--data", str(demo.data), "--draft", str(report))
    print(made.stdout + made.stderr)
    return made.returncode


def _plot(folder: Path) -> None:
    """Contact drop and bounce over the cycles, in the terminal."""
    import plotext

    from orchestrator.record.ledger import LEDGER
    from orchestrator.record.ledger_table import examine

    rows = examine((folder / LEDGER).read_bytes()).rows
    for name, unit, per_unit in (("contact_drop", "mV", 1e3), ("bounce_time", "ms", 1e3)):
        step = max(1, len(rows) // 400)
        plotext.clear_figure()
        plotext.plotsize(80, 14)
        plotext.theme("clear")
        plotext.scatter(
            rows.cycle[::step].tolist(), (rows.figures[name][::step] * per_unit).tolist(), marker="."
        )
        plotext.title(f"{name.replace('_', ' ')}, {unit}, over the cycles")
        last = int(rows.cycle[-1])
        plotext.xticks([1, *(round(last * part / 4) for part in range(1, 5))])
        print(plotext.uncolorize(plotext.build()))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1] if len(sys.argv) > 1 else "impulse"))
