"""What a phone makes of the light: wide blur tails, noise, mosaic, denoising, tone, sharpening, 8 bits, JPEG.

A chain is a tuple of steps, each from a picture of values 0..1 (height, width, 3) float32 to the next. Chains that are
"inside" are those that a forward model of few parameters can state: sRGB, an S-curve in code values, one Gaussian
unsharp mask in code values. The "outside" ones are there so that the correction is not judged on its own assumptions.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol

import cv2
import numpy as np
import numpy.typing as npt
from PIL import ExifTags, Image

from holeinspect.measured import Array

TABLE_SIZE = 65536
"""Entries of a tone curve's table: in the steepest part of sRGB one entry is 0.05 of an 8-bit step."""

SQUARE_PIXEL_VARIANCE = 1 / 12
"""Variance of a square pixel aperture one pixel wide, px²."""


class Step(Protocol):
    """One stage of a phone's processing."""

    def __call__(self, values: Array) -> Array:
        """(height, width, 3) to the same."""


@dataclass(frozen=True, slots=True)
class Srgb:
    """Linear light to sRGB code values (IEC 61966-2-1)."""

    def __call__(self, values: Array) -> Array:
        return _through(values, lambda v: np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055))


@dataclass(frozen=True, slots=True)
class SCurve:
    """Contrast on top: v + a sin(2 pi (v - 1/2)) / (2 pi)."""

    strength: float

    def __call__(self, values: Array) -> Array:
        return _through(values, lambda v: v + self.strength * np.sin(2 * np.pi * (v - 0.5)) / (2 * np.pi))


@dataclass(frozen=True, slots=True)
class Power:
    """A plain power law instead of sRGB."""

    gamma: float

    def __call__(self, values: Array) -> Array:
        return _through(values, lambda v: v ** (1 / self.gamma))


@dataclass(frozen=True, slots=True)
class Shoulder:
    """Highlights rolled off as film does: straight up to `knee`, then an exponential that ends near 1."""

    knee: float = 0.65

    def __call__(self, values: Array) -> Array:
        room = 1 - self.knee
        return _through(
            values, lambda v: np.where(v < self.knee, v, self.knee + room * -np.expm1(-(v - self.knee) / room))
        )


@dataclass(frozen=True, slots=True)
class Toe:
    """Shadows lifted off black: floor + (1 - floor) v, and a quadratic toe up to `end`."""

    end: float = 0.15
    floor: float = 0.02

    def __call__(self, values: Array) -> Array:
        def curve(v: Array) -> Array:
            bent = np.where(v < self.end, v**2 / (2 * self.end) + self.end / 2 * (v / self.end), v)
            return self.floor + (1 - self.floor) * bent

        return _through(values, curve)


@dataclass(frozen=True, slots=True)
class Unsharp:
    """v + amount (v - Gaussian(v)), in whatever values the chain has there."""

    amount: float
    radius_px: float

    def __call__(self, values: Array) -> Array:
        return values + self.amount * (values - _gaussian(values, self.radius_px))


@dataclass(frozen=True, slots=True)
class HaloClippedUnsharp:
    """Two radii, and no pixel leaves the range of its 3 x 3 neighbours by more than `limit`."""

    fine: Unsharp = Unsharp(0.5, 0.8)
    broad: Unsharp = Unsharp(0.3, 2.5)
    limit: float = 0.02

    def __call__(self, values: Array) -> Array:
        sharpened = self.fine(values) + self.broad(values) - values
        around = np.ones((3, 3), np.uint8)
        return np.clip(sharpened, cv2.erode(values, around) - self.limit, cv2.dilate(values, around) + self.limit)


@dataclass(frozen=True, slots=True)
class EdgeAdaptiveUnsharp:
    """Sharpens textures and weak edges fully, strong edges (gradient well over `knee` per px) less."""

    mask: Unsharp = Unsharp(0.9, 1.2)
    knee: float = 0.12

    def __call__(self, values: Array) -> Array:
        grey = _gaussian(values.mean(axis=2), 1.0)
        gradient = np.hypot(cv2.Sobel(grey, -1, 1, 0, scale=1 / 8), cv2.Sobel(grey, -1, 0, 1, scale=1 / 8))
        share = 1 / (1 + (gradient / self.knee) ** 2)
        return values + share[..., None] * (self.mask(values) - values)


