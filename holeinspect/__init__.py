"""Measure the holes and edges of sheet-metal parts from one phone photo on a printed scale mat."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from holeinspect.inspection import Inspection
    from holeinspect.measure.both_sides import both_sides
    from holeinspect.measure.compare import compare
    from holeinspect.measure.inspect import inspect
    from holeinspect.setup import Setup

__all__ = ["Inspection", "Setup", "both_sides", "compare", "inspect"]

_HOME = {
    "Inspection": "holeinspect.inspection",
    "Setup": "holeinspect.setup",
    "both_sides": "holeinspect.measure.both_sides",
    "compare": "holeinspect.measure.compare",
    "inspect": "holeinspect.measure.inspect",
}


def __getattr__(name: str) -> Any:
    """Import a public name when it is first used: the command line's help need not wait for the image libraries."""
    if name not in _HOME:
        raise AttributeError(f"module 'holeinspect' has no attribute {name!r}")
    return getattr(import_module(_HOME[name]), name)
