"""`benchward simulators`: a bench's plant on real ports, and the hands and eyes of a person in front of it."""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import re
import sys
import time
from pathlib import Path
from typing import Any

from simulators.control import ControlError, ask
from simulators.device import Plant
from simulators.serve import Address, CannotServe, serve

RESOURCE = re.compile(r"TCPIP\d*::(?P<host>[^:]+)::(?P<port>\d{1,5})::SOCKET")
SERIAL = re.compile(r"ASRL(?P<path>/[^:]+)::INSTR")
LONGEST_PATH = 250
PLANT_FILE = "plant.yaml"
FINE, WRONG = 0, 2
HAND_S = 0.3  # a hand needs time: what it undoes sooner, nobody would have seen

HELP = """\
Without --set, --show or --names: serves the simulated plant of the bench until it is ended (Ctrl-C).
With them: does that to the plant that is already running for this bench file.

It is a simulation: it proves nothing about a real bench's wiring or its interlock chain.
"""


class WrongFile(Exception):
    """A bench or plant file that cannot be used; the text says where and what."""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the program's commands."""
    parser = subparsers.add_parser(
        "simulators",
        help="serve a bench's simulated plant, or set and see what a person there would",
        description="The simulated plant of a bench.",
        epilog=HELP,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("bench", type=Path, metavar="BENCH", help="the bench file")
    parser.add_argument(
        "--plant", type=Path, metavar="FILE", help=f"the plant file ({PLANT_FILE} beside BENCH)"
    )
    parser.add_argument("--seed", type=int, metavar="N", help="another seed than the plant file's")
    parser.add_argument(
        "--truth", type=Path, metavar="FILE", help="append what physically happens, a line each"
    )
    parser.add_argument(
        "--set", action="append", default=[], metavar="NAME=VALUE", help="change the running plant"
    )
    parser.add_argument("--show", action="store_true", help="what a person in front of the bench would see")
    parser.add_argument("--names", action="store_true", help="all names that --set knows, with their values")
    parser.add_argument("--json", action="store_true", help="for programs (with --show or --names)")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Do the command; 0 when it was done, 2 with one sentence on standard error when it could not be."""
    try:
        if args.set or args.show or args.names:
            return _talk(args)
        return _serve(args)
    except (WrongFile, CannotServe, ControlError) as error:
        print(f"benchward simulators: {error}", file=sys.stderr)
        return WRONG


def control_path(bench: Path) -> Path:
    """The control port of the plant of that bench file: the same for every way to write the file's path."""
    name = hashlib.sha256(str(bench.resolve()).encode()).hexdigest()[:12]
    base = Path(os.environ.get("XDG_RUNTIME_DIR") or "/tmp")
    return base / f"benchward-{os.getuid()}" / f"plant-{name}.sock"


def _serve(args: argparse.Namespace) -> int:
    from simulators.plants import build  # numpy comes with it: every other command does without

    bench = _read(args.bench)
    spec = _read(args.plant or args.bench.parent / PLANT_FILE)
    kind, seed = str(spec.get("kind", "")), args.seed if args.seed is not None else spec.get("seed", 1)
    if not isinstance(seed, int) or isinstance(seed, bool) or seed < 0:
        raise WrongFile(f"the seed is a whole number from 0 up, not {seed!r}")
    try:
        plant = build(kind, spec, seed)
    except ValueError as error:
        raise WrongFile(f"{args.plant or args.bench.parent / PLANT_FILE}: {error}") from error
    places = addresses(bench, plant, args.bench)
    try:
        serve(plant, places, control_path(args.bench), args.truth, ready=_say_ready)
    except OSError as error:
        raise CannotServe(f"{error.filename or 'the plant'}: {error.strerror or error}") from error
    return FINE


def _say_ready(places: dict[str, Address]) -> None:
    for name, place in places.items():
        print(f"{name:12} {place if isinstance(place, Path) else f'{place[0]}:{place[1]}'}")
    print("simulated plant is running; end it with Ctrl-C", flush=True)


def _talk(args: argparse.Namespace) -> int:
    path = control_path(args.bench)
    if not args.bench.exists():
        raise WrongFile(f"there is no bench file {args.bench}")
    moved: set[str] = set()
    for item in args.set:
        name, equals, value = item.partition("=")
        if not equals:
            raise ControlError(f"--set takes NAME=VALUE, not {item!r}")
        if name.strip() in moved:
            time.sleep(HAND_S)
        moved.add(name.strip())
        ask(path, {"set": name.strip(), "value": value.strip()})
    if args.names:
        _print_names(ask(path, {"names": True})["names"], args.json)
    if args.show:
        reply = ask(path, {"show": True})
        print(json.dumps(reply["show"]) if args.json else in_words(reply))
    return FINE


def _print_names(names: dict[str, list[str]], as_json: bool) -> None:
    if as_json:
        print(json.dumps(names))
        return
    for name, (what, values) in names.items():
        print(f"{name:32} {what}\n{'':32}   {values}")


def in_words(reply: dict[str, Any]) -> str:
    """What `show` gives, as a person would say it."""
    faults = ", ".join(f"{name}={value}" for name, value in reply["show"]["faults"].items()) or "none"
    return "\n".join(f"{name:20} {text}" for name, text in [*reply["words"], ("faults set", faults)])


def addresses(bench: dict[str, Any], plant: Plant, path: Path) -> dict[str, Address]:
    """Where the bench file says that each device of the plant is. WrongFile names the entry that does not fit."""
    instruments = bench.get("instruments")
    entries = dict(instruments) if isinstance(instruments, dict) else {}
    entries["safety_io"] = bench.get("safety_io")
    places = {}
    for name in plant.devices:
        entry = entries.get(name)
        resource = str(entry.get("resource", "")) if isinstance(entry, dict) else ""
        places[name] = _place(name, resource, hasattr(plant.devices[name], "cable"), path)
    return places


def _place(name: str, resource: str, is_serial: bool, path: Path) -> Address:
    if is_serial:
        line = SERIAL.fullmatch(resource)
        if line is None or len(resource) > LONGEST_PATH:
            raise WrongFile(
                f"{path}: {name} needs a resource like ASRL/tmp/benchward/{name}::INSTR, not {resource!r}"
            )
        return Path(line["path"])
    match = RESOURCE.fullmatch(resource)
    if match is None or int(match["port"]) > 65_535:
        raise WrongFile(
            f"{path}: {name} needs a resource like TCPIP::127.0.0.1::15502::SOCKET, not {resource!r}"
        )
    return match["host"], int(match["port"])


def _read(path: Path) -> dict[str, Any]:
    import yaml

    try:
        content = yaml.safe_load(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise WrongFile(f"{path} cannot be read: {error.strerror}") from error
    except (yaml.YAMLError, UnicodeDecodeError) as error:
        raise WrongFile(f"{path} is not YAML: {error}") from error
    if not isinstance(content, dict):
        raise WrongFile(f"{path} holds no entries by name")
    return content
