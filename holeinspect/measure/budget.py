"""The uncertainty budget of a figure, after JCGM 100:2008: independent standard uncertainties, added in squares.

Each error source moves the measured points; a figure follows its points through the linear map of its fit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import SupportsFloat

import numpy as np

from holeinspect.edges.contours import Fitted
from holeinspect.measured import Array
from holeinspect.scale.find import Scale

FLATNESS_U_MM = 0.05
"""Standard uncertainty of the sheet's height under the part, taped down and with a ring that fits a flat sheet."""
LIGHT_U_PX = 0.08
"""Standard uncertainty of an edge's place from tone curve and sharpening, after the correction: RMS over the simulator's
phones, those outside the corrected family included (worst 0.16 px)."""
UNKNOWN_LIGHT_U_PX = 0.2
"""The same where the reference does not show the phone's tone: phones' usual curve and sharpening are undone instead."""
ENDS = 2
"""Stretches at either end of an edge that the corner may reach."""
PLAIN_MISFIT = 15.0
"""Misfit per stretch up to which the model of the light is taken as good."""
RAGGED_MM = 0.02
"""RMS deviation beyond which a contour is ragged: a burr stands off it on one side, and its clean line is a guess."""
ROUND_FORM_SHARE, EDGE_FORM_SHARE = 0.5, 1.0
"""How much of the RMS deviation of a rim or an edge from its shape may be an error common to all of it (seen on renders)."""
BREAK_U_SHARE = 0.1
"""Standard uncertainty of the place of a rim or edge, as a share of its visible break: light on a break is no even step (on
renders, readings of broken rims scatter by this beyond their other lines)."""
HIDDEN_BREAK_U_MM, HIDDEN_OUTER_BREAK_U_MM = 0.042, 0.05
"""Standard uncertainty of the place of a rim and of an outer edge from a dark break that looks like backdrop: usual breaks
are 0.1 mm or so, and outer edges get the larger ones (with half of this, a third of the dark breaks on renders was not
covered)."""


@dataclass(frozen=True, slots=True)
class Line:
    """One contribution: standard uncertainty `u` in the figure's unit, and what it is about."""

    name: str
    u: float
    note: str = ""


@dataclass(frozen=True, slots=True)
class Errors:
    """Error sources of one photo and plate, as moves of points in the mat plane.

    thickness_u_mm: of the plate as typed. face_u_mm: of the height of its lower face (0 lying on the mat).
    """

    scale: Scale
    thickness_u_mm: float

    def moves(self, points_mm: Array, z_mm: Array, upper: Array) -> dict[str, Array]:
        """By source: (E, N, 2) mm, how points (N, 2) at heights z_mm (N,) move for E independent errors of one u each.

        upper: (N,) share of the point that lies on the upper rim.
        """
        camera = self.scale.camera.centre
        toward_nadir = -(points_mm - camera[:2]) / (camera[2] - z_mm)[:, None]
        return {
            **self._camera_moves(points_mm, z_mm),
            "thickness": (toward_nadir * upper[:, None] * self.thickness_u_mm)[None],
            "flatness": (toward_nadir * FLATNESS_U_MM)[None],
            "scale": self._print_moves(points_mm),
        }

    def _camera_moves(self, points_mm: Array, z_mm: Array) -> dict[str, Array]:
        """What lens, pose and, with a reference that is no printed target, the reference's own height leave open."""
        plain = self.scale.plain
        if plain is None:
            return {"camera": self.scale.shifts(points_mm, z_mm)}
        lens, rest = self.scale.roots
        from_nadir = points_mm - self.scale.camera.centre[:2]
        return {
            "camera": self.scale.shifts(points_mm, z_mm, rest),
            "lens": self.scale.shifts(points_mm, z_mm, lens),
            "tilt": self.scale.tilts(points_mm, z_mm),
            "reference height": (from_nadir / self.scale.camera.centre[2] * plain.height_u_mm)[None],
        }

    def _print_moves(self, points_mm: Array) -> Array:
        """What the camera's adjustment cannot know of the print: its common scale, (1, N, 2)."""
        scale = self.scale.print_scale
        common = np.hypot(scale.u_kx, scale.u_ky) / 2 * np.sqrt(1 + scale.correlation)
        return np.asarray(points_mm * common)[None]


NOTES = {
    "camera": "lens, pose and height from the mat's edges",
    "lens": "distortion that the reference does not show",
    "tilt": "lean of the phone that the reference does not show",
    "reference height": "height at which the reference is seen",
    "thickness": "thickness as typed",
    "flatness": "height of the sheet under the part",
    "scale": "length of the print, or size of the reference",
    "edge noise": "noise, texture and the break of the edge in the fit",
    "form": "departure of the rim from its fitted form",
    "light": "tone curve and sharpening of the phone",
    "burr": "what stands off the rim of the hole, or off the edge",
    "edge break": "light on the break of the edge",
    "hidden break": "a dark broken edge that looks like backdrop",
}


def shape_errors(fitted: Fitted, errors: Errors, outer: bool = False) -> dict[str, Array]:
    """By source: (E, Q) changes of the fitted shape's parameters (mm) for one u of each error. outer: of an outer edge."""
    s = fitted.stretches
    solver = fitted.solver
    moves = errors.moves(s.points_mm, s.z_mm, s.upper)
    into = {name: -(move * s.out).sum(axis=-1) for name, move in moves.items()}
    sources = {name: move @ solver.T for name, move in into.items()}
    light = (LIGHT_U_PX if errors.scale.tone_seen else UNKNOWN_LIGHT_U_PX) / s.px_per_mm
    sources["light"] = (solver @ light)[None]
    hidden_mm = fitted.hidden_share * (HIDDEN_OUTER_BREAK_U_MM if outer else HIDDEN_BREAK_U_MM)
    break_mm = BREAK_U_SHARE * fitted.broken_share * fitted.break_mm
    sources["edge break"] = (solver @ np.full(len(s), break_mm))[None]
    sources["hidden break"] = (solver @ np.full(len(s), hidden_mm))[None]
    return sources


def form_u(fitted: Fitted, share: float = ROUND_FORM_SHARE, clean: bool = False) -> float:
    """Standard uncertainty of a rim's radius or an edge's offset from what the fit leaves over of its form, mm.

    clean: of what the fit agrees with alone, where it is known from elsewhere what stands off.
    """
    front = fitted.front
    deviation = front.deviation_mm[front.used] if clean else front.deviation_mm
    inner = deviation[ENDS:-ENDS] if len(deviation) > 4 * ENDS else deviation
    rms = float(np.sqrt(np.mean(inner**2)))
    ill = max(1.0, fitted.front.misfit / PLAIN_MISFIT)
    return float(share * rms * max(1.0, rms / RAGGED_MM) * np.sqrt(ill))


def combined(lines: tuple[Line, ...]) -> float:
    """Standard uncertainty of independent contributions (JCGM 100:2008, 5.1.2)."""
    return float(np.sqrt(sum(line.u**2 for line in lines)))


def line(name: str, u: SupportsFloat) -> Line:
    """A line with its standing note."""
    return Line(name, float(u), NOTES[name])
