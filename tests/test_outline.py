"""A part's outline as straight edges and arcs, from a rough contour and the light across it."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import shapely
from shapely import Polygon

from holeinspect.edges.contours import Arc, Straight
from holeinspect.edges.lockstep import settle
from holeinspect.edges.outline import Edge, Free, Unseen, edges_fit, rough_contour_mm
from holeinspect.edges.stretches import View
from holeinspect.measured import Array
from tests.sight import looked_at
from tests.simulator.scene import Part
from tests.simulator.view import Pose

ABOVE = Pose((10, -25, 300), (0, 0, 0), 17.0)
PLATE = ((-20.0, -15.0, 5.0), (20.0, -15.0, 5.0), (20.0, 15.0, 0.0), (-20.0, 15.0, 0.0))
AT = (12.0, 6.0)
STUB_WIDTH_MM, STUB_HEIGHT_MM = 2.0, 0.6


def with_stub(height_mm: float) -> tuple[tuple[float, float, float], ...]:
    """The plate with what is left of a tab on its upper edge (negative: a nick)."""
    half = STUB_WIDTH_MM / 2
    upper = ((half, 15.0, 0.0), (half, 15.0 + height_mm, 0.0), (-half, 15.0 + height_mm, 0.0), (-half, 15.0, 0.0))
    return (*PLATE[:3], *upper, PLATE[3])


def rough(view: View, shape: Polygon, thickness_mm: float, seed: int = 0) -> Array:
    """The outline as the finder gives it in the picture: of the upper face, a pixel apart, half a pixel off."""
    ring = shape.exterior
    count = int(ring.length / 0.1)
    points = np.array([ring.interpolate(i / count, normalized=True).coords[0] for i in range(count)])
    points = points if ring.is_ccw else points[::-1]
    px = view.camera.project(np.column_stack([points, np.full(count, thickness_mm)]))
    return px + 0.4 * np.random.default_rng(seed).standard_normal(px.shape)


@cache
def seen(height_mm: float = 0.0, thickness_mm: float = 1.6) -> tuple[View, Array, Polygon]:
    part = Part(thickness_mm, with_stub(height_mm) if height_mm else PLATE, at_mm=AT)
    shape = part.placed(part.outline())
    left, bottom, right, top = shape.bounds
    view, _ = looked_at(part, (left - 4, bottom - 4, right + 4, top + 4), ABOVE)
    return view, rough(view, shape, thickness_mm), shape


def edges_of(height_mm: float = 0.0, hidden: np.ndarray | None = None) -> list[Edge]:
    view, px, _ = seen(height_mm)
    visible = np.ones(len(px), bool) if hidden is None else ~hidden
    return settle(edges_fit(view, rough_contour_mm(view, px), visible))


def nearest_straight(edges: list[Edge], out: tuple[float, float]) -> Straight:
    """The longest straight edge that faces this way."""
    facing = [edge for edge in edges if isinstance(edge, Straight) and edge.out @ out > 0.9]
    assert facing
    return max(facing, key=lambda edge: float(np.hypot(*(edge.end - edge.start))))


SIDES = [((0.0, -1.0), -15.0), ((1.0, 0.0), 20.0), ((0.0, 1.0), 15.0), ((-1.0, 0.0), -20.0)]


@pytest.mark.parametrize(("out", "place_mm"), SIDES)
def test_each_side_of_a_plate_is_one_straight_edge_where_it_is(out: tuple[float, float], place_mm: float) -> None:
    edge = nearest_straight(edges_of(), out)
    axis = int(out[1] != 0)
    for point in (edge.start, edge.end):
        assert point[axis] == pytest.approx(place_mm + AT[axis], rel=0, abs=0.012)  # mm: 0.12 px


def test_rounded_corners_are_arcs_of_their_radius() -> None:
    edges = edges_of()
    arcs, free = ([edge for edge in edges if isinstance(edge, kind)] for kind in (Arc, Free))
    assert arcs
    assert len(arcs) + len(free) >= 2  # a corner whose arc does not hold is left as rough points, 0.15 mm uncertain
    for arc in arcs:
        assert arc.bulges
        assert arc.radius == pytest.approx(5.0, rel=0, abs=0.2)  # 75 degrees of arc hold the radius loosely
        assert np.abs(arc.centre - AT) == pytest.approx((15, 10), rel=0, abs=0.2)


def test_sharp_corners_are_left_to_the_straight_edges() -> None:
    edges = edges_of()
    assert sum(isinstance(edge, Straight) for edge in edges) == 4
    upper, right = nearest_straight(edges, (0.0, 1.0)), nearest_straight(edges, (1.0, 0.0))
    corner = np.array([20.0, 15.0]) + AT
    for edge in (upper, right):
        assert min(np.hypot(*(end - corner)) for end in (edge.start, edge.end)) < 1.5


@pytest.mark.parametrize("height_mm", [STUB_HEIGHT_MM, -STUB_HEIGHT_MM], ids=["tab stub", "nick"])
def test_stub_or_nick_is_left_out_of_the_edge_it_sits_on(height_mm: float) -> None:
    edge = nearest_straight(edges_of(height_mm), (0.0, 1.0))
    assert abs(edge.end[0] - edge.start[0]) > 34  # mm of 40: one edge across the gap
    for point in (edge.start, edge.end):
        assert point[1] == pytest.approx(15 + AT[1], rel=0, abs=0.02)


def test_where_the_part_runs_on_there_is_no_edge() -> None:
    view, px, _ = seen()
    points = rough_contour_mm(view, px)
    hidden = points[:, 0] > AT[0] + 10
    edges = edges_of(hidden=hidden)
    unseen = [edge for edge in edges if isinstance(edge, Unseen)]
    assert len(unseen) == 1
    assert len(unseen[0].points_mm) == hidden.sum()
    assert not any(isinstance(edge, Straight) and edge.out @ (1.0, 0.0) > 0.9 for edge in edges)
    assert all(edge.end[0] < AT[0] + 12 and edge.start[0] < AT[0] + 12 for edge in edges if isinstance(edge, Straight))


def test_rough_contour_comes_back_to_the_rims_it_was_seen_on() -> None:
    """Half a pixel of noise is 0.05 mm; of the lower rim, where the wall shows, the height's shift is left in it."""
    view, px, shape = seen()
    points = rough_contour_mm(view, px)
    out_of_shape = shapely.distance(shape.exterior, shapely.points(points))
    assert np.median(out_of_shape) < 0.08
    assert np.max(out_of_shape) < 0.6

