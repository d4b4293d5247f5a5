"""What a quote for a loss does, by the plan that was chosen for it: which keysets doors get, and which keys come."""

import re
from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload

from app.errors import BitternError, Problem
from app.ledger.keys.losing import copies_of
from app.ledger.keys.loss_plans import ANEW, LEFT_OUT, NO_MASTERS, Rekeyed, rekeyed_by
from app.ledger.keysystems.keysets import symbols_in_words
from app.ledger.quoting.request import LineRequest, QuoteRequest
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.tables import Cylinder, CylinderState, Draft, Job, Key, Keyset, Level, Loss, Stage
from app.validation import counted

_LEVELS = {
    "changes": Level.CHANGE,
    "singles": Level.SINGLE,
    "control keys": Level.CONTROL,
    **{f"{one.value}s": one for one in Level if one.is_upper or one is Level.SELECTIVE},
}
_NEW = re.compile(rf"new\s+({'|'.join(_LEVELS)})", re.IGNORECASE)
_ON_DOORS = (Level.CHANGE, Level.SINGLE)
UPPER = (*(one for one in Level if one.is_upper), Level.SELECTIVE, Level.CONTROL)
"""The levels whose keys are on no door of their own: they come with the first phase."""

AFTER_LOSS, AT_DOOR, AT_DOORS = "after the loss of a key of ", "door ", "doors "
STAYS_CROSSED, STAYS_NMK = "stays cross-keyed with ", "stays NMK"
_OF_LINE = (AFTER_LOSS, AT_DOOR, AT_DOORS, STAYS_CROSSED, STAYS_NMK)


def remark_on_cylinder(remark: str) -> str:
    """What of the remark of a loss's line goes on record with each of its cylinders: not why and at which doors the
    line is quoted, since job, door and operators say so, and it would stay on the door for good.

    >>> remark_on_cylinder("after the loss of a key of AA1; doors D1, D4; stays NMK; cam bent; AA is left out")
    'cam bent; AA is left out'
    """
    return "; ".join(part for part in remark.split("; ") if not part.startswith(_OF_LINE))


def new_keys_named(symbol: str) -> Level | None:
    """The level whose new keysets a key line is for, as a plan for a loss has them; None where it says others.

    >>> new_keys_named("New masters"), new_keys_named("masters")
    (<Level.MASTER: 'master'>, None)
    """
    found = _NEW.fullmatch(" ".join(symbol.split()))
    return _LEVELS[found[1].lower()] if found else None


def name_new_keys(level: Level) -> str:
    """The same as a key line says it."""
    return f"new {next(words for words, one in _LEVELS.items() if one is level)}"


