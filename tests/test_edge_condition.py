"""Edges, corners and what stands off them: profiles made by hand, and simulated plates against their exact truth."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Polygon

from holeinspect.edges.along import Along
from holeinspect.edges.lockstep import settle
from holeinspect.edges.outline import Dressed, edges_fit, rough_contour_mm
from holeinspect.edges.walk import RoundedCorner
from holeinspect.measure.edge_condition import COARSE_LIMIT_MM, EdgeCondition, Place, Survey, edge_condition, survey
from holeinspect.measure.edge_results import EdgeLimits, EdgeResults, Sight, edge_results
from holeinspect.measured import Array
from holeinspect.units import LengthUnit
from tests.sight import looked_at
from tests.simulator.scene import Broken, Burr, Mark, Nick, Part, Row, Sawn, Stub
from tests.simulator.view import Pose

# Profiles made by hand

STEP_MM, LENGTH_MM, BLUR_MM, NOISE_MM = 0.1, 60.0, 0.08, 0.01
AT_MM = np.arange(0, LENGTH_MM, STEP_MM)


def along(off_mm: Array) -> Along:
    """A straight edge along x, metal below it, with this deviation."""
    form = np.column_stack([-AT_MM, np.zeros(len(AT_MM))])
    out = np.tile([0.0, 1.0], (len(AT_MM), 1))
    nowhere = np.zeros(len(AT_MM), bool)
    return Along("straight", AT_MM, off_mm, 10 * form, form, out, nowhere, STEP_MM, BLUR_MM, False, None, None)


def noise(seed: int) -> Array:
    return NOISE_MM * np.random.default_rng(seed).standard_normal(len(AT_MM))


def stub(middle_mm: float, width_mm: float, height_mm: float) -> Array:
    return np.where(np.abs(AT_MM - middle_mm) <= width_mm / 2, height_mm, 0.0)


def wedge(middle_mm: float, width_mm: float, depth_mm: float) -> Array:
    return np.asarray(-depth_mm * np.clip(1 - 2 * np.abs(AT_MM - middle_mm) / width_mm, 0, None))


@given(st.integers(0, 2**31))
def test_noise_is_no_place(seed: int) -> None:
    assert edge_condition(along(noise(seed))).places == ()


@given(st.integers(0, 2**31), st.floats(0.7, 6.0), st.floats(0.2, 1.5), st.floats(10, 50))
def test_flat_topped_piece_is_a_tab_stub_of_its_height(seed: int, width_mm: float, height_mm: float, at_mm: float) -> None:
    (place,) = edge_condition(along(noise(seed) + stub(at_mm, width_mm, height_mm))).places
    assert place.kind == "tab stub"
    assert place.size.value == pytest.approx(height_mm, rel=0, abs=3 * NOISE_MM)
    assert place.low_mm - 0.3 < at_mm < place.high_mm + 0.3


@given(st.integers(0, 2**31), st.floats(0.8, 3.0), st.floats(0.15, 0.8), st.floats(10, 50))
def test_notch_is_a_nick_no_shallower_than_it_is(seed: int, width_mm: float, depth_mm: float, at_mm: float) -> None:
    """What the filter takes off the tip is put back but for what U holds."""
    places = edge_condition(along(noise(seed) + wedge(at_mm, width_mm, depth_mm))).places
    (place,) = [place for place in places if place.kind == "nick"]
    assert place.size.value + place.size.U > depth_mm - 0.02
    assert place.size.value - place.size.U < depth_mm + 0.02


@given(st.floats(-0.5, 0.5))
def test_bow_of_an_edge_is_form_and_no_place(bow_mm: float) -> None:
    bowed = bow_mm * (1 - (2 * AT_MM / LENGTH_MM - 1) ** 2)
    condition = edge_condition(along(noise(1) + bowed))
    assert condition.places == ()
    assert condition.protrusion.value < 0.08


@pytest.mark.parametrize("pitch_mm", [0.8, 1.2, 2.0])
def test_even_waves_all_along_are_a_coarse_edge_and_nothing_else(pitch_mm: float) -> None:
    waves = 0.1 * np.sin(2 * np.pi * AT_MM / pitch_mm)
    (place,) = edge_condition(along(noise(2) + waves)).places
    assert place.kind == "coarse edge"
    assert place.size.value > COARSE_LIMIT_MM


def test_stub_shows_on_a_coarse_edge() -> None:
    waves = 0.07 * np.sin(2 * np.pi * AT_MM / 1.2)
    kinds = {place.kind for place in edge_condition(along(waves + stub(30, 3.0, 0.6))).places}
    assert kinds == {"coarse edge", "tab stub"}


def test_more_noise_raises_the_smallest_burr_shown() -> None:
    quiet, loud = (edge_condition(along(factor * noise(3))).smallest_shown_mm for factor in (1, 5))
    assert loud > 3 * quiet


def test_more_blur_raises_the_smallest_burr_shown() -> None:
    sharp, soft = (edge_condition(replace(along(noise(3)), blur_mm=blur)).smallest_shown_mm for blur in (0.08, 0.3))
    assert soft > 1.5 * sharp


def test_what_was_not_seen_is_no_place() -> None:
    off = noise(4)
    off[200:260] = np.nan
    off[195:200], off[260:265] = 0.4, -0.4  # the border runs off the rim before it is lost
    condition = edge_condition(along(off))
    assert condition.places == ()
    assert condition.seen_share < 0.9


# Simulated plates

ABOVE = Pose((10, -25, 300), (0, 0, 0), 17.0)
AT = (6.0, 4.0)
RADII: dict[str, tuple[Row, ...]] = {
    "small": ((-20, -15, 0.5), (20, -15, 0.8), (20, -5, 1.2), (12, -5, 0.5),
              (12, 5, 1.0), (20, 5, 1.5), (20, 15, 2.0), (-20, 15, 1.0)),
    "large": ((-20, -18, 3.0), (20, -18, 4.0), (20, -9, 2.0), (9, -9, 3.0),
              (9, 9, 6.0), (20, 9, 1.5), (20, 18, 5.0), (-20, 18, 6.0)),
}  # fmt: skip
PLAIN: tuple[Row, ...] = ((-25, -15, 3.0), (25, -15, 3.0), (25, 15, 3.0), (-25, 15, 3.0))


def rough(view_px: Array, seed: int = 0) -> Array:
    return view_px + 0.4 * np.random.default_rng(seed).standard_normal(view_px.shape)


def ring_of(shape: Polygon) -> Array:
    """Points (N, 2) mm a tenth of a millimetre apart, metal on the left."""
    ring = shape.exterior if shape.exterior.is_ccw else shape.exterior.reverse()
    return np.array([ring.interpolate(at).coords[0] for at in np.arange(0, ring.length, 0.1)])


@cache
def surveyed(part: Part, optics_px: float = 0.7) -> Survey:
    """The outline's survey from a rough contour half a pixel off, as the finder gives it."""
    shape = part.placed(part.outline())
    left, bottom, right, top = shape.bounds
    view, _ = looked_at(part, (left - 4, bottom - 4, right + 4, top + 4), ABOVE, optics_px)
    points = ring_of(shape)
    px = rough(view.camera.project(np.column_stack([points, np.full(len(points), part.thickness_mm)])))
    visible = np.ones(len(px), bool)
    return survey(view, px, visible, settle(edges_fit(view, rough_contour_mm(view, px), visible)))


