"""`bittern user` and `bittern house`: sentences, exit codes, and nothing changed by a refusal."""

import pytest
import sqlalchemy as sa

from app.commands.server_life import Server
from app.config import Config
from app.ledger.care.opening import migrate, open_ledger
from app.ledger.people.users import list_users
from app.ledger.store.engine import make_engine
from app.ledger.tables import House, Role
from tests.commands.conftest import Run
from tests.houses import remove_guards

PASSWORD = "a heron in the reeds\n"


def users(config: Config) -> list[tuple[str, Role]]:
    ledger = open_ledger(config)
    with ledger.sessions() as session:
        found = [(user.name, user.role) for user in list_users(session)]
    ledger.close()
    return found


def test_the_first_user_opens_the_house(run: Run, config: Config) -> None:
    answer = run(
        "user", "add", "Ada Marsh", "--role", "owner", "--house", "Fenwick Quay", "--password-stdin", typed=PASSWORD
    )
    assert (answer.exit_code, answer.stdout) == (0, "Ada Marsh may log in as owner.\n")
    ledger = open_ledger(config)
    with ledger.sessions() as session:
        assert session.scalars(sa.select(House.name)).all() == ["Fenwick Quay"]
    ledger.close()
    assert run("user", "add", "Bo", "--role", "bench", "--password-stdin", typed=PASSWORD).exit_code == 0
    assert users(config) == [("Ada Marsh", Role.OWNER), ("Bo", Role.BENCH)]
    assert run("user", "list").stdout == "owner    Ada Marsh\nbench    Bo\n"


def test_without_a_name_the_house_is_named_later(run: Run) -> None:
    answer = run("user", "add", "Ada Marsh", "--role", "owner", "--password-stdin", typed=PASSWORD)
    assert answer.exit_code == 0
    assert "--house NAME" in answer.stderr


@pytest.mark.parametrize(
    ("words", "typed", "says"),
    [
        (["Bo", "--role", "bench", "--password-stdin"], PASSWORD, "first user must be an owner"),
        (["Bo", "--role", "owner", "--password-stdin"], "short\n", "at least 12"),
        (["Bo", "--role", "owner", "--password-stdin"], "", "at least 12"),
        (["", "--role", "owner", "--password-stdin"], PASSWORD, "Enter a name"),
        (["Bo", "--role", "owner"], "", "--password-stdin"),
    ],
)
def test_a_refusal_is_one_sentence_and_exit_2(
    run: Run, config: Config, words: list[str], typed: str, says: str
) -> None:
    answer = run("user", "add", *words, typed=typed)
    assert answer.exit_code == 2
    assert says in answer.stderr.splitlines()[-1]
    assert "Traceback" not in answer.output
    assert users(config) == []


def test_a_locked_out_owner_gets_a_new_password(run: Run) -> None:
    run("user", "add", "Ada Marsh", "--role", "owner", "--password-stdin", typed=PASSWORD)
    assert run("user", "password", "ada marsh", "--password-stdin", typed="low water at the quay\n").exit_code == 0
    unknown = run("user", "password", "Bo", "--password-stdin", typed=PASSWORD)
    assert (unknown.exit_code, "Nobody is on record as Bo" in unknown.stderr) == (2, True)


def test_verify_names_the_first_broken_link(run: Run, config: Config) -> None:
    run("user", "add", "Ada Marsh", "--role", "owner", "--password-stdin", typed=PASSWORD)
    assert run("house", "verify").stdout == "All 2 events follow from one another.\n"
    engine = make_engine(config.url)
    with engine.begin() as connection:
        remove_guards(connection)
        connection.exec_driver_sql("UPDATE events SET summary = 'x' WHERE id = 2")
    engine.dispose()
    answer = run("house", "verify")
    assert answer.exit_code == 1
    assert "Event 2 does not follow" in answer.stderr


def test_an_old_database_is_refused_until_it_is_migrated(run: Run, config: Config) -> None:
    from alembic import command

    from app.ledger.care.opening import alembic_config

    migrate(config)
    command.downgrade(alembic_config(config.url), "0001")
    refused = run("user", "list")
    assert (refused.exit_code, "bittern upgrade" in refused.stderr) == (2, True)
    upgraded = run("upgrade")
    assert (upgraded.exit_code, "from migration 0001" in upgraded.stdout) == (0, True)
    assert "already" in run("upgrade").stdout
    assert run("user", "list").exit_code == 0


def test_a_missing_key_is_refused_with_how_to_restore_it(run: Run, config: Config) -> None:
    run("user", "list")
    config.vault_key_file.unlink()
    answer = run("house", "serve")
    assert answer.exit_code == 2
    assert "Put the key file back" in answer.stderr


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.7", "house.example", "::"])  # noqa: S104 - what must be refused
def test_serving_a_network_in_clear_is_refused(run: Run, host: str) -> None:
    answer = run("house", "serve", BITTERN_HOST=host)
    assert answer.exit_code == 2
    assert "without TLS" in answer.stderr


def test_serve_hands_the_app_to_the_server(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    served: list[Server] = []
    monkeypatch.setattr(Server, "prepare", lambda server: None)
    monkeypatch.setattr(Server, "serve", lambda server: served.append(server))
    answer = run("house", "serve", BITTERN_PORT="8123")
    assert answer.exit_code == 0
    assert served[0].bind_addr == ("127.0.0.1", 8123)
    assert "http://127.0.0.1:8123/" in answer.stdout


def test_a_setting_that_is_no_number_is_refused(run: Run) -> None:
    answer = run("house", "verify", BITTERN_PORT="lots")
    assert answer.exit_code == 2
    assert "BITTERN_PORT" in answer.stderr
