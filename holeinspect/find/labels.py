"""Which pixels are part: far from the backdrop, not a shadow on it, and not the print showing."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from holeinspect.find.backdrop import Backdrop
from holeinspect.find.picture import Bytes, Mask, WorkPicture
from holeinspect.find.printed import INK, PAPER, PLAIN

FAR = 5.0
"""Standard deviations beyond which a pixel is no backdrop."""
FAR_SHARE = {INK: 0.45, PAPER: 0.3, PLAIN: 0.3}
"""Share of the step from window to part, along the direction that tells them best apart, beyond which a pixel is
part."""
DISTURBED = {INK: (0.0, 0.4, 0.3), PAPER: (0.35, 0.03, 0.03), PLAIN: (0.35, 0.03, 0.03)}
"""What else moves the window's three tones, as standard deviations: JPEG's coarse colour smears over dark openings,
shadows darken paper and cards."""
CLEAR_STEP = 3.0
"""Least step from window to part in those standard deviations for that direction to be used."""
GRAIN_PX = 3
"""Side of the square, work px, whose majority a pixel follows."""
FAR_SAMPLES = 500
"""Pixels of a patch that tell what most of it shows; smaller patches keep the fixed limit."""
COVER_WINDOWS_MM = 1.0, 3.0
"""Half sides of the windows in which print and picture are compared; the larger one where the smaller has no print: a
marker's cell is 0.9 to 1.4 mm, the paper round it 1.8 to 2.6 mm wide."""
SHRUNK = 3
"""Work px per pixel of that comparison."""
PRINT_SHOWS = 0.5
"""Least contrast of the print, over that of the open print, for it to lie bare."""
PRINT_AGREES = 0.75
"""Least correlation of picture and print for it to lie bare in a shadow, whatever its contrast."""
PRINT_SPREAD = 0.03
"""Least variance of the expected print (0 paper, 1 ink) for a comparison."""
SHARP_RANGE = 0.12
"""Least step of log light, within a few pixels, of a rim."""
SHARP_SHARE = 0.5
"""A rim rises within NEAR_PX by this share of the range within WIDE_PX; a shadow's border does not."""
RIM_GAP_PX = 7
"""Gaps in a sharp rim up to this wide, work px, are closed."""
NEAR_PX, WIDE_PX = 5, 19
SOFT_SHARE = 0.3
"""Share of a patch's border that passes softly into the backdrop, beyond which the patch is a shadow."""
SHADE_LEAST = -2.5
"""Deepest shadow believed, log light: a twelfth."""
NEARER_SHARE = 0.35
"""A wholly shaded opening may also be told by its deviation from the backdrop: at most this share of the metal's."""
LIKE_SHADE_COLOUR = 8.0
"""Colour deviation, standard deviations, that a shadow may have."""
OTHER_THAN_METAL = 0.25
"""Least step of log light between a wholly shaded opening and the metal round it."""
WITHIN_METAL = 0.15
"""Least share of the ring of NEAR_PX + 2 round a shaded opening that is metal: half of the ring is its rim's blur."""
COMPACT = 0.85
"""Least share of its convex hull that a wholly shaded opening fills; letters and lines fill less."""


Rows = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """All that the steps of one search share.

    px_per_mm: work px per mm, at the mat's middle. lightness: float32 (h, w), log light. sharp: (h, w) beside a step as
    steep as the lens allows.
    """

    picture: WorkPicture
    backdrop: Backdrop
    px_per_mm: float
    lightness: npt.NDArray[np.float32]
    sharp: Mask


def part_mask(scene: Scene) -> Mask:
    """Pixels (h, w) that belong to some part, its ink and its reflections not yet seen through."""
    far = _far(scene) & ~_shaded_ring(scene)
    far |= _covered_print(scene)
    far &= scene.backdrop.ground.bits > 0
    far = cv2.medianBlur(far.astype(np.uint8), GRAIN_PX) > 0
    # On ink nothing darker than the window is taken for a part of bright metal: there are no shadows to look for.
    return far if scene.backdrop.window_bit == INK else far & ~_shadows(scene, far)


