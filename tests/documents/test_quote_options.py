"""A quote of two ways, and one with a deposit, on paper."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date

from app.documents import owner_quote_pdf, quote_pdf
from app.documents.quote_mail import mail_text
from app.ledger.quoting.snapshot import AskedQuestion, CostedWay, QuoteOption, QuoteSnapshot
from app.ledger.tables import MAIL_TEXT

Snapshots = Callable[..., QuoteSnapshot]
Pages = Callable[[bytes], list[str]]


def with_option(given: QuoteSnapshot) -> QuoteSnapshot:
    """The quote with a second way: its keying, line 1a, at the factory for 7.00 each instead of 9.00."""
    lines = tuple(
        replace(line, unit_cents=700, amount_cents=1400, cost_cents=611) if line.label == "1a" else line
        for line in given.lines
    )
    totals = replace(given.totals, labour_cents=11300, subtotal_cents=23025, total_cents=23992)
    keying = (replace(given.keying[0], choice="factory", override_reason="Offered to the customer as option B."),)
    return replace(
        given,
        working_days=3,
        deposit_cents=8000,
        option_b=QuoteOption(lines, totals, keying, date(2031, 3, 25), "", 12071, 0, 7900, 15),
        questions=(
            AskedQuestion("no-cam", "Does each lock's cam fit?", "the old cams are kept"),
            AskedQuestion("no-back-plate", "Are the old back plates kept?", ""),
        ),
    )


def test_both_ways_are_printed_with_total_promise_place_and_deposit(snapshot: Snapshots, pages: Pages) -> None:
    text = " ".join(" ".join(pages(quote_pdf(with_option(snapshot())))).split())
    for said in (
        "Option A", "Keyed on our bench", "$243.92", "$80.00",
        "3 working days after acceptance; 7 March 2031 if accepted on 4 March 2031",
        "Option B", "Keyed at the factory", "$239.92", "$79.00",
        "15 working days after acceptance; 25 March 2031 if accepted on 4 March 2031",
        "Line 1a: 2 at $7.00, $14.00", "as option A for $243.92 / as option B for $239.92",
    ):  # fmt: skip
        assert said in text, said
    # One promise an option, none beside them; and nothing of what it costs the house, or asks itself.
    for hidden in ("Three working days", "120.71", "6.11", "Offered to the customer", "cam", "back plates kept"):
        assert hidden not in text.split("standard cam")[1], hidden


def test_two_ways_of_one_price_point_at_no_line(snapshot: Snapshots, pages: Pages) -> None:
    given = with_option(snapshot())
    assert given.option_b is not None
    alike = replace(given, option_b=replace(given.option_b, lines=given.lines, totals=given.totals))
    other, same = (" ".join(" ".join(pages(quote_pdf(one))).split()) for one in (given, alike))
    told = "in option B only the lines named there have another price."
    assert told in other and told not in same and "Option B" in same and "Line 1a: 2 at" not in same
    assert "Totals are with sales tax." in other and "Totals are with sales tax." in same


def test_a_deposit_stands_below_the_total(snapshot: Snapshots, pages: Pages) -> None:
    text = " ".join(pages(quote_pdf(replace(snapshot(), deposit_cents=8000))))
    assert "Deposit asked with the order" in text and "$80.00" in text
    assert "Deposit" not in " ".join(pages(quote_pdf(snapshot())))


def test_the_owner_reads_the_other_ways_margin_and_what_was_asked(snapshot: Snapshots, pages: Pages) -> None:
    text = " ".join(" ".join(pages(owner_quote_pdf(with_option(snapshot())))).split())
    for said in (
        "Option B, keyed at the factory", "$230.25", "$120.71", "$109.54", "47.6 %",
        "Not needed, because the old cams are kept", "Are the old back plates kept? Left open.",
    ):  # fmt: skip
        assert said in text, said


def test_a_line_that_option_b_does_not_charge_is_named_with_nothing(snapshot: Snapshots, pages: Pages) -> None:
    given = with_option(snapshot())
    assert given.option_b is not None
    free = tuple(line for line in given.option_b.lines if line.label != "1a")
    totals = replace(given.totals, labour_cents=9900, subtotal_cents=21625, total_cents=22592)
    given = replace(given, option_b=replace(given.option_b, lines=free, totals=totals))
    text = " ".join(" ".join(pages(quote_pdf(given))).split())
    assert "Line 1a: 2 at $0.00, $0.00" in text


def test_the_mail_names_both_options_deposits(snapshot: Snapshots) -> None:
    given = with_option(snapshot())
    assert mail_text(given, "s", "{deposit}", "Cora").body == "option A $80.00, option B $79.00"
    assert mail_text(replace(given, option_b=None), "s", "{deposit}", "Cora").body == "$80.00"


def test_the_customer_reads_a_lines_keying_once(snapshot: Snapshots, pages: Pages) -> None:
    text = " ".join(" ".join(pages(quote_pdf(snapshot()))).split())
    assert text.lower().count("keyed alike in sets of 2") == 1  # on its own row, 1a
    assert "Keying: keyed different (KD)" in text  # line 2 has no row of its own for it


def test_a_way_that_has_no_cost_has_no_total(snapshot: Snapshots, pages: Pages) -> None:
    given = snapshot()
    ways = (
        given.keying[0].ways[0],
        CostedWay("factory", False, 0, None, (), ("No factory's keying terms are known.",)),
    )
    given = replace(given, keying=(replace(given.keying[0], ways=ways),))
    text = " ".join(pages(owner_quote_pdf(given)))
    assert "Total $71.33 –" in text and "$0.00" not in text


def test_the_mail_says_whether_tax_is_in_its_total(snapshot: Snapshots) -> None:
    given = with_option(snapshot())
    assert ", tax included. It is valid" in mail_text(given, "s", MAIL_TEXT, "Cora").body
    exempt = replace(given, totals=replace(given.totals, tax_cents=0))
    assert ", no tax on it. It is valid" in mail_text(exempt, "s", MAIL_TEXT, "Cora").body
