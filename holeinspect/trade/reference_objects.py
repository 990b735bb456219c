"""Objects of known size that nearly everyone has at hand: cards, sheets of paper, coins."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from typing import Literal, cast

from holeinspect.errors import TradeError
from holeinspect.trade.tables import rows

ObjectKind = Literal["card", "sheet", "coin"]
Outline = Literal["rectangle", "circle", "notched circle", "polygon"]

ALIASES = {
    "card": "ID-1 card", "id-1": "ID-1 card", "id1": "ID-1 card", "bank card": "ID-1 card", "passport": "ID-3 card",
    "tabloid": "11x17 sheet", "cent": "US cent", "penny": "US cent", "nickel": "US nickel", "dime": "US dime",
    "quarter": "US quarter", "half dollar": "US half dollar",
}  # fmt: skip
"""Everyday names; a penny of pounds sterling is "GBP 1p"."""


@dataclass(frozen=True, slots=True)
class KnownObject:
    """An object of known size: width and height (of a coin: its diameter twice), mm.

    tolerances: largest departures of an object in use from these, mm. corner_radius_mm: 0 where corners are square.
    """

    name: str
    kind: ObjectKind
    width_mm: float
    height_mm: float
    width_tolerance_mm: float
    height_tolerance_mm: float
    thickness_mm: float
    corner_radius_mm: float
    outline: Outline
    source: str
    note: str


@cache
def known_objects() -> tuple[KnownObject, ...]:
    """All objects of the table, in its order."""
    return tuple(
        KnownObject(
            name=row["name"],
            kind=cast(ObjectKind, row["kind"]),
            width_mm=float(row["width_mm"]),
            height_mm=float(row["height_mm"]),
            width_tolerance_mm=float(row["width_tolerance_mm"]),
            height_tolerance_mm=float(row["height_tolerance_mm"]),
            thickness_mm=float(row["thickness_mm"]),
            corner_radius_mm=float(row["corner_radius_mm"] or 0),
            outline=cast(Outline, row["outline"]),
            source=row["source"],
            note=row["note"],
        )
        for row in rows("reference_objects")
    )


def known_object(name: str) -> KnownObject:
    """The object of this name, whatever its case and spaces: `A4`, `ID-1 card`, `eur 0.50`, `quarter`, `2 euro`.

    Raises TradeError for a name that the table does not have.
    """
    found = _by_key().get(_key(name))
    if found is None:
        raise TradeError(
            f"{name!r} is no object of known size. `holeinspect references` lists them; for others give a size: "
            "rectangle with --size, disc with --diameter."
        )
    return found


@cache
def _by_key() -> dict[str, KnownObject]:
    keys: dict[str, KnownObject] = {}
    for thing in known_objects():
        keys[_key(thing.name)] = thing
        if thing.kind == "sheet":
            keys[_key(thing.name.removesuffix(" sheet"))] = thing
    return keys | {_key(alias): keys[_key(name)] for alias, name in ALIASES.items()}


def _key(name: str) -> str:
    """`2 Euro`, `EUR 2` and `eur 2.00` become one key; so do `50 cent euro` and `EUR 0.5`."""
    text = re.sub(r"[\s_]+", " ", name.strip().lower())
    euro_cents = re.fullmatch(r"([0-9]+) (?:euro ?cents?|cents? euro)", text)
    euros = re.fullmatch(r"(?:eur ([0-9]+(?:\.[0-9]+)?)|([0-9]+) euros?)", text)
    if euro_cents:
        return f"eur {float(euro_cents[1]) / 100:.2f}"
    if euros:
        return f"eur {float(euros[1] or euros[2]):.2f}"
    return text
