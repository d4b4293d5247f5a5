"""The counter page as a form: a head, and lines of several kinds, each under a number of its own.

Whatever is typed is kept as typed. What a field says is its value, or a sentence beside it.
"""

import itertools
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

from werkzeug.datastructures import MultiDict
from wtforms import FieldList, Form, FormField
from wtforms.validators import InputRequired

from app.fitting import number_word
from app.ledger.quoting.quick_line import LONGEST_QUICK_LINE
from app.ledger.quoting.request import BEYOND
from app.ledger.quoting.resolving import LONGEST_OLD_NUMBER
from app.ledger.tables import Customer, Job, Keyset, KeySystem, LineKind, Site, longest
from app.pricing import Discount, read_cents, read_percent
from app.web.fields import (
    UNWRITABLE,
    CentsField,
    DayField,
    InchesField,
    ShortField,
    TextField,
    WholeField,
    writable,
)

MOST_POSTED = 1000
"""More lines than this in one post are no clerk's work; they are not read at all."""
_LINE_FIELD = re.compile(r"lines-(0|[1-9][0-9]{0,3})-([a-z_]{1,20})")
_ANSWER = re.compile(r"answer-([a-z][a-z-]{0,59})")
_MOST_ANSWERS, _LONGEST_ANSWER = 60, 200
_COUNT = re.compile(r"([0-9]{1,2}|[a-z]+)(?:[\s-]*(?:cuts?|pins?))?")
LEAST_CUTS, MOST_CUTS = 3, 12
_CHAMBERS = re.compile(r"([0-9]{1,2})(?:\s*(?:/|drilled|drilled for)\s*([0-9]{1,2}))?")
_NO_SUCH_DAY = "There is no such day; write it as 12/31/2026 or 2026-12-31."
_KEYS = "Enter a whole number of keys, 0 or more."
_ONE_OR_MORE = "Enter a whole number, 1 or more."


@dataclass(frozen=True, slots=True)
class Told:
    """Something to put right: the field's id in the page ("" for none), its label, and a sentence."""

    field: str
    label: str
    message: str


class ChambersField(TextField):
    """Chambers pinned and drilled: 6, or 5/6 for five pinned in a body drilled six."""

    def read(self, text: str) -> tuple[int, int | None]:
        found = _CHAMBERS.fullmatch(text.lower())
        pinned, drilled = (int(found[1]), int(found[2]) if found[2] else None) if found else (0, None)
        if not 1 <= pinned <= (drilled or 12) <= 12:
            raise ValueError("Enter the chambers that are pinned, as in 6; or 5/6 for five in a body drilled six.")
        return pinned, drilled


class DiscountField(TextField):
    """What comes off: 10 %, or 25.00 of the whole."""

    def read(self, text: str) -> Discount:
        if text.endswith("%"):
            return Discount(percent=read_percent(text, self.short_name))
        return Discount(cents=read_cents(text, self.short_name))


class CutsField(ShortField):
    """The cuts of a customer's key: how many there are (6, six, 6 cuts), or the cuts themselves, which are counted.

    A bitting is no business of the counter's: of cuts that are typed only their number is kept.
    """

    def read(self, text: str) -> str:
        if (found := _COUNT.fullmatch(text.lower())) and 1 <= (count := _spelled(found[1])) <= MOST_CUTS:
            return str(count)
        cuts = re.sub(r"[\s,./-]", "", text)
        if cuts.isascii() and cuts.isdigit() and LEAST_CUTS <= len(cuts) <= MOST_CUTS:
            return str(len(cuts))
        raise ValueError(f"Enter how many cuts the key has, from 1 to {MOST_CUTS}, or its cuts from bow to tip.")

    @property
    def are_cuts(self) -> bool:
        """Whether the cuts themselves were typed, not how many there are."""
        return bool(self.data) and sum(map(str.isdigit, self.typed or "")) > len(self.data)

    @property
    def kept(self) -> str:
        return self.data or ("" if re.search(r"\d.*\d.*\d", self.typed or "") else self.typed or "")


def _spelled(number: str) -> int:
    words = {number_word(each): each for each in range(1, MOST_CUTS + 1)}
    return words.get(number) or (int(number) if number.isdecimal() else 0)


