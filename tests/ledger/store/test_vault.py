"""The vault seals, opens only what it sealed where it sealed it, and tells equal secrets without opening them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.ledger.store.errors import VaultError
from app.ledger.store.vault import Vault

KEY = Vault.new_key()


@given(st.text(max_size=60), st.text(max_size=60))
def test_what_is_sealed_opens_again(text: str, context: str) -> None:
    vault = Vault(KEY)
    blob = vault.seal(text, context)
    assert Vault(KEY).open(blob, context) == text
    assert not text or len(text) < 3 or text.encode() not in blob


def test_the_same_text_is_sealed_differently_each_time() -> None:
    vault = Vault(KEY)
    assert vault.seal("343621", "a") != vault.seal("343621", "a")


def test_a_blob_moved_to_another_place_does_not_open() -> None:
    vault = Vault(KEY)
    with pytest.raises(VaultError, match="does not open"):
        vault.open(vault.seal("343621", "keyset 1"), "keyset 2")


@pytest.mark.parametrize("place", [0, 1, 12, 13, 20, -1])
def test_a_changed_blob_does_not_open(place: int) -> None:
    vault = Vault(KEY)
    blob = bytearray(vault.seal("343621", "a"))
    blob[place] ^= 1
    with pytest.raises(VaultError):
        vault.open(bytes(blob), "a")


def test_another_key_opens_nothing_and_gives_other_fingerprints() -> None:
    one, other = Vault(KEY), Vault(Vault.new_key())
    with pytest.raises(VaultError):
        other.open(one.seal("343621", "a"), "a")
    assert one.fingerprint("343621", "a") != other.fingerprint("343621", "a")
    assert one.check_value != other.check_value


def test_fingerprints_are_equal_only_for_equal_text_in_one_context() -> None:
    vault = Vault(KEY)
    assert vault.fingerprint("343621", "a") == Vault(KEY).fingerprint("343621", "a")
    assert vault.fingerprint("343621", "a") != vault.fingerprint("343621", "b")
    assert vault.fingerprint("343621", "a") != vault.fingerprint("343623", "a")


def test_a_refusal_shows_nothing_of_key_or_secret() -> None:
    with pytest.raises(VaultError) as caught:
        Vault("c2hvcnQ=")
    assert "c2hvcnQ" not in str(caught.value)
