"""The buttons of the counter page: what a press does to what is typed."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from app.keying import UPPER_LEVELS, SymbolLevel
from app.ledger.keysystems.system_queries import list_systems
from app.ledger.quoting.key_lines import control_named, line_named
from app.ledger.quoting.missing import facts_of, masters_counted, questions_about
from app.ledger.quoting.quick_line import LONGEST_QUICK_LINE, QuickReading, read_quick_line
from app.ledger.quoting.quoting import PricedQuote
from app.ledger.quoting.resolving import LONGEST_OLD_NUMBER
from app.ledger.sites.customers import is_phone
from app.ledger.store.work import Work
from app.ledger.tables import Level, LineKind
from app.pricing import KeyingKind, MendLine, MissingLineRule
from app.web.counter.choices import Choices
from app.web.counter.drafts import line_of_ask
from app.web.counter.forms import MOST_POSTED, CounterForm, KeyedLine, LineForm
from app.web.fitting.for_quote import read_lines
from app.web.forms_base import record_id

_NAMES = ("choose", "add", "remove", "duplicate", "action", "mend", "put", "goods", "face", "deliver")
_OF_KEY = ("key_keyway", "key_marks")
_STAYS = (
    *("quantity", "keying", "set_size", "master", "reserve", "alike_with", *_OF_KEY, "keys_each", "keys_in_all"),
    *("need_by", "remark", "replaces", "replaces_finish"),
)
_MENDED_BY = {
    MendLine.KEYS: LineKind.KEYS,
    MendLine.HARDWARE: LineKind.HARDWARE,
    MendLine.LABOR: LineKind.LABOR,
    MendLine.TRIP: LineKind.TRIP,
}
_MOST_SAID = 4  # lines that one button says it adds


@dataclass(frozen=True, slots=True)
class Press:
    """A button's name and value; both empty when nobody pressed any and the page only follows what is typed.

    choose: a customer's id, `new`, or `none`. add: a kind of line. remove, duplicate: a line's key. mend: a
    question's code. put: key, maker's code and part number, with a colon between; goods: key and the lines that an
    answer came to; face: key and the customer's answer.
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


def apply(form: CounterForm, press: Press) -> str:
    """Do to the page what was pressed; gives what gets the focus: a line's id, `add`, `customer`, `find`, or "".

    What mends a missing line hangs on prices: `mend` does that.
    """
    lines = form.lines
    has_room = len(lines.entries) < MOST_POSTED
    if press.name == "choose":
        return _choose(form, press.value)
    if press.name == "add" and press.value in set(LineKind) and has_room:
        return lines.add(_new_line(form, LineKind(press.value))).id
    if (line := lines.find(press.key)) is None:
        return "add" if press.name == "remove" else ""
    if press.name == "duplicate" and has_room:
        before = lines.forms
        copy = lines.add(line.texts(), after=line)
        _follow(before, lines.forms)
        return copy.id
    if press.name == "remove":
        before = lines.forms
        lines.remove(line)
        _follow(before, lines.forms)
        return "add"
    if press.name == "put":
        maker, _, number = press.rest.partition(":")
        stays = {name: text for name, text in line.texts().items() if name in _STAYS or name.startswith("fit_")}
        worn = line.text("part_number")
        if "?" in worn and not stays.get("replaces"):
            stays["replaces"] = worn[:LONGEST_OLD_NUMBER]  # what was read off the old cylinder stays with the line
        lines.put(line, {**stays, "kind": LineKind.PART, "maker": maker[:24], "part_number": number[:80]})
        return line.id if line.sort is LineKind.PART else "add"
    if press.name == "goods":
        return put_goods(form, read_lines(press.rest), line)
    if press.name == "face":
        line.say(face_answer=press.rest[:20])
        return f"{line.id.replace('line', 'lines')}-face_answer"
    return ""


