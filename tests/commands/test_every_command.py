"""Every command does what it is for, by its own name: the pure ones on known values, the others on a small house."""

import json
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from app.cli import main
from app.config import Config
from app.ledger.care.opening import open_ledger
from app.ledger.people.second_factor import STEP_SECONDS, asks_code, code_at, new_secret, set_factor
from app.ledger.people.users import list_users
from app.ledger.store.events import clock_is_back, record
from app.ledger.store.work import Actor
from app.ledger.tables import Role
from tests.commands.commands_found import COMMANDS
from tests.commands.conftest import Run

PASSWORD = "a heron in the reeds"
TESTS = Path(__file__).resolve().parents[1]
SMALL = {"chambers": 3, "depths": 3, "macs": 1, "step": 1}
TWO_STEP = {"chambers": 3, "depths": 6, "macs": 3, "step": 2}


def test_every_command_is_named_by_a_test() -> None:
    texts = [path.read_text("utf-8") for path in TESTS.rglob("test_*.py")]

    def is_named(command: str) -> bool:
        # As "house verify" or as "house", "verify", by itself or with more words behind.
        words = '(?:", "| )'.join(re.escape(word) for word in command.split())
        return any(re.search(f'"{words}[ "]', text) for text in texts)

    assert [command for command in COMMANDS if not is_named(command)] == []


def answer(words: str, given: dict[str, Any]) -> Any:
    done = CliRunner().invoke(main, words.split(" "), input=json.dumps(given))
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def test_keying_counts_progresses_pins_audits_and_names() -> None:
    # Of 27 bittings of three cuts, 3 × 7 - 4 have no step from the shallowest to the deepest depth.
    assert answer("keying count -", {"spec": SMALL}) == {"theoretical": 27, "usable": 17}
    array = {"spec": TWO_STEP, "tmk": "112", "array": [["3", "5"], [], ["0", "4"]]}
    found = answer("keying progress -", array)
    assert found == {"array": array["array"], "theoretical": 4, "usable": 2, "bittings": ["310", "314"]}
    keys = {"AA": "111", "1AA": "335"}
    pinned = answer("keying pin -", {"spec": TWO_STEP | {"stack_total": 9}, "keys": keys})
    assert pinned["chambers"] == [
        {"bottom": 1, "masters": [2], "buildup": None, "top": 6},
        {"bottom": 1, "masters": [2], "buildup": None, "top": 6},
        {"bottom": 1, "masters": [4], "buildup": None, "top": 4},
    ]
    assert (pinned["combinations"], pinned["intended"], pinned["phantom"]) == (8, 2, 6)
    house = {"spec": TWO_STEP, "keys": keys | {"2AA": "115"}, "cylinders": {"1AA": ["AA", "1AA"]}}
    assert answer("keying audit -", house) == {"unintended": [["1AA", "2AA"]], "missing": [], "phantoms": {"1AA": 5}}
    loss = house | {"lost": "2AA"}  # it turns the cylinder of 1AA, which pins 3 and 5 in the last chamber
    assert answer("keying lost -", loss)["exposed"] == ["1AA"]
    more = {"spec": TWO_STEP, "keys": keys, "cylinders": {}, "add": [{"symbol": "2AA", "operators": ["2AA", "AA"]}]}
    assert list(answer("keying extend -", more)["new"]) == ["2AA"]
    asked = {"levels": 3, "masters": 2, "changes_per_master": 1}
    assert answer("keying symbols -", asked) == {"symbols": ["A", "AA", "AA1", "AB", "AB1"]}


def test_fit_finds_a_length_and_a_bore() -> None:
    door = {"door": "2", "case": "1", "cam_depth": "3/4", "lengths": ["1-1/8", "1-3/8"], "rings": ["1/8"]}
    # Half of what the door is thicker than the case, and the cam behind it.
    found = answer("fit length -", door)
    assert (found["required"], found["chosen"], found["ring"]) == ("1-1/4", "1-3/8", "1/8")
    found = answer("fit bore -", {"stile": "4", "backsets": ["2", "2-3/8"], "bore": "2-1/8"})
    assert (found["centred_backset"], found["chosen"], found["offset_from_centre"]) == ("2", "2", "0")