def count_field(label: str, how: str, least: int = 1, **options: Any) -> WholeField:
    """A whole number of up to nine digits; `how` says what to enter."""
    return WholeField(label, least=least, most=999_999_999, how=how, **options)


class Boxes(Form):
    """Boxes that belong together. ALIASES: what a use case calls them, by the page's names."""

    ALIASES: ClassVar[Mapping[str, str]] = {}
    CALLED: ClassVar[str] = ""  # what a sentence that belongs to no box is about
    about: Mapping[str, str] = {}  # such a sentence, and what it is about where a line of another kind has its box

    def validate(self, extra_validators: Any = None) -> bool:
        self.form_errors = []
        return bool(super().validate(extra_validators))

    def text(self, name: str) -> str:
        """What is typed into a box; "" where there is no such box."""
        field = self._fields.get(name)
        return (field.typed or "") if isinstance(field, TextField) else ""

    def is_filled(self, *names: str) -> bool:
        """Whether something is in one of these boxes, or wrong with it."""
        return any(self.text(name) or (name in self and self[name].errors) for name in names)

    def say(self, **texts: str) -> None:
        """Type texts into boxes; one that is not here is left out."""
        for field in self:
            if field.short_name in texts:
                field.process(MultiDict({field.name: texts[field.short_name]}))

    def refuse(self, name: str, message: str) -> None:
        """Put a sentence beside the box that a use case names; the first that is said of a box stays."""
        name = self.ALIASES.get(name, name)
        field = self._fields.get(name)
        if not isinstance(field, TextField):
            self.form_errors.append(message)
            self.about = {**self.about, message: _LINE_LABELS.get(name, self.CALLED)}
        elif not field.errors:
            field.errors = [message]

    def forget(self, *names: str) -> None:
        """Say nothing of boxes that do not count here."""
        for name in names:
            self._fields[name].errors = []

    def told(self) -> list[Told]:
        """What is to be put right, once a box."""
        boxes = [field for field in self if isinstance(field, TextField) and field.errors]
        unplaced = dict.fromkeys(self.form_errors)
        return [Told("", self.about.get(message, self.CALLED), message) for message in unplaced] + [
            Told(field.id, field.label.text, str(field.errors[0])) for field in boxes
        ]

    def texts(self) -> dict[str, str]:
        """What is typed and may be kept, by the boxes' names."""
        return {field.short_name: field.kept for field in self if isinstance(field, TextField)}


class LineForm(Boxes):
    """One line. ABOUT: the boxes of which one has to be filled before there is anything to say of it. LESSER: those
    with a mistake in which the line is priced all the same.
    """

    ALIASES: ClassVar[Mapping[str, str]] = {
        "drilled": "chambers",
        "cam": "tail",
        "tailpiece": "tail",
        "attributes": "type",
        "code": "price_code",
        "unit_cents": "unit_price",
        "cost_cents": "unit_cost",
    }
    CALLED = "This line"
    ABOUT: ClassVar[tuple[str, ...]] = ()
    LESSER: ClassVar[tuple[str, ...]] = (
        *("unit_price", "discount", "unit_cost", "price_reason", "price_meant"),
        *("remark", "need_by", "face_answer"),
    )
    key: int
    sort: LineKind

    quantity = count_field(
        "Quantity",
        "Enter a whole quantity of 1 or more.",
        validators=[InputRequired("Enter a whole quantity of 1 or more.")],
    )
    unit_price = CentsField("Own price")
    discount = DiscountField("Discount")
    price_reason = ShortField("Why this price", 500)  # for the house alone
    price_meant = ShortField("Own price")  # what the page asked of a low one when it was ticked
    remark = ShortField("Remark", 500)

    @property
    def id(self) -> str:
        """The line's id in the page."""
        return f"line-{self.key}"

    @property
    def is_blank(self) -> bool:
        """Whether what the line is about has not been said yet."""
        return bool(self.ABOUT) and not any(map(self.text, self.ABOUT))

    @property
    def has_fit(self) -> bool:
        """Whether something stands in the boxes about the door, its old cylinder or the customer's key."""
        return self.is_filled(*(name for name in self._fields if name.startswith(("fit_", "replaces"))))

    @property
    def is_unclear(self) -> bool:
        """Whether something is wrong with a box that says what the line is, how many there are or how it is keyed."""
        wrong = [field.short_name for field in self if field.errors]
        return bool(self.form_errors) or any(
            name not in self.LESSER and not name.startswith("fit_") for name in wrong
        )

    def texts(self) -> dict[str, str]:
        return {"kind": self.sort.value, **super().texts()}


