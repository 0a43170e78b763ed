"""Reading a file: what is on the disk may be anything; what comes back is a tree or a finding."""

from __future__ import annotations

import errno
import os
import socket
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from sequences import source, tree
from sequences.tree import Items, Mark, Scalar, Table


def codes(text: str) -> list[str]:
    read = tree.from_text(text)
    tree.build(read)
    return [finding.code for finding in read.findings]


def read_codes(path: Path) -> list[str]:
    read = tree.read(path)
    assert tree.build(read) is None
    return [finding.code for finding in read.findings]


def test_every_scalar_is_text_and_has_its_place() -> None:
    root = tree.build(
        tree.from_text("on: no\ntime: 1:30\nlot: 0012\nlist: [~, null, 2027-08-31, 1e3]\nnone:\n")
    )

    assert isinstance(root, Table)
    assert tree.plain(root) == {
        "on": "no",
        "time": "1:30",
        "lot": "0012",
        "list": ["~", "null", "2027-08-31", "1e3"],
        "none": "",
    }
    assert root.get("time") == Scalar("1:30", Mark(2, 7))
    items = root.get("list")
    assert isinstance(items, Items) and items.items[2].at == Mark(4, 17)


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_every_kind_of_line_end_counts_as_one_line(tmp_path: Path, end: str) -> None:
    path = tmp_path / "a.yaml"
    path.write_bytes(end.join(["a: 1", "b: 2", "b: 3"]).encode())
    read = tree.read(path)
    root = tree.build(read)

    assert root is not None and tree.plain(root) == {"a": "1", "b": "2"}
    assert [(f.code, f.line, f.column, f.excerpt) for f in read.findings] == [("duplicate-key", 3, 1, "b: 3")]


def test_a_byte_order_mark_does_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "a.yaml"
    path.write_bytes(b"\xef\xbb\xbfa: \xc2\xb5")
    root = tree.build(tree.read(path))

    assert root is not None and tree.plain(root) == {"a": "\u00b5"}


@pytest.mark.parametrize(
    ("data", "code", "line", "column"),
    [
        (b"", "empty-file", 0, 0),
        (b"# a comment alone\n", "empty-file", 0, 0),
        (b"   \n\n", "empty-file", 0, 0),
        (b"a: 1\nb: caf\xe9\n", "not-utf8", 2, 7),
        ("a: 1\n".encode("utf-16"), "not-utf8", 1, 1),
        (b"a: 1\nb: \x00\n", "control-character", 2, 4),
        (b"a: 1\nb: \x1b[31m\n", "control-character", 2, 4),
        ("a: 1\u2028b: 2\n".encode(), "control-character", 1, 5),
        (b"\x7fELF\x02\x01\x01\x00", "control-character", 1, 1),
        (bytes(range(128, 256)) * 100, "not-utf8", 1, 1),
        (b"a: " + b"x" * 10_000_000, "too-large", 0, 0),
        (b"[" * 500_000, "too-deep", 1, 1_001),
        (b"- " * 400_000, "too-deep", 1, 49),
        (b"a: [" + b"1," * 100_000, "too-many-values", 1, 120_003),
    ],
)
def test_hostile_bytes_end_in_one_finding(
    tmp_path: Path, data: bytes, code: str, line: int, column: int
) -> None:
    path = tmp_path / "a.yaml"
    path.write_bytes(data)
    read = tree.read(path)

    assert tree.build(read) is None
    assert [(f.code, f.line, f.column) for f in read.findings] == [(code, line, column)]


def test_utf_16_is_called_by_its_name_and_other_bytes_by_their_value(tmp_path: Path) -> None:
    for data, says in (("a: 1".encode("utf-16"), "UTF-16"), (b"a: \xe9", "0xe9")):
        (tmp_path / "a.yaml").write_bytes(data)
        (finding,) = tree.read(tmp_path / "a.yaml").findings
        assert says in finding.what and finding.help == "save the file as UTF-8"


def test_what_is_no_file_is_said_so_and_never_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(tmp_path / "socket"))
        for name in ("", "pipe", "socket"):
            assert read_codes(tmp_path / name) == ["not-a-file"], name
    assert read_codes(Path("/dev/zero")) == ["not-a-file"]


def test_a_file_that_is_not_there_is_said_so(tmp_path: Path) -> None:
    for name in ("absent.yaml", "nul\0byte"):
        assert read_codes(tmp_path / name) == ["file-missing"], name


@pytest.mark.parametrize(
    ("number", "code"),
    [
        (errno.EACCES, "not-permitted"),
        (errno.EPERM, "not-permitted"),
        (errno.EIO, "cannot-read"),
        (errno.ENAMETOOLONG, "cannot-read"),
    ],
)
def test_what_the_system_refuses_is_said_in_a_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, code: str
) -> None:
    def refuse(*_: Any) -> int:
        raise OSError(number, "refused")

    monkeypatch.setattr(os, "open", refuse)
    assert read_codes(tmp_path / "a.yaml") == [code]


def test_a_link_that_leads_to_itself_cannot_be_read(tmp_path: Path) -> None:
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    assert read_codes(tmp_path / "loop") == ["cannot-read"]


def test_an_alias_bomb_is_refused_at_its_references() -> None:
    bomb = "a: &a [x, x]\n" + "".join(
        f"{c}: &{c} [*{p}, *{p}]\n" for p, c in zip("abcdefgh", "bcdefghi", strict=True)
    )

    assert set(codes(bomb)) == {"reference-not-allowed"}
    assert len(codes(bomb)) == 9 + 16


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("a:\n\t- b", "tab"),
        ("a: b: c", "colon"),
        ("a: [1, 2", "not closed"),
        ("a: 'x", "quotation mark"),
        ("a:\n  b: 1\n c: 2", "indentation"),
        ("a: @x", "starts with a character"),
        ('a: "\\q"', "backslash"),
        ("a: 1\nb\nc: 2", "colon"),
        ("%YAML 3.0\n---\na", "not YAML"),
    ],
)
@pytest.mark.parametrize("loader", [yaml.CLoader, yaml.Loader], ids=["C", "Python"])
def test_what_is_not_yaml_is_said_in_plain_words(
    text: str, says: str, loader: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tree, "_LOADER", loader)
    read = tree.from_text(text)

    assert tree.build(read) is None
    assert [(f.code, says in f.what) for f in read.findings] == [("not-yaml", True)], read.findings


@given(st.text(alphabet=st.sampled_from("ab:-[]{}&*!|>'\"#%@`,? \n\t\r\\~0"), max_size=60))
def test_no_text_raises_and_every_finding_has_a_place_in_it(text: str) -> None:
    read = tree.from_text(text)
    root = tree.build(read)
    lines = source.LINE_END.split(read.text)

    assert root is not None or read.findings
    for finding in read.findings:
        assert finding.line <= len(lines)
        assert finding.excerpt in lines or finding.line == 0


@given(
    st.recursive(
        st.text(alphabet="abc 01:-#'\"", min_size=1),
        lambda inner: (
            st.lists(inner, max_size=4) | st.dictionaries(st.text("abc", min_size=1), inner, max_size=4)
        ),
        max_leaves=20,
    )
)
def test_what_yaml_writes_is_read_as_it_was(data: Any) -> None:
    """Against PyYAML's own writer, which quotes what needs it."""
    read = tree.from_text(yaml.safe_dump(data, allow_unicode=True))
    root = tree.build(read)

    if root is None:
        assert read.findings[0].code == "empty-file" and not str(data).strip()
    else:
        assert tree.plain(root) == data
