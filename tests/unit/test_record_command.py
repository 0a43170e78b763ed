import argparse
import json
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from orchestrator.cli import record as command
from orchestrator.core.reasons import Reason
from orchestrator.daemon.locks import FolderLock
from tests.golden.invented_run import Plan, invented_folder

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    whole = Plan(run="20260305-0914-TW-04", shots=2, verification_shots=0, samples=40)
    aborted = replace(
        whole, run="20260306-0801-TW-05", specimen="TW-05", stop_after=1, reason=Reason.ABORT_BY_PERSON
    )
    invented_folder(tmp_path / "data", whole)
    invented_folder(tmp_path / "data", aborted)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("BENCHWARD_DATA", str(tmp_path / "data"))
    return tmp_path / "data"


@pytest.fixture
def record(capsys: pytest.CaptureFixture[str]) -> Run:
    parser = argparse.ArgumentParser()
    command.add_parser(parser.add_subparsers())

    def run(*arguments: str) -> tuple[int, str, str]:
        args = parser.parse_args(["record", *arguments])
        code = args.run(args)
        printed = capsys.readouterr()
        return code, printed.out, printed.err

    return run


def test_list_shows_every_run_and_finds_by_specimen(data: Path, record: Run) -> None:
    code, out, _ = record("list")
    assert code == 0
    assert [line.split()[0] for line in out.splitlines()] == [
        "run",
        "20260305-0914-TW-04",
        "20260306-0801-TW-05",
    ]
    assert json.loads(record("list", "--specimen", "tw-05", "--json")[1])[0]["outcome"] == "inconc"


def test_a_run_may_be_abbreviated_if_only_one_fits(data: Path, record: Run) -> None:
    assert record("verify", "20260305")[0] == 0
    code, _, err = record("verify", "202603")
    assert code == 2
    assert "'202603' fits 2 runs: 20260305-0914-TW-04, 20260306-0801-TW-05" in err
    assert "help: write more of the name" in err
    assert record("verify", "2027")[0] == 2
    assert record("verify", str(data / "20260305-0914-TW-04"))[0] == 0


def test_verify_says_for_each_file_what_it_was_held_against(data: Path, record: Run) -> None:
    code, out, _ = record("verify", "20260305")
    assert code == 0
    assert "holds  captures/duty-01.h5  (as sealed, " in out
    assert "the record is whole" in out.splitlines()[-1]


def test_verify_finds_a_flipped_byte_and_says_where(data: Path, record: Run) -> None:
    path = data / "20260305-0914-TW-04" / "captures" / "duty-02.h5"
    changed = bytearray(path.read_bytes())
    changed[2000] ^= 4
    path.write_bytes(changed)
    code, out, _ = record("verify", "20260305")
    assert code == 1
    assert "WRONG  captures/duty-02.h5" in out
    assert "the record does not hold: captures/duty-02.h5: was changed" in out.splitlines()[-1]


def test_verify_of_everything_finds_a_run_that_is_gone(data: Path, record: Run) -> None:
    assert record("verify")[0] == 0
    (data / "20260306-0801-TW-05").rename(data.parent / "taken away")
    code, out, _ = record("verify")
    assert code == 1
    assert "20260306-0801-TW-05: the whole run folder is missing" in out


def test_show_prints_the_sheet_with_corrections(data: Path, record: Run) -> None:
    code, out, _ = record(
        "amend", "20260305", "--correct", "9", "lead length", "150 mm", "--reason", "misread"
    )
    assert (code, out) == (0, "amendment 1: reading lead length of entry 9: was 151 mm, now 150 mm\n")
    shown = record("show", "20260305")[1]
    assert "reading lead length: 150 mm   CORRECTED by amendment 1; written then: 151 mm" in shown
    assert shown.endswith("END OF THE DATA SHEET of run 20260305-0914-TW-04\n")


