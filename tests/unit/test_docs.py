"""The docs against the program: generated parts, lists of codes and keys, links."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any, get_type_hints

import pytest

from drivers import dialects
from orchestrator.core.reasons import Reason
from orchestrator.core.states import BENCH_TABLE, RUN_TABLE
from orchestrator.record.captures import CaptureChannel, encode_capture
from orchestrator.steps import KINDS
from sequences.codes import CODES
from sequences.schema import bench_schema, sequence_schema
from tests.docs_examples import DOCS, ROOT, blocks
from tests.docs_tools import GENERATED, GUIDE, PICTURE, pages, regenerated

ENGINE = ROOT / "orchestrator" / "engine"
NAMES = [page.name for page in pages()]


def text(page: str) -> str:
    return (DOCS / page).read_text(encoding="utf-8")


def first_cells(page: str, heading: str) -> list[str]:
    """The names in the first column of the first table under a heading."""
    part = text(page).split(f"\n## {heading}\n", 1)[1].split("\n## ", 1)[0]
    rows = re.findall(r"^\| (.+?) \|", part, re.MULTILINE)
    return [name for row in rows for name in re.findall(r"`([^`]+)`", row)]


# --------------------------------------------------------------------------- up to date


@pytest.mark.parametrize("name", NAMES)
def test_generated_parts_are_as_the_program_makes_them(name: str) -> None:
    assert regenerated(text(name)) == text(name), f"{name} is out of date: make docs"


def test_the_diagrams_of_the_contributor_guide_are_those_of_the_tables() -> None:
    guide = GUIDE.read_text(encoding="utf-8")

    assert "<!-- generated: bench-states -->" in guide
    assert regenerated(guide) == guide, "DEVELOPERS.md is out of date: make docs"


def test_every_generated_part_stands_in_one_page() -> None:
    there = [name for page in NAMES for name in re.findall(r"<!-- generated: ([a-z-]+) -->", text(page))]

    assert sorted(there) == sorted(GENERATED)


def test_the_picture_is_there() -> None:
    assert PICTURE.read_text(encoding="utf-8").lstrip().startswith("<?xml")


# --------------------------------------------------------------------------- complete


def test_every_finding_code_has_its_paragraph_and_no_other_has() -> None:
    described = re.findall(r"^### (\S+)\n\n(.+)$", text("findings.md"), re.MULTILINE)

    assert dict(described) == CODES


def test_every_stop_reason_is_explained() -> None:
    rows = re.findall(
        r"^\| `(\w+)` \| .{10,} \| `\w+`: .+ \| .{10,} \|$", text("stop-reasons.md"), re.MULTILINE
    )

    assert rows == [reason.value for reason in Reason]


def test_every_transition_is_drawn_and_listed() -> None:
    page = text("states.md")
    for one in (*BENCH_TABLE, *RUN_TABLE):
        arrow = f"{one.source.replace(' ', '_')} --> {one.target.replace(' ', '_')}: {one.event}"
        assert arrow in page
        assert f"| {one.source} | `{one.event}` | {one.target} |" in page


def _keys(schema: Any) -> Iterator[str]:
    """Every key that a JSON Schema knows, wherever it stands."""
    if isinstance(schema, list):
        for one in schema:
            yield from _keys(one)
    elif isinstance(schema, dict):
        properties = schema.get("properties")
        yield from properties if isinstance(properties, dict) else ()
        for one in schema.values():
            yield from _keys(one)


def test_every_key_of_both_schemas_is_in_the_reference() -> None:
    page = text("language.md")
    listed = set(re.findall(r"^\| `([a-z_0-9]+)` \|", page, re.MULTILINE))
    kinds = set(re.findall(r"^### ([a-z_]+)$", page, re.MULTILINE))

    assert set(_keys(sequence_schema(KINDS))) <= listed | kinds
    assert kinds >= set(KINDS)
    assert set(_keys(bench_schema())) <= set(
        re.findall(r"^\| `([a-z_0-9]+)` \|", text("bench-files.md"), re.MULTILINE)
    )


def _dialect_keys(shape: Any, where: str = "") -> Iterator[str]:
    hints = get_type_hints(shape)
    for each in fields(shape):
        if is_dataclass(hints[each.name]):
            yield from _dialect_keys(hints[each.name], f"{where}{each.name}.")
        else:
            yield f"{where}{each.name}"


@pytest.mark.parametrize("equipment", dialects.SHAPES)
def test_every_key_of_a_dialect_is_listed_and_no_other(equipment: str) -> None:
    article = "an" if equipment[0] in "aeiou" else "a"
    common = set(first_cells("dialects.md", "Keys of every dialect"))
    own = set(first_cells("dialects.md", f"Keys of {article} {equipment}"))

    assert common | own == set(_dialect_keys(dialects.SHAPES[equipment]))


@pytest.mark.parametrize("block", [b for b in blocks(DOCS / "dialects.md") if b.language == "toml"], ids=str)
def test_dialects_in_the_docs_load_or_say_what_is_stated(block: Any) -> None:
    stated = re.search(r"# says: (.+)", block.body)
    if stated is None:
        assert dialects.parse(block.body, "example.toml").title
        return
    with pytest.raises(dialects.DialectError, match=re.escape(stated[1])):
        dialects.parse(block.body, "example.toml")


# --------------------------------------------------------------------------- the record


def _written_kinds() -> set[str]:
    """The kinds of journal lines that the engine's source writes, as literal first arguments."""
    found = set()
    for path in ENGINE.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.args):
                continue
            owner = ast.unparse(node.func)
            first = node.args[0]
            if re.search(r"journal\.(append|keep)$|self\._keep$", owner) and isinstance(first, ast.Constant):
                found.add(str(first.value))
    return found


