"""The examples in the docs: fenced blocks, found in the pages and done in a folder of their own.

- `yaml` after "Save as `NAME`" is that file; a whole sequence or bench file is checked, and has the findings that its
  lines `# finding: CODE` name, or none. Parts of a sequence stand in place of the same parts of the Tidewater scenario,
  on the page about cyclic duties of the Weir gate scenario.
- `diff` changes the file that the paragraph before it names.
- `console` is commands behind `$ ` and what they print. A line `...` stands for any lines. Commands that need a
  daemon or a plant that is being served are not run.
"""

from __future__ import annotations

import contextlib
import io
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import yaml

from orchestrator.cli import main
from orchestrator.cli.check import answer_for
from orchestrator.steps import KINDS
from sequences.loader import load_sequence
from tests.contact_records import Circuit, break_record, make_record, times_s
from tests.impulse_records import write_csv

ROOT = Path(__file__).resolve().parents[1]
DOCS = ROOT / "orchestrator" / "docs"
TIDEWATER = Path("sequences/library/tidewater")
WEIR_GATE = Path("sequences/library/weir_gate")
RUNS_ALONE = {"analyse", "check", "rehearse", "record", "schema", "why"}  # of our own commands
SHELL = {"mkdir", "cp", "cd", "sha256sum", "python", "ls"}
GAP = "..."
_FENCE = re.compile(r"^```(?P<language>[a-z]+)\n(?P<body>.*?)^```$", re.MULTILINE | re.DOTALL)
_NAMED = re.compile(r"`([\w./-]+\.(?:yaml|py|toml|csv))`")
_EXPECTED = re.compile(r"# finding: ([a-z0-9-]+)")


@dataclass(frozen=True)
class Block:
    """One fenced block; `line` is that of its opening fence, `before` the paragraph above it."""

    page: str
    line: int
    language: str
    body: str
    before: str

    @property
    def file(self) -> str | None:
        """The file that the paragraph before it names last."""
        named = _NAMED.findall(self.before)
        return named[-1] if named else None

    @property
    def is_saved(self) -> bool:
        return "Save" in self.before and self.file is not None

    @property
    def where(self) -> str:
        return f"{self.page}:{self.line}"


@dataclass
class Command:
    """A command of a console block, as it is typed (in one line or several), and what the page says it prints."""

    text: str
    typed: list[str]
    printed: list[str] = field(default_factory=list)

    @property
    def words(self) -> list[str]:
        return shlex.split(self.text)

    @property
    def needs_served_runs(self) -> bool:
        """Whether it looks at the runs of a daemon's data folder, named without a path: there are none here."""
        return self.words[1] in ("record", "why") and not any(
            "/" in word or "." in word for word in self.words[2:]
        )

    @property
    def runs_alone(self) -> bool:
        words = self.words
        if words[0] == "benchward":
            return len(words) > 1 and words[1] in RUNS_ALONE and not self.needs_served_runs
        return words[0] in SHELL or words == ["echo", "$?"]


def blocks(page: Path) -> Iterator[Block]:
    """The fenced blocks of a page, in order."""
    text = page.read_text(encoding="utf-8")
    for match in _FENCE.finditer(text):
        above = text[: match.start()].rstrip()
        before = above[above.rfind("\n\n") + 2 :] if "\n\n" in above else above
        line = text.count("\n", 0, match.start()) + 1
        yield Block(page.name, line, match["language"], match["body"], before)


def commands(block: Block) -> list[Command]:
    """The commands of a console block."""
    found: list[Command] = []
    goes_on = False
    for line in block.body.splitlines():
        if goes_on:
            found[-1].text = found[-1].text.removesuffix("\\") + line.strip()
            found[-1].typed.append(line)
        elif line.startswith("$ "):
            found.append(Command(line[2:], [line]))
        else:
            found[-1].printed.append(line)
        goes_on = found[-1].text.endswith("\\") and not found[-1].printed
    return found


def same(expected: list[str], printed: list[str]) -> bool:
    """Whether the output is as stated; `...` stands for any number of lines."""
    pieces = [re.escape(line.rstrip()) if line.strip() != GAP else None for line in expected]
    pattern = "".join(r"(?:[^\n]*\n)*?" if piece is None else piece + r"\n" for piece in pieces)
    return re.fullmatch(pattern, "".join(f"{line.rstrip()}\n" for line in printed)) is not None


