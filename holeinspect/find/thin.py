"""Print and scratches of what lies under the parts: a cutting mat's grid and figures, cuts, a board's seams.

They are thin, and they are everywhere: taken for part they would join all that lies on them. Where a line meets metal it is
no longer thin; if its colour is not the metal's, it is told by that.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import cv2
import numpy as np
import numpy.typing as npt

from holeinspect.find.backdrop import LIKE, Backdrop
from holeinspect.find.picture import OPPONENT, Mask
from holeinspect.measured import Array

WIDEST_LINE_MM = 1.2
"""Lines are narrower than this, and so is nothing of a part that its outline depends on."""
FLANK_SHARE, FLANK_PX = 0.4, 2
"""Share of a line's deviation below which it is only its blur, and how far that reaches, work px."""
LEAST_LINE_MM2 = 0.5
"""Smaller pieces than this are corners of parts, which are as narrow at their tips."""
LEAST_THING_MM2 = 10.0
"""Least area of something that lies on the surface; where lines meet they are wide too, but over less than this."""
LEAST_SHARE = 0.005
"""Least share of the bare surface that lines cover for it to be taken as lined."""
CELLS = 6
"""Cells along each side of the picture in which lines are looked for."""
LEAST_CELLS = 0.4
"""Least share of the cells that show some: print is everywhere, and what lies on it is not."""
CORE_QUANTILE = 0.7
"""Of a line's pixels by their deviation: those beyond show its full colour, the others its blurred border."""
MIXTURES = np.linspace(0.1, 1.0, 10)
"""Shares of line in a pixel that are tried."""
MIXED_NOISE = 2.0
"""Growth of the noise on lines: JPEG keeps colour coarsely."""
METAL_LIKE = 0.1
"""Share of what lies on the surface that may have the line's colour before that no longer tells lines."""


def without_lines(backdrop: Backdrop, px_per_mm: float) -> Backdrop:
    """The backdrop with its own lines taken as part of it, where it is lined all over. px_per_mm: work px."""
    far = (backdrop.z > LIKE) & (backdrop.ground.window > 0)
    high = _without_flanks(backdrop.z, far, px_per_mm)
    wide = _opened(high, px_per_mm)
    things = _larger(wide, LEAST_THING_MM2 * px_per_mm**2)
    lines = _grown(_larger(high & ~wide, LEAST_LINE_MM2 * px_per_mm**2)) & far & ~things
    if not _everywhere(lines, things):
        return backdrop
    coloured = _like_lines(backdrop, lines, far)
    told = bool(np.count_nonzero(coloured & things) < METAL_LIKE * np.count_nonzero(things))
    lines = lines | coloured if told else lines
    z, deviation = backdrop.z.copy(), backdrop.deviation.copy()
    z[lines], deviation[lines] = 0, 0
    return replace(backdrop, z=z, deviation=deviation, lines=lines, lines_told=told)


def _without_flanks(z: npt.NDArray[np.float32], far: Mask, px_per_mm: float) -> Mask:
    """Far pixels that reach a good share of the greatest deviation near them: blur makes lines wider than they are."""
    greatest = cv2.dilate(z, _disc(2 * WIDEST_LINE_MM, px_per_mm))
    return np.asarray(far & (z > FLANK_SHARE * greatest))


def _opened(far: Mask, px_per_mm: float) -> Mask:
    """What is left of the far pixels without all that is narrow."""
    return np.asarray(cv2.morphologyEx(far.astype(np.uint8), cv2.MORPH_OPEN, _disc(WIDEST_LINE_MM, px_per_mm)) > 0)


def _disc(diameter_mm: float, px_per_mm: float) -> npt.NDArray[np.uint8]:
    side = max(3, round(diameter_mm * px_per_mm) | 1)
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)), np.uint8)


def _grown(mask: Mask) -> Mask:
    """The mask and its blur."""
    return np.asarray(cv2.dilate(mask.astype(np.uint8), np.ones((2 * FLANK_PX + 1, 2 * FLANK_PX + 1), np.uint8)) > 0)


def _larger(mask: Mask, least_px2: float) -> Mask:
    """The mask's patches of at least this area."""
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    large = stats[:, cv2.CC_STAT_AREA] >= least_px2
    large[0] = False
    return np.asarray(large[labels])


def _everywhere(lines: Mask, things: Mask) -> bool:
    """Whether lines cover the bare surface all over. things: what lies on it."""
    cells = [(lines[box].mean(), 1 - things[box].mean()) for box in _boxes(lines.shape)]
    shown = [share > LEAST_SHARE * bare for share, bare in cells if bare > 0.5]
    return bool(shown) and float(np.mean(shown)) >= LEAST_CELLS


def _boxes(shape: tuple[int, ...]) -> list[tuple[slice, slice]]:
    rows, columns = (np.linspace(0, side, CELLS + 1).astype(int) for side in shape[:2])
    return [np.s_[top:bottom, left:right] for top, bottom in pairwise(rows) for left, right in pairwise(columns)]


def _like_lines(backdrop: Backdrop, lines: Mask, far: Mask) -> Mask:
    """Far pixels whose light is the surface's mixed with the lines'."""
    core = lines & (backdrop.z > np.quantile(backdrop.z[lines], CORE_QUANTILE))
    noise = MIXED_NOISE * np.max([field.noise for field in backdrop.fields.values()], axis=0)
    rows, columns = np.nonzero(far)
    off = backdrop.deviation[rows, columns] / noise.astype(np.float32)
    nearest = np.full(len(off), np.inf, np.float32)
    for mixture in _mixtures(np.median(backdrop.deviation[core], axis=0)) / noise:
        nearest = np.minimum(nearest, np.hypot.reduce(off - mixture.astype(np.float32), axis=1))
    like = np.zeros(lines.shape, bool)
    like[rows, columns] = nearest < LIKE
    return like


def _mixtures(line: npt.NDArray[np.float32]) -> Array:
    """Tones (K, 3) of mixtures of a surface with lines on it, less the surface's own. line: (3,), of lines alone."""
    ratio = np.exp(np.linalg.solve(OPPONENT.astype(float), line.astype(float)))
    return np.asarray(np.log(1 - MIXTURES[:, None] + MIXTURES[:, None] * ratio) @ OPPONENT.T)