def places(found: Survey) -> list[Place]:
    return [place for edge in found.edges for place in edge.places]


@pytest.mark.parametrize("thickness_mm", [0.8, 3.2])
@pytest.mark.parametrize("which", RADII)
def test_corner_radii_are_measured_to_a_tenth(which: str, thickness_mm: float) -> None:
    """Half a millimetre to six, inside and outside corners, on a plate whose wall shows on one side.

    19 in 20 are within 0.1 mm; the wall of the thick plate, lit half as brightly as its face, costs one of them a little more.
    """
    part = Part(thickness_mm, RADII[which], at_mm=AT)
    corners = surveyed(part).corners
    assert len(corners) == len(part.rows)
    for x, y, radius in part.rows:
        corner = min(corners, key=lambda corner: float(np.hypot(*(corner.apex - (x + AT[0], y + AT[1])))))
        assert corner.radius == pytest.approx(radius, rel=0, abs=0.1 if thickness_mm < 1 else 0.15)
        assert abs(corner.radius - radius) < 3 * corner.radius_u
        assert corner.kind == ("inside" if x in (12, 9) else "outside")


def test_walk_goes_round_the_part_from_corner_to_corner() -> None:
    found = surveyed(Part(1.6, PLAIN, at_mm=AT))
    assert [edge.edge.kind for edge in found.edges] == ["straight"] * 4
    for edge, after in zip(found.edges, [*found.edges[1:], found.edges[0]], strict=True):
        assert edge.edge.end == after.edge.start
    perimeter_mm = sum(edge.edge.length_mm for edge in found.edges)
    around_mm = Part(1.6, PLAIN).outline().length
    assert perimeter_mm == pytest.approx(around_mm, rel=0, abs=0.8)  # a step of 0.1 mm at either end of four edges


