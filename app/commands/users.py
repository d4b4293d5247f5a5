"""`bittern user`: who may log in, for the first start and for an owner who is locked out."""

import sys

import click

from app.commands.refusals import COMMAND_LINE, house_work, open_house, refusing
from app.config import Config
from app.errors import BitternError
from app.ledger.care.opening import is_first_start, migrate, require_house
from app.ledger.catalog.price_queries import find_house
from app.ledger.people.passwords import check_new_password
from app.ledger.people.second_factor import drop_factor
from app.ledger.people.users import add_user, check_name, has_users, list_users, set_password, start_house, user_named
from app.ledger.store.work import Work
from app.ledger.tables import Role, User

group = click.Group("user", help="Who may log in: add, list, set a password.")

_UNNAMED = "This house"
_from_stdin = click.option("--password-stdin", is_flag=True, help="Read the password from standard input.")


def _ask_password(from_stdin: bool) -> str:
    if from_stdin:
        return sys.stdin.readline().rstrip("\r\n")
    if not sys.stdin.isatty():
        raise BitternError("password", "There is nobody to ask for the password: use --password-stdin.")
    password: str = click.prompt("Password", hide_input=True, confirmation_prompt=True)
    return password


@group.command("add")
@click.argument("name")
@click.option("--role", type=click.Choice([role.value for role in Role]), required=True)
@click.option("--house", "house_name", default="", help="The house's name, where this is its first user.")
@_from_stdin
def add(name: str, role: str, house_name: str, password_stdin: bool) -> None:
    """Enter NAME with a role. The first user opens the house and must be an owner."""
    with refusing():
        config, chosen = Config.from_environment(), Role(role)
        is_first = is_first_start(config)
        if is_first:
            _require_owner(chosen)
        else:
            require_house(config)
        password = _ask_password(password_stdin)
        if is_first:  # a house is made for a user who can be its owner, and not before
            check_name(name)
            check_new_password(password, name, (house_name,))
            migrate(config)
        with open_house(config) as ledger, ledger.work(COMMAND_LINE) as work:
            if has_users(work.session):
                user = add_user(work, name, chosen, password)
            else:
                user = _open_house(work, name, chosen, house_name, password)
            click.echo(f"{user.name} may log in as {user.role}.")


def _open_house(work: Work, name: str, role: Role, house_name: str, password: str) -> User:
    _require_owner(role)
    house = find_house(work.session)
    if not (house_name or house):
        click.echo(f"The house is called '{_UNNAMED}' until you change it (next time: --house NAME).", err=True)
    return start_house(work, house_name or (house.name if house else _UNNAMED), name, password)


def _require_owner(role: Role) -> None:
    if role is not Role.OWNER:
        raise BitternError("role", "The first user must be an owner: use --role owner.")


def _on_record(work: Work, name: str) -> User:
    user = user_named(work.session, name)
    if user is None:
        raise BitternError("name", f"Nobody is on record as {name}. See: bittern user list")
    return user


@group.command("password")
@click.argument("name")
@_from_stdin
def password(name: str, password_stdin: bool) -> None:
    """Give NAME a new password; their logins end."""
    with open_house() as ledger:
        given = _ask_password(password_stdin)
        with ledger.work(COMMAND_LINE) as work:
            user = _on_record(work, name)
            set_password(work, user.id, user.version, given)
            click.echo(f"{user.name} has a new password.")


@group.command("no-code")
@click.argument("name")
def no_code(name: str) -> None:
    """Remove NAME's second factor: their phone was lost."""
    with house_work() as work:
        user = drop_factor(work, _on_record(work, name).id)
        click.echo(f"{user.name} logs in without a code; their logins have ended.")


@group.command("list")
def list_all() -> None:
    """Everybody on record, with role."""
    with open_house() as ledger, ledger.sessions() as session:
        for user in list_users(session):
            click.echo(f"{user.role:8} {user.name}{'' if user.active else '  (may not log in)'}")
