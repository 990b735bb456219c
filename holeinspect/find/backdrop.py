"""How far each pixel is from what lies under the parts: ink, paper, a card or a table, under uneven light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from holeinspect.errors import PartNotFound
from holeinspect.find.fields import Field, fit_field
from holeinspect.find.picture import Bytes, Mask, WorkPicture
from holeinspect.find.printed import INK, PAPER, PLAIN, Ground, Painter, Region, mat_ground, plain_ground
from holeinspect.measured import Array

SAMPLES = 6000
"""Pixels that a field is fitted to: enough for a few coefficients, few enough to be quick."""
RING_DEGREE, FULL_DEGREE = 2, 3
"""Polynomial degrees of fields known from the ring alone, and from the window too."""
WINDOW_RIM_MM = 3.0
"""The window's outermost strip, which parts seldom cover, tells what fills the window."""
LIKE = 5.0
"""Standard deviations within which a pixel may be called like a field."""
LEAST_SHARE = 0.2
"""Share of the window's strip that has to look like ink or paper to believe it."""
LEAST_SAMPLES = 60
MIXED_NOISE = 3.0
"""Growth of the noise at printed borders, where JPEG's coarse colour and the log of mixed light leave more."""
PRINT_BLUR_PX = 2.0
"""Reach of a printed border's blur and of its misplacement, work px."""


@dataclass(frozen=True, slots=True, eq=False)
class Backdrop:
    """The ground, its fields by bit, what fills the window, and each pixel's deviation from all that.

    z: float32 (h, w), deviation of the three tones in standard deviations; 0 where the ground is unknown.
    deviation: float32 (h, w, 3), of the three tones; that of lightness is negative where the picture is darker.
    """

    ground: Ground
    fields: dict[int, Field]
    window_bit: int
    z: npt.NDArray[np.float32]
    deviation: npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Pixels on a coarse grid: points (N, 2) work px, tones (N, 3), bits (N,), in_window (N,) and in_strip (N,) bool."""

    points_px: Array
    tones: Array
    bits: Bytes
    in_window: Mask
    in_strip: Mask

    def field(self, chosen: Mask, size_px: tuple[int, int], degree: int, start: Field | None = None) -> Field | None:
        """Field through the chosen samples, None when they are too few."""
        if np.count_nonzero(chosen) < LEAST_SAMPLES:
            return None
        step = max(1, int(np.count_nonzero(chosen) // SAMPLES))
        rows = np.flatnonzero(chosen)[::step]
        return fit_field(self.points_px[rows], self.tones[rows], size_px, degree, start)

    def like(self, field: Field, chosen: Mask, size_px: tuple[int, int]) -> float:
        """Share of the chosen samples that look like the field."""
        deviation = self.tones[chosen] - field.at(self.points_px[chosen], size_px)
        return float(np.mean(np.all(np.abs(deviation) < LIKE * field.noise, axis=1))) if chosen.any() else 0.0


def take_samples(picture: WorkPicture, ground: Ground, strip: Bytes) -> Samples:
    """Every few pixels of the picture whose ground is known."""
    width, height = picture.size_px
    step = max(1, int(np.sqrt(width * height / (10 * SAMPLES))))
    y, x = (grid.ravel() for grid in np.mgrid[step // 2 : height : step, step // 2 : width : step])
    kept = ground.bits[y, x] > 0
    y, x = y[kept], x[kept]
    return Samples(
        np.column_stack([x, y]).astype(float),
        picture.tones[y, x].astype(float),
        ground.bits[y, x],
        ground.window[y, x] > 0,
        strip[y, x] > 0,
    )


def backdrop_of(picture: WorkPicture, painter: Painter, region: Region) -> Backdrop:
    """Fit the backdrop and measure every pixel against it.

    Raises PartNotFound when no plain backdrop can be told.
    """
    if region.layout is None:
        return _plain_backdrop(picture, plain_ground(painter, region.outline_mm))
    ground = mat_ground(painter, region.layout, PLAIN, PRINT_BLUR_PX)
    inner = painter.blank()
    half = region.layout.window_mm
    painter.rectangle(inner, (half[0] - WINDOW_RIM_MM, half[1] - WINDOW_RIM_MM), 255)
    samples = take_samples(picture, ground, ground.window & ~inner)
    fields = {}
    for bit in (INK, PAPER):
        field = samples.field(samples.bits == bit, picture.size_px, RING_DEGREE)
        if field is not None:
            fields[bit] = field
    window_bit = _window_bit(samples, fields, picture.size_px)
    chosen = (samples.bits == window_bit) | (samples.in_window & (samples.bits == PLAIN))
    start = fields.get(window_bit)
    field = samples.field(chosen, picture.size_px, FULL_DEGREE, start)
    if field is None:
        raise PartNotFound("The mat's window cannot be seen. Take the photo with the whole mat in the picture.")
    fields[window_bit] = field
    if window_bit != PLAIN:
        ground = Ground(_renamed(ground.bits, PLAIN, window_bit), ground.window)
    return _measured(picture, ground, fields, window_bit)


def _window_bit(samples: Samples, fields: dict[int, Field], size_px: tuple[int, int]) -> int:
    """What fills the window: the ring's ink, its paper, or a plain card."""
    shares = {bit: samples.like(field, samples.in_strip, size_px) for bit, field in fields.items()}
    best = max(shares, key=lambda bit: shares[bit], default=PLAIN)
    return best if shares.get(best, 0.0) > LEAST_SHARE else PLAIN


def _renamed(bits: Bytes, old: int, new: int) -> Bytes:
    """The bits with one material taken for another."""
    table = np.array([(value & ~old) | (new if value & old else 0) for value in range(256)], np.uint8)
    return table[bits]


def _plain_backdrop(picture: WorkPicture, ground: Ground) -> Backdrop:
    samples = take_samples(picture, ground, ground.window)
    field = samples.field(samples.bits == PLAIN, picture.size_px, FULL_DEGREE)
    if field is None:
        raise PartNotFound("Nothing but the reference is in the picture. Take the photo with the part beside it.")
    return _measured(picture, ground, {PLAIN: field}, PLAIN)


def _measured(picture: WorkPicture, ground: Ground, fields: dict[int, Field], window_bit: int) -> Backdrop:
    """The deviation of every pixel from the nearest of what may be seen there; between two, from all their mixtures."""
    size = picture.size_px
    masks = {bit: (ground.bits & bit) > 0 for bit in fields}
    mixed = sum(mask.astype(np.uint8) for mask in masks.values()) > 1
    unknown = ~np.logical_or.reduce(list(masks.values()))
    squares = np.zeros(size[::-1], np.float32)
    deviation = np.zeros((*size[::-1], 3), np.float32)
    for channel in range(3):
        seen = picture.tones[..., channel]
        low, noise = np.full(size[::-1], np.inf, np.float32), np.ones(size[::-1], np.float32)
        high = -low
        for bit, mask in masks.items():
            level = fields[bit].on_picture(channel, size)
            np.minimum(low, level, out=low, where=mask)
            np.maximum(high, level, out=high, where=mask)
            np.copyto(noise, np.float32(fields[bit].noise[channel]), where=mask)
        noise[mixed] = MIXED_NOISE * max(field.noise[channel] for field in fields.values())
        own = seen - np.clip(seen, low, high)
        own[unknown] = 0
        deviation[..., channel] = own
        squares += np.square(own / noise)
    return Backdrop(ground, fields, window_bit, np.sqrt(squares), deviation)
