"""Files that wait for 'put on record': each for its sender alone, and not more than a few of anybody's."""

import io
import os
from collections.abc import Callable

import pytest
from flask import Flask
from werkzeug.datastructures import FileStorage

from app.config import Config
from app.errors import BitternError
from app.ledger.store.work import Work
from app.ledger.tables import Role
from app.web.staged_uploads import find_upload, stage_upload


def test_nobody_fills_the_disk_by_sending(web: Flask, config: Config, work_as: Callable[[Role], Work]) -> None:
    clerk, bench = work_as(Role.COUNTER), work_as(Role.BENCH)

    def send(work: Work, number: int) -> str:
        token = stage_upload(work, "doors", FileStorage(io.BytesIO(b"x"), f"{number}.csv")).token
        at = work.now.timestamp() + number
        for ending in ("json", "data"):
            os.utime(config.instance / "waiting" / f"{token}.{ending}", (at, at))
        return token

    with web.app_context():
        other = send(bench, 0)
        sent = [send(clerk, number) for number in range(1, 13)]
        kept = sorted(path.stem for path in (config.instance / "waiting").glob("*.data"))
        assert kept == sorted([other, *sent[-8:]])
        assert find_upload(clerk, "doors", sent[-1]).name == "12.csv"
        for work, token in ((clerk, sent[0]), (clerk, other), (bench, sent[-1])):
            with pytest.raises(BitternError, match="not kept any more"):
                find_upload(work, "doors", token)
