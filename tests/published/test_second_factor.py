"""RFC 6238, appendix B: codes of its test secret, SHA-1 (P, from memory; the last six of its eight digits)."""

import base64

import pytest

from app.ledger.people.second_factor import STEP_SECONDS, code_at

SECRET = base64.b32encode(b"12345678901234567890").decode()


@pytest.mark.parametrize(
    ("seconds", "eight"),
    [
        (59, "94287082"),
        (1111111109, "07081804"),
        (1111111111, "14050471"),
        (1234567890, "89005924"),
        (2000000000, "69279037"),
        (20000000000, "65353130"),
    ],
)
def test_the_codes_are_the_standard_s(seconds: int, eight: str) -> None:
    assert code_at(SECRET, seconds // STEP_SECONDS) == eight[-6:]
