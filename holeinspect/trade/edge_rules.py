"""Edge distance and pitch rules: how many fastener diameters D a hole needs (AC 43.13-1B and others)."""

from __future__ import annotations

import math
from dataclasses import dataclass

from holeinspect.errors import TradeError
from holeinspect.trade.tables import Row, is_confirmed, rows

DEFAULT_EDGE_RULE = "ED01"  # row of edge_rules.csv: 2 D, AC 43.13-1B 4-57
DEFAULT_PITCH_RULE = "PI01"  # row of edge_rules.csv: 3 D, AC 43.13-1B 4-57
RULE_NOTE = "unless the drawing says otherwise"


@dataclass(frozen=True, slots=True)
class EdgeRule:
    """A distance of at least k·D, D being the fastener's nominal diameter."""

    k: float
    source: str
    note: str = RULE_NOTE

    def __post_init__(self) -> None:
        if not math.isfinite(self.k) or self.k <= 0:
            raise TradeError(f"A rule of {self.k!r} diameters is none. Give a factor above zero, such as 2.0.")


def edge_rule(k: float | None = None) -> EdgeRule:
    """Centre of the hole to the nearest edge: 2 D (AC 43.13-1B 4-57), or the user's k."""
    return _rule(k, DEFAULT_EDGE_RULE)


def pitch_rule(k: float | None = None) -> EdgeRule:
    """Centre to centre: 3 D (AC 43.13-1B 4-57), or the user's k."""
    return _rule(k, DEFAULT_PITCH_RULE)


def rule_from_table(rule_id: str) -> EdgeRule:
    """The rule of a row of edge_rules.csv; only a confirmed minimum in diameters is one.

    Raises TradeError for an unknown row, an unconfirmed one, and one that is no minimum in D.
    """
    row = next((row for row in rows("edge_rules") if row["rule_id"] == rule_id), None)
    if row is None or not _is_minimum_in_diameters(row):
        raise TradeError(f"{rule_id!r} is no least distance in diameters. Name a row such as {DEFAULT_EDGE_RULE}.")
    if not is_confirmed(row):
        raise TradeError(f"Rule {rule_id} ({row['source']}) is not confirmed. Give its factor yourself if it applies.")
    return EdgeRule(float(row["value"]), f"{row['source']}, {row['paragraph']}".rstrip(", "))


def _rule(k: float | None, default: str) -> EdgeRule:
    return rule_from_table(default) if k is None else EdgeRule(k, "as given by the user")


def _is_minimum_in_diameters(row: Row) -> bool:
    return row["operator"] == ">=" and row["unit"] == "D"
