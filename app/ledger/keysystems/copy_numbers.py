"""Copy numbers of keys, and what is stamped on a key, as people type and read them."""

import re
from collections.abc import Sequence

from app.ledger.store.errors import LedgerError

MOST_AT_ONCE = 200
MOST_COPY = 1_000_000
_STAMP = re.compile(r"(\S[\S ]{0,24}?)(?:\s*[-–/#]\s*|\s+(?:copy\s+|no\.?\s*|#\s*)?)([0-9]{1,7})", re.IGNORECASE)
_PART = re.compile(r"([0-9]{1,7})(?:\s*[-–]\s*([0-9]{1,7}))?")


def read_copies(text: str) -> tuple[int, ...]:
    """Copy numbers as typed, each once, ascending; LedgerError on `copies` says what is wrong.

    >>> read_copies("4, 1-3")
    (1, 2, 3, 4)
    """
    wrong = LedgerError("copies", "Write copy numbers as they are stamped, such as 3 or 1-4 or 1, 3.")
    parts = [part for part in re.split(r"[,;]", text[:2000]) if part.strip()]
    if not parts or len(text) > 2000:
        raise wrong
    found: set[int] = set()
    for part in parts:
        match = _PART.fullmatch(part.strip())
        if match is None:
            raise wrong
        first, last = int(match[1]), int(match[2] or match[1])
        if not 1 <= first <= last <= MOST_COPY:
            raise wrong
        if last - first >= MOST_AT_ONCE:
            raise LedgerError("copies", f"At most {MOST_AT_ONCE} keys at once.")
        found.update(range(first, last + 1))
    if len(found) > MOST_AT_ONCE:
        raise LedgerError("copies", f"At most {MOST_AT_ONCE} keys at once.")
    return tuple(sorted(found))


def say_copies(copies: Sequence[int]) -> str:
    """Copy numbers in words.

    >>> say_copies([1, 2, 3, 5])
    'copies 1-3, 5'
    """
    runs: list[list[int]] = []
    for copy in sorted(copies):
        if runs and copy == runs[-1][-1] + 1:
            runs[-1].append(copy)
        else:
            runs.append([copy])
    said = ", ".join(f"{run[0]}-{run[-1]}" if len(run) > 1 else str(run[0]) for run in runs)
    return f"{'copy' if len(copies) == 1 else 'copies'} {said}"


def read_stamp(text: str) -> tuple[str, int] | None:
    """A symbol or blind code, in capitals without blanks, and the copy number behind it; None for anything else.

    "1042-2" is a quote, and no key of a keyset with a number for a symbol.

    >>> read_stamp("aa1-3"), read_stamp("AA 1 copy 3"), read_stamp("1042-2"), read_stamp("AA1")
    (('AA1', 3), ('AA1', 3), None, None)
    """
    found = _STAMP.fullmatch(text.strip())
    if found is None or not any(sign.isalpha() for sign in found[1]):
        return None
    return found[1].replace(" ", "").upper(), int(found[2])
