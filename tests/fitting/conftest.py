"""The demo's makers, read once: every fitting test looks at the same tables that a user sees."""

import pytest

from app.commands.parts import DEMO_MAKERS
from app.fitting import MakerFile, Pattern, find_maker, load_makers


@pytest.fixture(scope="session")
def makers() -> tuple[MakerFile, ...]:
    return load_makers(DEMO_MAKERS)


@pytest.fixture(scope="session")
def ardent(makers: tuple[MakerFile, ...]) -> MakerFile:
    return find_maker(makers, "ARD")


@pytest.fixture(scope="session")
def pell(makers: tuple[MakerFile, ...]) -> MakerFile:
    return find_maker(makers, "Pell & Rowe")


@pytest.fixture(scope="session")
def patterns(makers: tuple[MakerFile, ...]) -> tuple[Pattern, ...]:
    return tuple(pattern for maker in makers for pattern in maker.patterns)
