"""What the pages of keying ask for, and refusals put beside the boxes that they are about."""

import re
from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from typing import Any, ClassVar, TypeVar

from flask_wtf.file import FileField
from wtforms import BooleanField, HiddenField, PasswordField, RadioField, SelectField, StringField
from wtforms.validators import InputRequired, Length, Optional

from app.errors import BitternError, Problem
from app.keying import COUNTED, read_operators, read_spec_inches, write_inches
from app.ledger.catalog.specs import keyway_chambers
from app.ledger.importing.bitting_lists import BOW_FIRST, TIP_FIRST
from app.ledger.keys.losses import LossForm, Which
from app.ledger.keysystems.copy_numbers import read_copies
from app.ledger.keysystems.extending import ExtendForm
from app.ledger.keysystems.planning import PlanForm, customers_to_choose
from app.ledger.keysystems.selective import USUAL_SYMBOL
from app.ledger.keysystems.system_queries import sections_of
from app.ledger.keysystems.unsealed_system import OpenedSystem
from app.ledger.quoting.loss_drafts import PhaseForm, PhasesBy, PlanOfLoss
from app.ledger.store.errors import LedgerError
from app.ledger.tables import KeySystem, Level, Site
from app.validation import counted
from app.web.fields import CentsField, DayField, TextField, WholeField
from app.web.forms_base import Done, PageForm, area, text, typed
from app.web.services import request_session

MOST_SHOWN = 60
SECONDS = 60
Outcome = TypeVar("Outcome")


class InchField(TextField):
    """Exact inches, held as Fraction."""

    look = CentsField.look

    def read(self, text: str) -> Fraction:
        return read_spec_inches(text)

    def show(self, value: Fraction) -> str:
        return write_inches(value)


class LimitField(WholeField):
    """How long a search may take, the usual limit where none is sent."""

    def process_formdata(self, valuelist: list[Any]) -> None:
        super().process_formdata(valuelist if any(valuelist) else [str(SECONDS)])


def keyways() -> dict[str, str]:
    """Every keyway by its code, with its maker and its most chambers."""
    rows = keyway_chambers(request_session())
    return {code: f"{code}, {maker}, {most} chambers" for code, maker, most in rows}


def customers() -> dict[str, str]:
    """Every customer to choose from, none at first."""
    return {"": "Choose …", **customers_to_choose(request_session())}


def keyway_field() -> SelectField:
    """Which keyway."""
    return SelectField("Keyway", [InputRequired("Choose a keyway.")], choices=keyways)


def chambers_field() -> WholeField:
    """With how many chambers, of new cylinders: those of the keyway where nothing is said."""
    look = {**WholeField.look, "placeholder": "all"}
    return WholeField("Chambers", [Optional()], least=3, most=12, render_kw=look)


def chambers_said(form: "PlanPage | MatrixPage") -> int:
    """How many chambers a page says by its box, or else by its keyway."""
    own = {code: most for code, _, most in keyway_chambers(request_session())}
    return form.chambers.data or own[typed(form.keyway)]


class BittingField(PasswordField):
    """A bitting, which is not shown again."""


def bitting_field(label: str, *checks: Any, hint: str) -> BittingField:
    """A box for a bitting."""
    length = Length(max=12, message="A bitting has at most 12 cuts.")
    return BittingField(label, [*checks, length], description=f"{hint} Not shown again.")


def from_bow_field() -> StringField:
    """Agrees to the sentence that asks from which end a bitting was read."""
    return StringField("They stand from bow to tip")


def level_fields(label: str, now: int = 1, later: int = 0, most: int = 100_000) -> tuple[WholeField, WholeField]:
    """How many keys of a level are needed now, and for how many more there has to be room."""
    return (
        WholeField(label, least=1, most=most, default=now),
        WholeField("More later", least=0, most=100_000, default=later),
    )


