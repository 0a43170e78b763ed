"""Cuts a byte stream into program messages: each ends at a new line that is not inside block data."""

from collections.abc import Callable, Iterable, Iterator


class Overrun:
    """In place of a message that was longer than the input buffer (-363)."""


OVERRUN = Overrun()


class Framer:
    """Holds what has arrived of the message under way. How the stream is split makes no difference.

    A new line ends a message inside a string, too: on a stream nothing else could end it. A message longer
    than `limit` bytes is dropped up to its next new line and reported once.
    """

    def __init__(self, limit: int, needed: Callable[[str], int]) -> None:
        self._limit = limit
        self._needed = needed
        self._buffer = bytearray()
        self._seen = 0
        self._dropping = False

    def __len__(self) -> int:
        return len(self._buffer)

    def reset(self) -> None:
        """Forget a half message."""
        self._buffer.clear()
        self._seen = 0
        self._dropping = False

    def feed(self, data: bytes) -> Iterable[str | Overrun]:
        """Messages that are now complete, without their new line and one byte a character."""
        if not self._buffer and not self._dropping and _is_one_message(data) and len(data) <= self._limit:
            return (data[:-1].decode("latin-1"),)
        return self._feed(data)

    def _feed(self, data: bytes) -> Iterator[str | Overrun]:
        self._buffer += data
        while (end := self._buffer.find(b"\n", self._seen)) >= 0:
            item = self._cut(end)
            if item is not None:
                yield item
        self._seen = max(self._seen, len(self._buffer))
        if len(self._buffer) > self._limit and not self._dropping:
            self._dropping = True
            yield OVERRUN
        if self._dropping:
            self._buffer.clear()
            self._seen = 0

    def _cut(self, end: int) -> str | Overrun | None:
        """The message up to the new line at `end`; None if that was being dropped or the new line is data."""
        if not self._dropping and end <= self._limit:
            text = self._buffer[:end].decode("latin-1")
            needed = self._needed(text) if "#" in text else 0
            if end < needed <= self._limit:
                self._seen = needed
                return None
            item: str | Overrun | None = OVERRUN if needed > self._limit else text
        else:
            item = None if self._dropping else OVERRUN
        del self._buffer[: end + 1]
        self._seen = 0
        self._dropping = False
        return item


def _is_one_message(data: bytes) -> bool:
    """Whole, nothing behind it, and without block data: what nearly always comes."""
    return 0 <= data.find(b"\n") == len(data) - 1 and b"#" not in data
