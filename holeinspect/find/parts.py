"""Parts and their openings from one photo."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
import numpy.typing as npt
from scipy.spatial import KDTree

from holeinspect.errors import PartNotFound
from holeinspect.find.backdrop import backdrop_of
from holeinspect.find.contours import (
    TANGENT_REACH,
    Contour,
    at_backdrop,
    directed,
    nearest,
    sample,
    settled,
    snapped,
    towards_metal,
    within_both,
)
from holeinspect.find.labels import FAR, Scene, part_mask, patches_of, sharp_steps
from holeinspect.find.picture import Bytes, Mask, work_picture
from holeinspect.find.printed import INK, PAPER, Painter, Region, page_px
from holeinspect.find.rims import LEAST_DIAMETER_MM, SHOWN_SHARE, Rim, RimSearch
from holeinspect.find.running_on import fields_beyond, mask_within
from holeinspect.find.spots import LARGEST_SPOT_MM, spots_on_face
from holeinspect.find.thin import without_lines
from holeinspect.find.touching import round_parts, seam_px
from holeinspect.measured import Array
from holeinspect.scale.camera import Camera

LEAST_PART_MM2 = 40.0
"""Smallest part looked for, about 6 mm square; smaller patches are dirt, letters or glare."""
LEAST_OPENING_MM = 1.0
"""Diameter of the circle whose area the smallest opening has to show; holes are promised from 1.5 mm."""
LEAST_HIDDEN_MM = 0.6
"""Where the wall hides no hole as wide as this, it leaves more than a lens of every hole of 1.5 mm."""
STROKE_MM = 0.6
"""Openings are cleared of anything thinner: strokes of a layout pen that show like backdrop."""
LINE_MM = 0.8
"""Widest gap that may be such a line running in from the part's edge."""
LINE_LENGTH_MM = 4.0
"""A narrow gap in from the part's edge that is longer than this is an ink line; a shorter one may be a nick."""
SPECK_MM = 1.2
"""Print that seems covered over less than this width is a misprint, not a part."""
SHARP_RIM = 0.5
"""Least sharp share of an opening's rim: the dark reflection of a phone has a soft one."""
SHARP_PART = 0.3
"""Least sharp share of a part's contour: less is a shadow."""
SEEN_RIM = 0.3
"""Least share of a rim that has to be a visible edge: crossing ink lines make spots without any."""
FACE_DEPTH_PX, GROUND_DEPTH_PX = 4.0, 3.0
"""Where beside the contour, in work px, metal and backdrop are compared."""
TOUCHING_PX, TOUCHING_SHARE = 2.0, 0.04
"""How near a round part's circle runs to the outline that it shares with others, work px or over its radius."""
LOST_MM = 30.0
"""A contour that cannot be seen for longer than this beyond the window has been lost: the part goes on."""
UNSURE_SHARE = 0.2
"""Share of a contour that may be no visible edge before the part's confidence says so."""

LINE_REACH_PX = 4
"""How near to a contour a line of the surface is told of, work px: within the blur of both."""
APART_MM = 5.0
"""Advised gap between parts: clear of their walls' and shadows' reach."""
LIT_SHARE = 0.7
"""An opening smaller than this share of what its rims leave free is only the part of it that is lit."""
HIDDEN = (
    "A hole about {width:.1f} mm wide at x {x:.0f}, y {y:.0f} mm of the mat is almost hidden behind its wall: "
    "photograph it from straight above."
)
DOUBTFUL = (
    "A round spot about {width:.1f} mm wide at x {x:.0f}, y {y:.0f} mm of the mat is a hole in deep shade, or ink: "
    "photograph it from straight above in brighter light."
)
BEYOND = (
    "A round spot about {width:.1f} mm wide at x {x:.0f}, y {y:.0f} mm is a hole, or ink, where the part runs on beyond the "
    "mat's window: it is not measured. Move the part so that it lies over the window."
)


