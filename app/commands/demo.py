"""`bittern demo run`: the invented house in a folder of its own, a quote taken all the way to PDFs, and served."""

import os
import random
import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import click

from app.commands.demo_house import (
    DEMO_LOGINS,
    DemoShop,
    load_house,
    load_jobs,
    load_orders,
    load_papers,
    load_people,
    load_records,
    load_shelf,
)
from app.commands.refusals import refusing
from app.commands.server_life import listen
from app.config import Config
from app.documents import bench_sheet_pdf, owner_quote_pdf, quote_pdf, schedule_pdf
from app.errors import BitternError
from app.ledger.bench.bench_sheet import bench_work
from app.ledger.care.opening import migrate, open_ledger
from app.ledger.care.place import files_folder
from app.ledger.catalog.quote_rules import QuoteRulesForm, set_quote_rules
from app.ledger.jobs.papers import schedule_of
from app.ledger.jobs.queries import get_job
from app.ledger.quoting.accepting import newest_revision
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.store.work import Actor
from app.ledger.tables import MAIL_SUBJECT, MAIL_TEXT, Role, Stage
from app.pricing import DepositRule

ROOT = Path(__file__).resolve().parent.parent.parent
SEED = 20
DAYS_OF_PRICES = 400
DAYS_OF_SHELF = 60
MARK = "made-by-bittern-demo"

group = click.Group("demo", help="The invented supply house, to look at and to try.")


def build(folder: Path, data: Path, now: datetime) -> tuple[DemoShop, dict[str, int]]:
    """Make the demo anew in `folder`: the shop with its open ledger, and job numbers by short name."""
    if folder.exists():
        if not (folder / MARK).exists():
            raise BitternError("folder", f"{folder} was not made by the demo, so it is left alone. Name another.")
        shutil.rmtree(folder)
    folder.mkdir(parents=True, mode=0o700)
    (folder / MARK).write_text("This folder is thrown away whenever the demo is run.\n")
    config = Config(instance=folder, is_demo=True)
    migrate(config)
    ledger = open_ledger(config)
    rng = random.Random(SEED)  # noqa: S311 - the demo's keys open nothing
    with ledger.work(Actor(None, "the demo", Role.OWNER), now, rng) as work:
        load_people(work)
        load_house(work, data, (now - timedelta(days=DAYS_OF_PRICES)).date())
        # As the house's printed terms have it: half with the order.
        deposit = DepositRule(percent=Decimal(50), above_cents=500_00)
        set_quote_rules(work, QuoteRulesForm(deposit, MAIL_SUBJECT, MAIL_TEXT), None)
        shop = DemoShop(ledger, data, now, rng)
        load_papers(work, data, files_folder(config))
        load_shelf(shop.work(work, Role.OWNER, DAYS_OF_SHELF), data)
        jobs = load_jobs(shop, work)
        load_records(shop, work, jobs)
        load_orders(shop, work)
    return shop, jobs


def print_papers(shop: DemoShop, jobs: dict[str, int], folder: Path) -> list[Path]:
    """Print the papers of three of the jobs into `folder`: a quote each, schedules, bench sheets, owner's pages."""
    folder.mkdir()
    printed: list[Path] = []

    def put(name: str, content: bytes) -> None:
        path = folder / name
        path.write_bytes(content)
        printed.append(path)

    with shop.ledger.work(Actor(None, "the demo", Role.OWNER), shop.now) as base:
        owner, bench = shop.work(base, Role.OWNER), shop.work(base, Role.BENCH)
        for short in ("walk-in", "flats", "college", "two ways"):
            job = get_job(owner.session, jobs[short])
            snapshot = read_snapshot(newest_revision(owner, job).snapshot)
            put(f"quote-{job.number}-{snapshot.revision}.pdf", quote_pdf(snapshot))
            if job.stage is Stage.QUOTED:
                continue
            put(f"owner-{job.number}-{snapshot.revision}.pdf", owner_quote_pdf(snapshot))
            put(f"keying-schedule-{job.number}.pdf", schedule_pdf(schedule_of(owner, job)))
            put(f"bench-sheet-{job.number}.pdf", bench_sheet_pdf(bench_work(bench, job)))
    return printed


@group.command("run")
@click.option("--serve/--no-serve", default=True, help="Serve the demo on 127.0.0.1 until Ctrl-C.")
@click.option("--folder", type=click.Path(path_type=Path), default=ROOT / "demo_instance", show_default=True)
@click.option("--data", type=click.Path(path_type=Path, exists=True), default=ROOT / "demo_data", show_default=True)
@click.option("--port", type=click.IntRange(1, 65535), default=None, help="Instead of BITTERN_PORT.")
def run(serve: bool, folder: Path, data: Path, port: int | None) -> None:
    """Make the demo anew, print its papers, say where they are and how to log in, and serve it."""
    with refusing():
        _run(serve, folder, data, port)


def _run(serve: bool, folder: Path, data: Path, port: int | None) -> None:
    settings = Config.from_environment()
    port = port or settings.port
    if serve:
        listen(settings.host, port).close()  # one that is served already is not thrown away
    shop, jobs = build(folder.absolute(), data, datetime.now(UTC))
    papers = print_papers(shop, jobs, folder.absolute() / "papers")
    click.echo("Papers:")
    for path in papers:
        click.echo(f"  {os.path.relpath(path)}")
    click.echo("Jobs: " + ", ".join(f"{name} {number}" for name, number in jobs.items()))
    click.echo(f"Address: http://127.0.0.1:{port}/" + ("" if serve else " once it is served: make demo"))
    click.echo("Logins:")
    for name, role, password in DEMO_LOGINS:
        click.echo(f"  {role.value:8} {name:6} {password}")
    shop.ledger.close()
    if not serve:
        return
    from app import create_app  # the web is loaded only when it is served
    from app.commands.serving import serve_app

    config = replace(settings, instance=folder.absolute(), database_url="", is_demo=True, port=port)
    serve_app(create_app(config), config)
