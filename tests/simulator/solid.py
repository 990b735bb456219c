"""Which surface of a plate the camera sees where, as polygons on the mat plane (z = 0).

Every point of the plate is carried along its ray to z = 0, where a horizontal section at height z appears magnified
by H/(H - z) about the nadir; what is seen there is then a matter of union and intersection:
an opening shows the backdrop where its sections at all heights overlap, and the plate hides it where any section does.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import shapely
from shapely import MultiPolygon, Polygon, affinity

from holeinspect.measured import Array
from tests.simulator.scene import Broken, Burr, Cutout, Hole, Part, Rim

Shape: TypeAlias = Polygon | MultiPolygon

LIP_STEP_MM = 0.04
"""Length of a side of a ragged lip: well under the shortest raggedness that a photo could show."""

LIP_MEAN, LIP_SWING = 0.55, 0.45
"""Mean and standard deviation of the lip's reach over its greatest: from memory of hand-drilled sheet."""

GATE_WAVES = 5
"""About how many separate stretches a lip falls into round a rim that it does not cover wholly."""


@dataclass(frozen=True, slots=True)
class Nested:
    """One contour of the plate as the camera sees it, mat plane: three shapes, each inside the next.

    Of the outer outline: face, face + band (chamfer or lip), all that hides the backdrop.
    Of an opening: where the backdrop shows, backdrop + wall, the whole opening in the face.
    """

    inner: Shape
    middle: Shape
    outer: Shape


@dataclass(frozen=True, slots=True)
class Seen:
    """A plate as the camera sees it: its outline, then its openings; blocked is what hides the backdrop."""

    outline: Nested
    openings: tuple[Nested, ...]
    marks: tuple[Shape, ...]

    @property
    def blocked(self) -> Shape:
        """All of the mat plane that the plate hides."""
        return self.outline.outer.difference(shapely.union_all([o.inner for o in self.openings]))


def seen(part: Part, camera_mm: Array, rng: np.random.Generator) -> Seen:
    """The plate's visible surfaces. camera_mm: (3,) mat frame. rng: for ragged lips."""
    eye = _Eye(camera_mm, part)
    outline = _outline(part, eye, rng)
    openings = tuple(_opening(o, part.thickness_mm, eye, rng) for o in part.openings)
    return Seen(outline, openings, _marks(part, outline, openings, eye))


@dataclass(frozen=True, slots=True)
class _Eye:
    """Carries a section of the part along the rays to the mat plane."""

    camera_mm: Array
    part: Part

    def to_mat(self, shape: Shape, z_mm: float) -> Shape:
        x, y, height = self.camera_mm
        magnified = height / (height - z_mm)
        return affinity.scale(self.part.placed(shape), magnified, magnified, origin=(x, y))

    def wall(self, shape: Polygon, z_low: float, z_high: float) -> Shape:
        """All that an upright wall over the outline of `shape` covers."""
        if z_high <= z_low:
            return Polygon()
        low, high = (np.array(self.to_mat(shape, z).exterior.coords) for z in (z_low, z_high))
        corners = np.stack([low[:-1], low[1:], high[1:], high[:-1]], axis=1)
        quads = shapely.convex_hull(shapely.multipoints(shapely.points(corners)))
        return shapely.union_all(quads[shapely.get_type_id(quads) == shapely.GeometryType.POLYGON])


def _outline(part: Part, eye: _Eye, rng: np.random.Generator) -> Nested:
    b, t = _chamfer(part.rim), part.thickness_mm
    top = part.outline(-b)
    face = eye.to_mat(top, t)
    band = face
    if isinstance(part.rim, Burr):
        band = face.union(eye.to_mat(_with_lip(top, part.rim, 1.0, rng), t))
    elif b:
        band = face.union(eye.to_mat(part.outline(), t - b))
    sections = [eye.to_mat(part.outline(), z) for z in (b, t - b)]
    walls = [] if _is_convex(part.outline()) else [eye.wall(part.outline(), b, t - b)]
    hidden = shapely.union_all([band, *sections, *walls])
    if not walls:
        hidden = shapely.union_all([band, shapely.union_all(sections).convex_hull])
    return Nested(face, band, hidden)


