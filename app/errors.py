"""The one hierarchy of errors that a person can act on.

Every room raises these (or a subclass of its own); `web` shows the sentence beside the named field, the
commands print it as JSON.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with what somebody gave us: where it is and what to do about it.

    item_id: of the item that has to get a price first, where that is it.
    """

    field: str
    message: str
    item_id: int | None = None


class BitternError(Exception):
    """A refusal with the field that caused it and a sentence that says what to do; `problems` has all of them.

    >>> raise BitternError("keys", "Enter a whole number of keys, 0 or more.")
    Traceback (most recent call last):
    ...
    app.errors.BitternError: keys: Enter a whole number of keys, 0 or more.
    """

    def __init__(self, field: str, message: str) -> None:
        super().__init__(f"{field}: {message}" if field else message)
        self.field = field
        self.message = message
        self.problems: tuple[Problem, ...] = (Problem(field, message),)


class Problems(BitternError):
    """Several refusals at once, for readers of files and long forms: all of them, not the first."""

    def __init__(self, problems: list[Problem] | tuple[Problem, ...]) -> None:
        first = problems[0]
        super().__init__(first.field, first.message)
        self.problems = tuple(problems)
