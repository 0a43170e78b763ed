import functools
import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from orchestrator.record.amend import Amender, Author, Refused
from orchestrator.record.journal import JOURNAL, Journal
from orchestrator.record.reader import NoRecord
from orchestrator.record.seal import HEADS, Heads, seal
from orchestrator.record.store import MemoryStore, StorageFault
from orchestrator.record.verify import Verification, verify
from tests.golden.invented_run import InventedClock, Plan, invented_folder, invented_store

SMALL = Plan(shots=2, verification_shots=1, samples=40)
AUTHOR = Author("tech-2", "declared", "misread in the evening")


def amended(data: Path) -> Path:
    """A small run with a remark, a correction and a report; its folder."""
    folder = invented_folder(data, SMALL)
    amender = Amender(folder, Heads.of(data), InventedClock(9000.0))
    amender.remark(AUTHOR, "kept in rack 4")
    amender.correct(AUTHOR, 9, "lead length", "150 mm")
    amender.issue_report(AUTHOR, b"<html>report</html>")
    return folder


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return amended(tmp_path)


def look(folder: Path) -> Verification:
    return verify(folder, Heads.of(folder.parent))


def wrong(found: Verification) -> list[str]:
    return [str(finding) for finding in found.findings if finding.weight == "wrong"]


def test_a_whole_record_is_whole_and_its_end_confirmed(folder: Path) -> None:
    found = look(folder)
    assert found.ok
    assert found.end_confirmed
    assert not found.interrupted
    assert found.findings == []
    assert "the record is whole" in found.sentence
    assert set(found.checked) == {*(p.relative_to(folder).as_posix() for p in files(folder)), HEADS} - {
        "environment.sha256"
    }


def test_without_the_list_of_heads_the_end_cannot_be_confirmed(folder: Path) -> None:
    found = verify(folder, None)
    assert found.ok
    assert not found.end_confirmed
    assert "The end cannot be confirmed" in found.sentence


def files(folder: Path) -> Iterator[Path]:
    return (path for path in sorted(folder.rglob("*")) if path.is_file())


@functools.cache
def original(where: str) -> dict[str, bytes]:
    """All files of an amended run and the list of heads beside it, by their path in the data folder."""
    data = Path(where)
    folder = amended(data)
    return {path.relative_to(data).as_posix(): path.read_bytes() for path in [*files(folder), data / HEADS]}


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, bytes]]:
    data = tmp_path_factory.mktemp("data")
    return data, original(str(data))


def damaged(whole: tuple[Path, dict[str, bytes]], name: str, contents: bytes | None) -> Verification:
    """The record with one file changed (None: deleted), looked at; the file is put back."""
    data, originals = whole
    path = data / name
    try:
        path.unlink() if contents is None else path.write_bytes(contents)
        return look(data / SMALL.run)
    finally:
        path.write_bytes(originals[name])


