"""From the text of one program message to its units, by the rules of IEEE 488.2 and SCPI-99.

Header path: each message starts at the root; after a unit the path is its header as it was sent, without the
last mnemonic; a leading colon goes to the root; a common command (`*...`) leaves the path alone. After a
command error (-1xx) the rest of the message is dropped, because what follows may hang on what was not
understood (common practice of instruments); an execution error (-2xx) concerns its own unit only.
"""

import re
from dataclasses import dataclass

from simulators.scpi.data import BlockRunsOn, Element, read_element, skip_space
from simulators.scpi.errors import ScpiError
from simulators.scpi.headers import Args, Command, Found, HeaderTree, Later, Suffixes
from simulators.scpi.parameters import Parameter

CACHED_MESSAGES = 1024
LONGEST_CACHED = 1024

_HEADER = re.compile(r"(\*[A-Za-z][A-Za-z0-9_]*|:?[A-Za-z][A-Za-z0-9_]*(?::[A-Za-z][A-Za-z0-9_]*)*)(\??)")
_HEADER_END = re.compile(r"[\x00-\x09\x0b-\x20;]|\Z")
_GRAMMAR = frozenset("*:?;0123456789_")
_DATA_STARTS = frozenset("\"'#()+,-./<=>@")


@dataclass(frozen=True, slots=True)
class Call:
    """A unit that can be executed."""

    command: Command
    is_query: bool
    args: Args
    suffixes: Suffixes

    def run(self, now_s: float) -> str | bytes | Later | None:
        """Call the handler."""
        if self.is_query:
            return self.command.answer(self.args, self.suffixes, now_s)
        assert self.command.set is not None
        return self.command.set(self.args, self.suffixes, now_s)


Unit = Call | ScpiError
Path = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Halted:
    """How far a message was read whose block runs on: the units before it, which need not be read again."""

    text: str
    units: tuple[Unit, ...]
    path: Path


class Parser:
    """Parses messages against one header tree; messages that come again are not parsed again."""

    HISTORY = frozenset({"_tree", "_cache", "_found"})

    def __init__(self, tree: HeaderTree) -> None:
        self._tree = tree
        self._cache: dict[str, tuple[Unit, ...]] = {}
        self._found: dict[tuple[Path, str], tuple[Found, Path]] = {}
        self._halted = _Halted("", (), ())

    def units(self, text: str) -> tuple[Unit, ...]:
        """The units of a message without its terminator, one byte a character; errors stand where they occur.

        Raises BlockRunsOn when a definite block ends behind the text.
        """
        known = self._cache.get(text)
        if known is None:
            known = tuple(self._parse(text))
            if len(text) <= LONGEST_CACHED:
                if len(self._cache) >= CACHED_MESSAGES:
                    self._cache.clear()
                self._cache[text] = known
        return known

    def needed(self, text: str) -> int:
        """How long the message must be for a block in it that runs on, 0 where all is there."""
        try:
            self.units(text)
        except BlockRunsOn as runs_on:
            return runs_on.needed
        return 0

    def _parse(self, text: str) -> list[Unit]:
        halted = self._halted if text.startswith(self._halted.text) else _Halted("", (), ())
        units, at, path = list(halted.units), skip_space(text, len(halted.text)), halted.path
        while at < len(text) or units:
            start = at
            try:
                unit, at, path = self._unit(text, start, path)
            except ScpiError as error:
                return [*units, error.with_traceback(None)]
            except BlockRunsOn:
                self._halted = _Halted(text[:start], tuple(units), path)
                raise
            units.append(unit)
            if at >= len(text):
                break
            at = skip_space(text, at + 1)
        return units

    def _unit(self, text: str, at: int, path: Path) -> tuple[Unit, int, Path]:
        """The unit at `at`, where it ends (at its `;` or the end), and the path after it."""
        match = _HEADER.match(text, at)
        if match is None:
            raise _misplaced(text, at, -102)
        if not _HEADER_END.match(text, match.end()):
            raise _misplaced(text, match.end(), -111)
        found, path = self._header(match[1], path)
        is_query = match[2] == "?"
        accepted = found.command.accepted(is_query)
        if accepted is None:
            raise ScpiError(-113, match[0])
        values, refused, at = _arguments(text, skip_space(text, match.end()), accepted, match[0])
        if refused is not None:
            return refused, at, path
        return Call(found.command, is_query, values, found.suffixes), at, path

    def _header(self, header: str, path: Path) -> tuple[Found, Path]:
        known = self._found.get((path, header))
        if known is None:
            known = self._look_up(header, path)
            if len(self._found) >= CACHED_MESSAGES:
                self._found.clear()
            self._found[path, header] = known
        return known

    def _look_up(self, header: str, path: Path) -> tuple[Found, Path]:
        if header.startswith("*"):
            return self._tree.find((header,)), path
        sent = tuple(header.removeprefix(":").split(":"))
        nodes = sent if header.startswith(":") else (*path, *sent)
        return self._tree.find(nodes), nodes[:-1]


def _misplaced(text: str, at: int, number: int) -> ScpiError:
    """The error of a character that cannot stand there: -101 if it stands in no header and no data."""
    char = text[at : at + 1]
    if char in _DATA_STARTS:
        return ScpiError(number, char)
    return ScpiError(-102 if not char or char in _GRAMMAR else -101, char)


def _arguments(
    text: str, at: int, accepted: tuple[Parameter, ...], header: str
) -> tuple[Args, ScpiError | None, int]:
    """The values of a unit's parameters, the first execution error among them, and where the unit ends."""
    values: list[object] = []
    refused: ScpiError | None = None
    count = 0
    more = at < len(text) and text[at] != ";"
    while more:
        if count >= len(accepted):
            raise ScpiError(-108, header)
        if at >= len(text):
            raise ScpiError(-102, header)
        parameter = accepted[count]
        element, at = read_element(text, at, parameter.takes_block)
        try:
            values.append(parameter.value(element))
        except ScpiError as error:
            if error.number > -200:
                raise
            refused = refused or error
        count += 1
        at, more = _separator(text, at, element)
    if any(not parameter.optional for parameter in accepted[count:]):
        raise ScpiError(-109, header)
    return tuple(values), refused, at


def _separator(text: str, at: int, element: Element) -> tuple[int, bool]:
    """Step over what follows a data element: a comma (more to come), or the end of the unit."""
    at = skip_space(text, at)
    if at >= len(text) or text[at] == ";":
        return at, False
    if text[at] != ",":
        raise ScpiError(-103, f"{element.text[:20]} {text[at]}")
    return skip_space(text, at + 1), True
