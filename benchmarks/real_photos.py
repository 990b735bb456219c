"""Figures from real photographs with known sizes, which are not part of this project.

    HOLEINSPECT_PHOTOS=folder python benchmarks/real_photos.py [--write docs/accuracy.md]

Looked for in $HOLEINSPECT_PHOTOS, or in shared/photos beside the checkout.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))  # run as a script, it needs the tables beside it

import numpy as np
import typer

from benchmarks.tables import Table, show, write
from holeinspect.errors import HoleinspectError
from holeinspect.find import DarkOpening, find_dark_openings
from holeinspect.inspection import Inspection, Part
from holeinspect.measure.inspect import inspect
from holeinspect.measured import Array
from holeinspect.photo import open_photo
from holeinspect.scale.find import Scale, find_scale
from holeinspect.scale.references import reference_of
from holeinspect.scale.targets import ChessboardReference, Reference, Target, find_target
from holeinspect.setup import Setup
from holeinspect.trade.reference_objects import known_object

VARIABLE = "HOLEINSPECT_PHOTOS"
BESIDE = Path(__file__).resolve().parent.parent.parent / "shared" / "photos"
UNKNOWN_SQUARE_MM = 25.0
"""Side taken for squares of unstated size: focal length and distortion do not depend on it."""
CENTRE_PX, DIAMETER_PX = 6.0, 10.0
"""Uncertainty of the hand-made labels of holes, as stated with them."""


def folder() -> Path | None:
    """Where the photographs are, None if they are not here."""
    place = Path(os.environ.get(VARIABLE, BESIDE))
    return place if (place / "truth.json").exists() else None


def truths(place: Path) -> dict[str, dict[str, Any]]:
    """What is known of each photograph, by its id."""
    known: dict[str, Any] = json.loads((place / "truth.json").read_text(encoding="utf-8"))
    return {image["id"]: image for image in known["images"]}


def robustness(place: Path) -> list[dict[str, Any]]:
    """Files that must be opened or refused, each with what is expected."""
    known: list[dict[str, Any]] = json.loads((place / "truth.json").read_text(encoding="utf-8"))["robustness"]
    return known


def board_of(truth: dict[str, Any]) -> ChessboardReference:
    """The chessboard in a photograph."""
    board = truth["reference"]
    return ChessboardReference(tuple(board["inner_corners"]), board["square_mm"] or UNKNOWN_SQUARE_MM)


def lens_of(place: Path, truth: dict[str, Any]) -> Scale:
    """Lens and pose from this photograph alone."""
    photo, board = open_photo(place / truth["file"]), board_of(truth)
    return find_scale(photo, board, find_target(photo.luma, board, photo.name))


@dataclass(frozen=True, slots=True)
class HeldOut:
    """Distances (mm) of neighbouring corners that the fit never saw, and lengths between stated points."""

    spacing_mm: Array
    lengths_mm: tuple[float, ...]


def held_out(place: Path, truth: dict[str, Any]) -> HeldOut:
    """Fit to every second row and the two outer columns of a chessboard; measure the corners on none of them."""
    photo, board = open_photo(place / truth["file"]), board_of(truth)
    target = find_target(photo.luma, board, photo.name)
    scale = find_scale(photo, board, _every_second_row(target, board))
    columns, rows = board.corners
    corners = scale.camera.to_plane(target.points_px, 0.0).reshape(rows, columns, 2)[1::2, 1:-1]
    spacing = np.hypot(*np.moveaxis(np.diff(corners, axis=1), -1, 0)).ravel()
    ends = [scale.camera.to_plane(np.array(length["endpoints_px"]), 0.0)
            for length in truth["truths"] if length["kind"] == "length"]  # fmt: skip
    return HeldOut(spacing, tuple(float(np.hypot(*(last - first))) for first, last in ends))


def _every_second_row(target: Target, board: ChessboardReference) -> Target:
    """The target with the boundaries along rows 0, 2, 4 and along the first and last column only."""
    sides, (columns, rows) = target.sides, board.corners
    from_first = np.rint((rows - 1) / 2 - sides.start_mm[:, 1] / board.square_mm)
    along_row = np.isclose(sides.start_mm[:, 1], sides.end_mm[:, 1])
    outer = np.isclose(np.abs(sides.start_mm[:, 0]), (columns - 1) / 2 * board.square_mm)
    kept = np.where(along_row, from_first % 2 == 0, outer)
    chosen = replace(sides, start_mm=sides.start_mm[kept], end_mm=sides.end_mm[kept], to_black=sides.to_black[kept],
                     margin_mm=sides.margin_mm[kept])  # fmt: skip
    return replace(target, sides=chosen)


def dark_openings(place: Path, truth: dict[str, Any]) -> list[DarkOpening]:
    """Holes found in a board without scale."""
    return find_dark_openings(open_photo(place / truth["file"]).luma)


def is_label(opening: DarkOpening, label: dict[str, Any]) -> bool:
    """Whether an opening is where a label says, and as wide, within the label's own uncertainty."""
    off = float(np.hypot(*np.subtract(opening.centre_px, label["centre_px"])))
    return off <= CENTRE_PX and abs(opening.diameter_px - label["diameter_px"]) <= DIAMETER_PX