def patches_of(mask: Mask, connectivity: int) -> tuple[npt.NDArray[np.int32], npt.NDArray[np.int32]]:
    """Connected patches: labels (h, w), 0 for none; a row of OpenCV's statistics for each label."""
    box = _box(mask)
    cut = np.ascontiguousarray(mask[box]).view(np.uint8)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(cut, connectivity=connectivity)
    whole = np.zeros(mask.shape, np.int32)
    whole[box] = labels
    stats[:, [cv2.CC_STAT_LEFT, cv2.CC_STAT_TOP]] += [box[1].start, box[0].start]
    return whole, np.asarray(stats, np.int32)


def _far(scene: Scene) -> Mask:
    """Pixels that differ from the backdrop; in the window, by a good share of what the patch they belong to does."""
    backdrop = scene.backdrop
    far = backdrop.z > FAR
    in_window = far & (backdrop.ground.bits == backdrop.window_bit)
    labels, stats = patches_of(in_window, connectivity=8)
    for label in np.flatnonzero(stats[:, cv2.CC_STAT_AREA] > FAR_SAMPLES):
        if label > 0:
            left, top, width, height = (int(value) for value in stats[label, :4])
            rows, columns = np.nonzero(labels[top : top + height, left : left + width] == label)
            rows, columns = rows + top, columns + left
            far[rows, columns] = _like_patch(backdrop, rows, columns)
    return far


def _box(mask: Mask) -> tuple[slice, slice]:
    """Rows and columns that hold the mask; all of them when it is empty."""
    left, top, width, height = cv2.boundingRect(mask.view(np.uint8))
    return (slice(top, top + height), slice(left, left + width)) if width else (slice(0, mask.shape[0]), slice(0, mask.shape[1]))