class KeyingForm(PageForm):
    """A form whose use case may name a field otherwise: `boxes` says in which box its refusal belongs."""

    boxes: ClassVar[Mapping[str, str]] = {}

    def box(self, field: str) -> str:
        """The box that a refusal of this field stands beside."""
        plain = field.removeprefix("spec.")
        return self.boxes.get(plain, plain)

    def place(self, error: BitternError) -> None:
        """Put a refusal's problems where they belong."""
        error.problems = tuple(Problem(self.box(problem.field), problem.message) for problem in error.problems)

    def run(self, use_case: Callable[[], Outcome]) -> Done[Outcome] | None:
        def placed() -> Outcome:
            try:
                return use_case()
            except BitternError as error:
                self.place(error)
                raise

        return super().run(placed)


class ListedTableForm(KeyingForm):
    """A form with a file whose problems, by row, are listed on the page."""

    file: FileField
    listed: ClassVar[Sequence[str]] = ("file",)
    problems: Sequence[Problem] = ()

    def place(self, error: BitternError) -> None:
        if error.field.startswith("row ") or error.field in self.listed:
            self.problems, error.problems = file_problems(error), ()
        else:
            super().place(error)


def file_problems(error: BitternError) -> Sequence[Problem]:
    """What is wrong with a file, to list beside its upload field; the first rows of very many."""
    found = error.problems
    if len(found) <= MOST_SHOWN:
        return found
    return (*found[:MOST_SHOWN], Problem("file", f"… and {len(found) - MOST_SHOWN:,} more. Mend these first."))


class NewSystemPage(KeyingForm):
    """Whose system a new one is to be, and what it is called."""

    boxes: ClassVar[Mapping[str, str]] = {"customer_id": "customer", "system": "name"}
    customer = SelectField("Customer", [InputRequired("Choose the customer.")], choices=customers)
    name = text("Name of the system", KeySystem.name, needed="Enter a name for the system.")


class MatrixSystemPage(NewSystemPage):
    """The same for a matrix, where its doors are, and what of it is crossed: boxes `cross`, a cylinder each."""

    boxes: ClassVar[Mapping[str, str]] = {**NewSystemPage.boxes, "site": "site_name"}
    site_name = text(
        "Site of the doors",
        Site.name,
        hint="One of the customer's or a new one; empty where the customer has just one. The doors are saved there.",
    )
    takes_doors = StringField("These doors on record are meant")  # agrees to one sentence
    leaves_out = StringField("They go without")  # the same
    reserve = text(
        "Reserve",
        400,
        hint="Changes kept back for later doors: each floor: 10, or floor 2: 10; Chemistry: 5 under AB. A number "
        "alone: so many under each master, for any door.",
    )


class PlanPage(KeyingForm):
    """What a new system must hold: how many of each level now, and how many more later."""

    boxes: ClassVar[Mapping[str, str]] = {
        "changes_per_master": "changes",
        "changes_per_master_later": "changes_later",
    }
    keyway = keyway_field()
    chambers = chambers_field()
    levels = SelectField(
        "Levels",
        choices={
            "2": "2: master, changes",
            "3": "3: grand, masters, changes",
            "4": "4: great grand on top",
            "5": "5: great great grand on top",
            "6": "6: three greats on top",
            "7": "7: four greats on top",
        },
    )
    third_grands, third_grands_later = level_fields("Great great great grands under the top", most=22)
    second_grands, second_grands_later = level_fields("Great great grands under each key above")
    great_grands, great_grands_later = level_fields("Great grands under each key above")
    grands, grands_later = level_fields("Grand masters under each key above")
    masters, masters_later = level_fields("Masters under each grand")
    changes, changes_later = level_fields("Changes under each master", now=10, later=3)
    selective = StringField(
        "Selective master",
        [Length(max=10, message="At most 10 letters.")],
        description="Its symbol, such as ENG, where a key is to operate chosen doors under any masters; else empty.",
    )

    parts = StringField(
        "Masters on other keyways of the family",
        [Length(max=400, message="At most 400 letters.")],
        description="Such as AB: Q2; AG to AM: Q3: the masters or grands of these symbols, with all under them.",
    )
    reserve = text(
        "Reserve",
        400,
        hint="Changes kept back from the start, such as floor 2: 10 under AB; a number alone: so many under each "
        "master, for any door.",
    )

    @property
    def levels_downward(self) -> Sequence[tuple[int, str, str]]:
        """From how many levels on there is a level, and the names of its boxes; the upper first."""
        names = ("changes", *COUNTED[1:])
        return [(place + 2, name, f"{name}_later") for place, name in enumerate(names)][::-1]

    @property
    def demand_boxes(self) -> Sequence[str]:
        """The boxes that say what is planned, as a plan is posted back with them."""
        return (
            "keyway",
            "chambers",
            "levels",
            "selective",
            "parts",
            "reserve",
            *(box for _, *pair in self.levels_downward for box in pair),
        )

    def read(self) -> PlanForm:
        """The form as the use case takes it."""
        names = [(now, later) for _, now, later in self.levels_downward[::-1]]
        return self.into(
            PlanForm,
            chambers=chambers_said(self),
            levels=int(self.levels.data),
            counts=tuple(self[now].data or 1 for now, _ in names),
            later=tuple(self[later].data or 0 for _, later in names),
        )


