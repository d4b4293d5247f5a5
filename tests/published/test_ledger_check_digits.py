"""The last digit of a number that checks the others. P: printed in the source; D: derived by us from printed values.

What the house prints no code of is not here: Code 128 (CH3, CH4) and the payment reference of ISO 11649 (CH5).
"""

import pytest

from app.ledger.catalog.items import fault_of_barcode
from app.ledger.jobs.notes import has_card_number


@pytest.mark.parametrize(
    ("digits", "check"),
    [
        ("890400021003", 7),  # CH1, P: GS1 India, the weighed sum is 63
        ("730001100001", 7),  # CH1, P: GS1 Sweden, 23
        ("629104150021", 3),  # CH1, P: GS1, 57
        ("03600029145", 2),  # CH2, P: crifan.com symbology_upc, 58
        ("0890400021003", 7),  # D: with a zero in front, as a case's number of 14 digits, the check stays
    ],
)
def test_the_check_digit_of_a_trade_item_number(digits: str, check: int) -> None:
    faults = [fault_of_barcode(f"{digits}{last}") for last in range(10)]
    assert [last for last, fault in enumerate(faults) if not fault] == [check]
    assert f"would be {check}, not {(check + 1) % 10}:" in faults[(check + 1) % 10]


def test_luhns_check_digit_of_a_card() -> None:
    """CH6, P: 7992739871 has the check digit 3, cljdoc.org checkdigit; D: zeros in front make it as long as a card's
    number is, and change nothing.
    """
    found = [last for last in range(10) if has_card_number(f"00007992739871{last}")]
    assert found == [3]
