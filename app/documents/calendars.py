"""Appointments as a calendar file (.ics) by RFC 5545, which phones and mail programs take in.

Times are the clock's at the site, without a zone: nine o'clock stays nine o'clock. The same UID with a higher
SEQUENCE moves an entry; STATUS:CANCELLED takes it away.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

_MOST_OCTETS = 75
_ESCAPED = str.maketrans({"\\": "\\\\", ";": "\\;", ",": "\\,", "\n": "\\n"})


@dataclass(frozen=True, slots=True)
class CalendarEntry:
    """One appointment. starts and ends: moments by the clock at the site, or the first and the last whole day."""

    uid: str
    starts: date | datetime
    ends: date | datetime
    summary: str
    place: str = ""
    note: str = ""
    sequence: int = 0
    is_canceled: bool = False


def calendar_file(entries: Iterable[CalendarEntry], now: datetime) -> bytes:
    """The file, as of `now`."""
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Bittern//Appointments//EN"]
    for entry in entries:
        lines += _event(entry, now)
    return "".join(f"{fold(line)}\r\n" for line in (*lines, "END:VCALENDAR")).encode()


def _event(entry: CalendarEntry, now: datetime) -> Iterator[str]:
    yield "BEGIN:VEVENT"
    yield f"UID:{escape(entry.uid)}"
    yield f"DTSTAMP:{now.astimezone(UTC):%Y%m%dT%H%M%SZ}"
    yield f"SEQUENCE:{entry.sequence}"
    if isinstance(entry.starts, datetime):
        yield f"DTSTART:{entry.starts:%Y%m%dT%H%M%S}"
        yield f"DTEND:{entry.ends:%Y%m%dT%H%M%S}"
    else:
        yield f"DTSTART;VALUE=DATE:{entry.starts:%Y%m%d}"
        if entry.ends > entry.starts:  # a day without an end lasts one day; an end is the day after the last
            yield f"DTEND;VALUE=DATE:{entry.ends + timedelta(days=1):%Y%m%d}"
    yield f"SUMMARY:{escape(entry.summary)}"
    for name, text in (("LOCATION", entry.place), ("DESCRIPTION", entry.note)):
        if text:
            yield f"{name}:{escape(text)}"
    yield f"STATUS:{'CANCELLED' if entry.is_canceled else 'CONFIRMED'}"
    yield "END:VEVENT"


def escape(text: str) -> str:
    r"""A text as a value of the file: on one line, without what would end or part it.

    >>> escape("Hall A; ring first, then come\nA\\B: 9:00")
    'Hall A\\; ring first\\, then come\\nA\\\\B: 9:00'
    """
    lines = "\n".join(text.splitlines())
    return "".join(one for one in lines if one == "\n" or one.isprintable()).translate(_ESCAPED)


def fold(line: str) -> str:
    """The line in pieces of at most 75 octets, each further one behind a line's end and a blank; no character is cut.

    >>> [len(piece.encode()) for piece in fold("DESCRIPTION:" + "é" * 60).split("\\r\\n")]
    [74, 59]
    """
    pieces, octets = [""], 0
    for letter in line:
        size = len(letter.encode())
        if octets + size > _MOST_OCTETS:
            pieces.append(" ")
            octets = 1
        pieces[-1] += letter
        octets += size
    return "\r\n".join(pieces)