@dataclass(frozen=True, slots=True)
class LocalTone:
    """Gain (target / blurred luminance) ** strength: dark surroundings are lifted, bright ones held down."""

    strength: float = 0.25
    radius_px: float = 60.0
    target: float = 0.35

    def __call__(self, values: Array) -> Array:
        step = max(int(self.radius_px / 8), 1)  # a blur this wide is computed on a smaller picture
        height, width = values.shape[:2]
        small = cv2.resize(
            values.mean(axis=2), (-(-width // step), -(-height // step)), interpolation=cv2.INTER_AREA
        )
        around = cv2.resize(_gaussian(small, self.radius_px / step), (width, height), interpolation=cv2.INTER_LINEAR)
        return values * ((self.target / np.maximum(around, 0.02)) ** self.strength)[..., None]


@dataclass(frozen=True, slots=True)
class Bilateral:
    """Noise reduction that spares edges."""

    range_sigma: float = 0.06
    space_px: float = 1.5

    def __call__(self, values: Array) -> Array:
        return np.asarray(cv2.bilateralFilter(values, 5, self.range_sigma, self.space_px), np.float32)


@dataclass(frozen=True, slots=True)
class Median:
    """Median of 3 x 3 pixels: rounds off corners and tight curves."""

    def __call__(self, values: Array) -> Array:
        return np.asarray(cv2.medianBlur(values, 3), np.float32)


@dataclass(frozen=True, slots=True)
class Phone:
    """One phone. optics_px: sigma of the lens's blur, without the pixel's own aperture.

    tail_share, tail_px: share and sigma of light that the lens scatters wider. electrons: full well; read_noise:
    electrons. noiseless: neither. mosaic: one colour a pixel, then demosaiced. jpeg: quality, None for no compression.
    inside: whether the chain belongs to the family sRGB, S-curve, one unsharp mask.
    """

    name: str
    chain: tuple[Step, ...]
    inside: bool = True
    optics_px: float = 0.7
    tail_share: float = 0.0
    tail_px: float = 3.0
    exposure: float = 1.0
    electrons: float = 6000.0
    read_noise: float = 4.0
    noiseless: bool = False
    mosaic: bool = True
    jpeg: int | None = 93

    @property
    def edge_sigma_px(self) -> float:
        """Standard deviation of the edge spread, lens and pixel aperture together, tail left out."""
        return float(np.sqrt(self.optics_px**2 + SQUARE_PIXEL_VARIANCE))

    def expose(self, light: Array, rng: np.random.Generator) -> Array:
        """Linear light (height, width), in colour (height, width, 3), to the demosaiced linear picture with its noise."""
        exposed = self.exposure * self._scattered(light)
        if light.ndim == 3:
            exposed = _one_colour_a_pixel(exposed)
        noisy = exposed if self.noiseless else exposed + self.noise_sigma(exposed) * rng.standard_normal(
            exposed.shape, dtype=np.float32
        )
        recorded = np.clip(noisy, 0, 1, dtype=np.float32)
        return _demosaiced(recorded) if self.mosaic else np.repeat(recorded[..., None], 3, axis=2)

    def noise_sigma(self, exposed: Array) -> Array:
        """Standard deviation of a pixel's noise in linear light: photons (as a Gaussian) and reading."""
        return np.sqrt(np.maximum(exposed, 0) * self.electrons + self.read_noise**2) / np.float32(self.electrons)

    def develop(self, linear: Array) -> npt.NDArray[np.uint8]:
        """Linear (height, width, 3) to 8-bit code values."""
        values = linear
        for step in self.chain:
            values = step(values)
        return (np.clip(values, 0, 1) * 255 + 0.5).astype(np.uint8)

    def _scattered(self, light: Array) -> Array:
        if not self.tail_share:
            return light
        wide = _gaussian(light, float(np.sqrt(self.tail_px**2 - self.optics_px**2)))
        return (1 - self.tail_share) * light + self.tail_share * wide


def encode_jpeg(rgb: npt.NDArray[np.uint8], quality: int, focal35: float | None) -> bytes:
    """A JPEG with 4:2:0 colour; focal35 is stored as EXIF's whole millimetres, None stores none."""
    exif = Image.Exif()
    exif[ExifTags.Base.Make] = "Simulator"
    if focal35 is not None:
        exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.FocalLengthIn35mmFilm] = round(focal35)
    stream = io.BytesIO()
    Image.fromarray(rgb).save(stream, "JPEG", quality=quality, subsampling="4:2:0", exif=exif)
    return stream.getvalue()


def _one_colour_a_pixel(colours: Array) -> Array:
    """What a Bayer sensor's pixels see of a coloured picture: red and green in even rows, green and blue in odd ones."""
    seen = np.ascontiguousarray(colours[..., 1])
    seen[0::2, 0::2], seen[1::2, 1::2] = colours[0::2, 0::2, 0], colours[1::2, 1::2, 2]
    return seen


def _demosaiced(recorded: Array) -> Array:
    """A picture through a Bayer mosaic: each pixel records one colour; edge-aware interpolation."""
    raw = (recorded * (TABLE_SIZE - 1) + 0.5).astype(np.uint16)
    colour = cv2.cvtColor(raw, cv2.COLOR_BayerBG2RGB_EA)
    return colour.astype(np.float32) / np.float32(TABLE_SIZE - 1)


def _through(values: Array, curve: Callable[[Array], Array]) -> Array:
    """A tone curve on values clipped to 0..1, by table."""
    table = curve(np.linspace(0, 1, TABLE_SIZE)).astype(np.float32)
    return table[(np.clip(values, 0, 1) * (TABLE_SIZE - 1) + 0.5).astype(np.uint16)]


def _gaussian(values: Array, sigma: float) -> Array:
    return np.asarray(cv2.GaussianBlur(values, (0, 0), sigma, borderType=cv2.BORDER_REFLECT), np.float32)


_SRGB = Srgb()

_ALL = (
    Phone("plain", (_SRGB,)),
    Phone("s20", (_SRGB, SCurve(0.2))),
    Phone("s35", (_SRGB, SCurve(0.35))),
    Phone("sharp30", (_SRGB, Unsharp(0.3, 1.2))),
    Phone("sharp80", (_SRGB, Unsharp(0.8, 1.5)), optics_px=0.8),
    Phone("s20-sharp50", (_SRGB, SCurve(0.2), Unsharp(0.5, 1.2)), optics_px=0.8),
    Phone("s35-sharp80", (_SRGB, SCurve(0.35), Unsharp(0.8, 1.2)), optics_px=0.9),
    # power law and film shoulder instead of sRGB, mild sharpening
    Phone("film", (Power(2.0), Shoulder(), Unsharp(0.4, 1.2)), inside=False),
    # sharpening of two radii whose halos are clipped
    Phone("two-radii", (_SRGB, SCurve(0.2), HaloClippedUnsharp()), inside=False, optics_px=0.8),
    # sharpening that backs off at strong edges
    Phone("adaptive", (_SRGB, SCurve(0.15), EdgeAdaptiveUnsharp()), inside=False, optics_px=0.8),
    # gain that varies over the frame, in linear light, then the usual
    Phone("local-tone", (LocalTone(), _SRGB, SCurve(0.2), Unsharp(0.4, 1.2)), inside=False),
    # a noisy sensor, denoised, then sharpened
    Phone("denoised", (Bilateral(), _SRGB, Median(), Unsharp(0.7, 1.2)), inside=False, electrons=2500.0),
    # a lens with a wide tail: no Gaussian
    Phone("hazy-lens", (_SRGB, SCurve(0.2), Unsharp(0.4, 1.2)), inside=False, tail_share=0.15, tail_px=3.0),
    # lifted, toed shadows and a shoulder: no S of one parameter
    Phone("flat-look", (_SRGB, Toe(), Shoulder(0.7), Unsharp(0.5, 1.5)), inside=False, optics_px=0.8),
)

PHONES: Mapping[str, Phone] = {phone.name: phone for phone in _ALL}
"""Every phone by name. inside: plain, s20, s35, sharp30, sharp80, s20-sharp50, s35-sharp80; the rest is outside."""
