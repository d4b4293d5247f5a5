"""Paper: quotes, keying schedules, bench sheets. View models in plain values, then HTML, then tagged PDF."""

from __future__ import annotations

__all__ = [
    "BenchPage",
    "OwnerPage",
    "PaperHead",
    "QuotePage",
    "SchedulePage",
    "bench_page",
    "bench_sheet_pdf",
    "key_profile",
    "keys_list_pdf",
    "owner_page",
    "owner_quote_pdf",
    "pin_stacks",
    "quote_page",
    "quote_pdf",
    "schedule_page",
    "schedule_pdf",
]

from app.documents.bench_sheet import BenchPage, bench_page, bench_sheet_pdf, keys_list_pdf
from app.documents.drawings import key_profile, pin_stacks
from app.documents.owner_quote import OwnerPage, owner_page, owner_quote_pdf
from app.documents.quote import QuotePage, quote_page, quote_pdf
from app.documents.render import PaperHead
from app.documents.schedule import SchedulePage, schedule_page, schedule_pdf
