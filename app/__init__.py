"""Bittern: `create_app` is the only place where the rooms are wired together."""

__all__ = ["create_app"]

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from flask import Flask

    from app.config import Config
    from app.ledger.care.opening import Ledger


def create_app(config: "Config | None" = None, ledger: "Ledger | None" = None) -> "Flask":
    """The web application of one house.

    config: the environment's unless given. ledger: opened from `config` unless given. Raises LedgerError or
    VaultError when the ledger does not open, BitternError when the session key cannot be used.
    """
    # Imported here: the pure rooms are packages under this one, and their commands must not wait for the web.
    from flask import Flask

    from app.config import Config
    from app.ledger.care.opening import open_ledger
    from app.web import blueprints
    from app.web.access import guard
    from app.web.errors import answer_errors
    from app.web.security import HouseRequest, csrf, secure
    from app.web.services import keep
    from app.web.templating import STATIC, TEMPLATES, init_templates
    from app.web.unsaved_text import show_unsaved_text

    config = config or Config.from_environment()
    app = Flask("app", template_folder=str(TEMPLATES), static_folder=str(STATIC))
    app.request_class = HouseRequest
    keep(app, config, ledger or open_ledger(config))
    secure(app, config)
    guard(app)
    csrf.init_app(app)
    init_templates(app)
    answer_errors(app)
    show_unsaved_text(app)
    for blueprint in blueprints():
        app.register_blueprint(blueprint)
    return app
