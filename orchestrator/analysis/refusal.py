"""Why a record gets no figures: a closed list of codes, each refusal with a sentence and help."""

from __future__ import annotations

from typing import Literal, get_args

RefusalCode = Literal[
    "ambiguous_channel",
    "clipped",
    "closed_at_start",
    "empty",
    "flat",
    "front_undersampled",
    "gaps",
    "missing_channel",
    "no_baseline",
    "no_break",
    "no_levels",
    "no_make",
    "non_uniform_time",
    "not_extinguished",
    "not_settled",
    "open_at_start",
    "spike",
    "too_coarse",
    "too_noisy",
    "truncated",
    "unreadable",
    "wrong_unit",
]
REFUSAL_CODES: tuple[RefusalCode, ...] = get_args(RefusalCode)


class Refused(Exception):
    """The record cannot carry the figures asked of it.

    `code` is one of REFUSAL_CODES, `sentence` says what is wrong and where, `help` what a person can do
    about it.
    """

    def __init__(self, code: RefusalCode, sentence: str, help: str) -> None:  # noqa: A002  the house's word
        super().__init__(sentence)
        self.code = code
        self.sentence = sentence
        self.help = help
