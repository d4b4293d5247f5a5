"""A list of who holds which keys goes in: by copy or by count, never against what is on record."""

import sqlalchemy as sa

from app.ledger.importing.imports import KINDS, open_table, plan_import, propose_choice, save_import, undo_import
from app.ledger.importing.kinds import RowState
from app.ledger.store.work import Work
from app.ledger.tables import Key, KeyState
from app.spreadsheets import PASTED
from tests import factories


def test_keys_are_on_record_as_out_and_taken_back(work: Work) -> None:
    system = factories.KeySystemFactory(name="North")
    keyset = factories.KeysetFactory(symbol="AA1", system=system)
    factories.KeyFactory(keyset=keyset, copy_number=1, state=KeyState.RETURNED)
    factories.KeyFactory(keyset=keyset, copy_number=2, state=KeyState.OUT, holder="Ann Reed")
    factories.KeyFactory(keyset=keyset, copy_number=3, state=KeyState.LOST)
    rows = (
        "Key holders of North\n\nIssued to\tKey\tCopy no.\tQty\tDue\n"
        "Bo Moor\taa1\t1\t\t01/31/2027\n"  # was in the shop
        "ANN REED\tAA1\t2\t\t\n"  # stands so already
        "Cy Marsh\tAA1\t3\t\t\n"  # is lost by the record
        "Cy Marsh\tAA1\t2\t\t\n"  # Ann has it
        "Dee Teal\tAA1\t\t2\t\n"  # two more, 4 and 5
        "Dee Teal\tZZ9\t1\t\t\n"
    )
    sent = open_table(PASTED, rows.encode(), KINDS["keys"], system.id)
    choice = propose_choice(work.session, sent).choice
    plan = plan_import(work.session, sent, choice)
    assert [(one.title, one.state) for one in plan.plans] == [
        ("AA1 copy 1", RowState.CHANGED),
        ("AA1 copy 2", RowState.SAME),
        ("AA1 copies 4-5", RowState.NEW),
    ]
    assert [(one.row, one.message.partition(":")[0]) for one in plan.problems] == [
        (6, "On record copy 3 of AA1 is lost"),
        (7, "Copy 2 of AA1 stands in row 5 already."),
        (9, "No keyset 'ZZ9' is on record here"),
    ]
    row = save_import(work, sent, choice, plan.seal, leaves_problems_aside=True)
    held = sa.select(Key.copy_number, Key.holder).where(Key.state == KeyState.OUT).order_by(Key.copy_number)
    assert [tuple(one) for one in work.session.execute(held)] == [
        (1, "Bo Moor"), (2, "Ann Reed"), (4, "Dee Teal"), (5, "Dee Teal"),
    ]  # fmt: skip
    # The same list once more: Dee's two are the two that she has.
    assert all(one.state is RowState.SAME for one in plan_import(work.session, sent, choice).plans)
    undo_import(work, row.id, row.version)
    assert [tuple(one) for one in work.session.execute(held)] == [(2, "Ann Reed")]
    assert work.session.scalar(sa.select(Key.state).where(Key.copy_number == 1)) is KeyState.RETURNED
