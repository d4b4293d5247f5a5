"""Refusals of the keying room; no message ever holds a depth of somebody's key."""

from app.errors import BitternError
from app.validation import read_whole


class KeyingError(BitternError):
    """A refusal by the keying room: the field that caused it and what to do."""


class NoBittingsLeft(KeyingError):
    """More bittings were asked for than are left; carries `asked` and `left` as whole numbers."""

    def __init__(self, field: str, message: str, *, asked: int = 1, left: int = 0) -> None:
        super().__init__(field, message)
        self.asked = asked
        self.left = left


def check_whole(value: object, field: str, low: int, high: int) -> None:
    """Refuse a value for `field` that is no whole number from `low` to `high`."""
    try:
        read_whole(value, low, high)
    except BitternError as error:
        raise KeyingError(field, error.message) from error