def put_goods(form: CounterForm, lines: Sequence[dict[str, str]], line: LineForm | None = None) -> str:
    """Put the lines that an answer came to on the page; gives the first one's id, "" where there is no room.

    line: the one that asked, which the first takes the place of, and what was typed there stays; None: the last one
    where nothing was said there yet. The others follow it, of the same quantity.
    """
    if not lines or len(form.lines.entries) + len(lines) > MOST_POSTED:
        return ""
    if line is None and form.lines.forms and form.lines.forms[-1].is_blank:
        line = form.lines.forms[-1]
    first, *others = lines
    before = form.lines.forms
    if line is None:
        place = form.lines.add(first)
    else:
        typed = line.texts()
        stays = {name: text for name, text in typed.items() if name in _STAYS or name.startswith("fit_")}
        remarks = dict.fromkeys(filter(None, (typed.get("remark", ""), first.get("remark", ""))))
        form.lines.put(line, {**stays, **first, "remark": "; ".join(remarks)[:500]})
        place = form.lines.find(line.key) or line
    after = place
    for texts in others:
        own = {"quantity": place.text("quantity"), **texts}
        after = form.lines.add(own, after=after)
    if line is not None and others:
        _follow([place if each is line else each for each in before], form.lines.forms)
    return place.id


def _follow(before: list[LineForm], after: list[LineForm]) -> None:
    """What names another line stays with it, under its number of now."""
    for line in after:
        named = line_named(line.text("symbol"))
        if named is not None and 1 <= named <= len(before):
            there = before[named - 1]
            line.say(symbol=f"line {after.index(there) + 1}" if there in after else "")
        named = control_named(line.text("symbol"))
        if named is not None and 1 <= named <= len(before):
            there = before[named - 1]
            line.say(symbol=f"control line {after.index(there) + 1}" if there in after else "control")
        alike = line.text("alike_with")
        if alike.isdecimal() and 1 <= int(alike) <= len(before):
            there = before[int(alike) - 1]
            line.say(alike_with=str(after.index(there) + 1) if there in after else "")


ANOTHER = "another"
"""Said of a new customer who is like one on record and is none of them."""


def _choose(form: CounterForm, who: str) -> str:
    # One customer's system stays typed until another is chosen: the page says whose it is, and waits. A new one is
    # asked for anew, since the next customer may have systems.
    if form.text("system_id") == "new":
        form.say(system_id="")
    if who == "none":
        form.say(customer_id="", site_id="", is_new_customer="")
        return "find"
    if who == ANOTHER:
        form.say(is_new_customer=ANOTHER)
        return "add"
    if who != "new":
        form.say(customer_id=who[:9], is_new_customer="", site_id="", find="")
        return "add"
    typed = form.text("find")
    form.say(customer_id="", site_id="", is_new_customer="1", find="")
    if is_phone(typed) and not form.text("customer_phone"):
        form.say(customer_phone=typed)
        return "customer"
    form.say(customer_name=form.text("customer_name") or typed)
    return "add" if typed else "customer"


def _new_line(form: CounterForm, kind: LineKind) -> dict[str, str]:
    """A blank line that goes on where the last one of its kind left off: its maker, its type, its keying."""
    before = next((line for line in reversed(form.lines.forms) if line.sort is kind), None)
    if isinstance(before, KeyedLine):
        return {"kind": kind, **{name: before.text(name) for name in ("maker", "keying", "master", *_OF_KEY)}}
    return {"kind": kind, "keying": KeyingKind.KD if kind is LineKind.CYLINDER else ""}


def add_quick(work: Work, form: CounterForm, typed: str) -> tuple[QuickReading | None, str]:
    """Add the lines that a clerk's words ask for; what was not understood goes back into their box, before what was
    typed there meanwhile. Gives the reading, None of too many words, and what gets the focus: the first line that is
    still open, else the box.
    """
    if len(typed) > LONGEST_QUICK_LINE:
        form.say(quick=typed)
        return None, "add"
    reading = read_quick_line(work, typed)
    focus = "add"
    for said in reading.lines[: MOST_POSTED - len(form.lines.entries)]:
        keying = {} if said.keying or said.kind is LineKind.CYLINDER else {"keying": ""}
        if said.keying is KeyingKind.MK and _stands_under_grand(work, form, said.master):
            keying = {"keying": KeyingKind.GMK.value}
        door = {f"fit_{name}": getattr(said, name) for name in ("door", "stile", "material")}
        line = form.lines.add(line_of_ask(said.request()) | keying | door)
        is_worn = "?" in said.part_number
        if (said.could_be or is_worn) and focus == "add":
            focus = f"could-{line.key}" if is_worn or said.kind is LineKind.CYLINDER else line.id
    if reading.urgency is not None:
        form.say(urgency=reading.urgency.value)
    form.say(quick=" ".join([*(word.text for word in reading.not_understood), form.text("quick")]).strip())
    return reading, focus