class KeyedLine(LineForm):
    """A line that cylinders come with."""

    keying = ShortField("Keying")
    set_size = count_field("In sets of", "Enter how many are alike, 2 or more; or nothing.", least=2)
    alike_with = count_field("Alike with line", "Enter the number of a line above.", least=1)
    master = ShortField("Under master", longest(Keyset.symbol))
    reserve = ShortField("Reserve", longest(Keyset.reserved_for) + len(BEYOND))
    key_keyway = ShortField("Key's keyway", longest(KeySystem.keyway))  # of the customer's key, or its bow's number
    key_marks = ShortField("On the key", 60)
    keys_each = count_field("Keys each", _KEYS, least=0)
    keys_in_all = count_field("or in all", f"{_KEYS[:-1]}; or nothing, to count them a cylinder.", least=0)
    need_by = DayField("Its own day", how=_NO_SUCH_DAY)


class DoorBoxes(LineForm):
    """The door, its lock and the customer's key; they ask questions, and change neither goods nor price."""

    fit_lock = ShortField("Lock", 120)
    fit_stile = ShortField("Stile width", 120)
    fit_hole = ShortField("Hole in the door", 120)
    fit_material = ShortField("Material", 120)  # of the stile
    fit_stop = ShortField("Glass stop covers", 120)


class NewCylinderLine(DoorBoxes, KeyedLine):
    """A new cylinder, and the one that it replaces. standing: the ids of those on record that were planned."""

    standing = ShortField()
    unit_cost = CentsField("Costs us")  # where neither the price book nor a catalog says it
    replaces = ShortField("On the door now", LONGEST_OLD_NUMBER)  # a part number, or a maker
    replaces_finish = ShortField("Its finish", 24)
    face_asked = ShortField()  # what the page showed to be asked when the answer was pressed
    face_answer = ShortField("Face")
    fit_lock_maker = ShortField("Or its maker", 60)  # where the lock is in no maker's table
    fit_case = ShortField("Its case", 120)
    fit_cam_depth = ShortField("Case to back of cam", 120)
    fit_door = ShortField("Door thickness", 120)
    fit_trim = ShortField("Trim outside", 120)
    fit_trim_in = ShortField("Trim inside", 120)
    fit_key = ShortField("Customer's key", 120)  # the number on its bow
    fit_cuts = CutsField("Its cuts", 120)
    fit_old_length = InchesField("Its length")  # of the cylinder on the door now, as measured
    fit_finishes = ShortField("Other finishes there", 120)  # of the other hardware on the door
    fit_reach_least = ShortField("Past the door, least", 120)  # how far a tailpiece must stand past the door
    fit_reach_most = ShortField("Past it, most", 120)
    fit_supplied = ShortField("Tailpiece supplied", 120)
    fit_notch = ShortField("Between notches", 120)
    fit_lock_hole = ShortField("Lock's hole", 120)  # threaded, for a mortise cylinder
    fit_lock_threads = ShortField("Its threads", 120)


class CylinderBody(KeyedLine):
    """A cylinder by what it is."""

    type = ShortField("Type")
    chambers = ChambersField("Pins")
    keyway = ShortField("Keyway", longest(KeySystem.keyway))


class PartLine(NewCylinderLine, CylinderBody):
    """A cylinder, a lock or hardware, by its part number; by its body where no maker's tables read the number."""

    ABOUT = ("part_number",)

    part_number = ShortField("Part number")
    maker = ShortField("Maker")


class CylinderLine(NewCylinderLine, CylinderBody):
    """A new cylinder by its attributes."""

    ABOUT = ("type", "maker", "keyway", "length", "finish", "chambers")

    maker = ShortField("Maker")
    length = InchesField("Length")
    tail = ShortField("Cam or tailpiece", 60)  # cam of a mortise cylinder, tailpiece of the others
    finish = ShortField("Finish", 24)


