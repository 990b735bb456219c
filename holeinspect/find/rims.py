"""Openings told by their own rim: a sharp, round or slot-like spot on the face, its wall where the thickness puts it.

In a thick part the backdrop seen through a hole lies in shade. It is then no longer like the backdrop, may be as dark
as paint, and often only the wall or a crescent of light shows. Everything seen within the top rim is wall or backdrop,
so whatever differs from the face ends at that rim; and the bottom rim is the same shape, moved by a known way.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.spatial import KDTree
from shapely import Polygon

from holeinspect.find.contours import STILL_OPEN, directed, sample, towards_metal
from holeinspect.find.labels import Scene
from holeinspect.find.picture import Bytes, Mask
from holeinspect.find.printed import INK
from holeinspect.find.spots import LARGEST_SPOT_MM, circle_through, convex_points, dark_spots
from holeinspect.measured import Array
from holeinspect.scale.camera import Camera

OFF_CIRCLE_PX = 1.2
"""Work px that a point of a round rim may be off its circle."""
TOUCH_PX = 2.2
"""Work px between a rim and the outline of the spot that touches it: the spot ends where the blur does."""
REFINING = 2
"""Passes in which the circle is moved to the steepest step."""
AROUND = 72
"""Directions in which a rim is looked at: every 5 degrees."""
LEAST_DIAMETER_MM = 1.3
"""Smallest rim believed; holes are promised from 1.5 mm."""
CLOSED_SHARE, CRESCENT_SHARE = 0.85, 0.4
"""Least share of the rim that is sharp: all round; and with the wall alone in sight, which is along half of the rim,
less the crescent's thin horns."""
WITHIN_SHARE = 0.94
"""Least share of a spot that lies within its rim."""
SOLID_SHARE = 0.95
"""Least share of its convex hull that a slot's spot fills."""
SHARP_SHARE = 0.6
"""Least share of the touched rim that is as sharp as the lens allows: reflections and stains have soft borders."""
SHARP_ROUND_SHARE = 0.5
"""The same of a rim touched all round: along a wall nearly as bright as the face it is faint."""
SEEN_WALL_PX, CLEAR_WALL_PX = 1.5, 3.0
"""Narrowest strips of wall, work px, that can be told: darker or brighter than both its sides; of a level between."""
CLEAR_PX = 1
"""Work px beside a limit that are left out when levels on its two sides are compared."""
LEAST_PIXELS = 8
"""Fewest pixels that give a level."""
WALL_STEP = 0.15
"""Least step of log light between wall and backdrop."""
STEP_REACH_PX = np.arange(-3.0, 3.01, 0.5)
"""Offsets across the bottom rim, work px, within which its step is looked for."""
RIM_STEP = 0.1
"""Least step of log light over one work px of a rim that is seen."""
STEP_NEAR_PX = 1.3
"""How near the bottom rim the steepest step has to be: accuracy of the thickness as typed, and of the rim."""
STEEP_SHARE = 0.22
"""Least share of the range across a rim that the light rises by within one work px: a soft border has a sixth."""
WALL_REACH = 0.6
"""How much of the wall's strip is searched for the bottom rim's step: the rest belongs to the top rim's."""
BEYOND_BLUR_PX = 2.0
"""Work px inwards from the bottom rim where the backdrop is seen clear of blur."""
STEP_SHARE = 0.55
"""Least share of the bottom rim seen where it is."""
LEAST_SEEN = 5
"""Fewest points of the bottom rim that have to be seen."""
FACE_RING_PX = 6
"""How far round a rim the face's own level is taken."""
LIT_STEP = 0.2
"""Least step of log light from the face up to the backdrop in an opening whose wall cannot be told."""
LIT_LEAST_MM = 2.5
"""Smallest such opening: a centre punch's mark shines too, and is smaller."""
BELOW_INK = 0.35
"""How much less log light than the mat's own black an opening has to give to be called so by its darkness alone: a pen
is about as dark as toner (common practice, no source)."""
WIDEST_LENS = 0.5
"""Greatest share of the opening that a lens shows; more has the shape of a hole."""
LARGEST_LENS_MM = 3.0
"""Greatest width of such a lens; larger ones are openings by themselves."""
LENS_MATCH = 0.8
"""Least area common to a spot and the lens between its two rims, over the area of both together."""
HIDING_SHARE = 0.64
"""Move of the bottom rim, in diameters, that leaves 0.3 of the opening (two equal circles' common area)."""
BRIGHTER = 0.1
"""Least step of log light up from the face for arcs of a rim to be told of, though neither wall nor whole rim is seen."""
DEEP_SHARE = 0.6
"""Largest width over thickness of such an opening: paper at the foot of a hole this deep receives R²/(R² + t²) = 8 % of
the light (view factor of a coaxial disc); a wider spot that is so dark is ink."""
SHOWN_SHARE = 0.3
"""Least share of the opening through which the backdrop is seen; less is almost hidden, and not to be trusted."""