def test_amend_needs_one_thing_and_a_reason(data: Path, record: Run) -> None:
    assert record("amend", "20260305", "--reason", "x")[0] == 2
    assert record("amend", "20260305", "--correct", "9", "torque", "1", "--reason", "x")[0] == 1
    code, out, _ = record(
        "amend", "20260305", "--remark", "kept", "--by", "tech-9", "--reason", "y", "--json"
    )
    assert code == 0
    assert json.loads(out)["by"] == {"name": "tech-9", "how": "declared"}


def test_export_writes_tables_or_one_zip(data: Path, record: Run) -> None:
    code, out, _ = record("export", "20260305", "--no-captures")
    assert code == 0
    assert sorted(Path(line).name for line in out.splitlines()) == [
        "measurements.csv",
        "shots.csv",
        "verdicts.csv",
    ]
    assert record("export", "20260305", "--zip", "all.zip")[0] == 0
    with zipfile.ZipFile("all.zip") as bundle:
        assert "20260305-0914-TW-04/journal.jsonl" in bundle.namelist()


def test_a_report_is_registered_and_the_record_still_holds(data: Path, record: Run) -> None:
    code, out, _ = record("report", "20260306")
    made = data / "20260306-0801-TW-05" / "report.html"
    assert (code, out) == (0, f"report: {made}\n")
    assert made.read_bytes().startswith(b"<!DOCTYPE html>")
    assert record("verify", "20260306")[0] == 0
    assert record("report", "20260306", "--reason", "typing error in the header")[0] == 0
    assert b"revision 2, replaces report.html" in (made.parent / "report-2.html").read_bytes()


def test_a_report_of_a_damaged_record_says_so(data: Path, record: Run) -> None:
    (data / "20260306-0801-TW-05" / "bench.yaml").write_text("laboratory: another\n")
    code, _, err = record("report", "20260306", "--draft", "draft.html")
    assert code == 1
    assert "the record does not hold: bench.yaml" in err
    assert "the record does not hold: bench.yaml" in Path("draft.html").read_text()


def test_without_a_data_folder_the_help_says_how_to_name_it(record: Run, tmp_path: Path) -> None:
    code, _, err = record("list", "--data", str(tmp_path / "nowhere"))
    assert code == 2
    assert "help: name it with --data or $BENCHWARD_DATA" in err


def test_a_run_in_progress_was_listed_as_interrupted(
    data: Path, record: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    invented_folder(data, Plan(run="20260307-0801-TW-06", shots=2, samples=40, ended=False, sealed=False))
    assert "no seal" in record("list", "--specimen", "TW-04")[1].splitlines()[-1]
    lock = FolderLock(data)
    monkeypatch.setattr("orchestrator.cli.status.status_now", lambda places: {"run": "20260307-0801-TW-06"})
    row = record("list")[1].splitlines()[-1]
    lock.close()
    assert "in progress" in row
    assert "not yet sealed" in row
    assert "interrupted" not in row


@pytest.mark.parametrize(
    "arguments", [("report", "20260305", "--draft", "nope/x.html"), ("export", "20260305", "--to", "file/x")]
)
def test_a_place_that_cannot_be_written_was_told_as_a_fault_of_the_software(
    arguments: tuple[str, ...], data: Path, record: Run
) -> None:
    Path("file").write_text("")
    code, _, err = record(*arguments)
    assert code == 2
    assert f"error: {arguments[-1]}: " in err
    assert "help: name another place" in err


def test_export_wrote_over_what_was_there(data: Path, record: Run) -> None:
    for more in ((), ("--to", "tables"), ("--zip", "all.zip")):
        assert record("export", "20260305", "--no-captures", *more)[0] == 0
        before = {path: path.stat().st_mtime_ns for path in Path().rglob("*")}
        code, _, err = record(
            "export", "20260306", "--no-captures", *(more or ("--to", "20260305-0914-TW-04-tables"))
        )
        assert code == 2
        assert "exists already: nothing is written over it" in err
        assert {path: path.stat().st_mtime_ns for path in Path().rglob("*")} == before
