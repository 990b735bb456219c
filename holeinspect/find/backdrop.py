"""How far each pixel is from what lies under the parts: ink, paper, a card or a table, under uneven light."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from holeinspect.errors import PartNotFound
from holeinspect.find.fields import Field, fit_field
from holeinspect.find.picture import Bytes, Mask, WorkPicture
from holeinspect.find.printed import INK, PAPER, PLAIN, Ground, Painter, Region, dilate, mat_ground, plain_ground
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
CARD_SHARE = 0.3
"""Least share of the window that a card covers."""
CARD_STRAIGHT = 0.01
"""Departure from straight sides over the outline's length."""
CARD_FILL = 0.97
"""Least share of its four-sided hull that a card fills, glare and holes' edges apart."""
CARD_RIM_SHARE = 0.02
"""Width of the card's border strip over the root of its area."""
CARD_EVEN = 0.8
"""Least share of that strip that looks alike."""
CARD_LOAD = 0.03
"""Least share of the card that the thing on it covers."""
UNLIKE_PAPER = 0.5
"""A thing on a card differs from paper by at least this share of what the card does; cut-outs do not differ."""
LEAST_ISLAND_PX2 = 12.0
"""Smallest opening, square work px, that counts as one."""
MIXED_NOISE = 3.0
"""Growth of the noise at printed borders, where JPEG's coarse colour and the log of mixed light leave more."""
PRINT_BLUR_PX = 2.0
"""Reach of a printed border's blur and of its misplacement, work px."""


@dataclass(frozen=True, slots=True, eq=False)
class Backdrop:
    """The ground, its fields by bit, what fills the window, and each pixel's deviation from all that.

    z: float32 (h, w), deviation of the three tones in standard deviations; 0 where the ground is unknown.
    deviation: float32 (h, w, 3), of the three tones; that of lightness is negative where the picture is darker.
    lines: (h, w), where the ground has lines that count as ground; None where it is not lined all over. lines_told: whether
    their colour tells them from what lies on it.
    """

    ground: Ground
    fields: dict[int, Field]
    window_bit: int
    z: npt.NDArray[np.float32]
    deviation: npt.NDArray[np.float32]
    lines: Mask | None = None
    lines_told: bool = True


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Pixels on a coarse grid: points (N, 2) work px, tones (N, 3), bits (N,); whether in the window, in its strip."""

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
        return _plain_backdrop(picture, plain_ground(painter, region))
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
    field = samples.field(chosen, picture.size_px, FULL_DEGREE, fields.get(window_bit))
    if field is None:
        raise PartNotFound("The mat's window cannot be seen. Take the photo with the whole mat in the picture.")
    fields[window_bit] = field
    if window_bit != PLAIN:
        ink = ground.ink | ground.window if window_bit == INK else ground.ink
        ground = Ground(_renamed(ground.bits, PLAIN, window_bit), ground.window, ink)
    backdrop = _measured(picture, ground, fields, window_bit)
    return _with_card(picture, backdrop) if window_bit == PAPER else backdrop


def _window_bit(samples: Samples, fields: dict[int, Field], size_px: tuple[int, int]) -> int:
    """What fills the window: the ring's ink, its paper, or a plain card."""
    shares = {bit: samples.like(field, samples.in_strip, size_px) for bit, field in fields.items()}
    best = max(shares, key=lambda bit: shares[bit], default=PLAIN)
    return best if shares.get(best, 0.0) > LEAST_SHARE else PLAIN


def _renamed(bits: Bytes, old: int, new: int) -> Bytes:
    """The bits with one material taken for another."""
    table = np.array([(value & ~old) | (new if value & old else 0) for value in range(256)], np.uint8)
    return np.asarray(cv2.LUT(bits, table), np.uint8)


def _plain_backdrop(picture: WorkPicture, ground: Ground) -> Backdrop:
    samples = take_samples(picture, ground, ground.window)
    field = samples.field(samples.bits == PLAIN, picture.size_px, FULL_DEGREE)
    if field is None:
        raise PartNotFound("Nothing but the reference is in the picture. Take the photo with the part beside it.")
    return _measured(picture, ground, {PLAIN: field}, PLAIN)


