"""Calendar files against RFC 5545 (iCalendar, IETF, September 2009), read as full text, and days against ISO 8601."""

import re
from datetime import UTC, date, datetime, timedelta, timezone

import pytest

from app.documents.calendars import CalendarEntry, calendar_file, escape, fold

NOW = datetime(2026, 3, 2, 16, 30, tzinfo=timezone(timedelta(hours=-5)))


def lines_of(*entries: CalendarEntry) -> list[str]:
    """The file's lines, unfolded: a break is a line's end and one blank, which goes with it (IC1, P, 3.1)."""
    return re.sub(r"\r\n[ \t]", "", calendar_file(entries, NOW).decode()).split("\r\n")


def test_a_long_line_is_folded() -> None:
    """IC1 (P, 3.1): lines end in CRLF and have at most 75 octets; a break is CRLF and one space or tab, never inside
    a UTF-8 character. The RFC's own example unfolds to its sentence; the long ones are ours (C).
    """
    folded = "DESCRIPTION:This is a lo\r\n ng description\r\n  that exists on a long line."
    assert re.sub(r"\r\n[ \t]", "", folded) == "DESCRIPTION:This is a long description that exists on a long line."
    for text in ("x" * 75, "x" * 76, "é" * 60, "🔑 " * 70, "x" * 1000):
        pieces = fold(text).split("\r\n")
        assert all(len(piece.encode()) <= 75 for piece in pieces)
        assert all(piece.startswith(" ") for piece in pieces[1:])
        assert pieces[0] + "".join(piece[1:] for piece in pieces[1:]) == text
    assert fold("x" * 75) == "x" * 75 and "\r\n" in fold("x" * 76)
    whole = calendar_file([CalendarEntry("a", NOW.date(), NOW.date(), "é" * 200)], NOW)
    assert whole.endswith(b"END:VCALENDAR\r\n") and b"\n" not in whole.replace(b"\r\n", b"")


def test_a_text_of_several_lines() -> None:
    """IC2 (P, 3.3.11): three lines become one; backslash, comma and semicolon are escaped, a colon is not."""
    said = escape("Project XYZ Final Review\nConference Room - 3B\nCome Prepared.")
    assert said == r"Project XYZ Final Review\nConference Room - 3B\nCome Prepared."
    assert escape("a\\b, c; d: e") == r"a\\b\, c\; d: e"


def test_whole_days() -> None:
    """IC3 (P, 3.6.1): 28 June to 8 July 2007, both included. IC4 (P): a day without an end lasts one day."""
    several = lines_of(CalendarEntry("a", date(2007, 6, 28), date(2007, 7, 8), "Festival"))
    assert "DTSTART;VALUE=DATE:20070628" in several and "DTEND;VALUE=DATE:20070709" in several
    one = lines_of(CalendarEntry("a", date(2007, 6, 28), date(2007, 6, 28), "Festival"))
    assert "DTSTART;VALUE=DATE:20070628" in one and not any(line.startswith("DTEND") for line in one)


def test_a_time_of_day() -> None:
    """IC5 (P, 3.3.5): 14 July 1997, 1:30 PM by the clock there is 19970714T133000. IC6 (P): a zone's offset, as in
    19980119T230000-0800, is no DATE-TIME. The stamp is in UTC: 16:30 five hours west of it is 21:30 (C).
    """
    starts = datetime(1997, 7, 14, 13, 30)
    lines = lines_of(CalendarEntry("a", starts, starts + timedelta(hours=1), "Cylinders"))
    assert "DTSTART:19970714T133000" in lines and "DTEND:19970714T143000" in lines
    assert f"DTSTAMP:{NOW.astimezone(UTC):%Y%m%d}T213000Z" in lines
    assert not any(re.search(r"[0-9]T[0-9]{6}[+-]", line) for line in lines)


@pytest.mark.parametrize("is_canceled", [False, True])
def test_what_is_needed_is_there_once(is_canceled: bool) -> None:
    """IC7 (P, 3.6, 3.6.1): PRODID and VERSION:2.0; UID, DTSTAMP and DTSTART; never DTEND with DURATION."""
    day = date(2026, 3, 4)
    lines = lines_of(CalendarEntry("a@b", day, day, "x", sequence=2, is_canceled=is_canceled))
    assert lines[0] == "BEGIN:VCALENDAR" and lines[-2:] == ["END:VCALENDAR", ""]
    names = [re.split("[;:]", line)[0] for line in lines]
    assert all(names.count(name) == 1 for name in ("PRODID", "VERSION", "UID", "DTSTAMP", "DTSTART", "SEQUENCE"))
    assert "VERSION:2.0" in lines and "UID:a@b" in lines and "DURATION" not in names
    assert ("STATUS:CANCELLED" in lines, "STATUS:CONFIRMED" in lines) == (is_canceled, not is_canceled)
