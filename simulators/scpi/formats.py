"""Response data of IEEE 488.2 and SCPI-99: how a device writes numbers, truth and text."""

import math


def nr1(value: int) -> str:
    """An integer."""
    return str(int(value))


def nr3(value_in_si: float, digits: int = 9) -> str:
    """A number with mantissa and exponent, `+1.70000000E+03`; infinities and nan as SCPI-99 writes them."""
    if math.isnan(value_in_si):
        return "9.91E+37"
    if math.isinf(value_in_si):
        return "9.9E+37" if value_in_si > 0 else "-9.9E+37"
    return f"{value_in_si:+.{digits - 1}E}"


def boolean(value: bool) -> str:
    """SCPI-99 answers 0 or 1, never OFF or ON."""
    return "1" if value else "0"


def quoted(text: str) -> str:
    """String response data: double quotes, those inside doubled."""
    return '"' + text.replace('"', '""') + '"'
