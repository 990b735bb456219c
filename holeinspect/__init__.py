"""Measure the holes and edges of sheet-metal parts from one phone photo on a printed scale mat."""

from holeinspect.inspection import Inspection
from holeinspect.measure.inspect import inspect
from holeinspect.setup import Setup

__all__ = ["Inspection", "Setup", "inspect"]