def _like_patch(backdrop: Backdrop, rows: Rows, columns: Rows) -> Mask:
    """(N,) whether pixels of one patch within the window are part, judged by what most of them show."""
    deviation = backdrop.deviation[rows, columns]
    typical = np.median(deviation[:: max(1, len(rows) // FAR_SAMPLES)], axis=0)
    noise = backdrop.fields[backdrop.window_bit].noise
    variance = noise**2 + np.square(DISTURBED[backdrop.window_bit])
    share = FAR_SHARE[backdrop.window_bit]
    step = typical**2 / variance
    if step.sum() < CLEAR_STEP**2:
        z = backdrop.z[rows, columns]
        return np.asarray(z > max(FAR, share * float(np.median(z))))
    direction = typical / variance / step.sum()
    least = FAR * float(np.hypot.reduce(direction * noise))
    return np.asarray(deviation @ direction.astype(np.float32) > max(share, least))


def _shaded_ring(scene: Scene) -> Mask:
    """Paper of the ring that is darker than it should be, without colour: a shadow unless the print is hidden too."""
    ground, fields = scene.backdrop.ground, scene.backdrop.fields
    shaded = np.zeros(ground.bits.shape, bool)
    if PAPER in fields:
        rows, columns = np.nonzero((ground.bits == PAPER) & (ground.window == 0) & (scene.backdrop.z > FAR))
        deviation = scene.backdrop.deviation[rows, columns]
        coloured = np.any(np.abs(deviation[:, 1:]) > LIKE_SHADE_COLOUR * fields[PAPER].noise[1:], axis=1)
        shaded[rows, columns] = (deviation[:, 0] < 0) & (deviation[:, 0] > SHADE_LEAST) & ~coloured
    return shaded


def _covered_print(scene: Scene) -> Mask:
    """Where the print should show and does not: slope of the picture's light on the expected ink, in small windows."""
    ground, fields = scene.backdrop.ground, scene.backdrop.fields
    if INK not in fields or PAPER not in fields:
        return np.zeros(ground.bits.shape, bool)
    size = scene.picture.size_px
    small = size[0] // SHRUNK, size[1] // SHRUNK
    tones = cv2.resize(scene.lightness, small, interpolation=cv2.INTER_AREA)
    bare = cv2.resize(ground.ink, small, interpolation=cv2.INTER_AREA)
    ink = np.asarray(bare, np.float32) / np.float32(255)
    paper, black = (np.exp(fields[bit].on_picture(small)[..., 0]) for bit in (PAPER, INK))
    light = np.asarray((paper - np.exp(tones)) / (paper - black), np.float32)
    hidden, open_question = np.zeros(ink.shape, bool), np.ones(ink.shape, bool)
    for window_mm in COVER_WINDOWS_MM:
        faint, comparable = _print_missing(ink, light, max(1, round(window_mm * scene.px_per_mm / SHRUNK)))
        hidden |= open_question & comparable & faint
        open_question &= ~comparable
    known = cv2.resize(_printed(ground.bits), small, interpolation=cv2.INTER_NEAREST)
    hidden &= cv2.erode(known, np.ones((3, 3), np.uint8)) > 0
    hidden = cv2.resize(hidden.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    brighter = (scene.backdrop.z > FAR) & (scene.backdrop.deviation[..., 0] > 0)
    return np.asarray(hidden & ((ground.bits != INK) | brighter))


def _print_missing(ink: npt.NDArray[np.float32], light: npt.NDArray[np.float32], half_px: int) -> tuple[Mask, Mask]:
    """Whether the expected ink is missing from the light in the window round each pixel; whether that can be told."""
    window = (2 * half_px + 1, 2 * half_px + 1)
    mean_ink, mean_light = cv2.blur(ink, window), cv2.blur(light, window)
    spread = cv2.blur(ink * ink, window) - mean_ink**2
    seen = cv2.blur(light * light, window) - mean_light**2
    common = cv2.blur(ink * light, window) - mean_ink * mean_light
    faint = (common < PRINT_SHOWS * spread) & (common < PRINT_AGREES * np.sqrt(spread * np.maximum(seen, 0)))
    return faint, spread > PRINT_SPREAD


def _printed(bits: Bytes) -> Bytes:
    """255 where nothing but ink or paper may be seen."""
    table = np.array([255 if 0 < value <= INK | PAPER else 0 for value in range(256)], np.uint8)
    return np.asarray(cv2.LUT(bits, table))


def _shadows(scene: Scene, far: Mask) -> Mask:
    """Parts of `far` that are backdrop in shadow or in a part's coloured light: softly bounded, or shaded openings."""
    # Along a rim the light may for a moment step little: the shadow must not join the part through such a gap.
    square = np.ones((RIM_GAP_PX, RIM_GAP_PX), np.uint8)
    sharp = far & (cv2.morphologyEx(scene.sharp.astype(np.uint8), cv2.MORPH_CLOSE, square) > 0)
    patches = far & ~sharp
    labels, stats = patches_of(patches, connectivity=4)
    if len(stats) < 2:
        return np.zeros_like(far)
    # On the ring's paper all that is darker is left open as perhaps shaded: a patch that ends there is not soft for that.
    soft = _soft_patches(labels, len(stats), ~far & (scene.backdrop.ground.window > 0), sharp)
    soft |= _shaded_openings(scene, labels, stats, far)
    soft[0] = False
    if not soft.any():
        return np.zeros_like(far)
    return _flooded(scene, far, labels, soft)


def sharp_steps(tones: npt.NDArray[np.float32]) -> Mask:
    """Pixels next to a step that is as steep as the lens allows."""
    near, wide = (_range(tones, side) for side in (NEAR_PX, WIDE_PX))
    return np.asarray((near > SHARP_RANGE) & (near > SHARP_SHARE * wide))


def _range(plane: npt.NDArray[np.float32], side_px: int) -> npt.NDArray[np.float32]:
    square = np.ones((side_px, side_px), np.uint8)
    return np.asarray(cv2.dilate(plane, square) - cv2.erode(plane, square))


def _soft_patches(labels: npt.NDArray[np.int32], count: int, backdrop: Mask, sharp: Mask) -> Mask:
    """(count,) whether a patch passes softly into the backdrop along much of its border."""
    grown = cv2.dilate(labels.astype(np.float32), np.ones((3, 3), np.uint8)).astype(np.int32)
    border = (grown > 0) & (labels == 0)
    into_backdrop = np.bincount(grown[border & backdrop], minlength=count)
    into_rim = np.bincount(grown[border & sharp], minlength=count)
    return np.asarray(into_backdrop > SOFT_SHARE * (into_backdrop + into_rim))


def _shaded_openings(scene: Scene, labels: npt.NDArray[np.int32], stats: npt.NDArray[np.int32], far: Mask) -> Mask:
    """(count,) whether a patch within a part is the backdrop in the part's own shadow, seen through an opening."""
    found = np.zeros(len(stats), bool)
    least_area = np.pi / 4 * scene.px_per_mm**2
    for label in np.flatnonzero(stats[:, cv2.CC_STAT_AREA] > least_area):
        width, height, area = (int(stats[label, column]) for column in (2, 3, 4))
        if label > 0 and area > COMPACT * np.pi / 4 * width * height:
            found[label] = _is_shaded_opening(scene, labels, stats[label], int(label))
    return found


def _is_shaded_opening(scene: Scene, labels: npt.NDArray[np.int32], stat: npt.NDArray[np.int32], label: int) -> bool:
    left, top, width, height, area = (int(value) for value in stat)
    pad = NEAR_PX + 2
    rows = slice(max(0, top - pad), top + height + pad)
    columns = slice(max(0, left - pad), left + width + pad)
    inside = labels[rows, columns] == label
    lightness = scene.backdrop.deviation[rows, columns, 0]
    level = float(np.median(lightness[inside]))
    if not SHADE_LEAST < level < 0:
        return False
    hull = cv2.convexHull(cv2.findNonZero(inside.astype(np.uint8)))
    if area < COMPACT * cv2.contourArea(hull):
        return False
    square = np.ones((2 * pad + 1, 2 * pad + 1), np.uint8)
    ring = (cv2.dilate(inside.astype(np.uint8), square) > 0) & ~inside
    around = ring & (labels[rows, columns] > 0)
    if np.count_nonzero(around) < WITHIN_METAL * np.count_nonzero(ring):
        return False
    z = scene.backdrop.z[rows, columns]
    if np.median(z[inside]) < NEARER_SHARE * np.median(z[around]):
        return True
    colour = np.sqrt(np.maximum(z**2 - (lightness / _noise(scene)) ** 2, 0))
    other = abs(level - float(np.median(lightness[around])))
    return bool(other > OTHER_THAN_METAL and np.median(colour[inside]) < LIKE_SHADE_COLOUR)


def _noise(scene: Scene) -> float:
    """Smallest lightness noise of the fields."""
    return float(min(field.noise[0] for field in scene.backdrop.fields.values()))


def _flooded(scene: Scene, far: Mask, labels: npt.NDArray[np.int32], soft: Mask) -> Mask:
    """The soft patches grown over the undecided rims, up to the steepest step (watershed)."""
    markers = np.zeros(far.shape, np.int32)
    markers[~far] = 1
    markers[labels > 0] = 2
    markers[soft[labels] & (labels > 0)] = 1
    grey = scene.picture.grey.astype(np.uint8)
    flooded = np.asarray(cv2.watershed(cv2.merge([grey, grey, grey]), markers))
    return np.asarray(far & (flooded == 1))
