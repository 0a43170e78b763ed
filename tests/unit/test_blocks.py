"""IEEE 488.2 blocks over a link: whatever the bytes and however they are split."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import blocks
from drivers.links.base import Link, LinkFault
from drivers.links.memory import MemoryTransport
from tests.contract.peers import FakePace


class FixedPort:
    """A port that holds bytes, given out in pieces of the sizes named; then silence."""

    def __init__(self, pace: FakePace, data: bytes, pieces: list[int]) -> None:
        self.pace, self.data, self.pieces = pace, data, list(pieces)

    def connect(self) -> None:
        """Nothing to do."""

    def close(self) -> None:
        """Nothing to do."""

    def send(self, data: bytes) -> int:
        return len(data)

    def receive(self, limit: int, until_s_from_now: float) -> bytes:
        size = min(limit, self.pieces.pop(0) if self.pieces else limit)
        piece, self.data = self.data[:size], self.data[size:]
        if not piece:
            self.pace.time_s += until_s_from_now
        return piece


def opened(data: bytes, pieces: list[int] | None = None) -> Link:
    pace = FakePace()
    link = Link("recorder", MemoryTransport(FixedPort(pace, data, pieces or [])), pace)
    link.open(1.0)
    return link


PIECES = st.lists(st.integers(1, 9), max_size=40)


@given(st.binary(max_size=400), PIECES)
def test_a_definite_block_comes_back_whole_however_it_is_split(data: bytes, pieces: list[int]) -> None:
    link = opened(blocks.encode(data) + b"\nnext\n", pieces)
    assert blocks.read(link, 1.0) == data
    assert link.read_line(1.0) == b"next"


@given(st.binary(max_size=400))
def test_decode_undoes_encode(data: bytes) -> None:
    assert blocks.decode(blocks.encode(data)) == data
    assert blocks.decode(blocks.encode(data) + b"\n") == data


@given(st.binary(max_size=60))
def test_an_indefinite_block_ends_at_a_line_feed_with_nothing_behind_it(data: bytes) -> None:
    assert blocks.read(opened(b"#0" + data + b"\n"), 1.0) == data
    assert blocks.decode(b"#0" + data + b"\n") == data


@given(st.binary(max_size=300), PIECES)
def test_any_bytes_give_a_block_or_a_declared_fault(data: bytes, pieces: list[int]) -> None:
    try:
        block = blocks.read(opened(data, pieces), 1.0, most_bytes=1000)
    except LinkFault as fault:
        assert fault.code in ("rubbish", "timeout", "too_long")
    else:
        assert bytes(block) in data


@given(st.binary(max_size=100))
def test_decode_raises_only_its_own_error(data: bytes) -> None:
    try:
        assert blocks.decode(data) in data
    except blocks.BlockError as error:
        assert str(error)


@pytest.mark.parametrize(
    ("sent", "code", "says"),
    [
        (b'-230,"Data corrupt or stale"\n', "rubbish", "begins with b'-2'"),
        (b"#x12345\n", "rubbish", "begins with b'#x'"),
        (b"#4 100....", "rubbish", "not 4 digits"),
        (b"#9999999999", "too_long", "999999999"),
        (b"#15abc", "timeout", "no complete answer"),
        (b"#13abcX\n", "rubbish", "behind a block"),
        (b"#0abc", "timeout", "no end of a block"),
    ],
)
def test_what_is_no_block_is_named(sent: bytes, code: str, says: str) -> None:
    link = opened(sent)
    with pytest.raises(LinkFault) as caught:
        blocks.read(link, 1.0, most_bytes=1000)
    assert caught.value.code == code
    assert says in str(caught.value)
    assert not link.in_service


def test_one_total_deadline_for_header_and_data() -> None:
    link = opened(b"#15ab")
    began_s = link.pace.now_s()
    with pytest.raises(LinkFault):
        blocks.read(link, 0.7)
    assert link.pace.now_s() - began_s == pytest.approx(0.7)