@settings(max_examples=250, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_flipped_byte_is_found(whole: tuple[Path, dict[str, bytes]], data: st.DataObject) -> None:
    name = data.draw(st.sampled_from(sorted(whole[1])))
    before = whole[1][name]
    place = data.draw(st.integers(0, len(before) - 1))
    mask = data.draw(st.integers(1, 255))
    changed = bytearray(before)
    changed[place] ^= mask
    found = damaged(whole, name, bytes(changed))
    assert not found.ok
    assert any(
        finding.file.removeprefix(SMALL.run) in name or "environment" in name for finding in found.findings
    )


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_cut_is_found(whole: tuple[Path, dict[str, bytes]], data: st.DataObject) -> None:
    name = data.draw(st.sampled_from(sorted(whole[1])))
    length = data.draw(st.integers(0, len(whole[1][name]) - 1))
    assert not damaged(whole, name, whole[1][name][:length]).ok


def test_every_byte_of_the_short_files_counts(whole: tuple[Path, dict[str, bytes]]) -> None:
    """The case bit (0x20) turns hex digits into other readings of the same number: still found."""
    for name in (f"{SMALL.run}/environment.sha256", f"{SMALL.run}/environment.json"):
        for place in range(len(whole[1][name])):
            changed = bytearray(whole[1][name])
            changed[place] ^= 0x20
            assert not damaged(whole, name, bytes(changed)).ok, (name, place)


def test_every_cut_between_lines_is_found(whole: tuple[Path, dict[str, bytes]]) -> None:
    for name in (f"{SMALL.run}/journal.jsonl", f"{SMALL.run}/amendments.jsonl", HEADS):
        lines = whole[1][name].splitlines(keepends=True)
        for kept in range(len(lines)):
            assert not damaged(whole, name, b"".join(lines[:kept])).ok, (name, kept)


def test_any_deleted_file_is_found(whole: tuple[Path, dict[str, bytes]]) -> None:
    for name in whole[1]:
        found = damaged(whole, name, None)
        assert not found.ok, name
        assert any(finding.file in name or "report" in name for finding in found.findings), name


def test_an_extra_file_is_found(folder: Path) -> None:
    (folder / "captures" / "duty-99.h5").write_bytes(b"")
    assert wrong(look(folder)) == [
        "captures/duty-99.h5: is neither in the seal nor issued by an amendment: it was put there later"
    ]


@pytest.mark.parametrize(("line", "replace"), [(5, b"TR-12"), (12, b"positive")])
def test_a_changed_line_of_the_journal_is_named(folder: Path, line: int, replace: bytes) -> None:
    lines = (folder / JOURNAL).read_bytes().splitlines(keepends=True)
    lines[line] = lines[line].replace(b'"utc": "2026', b'"utc": "2027')
    (folder / JOURNAL).write_bytes(b"".join(lines))
    assert f"journal.jsonl:{line + 1}: was changed: line {line + 2} holds another hash of it" in wrong(
        look(folder)
    )


def test_a_missing_line_is_named(folder: Path) -> None:
    lines = (folder / JOURNAL).read_bytes().splitlines(keepends=True)
    (folder / JOURNAL).write_bytes(b"".join(lines[:7] + lines[8:]))
    assert "journal.jsonl:8: says n = 9, expected 8: lines are missing or changed" in wrong(look(folder))


def test_a_dropped_seal_is_found_by_the_list_and_looks_interrupted_without_it(folder: Path) -> None:
    (folder / "seal.json").unlink()
    (folder / "amendments.jsonl").unlink()
    assert "seal.json: is missing: the list of heads holds a seal of this run" in wrong(look(folder))
    without = verify(folder, None)
    assert without.interrupted
    assert not without.ok


def test_a_dropped_amendment_is_found_by_the_list_alone(folder: Path) -> None:
    lines = (folder / "amendments.jsonl").read_bytes().splitlines(keepends=True)
    (folder / "report.html").unlink()
    (folder / "amendments.jsonl").write_bytes(b"".join(lines[:2]))
    assert wrong(look(folder)) == ["amendments.jsonl: amendment 3 is missing: the list of heads holds it"]
    assert verify(folder, None).ok


def test_a_record_made_anew_by_a_skilful_hand_is_found_by_the_list(folder: Path, tmp_path: Path) -> None:
    shutil.rmtree(folder)
    other = tmp_path / "elsewhere"
    forged = invented_folder(other, Plan(run=SMALL.run, shots=2, verification_shots=1, samples=41))
    shutil.copytree(forged, folder)
    assert verify(folder, None).ok
    assert "seal.json: is not the seal that the list of heads holds" in wrong(look(folder))


def test_an_interrupted_run_shows_as_interrupted_and_names_torn_bytes(tmp_path: Path) -> None:
    store = invented_store(Plan(shots=2, stop_after=1, ended=False, sealed=False))
    store.append(JOURNAL, b'{"n": 99, "utc": "20')
    store.sync(JOURNAL)
    store.save_to(tmp_path / "run")
    found = verify(tmp_path / "run", None)
    assert found.interrupted
    assert not found.ok
    assert "interrupted: no seal" in found.sentence
    [note] = found.findings
    assert note.weight == "note"
    assert "20 torn bytes behind the last whole line are kept aside" in note.what


def test_in_an_interrupted_run_captures_are_held_against_the_journal(tmp_path: Path) -> None:
    invented_store(Plan(shots=1, ended=False, sealed=False)).save_to(tmp_path / "run")
    capture = tmp_path / "run" / "captures" / "duty-01.h5"
    data = bytearray(capture.read_bytes())
    data[1000] ^= 1
    capture.write_bytes(data)
    assert wrong(verify(tmp_path / "run", None)) != []


def test_an_interrupted_run_can_be_amended(tmp_path: Path) -> None:
    folder = invented_folder(tmp_path, Plan(shots=1, ended=False, sealed=False))
    Amender(folder, Heads.of(tmp_path), InventedClock()).remark(AUTHOR, "power cut in the whole street")
    found = look(folder)
    assert found.interrupted
    assert wrong(found) == []


def test_torn_amendments_and_heads_are_kept_aside_by_the_next_one(folder: Path) -> None:
    for path in (folder / "amendments.jsonl", folder.parent / HEADS):
        with path.open("ab") as file:
            file.write(b'{"n": 4, "utc"')
    assert [finding.weight for finding in look(folder).findings] == ["note", "note"]
    Amender(folder, Heads.of(folder.parent), InventedClock()).remark(AUTHOR, "after the power cut")
    found = look(folder)
    assert found.ok, found.sentence
    assert [finding.what for finding in found.findings] == ["is a torn line; the line after it says so"]


def test_a_torn_journal_that_could_not_be_cut_back_can_be_sealed_with_its_torn_bytes() -> None:
    store = MemoryStore()
    clock = InventedClock()
    journal = Journal(store, clock)
    journal.append("run_started", run="r-1")
    store.append(JOURNAL, b'{"n"')
    store.sync(JOURNAL)
    sealed = seal(store, journal, clock)
    assert json.loads(store.read("seal.json"))["torn_bytes"] == 4
    found = verify(store, None)
    assert found.ok
    assert [str(f) for f in found.findings] == [
        "journal.jsonl: 4 torn bytes at its end were there when it was sealed"
    ]
    assert sealed.count == 1


def test_a_journal_whose_last_line_was_not_confirmed_is_not_sealed() -> None:
    def point(act: str, name: str) -> None:
        if armed and act == "sync":
            raise OSError(5, "Input/output error")

    armed: list[bool] = []
    store = MemoryStore(point)
    clock = InventedClock()
    journal = Journal(store, clock)
    journal.append("run_started", run="r-1")
    armed.append(True)
    assert journal.keep("intent", act="trigger") is not None
    armed.clear()
    with pytest.raises(StorageFault, match="does not hold what was written to it"):
        seal(store, journal, clock)


def test_a_correction_names_what_can_be_corrected(folder: Path) -> None:
    amender = Amender(folder, Heads.of(folder.parent), InventedClock())
    with pytest.raises(Refused, match=r"holds no manual reading 'torque'\. .*: 9 lead length\."):
        amender.correct(AUTHOR, 9, "torque", "3 N m")
    again = amender.correct(AUTHOR, 9, "lead length", "149 mm")
    assert again["what"] == {"entry": 9, "reading": "lead length", "was": "150 mm", "now": "149 mm"}


@pytest.mark.parametrize(("name", "reason"), [("", "why"), ("tech-2", "  ")])
def test_an_amendment_needs_a_name_and_a_reason(name: str, reason: str) -> None:
    with pytest.raises(Refused, match="An amendment needs a"):
        Author(name, "declared", reason)


def test_a_second_report_replaces_the_first_and_both_stay(folder: Path) -> None:
    second = Amender(folder, Heads.of(folder.parent), InventedClock()).issue_report(AUTHOR, b"<html>2</html>")
    assert second["what"]["file"] == "report-2.html"
    assert second["what"]["replaces"] == "report.html"
    assert look(folder).ok


def test_nothing_is_added_to_a_damaged_record(folder: Path) -> None:
    data = bytearray((folder / JOURNAL).read_bytes())
    data[200] ^= 1
    (folder / JOURNAL).write_bytes(data)
    with pytest.raises(Refused, match="does not hold, so nothing is added"):
        Amender(folder, Heads.of(folder.parent), InventedClock()).remark(AUTHOR, "x")


def test_the_seal_of_equal_runs_is_equal_but_for_the_environment() -> None:
    one, other = invented_store(SMALL), invented_store(SMALL)
    assert {name: one.read(name) for name in one.names()} == {
        name: other.read(name) for name in other.names()
    }
    assert "environment.json" not in json.loads(one.read("seal.json"))["files"]


def test_where_there_is_no_folder_it_says_so(tmp_path: Path) -> None:
    with pytest.raises(NoRecord, match="is no run folder"):
        verify(tmp_path / "nothing", None)


def test_a_folder_without_a_journal_does_not_hold(tmp_path: Path) -> None:
    assert not verify(tmp_path, None).ok


@pytest.mark.parametrize("key", [b'"sha256"', b'"kind"'])
def test_a_damaged_key_in_the_list_of_heads_is_a_finding_and_no_crash(
    whole: tuple[Path, dict[str, bytes]], key: bytes
) -> None:
    heads = whole[1][HEADS]
    changed = heads.replace(key, key[:2] + b"#" + key[3:], 1)

    assert changed != heads
    assert not damaged(whole, HEADS, changed).ok
