"""One factory for each table: a test states only what it is about, the rest is plausible and unique."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime
from typing import Any

import factory
from factory.alchemy import SQLAlchemyModelFactory
from flask.testing import FlaskClient
from sqlalchemy import select, update
from sqlalchemy.orm import Session

from app.ledger import tables as models
from app.ledger.people import passwords
from app.ledger.people.sessions import begin
from app.ledger.people.users import name_key
from app.ledger.store.work import Actor

BENCH_TERMS: dict[str, Any] = {
    "labour_cents_per_hour": 4600,
    "type_minutes": {"mortise": 6},
    "kind_minutes": {"KD": 2},
    "minutes_per_day": 60,
}
MOMENT = datetime(2026, 11, 2, 9, 0, tzinfo=UTC)
PASSWORD = "reed bed at low water"
_hashes: dict[tuple[str, object], str] = {}
_session: list[Session] = []


@contextmanager
def saving_into(session: Session) -> Iterator[None]:
    """While the block runs, factories save into `session` and commit."""
    _session.append(session)
    try:
        yield
    finally:
        _session.pop()


def password_hash(password: str) -> str:
    """The password's real hash, made once a run by each hasher: hashing takes its time on purpose."""
    key = (password, passwords._HASHER)
    if key not in _hashes:
        _hashes[key] = passwords.hash_password(password)
    return _hashes[key]


class FormClient(FlaskClient):
    """A test client that posts forms as a browser does: with the CSRF token of its session.

    `log_in(user)` begins a session without the login page; `post(…, csrf=False)` leaves the token out.
    """

    def log_in(self, user: models.User) -> None:
        """Begin a login of `user`, at the application's own time, as if the password had been given now."""
        ledger, now = self.application.extensions["ledger"], self.application.extensions["clock"]()
        with ledger.work(Actor.of(user), now) as work:
            token = begin(work, user, "127.0.0.1")
        with self.session_transaction() as held:
            held.clear()
            held.update(_user_id=str(user.id), _fresh=True, login=token)

    def csrf_token(self) -> str:
        """A token that this client's session accepts."""
        from flask_wtf.csrf import generate_csrf

        with self.application.test_request_context("/"):
            with self.session_transaction() as held:
                from flask import session

                if "csrf_token" in held:
                    session["csrf_token"] = held["csrf_token"]
                token = generate_csrf()
                held["csrf_token"] = session["csrf_token"]
            return str(token)

    def post(self, *args: Any, csrf: bool = True, **kwargs: Any) -> Any:
        if csrf:
            kwargs["data"] = {"csrf_token": self.csrf_token(), **(kwargs.get("data") or {})}
        return super().post(*args, **kwargs)


class _Factory(SQLAlchemyModelFactory):
    class Meta:
        abstract = True
        sqlalchemy_session_factory = staticmethod(lambda: _session[-1])
        sqlalchemy_session_persistence = "commit"


class UserFactory(_Factory):
    class Meta:
        model = models.User

    class Params:
        password = PASSWORD

    name = factory.Sequence(lambda n: f"Person {n}")
    name_key = factory.LazyAttribute(lambda user: name_key(user.name))
    role = models.Role.COUNTER
    password_hash = factory.LazyAttribute(lambda user: password_hash(user.password))
    created_at = MOMENT


class LoginAttemptFactory(_Factory):
    class Meta:
        model = models.LoginAttempt

    name_key = "owner"
    address = "127.0.0.1"
    at = MOMENT
    succeeded = False


class HouseFactory(_Factory):
    class Meta:
        model = models.House

    name = "Fenwick Quay Builders' Hardware"
    address = "1 Fenwick Quay\nSaltmarsh"
    phone = "(555) 010-0100"
    tax_place = "Saltmarsh"


class CustomerFactory(_Factory):
    class Meta:
        model = models.Customer

    name = factory.Sequence(lambda n: f"Customer {n}")
    phone = ""
    phone_digits = factory.LazyAttribute(lambda customer: "".join(d for d in customer.phone if d.isdigit()))
    created_at = MOMENT


class ContactFactory(_Factory):
    class Meta:
        model = models.Contact

    customer = factory.SubFactory(CustomerFactory)
    name = factory.Sequence(lambda n: f"Contact {n}")


class SiteFactory(_Factory):
    class Meta:
        model = models.Site

    customer = factory.SubFactory(CustomerFactory)
    name = factory.Sequence(lambda n: f"Hall {n}")


class FormerNameFactory(_Factory):
    class Meta:
        model = models.FormerName

    name = factory.Sequence(lambda n: f"Former {n}")
    until = MOMENT.date()


class DoorFactory(_Factory):
    class Meta:
        model = models.Door

    site = factory.SubFactory(SiteFactory)
    opening_number = factory.Sequence(lambda n: f"{100 + n}")


class LockFactory(_Factory):
    class Meta:
        model = models.Lock

    door = factory.SubFactory(DoorFactory)
    description = "mortise lock, office function"


