"""The pages: parse, authorise, call one use case, render."""

from __future__ import annotations

__all__ = ["blueprints"]

from flask import Blueprint


def blueprints() -> tuple[Blueprint, ...]:
    """Every blueprint of the house, in the order of the navigation. A new one is added here and nowhere else."""
    # Imported here: each of these imports app.web's own modules.
    from app.web.backups.views import blueprint as backups
    from app.web.bench.views import blueprint as bench
    from app.web.books.views import blueprint as books
    from app.web.counter.views import blueprint as counter
    from app.web.customers.views import blueprint as customers
    from app.web.cylinders.views import blueprint as cylinders
    from app.web.day.views import blueprint as day
    from app.web.doors.views import blueprint as doors
    from app.web.fitting.views import blueprint as fitting
    from app.web.house.logins import blueprint as logins
    from app.web.house.quotes import blueprint as quote_rules
    from app.web.house.settings import blueprint as settings
    from app.web.house.views import blueprint as house
    from app.web.jobs.views import blueprint as jobs
    from app.web.keying.views import blueprint as keying
    from app.web.keys.views import blueprint as keys
    from app.web.keysystems.views import blueprint as keysystems
    from app.web.login.mine import blueprint as mine
    from app.web.login.views import blueprint as login
    from app.web.makers.importing import blueprint as catalogue
    from app.web.makers.views import blueprint as makers
    from app.web.moving.views import blueprint as moving
    from app.web.papers.views import blueprint as papers
    from app.web.payments.views import blueprint as payments
    from app.web.prices.rules import blueprint as rules
    from app.web.prices.terms import blueprint as terms
    from app.web.prices.views import blueprint as prices
    from app.web.quotes.views import blueprint as quotes
    from app.web.search.views import blueprint as search
    from app.web.story.views import blueprint as story
    from app.web.times.views import blueprint as times

    return (
        login,
        mine,
        logins,
        day,
        counter,
        quotes,
        house,
        customers,
        settings,
        backups,
        quote_rules,
        search,
        keysystems,
        keying,
        jobs,
        doors,
        bench,
        prices,
        terms,
        rules,
        books,
        times,
        makers,
        catalogue,
        fitting,
        keys,
        moving,
        payments,
        story,
        papers,
        cylinders,
    )