class Workplace:
    """A folder in which a reader follows a page; the checkout's `sequences` and two waveforms are in it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.exit_code = 0
        (folder / "sequences").symlink_to(ROOT / "sequences")
        _leave_waveforms(folder)

    def run(self, command: Command) -> list[str]:
        """What a command prints, line by line; its exit code is kept."""
        words = command.words
        if words[0] == "echo":
            return [str(self.exit_code)]
        if words[0] != "benchward":
            return self._shell(words)
        said = io.StringIO()
        with (
            contextlib.chdir(self.folder),
            contextlib.redirect_stdout(said),
            contextlib.redirect_stderr(said),
        ):
            try:
                self.exit_code = main(words[1:])
            except SystemExit as ended:
                self.exit_code = int(ended.code or 0)
        return said.getvalue().splitlines()

    def _shell(self, words: list[str]) -> list[str]:
        words = [sys.executable if word == "python" else word for word in words]
        if words[0] == "cd":
            self.folder = (self.folder / words[1]).resolve()
            return []
        done = subprocess.run(words, cwd=self.folder, capture_output=True, text=True, check=False)
        self.exit_code = done.returncode
        return (done.stdout + done.stderr).splitlines()

    def save(self, block: Block) -> Path:
        """Write the file that a block gives."""
        path = self.folder / (block.file if block.is_saved and block.file else f"line-{block.line}.yaml")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(block.body, encoding="utf-8")
        return path

    def change(self, block: Block) -> None:
        """Apply a diff without line numbers: each `-` line is there once, the `+` lines take its place."""
        assert block.file is not None, f"{block.where}: the paragraph before it names no file"
        path = self.folder / block.file
        old = "".join(f"{line[1:]}\n" for line in block.body.splitlines() if line[:1] in "- ")
        new = "".join(f"{line[1:]}\n" for line in block.body.splitlines() if line[:1] in "+ ")
        text = path.read_text(encoding="utf-8")
        assert text.count(old) == 1, f"{block.where}: {block.file} does not hold those lines once"
        path.write_text(text.replace(old, new), encoding="utf-8")


def _leave_waveforms(folder: Path) -> None:
    """`make.csv` and `break.csv`, of a contact with a motor load on 24 V."""
    times = times_s(20e3, 0.03)
    heading = "time [ms],voltage [V],current [A]"
    made = make_record(times, Circuit(inrush=6.0, decay_s=2e-3), [4.02e-3, 5.22e-3], [4.72e-3])
    broken = break_record(times, Circuit(arc_v=13.0), 10.02e-3, 12.02e-3)
    write_csv(folder / "make.csv", heading, 1e3 * times, *made)
    write_csv(folder / "break.csv", heading, 1e3 * times, *broken)


def is_whole(block: Block) -> bool:
    """Whether a yaml block is a whole sequence or bench file."""
    return re.search(r"^language:", block.body, re.MULTILINE) is not None


def expected_codes(block: Block) -> set[str]:
    """The findings that a bad example names."""
    return set(_EXPECTED.findall(block.body))


def found_codes(block: Block, path: Path) -> set[str]:
    """The findings of a yaml block: of a whole file as it stands, of a part in its scenario's sequence."""
    if is_whole(block):
        beside = path.with_name("bench.yaml")
        bench = str(beside if beside.is_file() else scenario_of(block) / "bench.yaml")
        return {finding.code for finding in answer_for(str(path), bench).findings}
    path.write_text(_in_scenario(block), encoding="utf-8")
    findings = load_sequence(path, KINDS).findings
    if expected_codes(block):
        findings = answer_for(str(path), str(scenario_of(block) / "bench.yaml")).findings
    return {finding.code for finding in findings if finding.severity == "refused"}


def scenario_of(block: Block) -> Path:
    """The folder of the scenario that a page's examples belong to."""
    return ROOT / (WEIR_GATE if block.page == "cyclic-duties.md" else TIDEWATER)


def _in_scenario(block: Block) -> str:
    text = (scenario_of(block) / "sequence.yaml").read_text(encoding="utf-8")
    whole = yaml.load(text, Loader=yaml.BaseLoader)
    part = yaml.load(block.body, Loader=yaml.BaseLoader)
    whole |= {"each_shot": part} if isinstance(part, list) else part
    return yaml.safe_dump(whole, sort_keys=False)
