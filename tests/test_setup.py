"""What the builder may say of the part, and what is refused with the way out."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holeinspect import Setup
from holeinspect.errors import LengthError, SetupError
from holeinspect.scale.references import FlatbedReference, PointsReference
from holeinspect.setup import thickness_u


@pytest.mark.parametrize(
    ("given_as", "mm"), [("3.2mm", 3.2), ("3.2 mm", 3.2), (3.2, 3.2), ('1/8"', 3.175), ("0.032in", 0.8128)]
)
def test_thickness_is_read_with_its_unit_or_as_millimetres(given_as: str | float, mm: float) -> None:
    assert Setup(thickness=given_as).thickness_mm == pytest.approx(mm, rel=0, abs=1e-9)


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"thickness": 0.01}, r"A thickness of 0\.01 is outside 0\.05 to 60 mm\. Give the sheet's thickness with its unit"),
        ({"thickness": "3 in"}, r"A thickness of 3 in is outside 0\.05 to 60 mm"),
        ({"thickness": 2.0, "part_thickness": {"P2": 70}}, r"A thickness of 70 for P2 is outside 0\.05 to 60 mm"),
        ({"thickness": 3.0, "face_height": "2 mm"},
         r"face cannot lie 2 mm above the mat when the part is 3\.0 thick\. Give the height of the upper face"),
        ({"thickness": 3.0, "along": "240mm"}, r"Give both check-bar readings, along and across, or neither\."),
        ({"thickness": 3.0, "across": 170.0}, r"Give both check-bar readings, along and across, or neither\."),
        ({"thickness": 3.0, "rule": 0}, r"The k of a rule is a positive number, such as 2 for two diameters\."),
        ({"thickness": 3.0, "rule": -1.5}, r"The k of a rule is a positive number"),
        ({"thickness": 3.0, "pitch_rule": 0}, r"The k of a rule is a positive number"),
        ({"thickness": 3.0, "hole_rules": {"H2": 0.0}}, r"The k of a rule is a positive number"),
        ({"thickness": 3.0, "rule": float("nan")}, r"The k of a rule is a positive number"),
        ({"thickness": 3.0, "burr_limit": 0}, r"A burr limit of 0 is none\. Give a length above zero, such as 0\.1mm\."),
        ({"thickness": 3.0, "part_burr_limit": {"P2": "0mm"}}, r"A burr limit of 0mm is none\."),
        ({"thickness": 3.0, "nick_limit": 0.0}, r"A nick limit of 0\.0 is none\."),
        ({"thickness": 3.0, "least_corner_radius": "0 mm"}, r"A least corner radius of 0 mm is none\."),
        ({"thickness": 3.0, "countersink_angle_deg": 10}, r"A countersink of 10° is outside 30 to 150°\. Give the included"),
    ],
)  # fmt: skip
def test_settings_that_cannot_be_are_refused_with_the_way_out(settings: dict[str, Any], message: str) -> None:
    with pytest.raises(SetupError, match=message):
        Setup(**settings)


@pytest.mark.parametrize("text", ["3.2 furlongs", "", "thick"])
def test_thickness_that_is_no_length_is_refused(text: str) -> None:
    with pytest.raises(LengthError, match=r"."):
        Setup(thickness=text)


def test_plate_lies_on_the_mat_unless_its_face_is_higher() -> None:
    tube = Setup(thickness=1.5, face_height=25.0, part_thickness={"P2": 3.0})
    assert Setup(thickness=1.5).plate_mm("P1") == (0.0, 1.5)
    assert tube.plate_mm("P1") == (23.5, 25.0)
    assert tube.plate_mm("P2") == (22.0, 25.0)


def test_a_part_of_its_own_thickness_lies_on_the_mat_too() -> None:
    assert Setup(thickness=1.5, part_thickness={"P2": "3 mm"}).plate_mm("P2") == (0.0, 3.0)


@given(st.floats(0.05, 60))
def test_thickness_as_typed_is_never_taken_as_exact(thickness_mm: float) -> None:
    assert thickness_u(thickness_mm) >= max(0.02, 0.0099 * thickness_mm)
    assert thickness_u(thickness_mm) <= 0.6


def test_settings_are_fixed_once_made() -> None:
    with pytest.raises(AttributeError, match=r"cannot assign|immutable|frozen"):
        Setup(thickness=1.0).rule = 1.5  # type: ignore[misc]


@pytest.mark.parametrize(("thickness", "limit_mm"), [(0.5, 0.05), (0.8, 0.08), (1.0, 0.1), (6.0, 0.1)])
def test_a_burr_may_be_a_tenth_of_the_thickness_and_at_most_a_tenth_of_a_millimetre(thickness: float, limit_mm: float) -> None:
    assert Setup(thickness=thickness).burr_limit_mm("P1") == pytest.approx(limit_mm, rel=0, abs=1e-12)


def test_a_stated_burr_limit_holds_for_all_parts_but_those_with_their_own() -> None:
    setup = Setup(thickness=1.0, burr_limit="0.2mm", part_burr_limit={"P2": 0.3})
    assert (setup.burr_limit_mm("P1"), setup.burr_limit_mm("P2")) == (0.2, 0.3)


@given(st.floats(0, 8000), st.floats(0, 6000))
def test_points_of_a_shrunk_photo_lie_where_they_were(x: float, y: float) -> None:
    """Pixel 0 of a photo shrunk twofold is centred between pixels 0 and 1 of the file."""
    said = Setup(2.0, reference=PointsReference((x, y), (0.5, 0.5), 50.0), reference_at=(x, y), part_at=(0.5, 2.5)).shrunk(2)
    assert said.part_at == pytest.approx((0.0, 1.0), rel=0, abs=1e-9)
    assert said.reference_at == pytest.approx(((x - 0.5) / 2, (y - 0.5) / 2), rel=0, abs=1e-9)
    assert isinstance(said.reference, PointsReference)
    assert said.reference.first_px == said.reference_at
    assert said.reference.second_px == pytest.approx((0.0, 0.0), rel=0, abs=1e-9)


def test_a_shrunk_scan_has_a_lower_resolution() -> None:
    said = Setup(2.0, reference=FlatbedReference(600.0)).shrunk(2).reference
    assert isinstance(said, FlatbedReference)
    assert said.dpi == 300.0
