"""Fasteners by the name a builder uses: nominal diameter, final drills, and the hole that is accepted for them.

The rule k·D takes D from here. A hole range counts against a hole only if a document states it (`confirmed`); where
none does, a guard of ours stands in, and a hole outside the guard is left to a hand measurement.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import NamedTuple

from holeinspect.errors import LengthError, TradeError
from holeinspect.trade.drills import drill
from holeinspect.trade.tables import Row, is_confirmed, rows
from holeinspect.units import MM_PER_INCH, to_mm

RIVET_DASH_MM = MM_PER_INCH / 32  # mm: the first dash number of a rivet counts 1/32 in
BOLT_SIZE_MM = MM_PER_INCH / 16  # mm: the number of an AN bolt counts 1/16 in
SAME_NOMINAL_MM = 0.0013  # mm: half the last digit of a four-place inch
# mm above the final drill; TM 10-5410-221-14/1 table 4-3 accepts at most 0.004 in above it (3/32 and 1/4 in)
GUARD_ABOVE_DRILL_MM = 0.004 * MM_PER_INCH
# ratio hole/shank: for M5 to M12 no wider than the medium series of ISO 273, for M3 and M4 tighter than it
GUARD_ABOVE_SHANK = 1.10

_KINDS = {
    "rivet": "rivet", "solid rivet": "rivet", "flush rivet": "rivet", "blind rivet": "blind rivet",
    "structural blind rivet": "structural blind rivet", "pull rivet": "pull rivet",
    "countersunk pull rivet": "countersunk pull rivet", "bolt": "bolt", "screw": "screw",
}  # fmt: skip
_EXAMPLES = '"1/8 rivet", "3/16 bolt", "#10 screw", "AN3", "AN470AD4", "M5", or the shank diameter, such as 4.8 mm'


@dataclass(frozen=True, slots=True)
class HoleRange:
    """Hole diameters from low_mm to high_mm; `confirmed` says whether a document states them."""

    low_mm: float
    high_mm: float
    source: str
    confirmed: bool


@dataclass(frozen=True, slots=True)
class FinalDrill:
    """A final drill named for a fastener by one source."""

    label: str
    diameter_mm: float
    source: str
    confirmed: bool


@dataclass(frozen=True, slots=True)
class Fastener:
    """A fastener; diameter_mm is its nominal shank diameter, the D of the edge and pitch rules."""

    name: str
    kind: str
    diameter_mm: float
    drills: tuple[FinalDrill, ...]
    hole_range: HoleRange
    note: str

    @property
    def final_hole_mm(self) -> float | None:
        """Diameter of the first confirmed final drill, None where no source seen names one."""
        return next((drill.diameter_mm for drill in self.drills if drill.confirmed), None)


class _Named(NamedTuple):
    """What a name says: the kind, the size as the table writes it or "", and the diameter in mm or None."""

    kind: str
    size: str
    diameter_mm: float | None


def fastener(name: str) -> Fastener:
    """The fastener called `1/8 rivet`, `AN470AD4`, `AN3`, `3/16 bolt`, `M5`, `#10 screw` or by its shank, `4.8 mm`.

    Raises TradeError for a name that says no diameter and is in no table.
    """
    named = _read(" ".join(name.split()))
    if named is None:
        raise TradeError(f"{name!r} is no fastener in the tables. Write {_EXAMPLES}.")
    found = [row for row in rows("fasteners") if row["kind"] == named.kind and _is_same(row, named)]
    if found:
        return _from_rows(name, found)
    if named.diameter_mm is None:
        raise TradeError(f"{name!r} is in no fastener table. Give its shank diameter instead, such as 4.8 mm.")
    return Fastener(name, named.kind, named.diameter_mm, (), clearance_guard(named.diameter_mm), "")


def fastener_names() -> tuple[str, ...]:
    """Every fastener of the tables by a name that `fastener` reads, in the tables' order, each once."""
    named = (row["size"] if row["kind"].endswith("bolt") else f"{row['size']} {row['kind']}" for row in rows("fasteners"))
    return tuple(dict.fromkeys(named))


def clearance_guard(shank_mm: float) -> HoleRange:
    """Unconfirmed range for a shank of which nothing else is known: it must go in, and not rattle."""
    source = f"our guard: from the shank diameter to {GUARD_ABOVE_SHANK:.2f} times it, inside ISO 273 medium"
    return HoleRange(shank_mm, GUARD_ABOVE_SHANK * shank_mm, source, confirmed=False)


