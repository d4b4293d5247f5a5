"""The commands on a house of a test's own."""

from collections.abc import Callable

import pytest
from click.testing import CliRunner, Result

from app.cli import main
from app.config import Config

Run = Callable[..., Result]


@pytest.fixture
def run(config: Config) -> Run:
    """`run("user", "list", typed="")`: the command on a house of its own."""

    def invoke(*words: str, typed: str = "", **environment: str) -> Result:
        given = {"BITTERN_INSTANCE": str(config.instance), "BITTERN_DATABASE_URL": config.database_url, **environment}
        return CliRunner().invoke(main, list(words), input=typed, env=given)

    return invoke
