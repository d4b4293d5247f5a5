from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.fitting import CylinderAttributes
from app.fitting.free_text import read_free_text

CHROME = ("626", "652")


@pytest.mark.parametrize(
    ("text", "attributes", "finishes", "words"),
    [
        ("1-1/4 rim satin chrome, six pin", CylinderAttributes("rim", Fraction(5, 4), 6), CHROME, ()),
        ('1⅛" mortise AQ3 626',
         CylinderAttributes("mortise", Fraction(9, 8), keyway="AQ3", finish="626"), ("626",), ()),
        ("mortise cylinder 28.575 mm US26D", CylinderAttributes("mortise", Fraction(9, 8)), CHROME, ()),
        ("5 pin drilled six bored, polished brass", CylinderAttributes("bored", None, 5, 6), ("605", "632"), ()),
        ("small format core 7 pin keyway nh1", CylinderAttributes("sfic", None, 7, None, "NH1"), (), ()),
        ("mortise with the hooked cam in oil rubbed bronze",
         CylinderAttributes("mortise", cam="hooked", finish="613"), ("613",), ()),
        ("rim long tailpiece", CylinderAttributes("rim", tailpiece="long"), (), ()),
        ("2 in mortise", CylinderAttributes("mortise", Fraction(2)), (), ()),
        ("oil rubbed deadbolt cylinder", CylinderAttributes("bored", finish="613"), ("613",), ()),
        ("knob cylinder, chrome", CylinderAttributes("bored"), ("625", "626", "652"), ()),
        ("night latch", CylinderAttributes(""), (), ("night", "latch")),
        ("", CylinderAttributes(""), (), ()),
    ],
)  # fmt: skip
def test_what_the_counter_types(
    text: str, attributes: CylinderAttributes, finishes: tuple[str, ...], words: tuple[str, ...]
) -> None:
    said = read_free_text(text, ("AQ3",))
    assert (said.attributes, said.finishes, said.words) == (attributes, finishes, words)


@settings(deadline=None)
@given(st.text(max_size=80))
def test_any_text_can_be_said(text: str) -> None:
    said = read_free_text(text, ("AQ1",))
    assert said.attributes.length is None or 0 <= said.attributes.length <= 1000


def test_makers_keyings_and_short_us_codes_are_understood() -> None:
    makers = ("Ardent Brass", "Pell & Rowe", "Pell Foundry", "Rim Co")
    keyings = ("zero-bitted",)

    def heard(text: str) -> tuple[str, str | None, tuple[str, ...], tuple[str, ...]]:
        said = read_free_text(text, (), makers, keyings)
        return said.attributes.maker, said.attributes.keying, said.finishes, said.words

    assert heard("ardent rim 26d") == ("Ardent Brass", None, ("626", "652"), ())
    assert heard("PELL & ROWE mortise, zero bitted") == ("Pell & Rowe", "zero-bitted", (), ())
    assert heard("pell mortise") == ("", None, (), ("pell",))  # two makers begin so
    assert heard("rim 10B") == ("", None, ("613",), ())
    assert read_free_text("ardent ring", (), makers).all_words == ("ring",)
