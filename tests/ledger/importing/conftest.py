"""A site in a house with nothing else on record, as for the tests of sites."""

from tests.ledger.sites.conftest import config, site, work

__all__ = ["config", "site", "work"]