def _opening(opening: Hole | Cutout, t: float, eye: _Eye, rng: np.random.Generator) -> Nested:
    b = _chamfer(opening.rim)
    top = opening.opening(b)
    in_face = eye.to_mat(top, t)
    past_band = in_face
    if isinstance(opening.rim, Burr):
        past_band = in_face.intersection(eye.to_mat(_with_lip(top, opening.rim, -1.0, rng), t))
    elif b:
        past_band = in_face.intersection(eye.to_mat(opening.opening(), t - b))
    shown = past_band
    for grow, z in ((0.0, t - b), (0.0, b), (b, 0.0)):
        shown = shown.intersection(eye.to_mat(opening.opening(grow), z))
    if not _is_convex(opening.opening()):
        shown = shown.difference(eye.wall(opening.opening(), b, t - b))
    return Nested(shown, past_band, in_face)


def _marks(part: Part, outline: Nested, openings: tuple[Nested, ...], eye: _Eye) -> tuple[Shape, ...]:
    """Ink on the face only."""
    face = outline.inner.difference(shapely.union_all([o.outer for o in openings]))
    lines = (shapely.LineString([m.start_mm, m.end_mm]).buffer(m.width_mm / 2, cap_style="flat") for m in part.marks)
    return tuple(eye.to_mat(line, part.thickness_mm).intersection(face) for line in lines)


def _chamfer(rim: Rim) -> float:
    return rim.chamfer_mm if isinstance(rim, Broken) else 0.0


CONVEX_SLACK = 1e-9
"""Share of the area by which a convex polygon's hull may exceed it: rounding of its corners."""


def _is_convex(shape: Polygon) -> bool:
    return bool(shape.convex_hull.area - shape.area <= CONVEX_SLACK * shape.area)


def _with_lip(shape: Polygon, rim: Burr, outwards: float, rng: np.random.Generator) -> Polygon:
    """The shape after its rim has moved by the ragged lip: outwards +1, inwards -1."""
    ring = np.array(shapely.segmentize(shape.exterior, LIP_STEP_MM).coords)[:-1]
    tangent = np.roll(ring, -1, 0) - np.roll(ring, 1, 0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    side = 1.0 if shape.exterior.is_ccw else -1.0
    normal = side * np.column_stack([tangent[:, 1], -tangent[:, 0]])
    moved = ring + outwards * normal * _raggedness(len(ring), shape.length, rim, rng)[:, None]
    return shapely.make_valid(Polygon(moved)).buffer(0)


def burred(part: Part, rng: np.random.Generator) -> list[Polygon]:
    """The part's openings in the plane of the upper face, lips and all: what `seen` draws with the same random numbers."""
    if isinstance(part.rim, Burr):
        _with_lip(part.outline(), part.rim, 1.0, rng)
    tops = ((opening, opening.opening(_chamfer(opening.rim))) for opening in part.openings)
    return [_with_lip(top, o.rim, -1.0, rng) if isinstance(o.rim, Burr) else top for o, top in tops]


def _raggedness(count: int, perimeter_mm: float, rim: Burr, rng: np.random.Generator) -> Array:
    """(count,) mm, reach of the lip round the rim, 0..lean_mm."""
    reach = np.clip(LIP_MEAN + LIP_SWING * _noise(count, rim.length_mm / perimeter_mm, rng), 0, 1)
    gate = _noise(count, 1 / GATE_WAVES, rng)
    return rim.lean_mm * np.where(gate <= np.quantile(gate, rim.cover), reach, 0)


def _noise(count: int, length: float, rng: np.random.Generator) -> Array:
    """Periodic noise of unit variance; `length`: its Gaussian correlation length over the period."""
    waves = np.fft.rfftfreq(count, 1 / count)
    spectrum = np.fft.rfft(rng.standard_normal(count)) * np.exp(-0.5 * (np.pi * waves * length / 2) ** 2)
    spectrum[0] = 0
    noise = np.fft.irfft(spectrum, count)
    return np.asarray(noise / noise.std())


