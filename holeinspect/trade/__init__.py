"""Tables of the trade with their sources: drill sizes, fasteners, edge and pitch rules, and their look-ups."""

from holeinspect.trade.drills import DRILL_SETS, Drill, DrillSet, SizeMatch, drill, drills, nearest_sizes
from holeinspect.trade.edge_rules import EdgeRule, edge_rule, pitch_rule, rule_from_table
from holeinspect.trade.fasteners import Fastener, FinalDrill, HoleRange, clearance_guard, fastener, fastener_names

__all__ = [
    "DRILL_SETS", "Drill", "DrillSet", "EdgeRule", "Fastener", "FinalDrill", "HoleRange", "SizeMatch",
    "clearance_guard", "drill", "drills", "edge_rule", "fastener", "fastener_names", "nearest_sizes", "pitch_rule",
    "rule_from_table",
]  # fmt: skip
