"""The result as JSON: what the issue of the format promises, and that nothing is lost on the way."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from holeinspect import Inspection
from holeinspect.inspection import SCHEMA_VERSION, BudgetLine, Figure, Hole, Part
from tests.example_inspection import example

HOLE_KEYS = {
    "name", "centre_mm", "diameter", "nominal", "edge_distance", "edge_not_in_view", "edge_ratio", "pitch",
    "out_of_round", "verdict", "reasons",
}  # fmt: skip
"""What every hole of the JSON carries (design of the output, point 8)."""


def test_result_survives_json_unchanged() -> None:
    result = example()
    assert Inspection.model_validate_json(result.model_dump_json()) == result


def test_json_has_the_promised_keys() -> None:
    data = example().model_dump(mode="json")
    assert {"parts", "scale", "photo", "warnings", "schema_version"} <= set(data)
    assert data["schema_version"] == SCHEMA_VERSION
    for part in data["parts"]:
        assert {"name", "verdict", "holes", "outside_diameter"} <= set(part)
        for hole in part["holes"]:
            assert set(hole) >= HOLE_KEYS
            assert {"value", "u", "unit"} <= set(hole["diameter"])
            assert len(hole["centre_mm"]) == 2


def test_schema_names_every_promised_key() -> None:
    schema = Inspection.model_json_schema()
    assert set(schema["$defs"]["Hole"]["properties"]) >= HOLE_KEYS
    assert set(schema["$defs"]["Figure"]["properties"]) >= {"value", "u", "unit"}


def test_every_result_carries_the_caution() -> None:
    assert "it does not approve" in example().caution
    assert "inspector or the responsible builder decides" in example().caution


@given(st.floats(-1e3, 1e3), st.floats(0, 10))
def test_expanded_uncertainty_is_twice_the_standard_one(value: float, u: float) -> None:
    """k = 2 (JCGM 100:2008, 6.2)."""
    assert 2 * u == Figure(value=value, u=u).U


@pytest.mark.parametrize(
    ("model", "fields", "message"),
    [
        (Figure, {"value": 3.2, "u": -0.01}, r"greater than or equal to 0"),
        (Figure, {"value": 3.2, "u": 0.01, "unit": "furlong"}, r"Input should be 'mm', 'deg', '1' or 'px'"),
        (Figure, {"value": 3.2, "u": 0.01, "guess": 1}, r"Extra inputs are not permitted"),
        (BudgetLine, {"name": "light", "u": -1}, r"greater than or equal to 0"),
        (Hole, {"name": "H1"}, r"Field required"),
        (Part, {"name": "P1", "verdict": "fine"}, r"Input should be 'good', 'rework' or 'measure by hand'"),
    ],
)
def test_result_that_cannot_be_is_refused(model: type, fields: dict[str, object], message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        model(**fields)


def test_result_is_fixed_once_made() -> None:
    with pytest.raises(ValidationError, match=r"frozen"):
        example().units = "in"  # type: ignore[misc]