class StartPage(PlanPage, NewSystemPage):
    """The plan that was chosen, and whose system it is to be; the demand is posted back with it."""

    boxes: ClassVar[Mapping[str, str]] = {**PlanPage.boxes, **NewSystemPage.boxes}
    sealed = HiddenField()
    roles = HiddenField()


class TakeListPage(ListedTableForm):
    """Whose list it is, how it is written, and what its owner agrees to; the rows' own boxes stand beside them."""

    boxes: ClassVar[Mapping[str, str]] = NewSystemPage.boxes
    customer = SelectField("Customer", choices=customers)
    name = text("Name of the system", KeySystem.name)
    keyway = keyway_field()
    chambers = WholeField("Chambers", [InputRequired("Enter how many.")], least=3, most=12)
    cuts = RadioField(
        "The cuts are written",
        choices={BOW_FIRST: "from the bow to the tip", TIP_FIRST: "from the tip to the bow"},
        description="Not said: bow to tip. Of keys that stop at the tip it has to be said.",
        validate_choice=False,
    )
    own_names = BooleanField("Every symbol is the shop's own name: none is of the standard coding")
    rest_are_changes = BooleanField("Every key whose level nothing says is a change")
    constants = WholeField(
        "Chambers held at a time", least=0, most=11, default=0, description="Rotating constants; 0 for none."
    )
    system_named = SelectField("Which system of the list", validate_choice=False)
    root = RadioField("Two systems, or one?", validate_choice=False)
    order_tells = BooleanField()
    leaves_asked = BooleanField("Leave what is not answered aside")


class SettlePage(KeyingForm):
    """What the owner says of a row of a list that stands aside."""

    version = HiddenField()
    bitting = bitting_field("Its bitting", hint="From bow to tip, wherever the key stops; from the key or its list.")
    cut_so = text(
        "Really cut so, beyond the MACS: how you know",
        200,
        hint="Such as measured, and works in the door. Goes on record; leave the cuts out.",
    )
    level = SelectField("Level")
    under = SelectField("Under the master", validate_choice=False)
    why = text("Or why there is no such key any more", 200, hint="Goes on record; leave the cuts out.")


class MatrixPage(ListedTableForm):
    """On what a matrix of who opens what is keyed, and the table where it comes as a file."""

    listed = ("file", "doors", "matrix", "people")
    people = area(
        "Or a list",
        200_000,
        hint="A row a person: the name, a comma, then the doors and what he also opens, parted by semicolons. "
        "'all' is every door of the list. Such as: Ann, 101; 102.",
        rows=5,
    )
    file = FileField(
        "Or a file",
        description="CSV or XLSX: doors along the top, holders down the side, x for opens; or such a list, headed "
        "person, doors, also opens.",
    )
    keyway = keyway_field()
    chambers = chambers_field()
    customer = SelectField(
        "Customer",
        choices=lambda: {"": "Not said yet", **customers_to_choose(request_session())},
        default="",
        description="Keyed beside the keys and doors that it has.",
    )
    seconds = WholeField("Time limit, seconds", [InputRequired("Enter a limit.")], least=5, most=300, default=SECONDS)