def journal_table() -> dict[str, set[str]]:
    """Kind -> keys, as the page has them."""
    part = text("record-format.md").split("| kind | keys | what it says |", 1)[1].split("\n\n", 1)[0]
    table: dict[str, set[str]] = {}
    for row in part.splitlines()[2:]:
        kinds, keys = row.split(" | ")[:2]
        for kind in re.findall(r"`(\w+)`", kinds):
            table[kind] = set(re.findall(r"`(\w+)`", keys))
    return table


def test_every_kind_of_journal_line_is_described_and_no_other() -> None:
    assert set(journal_table()) == _written_kinds()


def test_every_attribute_of_a_capture_is_described() -> None:
    page = text("record-format.md")
    h5py = pytest.importorskip("h5py")
    import io

    import numpy as np

    channel = CaptureChannel("voltage", np.zeros(4, np.int16), "V", 0.1, 0.0, -1.0, 1.0, 12)
    with h5py.File(io.BytesIO(encode_capture(1e-8, 0.0, [channel])), "r") as file:
        names = [*file.attrs, *file["channels/voltage/codes"].attrs]

    assert [name for name in names if f"`{name}`" not in page] == []


# --------------------------------------------------------------------------- pages


def _anchors(page: Path) -> set[str]:
    headings = re.findall(r"^#+ (.+)$", page.read_text(encoding="utf-8"), re.MULTILINE)
    return {re.sub(r"[^a-z0-9 _-]", "", heading.lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("name", NAMES)
def test_links_lead_somewhere_and_nowhere_outside(name: str) -> None:
    page = text(name)
    assert "://" not in page
    for target in re.findall(r"\]\(([^)]+)\)", page):
        file, _, anchor = target.partition("#")
        path = (DOCS / file) if file else (DOCS / name)
        assert path.is_file(), f"{name}: {target}"
        assert not anchor or anchor in _anchors(path), f"{name}: {target}"


def test_the_first_page_lists_every_page() -> None:
    assert sorted(re.findall(r"\]\(([\w-]+\.md)\)", text("README.md"))) == sorted(set(NAMES) - {"README.md"})


def test_the_glossary_is_in_order_and_names_a_source_for_each_word() -> None:
    rows = [row.split(" | ") for row in text("glossary.md").splitlines() if row.startswith("| ")][2:]
    words = [row[0].removeprefix("| ").lower() for row in rows]

    assert words == sorted(words)
    assert all(len(row) == 3 and re.search("from memory|seen|ours|trade|SI", row[2]) for row in rows)
