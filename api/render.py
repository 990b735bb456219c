"""From a page's context to HTML."""

from __future__ import annotations

from dataclasses import fields
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from api.contexts import Page
from api.overlay import STRUCK, kind_of
from api.result_view import RANKS
from holeinspect.records.shapes import NextStep, NextStepKind, PhotoState, PieceState

TEMPLATES = Path(__file__).parent / "templates"
STATE_KINDS: dict[PieceState | PhotoState, str] = {
    "ready": "ready",
    "rework": "rework",
    "wants a reading": "hand",
    "wants a photo": "photo",
    "failed": "failed",
    "queued": "queued",
    "measuring": "measuring",
    "measured": "good",
}
"""Name of a state's mark and colour."""
STEP_KINDS: dict[NextStepKind, str] = {
    "say which piece": "failed",
    "say which side": "failed",
    "photograph again": "failed",
    "rework": "rework",
    "take a reading": "hand",
    "take a photo": "photo",
}
"""The same of a step's kind."""
MOST_STEPS = 6
"""On the board at once: what a person keeps in mind on the way to the bench."""
ICONS = {"queued": "wait", "measuring": "wait", STRUCK: "minus"}
"""Icons of the kinds that have none of their own name."""


def moment(at: datetime | None) -> str:
    """`4 May 2026, 09:30` in the zone of the machine that the bench runs on; empty for none."""
    return "" if at is None else f"{at.astimezone():%-d %b %Y, %H:%M}"


def query(fields: dict[str, str | int]) -> str:
    """The fields that are not empty as a query string."""
    return urlencode({name: value for name, value in fields.items() if value})


def step_name(step: NextStep) -> str:
    """What a step's link says: the piece, or the photo that belongs to none."""
    return f"photo {step.photo}" if step.number is None else f"{step.number}, piece {step.serial}"


def step_sentence(step: NextStep) -> str:
    """What to do, without the piece's name, which the link says already."""
    told = step.do if step.number is None else step.do.partition(": ")[2]
    return told[:1].upper() + told[1:]


GLOBALS: dict[str, Any] = {
    "kind_of": kind_of,
    "state_kind": STATE_KINDS.__getitem__,
    "kind_icon": lambda kind: ICONS.get(kind, kind),
    "moment": moment,
    "ranks": RANKS,
    "query": query,
    "step_kind": STEP_KINDS.__getitem__,
    "step_name": step_name,
    "step_sentence": step_sentence,
    "most_steps": MOST_STEPS,
}
"""Names that every template may use."""

_environment = Environment(
    loader=FileSystemLoader(TEMPLATES), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
)
_environment.globals.update(GLOBALS)


def render(page: Page) -> str:
    """The page's HTML."""
    given = {field.name: getattr(page, field.name) for field in fields(page)}
    return _environment.get_template(page.template).render(given)
