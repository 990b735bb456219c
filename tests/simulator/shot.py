"""One simulated photo from start to end."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from shapely import Polygon

from holeinspect.measured import Array
from tests.simulator.phone import PHONES, Phone, encode_jpeg
from tests.simulator.render import OVERSAMPLE, render
from tests.simulator.scene import HoleTruth, Scene, Surface, hole_truths
from tests.simulator.solid import burred
from tests.simulator.view import Lens, Pose, View

STRAIGHT_ABOVE = Pose()
MAIN_CAMERA = Lens()
"""12 megapixels, 26 mm equivalent."""

SCENE, NOISE = 0, 1
"""What a seed's random numbers are for: texture and burrs, or noise."""


@dataclass(frozen=True, slots=True)
class Shot:
    """All that decides a photo. exif: whether the focal length is stored (a cropped lens would store a wrong one)."""

    scene: Scene
    pose: Pose = STRAIGHT_ABOVE
    lens: Lens = MAIN_CAMERA
    phone: Phone = PHONES["plain"]
    seed: int = 0
    exif: bool = True
    oversample: int = OVERSAMPLE

    @property
    def view(self) -> View:
        """The camera."""
        return View(self.pose, self.lens)


@dataclass(frozen=True)
class Simulated:
    """A photo and the truth about it.

    light: (height, width) float32, of a coloured surface (height, width, 3): linear, blurred by the lens, before noise.
    linear: (height, width, 3), what the sensor gave, demosaiced. rgb: 8-bit code values before compression.
    """

    shot: Shot
    light: Array
    linear: Array
    rgb: npt.NDArray[np.uint8]

    @cached_property
    def jpeg(self) -> bytes:
        """The file as the phone would store it."""
        focal35 = self.shot.lens.focal35 if self.shot.exif else None
        return encode_jpeg(self.rgb, self.shot.phone.jpeg or 100, focal35)

    @property
    def holes(self) -> tuple[HoleTruth, ...]:
        """The truth about every hole."""
        return hole_truths(self.shot.scene)

    def burred_openings(self) -> list[Polygon]:
        """The openings of the first part with the lips on their rims, part frame."""
        return burred(self.shot.scene.parts[0], _rng(self.shot.seed, SCENE))

    @property
    def camera(self) -> View:
        """The true camera."""
        return self.shot.view


def simulate(shot: Shot) -> Simulated:
    """Take the photo; the same shot gives the same photo, bit by bit."""
    coloured = isinstance(shot.scene.backdrop, Surface)
    planes = [render(shot.scene, shot.view, shot.phone.optics_px, _rng(shot.seed, SCENE), shot.oversample, channel)
              for channel in ((0, 1, 2) if coloured else (1,))]  # fmt: skip
    return _taken(shot, np.dstack(planes) if coloured else planes[0], shot.seed)


def taken_again(photo: Simulated, noise_seed: int) -> Simulated:
    """The same photo but for its noise, without rendering again."""
    return _taken(photo.shot, photo.light, noise_seed)


def _taken(shot: Shot, light: Array, noise_seed: int) -> Simulated:
    linear = shot.phone.expose(light, _rng(noise_seed, NOISE))
    return Simulated(shot, light, linear, shot.phone.develop(linear))


def _rng(seed: int, purpose: int) -> np.random.Generator:
    return np.random.default_rng([seed, purpose])