def _read(text: str) -> _Named | None:
    rivet = re.fullmatch(r"(?:AN|MS20)(?:426|470)[A-Z]{1,2}([0-9]{1,2})(?:-[0-9]+(?:-[0-9]+)?)?", text, re.IGNORECASE)
    if rivet:
        return _Named("rivet", "", int(rivet[1]) * RIVET_DASH_MM)
    bolt = re.fullmatch(r"(AN([0-9]{1,2})|NAS6603)(?:-?[0-9]*A?)?(?: bolt)?", text, re.IGNORECASE)
    if bolt:
        return _Named("bolt", bolt[1].upper(), None)
    metric = re.fullmatch(r"(M[0-9]+(?:\.[0-9]+)?)(?: ?[x\u00d7] ?[0-9.]+)*(?: (?:bolt|screw))?", text, re.IGNORECASE)
    if metric:
        return _Named("metric bolt", metric[1].upper(), float(metric[1][1:]) or None)
    return _read_size_and_kind(text)


def _read_size_and_kind(text: str) -> _Named | None:
    kind = max((kind for kind in _KINDS if text.lower().endswith(f" {kind}")), key=len, default="")
    size = text[: len(text) - len(kind)].strip() if kind else text
    if re.fullmatch(r"#[0-9]+", size):
        return _Named(_KINDS.get(kind, ""), size, None)
    diameter_mm = _shank_mm(size)
    return _Named(_KINDS.get(kind, "shank"), "", diameter_mm) if diameter_mm else None


def _shank_mm(size: str) -> float | None:
    """The diameter of `1/8`, `1/8"` or `4.8 mm`; None for what is no length above zero."""
    try:
        return to_mm(f'{size}"' if re.fullmatch(r"[0-9]+/[0-9]+", size) else size) or None
    except LengthError:
        return None


def _is_same(row: Row, named: _Named) -> bool:
    if named.size:
        return row["size"] == named.size
    names_mm = [_nominal_mm(row)]
    if "/" in row["size"]:  # a size sold as 1/8 in whose source gives millimetres
        names_mm.append(to_mm(f'{row["size"]}"'))
    if row["size"].startswith("NAS"):  # found by its own name only
        return False
    return named.diameter_mm is not None and any(abs(mm - named.diameter_mm) < SAME_NOMINAL_MM for mm in names_mm)


def _from_rows(name: str, found: list[Row]) -> Fastener:
    diameter_mm = _nominal_mm(found[0])
    named = [_final_drill(row) for row in found if row["final_drill"]]
    final_drills = tuple(sorted(named, key=lambda drill: not drill.confirmed))
    notes = dict.fromkeys(row["note"] for row in found if row["note"])
    hole_range = _stated_range(found, diameter_mm) or _guard(found, final_drills, diameter_mm)
    return Fastener(name, found[0]["kind"], diameter_mm, final_drills, hole_range, "; ".join(notes))


def _stated_range(found: list[Row], diameter_mm: float) -> HoleRange | None:
    for row in found:
        if is_confirmed(row) and row["limits_decide"] in ("both", "high"):
            # A closer hole than a clearance range asks for is no fault as long as the shank goes in.
            low_mm = _mm(row, "hole_low") if row["limits_decide"] == "both" else diameter_mm
            return HoleRange(low_mm, _mm(row, "hole_high"), row["source"], confirmed=True)
    return None


def _guard(found: list[Row], final_drills: tuple[FinalDrill, ...], diameter_mm: float) -> HoleRange:
    """Unconfirmed range: from an unconfirmed row, else the final drills (confirmed ones if any), else the shank."""
    for row in found:
        if row["hole_high"]:
            return HoleRange(_mm(row, "hole_low"), _mm(row, "hole_high"), row["source"], confirmed=False)
    trusted = [drill for drill in final_drills if drill.confirmed] or list(final_drills)
    if not trusted:
        return clearance_guard(diameter_mm)
    sizes_mm = [drill.diameter_mm for drill in trusted]
    # Half-way up to the final drill: a hole still at its pilot size, the shank's own fraction, stays outside.
    low_mm = (diameter_mm + min(sizes_mm)) / 2
    labels = " or ".join(dict.fromkeys(drill.label for drill in trusted))
    source = f"our guard about the final drill {labels} ({trusted[0].source})"
    return HoleRange(low_mm, max(sizes_mm) + GUARD_ABOVE_DRILL_MM, source, confirmed=False)


def _final_drill(row: Row) -> FinalDrill:
    size = drill(row["final_drill"])
    return FinalDrill(size.label, size.diameter_mm, row["source"], is_confirmed(row))


def _nominal_mm(row: Row) -> float:
    return _mm(row, "nominal")


def _mm(row: Row, column: str) -> float:
    return float(row[column]) * (MM_PER_INCH if row["unit"] == "in" else 1.0)