class CrossPage(KeyingForm):
    """Which cylinder, and which keysets shall operate it too."""

    boxes: ClassVar[Mapping[str, str]] = {"operators": "symbols", "keys": "symbols", "keying": "symbols"}
    cylinder = SelectField("Cylinder", [InputRequired("Choose a cylinder.")])
    symbols = text(
        "Shall be operated by, too",
        400,
        hint="Keysets, such as AA3 AB1 or AA1 - AA5.",
        needed="Enter at least one keyset.",
    )
    seconds = LimitField("Time limit, seconds", least=5, most=300, default=SECONDS)

    def offer(self, opened: OpenedSystem) -> None:
        """Fill the cylinders."""
        places = {
            str(cylinder.id): f"{way.label} · {place}"
            for way in opened.ways.values()
            for cylinder, place in zip(way.cylinders, way.places, strict=True)
        }
        self.cylinder.choices = {"": "Choose …", **places}

    @property
    def wanted(self) -> tuple[str, ...]:
        """The symbols, in capitals as they stand in the system."""
        return read_operators(typed(self.symbols), "symbols")


class SelectivePage(KeyingForm):
    """The selective master of a system in service."""

    selective = StringField(
        "Its symbol",
        [InputRequired("Enter its symbol, such as ENG.")],
        default=USUAL_SYMBOL,
        description="It stands in parentheses behind the symbols of its cylinders: AA1(ENG).",
    )


class ExtendPage(KeyingForm):
    """What to add to a system in service."""

    master = SelectField("Changes under")
    changes = WholeField("How many", least=0, most=10_000, default=0)
    grand = SelectField("New masters under")
    masters = WholeField("How many masters", least=0, most=500, default=0)
    changes_each = WholeField("Changes under each new master", least=0, most=10_000, default=0)
    keyway = SelectField(
        "On keyway", description="Where its keys do not enter the others, the same bittings can be had once more."
    )
    reserve = text(
        "Keep back", 400, hint="For a floor, a building or a department: floor 2: 10; Chemistry: 5 under AB."
    )
    singles = WholeField("How many single keyed", least=0, most=500, default=0)
    seconds = LimitField("Time limit, seconds", least=5, most=300, default=SECONDS)

    def offer(self, system: KeySystem, keyways: Sequence[str] = ()) -> None:
        """Fill the masters, the grands, and the keyways that new masters can be on besides the system's."""
        is_on_one = len(sections_of(system)) == 1
        own = (
            {"": f"{system.keyway}, as the system"}
            if is_on_one
            else {"": "as the key above", system.keyway: system.keyway}
        )
        self.keyway.choices = own | {one: one for one in keyways}
        self.keyway.validate_choice = bool(self.keyway.raw_data)
        masters = _symbols(system, Level.MASTER)
        grands = {
            symbol: words for level in Level if level.is_upper for symbol, words in _symbols(system, level).items()
        }
        direct = grands = {symbol: words for symbol, words in grands.items() if symbol not in masters}
        above = {symbol: f"{words}, directly: no further master" for symbol, words in direct.items()}
        alone = {"": "no master: each stands by itself"} if not masters and not above else {}
        above |= {symbol: f"{words}, selective" for symbol, words in _symbols(system, Level.SELECTIVE).items()}
        self.master.choices, self.grand.choices = alone or {**masters, **above}, grands
        for field in (self.master, self.grand):
            # Two levels have no grand to choose, and a system that must not be extended shows neither list.
            field.validate_choice = bool(field.raw_data)

    def box(self, field: str) -> str:
        """The engine names the master or the grand that it could not serve."""
        if field in ("quantity", "bittings"):
            return "singles"
        return field.partition(".")[0]

    def read(self) -> ExtendForm:
        """The form as the use case takes it."""
        counts = {name: self[name].data or 0 for name in ("changes", "masters", "changes_each")}
        return self.into(ExtendForm, **counts)


