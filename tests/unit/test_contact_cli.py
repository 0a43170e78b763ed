"""`benchward analyse` with the contact methods: what people and programs read, drawings, wrong commands, the docs."""

import argparse
import json
from importlib.resources import files
from pathlib import Path

import pytest

from orchestrator.analysis import contact_record
from orchestrator.analysis.diagnosis import FINDINGS
from orchestrator.cli import analyse as command
from tests.contact_records import Circuit, break_record, make_record, times_s
from tests.impulse_records import write_csv

T_S = times_s(20e3, 0.03)
HEADER = "time [ms],voltage [V],current [mA]"


def run(*words: str | Path) -> int:
    parser = argparse.ArgumentParser(prog="benchward")
    command.add_parser(parser.add_subparsers(required=True))
    args = parser.parse_args(["analyse", *map(str, words)])
    return int(args.run(args))


@pytest.fixture
def make_file(tmp_path: Path) -> Path:
    volts, amperes = make_record(T_S, Circuit(inrush=6.0, decay_s=2e-3), [4.02e-3, 5.22e-3], [4.72e-3])
    return write_csv(tmp_path / "make.csv", HEADER, 1e3 * T_S, volts, 1e3 * amperes)


@pytest.fixture
def break_file(tmp_path: Path) -> Path:
    volts, amperes = break_record(T_S, Circuit(arc_v=13.0), 10.02e-3, 12.02e-3)
    return write_csv(tmp_path / "break.csv", HEADER, 1e3 * T_S, volts, 1e3 * amperes)


def test_programs_read_base_units_and_a_plain_count(
    make_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(make_file, "--method", "contact-make", "--json") == 0

    results = json.loads(capsys.readouterr().out)["results"]
    assert list(results) == ["make_time", "bounce_time", "bounce_count", "contact_drop"]
    assert [results[name]["unit"] for name in results] == ["s", "s", "1", "V"]
    assert results["bounce_count"]["value"] == 1.0
    assert results["make_time"]["value"] == pytest.approx(4.02e-3, abs=3e-5)
    assert results["contact_drop"]["value"] == pytest.approx(0.08, rel=0.02)


def test_people_read_a_count_and_not_per_cent(make_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    accuracy = "voltage: gain 0.2 %, timebase 50 ppm; current: gain 0.5 %"
    assert run(make_file, "--method", "contact-make", "--accuracy", accuracy, "--budget") == 0

    printed = capsys.readouterr().out
    assert "  bounce_count  1\n" in printed and "%\n" not in printed.split("\n\n")[1]
    assert "4.025 ms +- 0.024 ms" in printed
    assert "sampling" in printed and "anywhere between two samples" in printed


def test_a_break_with_a_stated_criterion(break_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(break_file, "--method", "contact-break", "--open-above", "0.009 kV", "--json") == 0

    results = json.loads(capsys.readouterr().out)["results"]
    assert results["arcing_time"]["value"] == pytest.approx(2e-3, abs=5e-5)
    assert "open above 9 V: as given" in results["arcing_time"]["definition"]


@pytest.mark.parametrize("text", ["8", "8 A", "0 V", "-8 V", "eight V"])
def test_a_criterion_that_is_no_voltage(
    text: str, make_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(make_file, "--method", "contact-make", f"--open-above={text}") == 2
    assert "is not a voltage" in capsys.readouterr().err


def test_a_criterion_belongs_to_contacts(make_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(make_file, "--method", "impulse-voltage", "--open-above", "8 V") == 2
    assert "belongs to the contact methods" in capsys.readouterr().err


def test_the_wrong_method_is_refused_with_the_reason(
    break_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(break_file, "--method", "contact-make", "--json") == 1

    printed = capsys.readouterr()
    assert json.loads(printed.out)["refused"]["code"] == "closed_at_start"
    assert printed.err.startswith("refused (closed_at_start)") and "help:" in printed.err


@pytest.mark.parametrize("method", ["contact-make", "contact-break"])
def test_the_drawing_is_the_same_each_time(
    method: str, make_file: Path, break_file: Path, tmp_path: Path
) -> None:
    pictures = [tmp_path / "one.svg", tmp_path / "two.svg"]
    for picture in pictures:
        record = make_file if method == "contact-make" else break_file
        assert run(record, "--method", method, "--plot", picture) == 0

    first, second = (picture.read_bytes() for picture in pictures)
    assert first == second and len(first) > 10_000


def test_a_long_record_is_drawn_in_columns(tmp_path: Path) -> None:
    t_s = times_s(1e6, 0.05)
    volts, amperes = make_record(t_s, Circuit(), [4e-3])
    record = write_csv(tmp_path / "long.csv", HEADER, 1e3 * t_s, volts, 1e3 * amperes)

    assert run(record, "--method", "contact-make", "--plot", tmp_path / "long.svg") == 0
    assert (tmp_path / "long.svg").stat().st_size < 1_000_000


@pytest.mark.parametrize(
    ("spoil", "code"),
    [
        (lambda text: text.replace("voltage [V]", "voltage"), "wrong_unit"),
        (lambda text: text.replace("current [mA]", "flow [bar]"), "missing_channel"),
        (lambda text: _without(text, 300, 320), "gaps"),
        (lambda text: text[: len(text) // 2 + 7], "truncated"),
        (lambda text: text.split("\n")[0] + "\n", "empty"),
    ],
)
def test_files_that_are_not_whole(
    spoil: object, code: str, make_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    make_file.write_text(spoil(make_file.read_text()))  # type: ignore[operator]

    assert run(make_file, "--method", "contact-make", "--json") == 1
    assert json.loads(capsys.readouterr().out)["refused"]["code"] == code


def _without(text: str, first: int, last: int) -> str:
    lines = text.split("\n")
    return "\n".join(lines[:first] + lines[last:])


def test_the_page_names_every_refusal_and_every_finding() -> None:
    page = files("orchestrator").joinpath("docs/contacts.md").read_text(encoding="utf-8")
    own = {
        refusal.code
        for refusal in (
            contact_record._no_make(""),
            contact_record._closed_at_start(""),
            contact_record._open_at_start(""),
            contact_record._no_break(""),
            contact_record._not_extinguished(""),
        )
    }

    for word in (*own, "not_settled", "no_levels", *FINDINGS[1:]):
        assert f"`{word}`" in page
