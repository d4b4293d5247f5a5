"""Which button of the counter page was pressed, and what it does to the page."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from app.ledger.quoting.key_lines import line_named
from app.ledger.tables import LineKind
from app.pricing import KeyingKind
from app.web.counter.typed import FIT_BOXES, MOST_POSTED, TypedLine, TypedPage

_NAMES = ("choose", "add", "remove", "duplicate", "action", "mend", "put", "face")
_STAYS = (
    *("quantity", "keying", "set_size", "master", "keys_each", "need_by", "remark", "replaces", "replaces_finish"),
    *FIT_BOXES,
)
_KEYED = (LineKind.CYLINDER, LineKind.REKEY, LineKind.PART)


@dataclass(frozen=True, slots=True)
class Press:
    """A button's name and value; both empty when nobody pressed any and the page only follows what is typed.

    choose: a customer's id, `new`, or `none`. add: a kind of line. remove, duplicate: a line's key.
    mend: a question's code; what it adds hangs on prices, so app/web/counter/guard.py does that.
    put: key, maker's code and part number, with a colon between; face: key and the customer's answer.
    """

    name: str = ""
    value: str = ""

    @property
    def key(self) -> int:
        """The line that is meant; -1, which no line has, for nonsense."""
        said = self.value.partition(":")[0]
        is_key = said.isdecimal() and said.isascii() and len(said) < 6
        return int(said) if is_key else -1

    @property
    def rest(self) -> str:
        """What follows the line's key."""
        return self.value.partition(":")[2]


def press_of(items: Iterable[tuple[str, str]]) -> Press:
    """The button among a posted form's pairs."""
    return next((Press(name, value) for name, value in items if name in _NAMES), Press())


def apply(page: TypedPage, press: Press) -> tuple[TypedPage, str]:
    """The page after the press, and what gets the focus: a line's id, `add`, `customer`, `find`, or nothing."""
    if press.name == "choose":
        return _choose(page, press.value)
    if press.name == "add" and press.value in set(LineKind) and len(page.lines) < MOST_POSTED:
        line = _new_line(page, LineKind(press.value))
        return page.with_line(line), f"line-{line.key}"
    if press.name == "duplicate" and (source := page.line(press.key)) and len(page.lines) < MOST_POSTED:
        copy = replace(source, key=page.next_key)
        return _followed(page, page.with_line(copy, after=source.key)), f"line-{copy.key}"
    if press.name == "remove":
        return _followed(page, page.without_line(press.key)), "add"
    if press.name == "put" and (source := page.line(press.key)):
        maker, _, number = press.rest.partition(":")
        return page.with_changed(put_on(source, maker, number)), f"line-{source.key}"
    if press.name == "face" and (source := page.line(press.key)):
        return page.with_changed(replace(source, face_answer=press.rest[:20])), ""
    return page, ""


def _followed(before: TypedPage, after: TypedPage) -> TypedPage:
    """The page with its lines of keys still to the lines that they named, under those lines' numbers of now."""
    now = {line.key: place for place, line in enumerate(after.lines, start=1)}
    moved = {
        place: f"line {now[line.key]}" if line.key in now else "" for place, line in enumerate(before.lines, start=1)
    }
    lines = []
    for line in after.lines:
        number = line_named(line.symbol)
        lines.append(line if number is None or number not in moved else replace(line, symbol=moved[number]))
    return replace(after, lines=tuple(lines))


def put_on(line: TypedLine, maker: str, number: str) -> TypedLine:
    """The line with a catalogue item put on it by part number; quantity, keying and the old cylinder stay."""
    return replace(
        TypedLine(line.key, LineKind.PART.value),
        **{name: getattr(line, name) for name in _STAYS},
        maker=maker[:24],
        part_number=number[:80],
    )


def _choose(page: TypedPage, who: str) -> tuple[TypedPage, str]:
    # One customer's system stays typed until another is chosen: the page says whose it is, and waits. A new one is
    # asked for anew, since the next customer may have systems.
    page = replace(page, system_id="" if page.system_id == "new" else page.system_id)
    if who == "new":
        typed = page.find
        is_phone = sum(letter.isdecimal() for letter in typed) >= 3 and not any(map(str.isalpha, typed))
        page = replace(page, customer_id="", site_id="", is_new_customer="1", find="")
        if is_phone and not page.customer_phone:
            return replace(page, customer_phone=typed), "customer"
        return replace(page, customer_name=page.customer_name or typed), "add" if typed else "customer"
    if who == "none":
        return replace(page, customer_id="", site_id="", is_new_customer=""), "find"
    return replace(page, customer_id=who[:9], is_new_customer="", site_id="", find=""), "add"


def _new_line(page: TypedPage, kind: LineKind) -> TypedLine:
    """A blank line that goes on where the last one of its kind left off: its maker, its type, its keying."""
    usual = KeyingKind.KD.value if kind is LineKind.CYLINDER else ""
    line = TypedLine(page.next_key, kind.value, keying=usual)
    before = next((each for each in reversed(page.lines) if each.sort is kind), None)
    if before is None or kind not in _KEYED:
        return line
    return replace(line, maker=before.maker, keying=before.keying, master=before.master)