def _stands_under_grand(work: Work, form: CounterForm, master: str) -> bool:
    """Whether a master that is named stands under a grand master wherever the customer's key systems have it."""
    if not master or not (customer_id := form.text("customer_id")):
        return False
    systems = [
        one
        for one in list_systems(work.session, record_id(customer_id), in_use=True)
        if form.text("system_id") in ("", str(one.id))
        and any(keyset.level is Level.MASTER and keyset.symbol == master for keyset in one.keysets)
    ]
    return bool(systems) and all(one.levels == 3 for one in systems)


def mend(work: Work, priced: PricedQuote | None, form: CounterForm, choices: Choices, code: str) -> str:
    """Add what a question misses; gives what gets the focus, "" where nothing can be added."""
    question = next((one for one in (questions_about(work, priced) if priced else ()) if one.code == code), None)
    if priced is None or question is None or question.mend is None:
        return ""
    if question.mend.line is MendLine.KEYS_EACH:
        for line in form.lines.forms:
            if "0" in (line.text("keys_each"), line.text("keys_in_all")):
                line.say(keys_each=str(question.mend.quantity), keys_in_all="")
        return "add"
    added = [form.lines.add(texts).id for texts in _missing_lines(work, priced, choices, question)]
    return added[0] if added else ""


def mend_label(work: Work, priced: PricedQuote, choices: Choices, question: MissingLineRule) -> str:
    """What the button says that mends a missing line; "" where nothing can be added."""
    if question.mend is None:
        return ""
    if question.mend.line is MendLine.KEYS_EACH:
        return f"Add {question.mend.quantity} keys a cylinder"
    lines = _missing_lines(work, priced, choices, question)
    if not lines or "symbol" in lines[0]:
        added = [f"{texts['quantity']} keys to {texts['symbol']}" for texts in lines]
        return "Add " + ", ".join(added[:_MOST_SAID]) + (" …" if len(added) > _MOST_SAID else "") if added else ""
    [texts] = lines
    entry = next(one for one in choices.entries(LineKind(texts["kind"])) if one.code == texts["price_code"])
    return f"Add {texts['quantity']} × {entry.description.split(',')[0]}"


def _missing_lines(
    work: Work, priced: PricedQuote, choices: Choices, question: MissingLineRule
) -> list[dict[str, str]]:
    """The lines that the press adds; none where the price book has no such entry."""
    wanted = question.mend
    if wanted is None or wanted.line is MendLine.KEYS_EACH:
        return []
    if wanted.line is MendLine.MASTER_KEYS:
        return _lines_of_masters(priced, wanted.quantity)
    quantity = str(wanted.count(facts_of(work, priced)))
    kind = _MENDED_BY[wanted.line]
    told = re.compile(rf"\b{re.escape(wanted.words)}s?\b", re.IGNORECASE)
    entry = next((one for one in choices.entries(kind) if not wanted.words or told.search(one.description)), None)
    return [{"kind": kind, "quantity": quantity, "price_code": entry.code}] if entry else []


def _lines_of_masters(priced: PricedQuote, each: int) -> list[dict[str, str]]:
    """A line of so many keys to each master that has none yet: one for a whole level, as far as it has several."""
    counts = masters_counted(priced)
    lines = []
    for level in UPPER_LEVELS:
        there = [one for one in counts if one.level is level]
        bare = [one for one in there if not counts[one]]
        is_whole = len(bare) > 1 and len(bare) == len(there)
        named = {"grands" if level is SymbolLevel.GRAND else "masters": len(bare)} if is_whole else {}
        for symbol, count in (named or {one.text: 1 for one in bare}).items():
            lines.append({"kind": LineKind.KEYS.value, "quantity": str(each * count), "symbol": symbol})
    return lines
