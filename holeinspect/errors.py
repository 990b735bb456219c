"""Every error that holeinspect raises for wrong input.

    HoleinspectError
    ├── LengthError      a length that cannot be read: "3.2 furlongs"
    ├── TradeError       a drill, fastener or rule that no table has
    ├── SetupError       settings that contradict each other
    ├── PhotoError       a file that is no photo, is cut off, or is too large
    ├── ScaleNotFound    no usable reference scale in the photo
    └── PartNotFound     no part on the mat, or parts that cannot be told apart

What a photo cannot decide is not an error: it is a result that says why.
Each message names the thing, the value, and the way out.
"""


class HoleinspectError(Exception):
    """Base of all errors about what the user gave; the message is a sentence meant for the user."""


class LengthError(HoleinspectError, ValueError):
    """A text or number that is no usable length."""


class TradeError(HoleinspectError, LookupError):
    """A drill size, fastener or rule that is in no table."""


class SetupError(HoleinspectError, ValueError):
    """Settings that cannot hold together."""


class PhotoError(HoleinspectError, ValueError):
    """A file that cannot be used as a photo."""


class ScaleNotFound(HoleinspectError):
    """No reference scale good enough to measure by."""


class PartNotFound(HoleinspectError):
    """No part to measure, or parts that touch."""
