"""Who may do what: every use case asks for its right first, and refuses every role that lacks it.

The rights are written down here, not read from the code. A new public function of the ledger that takes work has to
be put on one of the two lists; a use case that no longer asks, or asks for another right, fails.
"""

import ast
import importlib
import inspect
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NoReturn

import pytest

from app.ledger.store.errors import NotAllowed
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Role

ASKS = ("work.require", "work.require_owner")
LEDGER = Path(__file__).resolve().parents[2] / "app/ledger"
NOBODY = "installer"
"""A role that the house does not know: nothing is permitted to it."""
EVERYBODY = (NOBODY, *Role)

RIGHTS: dict[tuple[Role, ...], str] = {
    # What a house is made of, what it costs and earns, who may log in, and every list of bittings.
    (Role.OWNER,): """
        bench.times: adopt_time
        reports.books: book_rows
        reports.reveals: find_reveals
        reports.promises: find_promises find_promised find_makers
        reports.sales: find_unprofitable margin_of_job
        care.sealing_key: take_sheet
        keysystems.correcting: correct_bitting
        importing.bitting_lists: note_list read_bitting_list take_bitting_list
        keysystems.settling: get_row_aside reveal_row settle_row
        keysystems.authority: change_records
        keys.blind_codes: print_register take_codes
        keysystems.sent_arrays: send_array note_array sealed_list sealed_letter
        keysystems.retiring: retire_system put_back_in_use
        merging.customer_merging: plan_merge merge_customers plan_unmerge unmerge_customers
        merging.customer_splitting: plan_split split_customer plan_unsplit unsplit_customer
        sites.site_merging: merge_sites undo_site_merge
        keysystems.bitting_lists: take_over
        catalog.first_day: take_default end_first_day
        importing.price_lists: take_price_list
        catalog.maker_papers: add_paper change_paper delete_paper note_page remove_note
        catalog.learned_makers: save_learned
        importing.learned_lists: learn_list
        catalog.maker_pictures: put_picture remove_picture
        catalog.makers: import_maker add_maker change_table set_ordering
        moving.importing: import_house plan_house
        privacy.subjects: find_subjects
        privacy.kept: kept_about
        privacy.deleting: plan_deletion delete_person delete_again destroy_key
        moving.export_file: export_house
        catalog.house_settings: set_bench_terms set_factory_terms set_house
        catalog.price_editing: set_price end_price
        catalog.price_editing: set_tier set_tax_rule set_deciding_day
        catalog.money_rules: set_money_rules
        money.credit: set_credit_limit
        catalog.price_book: put_prices
        catalog.price_rules: set_rule end_rule
        catalog.quote_rules: set_quote_rules
        catalog.specs: add_spec
        keysystems.bittings: change_spec
        people.users: add_user change_user set_password
        people.login_rules: set_rules
        stock.handling: scrap_stock move_between set_place
        catalog.items: save_item fill_prices
    """,
    # What shows or makes a bitting, and what is done at the bench.
    (Role.BENCH, Role.OWNER): """
        bench.times: record_times
        bench.checkoff: tick_cylinders tick_rack tick_keys
        bench.customers_keys: decode_customers_key
        bench.bench_sheet: bench_work cylinder_work former_pins keyset_work
        keysystems.bittings: reveal_bittings
        keysystems.auditing: check_whole_system
        keysystems.control: add_control
        keysystems.selective: add_selective
        keysystems.reserves: add_reserve release_reserve
        keysystems.crosskeying: seal_cross_search
        keysystems.crosskeying: cross_key
        keysystems.crosskeying: price_cross_keying
        keysystems.extending: make_extension_ready seal_extension
        keysystems.extending: extend_system key_single
        keysystems.planning: keep_clear make_ready seal_access
        bench.pins: pick_for_job
        keysystems.planning: start_planned
        bench.pins: set_stock draw_pins
        keysystems.bittings: decode_key
    """,
    # Money is taken at the counter.
    (Role.COUNTER, Role.OWNER): """
        goods.counter_sale: sell_at_counter
        goods.returns: return_goods
        goods.orders: make_drafts change_draft delete_draft send_order confirm_order cancel_pieces mail_order
        goods.moved_promises: promise_earlier mark_called
        money.payments: take_payment
        money.invoicing: invoice_job
        money.crediting: credit_lines cancel_invoice
        money.accounts: take_account_payment use_credit give_credit_back
        reports.sales: find_bought find_purchases
    """,
    # Customers, doors, quotes, jobs and pieces of keys: whoever works here.
    (Role.COUNTER, Role.BENCH, Role.OWNER): """
        sites.customers: add_customer change_customer add_site add_contact change_site change_contact
        sites.doors: change_door add_door
        sites.doors: change_doors
        sites.cylinders: add_cylinder take_out
        sites.door_history: undo_change
        sites.door_import: import_doors
        sites.duplicate_doors: merge_doors
        sites.door_moves: move_doors undo_move
        sites.likeness: add_unlike
        stock.counts: begin_stock_count enter_counts add_to_count save_count stop_stock_count
        stock.handling: count_item put_found
        jobs.files: keep_file
        jobs.schedule_revisions: print_schedule
        quoting.accepting: accept_quote
        quoting.issuing: issue_quote keep_asked
        quoting.mailing: send_quote
        quoting.repeating: repeat_of
        jobs.notes: add_note
        goods.warranties: open_warranty note_claim
        jobs.appointments: make_appointment change_appointment end_appointment
        jobs.reminders: set_reminder tick_reminder
        jobs.construction: mark_dead mark_cores
        quoting.issuing: requote keep_requote
        jobs.stages: move_job lose_quote
        goods.handing_over: hand_over hand_over_part
        goods.claims: settle_claim
        goods.receiving: receive
        bench.blanks: cut_keys
        keys.keys: order_copies cut_copies issue_keys return_key return_copies retire_key
        keys.keys: scrap_copies
        keys.blind_codes: give_blind_code give_codes
        keys.people: take_back_keys
        keys.losses: report_loss lose_key close_loss state_of_loss
        keys.counting: start_count mark_counted mark_stamps mark_rest end_count stop_count
        keys.losing: plan_for_loss
        keys.loss_plans: ways_of_loss choose_plan
        quoting.loss_drafts: plan_of_loss drafts_of_loss
        quoting.loss_letter: letter_of_loss
        keys.calling_in: call_in tick_off
        keysystems.planning: plan_for
        reports.recall: find_cylinders find_customers_to_call
        importing.imports: kind_named save_import get_import undo_import
    """,
}
NO_ROLE_OF_THEIR_OWN = {
    "a step inside a use case that has asked": """
        money.settling: settle
        importing.imports: remember_choice
        importing.price_lists: bring_in_prices
        money.invoicing: put_invoice
        money.payments: put_payment
        money.crediting: write_credit_notes
        money.credit: require_credit_for require_credit
        privacy.subjects: what_stands_in_the_way require_deletable
        sites.customers: insert_customer insert_customers insert_contacts insert_site site_named
        sites.doors: upsert_door
        store.events: record record_all
        quoting.accepting: newest_revision
        jobs.stages: require_checked pass_stage follow_parts
        quoting.mailing: send_once
        goods.orders: lead_days_of end_if_done
        goods.moved_promises: follow_jobs move_promises
        goods.handing_over: require_rekeyed_there
        goods.claims: open_claim
        goods.shelf: take_off_the_shelf
        quoting.lost_keys: allow_lost require_none_lost_of_job
        keysystems.systems: insert_system add_system_row name_is_taken find_keyway single_keyed_system
        keysystems.systems: keyway_alike keyways_beside_own require_blank
        keysystems.keysets: find_master
        keysystems.keysets: add_keysets add_customers_key
        keysystems.auditing: audit_systems require_clean prove_no_interchange
        keysystems.authority: require_authority require_job_authority
        store.work: require_current_key
        keysystems.bittings: add_keyset insert_keysets seal_bitting seal_bittings reseal_bittings seal_plan
        keysystems.bittings: put_plan_away
        keysystems.selective: insert_selective find_place
        keysystems.reserves: keep_reserves
        keysystems.bittings: note_reveal tops_on_keyway
        store.work: carry carried
        keysystems.control: find_control insert_control add_factory_control read_control
        keysystems.crosskeying: insert_operators require_lost_keys_stay_out
        keysystems.systems: plan_clear
        keysystems.keysets: next_cuts next_symbols
        keysystems.bitting_lists: seal_found_plan
        keysystems.rows_aside: open_rows_aside put_aside
        keysystems.extending: with_neighbors keyways_to_add
        keys.keys: order_keys add_keys hand_keys receipt_words taker_problems put_key record_keys put_back take_in
        keys.keys: find_keyset find_copies
        keys.losses: lose_keys
        keys.loss_plans: put_plan_on_record
        keysystems.bittings: count_capacity room_below
        keysystems.correcting: leave_array
        keysystems.lost_keysets: keep_lost_bitting open_lost_bitting open_lost_bittings
        keys.calling_in: call_in_keys
        keysystems.retiring: retire_keysets
        sites.former_names: keep_former
        sites.door_moves: put_doors
        merging.customer_merging: rename findings_of
        keysystems.lost_keysets: require_none_lost_above
        keysystems.planned_doors: plan_doors_of
        keysystems.pinned: seal_pins freeze_pins open_pins turn_ball
        keysystems.construction: set_up lend_cores
        jobs.construction: move_cores
        bench.bench_sheet: reckoned_systems
        bench.pins: take_pins
        bench.blanks: take_blanks give_blanks_back
        keysystems.ticks: mark_cylinders mark_keys take_key_ticks_back take_ticks_back
        catalog.makers: put_keyways
        stock.items: unpinned_item pin_item
        stock.movements: move_stock
        stock.needs: make_needs release_needs reserve_waiting reserve_received take_out
        stock.counts: release_newest
        stock.pin_draws: add_draw
        catalog.specs: put_spec refuse_breaking
        people.users: enter_people
    """,
    "a question, which saves nothing and tells no bitting; its page has its rule": """
        quoting.deciding: choose
        jobs.purchasing: factory_work hardware_of
        goods.to_order: what_to_order
        goods.order_queries: jobs_on
        goods.order_snapshot: order_as_sent order_now
        goods.receiving: scan
        goods.handing_over: lost_before_and_after
        keys.losses: lost_cuts still_turned still_turned_words coming_turned turned_by_losses
        keys.old_copies: useless_copies require_not_old
        keys.calling_in: still_out lost_out_of_use letters_of
        jobs.papers: holders_of
        goods.moved_promises: calls_to_make promise_doubts
        goods.papers: hand_over_sheet sale_receipt
        goods.counter_sale: counter_sale
        quoting.issuing: next_snapshot
        quoting.promises: lead_time promise_from promise_again
        quoting.planning: make_plan plan_again proof_problems
        quoting.room: waiting_changes
        quoting.lost_keys: lost_problems
        quoting.missing: questions_about facts_of
        jobs.papers: job_head schedule_of
        quoting.quoting: price_request price_option rates_moved
        quoting.quick_line: read_quick_line
        quoting.allocation: begun_system system_problems
        bench.customers_keys: waiting_key
        bench.pins: short_of_pins
        keysystems.crosskeying: make_cross_ready
        keysystems.extending: why_not_extend
        keysystems.systems: keyway_spec most_chambers
        keys.counting: customers_to_count
        keys.losing: ready_loss
        keys.loss_plans: open_loss_plan is_on_record may_be_made_anew jobs_of_loss left_to_rekey
        quoting.loss_drafts: phases_of
        keysystems.unsealed_system: keys_aside open_system rows_like keysets_cut_so ask_from_which_end
        keysystems.pinned: turned_by turning pins_now pinned_as_on_record keeping_keys_aside_out
    """,
    "one's own login, secrets or page, or before anybody is logged in: it asks who, not which role": """
        quoting.issuing: keep_draft drop_draft
        jobs.construction: delete_draft_of_cores
        people.users: start_house change_own_password
        people.logins: log_in log_out
        people.second_factor: set_factor drop_factor
        people.sessions: begin lock unlock prove end end_by_number
        people.own_secrets: set_pin drop_pin try_secret forgive check_own_password end_where
    """,
}
# A step that asks besides, for what only some may do within a use case of everybody's.
ASKING_STEPS = {"jobs.stages._move"}