class RekeyLine(CylinderBody):
    """Cylinders of the customer's own. standing: the ids of those on record."""

    ALIASES: ClassVar[Mapping[str, str]] = {**LineForm.ALIASES, "code": "type"}
    ABOUT = ("type", "keyway", "chambers")

    standing = ShortField()


class KeysLine(LineForm):
    """Further keys."""

    symbol = ShortField("Keys of", longest(Keyset.symbol))
    keyway = ShortField("Keyway", longest(KeySystem.keyway))
    price_code = ShortField("Item")


class PriceCodeLine(LineForm):
    """Labor, or a trip."""

    ABOUT = ("price_code",)

    price_code = ShortField("Item")


class HardwareLine(DoorBoxes, PriceCodeLine):
    """Hardware, an item without a maker."""


_KINDS = {
    LineKind.CYLINDER: FormField(CylinderLine),
    LineKind.PART: FormField(PartLine),
    LineKind.REKEY: FormField(RekeyLine),
    LineKind.KEYS: FormField(KeysLine),
    LineKind.HARDWARE: FormField(HardwareLine),
    LineKind.LABOR: FormField(PriceCodeLine),
    LineKind.TRIP: FormField(PriceCodeLine),
}
_USUAL = {"quantity": "1", "keys_each": "2"}
_LINE_LABELS = {box.short_name: box.label.text for kind in (PartLine, CylinderLine, KeysLine) for box in kind()}


class LineList(FieldList):  # type: ignore[type-arg]  # of several kinds
    """The lines in the order in which they came; each keeps the number that its boxes' names begin with."""

    def process(self, formdata: Any, data: Any = None, extra_filters: Any = None) -> None:
        self.entries: list[Any] = []
        sent: dict[int, dict[str, str]] = {}
        for name in formdata or ():
            found = _LINE_FIELD.fullmatch(name)
            if found and (int(found[1]) in sent or len(sent) < MOST_POSTED):
                sent.setdefault(int(found[1]), {})[found[2]] = formdata[name]
        for key, texts in sent.items():
            self._place(key, texts)

    @property
    def forms(self) -> list[LineForm]:
        """The lines themselves."""
        return [entry.form for entry in self.entries]

    def find(self, key: int) -> LineForm | None:
        """The line with this number; None where there is none."""
        return next((line for line in self.forms if line.key == key), None)

    def add(self, texts: Mapping[str, str], after: LineForm | None = None) -> LineForm:
        """One more line, at the end or right after another. texts: its kind, and what is typed into its boxes."""
        lines = self.forms
        line = self._place(max((each.key for each in lines), default=-1) + 1, texts)
        if after is not None:
            self.entries.insert(lines.index(after) + 1, self.entries.pop())
        return line

    def put(self, line: LineForm, texts: Mapping[str, str]) -> None:
        """Another line in the place of this one, under its number."""
        place = self.forms.index(line)
        self._place(line.key, texts)
        self.entries[place] = self.entries.pop()

    def remove(self, line: LineForm) -> None:
        """Take a line out."""
        del self.entries[self.forms.index(line)]

    def _place(self, key: int, texts: Mapping[str, str]) -> LineForm:
        # A forged kind is taken for a part number.
        sort = LineKind(texts.get("kind", "")) if texts.get("kind") in set(LineKind) else LineKind.PART
        self.unbound_field: Any = _KINDS[sort]
        named = {f"{self.name}-{key}-{name}": text for name, text in {**_USUAL, **texts}.items()}
        line: LineForm = self._add_entry(MultiDict(named), index=key).form  # type: ignore[attr-defined]  # not in the stubs
        line.key, line.sort = key, sort
        return line


