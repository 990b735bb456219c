"""Lengths: text to millimetres and back."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holeinspect.errors import LengthError
from holeinspect.units import MM_PER_INCH, fraction_of, show, to_mm

FLOAT_MM = 1e-9  # mm: double rounding at bench sizes


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("3.2mm", 3.2),
        ("3.2 mm", 3.2),
        (" 3.2 ", 3.2),
        ("3,2 mm", 3.2),
        ('1/8"', 3.175),
        ("1/8 in", 3.175),
        ("1/8''", 3.175),
        ("1/8″", 3.175),
        ("⅛ in", 3.175),
        ("0.125in", 3.175),
        ('.125"', 3.175),
        ('1 1/4"', 31.75),
        ('1-1/4"', 31.75),
        ('1¼"', 31.75),
        ("2.5 cm", 25.0),
        ("63 thou", 1.6002),
        ("800 µm", 0.8),
        (3, 3.0),
        (0.8, 0.8),
    ],
)
def test_a_length_is_read_as_written_with_25_4_mm_to_the_inch(text: str | float, mm: float) -> None:
    assert to_mm(text) == pytest.approx(mm, rel=0, abs=FLOAT_MM)


@pytest.mark.parametrize(
    "given_text",
    ["", " ", "abc", "3.2 furlongs", "-3", "nan", "inf", "1e3", "3²", "٣ mm", "#30", "1.2.3", "9" * 41, "3.2 mm mm"],
)
def test_what_is_no_length_is_refused_with_an_example(given_text: str) -> None:
    with pytest.raises(LengthError, match=r"is no length\. Write it like 3\.2 mm"):
        to_mm(given_text)


@pytest.mark.parametrize("number", [-1, -0.1, math.nan, math.inf, True])
def test_a_number_that_is_no_length_is_refused(number: float) -> None:
    with pytest.raises(LengthError, match="is no length"):
        to_mm(number)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("1/8", 'fraction without a unit. Write 1/8" if it is inches'),
        ("1,250 mm", "comma in '1,250 mm' could mean thousands"),
        ('1/0"', "no proper fraction"),
        ('1 5/4"', "no proper fraction"),
    ],
)
def test_a_length_with_two_meanings_is_not_guessed(text: str, message: str) -> None:
    with pytest.raises(LengthError, match=message):
        to_mm(text)


@pytest.mark.parametrize(
    ("mm", "U_mm", "text"),
    [
        (50.000838, 93e-6, "50.000838 ± 0.000093 mm"),  # JCGM 100:2008, H.1.6: 50.000 838 mm, U99 93 nm
        (50.000838, 31.66e-6, "50.000838 ± 0.000032 mm"),  # H.1.4: uc 32 nm
        (20.0, 0.01047, "20.000 ± 0.011 mm"),  # 7.2.6: 10.47 is rounded up to 11
        (20.0, 0.02805, "20.000 ± 0.028 mm"),  # 7.2.6: 28.05 is rounded to 28
        (10.05762, 0.027, "10.058 ± 0.027 mm"),  # 7.2.6: 10.057 62 with 27 in the last places becomes 10.058
        (3.2639, 0.0996, "3.26 ± 0.10 mm"),
        (838.4, 320.0, "840 ± 320 mm"),
    ],
)
def test_value_and_u_round_as_in_jcgm_100_7_2_6(mm: float, U_mm: float, text: str) -> None:
    assert show(mm, U_mm, "mm") == text


@pytest.mark.parametrize(
    ("mm", "U_mm", "text"),
    [
        (3.2639, None, "0.129 in"),
        (3.2639, 0.03, "0.1285 ± 0.0012 in"),
        (3.2639, 0.0, "0.129 in, uncertainty unknown"),
        (3.2639, math.inf, "0.129 in, uncertainty unknown"),
    ],
)
def test_inches_are_shown_in_thousandths_or_to_u(mm: float, U_mm: float | None, text: str) -> None:
    assert show(mm, U_mm, "in") == text


def test_zero_is_never_shown_with_a_minus() -> None:
    assert show(-0.001, None, "mm") == "0.00 mm"


@pytest.mark.parametrize("mm", [math.nan, math.inf])
def test_a_length_that_is_not_finite_is_called_unknown(mm: float) -> None:
    assert show(mm, 0.1, "mm") == "unknown"


@given(st.floats(0, 2000), st.sampled_from(["mm", "cm", "in"]))
def test_a_length_in_any_unit_comes_back(mm: float, unit: str) -> None:
    per_unit = {"mm": 1.0, "cm": 10.0, "in": MM_PER_INCH}[unit]
    assert to_mm(f"{mm / per_unit:.15f} {unit}") == pytest.approx(mm, rel=0, abs=FLOAT_MM)


@given(st.floats(0, 2000), st.floats(1e-5, 10), st.sampled_from(["mm", "in"]))
def test_a_shown_value_reads_back_within_its_u(mm: float, U_mm: float, units: str) -> None:
    value, _, rest = show(mm, U_mm, units).partition(" ± ")  # type: ignore[arg-type]  # a sampled literal
    # U has two digits, so half of its last digit is at most 5 % of U.
    assert abs(to_mm(f"{value} {units}") - mm) <= 0.05 * U_mm + FLOAT_MM
    assert to_mm(rest) >= 0.98 * U_mm - FLOAT_MM


@given(st.integers(1, 12 * 64))
def test_every_64th_of_an_inch_comes_back_as_its_fraction(parts: int) -> None:
    text = fraction_of(parts * MM_PER_INCH / 64)
    assert text is not None
    assert to_mm(text) == pytest.approx(parts * MM_PER_INCH / 64, rel=0, abs=FLOAT_MM)


@pytest.mark.parametrize(
    ("mm", "denominator", "text"),
    [(3.175, 64, '1/8"'), (31.75, 64, '1 1/4"'), (25.4, 64, '1"'), (3.175, 4, None), (3.2, 64, None), (0.0, 64, None)],
)
def test_only_a_true_fraction_is_called_one(mm: float, denominator: int, text: str | None) -> None:
    assert fraction_of(mm, denominator) == text
