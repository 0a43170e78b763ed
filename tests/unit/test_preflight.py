"""What refuses a start, and the earlier verification that a start may rest on."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from orchestrator.engine.answers import confirmed_items
from orchestrator.engine.earlier import earlier_verification
from orchestrator.engine.people import Question
from orchestrator.engine.photos import kept_photo
from orchestrator.engine.preflight import (
    Ready,
    Refused,
    calibration_going_on,
    estimated_bytes,
    planned_duration_s,
    preflight,
    run_name,
)
from orchestrator.record.chain import encode_line, sha256_hex
from orchestrator.record.specimens import newest_run
from orchestrator.record.store import MemoryStore
from orchestrator.steps import KINDS
from sequences.loader import LoadedBench, load_bench, load_sequence
from tests.run.worlds import TIDEWATER

NOW = datetime(2026, 11, 24, 12, 0, tzinfo=UTC)
PLENTY = 10**12
SEQUENCE = TIDEWATER / "sequence.yaml"


@pytest.fixture(scope="module")
def bench() -> LoadedBench:
    return load_bench(TIDEWATER / "bench.yaml")


def ready(bench: LoadedBench, data: Path, **more: Any) -> Ready:
    given = {
        "sequence_file": str(SEQUENCE),
        "specimen": "TW-01",
        "given": {},
        "now": NOW,
        "free_bytes": PLENTY,
    }
    return preflight(bench, data, **{**given, **more})


def test_nothing_speaks_against_a_good_start(bench: LoadedBench, tmp_path: Path) -> None:
    one = ready(bench, tmp_path, specimen="  TW-01 ", given={"shots": "4"})
    assert (one.specimen, one.earlier, one.history.runs) == ("TW-01", None, [])
    assert one.sequence.parameters["shots"] == "4"
    assert list(tmp_path.iterdir()) == []


def test_all_findings_come_at_once_as_check_prints_them(bench: LoadedBench, tmp_path: Path) -> None:
    with pytest.raises(Refused) as refused:
        ready(bench, tmp_path, given={"shots": "999", "interval": "1 h", "nothing": "5"})
    reply = refused.value.to_json()
    assert {one["code"] for one in reply["findings"]} == {"parameter-out-of-bounds", "unknown-parameter"}
    assert len(reply["findings"]) == len(reply["rendered"]) == 3
    assert "help:" in reply["rendered"][0]


@pytest.mark.parametrize("specimen", ["", "   ", "x" * 200, "a\nb"])
def test_a_specimen_needs_an_identity(bench: LoadedBench, tmp_path: Path, specimen: str) -> None:
    with pytest.raises(Refused) as refused:
        ready(bench, tmp_path, specimen=specimen)
    assert refused.value.code == "no-specimen"


def test_the_planned_duration_counts_intervals_and_what_takes_longer(bench: LoadedBench) -> None:
    sequence = load_sequence(
        SEQUENCE, KINDS, {"shots": "4", "interval": "10 s", "observation": "5 s"}
    ).sequence
    assert sequence is not None
    assert bench.bench is not None
    # By hand: 6 verification shots and 4 shots of the duty at 10 s, or longer where a shot's steps are: warning 2 s
    # (energise), 5 + 2 s (observe), 1 + 2 s (measure) = 12 s; before it 2 s (inspect), 20 + 2 s; after it 2 s.
    assert planned_duration_s(sequence, bench.bench) == pytest.approx(6 * 10 + 4 * 12 + 24 + 2)


@pytest.mark.parametrize(("day", "refused"), [("2027-07-31", False), ("2027-08-01", True)])
def test_a_calibration_that_lapses_before_the_planned_end_refuses(
    bench: LoadedBench, tmp_path: Path, day: str, refused: bool
) -> None:
    """The meter is due on 2027-07-31: it may be used on that day."""
    now = datetime.fromisoformat(f"{day}T12:00:00+00:00")
    if not refused:
        ready(bench, tmp_path, now=now)
        return
    with pytest.raises(Refused, match=r"meter \(due 2027-07-31\)") as error:
        ready(bench, tmp_path, now=now)
    assert error.value.code == "calibration-lapsed"


def test_a_run_over_midnight_counts_to_its_end(bench: LoadedBench, tmp_path: Path) -> None:
    with pytest.raises(Refused, match="meter"):
        ready(bench, tmp_path, now=datetime(2027, 7, 31, 23, 55, tzinfo=UTC))


def test_a_disk_without_twice_the_room_refuses(bench: LoadedBench, tmp_path: Path) -> None:
    sequence = load_sequence(SEQUENCE, KINDS).sequence
    assert sequence is not None
    assert bench.bench is not None
    wanted = 2 * estimated_bytes(sequence, bench.bench)
    ready(bench, tmp_path, free_bytes=wanted)
    with pytest.raises(Refused, match="MB free") as refused:
        ready(bench, tmp_path, free_bytes=wanted - 1)
    assert refused.value.code == "disk-full"


# ---- names


def test_run_names_are_never_given_twice(tmp_path: Path) -> None:
    names = []
    for _ in range(3):
        names.append(run_name(tmp_path, "TW 04/ü", NOW))
        (tmp_path / names[-1]).mkdir()
    assert names == ["20261124-1200-TW-04", "20261124-1200-TW-04-2", "20261124-1200-TW-04-3"]
    assert run_name(tmp_path, "///", NOW) == "20261124-1200-specimen"


# ---- earlier verification


def past_run(
    data: Path, bench: LoadedBench, name: str = "20261124-1000-TW-00", **changes: Any
) -> dict[str, Any]:
    """A run folder with an accepted verification of 6 shots, `age` before now; as far as this search looks at it."""
    facts: dict[str, Any] = {
        "age": timedelta(hours=2), "bench_sha256": bench.sha256, "world": "real", "accepted": True,
        "reused_from": None, "reason": "completed", "sealed": True, "parameters": {}, "shots": 6,
        "text": SEQUENCE.read_text(),
    }  # fmt: skip
    facts.update(changes)
    utc = (NOW - facts["age"]).isoformat()
    entries: list[dict[str, Any]] = [
        {"kind": "run_started", "run": name, "bench_sha256": facts["bench_sha256"], "world": facts["world"],
         "parameters": facts["parameters"]},
        *({"kind": "triggered", "shot": n} for n in range(facts["shots"])),
        {"kind": "verification", "accepted": facts["accepted"], "effective_impedance_ohm": 2.0,
         "reused_from": facts["reused_from"]},
        {"kind": "cause", "reason": facts["reason"], "first": True},
        {"kind": "run_ended", "reason": facts["reason"]},
    ]  # fmt: skip
    folder = data / name
    folder.mkdir(parents=True)
    head, text = "0" * 64, b""
    for number, entry in enumerate(entries, 1):
        line = encode_line({"n": number, "utc": utc, **entry, "mono_s": 0.0, "prev": head})
        head, text = sha256_hex(line), text + line
    (folder / "journal.jsonl").write_bytes(text)
    (folder / "sequence.yaml").write_text(facts["text"])
    if facts["sealed"]:
        (folder / "seal.json").write_text("{}")
    return facts


def found(data: Path, bench: LoadedBench, **given: str) -> str | None:
    sequence = load_sequence(SEQUENCE, KINDS, given).sequence
    assert sequence is not None
    one = earlier_verification(data, bench, sequence, NOW)
    return None if one is None else one.run


def test_an_accepted_verification_holds_for_the_same_bench_and_the_same_demands(
    bench: LoadedBench, tmp_path: Path
) -> None:
    past_run(tmp_path, bench)
    assert found(tmp_path, bench) == "20261124-1000-TW-00"


@pytest.mark.parametrize(
    "changes",
    [
        {"age": timedelta(hours=8)},
        {"age": timedelta(hours=-1)},
        {"shots": 61},
        {"bench_sha256": "another"},
        {"world": "rehearsal"},
        {"accepted": False},
        {"sealed": False},
        {"reason": "instrument_fault"},
        {"reason": "off_not_proven"},
        {"parameters": {"verification_shots": "2"}},
        {"text": SEQUENCE.read_text().replace("peak: 1.7 kV +-10 %", "peak: 1.7 kV +-20 %")},
        {"text": "no sequence: at all"},
    ],
    ids=str,
)
def test_it_does_not_hold(bench: LoadedBench, tmp_path: Path, changes: dict[str, Any]) -> None:
    past_run(tmp_path, bench, **changes)
    assert found(tmp_path, bench) is None


@pytest.mark.parametrize(
    ("later", "holds"),
    [
        ({"shots": 40}, True),
        ({"shots": 55}, False),
        ({"reason": "instrument_fault"}, False),
        ({"sealed": False}, False),
        ({"reason": "abort_by_person"}, True),
    ],
)
def test_what_a_later_run_did_to_it(
    bench: LoadedBench, tmp_path: Path, later: dict[str, Any], holds: bool
) -> None:
    """The later run reused it; shots of all runs since count, those of the verification included."""
    past_run(tmp_path, bench)
    changes = {"age": timedelta(hours=1), "reused_from": "20261124-1000-TW-00", **later}
    past_run(tmp_path, bench, "20261124-1100-TW-00", **changes)
    assert found(tmp_path, bench) == ("20261124-1000-TW-00" if holds else None)


def test_other_parameters_that_the_verification_does_not_use_do_not_matter(
    bench: LoadedBench, tmp_path: Path
) -> None:
    past_run(tmp_path, bench, parameters={"shots": "4"})
    assert found(tmp_path, bench, shots="20") == "20261124-1000-TW-00"
    assert found(tmp_path, bench, interval="50 s") is None


def test_a_journal_that_was_changed_is_not_trusted(bench: LoadedBench, tmp_path: Path) -> None:
    past_run(tmp_path, bench)
    journal = tmp_path / "20261124-1000-TW-00" / "journal.jsonl"
    changed = journal.read_text().replace("2.0,", "2.1,")
    assert changed != journal.read_text()
    journal.write_text(changed)
    assert found(tmp_path, bench) is None


def test_the_newest_run_is_found_among_other_folders(bench: LoadedBench, tmp_path: Path) -> None:
    assert newest_run(tmp_path) is None
    past_run(tmp_path, bench)
    (tmp_path / "logs").mkdir()
    newest = newest_run(tmp_path)
    assert newest is not None
    assert newest.name == "20261124-1000-TW-00"


# ---- answers


QUESTION = Question(3, "arm", "Arm.", items=("cell is clear", "cloth in contact", "cloth is dry"))


@pytest.mark.parametrize(
    ("args", "items"),
    [
        ({"confirm_all": True}, QUESTION.items),
        ({"confirmed": ["Cell", "cloth is dry"]}, ("cell is clear", "cloth is dry")),
        ({}, ()),
    ],
)
def test_items_are_confirmed_by_their_beginning(args: dict[str, Any], items: tuple[str, ...]) -> None:
    assert confirmed_items(QUESTION, args) == items


@pytest.mark.parametrize("text", ["cloth", "door", ""])
def test_what_is_not_one_item_is_refused_with_the_items(text: str) -> None:
    with pytest.raises(Refused) as refused:
        confirmed_items(QUESTION, {"confirmed": [text]})
    assert "cell is clear" in refused.value.help


def test_a_photo_is_copied_into_the_record_and_never_over_another(tmp_path: Path) -> None:
    store = MemoryStore()
    (tmp_path / "my photo.jpg").write_bytes(b"picture")
    first = kept_photo(store, 2, str(tmp_path / "my photo.jpg"))
    second = kept_photo(store, 2, str(tmp_path / "my photo.jpg"))
    assert first == "photos/question-02-my-photo.jpg"
    assert second != first
    assert store.read(first) == b"picture"
    with pytest.raises(Refused, match="cannot be read"):
        kept_photo(store, 2, str(tmp_path / "none.jpg"))


# ---- a paused run that is to go on


def due_of(bench: LoadedBench) -> tuple[str, datetime]:
    """The instrument of the bench whose calibration ends first, and that day."""
    assert bench.bench is not None
    name, unit = min(bench.bench.instruments.items(), key=lambda one: one[1].calibration_due)
    day = unit.calibration_due
    return name, datetime(day.year, day.month, day.day, 12, tzinfo=UTC)


def test_a_calibration_that_passes_during_a_pause_keeps_the_run_paused(bench: LoadedBench) -> None:
    sequence, (name, due) = load_sequence(SEQUENCE, KINDS, {}).sequence, due_of(bench)
    assert sequence is not None
    assert bench.bench is not None
    good = frozenset[str]()
    assert calibration_going_on(sequence, bench.bench, due, None, good) is None  # the last good day
    late = due + timedelta(days=1)
    with pytest.raises(Refused) as refused:
        calibration_going_on(sequence, bench.bench, late, None, good)
    assert refused.value.code == "calibration-lapsed"
    assert "The run stays paused" in refused.value.sentence
    assert f"{name} (due {due.date()})" in refused.value.sentence
    assert "benchward resume --override-calibration" in refused.value.help


def test_an_override_lets_a_paused_run_go_on_and_one_of_its_start_still_holds(bench: LoadedBench) -> None:
    sequence, (_, due) = load_sequence(SEQUENCE, KINDS, {}).sequence, due_of(bench)
    assert sequence is not None
    assert bench.bench is not None
    late = due + timedelta(days=1)
    given = calibration_going_on(
        sequence, bench.bench, late, "checked against the house standard", frozenset()
    )
    assert given is not None
    assert given.to_json()["reason"] == "checked against the house standard"
    at_start = frozenset(given.due)
    assert calibration_going_on(sequence, bench.bench, late, None, at_start) is None