@dataclass(frozen=True, slots=True, eq=False)
class FoundPart:
    """One part: its outer contour and all its openings, largest first.

    unclear: how many more there may be, almost hidden or in deep shade. touches_frame: it runs out of the picture or off
    the page, or on where the print hides it. confidence: 0..1, the share of its contour that is seen, less where it hardly
    stands off the ground's own pattern; reasons say why not all of it. lines_px: (K, 2) picture px, where the surface's own
    lines run into its contours; lines_told: whether these differ from it in colour. over_grain: step of lightness to the
    ground, in standard deviations of the ground's grain; the edges are measured by lightness alone.
    """

    outer: Contour
    openings: tuple[Contour, ...]
    unclear: int
    touches_frame: bool
    confidence: float
    reasons: tuple[str, ...]
    lines_px: Array = field(default_factory=lambda: np.empty((0, 2)))
    lines_told: bool = True
    over_grain: float = np.inf


def find_parts(
    luma: npt.NDArray[np.float32], colour_half: Bytes, camera: Camera, region: Region, thickness_mm: float
) -> list[FoundPart]:
    """All parts in the photo, largest first.

    luma: (H, W) code values 0..1; colour_half: (H // 2, W // 2, 3) RGB, as in `Photo`. thickness_mm: the walls of
    thicker parts hide more of a hole. Raises PartNotFound when nothing lies on the mat.
    """
    picture = work_picture(luma, colour_half, page_px(camera, region))
    painter = Painter(camera, picture)
    px_per_mm = float(np.sqrt(np.abs(np.linalg.det(camera.px_per_mm(np.zeros((1, 3)))[0])))) / picture.factor
    lightness = np.ascontiguousarray(picture.tones[..., 0])
    backdrop = backdrop_of(picture, painter, region)
    backdrop = backdrop if region.layout else without_lines(backdrop, px_per_mm)
    scene = Scene(picture, backdrop, px_per_mm, lightness, sharp_steps(lightness))
    parts = _meant(_Search(scene, camera, thickness_mm).parts(), camera, region)
    if not parts and region.layout is None:
        raise PartNotFound(
            "No part was found beside the reference. Lay it on a plain surface that differs from it in brightness or colour, "
            "away from the reference, or tap it (--part-at x,y)."
        )
    if not parts:
        raise PartNotFound(
            "No part was found on the mat. Lay the part in the mat's window, so that its colour differs from the "
            "window's, and take the photo again."
        )
    return parts


def _meant(parts: list[FoundPart], camera: Camera, region: Region) -> list[FoundPart]:
    """The parts without what carries the reference; only the one at the point given, if there is one.

    Raises PartNotFound when nothing was found at that point.
    """
    for piece_mm in region.pieces_mm if region.beside else ():
        middle = camera.project(np.array([[*piece_mm.mean(axis=0), 0.0]]))[0]
        parts = [part for part in parts if not _holds(part, (float(middle[0]), float(middle[1])))]
    if region.part_at_px is None:
        return parts
    there = [part for part in parts if _holds(part, region.part_at_px)]
    if not there:
        x, y = region.part_at_px
        raise PartNotFound(
            f"No part was found at {x:.0f},{y:.0f} px, only {len(parts)} elsewhere. Tap the middle of its metal, or lay it on a "
            "surface that differs from it more."
        )
    return there[-1:]


def _holds(part: FoundPart, at_px: tuple[float, float]) -> bool:
    return cv2.pointPolygonTest(part.outer.points_px.astype(np.float32), at_px, False) >= 0


