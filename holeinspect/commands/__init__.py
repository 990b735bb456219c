"""The commands beside `inspect`, a module each; `cli.py` registers them and tells their errors."""

GOOD, NOT_GOOD, ERROR, INTERRUPTED = 0, 1, 2, 130
"""Exit codes; 130 is what shells give for an interrupt."""