def named(table: str) -> list[str]:
    """`a.b: c d` → a.b.c, a.b.d."""
    lines = [line.split(": ") for line in table.split("\n") if line.strip()]
    return [f"{module.strip()}.{name}" for module, names in lines for name in names.split()]


GRANTED = {name: roles for roles, table in RIGHTS.items() for name in named(table)}
UNASKED = [name for table in NO_ROLE_OF_THEIR_OWN.values() for name in named(table)]


def working_functions() -> Iterator[tuple[str, ast.FunctionDef]]:
    """The ledger's functions that take work first, by the module's name within the ledger."""
    for path in sorted(LEDGER.rglob("*.py")):
        module = ".".join(path.relative_to(LEDGER).with_suffix("").parts)
        for node in ast.parse(path.read_text("utf-8")).body:
            if isinstance(node, ast.FunctionDef) and node.args.args:
                first = node.args.args[0]
                if first.annotation is not None and ast.unparse(first.annotation) == "Work":
                    yield f"{module}.{node.name}", node


def asks(node: ast.AST) -> bool:
    return any(isinstance(call, ast.Call) and ast.unparse(call.func) in ASKS for call in ast.walk(node))


class Touched(Exception):
    """Something was read that nobody had the right to yet, or, with the right, the use case went on to its work."""