@dataclass(frozen=True, slots=True, eq=False)
class _Search:
    """One search: the scene and what is known of the parts."""

    scene: Scene
    camera: Camera
    thickness_mm: float

    def parts(self) -> list[FoundPart]:
        mask = self._cleaned(part_mask(self.scene))
        labels, stats = patches_of(mask, connectivity=4)
        areas = stats[:, cv2.CC_STAT_AREA]
        least_px = LEAST_PART_MM2 * self.scene.px_per_mm**2
        order = [label for label in np.argsort(-areas, kind="stable") if label > 0 and areas[label] >= least_px]
        return [part for label in order for part in self._patch_parts(labels, stats[label], int(label))]

    def _disc(self, diameter_mm: float) -> Bytes:
        side = max(3, round(diameter_mm * self.scene.px_per_mm) | 1)
        return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)))

    def _cleaned(self, mask: Mask) -> Mask:
        """The mask without specks of misprint outside the window."""
        opened = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, self._disc(SPECK_MM))
        return mask & ((opened > 0) | (self.scene.backdrop.ground.window > 0))

    def _patch_parts(self, labels: npt.NDArray[np.int32], stat: npt.NDArray[np.int32], label: int) -> list[FoundPart]:
        """The part that a patch is, or the round parts that touch in it."""
        origin, patch = _cut_out(labels, stat, label)
        outlines, _ = cv2.findContours(patch, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        outer_px = max(outlines, key=cv2.contourArea).reshape(-1, 2) + origin
        rounds = round_parts(outer_px, self.scene.px_per_mm)
        if rounds:
            return [self._round_part(centre, radius, outer_px) for centre, radius in rounds]
        part = self._part(origin, patch)
        return [] if part is None else [part]

    def _round_part(self, centre_px: Array, radius_px: float, outline_px: Array) -> FoundPart:
        """One of several round parts that touch: its circle, an edge where the common outline runs along it."""
        at = np.linspace(0, 2 * np.pi, max(36, int(2 * np.pi * radius_px)), endpoint=False)
        circle = directed(centre_px + radius_px * np.column_stack([np.cos(at), np.sin(at)]), opening=False)
        near = KDTree(outline_px).query(circle)[0] < max(TOUCHING_PX, TOUCHING_SHARE * radius_px)
        outer = Contour(self.scene.picture.to_full(circle), settled(near & self._edges(circle, opening=False)))
        reason = "Round parts touch each other: they were told apart by their arcs. Lay them apart for a surer result."
        return FoundPart(outer, (), 0, False, float(np.mean(outer.edge)), (reason,))

    def _part(self, origin: npt.NDArray[np.intp], patch: Bytes) -> FoundPart | None:
        closed = self._without_lines(patch)
        outlines, _ = cv2.findContours(closed, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        rim = max(outlines, key=cv2.contourArea)
        outer_px = rim.reshape(-1, 2) + origin
        if self._sharp_share(outer_px) < SHARP_PART:
            return None
        self._refuse_touching(outer_px)
        whole = np.zeros_like(closed)
        cv2.drawContours(whole, [rim], -1, 1, cv2.FILLED)
        rims = [self._contour(points, opening=True) for points in self._openings(whole & (1 - closed), origin)]
        # Once moved to its steps, what two crossing ink lines enclose is smaller than the spot was.
        seen = [rim for rim in rims if np.mean(rim.edge) >= SEEN_RIM and _area(rim) >= self._least_area_px2(full=True)]
        search = RimSearch(self.scene, self.camera, self.thickness_mm)
        hides = self.scene.backdrop.window_bit == INK and search.largest_hidden_mm(outer_px) > LEAST_HIDDEN_MM
        lenses = [*search.lenses(whole, origin)] if hides else []
        seen += [self._rim_contour(search, lens) for lens in lenses if not self._held(lens, seen)]
        spots = [rim for rim in self._rims(search, whole, origin, seen) if not any(rim.holds(lens.top_px) for lens in lenses)]
        openings, unclear, by_rim = self._with_rims(search, seen, spots)
        outer = self._contour(outer_px, opening=False)
        return self._described(outer, openings, [*unclear, *self._beyond(search, outer, openings)], by_rim)

    def _beyond(self, search: RimSearch, outer: Contour, openings: tuple[Contour, ...]) -> Iterator[str]:
        """A sentence on each hole where the part runs on over print, paper or table: what it shows cannot be told there."""
        for corners_px in fields_beyond(self.scene, self.scene.picture.from_full(outer.points_px), outer.edge):
            for rim in search.rims(spots_on_face(self.scene, *mask_within(corners_px))):
                if not any(self._held(rim, [opening]) for opening in openings):
                    yield self._told(rim, BEYOND)

    def _refuse_touching(self, outer_px: Array) -> None:
        seam = seam_px(self.scene, outer_px)
        if seam is not None:
            x, y = self.camera.to_plane(self.scene.picture.to_full(seam), self.thickness_mm).mean(axis=0)
            raise PartNotFound(
                f"Two parts touch each other near x {x:.0f}, y {y:.0f} mm of the mat. Lay them at least {APART_MM:.0f} mm "
                "apart and take the photo again."
            )

    def _rims(
        self, search: RimSearch, whole: Bytes, origin: npt.NDArray[np.intp], seen: list[Contour]
    ) -> Iterator[Rim]:
        """Rims round spots of the face that are not wholly known as openings."""
        if self.scene.backdrop.window_bit != INK:
            spots = spots_on_face(self.scene, whole, origin, LARGEST_SPOT_MM)
            yield from search.rims(spot for spot in spots if not self._is_seen(spot, seen))
            return
        outlines, _ = cv2.findContours(whole, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        largest_mm = min(search.largest_hidden_mm(outlines[0].reshape(-1, 2) + origin), LARGEST_SPOT_MM)
        if largest_mm >= LEAST_DIAMETER_MM:  # else black is as black in shade: all openings are seen
            yield from search.rims(spots_on_face(self.scene, whole, origin, largest_mm))

    def _with_rims(
        self, search: RimSearch, seen: list[Contour], rims: list[Rim]
    ) -> tuple[tuple[Contour, ...], list[str], int]:
        """The openings seen by their backdrop with those seen by their rims, largest first; a sentence on each spot that
        may be one more; how many are seen by their rims only."""
        shade_hides = self.scene.backdrop.window_bit != INK
        kept = dict(enumerate(seen))
        unclear, by_rim = [], []
        for rim in rims:
            within = [k for k, opening in kept.items() if self._held(rim, [opening])]
            share = sum(_area(kept[k]) for k in within) / self.scene.picture.factor**2 / rim.area_px2
            partly = shade_hides and rim.opening and share < LIT_SHARE * rim.shown
            # On ink the wall's own shade looks like backdrop: what seems open tells nothing.
            if rim.hidden and (share < SHOWN_SHARE or not shade_hides):
                unclear.append(self._told(rim, HIDDEN))
            elif rim.opening and not rim.hidden and (partly or not within):
                by_rim.append(self._rim_contour(search, rim))
            else:
                if not within:
                    unclear.append(self._told(rim, DOUBTFUL))
                continue
            for k in within:
                del kept[k]
        return tuple(sorted([*kept.values(), *by_rim], key=_area, reverse=True)), unclear, len(by_rim)

    def _held(self, rim: Rim, openings: list[Contour]) -> bool:
        """Whether a rim has the middle of one of the openings within it."""
        return any(rim.holds(self.scene.picture.from_full(opening.points_px)) for opening in openings)

    def _is_seen(self, spot_px: Array, openings: list[Contour]) -> bool:
        """Whether a spot is almost wholly an opening that is known already."""
        hull = cv2.convexHull(self.scene.picture.to_full(spot_px).astype(np.float32))
        middles = (opening.points_px.mean(axis=0) for opening in openings)
        inside = (cv2.pointPolygonTest(hull, (float(x), float(y)), False) >= 0 for x, y in middles)
        known = sum(_area(opening) for opening, within in zip(openings, inside, strict=True) if within)
        return known > LIT_SHARE * cv2.contourArea(hull)

    def _rim_contour(self, search: RimSearch, rim: Rim) -> Contour:
        """What is seen within both rims; a real edge where the light steps."""
        points = within_both(rim.top_px, rim.bottom_px)
        return Contour(self.scene.picture.to_full(points), settled(search.stepped(points)))

    def _told(self, rim: Rim, sentence: str) -> str:
        """The sentence with the rim's place on the mat and its width."""
        x, y = self.camera.to_plane(self.scene.picture.to_full(rim.top_px), self.thickness_mm).mean(axis=0)
        width_mm = 2 * np.sqrt(rim.area_px2 / np.pi) / self.scene.px_per_mm
        return sentence.format(x=x, y=y, width=width_mm)

    def _without_lines(self, patch: Bytes) -> Bytes:
        """The patch with narrow, long gaps filled: layout lines that reach the part's edge."""
        closed = np.asarray(cv2.morphologyEx(patch, cv2.MORPH_CLOSE, self._disc(LINE_MM)), np.uint8)
        count, gaps, stats, _ = cv2.connectedComponentsWithStats(closed & (1 - patch), connectivity=8)
        reach = np.hypot(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
        line = reach > LINE_LENGTH_MM * self.scene.px_per_mm
        line[0] = False
        return patch | line[gaps].astype(np.uint8) if count > 1 else patch

    def _openings(self, gaps: Bytes, origin: npt.NDArray[np.intp]) -> Iterator[Array]:
        """Rims (N, 2) work px of the openings among the gaps within a part, largest first."""
        wide = cv2.morphologyEx(gaps, cv2.MORPH_OPEN, self._disc(STROKE_MM))
        rims, _ = cv2.findContours(wide, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        for rim in sorted(rims, key=cv2.contourArea, reverse=True):
            points = rim.reshape(-1, 2) + origin
            if self._is_opening(points):
                yield points

    def _is_opening(self, points_px: Array) -> bool:
        """Large enough, and with a rim as sharp as the lens allows."""
        outline = points_px.astype(np.float32)
        # The polygon runs through the middles of its outermost pixels: half of each lies outside.
        area = cv2.contourArea(outline) + cv2.arcLength(outline, True) / 2 + 1
        return bool(area >= self._least_area_px2() and self._sharp_share(points_px) >= SHARP_RIM)

    def _least_area_px2(self, full: bool = False) -> float:
        """Area of the smallest opening, square work px or, full, square picture px."""
        px_per_mm = self.scene.px_per_mm * (self.scene.picture.factor if full else 1)
        return float(np.pi / 4 * (LEAST_OPENING_MM * px_per_mm) ** 2)

    def _sharp_share(self, points_px: Array) -> float:
        return float(np.mean(nearest(self.scene.sharp, points_px)))

    def _contour(self, rim_px: Array, opening: bool) -> Contour:
        picture = self.scene.picture
        points = snapped(picture.grey, directed(rim_px.astype(float), opening))
        edge = settled(self._edges(points, opening))
        lower = at_backdrop(self.scene.lightness, points, self._bottom(points), opening)
        return Contour(picture.to_full(lower), edge if len(lower) == len(edge) else _nearest(lower, points, edge))

    def _bottom(self, points_px: Array) -> Array:
        """Where the bottom rim appears, (N, 2) work px, under points of the top rim."""
        picture = self.scene.picture
        top_mm = self.camera.to_plane(picture.to_full(points_px), self.thickness_mm)
        return picture.from_full(self.camera.project(np.column_stack([top_mm, np.zeros(len(top_mm))])))

    def _edges(self, points_px: Array, opening: bool) -> Mask:
        """(N,) whether metal and backdrop can be told apart here, on known ground, within the picture."""
        z, bits = self.scene.backdrop.z, self.scene.backdrop.ground.bits
        normals = towards_metal(points_px)
        inner, outer = points_px + FACE_DEPTH_PX * normals, points_px - GROUND_DEPTH_PX * normals
        width, height = self.scene.picture.size_px
        within = np.all((outer > 0) & (outer < [width - 1, height - 1]), axis=1)
        at = nearest(bits, points_px)
        known = (at > 0) & (nearest(bits, outer) > 0) & ~self._at_print(points_px)
        # What an opening shows may be as dim as its rim: that is no shadow's border.
        clear = nearest(self.scene.sharp, points_px) | (opening & (at == self.scene.backdrop.window_bit))
        told = (sample(z, inner) > FAR) & (sample(z, inner) > sample(z, outer)) & (self._step(inner, outer) > FAR)
        return np.asarray(known & within & clear & told)

    def _at_print(self, points_px: Array) -> Mask:
        """(N,) whether a border of the ring's print lies here: its step hides the part's."""
        ground = self.scene.backdrop.ground
        return np.asarray((nearest(ground.bits, points_px) == INK | PAPER) & (nearest(ground.window, points_px) == 0))

    def _step(self, inner_px: Array, outer_px: Array) -> Array:
        """(N,) difference of tones between two points, in standard deviations."""
        noise = np.max([field.noise for field in self.scene.backdrop.fields.values()], axis=0)
        tones = self.scene.picture.tones
        difference = sample(tones, inner_px) - sample(tones, outer_px)
        return np.asarray(np.hypot.reduce(difference / noise, axis=-1))

    def _described(self, outer: Contour, openings: tuple[Contour, ...], unclear: list[str], by_rim: int) -> FoundPart:
        touches = self._touches(outer)
        unsure = float(np.mean(~outer.edge))
        reasons = list(unclear)
        if by_rim:
            reasons.append(f"{by_rim} of its openings are seen by their rims only: what they show lies in shade.")
        if touches:
            reasons.append("The part runs out of the picture, off the page, or on where the print hides its edge.")
        if unsure > UNSURE_SHARE:
            reasons.append(f"{unsure:.0%} of the part's contour cannot be seen against what lies behind it.")
        hidden = sum(float(np.mean(~opening.edge)) > UNSURE_SHARE for opening in openings)
        if hidden:
            reasons.append(f"{hidden} of its {len(openings)} openings cannot be seen whole.")
        lines_px = self._lines_beside((outer, *openings))
        return FoundPart(outer, openings, len(unclear), touches, (1 - unsure) * self._clearness(outer), tuple(reasons), lines_px,
                         self.scene.backdrop.lines_told, self._over_grain(outer))  # fmt: skip

    def _over_grain(self, outer: Contour) -> float:
        """Median step of log light from the ground to the part, over the ground's standard deviation."""
        points = self.scene.picture.from_full(outer.points_px)
        normals = towards_metal(points)
        inner, ground = (sample(self.scene.lightness, points + depth * normals) for depth in (FACE_DEPTH_PX, -GROUND_DEPTH_PX))
        noise = self.scene.backdrop.fields[self.scene.backdrop.window_bit].noise[0]
        return float(abs(np.median(inner - ground)) / noise)

    def _clearness(self, outer: Contour) -> float:
        """How clearly the part stands off what it lies on, 0..1: 1 from twice the least step over the ground's own noise."""
        points = self.scene.picture.from_full(outer.points_px)[outer.edge]
        if len(points) <= 2 * TANGENT_REACH:
            return 0.0
        normals = towards_metal(points)
        step = self._step(points + FACE_DEPTH_PX * normals, points - GROUND_DEPTH_PX * normals)
        return float(min(1.0, np.median(step) / (2 * FAR)))

    def _lines_beside(self, contours: Sequence[Contour]) -> Array:
        """Pixels of the surface's own lines beside contours, (K, 2) picture px."""
        picture, lines = self.scene.picture, self.scene.backdrop.lines
        if lines is None:
            return np.empty((0, 2))
        drawn = [np.rint(picture.from_full(contour.points_px)).astype(np.int32) for contour in contours]
        beside = cv2.polylines(np.zeros(lines.shape, np.uint8), drawn, True, 1, 2 * LINE_REACH_PX)
        rows, columns = np.nonzero((beside > 0) & lines)
        return picture.to_full(np.column_stack([columns, rows]).astype(float))

    def _touches(self, outer: Contour) -> bool:
        """Whether the contour meets the picture's border or unknown ground, or is lost for long beyond the window."""
        points = self.scene.picture.from_full(outer.points_px)
        ground = self.scene.backdrop.ground
        near = points - GROUND_DEPTH_PX * towards_metal(points)
        width, height = self.scene.picture.size_px
        outside = np.any((near < 1) | (near > [width - 2, height - 2]), axis=1)
        unknown = nearest(ground.bits, near) == 0
        lost = ~outer.edge & (nearest(ground.window, points) == 0)
        return bool(np.any(outside | unknown) or _longest_run(lost) > LOST_MM * self.scene.px_per_mm)


def _area(contour: Contour) -> float:
    """Area within a contour, square picture px."""
    return float(cv2.contourArea(contour.points_px.astype(np.float32)))


def _longest_run(flags: Mask) -> int:
    """Number of points in the longest run of true flags along a closed contour."""
    stops = np.flatnonzero(~flags)
    return len(flags) if not len(stops) else int(np.diff(np.append(stops, stops[0] + len(flags))).max()) - 1


def _nearest(points_px: Array, known_px: Array, flags: Mask) -> Mask:
    """The flags of the nearest known points."""
    return np.asarray(flags[KDTree(known_px).query(points_px)[1]])


def _cut_out(labels: npt.NDArray[np.int32], stat: npt.NDArray[np.int32], label: int) -> tuple[npt.NDArray[np.intp], Bytes]:
    """A component's mask (0 or 1) with a margin of one pixel, and where its upper left pixel lies."""
    left, top, width, height, _ = (int(value) for value in stat)
    patch = (labels[top : top + height, left : left + width] == label).astype(np.uint8)
    return np.array([left - 1, top - 1]), np.pad(patch, 1)
