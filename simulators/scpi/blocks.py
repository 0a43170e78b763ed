"""IEEE 488.2 definite length arbitrary blocks: `#`, one digit n, n digits of length, that many bytes."""

HIGHEST_LENGTH = 999_999_999


def definite_block(data: bytes) -> bytes:
    """`data` as a definite length block with as few length digits as it needs."""
    if len(data) > HIGHEST_LENGTH:
        raise ValueError(f"a definite block holds at most {HIGHEST_LENGTH} bytes, not {len(data)}")
    length = str(len(data)).encode()
    return b"#%d%b%b" % (len(length), length, data)


def block_span(text: str, at: int) -> tuple[int, int] | None:
    """Start and end of the data of the definite block whose `#` is at `at`; None if that is no block's head.

    The end may lie behind the end of `text`: the rest has not arrived. `text` holds one byte a character.
    """
    if len(text) < at + 3 or text[at] != "#" or text[at + 1] not in "123456789":
        return None
    start = at + 2 + int(text[at + 1])
    digits = text[at + 2 : start]
    if len(digits) < start - at - 2 or not (digits.isascii() and digits.isdigit()):
        return None
    return start, start + int(digits)
