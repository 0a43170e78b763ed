"""Rendered sheets and reports of invented runs.

The sheets stand in `reports/` word for word. To accept a changed wording, delete the file, run this test once
and read the new one. Reports are looked at piece by piece: their plots come from libraries.
"""

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from orchestrator.core.reasons import Reason
from orchestrator.record.amend import Amender, Author
from orchestrator.record.reader import read_run
from orchestrator.record.seal import Heads
from orchestrator.record.sheet import data_sheet
from orchestrator.record.specimens import history
from orchestrator.record.store import MemoryStore
from orchestrator.record.verify import verify
from orchestrator.report.render import Issue, render
from tests import endurance_records as endurance
from tests.golden.invented_run import InventedClock, Plan, invented_folder, invented_store

REPORTS = Path(__file__).parent / "reports"
PLANS = {
    "pass": Plan(shots=3, verification_shots=1, samples=400),
    "rehearsed-abort": Plan(
        shots=3,
        verification_shots=1,
        samples=400,
        stop_after=2,
        reason=Reason.ABORT_BY_PERSON,
        world="rehearsal",
    ),
    "ignition": Plan(
        shots=3,
        verification_shots=1,
        samples=400,
        stop_after=3,
        reason=Reason.INDICATOR_IGNITED,
        scorched_shot=3,
    ),
    "off-not-proven": Plan(
        shots=3,
        verification_shots=1,
        samples=400,
        stop_after=1,
        reason=Reason.INTERLOCK_OPEN,
        off_proven=False,
    ),
    "interrupted": Plan(shots=3, verification_shots=0, samples=400, stop_after=1, ended=False, sealed=False),
}


ENDURANCE = {
    "cycles-reached": endurance.Plan(findings={(9, 1): "supply_dip"}),
    "cycles-one-failed": endurance.Plan(
        findings={(7, 2): "fail_to_make", (8, 2): "fail_to_make"}, continues="20260305-0900-WG-01"
    ),
    "cycles-interrupted": endurance.Plan(upto=25, ended=False, sealed=False, energised_at_the_end=True),
}


@pytest.mark.parametrize("name", ENDURANCE)
def test_the_sheet_of_a_cyclic_duty_is_as_it_was_read_and_accepted(name: str) -> None:
    store = MemoryStore()
    endurance.Endurance(ENDURANCE[name], store).write()
    sheet = data_sheet(read_run(store).entries)
    accepted = REPORTS / f"{name}.txt"
    if not accepted.exists():
        accepted.write_text(sheet)
        pytest.fail(f"{accepted} was written: read it, then run this again")
    assert sheet == accepted.read_text()


@pytest.mark.parametrize("name", PLANS)
def test_the_sheet_is_as_it_was_read_and_accepted(name: str) -> None:
    # Hashes of captures depend on the library that writes them; they are no wording.
    journal = read_run(invented_store(PLANS[name])).entries
    sheet = re.sub(r"sha256 [0-9a-f]{64}", "sha256 (hash)", data_sheet(journal))
    accepted = REPORTS / f"{name}.txt"
    if not accepted.exists():
        accepted.parent.mkdir(exist_ok=True)
        accepted.write_text(sheet)
        pytest.fail(f"{accepted.name} was written: read it, then run again")
    assert sheet == accepted.read_text()


def made_report(data: Path, plan: Plan) -> str:
    folder = invented_folder(data, plan)
    Amender(folder, Heads.of(data), InventedClock(9000.0)).correct(
        Author("tech-2", "declared", "misread in the evening"), 9, "lead length", "150 mm"
    )
    record = read_run(folder)
    issue = Issue.next(record, "tech-2", "2026-03-06T08:00:00Z")
    return render(record, verify(folder, Heads.of(data)), history(data, plan.specimen), issue).decode()


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> str:
    plan = Plan(shots=2, verification_shots=1, samples=2000, computed=True, invalid_shot=2)
    return made_report(tmp_path_factory.mktemp("data"), plan)


@pytest.fixture(scope="module")
def rehearsed(tmp_path_factory: pytest.TempPathFactory) -> str:
    plan = Plan(
        shots=3,
        verification_shots=0,
        samples=400,
        stop_after=1,
        reason=Reason.ABORT_BY_PERSON,
        world="rehearsal",
    )
    return made_report(tmp_path_factory.mktemp("data"), plan)


