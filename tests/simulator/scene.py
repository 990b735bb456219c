"""What lies on the table: a mat or a plain backdrop, drilled plates, and light; all lengths in millimetres."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, TypeAlias

import numpy as np
import shapely
from shapely import LinearRing, LineString, Point, Polygon, affinity

from holeinspect.measured import Array

Row: TypeAlias = tuple[float, float, float]
"""An outline's corner: x, y (part frame, mm) and corner radius (mm; 0: sharp)."""

CIRCLE_SIDES = 720
"""Sides of the polygon that stands for a circle: at a radius of 100 px it departs by 0.001 px."""

ARC_STEP_DEG = 1.0
"""Angle of one side of a rounded corner."""


@dataclass(frozen=True, slots=True)
class Sharp:
    """A rim as a machine would leave it: wall square to the face."""


@dataclass(frozen=True, slots=True)
class Broken:
    """A rim broken at 45° by `chamfer_mm` on both faces: the silhouette lies at z = b and z = t - b."""

    chamfer_mm: float = 0.15


@dataclass(frozen=True, slots=True)
class Burr:
    """A ragged lip on the top rim, leaning into the opening (off the part) by up to `lean_mm`, flat at z = t.

    cover: share of the rim that carries it, 0..1. length_mm: correlation length of its raggedness.
    """

    lean_mm: float = 0.12
    cover: float = 1.0
    length_mm: float = 0.35


Rim: TypeAlias = Sharp | Broken | Burr


@dataclass(frozen=True, slots=True)
class Hole:
    """A through hole; `second_mm` drills it a second time that far off, `slot_mm` draws it out to a slot.

    Its edge distance, pitch and centre are those of `centre_mm` (part frame).
    """

    centre_mm: tuple[float, float]
    diameter_mm: float
    rim: Rim = Sharp()
    second_mm: tuple[float, float] | None = None
    slot_mm: tuple[float, float] | None = None
    name: str = ""

    @property
    def kind(self) -> Literal["round", "oval", "slot"]:
        """What the finished hole is."""
        if self.slot_mm is not None:
            return "slot"
        return "round" if self.second_mm is None else "oval"

    def opening(self, grow_mm: float = 0.0) -> Polygon:
        """The opening in the part frame, grown all round by `grow_mm`."""
        radius = self.diameter_mm / 2 + grow_mm
        first = circle(self.centre_mm, radius)
        if self.second_mm is not None:
            return first.union(circle(_moved(self.centre_mm, self.second_mm), radius))
        if self.slot_mm is not None:
            axis = LineString([self.centre_mm, _moved(self.centre_mm, self.slot_mm)])
            return axis.buffer(radius, quad_segs=CIRCLE_SIDES // 4)
        return first


@dataclass(frozen=True, slots=True)
class Cutout:
    """An opening of any outline: a window, a notch's inside, a lightening hole."""

    rows: tuple[Row, ...]
    rim: Rim = Sharp()

    def opening(self, grow_mm: float = 0.0) -> Polygon:
        """The opening in the part frame, grown all round by `grow_mm`."""
        return rounded(self.rows).buffer(grow_mm, join_style="mitre") if grow_mm else rounded(self.rows)


@dataclass(frozen=True, slots=True)
class Levels:
    """Linear luminance of a part's surfaces, 0..1."""

    face: float = 0.5
    wall: float = 0.25
    chamfer: float = 0.65
    burr: float = 0.6


@dataclass(frozen=True, slots=True)
class Mark:
    """A line of layout ink on the face: end points (part frame, mm), width, linear level."""

    start_mm: tuple[float, float]
    end_mm: tuple[float, float]
    width_mm: float = 0.6
    level: float = 0.05


@dataclass(frozen=True, slots=True)
class Stub:
    """What is left of a sheet's tab: a flat-topped piece on an edge, through the whole thickness.

    at_mm: its middle on the edge (part frame). facing_deg: direction out of the metal there.
    """

    at_mm: tuple[float, float]
    width_mm: float
    height_mm: float
    facing_deg: float

    def shape(self) -> Polygon:
        """The piece, with its root within the metal."""
        half = self.width_mm / 2
        return _turned(shapely.box(-ROOT_MM, -half, self.height_mm, half), self.facing_deg, self.at_mm)


@dataclass(frozen=True, slots=True)
class Nick:
    """A notch of a V's shape into an edge, through the whole thickness; at_mm, facing_deg as in `Stub`."""

    at_mm: tuple[float, float]
    width_mm: float
    depth_mm: float
    facing_deg: float

    def shape(self) -> Polygon:
        """The metal that is missing, its mouth a little off the edge."""
        half = self.width_mm / 2
        wedge = Polygon([(0, -half), (MOUTH_MM, -half), (MOUTH_MM, half), (0, half), (-self.depth_mm, 0)])
        return _turned(wedge, self.facing_deg, self.at_mm)


@dataclass(frozen=True, slots=True)
class Sawn:
    """An outline as a saw or a coarse grit leaves it: even waves through the whole thickness, all round.

    rms_mm: of the waves. pitch_mm: their length; spread: how far single ones differ from it, as a share.
    """

    rms_mm: float = 0.06
    pitch_mm: float = 1.0
    spread: float = 0.15

    def applied(self, shape: Polygon) -> Polygon:
        """The outline after the saw."""
        ring = np.array(shapely.segmentize(shape.exterior, self.pitch_mm / SAW_STEPS).coords)[:-1]
        along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))])
        wander = np.cumsum(np.random.default_rng(len(ring)).normal(0, self.spread, len(ring))) / np.sqrt(SAW_STEPS)
        wave = np.sqrt(2) * self.rms_mm * np.sin(2 * np.pi * along / self.pitch_mm + wander)
        tangent = np.roll(ring, -1, 0) - np.roll(ring, 1, 0)
        tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
        side = 1.0 if shape.exterior.is_ccw else -1.0
        normal = side * np.column_stack([tangent[:, 1], -tangent[:, 0]])
        return Polygon(ring + wave[:, None] * normal).buffer(0)