def test_part_decodes_and_composes_and_price_decides() -> None:
    done = CliRunner().invoke(main, ["part", "decode", "ARD", "A18M-Q1-66.SC"])
    read = json.loads(done.stdout)
    assert read["attributes"]["length"] == "1-1/8"
    assert answer("part compose ARD -", {"attributes": read["attributes"]})["part_number"] == "A18M-Q1-66.SC"
    example = json.loads(CliRunner().invoke(main, ["price", "decide", "--example"]).stdout)
    # Nobody sends one grand-master-keyed cylinder to the factory; many go there.
    assert answer("price decide -", example)["choice"] == "shop"
    assert answer("price decide -", example | {"cylinders": {"mortise": 400}})["choice"] == "factory"


@pytest.fixture
def owned(run: Run) -> Run:
    added = run("user", "add", "Ada Marsh", "--role", "owner", "--password-stdin", typed=PASSWORD + "\n")
    assert added.exit_code == 0
    return run


def test_user_changes_a_password_and_takes_a_lost_phones_code_away(owned: Run, config: Config) -> None:
    ledger = open_ledger(config)
    now, secret = datetime.now(UTC), new_secret()
    with ledger.sessions() as session:
        ada = Actor.of(list_users(session)[0])
    with ledger.work(ada, now) as work:
        set_factor(work, PASSWORD, secret, code_at(secret, int(now.timestamp()) // STEP_SECONDS))
        assert asks_code(work.session)
    said = owned("user", "no-code", "ada  marsh")
    assert said.stdout == "Ada Marsh logs in without a code; their logins have ended.\n"
    assert (
        owned("user", "password", "ADA MARSH", "--password-stdin", typed="the tide comes in twice\n").exit_code == 0
    )
    with ledger.sessions() as session:
        assert not asks_code(session)
        (after,) = list_users(session)
        assert after.session_stamp == 1 + 3  # a code, no code, a new password: each ended every login
    ledger.close()
    nobody = owned("user", "no-code", "Bo")
    assert (nobody.exit_code, nobody.stderr) == (2, "Nobody is on record as Bo. See: bittern user list\n")
    assert owned("user", "list").stdout == "owner    Ada Marsh\n"


def test_the_house_accepts_its_clock_moves_and_keeps_books(owned: Run, config: Config, tmp_path: Path) -> None:
    ledger = open_ledger(config)
    now = datetime.now(UTC)
    with ledger.work(Actor(None, "a test", Role.OWNER), now + timedelta(days=30)) as work:
        record(work, "note", "house", "written by a clock that ran a month ahead")
        work.session.commit()
        assert clock_is_back(work.session, now)
    assert owned("house", "clock", "--accept").exit_code == 0
    with ledger.sessions() as session:
        assert clock_is_back(session, now + timedelta(minutes=1)) is None
    ledger.close()
    export = str(tmp_path / "house.zip")
    assert owned("house", "export", export).exit_code == 0
    assert owned("house", "import", "--dry-run", export).stdout == "0 rows would be imported.\n"  # all is there
    assert len(owned("books", "invoices", "--from", "2026-01-01", "--to", "2026-12-31").stdout.splitlines()) == 1
    assert len(owned("books", "discounts", "--from", "2026-01-01", "--to", "2026-12-31").stdout.splitlines()) == 1
    for book in ("jobs", "payments", "quotes"):
        rows = owned("books", book, "--from", "2026-01-01", "--to", "2026-12-31").stdout.splitlines()
        assert len(rows) == 1 and "," in rows[0]  # the columns' names; nothing happened yet


@pytest.mark.sqlite  # PostgreSQL has tools of its own for copies
def test_a_house_keeps_daily_backups(owned: Run, tmp_path: Path) -> None:
    assert owned("backup", "last").exit_code == 1  # none yet
    made = owned("backup", "daily", "--to", str(tmp_path / "kept"), "--house-key")
    assert made.exit_code == 0, made.output
    name = next((tmp_path / "kept").iterdir()).name
    assert name in owned("backup", "last").stdout