def lens_table(place: Path, known: dict[str, dict[str, Any]]) -> Table:
    """Focal length and k1 from single photographs against the stated intrinsics."""
    rows = []
    for name, truth in known.items():
        if truth["class"] == "E":
            rows.append(_lens_row(place, name, truth))
    columns = ("photo", "f px", "u", "stated f", "off", "k1", "u", "stated k1", "off", "edges' RMS px")
    return Table("Lens from one photograph of a chessboard against stated intrinsics (off: in stated u)", columns, rows)


def _lens_row(place: Path, name: str, truth: dict[str, Any]) -> tuple[str, ...]:
    try:
        scale = lens_of(place, truth)
    except HoleinspectError as error:
        return (name, f"refused: {error}", *[""] * 8)
    f, k1 = float(scale.camera.K[0, 0]), float(scale.camera.distortion[0])
    relative_u, _, _, k1_u = np.sqrt(np.diag(scale.covariance))[:4]
    right_f, right_k1 = truth["intrinsics"]["K"][0][0], truth["intrinsics"]["dist_k1k2p1p2k3"][0]
    f_u = f * relative_u
    return (name, f"{f:.1f}", f"{f_u:.1f}", f"{right_f:.1f}", f"{(f - right_f) / f_u:+.1f}", f"{k1:.3f}", f"{k1_u:.3f}",
            f"{right_k1:.3f}", f"{(k1 - right_k1) / k1_u:+.1f}", f"{scale.residual_px:.3f}")  # fmt: skip


def length_table(place: Path, known: dict[str, dict[str, Any]]) -> Table:
    """Lengths on the one chessboard of stated size."""
    title, columns = "e07, fitted to rows 1, 3, 5, 7 and the outer columns (mm)", ("what", "mean off", "sd", "greatest")
    try:
        found = held_out(place, known["e07"])
    except HoleinspectError as error:
        return Table(title, columns, [(f"refused: {error}", "", "", "")])
    off = found.spacing_mm - known["e07"]["reference"]["square_mm"]
    rows = [(f"{len(off)} spacings of corners not used, 25 mm", f"{off.mean():+.4f}", f"{off.std(ddof=1):.4f}",
             f"{np.abs(off).max():.4f}")]  # fmt: skip
    lengths = [length for length in known["e07"]["truths"] if length["kind"] == "length"]
    for measured, length in zip(found.lengths_mm, lengths, strict=True):
        what = f"{length['object']}, {length['expected_mm']:g} mm"
        rows.append((what, f"{measured - length['expected_mm']:+.4f}", "", ""))
    return Table(title, columns, rows)


def hole_table(place: Path, known: dict[str, dict[str, Any]]) -> Table:
    """Holes in wood against hand-made labels, px."""
    rows = []
    for name in ("d02", "d05"):
        found = dark_openings(place, known[name])
        labels = known[name]["holes"]
        right = sum(any(is_label(opening, label) for opening in found) for label in labels)
        rows.append((name, str(len(labels)), str(right), str(len(found) - right)))
    return Table("Holes in wood by pixels", ("photo", "labelled", "found", "invented"), rows)