class CounterForm(Boxes):
    """The whole page. token: this page's own; find: the search for a customer. draft_version: the draft's that it
    was made from; job_draft: the newest of its job then; apart: the token of the draft that another tab changed; tab:
    this page's, from its draft's first save on.

    replaced: symbols of the keysets that a rekey plan replaces. loss_id: the loss of keys that it mends. answers: to
    questions about lines that might be missing: code, why it is not needed.
    """

    ALIASES: ClassVar[Mapping[str, str]] = {
        "customer": "find",
        "customer_id": "find",
        "system": "system_id",
        "tax_place": "customer_tax_place",
        "lines": "",
    }

    token = ShortField()
    draft_version = ShortField()
    job_draft = ShortField()
    apart = ShortField()
    tab = ShortField()
    customer_id = ShortField()
    is_new_customer = ShortField()
    find = ShortField("Customer")
    customer_name = ShortField("Name", longest(Customer.name))
    customer_phone = ShortField("Phone", longest(Customer.phone))
    customer_email = ShortField("E-mail", longest(Customer.email))
    customer_address = ShortField("Address", 2000)
    customer_tier = ShortField("Price tier")
    customer_tax_place = ShortField("Tax place", longest(Customer.tax_place))
    customer_exempt_certificate = ShortField("Exemption certificate", longest(Customer.exempt_certificate))
    customer_exempt_until = DayField("Certificate expires", how=_NO_SUCH_DAY)
    site_id = ShortField("Site")
    site = ShortField("New site", longest(Site.name))
    title = ShortField("About", longest(Job.title))
    need_by = DayField("Needed by", how=_NO_SUCH_DAY)
    urgency = ShortField("At the bench")
    system_id = ShortField("Key system")
    system_name = ShortField("System's name", longest(KeySystem.name))
    system_levels = count_field("Levels", "Choose 2, 3 or 4 levels.", least=2)
    system_grands = count_field("Grand masters", _ONE_OR_MORE)
    system_masters = count_field("Masters", _ONE_OR_MORE)
    mark_keys = ShortField("Symbol on keys")
    mark_cylinders = ShortField("Symbol on cylinders")
    construction = ShortField("Construction keying")
    construction_keys = count_field("Construction keys", _ONE_OR_MORE)
    handed_over_on = DayField("Building handed over", how=_NO_SUCH_DAY)
    keyed_at = ShortField("Keyed at")
    override_reason = ShortField("Why")
    option_b = ShortField("Option B")
    discount = DiscountField("Discount")
    discount_reason = ShortField("Why this discount", 500)  # for the house alone
    discount_meant = ShortField("Discount")
    lost_reason = ShortField("Why under a lost key")
    quick = ShortField("Quick line", LONGEST_QUICK_LINE)
    entered = ShortField()  # words that left it with Enter and are on no line yet
    replaced = ShortField()
    loss_id = ShortField()
    lines = LineList(FormField(LineForm))

    def __init__(self, texts: Mapping[str, str]) -> None:
        """texts: what stands in each box, by the names that a browser sends."""
        super().__init__(MultiDict({**_USUAL_HEAD, **texts}))
        self.answers = _answers((found[1], why) for name, why in texts.items() if (found := _ANSWER.fullmatch(name)))

    @property
    def is_blank(self) -> bool:
        """Whether nothing worth keeping has been typed."""
        typed = {name: text for name, text in self.texts().items() if text and name not in (*OF_DRAFT, "find")}
        return not self.lines.entries and not self.answers and typed == _USUAL_HEAD

    def hush(self) -> None:
        """Keep back what is merely missing, until somebody presses a button: the key system, and whether a low price
        is meant, are asked at once.
        """
        at_once = ("system_id", "discount_meant")
        self.forget(*(name for name, text in self.texts().items() if not text and name not in at_once))
        for line in self.lines.forms:
            if line.is_blank:
                line.forget(*line._fields)
                line.form_errors = []


OF_DRAFT = ("token", "draft_version", "job_draft", "apart", "tab")
_USUAL_HEAD = {"system_grands": "1", "system_masters": "1"}
CUSTOMER_BOXES = tuple(name for name in vars(CounterForm) if name.startswith("customer_") and name != "customer_id")


def _answers(pairs: Iterable[tuple[str, str]]) -> tuple[tuple[str, str], ...]:
    """The answer to each question, cut to what fits; empty ones are left out."""
    written = ((code, writable(" ".join(why.split())).replace(UNWRITABLE, "")) for code, why in pairs)
    said = ((code, why[:_LONGEST_ANSWER].strip()) for code, why in written)
    return tuple(itertools.islice(((code, why) for code, why in said if why), _MOST_ANSWERS))
