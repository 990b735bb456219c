"""Measure the holes and edges of sheet-metal parts from one phone photo on a printed scale mat."""