@dataclass(frozen=True, slots=True, eq=False)
class Rim:
    """A spot that ends as sharply as a rim.

    top_px, bottom_px: (N, 2) work px, where the two rims appear, point by point.
    walled: the wall is seen where the thickness puts it. opening: wall or light say that it is no ink.
    shown: share of the opening that its wall leaves free.
    """

    top_px: Array
    bottom_px: Array
    walled: bool
    opening: bool
    shown: float

    @property
    def hidden(self) -> bool:
        """Whether the wall hides almost all of the backdrop."""
        return self.shown < SHOWN_SHARE

    @property
    def area_px2(self) -> float:
        """Area within the top rim."""
        return float(cv2.contourArea(self.top_px.astype(np.float32)))

    def holds(self, points_px: Array) -> bool:
        """Whether the middle of some points (N, 2) lies within the top rim."""
        x, y = points_px.mean(axis=0)
        return cv2.pointPolygonTest(self.top_px.astype(np.float32), (float(x), float(y)), False) >= 0


@dataclass(frozen=True, slots=True, eq=False)
class RimSearch:
    """Looks for openings by their rims in the face of one part, `thickness_mm` above the mat."""

    scene: Scene
    camera: Camera
    thickness_mm: float

    def rims(self, spots_px: Iterable[Array]) -> Iterator[Rim]:
        """Rims among spots, which are outlines (N, 2) work px."""
        for outline in spots_px:
            rim = self._round(outline) or self._long(outline)
            if rim is not None:
                yield rim

    def largest_hidden_mm(self, outline_px: Array) -> float:
        """The largest hole that the part's thickness can hide from the camera, within an outline (N, 2) work px."""
        far_mm = np.hypot(*(self._on_face(outline_px) - self.camera.centre[:2]).T).max()
        moved_mm = self.thickness_mm * far_mm / (self.camera.centre[2] - self.thickness_mm)
        return float(moved_mm / HIDING_SHARE)

    def _round(self, outline_px: Array) -> Rim | None:
        """The spot as a round opening: closed, or a crescent with its wall."""
        points = convex_points(outline_px)
        touched = np.ones(AROUND, bool)
        for _ in range(1 + REFINING):
            centre, radius = circle_through(self._on_face(points), OFF_CIRCLE_PX / self.scene.px_per_mm)
            if not LEAST_DIAMETER_MM < 2 * radius < LARGEST_SPOT_MM:
                return None
            rim_px = self._circle(centre, radius)
            touched = _near(rim_px, outline_px)
            if touched.mean() < CRESCENT_SHARE:
                return None
            points = self._at_step(rim_px)[touched]
        return self._judged(rim_px, touched, outline_px)

    def lenses(self, whole: Bytes, corner: npt.NDArray[np.intp]) -> Iterator[Rim]:
        """Rims of round holes of which the wall leaves no more to be seen than a thin lens of ink.

        whole: (h, w) 0 or 1, all within the part's outline; corner: (2,) work px of its first pixel.
        """
        for outlines in dark_spots(self.scene, whole, corner, LARGEST_LENS_MM):
            lens = next((rim for outline in outlines if (rim := self._lens(outline))), None)
            if lens is not None:
                yield lens

    def _lens(self, outline_px: Array) -> Rim | None:
        """The spot (N, 2) as what lies within both rims of a round hole: its two sides are the two rims'."""
        points = directed(outline_px, opening=True)
        top_mm = self._on_face(points)
        into_metal = self._on_face(points + towards_metal(points)) - top_mm
        upper = (into_metal * (top_mm - self.camera.centre[:2])).sum(axis=1) < 0
        bottom_mm = self.camera.to_plane(self.scene.picture.to_full(points), 0.0)
        on_rims = np.where(upper[:, None], top_mm, bottom_mm)
        centre, radius = circle_through(on_rims, OFF_CIRCLE_PX / self.scene.px_per_mm)
        if not LEAST_DIAMETER_MM < 2 * radius < LARGEST_SPOT_MM:
            return None
        top_px = self._circle(centre, radius)
        bottom_px = self._seen(self._on_face(top_px), 0.0)
        top, bottom, spot = (Polygon(rim_px).buffer(0) for rim_px in (top_px, bottom_px, points))
        left = top.intersection(bottom)
        shown = left.area / top.area
        if shown > WIDEST_LENS or spot.intersection(left).area < LENS_MATCH * spot.union(left).area:
            return None
        return Rim(top_px, bottom_px, True, True, shown)

    def _long(self, outline_px: Array) -> Rim | None:
        """The spot as a slot or another smooth opening: closed, and convex but for the pixels' steps."""
        hull = cv2.convexHull(outline_px.astype(np.float32))
        width = min(cv2.minAreaRect(hull)[1])
        solid = cv2.contourArea(outline_px.astype(np.float32)) > SOLID_SHARE * cv2.contourArea(hull)
        if not solid or width < LEAST_DIAMETER_MM * self.scene.px_per_mm:
            return None
        points = self._at_step(directed(outline_px.astype(float), opening=True))
        return self._judged(points, np.ones(len(points), bool), outline_px)

    def _on_face(self, points_px: Array) -> Array:
        """Work px (N, 2) to mm on the face."""
        return self.camera.to_plane(self.scene.picture.to_full(points_px.astype(float)), self.thickness_mm)

    def _seen(self, points_mm: Array, height_mm: float) -> Array:
        """Mat frame (N, 2) mm at some height to work px."""
        points = np.column_stack([points_mm, np.full(len(points_mm), height_mm)])
        return self.scene.picture.from_full(self.camera.project(points))

    def _circle(self, centre_mm: Array, radius_mm: float) -> Array:
        """A circle of the face, (AROUND, 2) work px, directed as an opening."""
        angle = np.arange(AROUND) * 2 * np.pi / AROUND
        circle = centre_mm + radius_mm * np.column_stack([np.cos(angle), np.sin(angle)])
        return directed(self._seen(circle, self.thickness_mm), opening=True)

    def _at_step(self, rim_px: Array) -> Array:
        """The rim's points moved to the steepest step nearby, where there is one."""
        place, step = self._steepest(rim_px)
        return np.asarray(rim_px + np.where(step > RIM_STEP, place, 0.0)[:, None] * towards_metal(rim_px))

    def _steepest(self, rim_px: Array) -> tuple[Array, Array]:
        """(N,) where across a directed rim the light steps most, work px towards the metal; the step, 0 if soft."""
        light = self._across(rim_px)
        steps = np.abs(light[:, 2:] - light[:, :-2])
        best = np.argmax(steps, axis=1)
        step = np.take_along_axis(steps, best[:, None], axis=1)[:, 0]
        return STEP_REACH_PX[1:-1][best], np.where(step > STEEP_SHARE * np.ptp(light, axis=1), step, 0.0)

    def _across(self, rim_px: Array) -> Array:
        """The light across a directed rim, (N, len(STEP_REACH_PX))."""
        return sample(self.scene.lightness, rim_px[:, None] + STEP_REACH_PX[:, None] * towards_metal(rim_px)[:, None])

    def stepped(self, rim_px: Array) -> Mask:
        """(N,) whether a directed rim lies at a sharp step of the light."""
        place, step = self._steepest(rim_px)
        return np.asarray((np.abs(place) < STEP_NEAR_PX) & (step > RIM_STEP))

    def _judged(self, top_px: Array, touched: Mask, outline_px: Array) -> Rim | None:
        """The rim with its bottom if it is sharp, and either closed or beside its wall."""
        if not np.all((top_px >= 0) & (top_px <= np.array(self.scene.picture.size_px) - 1)):
            return None
        sharp = self.stepped(top_px)
        least = SHARP_SHARE if touched.mean() < CLOSED_SHARE else SHARP_ROUND_SHARE
        if sharp.mean() < CRESCENT_SHARE or sharp[touched].mean() < least:
            return None
        bottom_px = self._seen(self._on_face(top_px), 0.0)
        levels = levels_at(self.scene.lightness, top_px, bottom_px, outline_px)
        if levels.spot_within < WITHIN_SHARE:
            return None
        walled = self._has_wall(top_px, bottom_px)
        closed = max(sharp.mean(), touched.mean()) > CLOSED_SHARE
        # Walls may shine on two sides of a hole that is as dark as the face; ink is never brighter than it.
        if not (walled or closed or levels.inside > levels.face + BRIGHTER):
            return None
        opening = walled or self._light_of_opening(top_px, levels)
        return Rim(top_px, bottom_px, walled, opening, levels.shown)

    def _has_wall(self, top_px: Array, bottom_px: Array) -> bool:
        """Whether the light steps from wall to backdrop along the bottom rim."""
        top = top_px.astype(np.float32)
        depth_px = np.array([cv2.pointPolygonTest(top, (float(x), float(y)), True) for x, y in bottom_px])
        outwards, lightness = towards_metal(bottom_px), self.scene.lightness
        wall = sample(lightness, bottom_px + depth_px[:, None] / 2 * outwards)
        backdrop = sample(lightness, bottom_px - BEYOND_BLUR_PX * outwards)
        face = sample(lightness, bottom_px + (depth_px[:, None] + BEYOND_BLUR_PX) * outwards)
        # Between a brighter face and a darker backdrop any blur looks like a narrow wall.
        between = (wall - backdrop) * (wall - face) < 0
        seen = depth_px > np.where(between, CLEAR_WALL_PX, SEEN_WALL_PX)
        if seen.sum() < LEAST_SEEN:
            return False
        step = float(np.median((wall - backdrop)[seen]))
        if abs(step) < WALL_STEP:
            return False
        light = self._across(bottom_px)
        # Steps the other way, and those beyond the wall, are the top rim's.
        steps = (light[:, 2:] - light[:, :-2]) * np.sign(step)
        steps[STEP_REACH_PX[1:-1] > WALL_REACH * depth_px[:, None]] = 0
        place = STEP_REACH_PX[1:-1][np.argmax(steps, axis=1)]
        there = (np.abs(place) < STEP_NEAR_PX) & (steps.max(axis=1) > RIM_STEP)
        return bool(there[seen].mean() > STEP_SHARE)

    def _light_of_opening(self, top_px: Array, levels: Levels) -> bool:
        """Whether a spot without a visible wall can be nothing but an opening: lit backdrop, or darker than ink."""
        centre = np.rint(top_px.mean(axis=0))[None]
        fields = self.scene.backdrop.fields
        size = self.scene.picture.size_px
        expected = float(fields[self.scene.backdrop.window_bit].at(centre, size)[0, 0])
        wide = np.ptp(top_px, axis=0).min() > LIT_LEAST_MM * self.scene.px_per_mm
        if wide and levels.face + LIT_STEP < levels.backdrop < expected:
            return True
        deep = np.ptp(top_px, axis=0).max() < DEEP_SHARE * self.thickness_mm * self.scene.px_per_mm
        return bool(deep and INK in fields and levels.inside < float(fields[INK].at(centre, size)[0, 0]) - BELOW_INK)


