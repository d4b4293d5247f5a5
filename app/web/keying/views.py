"""Every page of keying: importing the modules puts their routes on the blueprint."""

from __future__ import annotations

from app.web.keying import (
    bench_views,
    list_views,
    lost_key_views,
    matrix_views,
    plan_views,
    search_views,
    spec_views,
    system_views,
)
from app.web.keying import blueprint as blueprint

PAGES = (spec_views, plan_views, system_views, lost_key_views, list_views, matrix_views, search_views, bench_views)