@dataclass(frozen=True, slots=True)
class RoundThing:
    """A round thing of stated size as measured; diameter_mm and U_mm None where it was not found or is no circle."""

    photo: str
    name: str
    stated_mm: float
    tolerance_mm: float
    diameter_mm: float | None = None
    U_mm: float | None = None

    @property
    def held(self) -> bool | None:
        """Whether value ± U reaches the stated size ± its tolerance (wear)."""
        if self.diameter_mm is None or self.U_mm is None:
            return None
        return abs(self.diameter_mm - self.stated_mm) <= float(np.hypot(self.U_mm, self.tolerance_mm))


def round_things(place: Path, name: str, truth: dict[str, Any]) -> list[RoundThing]:
    """The coins of a photograph, each with the thickness that its table gives, by the sheet or coin that is the reference."""
    photo = open_photo(place / truth["file"])
    reference, at_px = _reference_of(truth)
    thicknesses = {t["object"]: _thickness_mm(t["object"]) for t in truth["truths"]}
    inspected = {mm: inspect(photo, Setup(mm, reference=reference, reference_at=at_px)) for mm in set(thicknesses.values())}
    found = []
    for known in truth["truths"]:
        result = inspected[thicknesses[known["object"]]]
        part = _there(result, known["centre_px"])
        outside = part.outside_diameter if part else None
        read = (outside.value, 2 * outside.u) if outside else (None, None)
        found.append(RoundThing(name, known["object"], known["expected_mm"], known["tolerance_mm"], *read))
    return found


def _reference_of(truth: dict[str, Any]) -> tuple[Reference, tuple[float, float] | None]:
    """The sheet or coin that a photograph's truth names, and a point on the coin."""
    known = truth["reference"]
    if known["type"] != "coin":
        return reference_of(known["type"]), None
    x, y = known["centre_px"]
    return reference_of(known["object"]), (x, y)


def _thickness_mm(name: str) -> float:
    """Of a coin, by what truth.json calls it: `20 cent euro (...)`, `US dime`."""
    return known_object(name.split("(")[0].strip()).thickness_mm


def _there(result: Inspection, centre_px: Sequence[float]) -> Part | None:
    def off(part: Part) -> float:
        return float(np.hypot(*(np.mean(part.outline_px, axis=0) - centre_px)))

    nearest = min(result.parts, key=off, default=None)
    return nearest if nearest is not None and off(nearest) < SAME_THING_PX else None


SAME_THING_PX = 25.0


def coin_table(place: Path, known: dict[str, dict[str, Any]]) -> Table:
    """Coins by a sheet or by another coin."""
    rows = []
    for name, truth in known.items():
        if truth["class"] == "B":
            try:
                rows += [_coin_row(thing) for thing in round_things(place, name, truth)]
            except HoleinspectError as error:
                rows.append((name, f"refused: {error}", *[""] * 4))
    columns = ("photo", "coin", "stated mm", "measured ± U mm", "off", "held")
    return Table("Coins by a sheet of paper or by another coin (stated sizes: 0.1 mm for wear)", columns, rows)


def _coin_row(thing: RoundThing) -> tuple[str, ...]:
    what = (thing.photo, thing.name, f"{thing.stated_mm:.2f}")
    if thing.diameter_mm is None:
        return (*what, "not measured", "", "")
    off = f"{thing.diameter_mm - thing.stated_mm:+.2f}"
    return (*what, f"{thing.diameter_mm:.2f} ± {thing.U_mm:.2f}", off, "yes" if thing.held else "no")


def tables(place: Path) -> Sequence[Table]:
    """All figures of the photographs in a folder."""
    known = truths(place)
    return [coin_table(place, known), length_table(place, known), lens_table(place, known), hole_table(place, known)]


def main(
    write_to: Annotated[Path | None, typer.Option("--write", help="Write the tables into this page.")] = None,
) -> None:
    """Print what real photographs tell."""
    place = folder()
    if place is None:
        raise typer.BadParameter(f"No photographs with truth.json: set {VARIABLE} to their folder.")
    made = tables(place)
    show(made)
    if write_to is not None:
        write(write_to, "real photographs", "python benchmarks/real_photos.py", made)


if __name__ == "__main__":
    typer.run(main)