ROOT_MM, MOUTH_MM = 1.0, 0.02
"""How far a stub reaches back into the metal, and a nick's mouth out of it, so that union and difference are clean."""
SAW_STEPS = 12
"""Sides of a sawn edge's wave."""


@dataclass(frozen=True, slots=True)
class Part:
    """A flat plate lying on z = 0 with its top face at z = thickness. streak: relative strength of brushing marks."""

    thickness_mm: float
    rows: tuple[Row, ...]
    holes: tuple[Hole, ...] = ()
    cutouts: tuple[Cutout, ...] = ()
    marks: tuple[Mark, ...] = ()
    at_mm: tuple[float, float] = (0.0, 0.0)
    rotate_deg: float = 0.0
    rim: Rim = Sharp()
    levels: Levels = Levels()
    streak: float = 0.0
    stubs: tuple[Stub, ...] = ()
    nicks: tuple[Nick, ...] = ()
    sawn: Sawn | None = None

    def outline(self, grow_mm: float = 0.0) -> Polygon:
        """The outer outline in the part frame, openings not taken out, grown all round by `grow_mm`."""
        shape = self.dressed_outline()
        if self.stubs:
            shape = shapely.union_all([shape, *(stub.shape() for stub in self.stubs)])
        shape = self.sawn.applied(shape) if self.sawn else shape
        return shape.buffer(grow_mm, join_style="mitre") if grow_mm else shape

    def dressed_outline(self) -> Polygon:
        """The outline once its stubs are filed off: nicks are there to stay, and shorten edge distances."""
        shape = rounded(self.rows)
        return shape.difference(shapely.union_all([nick.shape() for nick in self.nicks])) if self.nicks else shape

    @property
    def openings(self) -> tuple[Hole | Cutout, ...]:
        """Everything one can see the backdrop through."""
        return (*self.holes, *self.cutouts)

    def placed(self, shape: Polygon) -> Polygon:
        """A shape of the part frame, in the mat frame."""
        turned = affinity.rotate(shape, self.rotate_deg, origin=(0, 0))
        return affinity.translate(turned, *self.at_mm)


@dataclass(frozen=True, slots=True)
class Plain:
    """A backdrop of one linear level, without end."""

    level: float = 0.04


Colour: TypeAlias = tuple[float, float, float]
"""Linear red, green and blue, 0..1."""


@dataclass(frozen=True, slots=True)
class Lines:
    """A printed grid: lines every `pitch_mm` both ways, `width_mm` wide."""

    pitch_mm: float = 10.0
    width_mm: float = 0.3
    colour: Colour = (0.55, 0.60, 0.25)


@dataclass(frozen=True, slots=True)
class Surface:
    """A coloured backdrop without end: a cutting mat with its printed grid, a board, a speckled bench top.

    grain: of streaks along x, as a board has them; speckle: of round spots. Both are standard deviations of the logarithm
    of light, and the same whatever is photographed on it.
    """

    colour: Colour = (0.05, 0.15, 0.10)
    lines: Lines | None = None
    grain: float = 0.0
    speckle: float = 0.0


@dataclass(frozen=True, slots=True)
class Mat:
    """The printed mat on a table. print_scale: true over nominal length across (x) and up (y) the page."""

    page: str = "a4"
    window: str = "black"
    print_scale: tuple[float, float] = (1.0, 1.0)
    paper: float = 0.80
    ink: float = 0.04
    table: float = 0.30


@dataclass(frozen=True, slots=True)
class Sheet:
    """A blank sheet of paper on a table, its middle at the origin; size_mm: true width (x) and height (y)."""

    size_mm: tuple[float, float] = (210.0, 297.0)
    paper: float = 0.80
    table: float = 0.25


