"""The command: exit codes, what programs read, what people read, and what must not be printed."""

import argparse
import json
import subprocess
import sys
from pathlib import Path

import pytest

from orchestrator.analysis import validate
from orchestrator.analysis.methods import METHODS, Analysis, analyse
from orchestrator.analysis.waveform import Waveform
from orchestrator.cli import analyse as command
from tests.impulse_records import I_8_20, V_1_2_50, times_us, values, write_csv

T_US = times_us(100e6)


def run(*words: str | Path) -> int:
    parser = argparse.ArgumentParser(prog="benchward")
    command.add_parser(parser.add_subparsers(required=True))
    args = parser.parse_args(["analyse", *map(str, words)])
    return int(args.run(args))


@pytest.fixture
def good(tmp_path: Path) -> Path:
    return write_csv(
        tmp_path / "shot.csv", "time [us],voltage [kV]", T_US, -1.7 * values(V_1_2_50.form, T_US)
    )


@pytest.fixture
def flat(tmp_path: Path) -> Path:
    return write_csv(tmp_path / "flat.csv", "time [us],voltage [kV]", T_US, 0.0 * T_US)


def test_the_names_offered_are_the_methods_there_are() -> None:
    assert tuple(METHODS) == command.METHOD_NAMES


def test_json_has_figures_in_base_units_and_nothing_else_on_the_stream(
    good: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(good, "--method", "impulse-voltage", "--json") == 0

    printed = json.loads(capsys.readouterr().out)
    assert printed["method"] == "impulse-voltage"
    assert list(printed["results"]) == ["peak", "front_time", "time_to_half", "duration_50", "undershoot"]
    peak = printed["results"]["peak"]
    assert peak.keys() == {"value", "unit", "expanded_uncertainty", "coverage_factor", "definition"}
    assert (peak["value"], peak["unit"]) == (pytest.approx(-1700.0, rel=1e-3), "V")
    assert printed["results"]["front_time"]["value"] == pytest.approx(1.19986e-6, rel=5e-3)


def test_stated_accuracy_gives_uncertainty_and_its_budget(
    good: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    accuracy = "voltage: gain 0.5 %, offset 0.1 %, timebase 50 ppm, range 2.5 kV, bits 12"
    assert run(good, "--method", "impulse-voltage", "--json", "--budget", "--accuracy", accuracy) == 0

    peak = json.loads(capsys.readouterr().out)["results"]["peak"]
    assert peak["expanded_uncertainty"] == pytest.approx(0.005 * 1700.0 * 0.95, rel=0.1)
    assert {"gain", "noise", "quantisation"} <= {line["name"] for line in peak["budget"]["contributions"]}


def test_people_see_figure_unit_uncertainty_definition_and_budget(
    good: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(good, "--method", "impulse-voltage", "--budget", "--accuracy", "voltage: gain 0.5 %") == 0

    printed = capsys.readouterr().out
    assert "-1.7002 kV +- 0.0081 kV" in printed
    assert "(t90 - t30) / 0.6" in printed
    assert "contribution" in printed and "expanded uncertainty" in printed


@pytest.mark.parametrize("as_json", [False, True])
def test_a_refused_record_gives_exit_1_a_reason_and_no_figures(
    flat: Path, as_json: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(flat, "--method", "impulse-voltage", *(["--json"] if as_json else [])) == 1

    streams = capsys.readouterr()
    assert "refused (flat)" in streams.err and "\nhelp: " in streams.err
    assert "results" not in streams.out and "peak" not in streams.out
    if as_json:
        assert json.loads(streams.out)["refused"]["code"] == "flat"


WRONG: dict[str, tuple[list[str], str]] = {
    "no method": ([], "no method is named"),
    "unknown method": (["--method", "impulse-sound"], "no method 'impulse-sound'"),
    "no number": (
        ["--method", "impulse-voltage", "--accuracy", "voltage: gain much"],
        "not a word, a number",
    ),
    "no unit": (["--method", "impulse-voltage", "--accuracy", "voltage: gain 0.5"], "in % or ppm"),
    "no channel": (["--method", "impulse-voltage", "--accuracy", "gain 0.5 %"], "a channel and a colon"),
    "other channel": (["--method", "impulse-voltage", "--accuracy", "u: gain 1 %"], "no channel 'u'"),
    "other unit": (["--method", "impulse-voltage", "--accuracy", "voltage: range 3 A"], "the range is in A"),
    "unknown word": (
        ["--method", "impulse-voltage", "--accuracy", "voltage: drift 1 %"],
        "'drift' is not one",
    ),
    "given twice": (
        ["--method", "impulse-voltage", "--accuracy", "voltage: gain 1 %, gain 2 %"],
        "given twice",
    ),
    "no picture": (["--method", "impulse-voltage", "--plot", "shot.docx"], "no kind of picture"),
    "no such channel": (["--method", "impulse-voltage", "--voltage", "CH9"], "no channel 'CH9'"),
    "output without validate": (
        ["--method", "impulse-voltage", "--output", "x.txt"],
        "belongs to --validate",
    ),
}


@pytest.mark.parametrize(("words", "said"), WRONG.values(), ids=WRONG.keys())
def test_a_wrong_command_gives_exit_2_and_help(
    good: Path, words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(good, *words) == 2

    streams = capsys.readouterr()
    assert said in streams.err and "\nhelp: " in streams.err
    assert streams.out == ""


def test_a_file_that_is_not_there_is_a_wrong_command(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(tmp_path / "none.csv", "--method", "impulse-voltage") == 2
    assert run("--method", "impulse-voltage") == 2
    assert "No such file" in capsys.readouterr().err


def test_channels_of_other_names_are_chosen(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    i = 0.85 * values(I_8_20.form, T_US)
    header = "time [us],CH1 [V],CH2 [V],CH3 [kA]"
    path = write_csv(tmp_path / "shot.csv", header, T_US, 100.0 * i, 2000.0 * i, i)

    assert run(path, "--method", "limiting-voltage", "--json") == 1
    assert "CH1 [V], CH2 [V], CH3 [A]" in capsys.readouterr().err
    assert run(path, "--method", "limiting-voltage", "--voltage", "CH2", "--json") == 0
    printed = json.loads(capsys.readouterr().out)["results"]
    assert printed["limiting_voltage"]["value"] == pytest.approx(1700.0, rel=1e-3)


def test_validation_is_in_and_writes_its_page(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("--validate", "--output", tmp_path / "page.txt") == 0

    page = (tmp_path / "page.txt").read_text(encoding="utf-8")
    assert capsys.readouterr().out == page
    assert "All 216 figures are in." in page and "numpy" in page and "SHA-256" in page


def test_validation_fails_when_a_figure_is_off(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Front factors of the two definitions exchanged: the mistake most often made."""
    monkeypatch.setattr(validate.validation, "__defaults__", (_with_exchanged_factor,))

    assert run("--validate") == 1

    printed = capsys.readouterr().out
    assert "are OUT." in printed
    assert [line for line in printed.splitlines() if line.endswith("OUT") and "front_time" in line]


def _with_exchanged_factor(waveform: Waveform, method: str) -> Analysis:
    analysis = analyse(waveform, method)
    if method != "impulse-voltage":
        return analysis
    front = analysis.results["front_time"]
    spoilt = type(front)(front.value * 0.6 / 0.8, front.unit, front.definition)
    return Analysis(method, {**analysis.results, "front_time": spoilt}, (), analysis.internals)


def test_the_parser_costs_no_numpy() -> None:
    code = (
        "import sys, argparse; from orchestrator.cli import analyse; "
        "analyse.add_parser(argparse.ArgumentParser().add_subparsers()); print('numpy' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )

    assert done.stdout.strip() == "False"