class MakerFactory(_Factory):
    class Meta:
        model = models.Maker

    code = factory.Sequence(lambda n: f"M{n}")
    name = factory.Sequence(lambda n: f"Maker {n}")
    tables = factory.LazyAttribute(lambda maker: {"name": maker.name, "code": maker.code})


class SpecFactory(_Factory):
    class Meta:
        model = models.SpecRow

    name = factory.Sequence(lambda n: f"Spec {n}")
    spec = factory.LazyFunction(lambda: {"chambers": 6, "depths": 10, "first_depth": 0, "macs": 7, "step": 2})


class KeywayFactory(_Factory):
    class Meta:
        model = models.Keyway

    maker = factory.SubFactory(MakerFactory)
    spec = factory.SubFactory(SpecFactory)
    code = factory.Sequence(lambda n: f"AQ{n}")


class StockPlaceFactory(_Factory):
    class Meta:
        model = models.StockPlace

    name = factory.Sequence(lambda n: f"Van {n}")
    kind = models.PlaceKind.VAN


class ItemFactory(_Factory):
    class Meta:
        model = models.Item

    kind = models.ItemKind.GOODS
    code = factory.Sequence(lambda n: f"GOODS-{n}")
    words = "Something on the shelf"
    cost_cents = 250


class StockMovementFactory(_Factory):
    class Meta:
        model = models.StockMovement

    item_id = factory.LazyFunction(lambda: ItemFactory(is_counted=True).id)
    kind = models.MovementKind.COUNTED
    on_hand = 100
    at = MOMENT

    @classmethod
    def _after_postgeneration(cls, instance: Any, create: bool, results: Any = None) -> None:
        _session[-1].execute(update(models.Item).where(models.Item.id == instance.item_id).values(is_counted=True))
        _session[-1].commit()


class CatalogItemFactory(_Factory):
    class Meta:
        model = models.Item

    maker = factory.SubFactory(MakerFactory)
    kind = models.ItemKind.PART
    code = factory.Sequence(lambda n: f"AB-{1000 + n}")
    category = "cylinder"
    words = "mortise cylinder 1-1/8, AQ1, 626"
    cost_cents = 2150
    list_cents = 5200


class MakerPaperFactory(_Factory):
    class Meta:
        model = models.MakerPaper

    maker = factory.SubFactory(MakerFactory)
    title = "Catalog"
    name = "catalog.pdf"
    stored_name = factory.Sequence(lambda n: f"{n:032x}")
    size = 1000
    sha256 = factory.Sequence(lambda n: n.to_bytes(32, "big"))
    pages = 1
    text_pages = 1
    added_at = MOMENT


class MakerPaperPageFactory(_Factory):
    class Meta:
        model = models.MakerPaperPage

    paper = factory.SubFactory(MakerPaperFactory)
    number = 1
    text = "Cams and tailpieces"


class FactoryTermsFactory(_Factory):
    class Meta:
        model = models.FactoryTermsRow

    maker_id = factory.LazyFunction(lambda: MakerFactory().id)
    valid_from = date(2026, 1, 1)
    terms = factory.LazyFunction(dict)


class PriceRowFactory(_Factory):
    """A price, and the house's own item of its code where nobody has it yet: it says words, category and kind."""

    class Meta:
        model = models.PriceBookRow

    code = factory.Sequence(lambda n: f"item-{n}")
    description = "Cut key"
    category = "keys"
    kind = "goods"
    unit_cents = 450
    cost_cents = 80
    valid_from = date(2026, 1, 1)

    @classmethod
    def _create(cls, model_class: Any, *args: Any, **kwargs: Any) -> Any:
        words, category, kind = (kwargs.pop(name) for name in ("description", "category", "kind"))
        known = _session[-1].scalars(select(models.Item).where(models.Item.code == kwargs["code"])).first()
        item = known or models.Item(code=kwargs["code"])
        if item.maker_id is None:
            is_labor = kind in ("labor", "labour")
            item.kind = models.ItemKind.LABOR if is_labor else models.ItemKind.GOODS
            item.words, item.category = words, category
            _session[-1].add(item)
        return super()._create(model_class, *args, **kwargs)


class PriceTierFactory(_Factory):
    class Meta:
        model = models.PriceTier

    name = factory.Sequence(lambda n: f"Tier {n}")
    percent_off = "10"


class DecidingDayFactory(_Factory):
    class Meta:
        model = models.DecidingDayRow

    valid_from = date(2026, 1, 1)
    tax_of_hand_over = True
    prices_of_hand_over = False


class TaxRuleFactory(_Factory):
    class Meta:
        model = models.TaxRuleRow

    place = "Saltmarsh"
    rate_percent = "7.25"
    goods_taxed = True
    labour_taxed = False
    valid_from = date(2026, 1, 1)


