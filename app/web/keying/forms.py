"""Forms of planning a system, cross-keying, extending and the loss of a key."""

from __future__ import annotations

from collections.abc import Sequence

from wtforms import BooleanField, HiddenField, PasswordField, SelectField
from wtforms.validators import InputRequired, Length

from app.ledger.catalog.specs import keyway_chambers
from app.ledger.keysystems.planning import PlanForm
from app.ledger.keysystems.unsealed_system import OpenedSystem
from app.ledger.store import Session
from app.ledger.tables import Keyset, KeySystem, Level
from app.web.fields import WholeField
from app.web.forms_base import PageForm, text, typed
from app.web.keying.fields import offer


def keyway_choices(session: Session) -> list[tuple[str, str]]:
    """Every keyway with its maker and its most chambers."""
    return [(code, f"{code}, {maker}, {most} chambers") for code, maker, most in keyway_chambers(session)]


SECONDS = 60


def limit_field() -> WholeField:
    """How long a search may take."""
    return WholeField("Time limit, seconds", least=5, most=300, default=SECONDS)


def default_limit(field: WholeField) -> None:
    """Put the usual limit into a field that the posted page did not have yet."""
    if not field.raw_data:
        field.data, field.typed = SECONDS, None


class PlanPage(PageForm):
    """What a new system must hold."""

    keyway = SelectField("Keyway", [InputRequired("Choose a keyway.")])
    chambers = WholeField("Chambers", [InputRequired("Enter how many.")], least=3, most=12, default=6)
    levels = SelectField("Levels")
    grands = WholeField("Grand masters", least=1, most=22, default=1, description="With four levels.")
    masters = WholeField(
        "Masters", least=1, most=100_000, default=1, description="Under each grand; with three levels or four."
    )
    changes = WholeField(
        "Changes under each master", [InputRequired("Enter how many.")], least=1, most=100_000, default=10
    )
    expansion = WholeField("Expansion, percent", least=0, most=1000, default=25, description="Room for later.")

    def offer(self, session: Session) -> None:
        """Fill the lists to choose from."""
        offer(self.keyway, keyway_choices(session))
        offer(
            self.levels,
            [("2", "2: master, changes"), ("3", "3: grand, masters, changes"), ("4", "4: great grand and below")],
        )

    @property
    def asked(self) -> dict[str, object]:
        """What was typed, by field, for the form that starts the system."""
        return {name: self[name].data for name in _ASKED}

    def read(self) -> PlanForm:
        """The form as the use case takes it."""
        return self.into(
            PlanForm,
            levels=int(self.levels.data),
            changes_per_master=self.changes.data,
            masters=self.masters.data or 1,
            grands=self.grands.data or 1,
            expansion_percent=self.expansion.data or 0,
        )


_ASKED = ("keyway", "chambers", "levels", "grands", "masters", "changes", "expansion")


class StartPage(PlanPage):
    """The plan that was chosen, and whose system it is to be; the demand is posted back with it."""

    sealed = HiddenField()
    roles = HiddenField()
    customer = SelectField("Customer", [InputRequired("Choose the customer.")])
    name = text("Name of the system", 120, needed="Enter a name for the system.")

    def offer_customers(self, customers: Sequence[tuple[str, str]]) -> None:
        """Fill the customers."""
        offer(self.customer, [("", "Choose …"), *customers])


class CrossPage(PageForm):
    """Which cylinder, and which keysets shall operate it too."""

    cylinder = SelectField("Cylinder", [InputRequired("Choose a cylinder.")])
    symbols = text(
        "Shall be operated by, too", 400, hint="Keysets, such as AA3 AB1.", needed="Enter at least one keyset."
    )

    seconds = limit_field()

    def offer(self, opened: OpenedSystem) -> None:
        """Fill the cylinders."""
        rows = [
            (str(cylinder.id), f"{way.label} · {place}")
            for way in opened.ways.values()
            for cylinder, place in zip(way.cylinders, way.places, strict=True)
        ]
        offer(self.cylinder, [("", "Choose …"), *rows])
        default_limit(self.seconds)

    @property
    def wanted(self) -> tuple[str, ...]:
        """The symbols, in capitals as they stand in the system."""
        return tuple(dict.fromkeys(typed(self.symbols).replace(",", " ").upper().split()))


class ExtendPage(PageForm):
    """What to add to a system in service."""

    master = SelectField("Changes under")
    changes = WholeField("How many", least=0, most=10_000, default=0)
    grand = SelectField("New masters under")
    masters = WholeField("How many masters", least=0, most=500, default=0)
    changes_each = WholeField("Changes under each new master", least=0, most=10_000, default=0)
    singles = WholeField("How many single keyed", least=0, most=500, default=0)
    seconds = limit_field()

    def offer(self, system: KeySystem) -> None:
        """Fill the masters and grands."""
        direct = [*_of(system, Level.GRAND), *_of(system, Level.GREAT_GRAND)]
        above = [(symbol, f"{words}, directly: no master operates them") for symbol, words in direct]
        offer(self.master, [*_of(system, Level.MASTER), *above])
        offer(self.grand, _of(system, Level.GRAND))
        for field in (self.master, self.grand):
            # Two levels have no grand to choose, and a system that must not be extended shows neither list.
            field.validate_choice = bool(field.raw_data)
        default_limit(self.seconds)


class LostPage(PageForm):
    """Which keyset's key was lost."""

    keyset = SelectField("A key of", [InputRequired("Choose the keyset.")])

    def offer(self, opened: OpenedSystem) -> None:
        """Fill the keysets."""
        rows = [
            (k.symbol, f"{k.symbol}, {k.level.value}{f', {k.purpose}' if k.purpose else ''}")
            for k in opened.system.keysets
        ]
        offer(self.keyset, [("", "Choose …"), *rows])


class AuditPage(PageForm):
    """How far off a worn cut may be to count as a near miss."""

    tolerance = SelectField("A worn cut is off by up to", default="1")

    def offer(self) -> None:
        """Fill the increments."""
        offer(self.tolerance, [("1", "1 increment"), ("2", "2 increments"), ("3", "3 increments")])


class ControlPage(PageForm):
    """The control key of cores in service."""

    control = PasswordField(
        "Control key's bitting",
        [Length(max=12, message="A bitting has at most 12 cuts.")],
        description="Bow to tip, as the cores in service have it. Not shown again.",
    )


class CorrectPage(PageForm):
    """The right bitting of a keyset whose record is wrong."""

    keyset = SelectField("Keyset", [InputRequired("Choose the keyset.")])
    bitting = PasswordField(
        "Right bitting",
        [InputRequired("Enter the bitting."), Length(max=12, message="A bitting has at most 12 cuts.")],
        description="Bow to tip, read from the key or its list. Not shown again.",
    )
    why = text("How it was found", 200, hint="Goes on record; the cuts do not.", needed="Say how it was found.")
    destroyed = BooleanField("Keys cut by the old record are destroyed or lost, all cylinders pinned by it repinned")

    def offer(self, system: KeySystem) -> None:
        """Fill the keysets."""
        rows = [(str(one.id), f"{one.symbol}, {one.level.value}") for one in system.keysets]
        offer(self.keyset, [("", "Choose …"), *rows])


def _of(system: KeySystem, level: Level) -> list[tuple[str, str]]:
    def words(keyset: Keyset) -> str:
        return f"{keyset.symbol}, {keyset.purpose}" if keyset.purpose else keyset.symbol

    return [(keyset.symbol, words(keyset)) for keyset in system.keysets if keyset.level is level]