class Text(HTMLParser):
    """The words a reader sees, and the ids and references of the document."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.ids: list[str] = []
        self.loads: list[str] = []
        self._hidden = 0
        self.feed(page)
        self.text = " ".join(" ".join(self.words).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._hidden += tag in ("style", "svg")
        self.ids += [value for name, value in attrs if name == "id" and value]
        loading = ("src", "href", "xlink:href")
        self.loads += [
            value for name, value in attrs if name in loading and value and not value.startswith("#")
        ]

    def handle_endtag(self, tag: str) -> None:
        self._hidden -= tag in ("style", "svg")

    def handle_data(self, data: str) -> None:
        if not self._hidden:
            self.words.append(data)


def test_the_three_facts_come_first_and_the_end_is_said(report: str) -> None:
    text = Text(report).text
    places = [
        text.index(words)
        for words in (
            "Outcome Run valid: no requirement failed",
            "Verdict per clause",
            "Why it stopped Every step was done",
            "Cautions Stored energy",
            "Verdicts in full",
            "Item tested",
        )
    ]
    assert places == sorted(places)
    assert "The results relate only to the items tested." in text
    assert text.endswith("END OF THE REPORT of run 20260305-0914-TW-04, revision 1")


def test_every_shot_has_its_plot_and_its_check(report: str) -> None:
    text = Text(report)
    assert report.count("<svg") == 2 + 1 + 1 + 2
    assert text.text.count("Computed again from the raw codes for this report: same as recorded") == 3
    assert "Not valid: clipped" in text.text
    assert "DIFFERENT" not in text.text


def test_a_verdict_row_says_value_uncertainty_limit_and_rule(report: str) -> None:
    text = Text(report).text
    assert "house 4.1 limiting voltage, every shot: at most 310 V 285.4 ± 3.0 V 306.98 V P, pass" in text
    assert "Guard band w = U (ILAC-G8:09/2019, non-binary statement)" in text


def test_a_correction_shows_both_readings(report: str) -> None:
    assert "<s>151 mm</s> <b>150 mm</b> (amendment 1)" in report


def test_the_file_needs_nothing_else_and_its_ids_are_its_own(report: str) -> None:
    text = Text(report)
    assert text.loads == []
    assert "<script" not in report
    assert "@import" not in report
    assert len(text.ids) == len(set(text.ids))


def test_the_same_report_has_the_same_bytes(tmp_path: Path) -> None:
    plan = Plan(shots=2, verification_shots=0, samples=1000, computed=True, invalid_shot=2)
    assert made_report(tmp_path / "one", plan) == made_report(tmp_path / "other", plan)


def test_a_rehearsal_is_marked_wherever_it_could_be_mistaken(rehearsed: str) -> None:
    text = Text(rehearsed).text
    assert text.startswith("REHEARSAL, Report of run")
    assert "Outcome REHEARSAL, simulated Run not valid" in text
    assert "Verdict per clause REHEARSAL, simulated" in text
    assert rehearsed.count("<!-- REHEARSAL, simulated -->") == rehearsed.count("<svg")
    captions = re.findall(r"<figcaption>.*?</figcaption>", rehearsed, re.DOTALL)
    assert captions
    assert all("REHEARSAL" in caption for caption in captions)
    assert text.endswith("REHEARSAL")


def test_a_real_run_is_never_marked_as_a_rehearsal(report: str) -> None:
    assert "REHEARSAL" not in report


def test_figures_that_differ_from_the_record_are_named(tmp_path: Path) -> None:
    """The invented figures do not belong to the invented waveforms: that must not pass in silence."""
    text = Text(made_report(tmp_path, Plan(shots=1, verification_shots=0, samples=2000))).text
    assert (
        "DIFFERENT from the record: limiting voltage, peak current, energy, charge. The record counts."
        in text
    )


@pytest.mark.parametrize("name", ["off-not-proven", "interrupted"])
def test_a_report_never_hides_that_the_bench_may_be_live(name: str, tmp_path: Path) -> None:
    text = Text(made_report(tmp_path, PLANS[name])).text
    if name == "interrupted":
        assert "Run not valid" in text
        assert "Not recorded: the run was interrupted, or is still going on. Treat the bench as live" in text
        assert "No verdict was recorded: nothing is judged." in text
    else:
        assert "it was not proven that the bench was off. Treat it as live" in text


def test_what_people_typed_cannot_become_markup(tmp_path: Path) -> None:
    hostile = "<script>alert(1)</script>"
    page = made_report(tmp_path, Plan(shots=1, verification_shots=0, samples=400, remark=hostile))
    assert hostile not in page
    assert "&lt;script&gt;" in page


def test_a_run_that_stopped_before_its_first_cycle_warns_of_the_axis_too() -> None:
    wanted = {"lowest_mm": -20.0, "highest_mm": 60.0}
    settings = {"kind": "settings", "instrument": "gantry", "wanted": wanted, "read_back": wanted}
    of_cycles, of_shots = data_sheet([settings]), data_sheet([])
    assert "What moves by itself crushes" in of_cycles
    assert "VERIFICATION OF THE BENCH" not in of_cycles
    assert "What moves by itself crushes" not in of_shots
    assert "VERIFICATION OF THE BENCH" in of_shots
