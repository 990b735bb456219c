"""How sharp a photo is, from the mat's own printed edges and corners.

Sharpness is the spatial frequency at which contrast falls to one half, MTF50, by the slanted-edge method of ISO 12233 (e-SFR):
pixels near a straight edge are put in order of their distance from it, in bins of a quarter pixel; the derivative of
this profile, windowed and Fourier-transformed, is the MTF. It is worked out on the restored light that holes are measured
in, apart from the blur that the tone model fits. Blur of more than a third of the clear margin beside the edges reads up to a
tenth too small.

The direction of a smear cannot be seen on edges of two directions alone: a smear along their diagonal blurs both alike. At a
corner where black and white squares meet crosswise, the mixed second derivative of the light is the point spread itself; its
moments are the blur's ellipse.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from holeinspect.edges.profiles import sample
from holeinspect.measured import Array
from holeinspect.scale.camera import Camera
from holeinspect.scale.find import Scale
from holeinspect.scale.mat import MatLayout
from holeinspect.scale.sides import BLOCKS, TRIM, SeenSides

BIN_PX = 0.25
"""ISO 12233: four bins a pixel."""
GAUSS_MTF50 = float(np.sqrt(np.log(2) / 2) / np.pi)
"""MTF50 times sigma of a Gaussian blur, 0.1874: exp(-2π²s²f²) = 1/2."""
TAPER = 0.4
"""Share of the window's half that falls off, as a cosine (Tukey)."""
BLOCKS_PER_EDGE = 4
"""Blocks of printed edge that make one profile: a few, so that all places between pixels occur."""
SEAM_PX = 8
"""Light restored beyond what is used of a window, so that neighbours in one call do not reach into each other."""
LEVEL_SHARE = 0.7
"""Beyond this share of the reach a profile is level."""
LONGEST_BLOCK_PX = 40.0
CORNERS = 96
"""Corners looked at, spread over the ring."""
CORNER_REACH_PX = 9.0
CORNER_STEP_PX = 0.5
CORNER_MARGIN_SHARE = 0.8
"""Share of the clear margin round a corner that is used."""
MOMENTS_START_PX2, MOMENT_ROUNDS = 2.0, 20
MOMENT_BOUNDS_PX2 = (0.1, 30.0)
"""Variances between which a spot's moments are held while they are found."""
LEAST_CORNER_CONTRAST = 0.15
"""Least difference of light between the squares of a corner; less is covered or shaded."""
LEAST_CORNERS = 4
"""Of each polarity."""


@dataclass(frozen=True, slots=True)
class EdgeSharpness:
    """One profile: middle of its blocks (2,) mm, direction across it in the picture (2,), MTF50 in cycles per pixel.

    noise: standard deviation of a pixel of plain paper, over the contrast of the print.
    """

    place_mm: Array
    across_px: Array
    mtf50: float
    noise: float

    @property
    def sigma_px(self) -> float:
        """Standard deviation of the Gaussian blur that has this MTF50."""
        return GAUSS_MTF50 / self.mtf50


