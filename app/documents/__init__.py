"""Paper: quotes, keying schedules, bench sheets. View models in plain values, then HTML, then tagged PDF."""

from __future__ import annotations

__all__ = [
    "HARDWARE_HEADINGS",
    "HOLDER_HEADINGS",
    "LABELS_A_SHEET",
    "SCHEDULE_HEADINGS",
    "BenchPage",
    "BittingLine",
    "BittingList",
    "ChartPoint",
    "Column",
    "CylinderCard",
    "DayList",
    "FactoryLine",
    "FactoryOrder",
    "KeyReceipt",
    "Kind",
    "OwnerPage",
    "PaperHead",
    "PickHead",
    "PrintingBusy",
    "QuotePage",
    "ReceiptKey",
    "SchedulePage",
    "SystemSheet",
    "WaysTable",
    "WeekBar",
    "WholeJob",
    "bench_page",
    "bench_sheet_pdf",
    "bitting_list_pdf",
    "books_csv",
    "cost_chart",
    "csv_bytes",
    "day_list_xlsx",
    "factory_order_pdf",
    "factory_order_xlsx",
    "hardware_csv",
    "hardware_list_pdf",
    "hardware_xlsx",
    "holders_csv",
    "holders_pdf",
    "holders_xlsx",
    "key_profile",
    "key_receipt_pdf",
    "keys_list_pdf",
    "keyset_schedule_pdf",
    "labels_pdf",
    "lapsing_list",
    "lines_without_cost",
    "lost_list",
    "open_list",
    "owed_list",
    "owner_page",
    "owner_quote_pdf",
    "pick_list_pdf",
    "pin_stacks",
    "printing",
    "promised_list",
    "quote_page",
    "quote_pdf",
    "schedule_csv",
    "schedule_page",
    "schedule_pdf",
    "schedule_xlsx",
    "stage_list",
    "system_sheet",
    "waiting_list",
    "ways_table",
    "week_chart",
    "whole_job",
    "won_list",
    "xlsx_bytes",
]

from app.documents.bench_sheet import (
    BenchPage,
    CylinderCard,
    SystemSheet,
    bench_page,
    bench_sheet_pdf,
    keys_list_pdf,
    system_sheet,
)
from app.documents.bitting_list import BittingLine, BittingList, bitting_list_pdf
from app.documents.books import books_csv
from app.documents.cost_chart import ChartPoint, cost_chart
from app.documents.day_lists import (
    Column,
    DayList,
    Kind,
    day_list_xlsx,
    lapsing_list,
    lost_list,
    open_list,
    owed_list,
    promised_list,
    stage_list,
    waiting_list,
    won_list,
)
from app.documents.drawings import key_profile, pin_stacks
from app.documents.factory_order import FactoryLine, FactoryOrder, factory_order_pdf, factory_order_xlsx
from app.documents.hardware_list import HARDWARE_HEADINGS, hardware_csv, hardware_list_pdf, hardware_xlsx
from app.documents.key_holders import HOLDER_HEADINGS, holders_csv, holders_pdf, holders_xlsx
from app.documents.key_receipt import KeyReceipt, ReceiptKey, key_receipt_pdf
from app.documents.keyset_schedule import keyset_schedule_pdf
from app.documents.labels import LABELS_A_SHEET, labels_pdf
from app.documents.owner_quote import (
    OwnerPage,
    WaysTable,
    lines_without_cost,
    owner_page,
    owner_quote_pdf,
    ways_table,
)
from app.documents.pick_list import PickHead, pick_list_pdf
from app.documents.print_queue import PrintingBusy, printing
from app.documents.quote import QuotePage, quote_page, quote_pdf
from app.documents.render import PaperHead
from app.documents.schedule import SchedulePage, schedule_page, schedule_pdf
from app.documents.schedule_sheet import SCHEDULE_HEADINGS, schedule_csv, schedule_xlsx
from app.documents.spreadsheet import csv_bytes, xlsx_bytes
from app.documents.week_chart import WeekBar, week_chart
from app.documents.whole_job import WholeJob, whole_job