class BenchTermsFactory(_Factory):
    class Meta:
        model = models.BenchTermsRow

    valid_from = date(2026, 1, 1)
    terms = factory.LazyFunction(dict)


class KeySystemFactory(_Factory):
    class Meta:
        model = models.KeySystem

    customer = factory.SubFactory(CustomerFactory)
    spec = factory.SubFactory(SpecFactory)
    name = factory.Sequence(lambda n: f"System {n}")
    levels = 2
    keyway = "AQ1"
    chambers = 6
    created_at = MOMENT


class KeysetFactory(_Factory):
    class Meta:
        model = models.Keyset

    system = factory.SubFactory(KeySystemFactory)
    symbol = factory.Sequence(lambda n: f"{n + 1}AA")
    level = models.Level.CHANGE


class KeyFactory(_Factory):
    class Meta:
        model = models.Key

    keyset = factory.SubFactory(KeysetFactory)
    copy_number = factory.Sequence(lambda n: n + 1)
    changed_at = MOMENT


class LossFactory(_Factory):
    class Meta:
        model = models.Loss

    keyset = factory.SubFactory(KeysetFactory)
    system_id = factory.LazyAttribute(lambda loss: loss.keyset.system_id)
    reported_at = MOMENT


class JobFactory(_Factory):
    class Meta:
        model = models.Job

    customer = factory.SubFactory(CustomerFactory)
    opened_by = factory.SubFactory(UserFactory)
    number = factory.Sequence(lambda n: 6001 + n)  # none that the house gives by itself in a test
    title = "Two cylinders, keyed alike"
    asked_on = date(2026, 11, 2)


class JobLineFactory(_Factory):
    class Meta:
        model = models.JobLine

    job = factory.SubFactory(JobFactory)
    number = factory.Sequence(lambda n: n + 1)
    kind = "hardware"
    description = "Cylinder ring 1/8"
    quantity = 1
    unit_cents = 350
    ask = factory.LazyFunction(dict)


class SoldLineFactory(_Factory):
    class Meta:
        model = models.SoldLine

    job_id = factory.LazyFunction(lambda: JobFactory().id)
    label = factory.Sequence(lambda n: f"{n + 1}")
    kind = "cylinder"
    words = "Mortise cylinder 1-1/8"
    quantity = 1
    amount_cents = 5000
    cost_cents = 3000


class CylinderFactory(_Factory):
    class Meta:
        model = models.Cylinder

    door = factory.SubFactory(DoorFactory)
    words = "mortise cylinder 1-1/8, AQ1, 626"
    type = "mortise"
    state = factory.LazyAttribute(  # what no job brings stands there
        lambda one: models.CylinderState.ORDERED if getattr(one, "job_id", None) else models.CylinderState.FITTED
    )


class WarrantyFactory(_Factory):
    class Meta:
        model = models.Warranty

    job = factory.SubFactory(JobFactory)
    cylinder = factory.SubFactory(CylinderFactory)
    reason = "The plug turns without a key"
    borne_by = models.BorneBy.MAKER
    opened_at = MOMENT


class AppointmentFactory(_Factory):
    class Meta:
        model = models.Appointment

    uid = factory.Sequence(lambda n: f"appointment-{n}@house")
    job = factory.SubFactory(JobFactory)
    day = date(2026, 11, 26)
    installer = "Pell"


class ReminderFactory(_Factory):
    class Meta:
        model = models.Reminder

    due_on = date(2026, 11, 26)
    words = "Ring about the finish"
    job = factory.SubFactory(JobFactory)
    role = models.Role.COUNTER
    made_by = factory.SubFactory(UserFactory)


class CylinderOperatorFactory(_Factory):
    class Meta:
        model = models.CylinderOperator

    cylinder_id = factory.LazyFunction(lambda: CylinderFactory().id)
    keyset = factory.SubFactory(KeysetFactory)


class QuoteRevisionFactory(_Factory):
    class Meta:
        model = models.QuoteRevision

    job = factory.SubFactory(JobFactory)
    issued_by = factory.SubFactory(UserFactory)
    revision = 1
    issued_at = MOMENT
    valid_until = date(2026, 12, 2)
    snapshot = "{}"
    sha256 = "0" * 64
    subtotal_cents = 10000
    total_cents = 10725
    cost_cents = 6000
    request_token = factory.Sequence(lambda n: f"token-{n}")


class PaymentFactory(_Factory):
    class Meta:
        model = models.Payment

    job_id = factory.LazyFunction(lambda: JobFactory().id)
    taken_by_id = factory.LazyFunction(lambda: UserFactory().id)
    received_on = date(2026, 11, 3)
    cents = 5000
    means = "cash"


class DraftFactory(_Factory):
    class Meta:
        model = models.Draft

    token = factory.Sequence(lambda n: f"draft-{n}")
    user_id = factory.LazyFunction(lambda: UserFactory().id)
    typed = factory.LazyFunction(dict)
    saved_at = MOMENT
