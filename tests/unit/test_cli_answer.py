"""`benchward answer`: nobody arms, connects, releases or acknowledges with a line that did not name what it read."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from orchestrator.cli import client
from orchestrator.cli.main import main
from orchestrator.cli.showing import Showing
from orchestrator.daemon.places import Places

Facts = dict[str, Any]
CAUTION = "Stored energy can kill."


def asked(ask: str, number: int) -> Facts:
    return {
        "question": number, "ask": ask, "text": f"Do: {ask}.", "items": ["cell is clear"], "choices": [],
        "needs_photo": False, "caution": CAUTION,
    }  # fmt: skip


class PlayedEngine:
    """An engine that asks one thing, and what it was told."""

    question: Facts | None = None
    told: list[tuple[str, Facts]]
    then: list[Facts]

    def __init__(self, places: Any) -> None:
        """A connection; where to does not matter."""

    def close(self) -> None:
        """Nothing is open."""

    def call(self, do: str, who: Facts | None = None, within_s: float = 1.0, **args: Any) -> Facts:
        if do == "status":
            return {"status": {"do": {"question": self.question}}}
        if do != "watch":
            self.told.append((do, args))
        return {"ok": True, "sentence": f"{do} was done."}

    def send(self, do: str, who: Facts | None = None, **args: Any) -> int:
        self.told.append((do, args))
        return 7

    def messages(self, until_s: float) -> Iterator[Facts]:
        yield {"id": 7, "ok": True, "sentence": "Taken."}
        yield from self.then


@pytest.fixture
def engine(monkeypatch: pytest.MonkeyPatch) -> type[PlayedEngine]:
    class Engine(PlayedEngine):
        told: list[tuple[str, Facts]] = []
        then: list[Facts] = []

    monkeypatch.setattr(client, "EngineLink", Engine)
    return Engine


@pytest.mark.parametrize(
    ("ask", "number", "name"),
    [("arm", 4, "4"), ("connect", 3, "3"), ("release", 0, "release"), ("acknowledge", 0, "acknowledge")],
)
def test_the_same_line_once_more_armed_a_bench_unseen(
    ask: str, number: int, name: str, engine: type[PlayedEngine], capsys: pytest.CaptureFixture[str]
) -> None:
    engine.question = asked(ask, number)
    assert main(["answer", "--confirm-all", "--by", "T. Made-Up"]) == 2
    said = capsys.readouterr().err
    assert engine.told == []
    assert "Nothing was done" in said
    assert f"CAUTION: {CAUTION}" in said
    assert "confirm: cell is clear" in said
    assert f"answer with: benchward answer --question {name} --confirm-all --by NAME" in said


@pytest.mark.parametrize("wrong", ["0", "acknowledge", "5"])
def test_the_name_of_another_act_releases_nothing(wrong: str, engine: type[PlayedEngine]) -> None:
    engine.question = asked("release", 0)
    assert main(["answer", "--question", wrong, "--confirm-all", "--by", "O. Charge"]) == 2
    assert engine.told == []
    assert main(["answer", "--question", "release", "--confirm-all", "--by", "O. Charge"]) == 0
    assert [do for do, _ in engine.told] == ["release"]


@pytest.mark.parametrize(
    ("then", "said"),
    [
        ({"event": {"kind": "arming", "granted": True, "by": "T. Made-Up"}}, "ARMED by T. Made-Up: stay outside"),
        ({"event": {"kind": "arming", "granted": False, "sentence": "door is open"}}, "NOT ARMED: door is open."),
        ({"status": {"do": {"question": asked("arm", 5)}}}, "Stay outside. Now question 5 is open"),
    ],
)  # fmt: skip
def test_who_arms_is_told_that_it_is_armed_not_taken(
    then: Facts, said: str, engine: type[PlayedEngine], capsys: pytest.CaptureFixture[str]
) -> None:
    engine.question = asked("arm", 4)
    engine.then = [{"event": {"kind": "answered"}}, then]
    assert main(["answer", "--question", "4", "--confirm-all", "--by", "T. Made-Up"]) == 0
    out = capsys.readouterr().out
    assert said in out
    assert "Taken" not in out


def test_an_arming_that_tells_nothing_counts_as_armed(
    engine: type[PlayedEngine], capsys: pytest.CaptureFixture[str]
) -> None:
    engine.question = asked("arm", 4)
    assert main(["answer", "--question", "4", "--confirm-all"]) == 2
    assert "treat it as armed" in capsys.readouterr().err


def test_an_answer_reaches_the_question_that_was_read_and_no_later_one(engine: type[PlayedEngine]) -> None:
    engine.question = asked("hold", 9)
    assert main(["answer", "--confirm-all"]) == 0
    assert engine.told[0][1]["question"] == 9


def test_the_label_read_at_the_bench_goes_with_the_answer(engine: type[PlayedEngine]) -> None:
    engine.question = asked("connect", 5)
    line = ["answer", "--question", "5", "--confirm-all", "--label", "TW-04", "--condition", "scratched"]
    assert main(line) == 0
    told = engine.told[0][1]
    assert (told["label"], told["condition"], told["firmware"]) == ("TW-04", "scratched", None)


def test_start_wait_showed_an_answer_line_that_reached_no_daemon(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """`start --data FOLDER --wait` left --data out of the line that it told a person to type."""
    monkeypatch.setenv("BENCHWARD_DATA", str(tmp_path / "usual"))
    for data, more in ((tmp_path / "usual", ""), (tmp_path / "my lab", f" --data '{tmp_path}/my lab'")):
        showing = Showing(Places(data, data), False, None)
        showing.begin({"run": "R1", "warnings": [], "folder": "R1", "part_of": []})
        showing._take_question(asked("arm", 4))
        told = next(line for line in capsys.readouterr().out.splitlines() if line.startswith("answer with:"))
        assert told == f"answer with: benchward answer --question 4 --confirm-all --by NAME{more}"


def test_the_labels_of_all_mounts_are_one_answer(engine: type[PlayedEngine]) -> None:
    engine.question = asked("connect", 2) | {"labels_of": ["WG-01", "WG-02"]}
    line = [
        "answer",
        "--question",
        "2",
        "--confirm-all",
        "--label",
        "WG-01",
        "--label",
        "WG-02",
        "--by",
        "T.",
    ]

    assert main(line) == 0
    assert engine.told[0][1]["labels"] == ["WG-01", "WG-02"]


def test_two_labels_for_one_specimen_are_refused(
    engine: type[PlayedEngine], capsys: pytest.CaptureFixture[str]
) -> None:
    engine.question = asked("connect", 2) | {"label_of": "WG-01"}
    line = ["answer", "--question", "2", "--confirm-all", "--label", "WG-01", "--label", "WG-02"]

    assert main(line) == 2
    assert engine.told == []
    assert "2 labels were given" in capsys.readouterr().err