@dataclass(frozen=True, slots=True)
class Shadow:
    """A soft shadow of the parts on the backdrop: moved by `offset_mm`, blurred by `softness_mm` (sigma)."""

    offset_mm: tuple[float, float] = (1.5, -1.0)
    softness_mm: float = 2.0
    depth: float = 0.4


@dataclass(frozen=True, slots=True)
class Light:
    """Illumination: 1 at the mat's centre, changing by `gradient` per 100 mm along x and y; perhaps a shadow."""

    gradient: tuple[float, float] = (0.0, 0.0)
    shadow: Shadow | None = None


@dataclass(frozen=True, slots=True)
class Scene:
    """All that the camera looks at. Parts neither touch nor hide one another."""

    backdrop: Mat | Plain | Sheet | Surface = Plain()
    parts: tuple[Part, ...] = ()
    light: Light = field(default_factory=Light)


@dataclass(frozen=True, slots=True)
class HoleTruth:
    """What a perfect calliper would find. centre_mm: mat frame, true millimetres on the table.

    edge_distance_mm: centre to the nearest edge of the part, cutouts included. pitch_mm: to the nearest centre of
    another hole of the same part, None where it is the only one.
    """

    part: int
    name: str
    kind: Literal["round", "oval", "slot"]
    rim: Rim
    centre_mm: tuple[float, float]
    diameter_mm: float
    edge_distance_mm: float
    pitch_mm: float | None
    thickness_mm: float


def hole_truths(scene: Scene) -> tuple[HoleTruth, ...]:
    """The truth about every hole, part by part."""
    return tuple(_truth(scene, i, j) for i, part in enumerate(scene.parts) for j in range(len(part.holes)))


def _truth(scene: Scene, part_index: int, hole_index: int) -> HoleTruth:
    part = scene.parts[part_index]
    hole = part.holes[hole_index]
    centre = Point(hole.centre_mm)
    edges = [part.dressed_outline().exterior, *(c.opening().exterior for c in part.cutouts)]
    others = [Point(h.centre_mm) for j, h in enumerate(part.holes) if j != hole_index]
    on_mat = part.placed(centre)
    return HoleTruth(
        part_index, hole.name or f"H{hole_index + 1}", hole.kind, hole.rim, (on_mat.x, on_mat.y), hole.diameter_mm,
        min(edge.distance(centre) for edge in edges), min((centre.distance(o) for o in others), default=None),
        part.thickness_mm,
    )


def circle(centre: tuple[float, float], radius: float, sides: int = CIRCLE_SIDES) -> Polygon:
    """A regular polygon of the circle's exact area: its sides swing evenly about the circle."""
    step = 2 * np.pi / sides
    even = radius * np.sqrt(step / np.sin(step))
    angle = step * np.arange(sides)
    return Polygon(np.column_stack([centre[0] + even * np.cos(angle), centre[1] + even * np.sin(angle)]))


def rounded(rows: tuple[Row, ...]) -> Polygon:
    """The polygon of these corners, each replaced by the arc that touches both its sides."""
    corners = list(zip(rows[-1:] + rows[:-1], rows, rows[1:] + rows[:1], strict=True))
    points = np.vstack([_corner(before, here, after) for before, here, after in corners])
    ring = LinearRing(points)
    if not ring.is_simple:
        raise ValueError(f"the outline {rows} crosses itself: give smaller corner radii or other corners")
    return Polygon(points)


def _corner(before: Row, here: Row, after: Row) -> Array:
    """Points (N, 2) of one corner; symbols: u, v unit vectors along its two sides, half the angle between them."""
    corner, radius = np.array(here[:2]), here[2]
    if radius == 0:
        return corner[None]
    u, v = (_unit(np.array(p[:2]) - corner) for p in (before, after))
    half = np.arccos(np.clip(u @ v, -1, 1)) / 2
    centre = corner + _unit(u + v) * radius / np.sin(half)
    start, end = (corner + w * radius / np.tan(half) - centre for w in (u, v))
    first = np.arctan2(start[1], start[0])
    sweep = np.arctan2(start[0] * end[1] - start[1] * end[0], start @ end)
    angle = first + np.linspace(0, sweep, int(np.ceil(abs(np.degrees(sweep)) / ARC_STEP_DEG)) + 1)
    return np.asarray(centre + radius * np.column_stack([np.cos(angle), np.sin(angle)]))


def _turned(shape: Polygon, angle_deg: float, to_mm: tuple[float, float]) -> Polygon:
    return affinity.translate(affinity.rotate(shape, angle_deg, origin=(0, 0)), *to_mm)


def _unit(vector: Array) -> Array:
    return np.asarray(vector / np.linalg.norm(vector))


def _moved(point: tuple[float, float], by: tuple[float, float]) -> tuple[float, float]:
    return point[0] + by[0], point[1] + by[1]
