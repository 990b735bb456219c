"""Every error that holeinspect raises for wrong input.

    HoleinspectError
    ├── LengthError      a length that cannot be read: "3.2 furlongs"
    ├── TradeError       a drill, fastener or rule that no table has
    ├── SetupError       settings that contradict each other
    ├── PhotoError       a file that is no photo, is cut off, or is too large
    ├── ScaleNotFound    no usable reference scale in the photo
    ├── PartNotFound     no part on the mat, or parts that cannot be told apart
    ├── NoMatch          two results that show no part in common
    └── RecordError      the records and the service that keeps them
        ├── NoSuchRecord     a part, piece or photo that is not in the records
        ├── RecordConflict   a change that would lose or contradict a record
        ├── QueueFull        more photos wait than the queue holds
        └── ServiceError     a data folder, database or port that cannot be used

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


class NoMatch(HoleinspectError):
    """Two results of which no part of the one is a part of the other."""


class RecordError(HoleinspectError):
    """Base of all errors about the records and the service that keeps them."""


class NoSuchRecord(RecordError, LookupError):
    """A part, piece, photo or correction that is not in the records."""


class RecordConflict(RecordError, ValueError):
    """A change that would lose a record, or contradict one."""


class QueueFull(RecordError):
    """More photos wait than the queue holds; retry_s: seconds after which to try again."""

    def __init__(self, sentence: str, retry_s: int) -> None:
        super().__init__(sentence)
        self.retry_s = retry_s


class ServiceError(RecordError):
    """A data folder, database or port that the service cannot use."""
