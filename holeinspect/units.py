"""Lengths as people write them: text to millimetres, millimetres to text.

Inside the package every length is a float in millimetres; rounding and the choice of unit happen here, where text is
made.
"""

from __future__ import annotations

import math
import re
from decimal import ROUND_HALF_UP, ROUND_UP, Context, Decimal
from fractions import Fraction
from typing import Literal

from holeinspect.errors import LengthError

LengthUnit = Literal["mm", "in"]

MM_PER_INCH = 25.4  # mm/in, exact: international inch of 1959
FRACTION_TOLERANCE_MM = 0.00005 * MM_PER_INCH  # mm: half the last digit of a four-place inch, as drill tables print
LONGEST_TEXT = 40  # characters: longer than any length a person writes
DECIMALS_WITHOUT_U: dict[LengthUnit, int] = {"mm": 2, "in": 3}  # what a calliper shows
LARGEST_LOSS_OF_U = 0.02  # ratio: JCGM 100, 7.2.6 rounds 10.47 up to 11 but 28.05 down to 28

_ANY_LENGTH = Context(prec=700)  # digits: room for every float, so that rounding never overflows

_EXAMPLES = 'Write it like 3.2 mm, 1/8", 0.125 in, 1 1/4" or 2.5 cm; a plain number is millimetres.'
_MM_PER_UNIT = {
    "": 1.0, "mm": 1.0, "cm": 10.0, "m": 1000.0, "um": 0.001, "µm": 0.001, "μm": 0.001,
    '"': MM_PER_INCH, "in": MM_PER_INCH, "in.": MM_PER_INCH, "inch": MM_PER_INCH, "inches": MM_PER_INCH,
    "thou": MM_PER_INCH / 1000,
}  # fmt: skip
_TYPOGRAPHY = {
    "″": '"', "”": '"', "“": '"', "\u2044": "/", "\u00a0": " ", "\u202f": " ", "\u2009": " ",
    "¼": " 1/4", "½": " 1/2", "¾": " 3/4", "⅛": " 1/8", "⅜": " 3/8", "⅝": " 5/8", "⅞": " 7/8",
}  # fmt: skip
_LENGTH = re.compile(
    r"""(?P<number>
        (?:(?P<whole>[0-9]+)(?:\ +|-))?(?P<top>[0-9]+)\ ?/\ ?(?P<bottom>[0-9]+)
        | [0-9]+(?:[.,][0-9]*)? | [.,][0-9]+
    )\ *(?P<unit>"|''|[a-zµμ]+\.?|)""",
    re.VERBOSE,
)


def to_mm(given: str | float) -> float:
    """Millimetres of a length as typed (`3.2 mm`, `1/8"`, `1 1/4 in`, `2.5 cm`) or of a number in mm.

    Raises LengthError for text that is no length, for a fraction without a unit (is it inches?), for a comma that could
    group thousands, and for what is negative or not finite.
    """
    return _mm_of_text(given) if isinstance(given, str) else _mm_of_number(given)


def _mm_of_number(given: float) -> float:
    if isinstance(given, bool) or not isinstance(given, (int, float)) or not math.isfinite(given) or given < 0:
        raise LengthError(f"{given!r} is no length. {_EXAMPLES}")
    return float(given)


def _mm_of_text(given: str) -> float:
    text = "".join(_TYPOGRAPHY.get(letter, letter) for letter in given[: LONGEST_TEXT + 1]).strip().lower()
    match = _LENGTH.fullmatch(text) if len(given) <= LONGEST_TEXT else None
    unit = match["unit"].replace("''", '"') if match else ""
    if match is None or unit not in _MM_PER_UNIT:
        raise LengthError(f"{given[:LONGEST_TEXT]!r} is no length. {_EXAMPLES}")
    if match["top"] is None:
        return _decimal(match["number"], given) * _MM_PER_UNIT[unit]
    if unit == "":
        raise LengthError(f'{given!r} is a fraction without a unit. Write {given.strip()}" if it is inches.')
    return _fraction(match["whole"], match["top"], match["bottom"], given) * _MM_PER_UNIT[unit]


def _decimal(number: str, given: str) -> float:
    if re.fullmatch(r"[1-9][0-9]{0,2},[0-9]{3}", number):
        raise LengthError(f"The comma in {given!r} could mean thousands or decimals. Write it with a decimal point.")
    return float(number.replace(",", "."))


def _fraction(whole: str | None, top: str, bottom: str, given: str) -> float:
    if int(bottom) == 0 or (whole is not None and int(top) >= int(bottom)):
        raise LengthError(f"{given!r} holds no proper fraction. {_EXAMPLES}")
    return float(int(whole or 0) + Fraction(int(top), int(bottom)))


def show(mm: float, U_mm: float | None, units: LengthUnit) -> str:
    """`value ± U unit`, or `value unit` where U_mm is None; mm and U_mm in millimetres, U_mm expanded (k = 2).

    U keeps two significant digits and the value is rounded to U's last digit (JCGM 100:2008, 7.2.6).
    A length that is not finite is `unknown`, so that a failed figure can still be reported.
    """
    if not math.isfinite(mm):
        return "unknown"
    value = _in_unit(mm, units)
    if U_mm is None:
        return f"{_rounded(value, -DECIMALS_WITHOUT_U[units]):f} {units}"
    if not math.isfinite(U_mm) or U_mm <= 0:
        return f"{_rounded(value, -DECIMALS_WITHOUT_U[units]):f} {units}, uncertainty unknown"
    U, last_digit = _two_digits(_in_unit(U_mm, units))
    return f"{_rounded(value, last_digit):f} ± {U:f} {units}"


def _in_unit(mm: float, units: LengthUnit) -> Decimal:
    return Decimal(repr(float(mm))) / (Decimal(repr(MM_PER_INCH)) if units == "in" else 1)


def _two_digits(U: Decimal) -> tuple[Decimal, int]:
    """U to two significant digits and the power of ten of its last digit; never made smaller by over 2 %."""
    last_digit = U.adjusted() - 1
    nearest = _rounded(U, last_digit)
    if nearest < U * (1 - Decimal(LARGEST_LOSS_OF_U)):
        nearest = U.quantize(Decimal(1).scaleb(last_digit), rounding=ROUND_UP, context=_ANY_LENGTH)
    if nearest.adjusted() > U.adjusted():  # 0.0996 became 0.100: keep two digits of it
        last_digit += 1
    return _rounded(nearest, last_digit), last_digit


def _rounded(value: Decimal, last_digit: int) -> Decimal:
    rounded = value.quantize(Decimal(1).scaleb(last_digit), rounding=ROUND_HALF_UP, context=_ANY_LENGTH)
    return abs(rounded) if rounded == 0 else rounded  # never "-0.00"


def fraction_of(mm: float, denominator: int = 64, tolerance_mm: float = FRACTION_TOLERANCE_MM) -> str | None:
    """`1/8"` or `1 1/4"` where the length is a whole number of 1/denominator inch within the tolerance, else None."""
    parts = round(mm / MM_PER_INCH * denominator) if math.isfinite(mm) else 0
    if parts <= 0 or abs(mm - parts / denominator * MM_PER_INCH) > tolerance_mm:
        return None
    whole, rest = divmod(Fraction(parts, denominator), 1)
    return " ".join(str(part) for part in (whole, rest) if part) + '"'