class LostPage(KeyingForm):
    """Which keyset's key was lost; to report it, which copies, and since when."""

    boxes: ClassVar[Mapping[str, str]] = {"symbol": "keyset"}
    keyset = SelectField("A key of", [InputRequired("Choose the keyset.")])
    which = RadioField(
        "What is lost",
        choices={one.value: one.words for one in Which},
        default=Which.COPIES.value,
        validate_choice=False,
    )
    copies = text("Copies", 200, hint="As stamped: 3, or 1-4, or 1, 3.")
    since = DayField("Since", [Optional()], description="If anybody knows.")
    note = area("Note", 500, hint="How it was lost; it stays on record.", rows=2)

    def offer(self, opened: OpenedSystem) -> None:
        """Fill the keysets."""
        self.keyset.choices = {"": "Choose …"} | {
            one.symbol: ", ".join(filter(None, (one.symbol, one.level.value, one.purpose_and_state)))
            for one in opened.system.keysets
        }

    def read(self, system_id: int) -> LossForm:
        """The loss as the use case takes it."""
        known = {one.value: one for one in Which}
        which = known.get(typed(self.which), Which.COPIES)
        if which is Which.COPIES and not typed(self.copies):
            raise LedgerError(
                "copies", "Enter the copy numbers stamped on the keys, such as 3 or 1-4, or say that you do not know."
            )
        copies = read_copies(typed(self.copies)) if which is Which.COPIES else ()
        return LossForm(system_id, typed(self.keyset), which, copies, self.since.data, typed(self.note))


class AuditPage(PageForm):
    """How far off a worn cut may be to count as a near miss."""

    tolerance = SelectField(
        "A worn cut is off by up to",
        default="1",
        choices={"1": "1 increment", "2": "2 increments", "3": "3 increments"},
    )


class ControlPage(KeyingForm):
    """The control key of cores in service."""

    boxes: ClassVar[Mapping[str, str]] = {"keying": "control", "control_offset": "control", "bitting": "control"}
    control = bitting_field(
        "Control key's bitting", hint="From bow to tip, wherever the key stops; as the cores in service have it."
    )
    from_bow = from_bow_field()


class CorrectPage(KeyingForm):
    """The right bitting of a keyset whose record is wrong."""

    boxes: ClassVar[Mapping[str, str]] = {"control_offset": "bitting"}
    keyset = SelectField("Keyset", [InputRequired("Choose the keyset.")])
    bitting = bitting_field(
        "Right bitting",
        InputRequired("Enter the bitting."),
        hint="From bow to tip, wherever the key stops; from the key or its list.",
    )
    from_bow = from_bow_field()
    why = text("How it was found", 200, hint="Goes on record; the cuts do not.", needed="Say how it was found.")
    destroyed = BooleanField("Keys cut by the old record are destroyed or lost, all cylinders pinned by it repinned")

    def offer(self, system: KeySystem) -> None:
        """Fill the keysets."""
        keysets = {str(one.id): f"{one.symbol}, {one.level.value}" for one in system.keysets}
        self.keyset.choices = {"": "Choose …", **keysets}


def _symbols(system: KeySystem, level: Level) -> dict[str, str]:
    """Symbol → symbol and purpose of a system's keysets of a level."""
    keysets = [keyset for keyset in system.keysets if keyset.level is level]
    return {one.symbol: ", ".join(filter(None, (one.symbol, one.purpose_and_state))) for one in keysets}


class WaysPage(KeyingForm):
    """Which way of a loss is chosen, as its version was read."""

    way = StringField("Way", [InputRequired("Choose one of the ways.")])
    version = HiddenField()


class PhasesPage(KeyingForm):
    """How what is left of a loss's plan is parted into quotes."""

    by = RadioField("Phases", default=PhasesBy.ALL.value)
    a_day = WholeField("Cylinders a day", description="For phases by day.", least=1, most=5_000)
    doors = area("Doors", 2_000, hint="For chosen doors: opening numbers, parted by commas, blanks or lines.", rows=2)

    def offer(self, plan: PlanOfLoss) -> None:
        """Fill in what the house can say of the phases."""
        floors = counted(plan.floors, "floor")
        self.by.choices = [
            (PhasesBy.ALL.value, f"All at once: {counted(len(plan.left), 'cylinder')} in one quote"),
            (PhasesBy.DAY.value, "By day: so many cylinders each"),
            (PhasesBy.FLOOR.value, f"By floor, as the opening numbers tell: {floors}"),
            (PhasesBy.DOORS.value, "Chosen doors now, the others later"),
        ]
        if not self.is_submitted():
            self.a_day.data = plan.a_day

    @property
    def phases(self) -> PhaseForm:
        """As it was sent."""
        return PhaseForm(typed(self.by), self.a_day.data or 0, tuple(re.split(r"[\s,;]+", typed(self.doors).strip())))
