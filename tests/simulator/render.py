"""Linear light at each pixel: exact pixel areas of all that is seen, times smooth fields, blurred by the lens.

The picture is built on a grid OVERSAMPLE times finer, blurred there and averaged down, so that the point spread is
the Gaussian and the pixel's own square aperture: together s² = optics² + 1/12 px².
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import TypeAlias

import cv2
import numpy as np
import shapely
from shapely.affinity import translate

from holeinspect.measured import Array
from holeinspect.scale.mat import layout
from holeinspect.scale.sheet import ink_rectangles
from tests.simulator.coverage import Coverage
from tests.simulator.scene import Burr, Levels, Light, Mat, Part, Plain, Rim, Scene, Shadow, Sheet, Surface
from tests.simulator.solid import Seen, Shape, seen
from tests.simulator.view import View

OVERSAMPLE = 2
"""Fine pixels along a pixel. The blur is sampled on them, and that aliases with the fine pixels' edges (Poisson sum):
where an edge runs along the rows or columns, s² swings by 1 / (6 OVERSAMPLE²) px² with its place between fine pixels.
The edge's position and the sum of light stay exact, and on slanted or curved edges the swing averages out."""

BAND_ROWS = 192
"""Rows rendered at a time, so that a band stays small in memory; a multiple of COARSE_PX."""

BLUR_REACH = 4.5
"""Margin rendered round a band, in sigmas of the blur."""

COARSE_PX, SHADOW_PX = 16, 4
"""Spacing of the grids on which smooth fields (light and place on the face; shadow) are computed, then interpolated."""

GRADIENT_MM = 100.0
"""Length over which Light.gradient is stated."""

SIDE_PX = 16.0
"""Longest side of a polygon where the lens bends lines: at k1 = 0.1 the chord departs by under 0.002 px."""

TEXTURE_CELLS, TEXTURE_MM = 1024, 80.0
"""Brushing marks: a square tile of so many cells, repeated every so many mm."""

STREAK_ALONG, STREAK_ACROSS = 40.0, 0.8
"""Correlation (sigma) of the brushing along and across, in cells."""

SURFACE_CELLS, SURFACE_MM = 2048, 100.0
"""A surface's tile, which every grid's pitch has to divide."""

GRAIN_ALONG, GRAIN_ACROSS, SPECKLE = 200.0, 8.0, 5.0
"""Correlation (sigma) of a board's grain and of speckles, in a surface's cells of 0.05 mm."""

SURFACE_SEED = 7
"""Of a surface's random texture."""

Weighted: TypeAlias = Iterable[tuple[Shape, float]]
"""Polygons of the mat plane and what each adds to the level there."""

Field: TypeAlias = Callable[["Window"], Array | float]
"""A smooth factor over a window of the fine grid."""


