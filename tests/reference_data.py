"""The reference tables of tests/data, read."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from holeinspect.measured import Array

FOLDER = Path(__file__).parent / "data"
MM_PER_INCH = 25.4


def _rows(name: str) -> list[dict[str, str]]:
    with (FOLDER / name).open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


def circle_set(name: str) -> Array:
    """Points (N, 2) of one published circle fit, in its units."""
    return np.array([[float(row["x"]), float(row["y"])] for row in _rows("circle_sets.csv") if row["set"] == name])


@dataclass(frozen=True)
class ZhangView:
    """One view of Zhang's plane with the published pose: R (3, 3), t (3,) inch, and its RMS reprojection in px.

    The RMS is the root of the mean squared distance, worked out from the published camera; not printed in the paper.
    """

    number: int
    R: Array
    t_inch: Array
    rms_px: float

    @property
    def points_inch(self) -> Array:
        """(256, 2), x right, y down."""
        return np.array([[float(row["model_x_in"]), float(row["model_y_in"])] for row in _rows("zhang2000_points.csv")])

    @property
    def points_px(self) -> Array:
        """(256, 2)."""
        keys = [f"view{self.number}_{axis}_px" for axis in "uv"]
        return np.array([[float(row[key]) for key in keys] for row in _rows("zhang2000_points.csv")])


def _view(number: int, rotation: str, translation: str, rms_px: float) -> ZhangView:
    R, t_inch = np.array(rotation.split(), float), np.array(translation.split(), float)
    return ZhangView(number, R.reshape(3, 3), t_inch, rms_px)


ZHANG_K = np.array([[832.5, 0.204494, 303.959], [0, 832.53, 206.585], [0, 0, 1]])
ZHANG_DISTORTION = np.array([-0.228601, 0.190353, 0.0, 0.0, 0.0])
"""Zhang's published result for all five views: pixels; k1, k2."""

ZHANG_VIEWS = (
    _view(1, "0.992759 -0.026319 0.117201 0.0139247 0.994339 0.105341 -0.11931 -0.102947 0.987505",
          "-3.84019 3.65164 12.791", 0.3474),
    _view(2, "0.997397 -0.00482564 0.0719419 0.0175608 0.983971 -0.17746 -0.0699324 0.178262 0.981495",
          "-3.71693 3.76928 13.1974", 0.2314),
    _view(3, "0.915213 -0.0356648 0.401389 -0.00807547 0.994252 0.106756 -0.402889 -0.100946 0.909665",
          "-2.94409 3.77653 14.2456", 0.5400),
    _view(4, "0.986617 -0.0175461 -0.16211 0.0337573 0.994634 0.0977953 0.159524 -0.101959 0.981915",
          "-3.40697 3.6362 12.4551", 0.2358),
    _view(5, "0.967585 -0.196899 -0.158144 0.191542 0.980281 -0.0485827 0.164592 0.0167167 0.98622",
          "-4.07238 3.21033 14.3441", 0.2110),
)  # fmt: skip
