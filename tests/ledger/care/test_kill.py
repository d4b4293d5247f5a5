"""The process that saves is killed at any moment; what it acknowledged is there, and nothing is there by half."""

import multiprocessing
import random
import time

import sqlalchemy as sa

from app.config import Config
from app.ledger.care.opening import open_ledger
from app.ledger.quoting.snapshot import read_snapshot, snapshot_hash
from app.ledger.store.events import first_broken_link
from app.ledger.store.work import Actor
from app.ledger.tables import Cylinder, Job, Key, Role, Stage
from tests.ledger.saving import DOORS, LINES, NOW, save_without_end

KILLS = 20
MOST_SAVES = 20  # before a kill
PATIENCE = 60  # seconds without a word are a hang, not a kill


def killed_at_random(config: Config, chance: random.Random) -> list[tuple[str, int]]:
    """What one process said was saved, before it was killed at a moment of chance."""
    start = multiprocessing.get_context("forkserver")
    start.set_forkserver_preload(["tests.ledger.saving"])
    hears, told = start.Pipe(duplex=False)
    process = start.Process(target=save_without_end, args=(config, told), daemon=True)
    process.start()
    told.close()
    said: list[tuple[str, int]] = []
    for _ in range(chance.randint(2, MOST_SAVES)):
        assert hears.poll(PATIENCE), "the saving process says nothing"
        said.append(hears.recv())
    time.sleep(chance.uniform(0, 0.08))  # any moment of the next save or two
    process.kill()
    process.join()
    try:
        while hears.poll():
            said.append(hears.recv())
    except EOFError:
        pass
    hears.close()
    return said


def test_no_acknowledged_save_is_lost_and_none_is_half_there(config: Config) -> None:
    chance = random.Random(500)
    said: list[tuple[str, int]] = []
    for _ in range(KILLS):
        said += killed_at_random(config, chance)
    ledger = open_ledger(config)
    with ledger.work(Actor(None, "the house", Role.OWNER), NOW) as work:
        jobs = {job.number: job for job in work.session.scalars(sa.select(Job))}
        assert [word for word in said if word[1] not in jobs] == []
        assert [number for deed, number in said if deed == "accepted" and jobs[number].stage is Stage.QUOTED] == []
        assert sorted(jobs) == list(range(min(jobs), min(jobs) + len(jobs)))  # a lost save gives its number back
        for job in jobs.values():
            assert len(job.revisions) == 1
            revision = job.revisions[0]
            assert snapshot_hash(revision.snapshot) == revision.sha256
            assert len(read_snapshot(revision.snapshot).ask["lines"]) == len(LINES)
            cylinders = work.session.scalars(
                sa.select(Cylinder).where(Cylinder.job_id == job.id).order_by(Cylinder.id)
            ).all()
            if job.stage is Stage.QUOTED:
                assert (cylinders, job.site_id) == ([], None)
                continue
            assert [cylinder.door and cylinder.door.opening_number for cylinder in cylinders] == [
                door.opening for door in DOORS
            ]
            (keyset_id,) = {cylinder.keyset_id for cylinder in cylinders}
            keys = work.session.scalars(sa.select(Key.copy_number).where(Key.keyset_id == keyset_id)).all()
            assert sorted(keys) == [1, 2, 3, 4]
        assert first_broken_link(work.session) is None
        if config.url.startswith("sqlite"):
            assert work.session.execute(sa.text("PRAGMA integrity_check")).scalars().all() == ["ok"]
            assert work.session.execute(sa.text("PRAGMA foreign_key_check")).all() == []
    ledger.close()
