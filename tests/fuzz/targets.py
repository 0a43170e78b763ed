"""What a fuzzer feeds bytes to: each target ends quietly for any bytes, or raises what is a fault of ours.

A target knows its good endings: findings, refusals, link faults. Everything else that is raised is a fault, and so is
an answer that contradicts itself. The seeds are good inputs from which the fuzzer starts.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Protocol

import yaml

from drivers import blocks, dialects, motion
from drivers.dialects.shapes import ActuatorDialect
from drivers.links.base import SLICE_S, Link, LinkFault
from drivers.links.memory import MemoryTransport
from orchestrator.analysis.csv_file import read_csv
from orchestrator.analysis.methods import METHODS, analyse
from orchestrator.analysis.readers import read_waveform
from orchestrator.analysis.refusal import Refused
from orchestrator.analysis.waveform import Waveform
from orchestrator.cli.check import answer_for
from orchestrator.steps import KINDS
from sequences.difference import difference
from sequences.findings import render
from sequences.loader import load_bench, load_sequence
from sequences.source import read as read_source
from tests.changed_files import BENCH, SEQUENCE, good, load
from tests.comtrade_files import TYPES, Analog, write_comtrade
from tests.contract.peers import FakePace
from tests.plant_rig import Rig
from tests.unit.scpi_instrument import Instrument
from tests.unit.test_blocks import FixedPort

SCPI_FILE = Path(__file__).parents[1] / "golden" / "scpi_messages.yaml"
BROKEN = Path(__file__).parents[1] / "golden" / "sequences" / "broken"


@dataclass(frozen=True)
class Target:
    """One thing to feed, good inputs to start from, and words that its language is made of."""

    feed: Callable[[bytes], None]
    seeds: Callable[[], Iterable[bytes]]
    words: tuple[str, ...] = ()


@cache
def folder() -> Path:
    """A folder of this process for the readers that want a file."""
    return Path(tempfile.mkdtemp(prefix="benchward-fuzz-"))


# --------------------------------------------------------------------------- sequences and bench files


def sequence_or_bench(data: bytes) -> None:
    """Any bytes as a file for `benchward check`, and compared with itself and with the shipped one."""
    path = folder() / "file.yaml"
    path.write_bytes(data)
    answer = answer_for(str(path))
    for finding in answer.findings:
        text = render(finding)
        assert finding.what and all(line.isprintable() for line in text.split("\n")), text
    assert answer.exit_code() in (0, 1)
    shipped = load(SEQUENCE if answer.kind == "sequence" else BENCH)
    source = read_source(path)
    loaded = load_sequence(source, KINDS) if answer.kind == "sequence" else load_bench(source)
    if answer.kind != "file" and good(loaded):
        assert difference(loaded, loaded) == []
        there, back = difference(shipped, loaded), difference(loaded, shipped)
        assert bool(there) == bool(back)


def _files() -> Iterable[bytes]:
    yield from (SEQUENCE.encode(), BENCH.encode())
    yield from (path.read_bytes() for path in sorted(BROKEN.glob("*.yaml")))


# --------------------------------------------------------------------------- instruments


def scpi_device(data: bytes) -> None:
    """An invented instrument, or one of the plant, by the first byte; then pieces, each after some time.

    A piece is two bytes, its length and the time before it in tenths of a second, and the bytes themselves.
    """
    which, data = data[:1], data[1:]
    now_s = 0.0
    device = _device(which[0] if which else 0)
    while data:
        size, pause, piece = data[0], data[1:2], data[2 : 2 + data[0]]
        data = data[2 + size :]
        now_s += (pause[0] if pause else 0) / 10.0
        device.receive(piece, now_s)
        for at_s, reply in device.advance(now_s):
            assert at_s <= now_s and isinstance(reply, bytes)
        assert device.next_due_s() > now_s or math.isinf(now_s)


INSTRUMENTS = ("generator", "digitiser_v", "digitiser_i", "meter")
USED = (
    ("SOUR:VOLT 1700;:OUTP:POL NORM;:OUTP ON", "SOUR:VOLT?;:MEAS:VOLT?", "INIT;*TRG;:OUTP OFF"),
    ("SENS:VOLT:RANG 0.4;:SENS:SWE:OFFS:POIN -1000;:FORM:BORD SWAP;:INIT", "STAT:OPER:COND?", "ABOR;*OPC?"),
    ("SENS:VOLT:RANG 5;:SENS:SWE:OFFS:POIN -1000;:INIT", "SENS:SWE:POIN?", "ABOR;:TRAC:DATA?"),
    ("SOUR:VOLT 60;:OUTP ON", "READ?", "MEAS:CURR?;:OUTP OFF"),
)


class Device(Protocol):
    """What is fed."""

    def receive(self, data: bytes, now_s: float) -> None: ...
    def advance(self, now_s: float) -> list[tuple[float, bytes]]: ...
    def next_due_s(self) -> float: ...


def _device(number: int) -> Device:
    if number % 5 == 0:
        return Instrument().device
    return Rig().plant.devices[INSTRUMENTS[number % 5 - 1]]


def _messages() -> Iterable[bytes]:
    rows = [row for rule in yaml.safe_load(SCPI_FILE.read_text()) for row in rule["rows"]]
    for index, row in enumerate(rows):
        text = str(row[0]).encode("latin-1", "replace")[:250] + b"\n"
        yield bytes([0, len(text), 1]) + text
        if index % 20 == 0:
            yield from (bytes([number, len(text), 1]) + text for number in range(1, 5))
    for number, texts in enumerate(USED, start=1):
        pieces = [text.encode() + b"\n" for text in texts]
        yield bytes([number]) + b"".join(bytes([len(piece), 5]) + piece for piece in pieces)


def block(data: bytes) -> None:
    """Any bytes from an instrument where a block is expected, in pieces; the first two bytes choose the sizes."""
    sizes, data = list(data[:2]), data[2:]
    pace = FakePace()
    pieces = [1 + sizes[k % len(sizes)] % 7 for k in range(30)] if sizes else []
    link = Link("recorder", MemoryTransport(FixedPort(pace, data, pieces)), pace)
    link.open(1.0)
    opened_s = pace.time_s
    received: bytes | None = None
    try:
        received = bytes(blocks.read(link, 1.0, most_bytes=1 << 20))
    except LinkFault as fault:
        assert fault.code in ("rubbish", "too_long", "timeout"), fault
    assert pace.time_s - opened_s < 1.0 + 2 * SLICE_S
    try:
        decoded = blocks.decode(data)
    except blocks.BlockError:
        return
    assert blocks.decode(blocks.encode(decoded)) == decoded
    assert received is None or received == decoded


def _blocks() -> Iterable[bytes]:
    for body in (b"", b"\n", b"abc", bytes(range(256))):
        yield b"\x01\x02" + blocks.encode(body) + b"\n"
        yield b"\x06\x03#0" + body + b"\n"


@cache
def _codecs() -> dict[str, motion.MotionCodec]:
    shapes = {name: dialects.load(name) for name in ("motion-words", "motion-lines")}
    return {
        name: motion.MotionCodec(each) for name, each in shapes.items() if isinstance(each, ActuatorDialect)
    }


def motion_answer(data: bytes) -> None:
    """Any bytes as an answer of a motion controller, in both dialects, read as everything that it could be."""
    for codec in _codecs().values():
        try:
            said = codec.parse(data)
        except motion.AnswerError as error:
            assert str(error)
            continue
        assert said.kind and said.number >= motion.UNNUMBERED
        _motion_values(codec, said.rest)


def _motion_values(codec: motion.MotionCodec, rest: str) -> None:
    readers = (codec.done, codec.limits, codec.acceleration, codec.points, codec.identity, codec.word)
    for read in readers:
        try:
            read(rest)
        except motion.AnswerError:
            continue
    try:
        state = codec.state(rest)
    except motion.AnswerError:
        return
    assert state.line >= 0 and state.done >= 0
    assert math.isfinite(state.commanded_mm) and math.isfinite(state.encoder_mm)


def _motion_answers() -> Iterable[bytes]:
    for text in (
        "ok N12",
        f"ok N12*{motion.checksum(b'ok N12')}",
        "done N12 Z-12.000 E-11.998",
        "resend N0 checksum",
        "alarm N12 lost_steps",
        "state N800000001 L12 D11 Z-12.000 E-11.998 moving=1 homed=1 alarm=none",
        "limits N3 Z-20.000 W60.000",
        "acceleration N4 A4000.000",
        "points N5 1.000:0.00 -12.000:41.20",
        "identity N6 Made-up Instruments,GX-3,GX3-0007,1.0",
        "+",
        "- LIMIT",
        "ID=12 DONE=11 Z=-12.000 E=-11.998 MOVING=1 HOMED=1 ALARM=NONE",
        "LOW=-20.000 HIGH=60.000",
        "A=4000.000",
    ):
        yield text.encode()


# --------------------------------------------------------------------------- records


def csv(data: bytes) -> None:
    """Any bytes as a CSV file, and every figure of what it holds."""
    _figures(lambda: read_csv(data))


def comtrade(data: bytes) -> None:
    """A COMTRADE record in two files; the first two bytes say how long the .cfg is. Or a .cff, if they are zero."""
    size, data = int.from_bytes(data[:2], "little"), data[2:]
    path = folder() / ("record.cfg" if size else "record.cff")
    path.write_bytes(data[:size] if size else data)
    if size:
        path.with_suffix(".dat").write_bytes(data[size:])
    _figures(lambda: read_waveform(path))


def _figures(read: Callable[[], Waveform]) -> None:
    try:
        waveform = read()
    except Refused as refused:
        assert refused.sentence and refused.help
        return
    assert waveform.interval_s > 0.0 and math.isfinite(waveform.interval_s)
    for method in METHODS:
        try:
            results = analyse(waveform, method).results
        except Refused:
            continue
        assert all(math.isfinite(result.value) for result in results.values())


def _csv_records() -> Iterable[bytes]:
    rows = [
        (k * 0.1, 1700.0 * (math.exp(-k / 90) - math.exp(-k / 4)), 3.0 * math.exp(-k / 50)) for k in range(60)
    ]
    for header in ("time [us],voltage [V],current [A]", "time [s],voltage [kV],current [kA]"):
        body = "\n".join(",".join(f"{value:.5g}" for value in row) for row in rows)
        yield f"{header}\n{body}\n".encode()
    yield b'"time [us]","voltage [V]"\r\n0,1\r\n1,2\r\n2,3\r\n'


def _comtrade_records() -> Iterable[bytes]:
    path = folder() / "seed.cfg"
    for kind in TYPES:
        for revision in (1999, 2013):
            codes = [round(900 * math.sin(k / 3.0)) for k in range(24)]
            write_comtrade(
                path, [Analog("u", "kV", 0.5, 0.0, codes), Analog("i", "A", 0.1, 1.0, codes)], kind, revision
            )
            cfg, dat = path.read_bytes(), path.with_suffix(".dat").read_bytes()
            yield len(cfg).to_bytes(2, "little") + cfg + dat
            kinds = b"ASCII" if kind == "ASCII" else b"BINARY: %d" % len(dat)
            yield (
                b"\0\0--- file type: CFG ---\r\n"
                + cfg
                + b"--- file type: INF ---\r\n--- file type: HDR ---\r\n"
                b"--- file type: DAT " + kinds + b" ---\r\n" + dat
            )


TARGETS: dict[str, Target] = {
    "files": Target(
        sequence_or_bench,
        _files,
        (
            "+-2 %",
            " kV",
            " uA",
            "{usual: ",
            "[",
            "]",
            "{",
            "}",
            "- ",
            ": ",
            "&a ",
            "*a",
            "!!",
            "|",
            ">",
            "---",
            "\t",
        ),
    ),
    "scpi": Target(
        scpi_device,
        _messages,
        ("*IDN?", "*OPC?", "*WAI", ":SYST:ERR?", "INIT", "#0", "#15", ";:", "MAX", "1e9"),
    ),
    "blocks": Target(block, _blocks, ("#0", "#1", "#9", "\n", "\r\n")),
    "motion": Target(
        motion_answer,
        _motion_answers,
        (
            "ok N",
            "done N",
            "state N",
            "alarm N",
            "resend N",
            " Z",
            " E-",
            "*",
            "moving=",
            "ID=",
            "ALARM=",
            "+",
        ),
    ),
    "csv": Target(csv, _csv_records, ("time [us]", "voltage [kV]", ",", "\n", "nan", "1e308", "inf")),
    "comtrade": Target(
        comtrade, _comtrade_records, ("ASCII", "BINARY", "FLOAT32", "1999", "2013", "2A,0D", "99999999")
    ),
}