def touch(*_: object) -> NoReturn:
    raise Touched


class Untouchable:
    """A database, a vault, an argument: whatever is done with it is told."""

    __getattribute__ = touch
    __bool__ = __call__ = __contains__ = __eq__ = __getitem__ = __hash__ = __iter__ = __len__ = touch
    __lt__ = __le__ = __gt__ = __ge__ = touch


def call(name: str, role: str) -> Any:
    """Call the use case in a role, with nothing that may be touched."""
    module, _, function = name.rpartition(".")
    use_case = getattr(importlib.import_module(f"app.ledger.{module}"), function)
    work = Work(Untouchable(), Untouchable(), Actor(1, "Somebody", role), datetime(2026, 3, 2, tzinfo=UTC))
    _, *others = inspect.signature(use_case).parameters.values()
    asked = [one for one in others if one.default is one.empty]
    return use_case(
        work,
        *(Untouchable() for one in asked if one.kind is not one.KEYWORD_ONLY),
        **{one.name: Untouchable() for one in asked if one.kind is one.KEYWORD_ONLY},
    )


@pytest.mark.parametrize("name", GRANTED)
def test_a_use_case_refuses_each_role_without_its_right_and_goes_on_for_the_others(name: str) -> None:
    for role in EVERYBODY:
        with pytest.raises(Touched if role in GRANTED[name] else NotAllowed):
            call(name, role)


def test_every_function_that_takes_work_is_on_one_list() -> None:
    public = {name for name, node in working_functions() if not node.name.startswith("_")}
    listed = [*GRANTED, *UNASKED]
    assert public - set(listed) == set(), "say above which roles may call these, or why they ask for none"
    assert set(listed) - public == set(), "these are gone; take them off the list"
    assert len(listed) == len(public)


def test_every_question_about_a_role_is_one_of_a_use_case_on_the_list() -> None:
    asking = {name for name, node in working_functions() if asks(node)}
    assert asking - set(GRANTED) == ASKING_STEPS
    for words in ASKS:
        everywhere = sum(path.read_text("utf-8").count(f"{words}(") for path in LEDGER.rglob("*.py"))
        assert everywhere == sum(ast.unparse(node).count(f"{words}(") for _, node in working_functions())
