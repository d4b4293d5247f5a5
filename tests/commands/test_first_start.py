"""Where there is no house: what only looks says so and makes nothing; a first start makes one."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from app.cli import main
from app.config import Config
from app.ledger.care.opening import migrate, open_ledger
from tests.commands.commands_found import BEFORE_THE_HOUSE, COMMANDS, MAKERS, NEED_A_HOUSE, PURE, words_of
from tests.houses import new_house, remove_database

PASSWORD, PHRASE = "a heron in the reeds\n", "low water at the reed bed\n"


def run(folder: Path, *words: str, typed: str = "", **environment: str) -> Result:
    given = {"BITTERN_INSTANCE": str(folder), "BITTERN_DATABASE_URL": "", **environment}
    return CliRunner().invoke(main, list(words), input=typed, env=given)


def everything(folder: Path) -> set[str]:
    return {str(one.relative_to(folder)) for one in folder.rglob("*")}


@pytest.fixture
def served(monkeypatch: pytest.MonkeyPatch) -> list[Config]:
    """The settings of every house that was served."""
    found: list[Config] = []
    monkeypatch.setattr("app.commands.house.serve_app", lambda app, config: found.append(config))
    return found


def test_every_command_is_one_that_makes_or_needs_a_house_or_knows_of_none() -> None:
    assert set(COMMANDS) > MAKERS | BEFORE_THE_HOUSE
    assert {name.split()[0] for name in COMMANDS} & PURE == PURE
    assert len(NEED_A_HOUSE) > 12


@pytest.mark.parametrize("is_folder_there", [True, False], ids=["empty folder", "no folder"])
@pytest.mark.parametrize("name", sorted(set(COMMANDS) - MAKERS))
def test_no_command_but_those_that_make_a_house_makes_anything(
    name: str, is_folder_there: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    folder = tmp_path / "no house"
    if is_folder_there:
        folder.mkdir()
    before = everything(tmp_path)
    answer = run(folder, *words_of(name, tmp_path), typed=PASSWORD)
    assert everything(tmp_path) == before
    assert answer.exit_code in (0, 2) and not isinstance(answer.exception, OSError), answer.output
    if name in NEED_A_HOUSE:
        assert answer.exit_code == 2
        assert answer.stderr.startswith("There is no house here") and "bittern house migrate" in answer.stderr


def test_a_sound_backup_is_checked_where_there_is_no_house_and_no_folder_stays(tmp_path: Path) -> None:
    house = Config(instance=tmp_path / "house")
    migrate(house)
    made = run(house.instance, "backup", "make", "--to", str(tmp_path), "--passphrase-stdin", typed=PHRASE)
    assert made.exit_code == 0, made.output
    [file] = tmp_path.glob("*.backup")
    answer = run(tmp_path / "a" / "b", "backup", "check", str(file), "--passphrase-stdin", typed=PHRASE)
    assert (answer.exit_code, "is whole" in answer.stdout) == (0, True)
    assert not (tmp_path / "a").exists()


def test_serving_makes_the_house_on_the_first_start(tmp_path: Path, served: list[Config]) -> None:
    answer = run(tmp_path / "house", "house", "serve")
    assert answer.exit_code == 0, answer.output
    assert len(served) == 1 and run(tmp_path / "house", "verify").exit_code == 0
    assert (tmp_path / "house" / "keys" / "bittern.key").stat().st_mode & 0o777 == 0o600


def test_the_first_owner_makes_the_house_in_the_terminal_and_nobody_else(tmp_path: Path) -> None:
    folder = tmp_path / "house"
    for words, typed, says in (
        (["Bo", "--role", "bench"], PASSWORD, "first user must be an owner"),
        (["Bo", "--role", "owner"], "short\n", "at least 12"),
        (["", "--role", "owner"], PASSWORD, "Enter a name"),
    ):
        refused = run(folder, "user", "add", *words, "--password-stdin", typed=typed)
        assert (refused.exit_code, says in refused.stderr, folder.exists()) == (2, True, False)
    assert run(folder, "user", "add", "Bo", "--role", "owner", "--password-stdin", typed=PASSWORD).exit_code == 0
    assert run(folder, "user", "list").stdout == "owner    Bo\n"


@pytest.mark.parametrize(
    "trace",
    [
        "keys/bittern.key",
        "keys/bittern.key.next",
        "bittern.sqlite3",
        "before-upgrade-0004-2026-01-02T030405Z.sqlite3",
        "replaced-2026-01-02T030405.000000Z/bittern.sqlite3",
    ],
)
@pytest.mark.parametrize("words", [["house", "serve"], ["user", "add", "Bo", "--role", "owner", "--password-stdin"]])
def test_beside_what_another_house_left_none_is_made(
    trace: str, words: list[str], tmp_path: Path, served: list[Config]
) -> None:
    folder = tmp_path / "house"
    (folder / trace).parent.mkdir(parents=True)
    (folder / trace).touch(mode=0o600)
    before = everything(folder)
    answer = run(folder, *words, typed=PASSWORD)
    assert (answer.exit_code, served, everything(folder)) == (2, [], before), answer.output
    assert "bittern restore" in answer.stderr
    assert ("bittern house migrate" in answer.stderr) is ("replaced" not in trace)


def test_with_the_key_in_the_environment_none_is_made_unasked(tmp_path: Path, served: list[Config]) -> None:
    from app.ledger.store.vault import Vault

    key = Vault.new_key()
    refused = run(tmp_path / "house", "house", "serve", BITTERN_KEY=key)
    assert (refused.exit_code, served, everything(tmp_path)) == (2, [], set())
    assert run(tmp_path / "house", "house", "migrate", BITTERN_KEY=key).exit_code == 0
    assert run(tmp_path / "house", "house", "serve", BITTERN_KEY=key).exit_code == 0
    assert len(served) == 1 and not (tmp_path / "house" / "keys" / "bittern.key").exists()


@pytest.fixture
def config(tmp_path: Path) -> Iterator[Config]:
    """A house with a database that has no table yet."""
    made = new_house(tmp_path / "house")
    yield made
    remove_database(made)


def test_where_the_database_has_an_address_a_house_is_made_by_migrate_alone(
    config: Config, served: list[Config]
) -> None:
    before = everything(config.instance.parent)
    for words in (["house", "serve"], ["user", "add", "Bo", "--role", "owner", "--password-stdin"]):
        refused = run(config.instance, *words, typed=PASSWORD, BITTERN_DATABASE_URL=config.url)
        assert (refused.exit_code, served) == (2, []), refused.output
        assert "There is no house" in refused.stderr and "bittern house migrate" in refused.stderr
    assert everything(config.instance.parent) == before
    assert run(config.instance, "house", "migrate", BITTERN_DATABASE_URL=config.url).exit_code == 0
    assert run(config.instance, "house", "serve", BITTERN_DATABASE_URL=config.url).exit_code == 0
    assert len(served) == 1
    open_ledger(served[0]).close()