class PlanOfQuote:
    """The plan of the loss that a quote is for."""

    def __init__(self, session: Session, loss: Loss, lines: Sequence[LineRequest]) -> None:
        self._session = session
        self.loss = loss
        self._standing = [one for line in lines for one in line.standing]

    @classmethod
    def of(cls, session: Session, ask: QuoteRequest) -> "PlanOfQuote | None":
        """None where the quote is for no loss."""
        loss = session.get(Loss, ask.loss_id) if ask.loss_id is not None else None
        return cls(session, loss, ask.lines) if loss is not None else None

    def rekeyed(self, cylinder: Cylinder) -> Rekeyed:
        """What a cylinder is keyed to; BitternError on `quantity` where the plan leaves nothing that operates it."""
        found = rekeyed_by(cylinder, self.loss.successors)
        if found is None:
            raise BitternError("quantity", f"The plan leaves no key to one of these doors: {ANEW}.")
        return found

    def now(self, symbol: str) -> str:
        """The symbol of what takes a keyset's place, or its own."""
        return self.loss.successors.get(symbol, symbol)

    def new_keys(self, level: Level, quantity: int) -> dict[str, int]:
        """How many of so many keys each new keyset of a level gets: as many as there were of the old one, else alike.

        Of changes those on the quote's doors, and with the first ones such as are on no door. BitternError on
        `symbol` or `quantity`.
        """
        groups = self._groups(level)
        if not groups[-1]:
            raise BitternError("symbol", f"The plan for the loss has no {name_new_keys(level)}: take this line off.")
        totals = [sum(self._copies[old] for old in group) for group in groups]
        for group, total in zip(groups, totals, strict=True):
            if group and total == quantity:
                self._require_not_ordered(group)
                return {new: self._copies[old] for old, new in group.items()}
        group = next(one for one in groups if one)
        if quantity % len(group):
            raise BitternError(
                "quantity",
                f"There were {totals[groups.index(group)]:,} keys of {counted(len(group), 'keyset')}: enter that, or "
                f"a multiple of {len(group):,}, so that each gets as many.",
            )
        self._require_not_ordered(group)
        return dict.fromkeys(group.values(), quantity // len(group))

    def _groups(self, level: Level) -> list[dict[str, str]]:
        """The new keysets of a level by the old: of changes the quote's doors', then with such as are on none."""
        replaced = self._replaced.items()
        mine = {old: new for old, new in replaced if self._by_symbol[old].level is level and self._copies[old]}
        if level not in _ON_DOORS:
            return [mine]
        here = {old: new for old, new in mine.items() if self._by_symbol[old].id in self._own_here}
        bare = {old: new for old, new in mine.items() if self._by_symbol[old].id not in self._on_doors}
        return [here, {**here, **bare}]

    def as_many_as_before(self, level: Level, *, with_bare: bool) -> int:
        """How many keys of a level there were; of changes the quote's doors' alone, or `with_bare` ones, too."""
        groups = self._groups(level)
        return sum(self._copies[old] for old in groups[-1 if with_bare else 0])

    def needs_keys(self) -> bool:
        """Whether keys are to come with the quote: to what the plan replaces on its doors, or to masters, where no
        quote of the loss brings those yet.
        """
        if any(self._groups(level)[0] for level in _ON_DOORS):
            return True
        has_masters = any(self._by_symbol[old].level in UPPER for old in self._replaced)
        return has_masters and not are_masters_keys_quoted(self._session, self.loss)

    def words_of_keys(self, level: Level, quantity: int) -> str:
        """Whose keys they are, for the line: 'Keys to AD1 to AD48, 2 each'."""
        counts = self.new_keys(level, quantity)
        kept = [new for new in counts if new in self._by_symbol]
        each = {*counts.values()}
        said = f", {each.pop():,} each" if len(counts) > 1 and len(each) == 1 else ""
        said = said or (", as many of each as there were" if len(counts) > 1 else "")
        by = " by the new bitting" if kept == [*counts] and level is not Level.CHANGE else ""
        return f"Keys to {symbols_in_words(counts)}{by}{said}"

    def _require_not_ordered(self, group: dict[str, str]) -> None:
        rows = (
            sa.select(Job.number, Keyset.symbol)
            .join(Key, Key.job_id == Job.id)
            .join(Keyset, Keyset.id == Key.keyset_id)
            .where(Job.loss_id == self.loss.id, Job.stage != Stage.CANCELED, Keyset.symbol.in_(group.values()))
            .where(Keyset.system_id == self.loss.system_id)
            .order_by(Job.number, Keyset.id)
        )
        if (there := self._session.execute(rows.limit(1)).first()) is not None:
            raise BitternError(
                "symbol", f"Keys to {there.symbol} came with job {there.number} of this loss: take this line off."
            )

    @cached_property
    def _replaced(self) -> dict[str, str]:
        return {old: new for old, new in self.loss.successors.items() if new not in (LEFT_OUT, NO_MASTERS)}

    @cached_property
    def _by_symbol(self) -> dict[str, Keyset]:
        rows = sa.select(Keyset).where(Keyset.system_id == self.loss.system_id).order_by(Keyset.id)
        return {one.symbol: one for one in self._session.scalars(rows)}

    @cached_property
    def _copies(self) -> dict[str, int]:
        return copies_of(self._session, self.loss.system)

    @cached_property
    def _own_here(self) -> set[int | None]:
        return set(self._session.scalars(sa.select(Cylinder.keyset_id).where(Cylinder.id.in_(self._standing))))

    @cached_property
    def _on_doors(self) -> set[int | None]:
        ids = [one.id for one in self._by_symbol.values()]
        there = sa.select(Cylinder.keyset_id).where(Cylinder.keyset_id.in_(ids))
        return set(self._session.scalars(there.where(Cylinder.state != CylinderState.REMOVED)))


def with_loss(session: Session, ask: QuoteRequest) -> tuple[QuoteRequest, list[Problem]]:
    """The request with the keysets that its loss's plan replaces, and what stands against quoting it."""
    if ask.loss_id is None:
        return ask, []
    loss = session.get(Loss, ask.loss_id)
    if loss is None or loss.system.customer_id != ask.customer_id:
        told = "This quote is for a loss of another customer: begin it on the loss's page."
        return replace(ask, loss_id=None), [Problem("lines", told)]
    problems = []
    if loss.closed_at is not None:
        problems.append(Problem("lines", f"The loss of {loss.keyset.symbol} is closed: nothing is rekeyed for it."))
    elif not loss.successors:
        problems.append(Problem("lines", f"No plan is chosen for the loss of {loss.keyset.symbol}: {ANEW}."))
    return replace(ask, replaced=tuple(loss.successors)), problems


def quoted_elsewhere(session: Session, ask: QuoteRequest, job_id: int | None) -> list[Problem]:
    """Doors of a request for a loss that stand in another open quote of it already."""
    if ask.loss_id is None:
        return []
    taken = in_open_quotes(session, ask.loss_id, but=job_id)
    problems = []
    for place, line in enumerate(ask.lines):
        twice = [one for one in line.standing if one in taken]
        if twice:
            rows = sa.select(Cylinder).where(Cylinder.id.in_(twice)).options(joinedload(Cylinder.door))
            doors = sorted(one.door.opening_number if one.door else "" for one in session.scalars(rows))
            told = (
                f"{', '.join(filter(None, doors[:8])) or 'What this line is for'} stands in the quote of job "
                f"{taken[twice[0]]} for this loss already: remove it here, or mark that quote as lost."
            )
            problems.append(Problem(f"lines.{place}.quantity", told))
    return problems


def in_open_quotes(session: Session, loss_id: int, but: int | None = None) -> dict[int, int]:
    """The ids of the cylinders in quotes and drafts of a loss that nobody has accepted or lost yet, with the job's
    number.
    """
    return {
        cylinder: job.number
        for job, lines in _live(session, loss_id)
        if job.stage in (Stage.ASKED, Stage.QUOTED) and job.id != but
        for standing, _ in lines
        for cylinder in standing
    }


def are_masters_keys_quoted(session: Session, loss: Loss) -> bool:
    """Whether a quote or job of a loss brings the keys of its upper levels; without such, whether there is one."""
    upper = {one.symbol for one in loss.system.keysets if one.level in UPPER} & loss.successors.keys()
    live = _live(session, loss.id)
    if not any(loss.successors[one] not in (LEFT_OUT, NO_MASTERS) for one in upper):
        return bool(live)
    return any(new_keys_named(symbol) in UPPER for _, lines in live for _, symbol in lines)


def _live(session: Session, loss_id: int) -> list[tuple[Job, list[tuple[list[int], str]]]]:
    """The jobs of a loss that are neither lost nor canceled, each with its lines' cylinders and symbol as asked."""
    rows = sa.select(Job).where(Job.loss_id == loss_id, Job.stage.not_in((Stage.LOST, Stage.CANCELED)))
    found = []
    for job in session.scalars(rows.order_by(Job.number)):
        if job.revisions:
            asked = read_snapshot(job.revisions[-1].snapshot).ask["lines"]
            lines = [(list(line.get("standing", ())), line.get("symbol", "")) for line in asked]
        else:
            drafts = session.scalars(sa.select(Draft.typed).where(Draft.job_id == job.id).order_by(Draft.token))
            typed = [line for page in drafts for line in page["lines"]]
            lines = [([*map(int, line.get("standing", "").split())], line.get("symbol", "")) for line in typed]
        found.append((job, lines))
    return found
