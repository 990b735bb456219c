"""The code of a piece: what its label's QR code holds."""

from __future__ import annotations

import secrets

CODE_LETTERS = 10
ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
"""Crockford's base 32: no I, L, O or U, which a reader takes for something else. Ten letters are 50 bits."""
PREFIX = "HI:"
"""What a label's code begins with, so that any other code on the table is passed over."""


def new_code() -> str:
    """A code that cannot be guessed."""
    return "".join(secrets.choice(ALPHABET) for _ in range(CODE_LETTERS))


def label_text(code: str) -> str:
    """What the QR code of a piece's label holds. Capitals and digits only: the smallest code, with the largest squares."""
    return f"{PREFIX}{code}"


def code_of(text: str) -> str | None:
    """The piece's code that a QR code holds; None for any other QR code."""
    code = text.removeprefix(PREFIX)
    ours = text.startswith(PREFIX) and len(code) == CODE_LETTERS and set(code) <= set(ALPHABET)
    return code if ours else None