STUBS = (Stub((-10, 15), 2.5, 0.3, 90), Stub((25, 4), 1.0, 0.5, 0), Stub((8, -15), 5.0, 0.2, -90))
NICKS = (Nick((10, 15), 0.8, 0.3, 90), Nick((-25, -4), 1.4, 0.15, 180))


def test_every_stub_and_nick_is_found_with_its_size_and_nothing_else() -> None:
    found = surveyed(Part(1.6, PLAIN, at_mm=AT, stubs=STUBS, nicks=NICKS))
    heights = sorted(place.size.value for place in places(found) if place.kind == "tab stub")
    depths = sorted(place.size.value for place in places(found) if place.kind == "nick")
    assert len(places(found)) == len(STUBS) + len(NICKS)
    assert heights == pytest.approx([0.2, 0.3, 0.5], rel=0, abs=0.03)
    assert depths == pytest.approx([0.15, 0.3], rel=0, abs=0.06)


@pytest.mark.parametrize("optics_px", [0.5, 1.5, 3.0])
@pytest.mark.parametrize("rim", [Broken(0.15), Broken(0.05)], ids=lambda rim: f"chamfer {rim.chamfer_mm}")
def test_blur_makes_no_place_on_a_clean_edge(optics_px: float, rim: Broken) -> None:
    assert places(surveyed(Part(1.6, PLAIN, at_mm=AT, rim=rim), optics_px)) == []


def test_blur_raises_the_smallest_burr_shown() -> None:
    clear, soft = (surveyed(Part(1.6, PLAIN, at_mm=AT), optics_px).edges[0].smallest_shown_mm for optics_px in (0.7, 3.0))
    assert soft > 1.5 * clear


def test_ink_across_and_along_the_edge_is_no_place() -> None:
    ink = (Mark((-5, 0), (-5, 14.7)), Mark((5, 0), (12, 14.7)), Mark((-20, 14.2), (20, 14.2)))
    assert places(surveyed(Part(1.6, PLAIN, at_mm=AT, marks=ink))) == []


def test_sawn_outline_is_coarse_on_every_long_edge_and_a_clean_one_on_none() -> None:
    sawn = surveyed(Part(1.6, PLAIN, at_mm=AT, sawn=Sawn(rms_mm=0.07)))
    assert [place.kind for place in places(sawn)].count("coarse edge") >= 3


def test_ragged_lip_is_a_burr_and_no_stub() -> None:
    lip = places(surveyed(Part(1.0, PLAIN, at_mm=AT, rim=Burr(0.3, cover=0.4))))
    assert lip
    assert {place.kind for place in lip} <= {"burr", "nick"}
    assert any(place.kind == "burr" for place in lip)


def test_bottom_of_a_nick_and_foot_of_a_stub_are_the_dressed_edge() -> None:
    found = surveyed(Part(1.6, PLAIN, at_mm=AT, stubs=STUBS[:1], nicks=NICKS[:1]))
    dressed = found.dressed()
    assert len(dressed) == 2
    (nick,) = [piece for piece in dressed if piece.nick]
    (foot,) = [piece for piece in dressed if not piece.nick]
    assert nick.points_mm[:, 1].min() == pytest.approx(AT[1] + 15 - 0.3, rel=0, abs=0.06)
    assert foot.points_mm[:, 1] == pytest.approx(np.full(len(foot.points_mm), AT[1] + 15), rel=0, abs=0.03)
    assert isinstance(nick, Dressed)


# Records and findings