@dataclass(frozen=True, slots=True)
class Levels:
    """Median log light of backdrop, of all within the rim, and of the face around; nan where too little shows.

    shown: area within both rims over that within the top one. spot_within: share of the spot within the top rim.
    """

    backdrop: float
    inside: float
    face: float
    shown: float
    spot_within: float


def levels_at(lightness: npt.NDArray[np.float32], top_px: Array, bottom_px: Array, outline_px: Array) -> Levels:
    """Levels within a rim: top, bottom and the spot's outline (N, 2) work px."""
    everything = np.vstack([top_px, bottom_px, outline_px])
    least = np.maximum(np.floor(everything.min(axis=0)).astype(int) - FACE_RING_PX - 1, 0)
    most = np.ceil(everything.max(axis=0)).astype(int) + FACE_RING_PX + 2
    light = lightness[least[1] : most[1], least[0] : most[0]]
    top, bottom, spot = (_filled(points - least, light.shape) for points in (top_px, bottom_px, outline_px))
    near_face = _eroded(top, -FACE_RING_PX) & ~_eroded(top | spot, -2 * CLEAR_PX)
    masks = (_eroded(top & bottom, CLEAR_PX), _eroded(top, CLEAR_PX), near_face)
    backdrop, inside, face = (_level(light, mask) for mask in masks)
    # In log light a dark spot's steepest step lies up to a pixel inside its rim.
    grown = _eroded(top, -CLEAR_PX)
    shown = _share(top & bottom, top)
    if shown > STILL_OPEN:
        shown = _share(grown & _eroded(bottom, -CLEAR_PX), grown)
    return Levels(backdrop, inside, face, shown, _share(spot & _eroded(grown, -CLEAR_PX), spot))


def _filled(points: Array, shape: tuple[int, int]) -> Bytes:
    return np.asarray(cv2.fillPoly(np.zeros(shape, np.uint8), [np.rint(points).astype(np.int32)], 255), np.uint8)


def _eroded(mask: Bytes, depth_px: int) -> Bytes:
    """The mask without its outermost pixels, or with more of them for a negative depth."""
    square = np.ones((2 * abs(depth_px) + 1,) * 2, np.uint8)
    change = cv2.erode if depth_px > 0 else cv2.dilate
    return np.asarray(change(mask, square), np.uint8)


def _share(part: Bytes, whole: Bytes) -> float:
    return float(np.count_nonzero(part)) / max(1.0, float(np.count_nonzero(whole)))


def _level(light: npt.NDArray[np.float32], mask: Bytes) -> float:
    values = light[mask > 0]
    return float(np.median(values)) if len(values) >= LEAST_PIXELS else float("nan")


def _near(rim_px: Array, outline_px: Array) -> Mask:
    """(N,) which points of a rim have a point of the outline beside them."""
    return np.asarray(KDTree(outline_px).query(rim_px)[0] < TOUCH_PX)
