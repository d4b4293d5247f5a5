"""Every page about doors: importing the modules puts their routes on the blueprint."""

from __future__ import annotations

from app.web.doors import alike_views, change_views, door_views, list_views
from app.web.doors.blueprint import blueprint as blueprint

PAGES = (door_views, list_views, change_views, alike_views)