def _measured(picture: WorkPicture, ground: Ground, fields: dict[int, Field], window_bit: int) -> Backdrop:
    """The deviation of every pixel from the nearest of what may be seen there; between two, from all their mixtures."""
    levels = {bit: field.on_picture(picture.size_px) for bit, field in fields.items()}
    pure = {bit: np.asarray(cv2.inRange(ground.bits, bit, bit), np.uint8) for bit in fields}
    deviation = np.zeros_like(picture.tones)
    for bit in fields:
        cv2.subtract(picture.tones, levels[bit], deviation, mask=pure[bit])
    mixed = np.flatnonzero(cv2.LUT(ground.bits, _several(fields)))
    if len(mixed):
        choice = [level.reshape(-1, 3).take(mixed, axis=0) for level in levels.values()]
        seen = picture.tones.reshape(-1, 3).take(mixed, axis=0)
        low, high = np.minimum.reduce(choice), np.maximum.reduce(choice)
        deviation.reshape(-1, 3)[mixed] = seen - np.clip(seen, low, high)
    squares = cv2.multiply(deviation, deviation)
    mixed_noise = MIXED_NOISE * np.max([field.noise for field in fields.values()], axis=0)
    weights = cv2.transform(squares, 1 / mixed_noise[None] ** 2)
    for bit, field in fields.items():
        cv2.copyTo(cv2.transform(squares, 1 / field.noise[None] ** 2), pure[bit], weights)
    return Backdrop(ground, fields, window_bit, np.asarray(cv2.sqrt(weights), np.float32), deviation)


def _several(fields: dict[int, Field]) -> Bytes:
    """(256,) 1 where bits leave several materials open."""
    return np.array([sum(bool(value & bit) for bit in fields) > 1 for value in range(256)], np.uint8)


def _with_card(picture: WorkPicture, backdrop: Backdrop) -> Backdrop:
    """The backdrop with a plain card on the open window, if the largest thing there is one with something on it.

    A card is four-sided, even along its border, and carries a thing that differs from it and is either unlike the paper
    or has openings that show the card again: a plate's cut-outs show paper, and nothing floats in them.
    """
    far = ((backdrop.z > LIKE) & (backdrop.ground.window > 0)).astype(np.uint8)
    outlines, _ = cv2.findContours(far, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    outline = max(outlines, key=cv2.contourArea, default=None)
    if outline is None or cv2.contourArea(outline) < CARD_SHARE * np.count_nonzero(backdrop.ground.window):
        return backdrop
    corners = cv2.approxPolyDP(cv2.convexHull(outline), CARD_STRAIGHT * cv2.arcLength(outline, True), True)
    if len(corners) != 4 or cv2.contourArea(outline) < CARD_FILL * cv2.contourArea(corners):
        return backdrop
    inside = np.asarray(cv2.fillPoly(np.zeros_like(far), [corners], 255), np.uint8)
    depth = max(3, round(CARD_RIM_SHARE * np.sqrt(cv2.contourArea(corners))))
    core = np.asarray(cv2.erode(inside, np.ones((2 * depth + 1, 2 * depth + 1), np.uint8), borderValue=0), np.uint8)
    card = _card_field(picture, inside, core)
    return backdrop if card is None else _laid_on_card(picture, backdrop, inside, card)


def _card_field(picture: WorkPicture, inside: Bytes, core: Bytes) -> Field | None:
    """Field of a card from its border strip on; None when the strip is uneven."""
    nothing = np.zeros_like(inside)
    samples = take_samples(picture, Ground(inside, inside, nothing), inside & ~core)
    strip = samples.field(samples.in_strip, picture.size_px, RING_DEGREE)
    if strip is None or samples.like(strip, samples.in_strip, picture.size_px) < CARD_EVEN:
        return None
    return samples.field(samples.in_window, picture.size_px, RING_DEGREE, strip)


def _laid_on_card(picture: WorkPicture, backdrop: Backdrop, inside: Bytes, card: Field) -> Backdrop:
    bits = backdrop.ground.bits.copy()
    edge = dilate(inside, PRINT_BLUR_PX) & dilate(~inside, PRINT_BLUR_PX)
    bits[inside > 0] = PLAIN
    bits[edge > 0] = PLAIN | PAPER
    ground = Ground(bits, backdrop.ground.window, backdrop.ground.ink)
    laid = _measured(picture, ground, {**backdrop.fields, PLAIN: card}, PLAIN)
    on_card = (inside > 0) & (edge == 0)
    thing = on_card & (laid.z > LIKE)
    if np.count_nonzero(thing) < CARD_LOAD * np.count_nonzero(on_card):
        return backdrop
    unlike_paper = np.median(backdrop.z[thing]) > UNLIKE_PAPER * np.median(backdrop.z[on_card & ~thing])
    return laid if unlike_paper or _has_islands(thing) else backdrop


def _has_islands(thing: Mask) -> bool:
    """Whether the largest patch has openings of some size."""
    outlines, family = cv2.findContours(thing.astype(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    largest = max(range(len(outlines)), key=lambda k: cv2.contourArea(outlines[k]))
    return any(
        row[3] == largest and cv2.contourArea(outline) > LEAST_ISLAND_PX2
        for outline, row in zip(outlines, family[0], strict=True)
    )
