"""The pages: parse, authorize, call one use case, render."""

__all__ = ["blueprints"]

from flask import Blueprint


def blueprints() -> tuple[Blueprint, ...]:
    """Every blueprint of the house. A page's module is added here and nowhere else; several may share a blueprint."""
    # Imported here: each of these imports app.web's own modules.
    from app.web import care, keysystems, moving, privacy
    from app.web.bench import scrap, times
    from app.web.bench import views as bench
    from app.web.catalog import (
        learning,
        maker_papers,
        maker_pictures,
        makers,
        price_rules,
        prices,
        terms,
    )
    from app.web.counter import views as counter
    from app.web.fitting import views as fitting
    from app.web.goods import claims, counter_sale, hand_overs, items, orders, receiving, returns, to_order
    from app.web.importing import bitting_lists, price_lists
    from app.web.importing import views as importing
    from app.web.jobs import appointments, construction, reminders, warranties
    from app.web.jobs import views as jobs
    from app.web.keying import bench as keying_bench
    from app.web.keying import loss_plans, new_systems, rows_aside, searches, sent_arrays, specs, systems
    from app.web.keys import calling_in, losses
    from app.web.keys import codes as key_codes
    from app.web.keys import counts as key_counts
    from app.web.keys import people as key_people
    from app.web.keys import views as keys
    from app.web.money import accounts, invoices
    from app.web.papers import views as papers
    from app.web.people import login, own_login, users
    from app.web.quotes import accepting
    from app.web.quotes import views as quotes
    from app.web.reports import books, day, reports, search
    from app.web.settings import first_day, house, quote_rules
    from app.web.settings import money as money_rules
    from app.web.sites import customer_merging, customers, door_changes, doors, site_changes
    from app.web.stock import counts as stock_counts
    from app.web.stock import pins as stock_pins
    from app.web.stock import views as stock

    modules = (
        *(login, own_login, users, first_day, house, money_rules, quote_rules, care, moving, privacy),
        *(importing, price_lists, bitting_lists),
        *(day, books, reports, search),
        *(counter, quotes, accepting),
        *(customers, customer_merging, doors, door_changes, site_changes),
        *(keysystems, specs, new_systems, systems, rows_aside, sent_arrays, loss_plans, searches, keying_bench),
        *(keys, key_people, key_counts, key_codes, losses, calling_in),
        *(jobs, hand_overs, counter_sale, returns, claims, warranties, construction, appointments, reminders, papers),
        *(invoices, accounts),
        *(to_order, orders, receiving),
        *(bench, scrap, times),
        *(items, stock, stock_counts, stock_pins),
        *(makers, learning, maker_papers, maker_pictures, prices, price_rules, terms, fitting),
    )
    return tuple({module.blueprint.name: module.blueprint for module in modules}.values())
