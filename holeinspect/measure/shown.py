"""Which rims and edges of a part a photo showed well enough to trust that they are clean."""

from __future__ import annotations

from collections.abc import Iterator

from holeinspect.inspection import Condition, Part


def not_shown(part: Part) -> Iterator[str]:
    """What was not examined, or would not have shown a burr of the limit: `the rims of H1, H4`, `its edges`."""
    rims = [hole.name for hole in part.holes if not is_shown(hole.condition)]
    rims += [opening.name for opening in part.openings if not opening.edges and not is_shown(opening.condition)]
    if rims:
        yield f"the rims of {', '.join(rims)}"
    if not part.edges:
        yield "its edges"
    edges = [*part.edges, *(edge for opening in part.openings for edge in opening.edges)]
    hidden = [edge.name for edge in edges if not is_shown(edge.condition)]
    if hidden:
        yield f"the edges {', '.join(hidden)}"


def is_shown(condition: Condition | None) -> bool:
    """Whether a burr of the limit would have shown."""
    return condition is not None and condition.shown