def spread_function(distance_px: Array, light: Array, reach_px: float) -> Array:
    """Mean light (K,) in bins of a quarter pixel between -reach and reach; empty bins are interpolated."""
    count = 2 * round(reach_px / BIN_PX)
    bins = np.floor((distance_px + count // 2 * BIN_PX) / BIN_PX).astype(int)
    inside = (bins >= 0) & (bins < count)
    filled = np.bincount(bins[inside], minlength=count)
    sums = np.bincount(bins[inside], light[inside], minlength=count)
    places = np.flatnonzero(filled)
    return np.asarray(np.interp(np.arange(count), places, sums[places] / filled[places]))


def mtf(spread: Array) -> tuple[Array, Array]:
    """Frequencies (F,) in cycles per pixel and the MTF there, of an edge spread in bins of a quarter pixel.

    Central differences, a Tukey window about the steepest place, Fourier transform; corrected for the differences and for the
    bins' width. Source: ISO 12233, e-SFR.
    """
    line = np.gradient(spread)
    # The line spread's own middle carries the window; noise in the level parts must not move it.
    peak = float(np.average(np.arange(len(line)), weights=np.maximum(np.abs(line) - 0.2 * np.abs(line).max(), 0)))
    half = max(peak, len(line) - 1 - peak)
    away = np.abs(np.arange(len(line)) - peak) / half
    window = 0.5 + 0.5 * np.cos(np.pi * np.clip((away - 1) / TAPER + 1, 0, 1))
    padded = 8 * len(line)
    spectrum = np.abs(np.fft.rfft(line * window, padded))
    frequency = np.fft.rfftfreq(padded, BIN_PX)
    below = frequency < 1 / (2 * BIN_PX) - 0.25
    frequency, spectrum = frequency[below], spectrum[below]
    correction = np.sinc(2 * BIN_PX * frequency) * np.sinc(BIN_PX * frequency)
    return frequency, np.asarray(spectrum / spectrum[0] / correction)


def mtf50(spread: Array) -> float:
    """Frequency (cycles per pixel) where the MTF first falls to one half."""
    frequency, contrast = mtf(spread)
    below = np.flatnonzero(contrast < 0.5)
    if not len(below):
        return float(frequency[-1])
    after = int(below[0])
    share = (contrast[after - 1] - 0.5) / (contrast[after - 1] - contrast[after])
    return float(frequency[after - 1] + share * (frequency[after] - frequency[after - 1]))


def edge_sharpness(luma: Array, scale: Scale) -> tuple[EdgeSharpness, ...]:
    """Sharpness in each quarter of the reference, across its upright and its lying edges; empty where too little shows."""
    if scale.fitted is None:
        return ()
    seen = scale.fitted.seen
    groups = _groups(seen, scale.fitted.rows)
    if not groups:
        return ()
    rows = np.concatenate(groups)
    distance, light, used = _pixels(luma, scale, seen, rows)
    found, first = [], 0
    for group in groups:
        chosen = slice(first, first + len(group))
        first += len(group)
        levelled = _levelled(distance[chosen], light[chosen], used[chosen], float(seen.x_px[-1]))
        if levelled is not None:
            spread = spread_function(*levelled[:2], float(seen.x_px[-1]))
            found.append(EdgeSharpness(seen.points_mm[group].mean(axis=0), seen.normals_px[group[0]], mtf50(spread), levelled[2]))
    return tuple(found)


def _groups(seen: SeenSides, rows: Array) -> list[Array]:
    """Rows of blocks by quarter of the reference and by direction, those most alike in direction taken."""
    places = seen.points_mm[rows]
    quarter = 2 * (places[:, 0] > places[:, 0].mean()) + (places[:, 1] > places[:, 1].mean())
    upright = np.abs(_direction(seen, rows)) < np.sqrt(0.5)
    groups = []
    for number in range(4):
        for way in (True, False):
            members = rows[(quarter == number) & (upright == way)]
            if len(members) >= BLOCKS_PER_EDGE // 2:
                groups.append(members[np.linspace(0, len(members) - 1, min(len(members), BLOCKS_PER_EDGE)).astype(int)])
    return groups


def _direction(seen: SeenSides, rows: Array) -> Array:
    """Cosine between each block's normal and the first one's, so that the two directions of a print come apart."""
    return np.asarray(seen.normals_px[rows] @ seen.normals_px[rows[0]])


def _pixels(luma: Array, scale: Scale, seen: SeenSides, rows: Array) -> tuple[Array, Array, Array]:
    """Pixels round each block: distance from its edge, restored light, and which belong to it; each (B, w, w)."""
    reach, half_length = float(seen.x_px[-1]), _half_lengths(scale, seen, rows)
    half = int(np.ceil(half_length.max() + reach)) + SEAM_PX
    middle = np.rint(seen.edge_px[rows]).astype(int)
    offset = np.arange(-half, half + 1)
    y, x = middle[:, 1, None, None] + offset[:, None], middle[:, 0, None, None] + offset[None, :]
    height, width = luma.shape
    windows = luma[np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)]
    light = scale.tone.restore(windows.reshape(-1, windows.shape[-1])).reshape(windows.shape)
    from_edge = np.stack(np.broadcast_arrays(x, y), -1) - seen.edge_px[rows][:, None, None]
    normal = seen.normals_px[rows]
    distance = (from_edge * normal[:, None, None]).sum(-1)
    along = np.abs((from_edge * np.column_stack([-normal[:, 1], normal[:, 0]])[:, None, None]).sum(-1))
    inside = (x >= 0) & (x < width) & (y >= 0) & (y < height)
    return distance, light, inside & (along <= half_length[:, None, None]) & (np.abs(distance) <= reach)


def _half_lengths(scale: Scale, seen: SeenSides, rows: Array) -> Array:
    """Half the length of each block in px."""
    sides = scale.target.sides
    length_mm = np.linalg.norm(sides.end_mm - sides.start_mm, axis=1)[seen.side[rows]] * (1 - 2 * TRIM) / BLOCKS
    return np.asarray(np.minimum(length_mm * scale.px_per_mm(np.zeros(2)), LONGEST_BLOCK_PX) / 2)


def _levelled(distance: Array, light: Array, used: Array, reach_px: float) -> tuple[Array, Array, float] | None:
    """Distances and light of several blocks' pixels, each block brought to levels 0 and 1, and the noise of the paper.

    None where too few blocks have contrast.
    """
    distances, values, noise = [], [], []
    for block_distance, block_light, block_used in zip(distance, light, used, strict=True):
        d, v = block_distance[block_used], block_light[block_used]
        paper, black = (v[sign * d > LEVEL_SHARE * reach_px] for sign in (-1, 1))
        if len(paper) and len(black) and paper.mean() > black.mean():
            distances.append(d)
            values.append((v - paper.mean()) / (black.mean() - paper.mean()))
            noise.append(float(paper.std() / (paper.mean() - black.mean())))
    if len(distances) < BLOCKS_PER_EDGE // 2:
        return None
    return np.concatenate(distances), np.concatenate(values), float(np.median(noise))


def blur_ellipse(luma: Array, scale: Scale) -> Array | None:
    """Covariance of the point spread, (2, 2) px² in the picture, mean over the mat's corners; None where too few show.

    It holds the pixel's aperture and bilinear sampling, which are alike in all directions.
    """
    layout = scale.target.layout
    if layout is None:
        return None
    corners_mm, margin_mm = _some_corners(scale, layout)
    steps, axes_px, patches = _corner_patches(luma, scale.camera, corners_mm, margin_mm)
    mean, axes = _mean_corner(scale, patches, axes_px)
    if mean is None:
        return None
    spread = np.gradient(np.gradient(mean, CORNER_STEP_PX, axis=0), CORNER_STEP_PX, axis=1)
    v, u = np.meshgrid(steps, steps, indexing="ij")
    covariance: Array = axes @ _adaptive_moments(np.stack([u, v]), spread) @ axes.T
    return covariance


def _adaptive_moments(along: Array, spread: Array) -> Array:
    """Covariance (2, 2) of a spot: twice its moments under a Gaussian weight of that very covariance.

    Noise and halos far out, which plain second moments drown in, count little. For a Gaussian spot it is exact.
    Source: Bernstein & Jarvis, Astronomical Journal 123 (2002) 583 (adaptive moments).
    """
    covariance = MOMENTS_START_PX2 * np.eye(2)
    for _ in range(MOMENT_ROUNDS):
        distance2 = np.einsum("iyx,ij,jyx->yx", along, np.linalg.inv(covariance), along)
        weighted = spread * np.exp(-0.5 * distance2)
        moments = np.einsum("iyx,jyx,yx->ij", along, along, weighted) / weighted.sum()
        values, vectors = np.linalg.eigh(2 * moments)
        covariance = vectors @ np.diag(np.clip(values, *MOMENT_BOUNDS_PX2)) @ vectors.T
    return np.asarray(covariance)


def _some_corners(scale: Scale, layout: MatLayout) -> tuple[Array, float]:
    """Corners of the ring as printed, (N, 2) mm, and how far round them the print is plain."""
    stretch = np.array([scale.print_scale.kx, scale.print_scale.ky])
    corners = layout.ring_corners_mm() * stretch
    chosen = np.linspace(0, len(corners) - 1, min(len(corners), CORNERS)).astype(int)
    return corners[chosen], CORNER_MARGIN_SHARE * (layout.square_mm - layout.marker_mm) / 2


def _corner_patches(luma: Array, camera: Camera, corners_mm: Array, margin_mm: float) -> tuple[Array, Array, Array]:
    """Steps (K,) px, the mat's axes in the picture (N, 2, 2) as unit columns, and code values (N, K, K) round each corner."""
    at = np.column_stack([corners_mm, np.zeros(len(corners_mm))])
    jacobian = camera.px_per_mm(at)
    length = np.linalg.norm(jacobian, axis=1, keepdims=True)
    axes = jacobian / length
    reach = min(CORNER_REACH_PX, margin_mm * float(np.median(length)))
    count = int(reach / CORNER_STEP_PX)
    steps = CORNER_STEP_PX * np.arange(-count, count + 1)
    v, u = np.meshgrid(steps, steps, indexing="ij")
    points = camera.project(at)[:, None, None] + np.einsum("nij,jyx->nyxi", axes, np.stack([u, v]))
    return steps, axes, sample(luma, points)


def _mean_corner(scale: Scale, patches: Array, axes_px: Array) -> tuple[Array | None, Array]:
    """The mean of all clear corners, brought to one polarity and contrast, and the mean axes."""
    light = scale.tone.light(np.clip(np.nan_to_num(patches), 0, 1))
    quarter = max(1, patches.shape[1] // 4)
    near, far = np.s_[:, :quarter], np.s_[:, -quarter:]
    means = np.stack([light[near][:, :, :quarter], light[near][:, :, -quarter:], light[far][:, :, :quarter],
                      light[far][:, :, -quarter:]]).mean(axis=(2, 3))  # fmt: skip
    contrast = (means[0] + means[3] - means[1] - means[2]) / 2
    apart = np.maximum(np.abs(means[0] - means[3]), np.abs(means[1] - means[2]))
    clear = np.isfinite(patches).all(axis=(1, 2)) & (np.abs(contrast) > LEAST_CORNER_CONTRAST) & (apart < 0.4 * np.abs(contrast))
    # Ink that grew joins black squares across a corner and feigns a smear; corners of the other polarity undo it.
    kinds = [clear & (contrast > 0), clear & (contrast < 0)]
    if min(kind.sum() for kind in kinds) < LEAST_CORNERS:
        return None, np.eye(2)
    mean = np.mean([(light[kind] / contrast[kind, None, None]).mean(axis=0) for kind in kinds], axis=0)
    return mean, axes_px[clear].mean(axis=0)
