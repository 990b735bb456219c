"""What an inspection is told: from the kit part, and to and from the JSON of the record."""

from __future__ import annotations

from typing import Any

from pydantic import TypeAdapter

from holeinspect.records.models import KitPart
from holeinspect.setup import Setup
from holeinspect.trade import DRILL_SETS

_JSON = TypeAdapter(Setup)


def setup_of(part: KitPart, side: str | None) -> Setup:
    """What an inspection of the part is told. Raises SetupError for settings that contradict each other."""
    said: dict[str, Any] = {
        "thickness": part.thickness,
        "face_height": part.face_height,
        "fastener": part.fastener,
        "hole_fasteners": part.hole_fasteners,
        "rule": part.edge_rule,
        "pitch_rule": part.pitch_rule,
        "hole_rules": part.hole_rules,
        "drill_sets": tuple(part.drill_sets) or DRILL_SETS,
        "burr_limit": part.burr_limit,
        "least_corner_radius": part.least_corner_radius,
        "side": side,
    }
    if part.nick_limit is not None:
        said["nick_limit"] = part.nick_limit
    return Setup(**said)


def setup_to_json(setup: Setup) -> str:
    """The snapshot kept with an inspection."""
    return _JSON.dump_json(setup).decode()


def setup_from_json(text: str) -> Setup:
    """The Setup of a snapshot."""
    return _JSON.validate_json(text)