@dataclass(frozen=True, slots=True)
class Grid:
    """A grid over the picture: `scale` cells a pixel, `margin` cells left of and above it, `shape` width and height.

    Grid frame: cell i covers [i, i + 1].
    """

    view: View
    scale: float
    margin: float
    shape: tuple[int, int]

    @classmethod
    def fine(cls, view: View, scale: int, margin: int) -> Grid:
        """The grid that is rendered on."""
        width, height = view.lens.size_px
        return cls(view, scale, margin, (width * scale + 2 * margin, height * scale + 2 * margin))

    def coarse(self, step: int) -> Grid:
        """The same, `step` times coarser, with one more cell all round."""
        width, height = (-(-side // step) + 2 for side in self.shape)
        return Grid(self.view, self.scale / step, self.margin / step + 1, (width, height))

    def from_mat(self, points_mm: Array) -> Array:
        """Mat plane (N, 2) mm to the grid frame."""
        px = self.view.project(np.column_stack([points_mm, np.zeros(len(points_mm))]))
        return (px + 0.5) * self.scale + self.margin

    def places(self, z_mm: float) -> Array:
        """Where every cell's centre meets the plane z, (height, width, 2) mm, mat frame."""
        width, height = self.shape
        x, y = np.meshgrid(np.arange(width) + 0.5, np.arange(height) + 0.5)
        px = (np.column_stack([x.ravel(), y.ravel()]) - self.margin) / self.scale - 0.5
        return self.view.to_plane(px, z_mm).reshape(height, width, 2)


@dataclass(frozen=True, slots=True)
class Window:
    """Rows first..last of the fine grid; first is a multiple of every coarse grid's step."""

    grid: Grid
    first: int
    last: int

    def interpolate(self, coarse: Array, step: int) -> Array:
        """A field on `grid.coarse(step)`, at every fine pixel of the window: (rows, width[, channels])."""
        upper = self.first // step
        part = np.ascontiguousarray(coarse[upper : -(-self.last // step) + 2])
        enlarged = np.asarray(cv2.resize(part, None, fx=step, fy=step, interpolation=cv2.INTER_LINEAR), np.float32)
        return enlarged[step : step + self.last - self.first, step : step + self.grid.shape[0]]


@dataclass(frozen=True, slots=True)
class Layer:
    """One sum of weighted polygons and the smooth field that multiplies it."""

    coverage: Coverage
    base: float
    field: Field

    def light(self, window: Window) -> Array | float:
        """The layer's share of the light."""
        if not self.base and self.coverage.is_empty(window.first, window.last):
            return 0.0
        return (self.coverage.rows(window.first, window.last) + np.float32(self.base)) * self.field(window)


def render(
    scene: Scene, view: View, optics_px: float, rng: np.random.Generator, oversample: int = OVERSAMPLE, channel: int = 1
) -> Array:
    """The scene in linear light, (height, width) float32; optics_px: sigma of the lens's Gaussian blur, px.

    channel: 0, 1 or 2 for red, green or blue, in which only a coloured surface differs.
    """
    reach = int(np.ceil(BLUR_REACH * optics_px)) * oversample
    grid = Grid.fine(view, oversample, reach)
    layers = list(_layers(scene, grid, rng, channel))
    width, height = view.lens.size_px
    picture = np.empty((height, width), np.float32)
    for top in range(0, height, BAND_ROWS):
        bottom = min(top + BAND_ROWS, height)
        window = Window(grid, top * oversample, bottom * oversample + 2 * reach)
        light = np.zeros((window.last - window.first, grid.shape[0]), np.float32)
        for layer in layers:
            light += layer.light(window)
        picture[top:bottom] = _down(_blurred(light, optics_px * oversample), reach, (width, bottom - top))
    return picture


def _blurred(light: Array, sigma: float) -> Array:
    if not sigma:
        return light
    return np.asarray(cv2.GaussianBlur(light, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE), np.float32)


def _down(light: Array, margin: int, size: tuple[int, int]) -> Array:
    inside = light[margin : light.shape[0] - margin, margin : light.shape[1] - margin]
    return np.asarray(cv2.resize(np.ascontiguousarray(inside), size, interpolation=cv2.INTER_AREA), np.float32)


def _layers(scene: Scene, grid: Grid, rng: np.random.Generator, channel: int) -> Iterator[Layer]:
    """Backdrop; bare surfaces of the parts; the face of each brushed part."""
    camera = np.array(grid.view.pose.position_mm)
    plates = [seen(part, camera, rng) for part in scene.parts]
    backdrop = list(_backdrop(scene.backdrop, plates))
    illumination = _illumination(scene.light, grid)
    shadow = _shadow(scene.light.shadow, plates, grid)
    surface = _surface(scene.backdrop, channel, grid) if isinstance(scene.backdrop, Surface) else _one
    yield Layer(_coverage(backdrop, grid), _base(scene.backdrop), _product(illumination, shadow, surface))
    bare = [w for part, plate in zip(scene.parts, plates, strict=True) for w in _bare(part, plate)]
    for part, plate in zip(scene.parts, plates, strict=True):
        face = list(_face(part, plate))
        if part.streak:
            yield Layer(_coverage(face, grid), 0.0, _product(illumination, _brushing(part, grid, rng)))
        else:
            bare += face
    yield Layer(_coverage(bare, grid), 0.0, illumination)


def _base(backdrop: Mat | Plain | Sheet | Surface) -> float:
    """Level far from everything; of a surface the whole of its tile."""
    if isinstance(backdrop, Plain):
        return backdrop.level
    return 1.0 if isinstance(backdrop, Surface) else backdrop.table


def _backdrop(backdrop: Mat | Plain | Sheet | Surface, plates: list[Seen]) -> Iterator[tuple[Shape, float]]:
    """Steps of level on the backdrop, and away where a plate hides it."""
    blocked = shapely.union_all([plate.blocked for plate in plates])
    if isinstance(backdrop, Plain | Surface):
        yield blocked, -_base(backdrop)
        return
    if isinstance(backdrop, Sheet):
        width, height = backdrop.size_mm
        yield blocked, -backdrop.table
        sheet = shapely.box(-width / 2, -height / 2, width / 2, height / 2)
        yield sheet.difference(blocked), backdrop.paper - backdrop.table
        return
    mat = layout(backdrop.page, backdrop.window)
    across, along = mat.size_mm
    yield blocked, -backdrop.table
    paper = shapely.box(-across / 2, -along / 2, across / 2, along / 2)
    yield paper.difference(blocked), backdrop.paper - backdrop.table
    kx, ky = backdrop.print_scale
    ink = shapely.box(*(ink_rectangles(mat) * [kx, ky, kx, ky]).T)
    touched = shapely.intersects(ink, blocked)
    ink[touched] = shapely.difference(ink[touched], blocked)
    yield from ((rectangle, backdrop.ink - backdrop.paper) for rectangle in ink)


def _bare(part: Part, plate: Seen) -> Iterator[tuple[Shape, float]]:
    """Walls, chamfers and lips: nested shapes, so each adds only the difference of levels."""
    levels = part.levels
    outline, band = plate.outline, _band_level(levels, part.rim)
    yield outline.outer, levels.wall
    yield outline.middle, band - levels.wall
    yield outline.inner, -band
    for opening, seen_as in zip(part.openings, plate.openings, strict=True):
        band = _band_level(levels, opening.rim)
        yield seen_as.outer, band
        yield seen_as.middle, levels.wall - band
        yield seen_as.inner, -levels.wall


def _band_level(levels: Levels, rim: Rim) -> float:
    return levels.burr if isinstance(rim, Burr) else levels.chamfer


def _face(part: Part, plate: Seen) -> Iterator[tuple[Shape, float]]:
    yield plate.outline.inner, part.levels.face
    yield from ((opening.outer, -part.levels.face) for opening in plate.openings)
    for mark, shape in zip(part.marks, plate.marks, strict=True):
        yield shape, mark.level - part.levels.face


def _coverage(weighted: Weighted, grid: Grid) -> Coverage:
    """Weighted polygons of the mat plane, on the fine grid."""
    shapes, weights = zip(*weighted, strict=True) if (weighted := list(weighted)) else ((), ())
    polygons, of_shape = shapely.get_parts(np.array(shapes, dtype=object), return_index=True)
    polygons_only = shapely.get_type_id(polygons) == shapely.GeometryType.POLYGON
    polygons, of_shape = polygons[polygons_only], of_shape[polygons_only]
    # clockwise: see Coverage.of; the mat's y is up, so it looks the same way round on the screen
    rings, of_polygon = shapely.get_rings(shapely.orient_polygons(polygons, exterior_cw=True), return_index=True)
    if grid.view.lens.k1 or grid.view.lens.k2:
        rings = shapely.segmentize(rings, SIDE_PX / grid.view.px_per_mm())
    points, of_ring = shapely.get_coordinates(rings, return_index=True)
    fine = grid.from_mat(points)
    same = of_ring[1:] == of_ring[:-1]
    sides = np.column_stack([fine[:-1], fine[1:]])[same]
    weight = np.array(weights, dtype=float)[of_shape[of_polygon[of_ring[1:]]]][same]
    return Coverage.of(sides, weight, *grid.shape)


def _product(*fields: Field) -> Field:
    def product(window: Window) -> Array | float:
        result: Array | float = 1.0
        for field in fields:
            result = result * field(window)
        return result

    return product


def _one(_window: Window) -> float:
    return 1.0


def _illumination(light: Light, grid: Grid) -> Field:
    """Light that changes evenly over the mat."""
    if light.gradient == (0.0, 0.0):
        return _one
    step = COARSE_PX * int(grid.scale)
    coarse = (1 + grid.coarse(step).places(0.0) @ np.array(light.gradient) / GRADIENT_MM).astype(np.float32)
    return lambda window: window.interpolate(coarse, step)


def _shadow(shadow: Shadow | None, plates: list[Seen], grid: Grid) -> Field:
    """The plates' blurred shadow on the backdrop."""
    if shadow is None or not plates:
        return _one
    step = SHADOW_PX * int(grid.scale)
    cast = [(translate(plate.blocked, *shadow.offset_mm), 1.0) for plate in plates]
    coarse_grid = grid.coarse(step)
    covered = _coverage(cast, coarse_grid).rows(0, coarse_grid.shape[1])
    coarse = 1 - shadow.depth * _blurred(covered, shadow.softness_mm * grid.view.px_per_mm() / SHADOW_PX)
    return lambda window: window.interpolate(coarse, step)


def _brushing(part: Part, grid: Grid, rng: np.random.Generator) -> Field:
    """Brushing marks along the part's x, fixed to its face."""
    tile = _tile(rng) * part.streak + 1
    turn = np.radians(part.rotate_deg)
    to_part = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    step = COARSE_PX * int(grid.scale)
    places = (grid.coarse(step).places(part.thickness_mm) - part.at_mm) @ to_part
    cells = (places * (TEXTURE_CELLS / TEXTURE_MM)).astype(np.float32)

    def brushing(window: Window) -> Array:
        where = window.interpolate(cells, step)
        x, y = (np.ascontiguousarray(where[..., axis]) for axis in (0, 1))
        return np.asarray(cv2.remap(tile, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP), np.float32)

    return brushing


def _surface(surface: Surface, channel: int, grid: Grid) -> Field:
    """One channel of a surface's tile, repeated over the table."""
    tile = _surface_tile(surface, channel)
    step = COARSE_PX * int(grid.scale)
    cells = (grid.coarse(step).places(0.0) * (SURFACE_CELLS / SURFACE_MM)).astype(np.float32)

    def field(window: Window) -> Array:
        where = window.interpolate(cells, step)
        x, y = (np.ascontiguousarray(where[..., axis]) for axis in (0, 1))
        return np.asarray(cv2.remap(tile, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP), np.float32)

    return field


def _surface_tile(surface: Surface, channel: int) -> Array:
    rng = np.random.default_rng(SURFACE_SEED)
    grain, speckle = _wrapped(rng, GRAIN_ALONG, GRAIN_ACROSS), _wrapped(rng, SPECKLE, SPECKLE)
    level = np.full((SURFACE_CELLS, SURFACE_CELLS), surface.colour[channel], np.float32)
    if surface.lines:
        place = (np.arange(SURFACE_CELLS) + 0.5) * SURFACE_MM / SURFACE_CELLS
        on = place % surface.lines.pitch_mm < surface.lines.width_mm
        level[on[:, None] | on] = surface.lines.colour[channel]
    return np.asarray(level * np.exp(surface.grain * grain + surface.speckle * speckle), np.float32)


def _wrapped(rng: np.random.Generator, along: float, across: float) -> Array:
    """Noise of unit variance over a surface's tile, correlated over so many cells, that repeats without a seam."""
    waves = np.fft.fftfreq(SURFACE_CELLS)
    decay = np.exp(-2 * np.pi**2 * ((waves[:, None] * across) ** 2 + (waves * along) ** 2))
    noise = np.fft.ifft2(np.fft.fft2(rng.standard_normal((SURFACE_CELLS, SURFACE_CELLS))) * decay).real
    return np.asarray(noise / noise.std(), np.float32)


def _tile(rng: np.random.Generator) -> Array:
    """Streaked noise of unit variance that repeats without a seam."""
    noise = rng.standard_normal((TEXTURE_CELLS, TEXTURE_CELLS)).astype(np.float32)
    wrap = int(4 * STREAK_ALONG)
    padded = np.pad(noise, wrap, mode="wrap")
    streaked = cv2.GaussianBlur(padded, (0, 0), STREAK_ALONG, sigmaY=STREAK_ACROSS)[wrap:-wrap, wrap:-wrap]
    return np.ascontiguousarray(streaked / streaked.std())