def results(part: Part, limits: EdgeLimits, units: LengthUnit = "mm") -> EdgeResults:
    view, _ = looked_at(part, (-40, -30, 50, 40), ABOVE)
    return edge_results([surveyed(part)], limits, Sight("P1", part.thickness_mm, view.camera, units))


LIMITS = EdgeLimits(0.1, 0.1, None)
MARKED = Part(1.6, PLAIN, at_mm=AT, stubs=STUBS[:1], nicks=NICKS[:1])


def test_edges_and_corners_are_named_in_walking_order_from_the_upper_left() -> None:
    found = results(MARKED, LIMITS)
    (outline,) = found.edges
    assert [edge.name for edge in outline] == ["E1", "E2", "E3", "E4"]
    ends = [("K1", "K2"), ("K2", "K3"), ("K3", "K4"), ("K4", "K1")]
    assert [(edge.start_corner, edge.end_corner) for edge in outline] == ends
    assert [corner.name for corner in found.corners] == ["K1", "K2", "K3", "K4"]
    assert found.corners[0].point_mm == pytest.approx((AT[0] - 25, AT[1] + 15), rel=0, abs=1.5)  # the arc's middle


def test_place_is_told_from_the_nearest_corner() -> None:
    """The stub is 15 mm from the upper left corner, the nick 15 mm from the upper right one, along the edge between them."""
    placed = {place.kind: place for place in results(MARKED, LIMITS).places}
    assert placed["tab stub"].place == "E4, 14 mm from K1"  # of the arc's middle: 1.3 mm round the corner less
    assert placed["nick"].place == "E4, 14 mm from K4"
    assert placed["tab stub"].decided
    assert "0.30" in placed["tab stub"].sentence


def test_size_within_its_limit_is_no_finding() -> None:
    assert results(MARKED, EdgeLimits(0.5, 0.5, None)).findings == []


def test_size_near_its_limit_is_left_to_the_builder() -> None:
    (finding,) = results(replace(MARKED, nicks=()), EdgeLimits(0.30, 0.1, None)).findings
    assert finding.decision == "measure by hand"
    assert "10x glass" in finding.reading


def test_inside_corner_is_judged_where_a_least_radius_is_stated() -> None:
    part = Part(0.8, RADII["small"], at_mm=AT)
    assert results(part, LIMITS).findings == []
    found = results(part, EdgeLimits(0.1, 0.1, 3.0))
    assert {finding.reason.name for finding in found.findings} == {"sharp corner"}
    assert len(found.findings) == sum(corner.kind == "inside" for corner in found.corners) == 2
    assert all(corner.limit_mm is None for corner in found.corners if corner.kind == "outside")


def test_soft_edge_does_not_count_as_shown() -> None:
    part = Part(0.5, PLAIN, at_mm=AT)
    camera = looked_at(part, (-25, -15, 35, 25), ABOVE)[0].camera
    soft = edge_results([surveyed(part, 3.0)], EdgeLimits(0.02, 0.1, None), Sight("P1", 0.5, camera, "mm"))
    assert soft.not_shown
    assert not any(edge.condition.shown for edge in soft.edges[0] if edge.condition)


def test_profile_in_the_record_keeps_its_peak() -> None:
    found: list[EdgeCondition] = list(surveyed(MARKED).edges)
    highest = max(found, key=lambda edge: edge.protrusion.value)
    records = [edge.condition for edge in results(MARKED, LIMITS).edges[0] if edge.condition]
    peaks = [max(off for _, off, _ in record.profile) for record in records]
    assert max(peaks) == pytest.approx(highest.protrusion.value, rel=0, abs=1e-4)


@settings(max_examples=20)
@given(st.floats(0.5, 6.0), st.floats(0.0, 2 * np.pi))
def test_middle_of_a_rounded_corner_lies_on_its_arc(radius: float, turned: float) -> None:
    bisector = np.array([np.cos(turned), np.sin(turned)])
    corner = RoundedCorner("outside", np.zeros(2), -radius * np.sqrt(2) * bisector, radius, 0.01, np.pi / 2)
    assert np.hypot(*(corner.middle - corner.centre)) == pytest.approx(radius, rel=0, abs=1e-9)
    assert corner.off(corner.middle[None], 0.0)[0] == pytest.approx(0, rel=0, abs=1e-9)
