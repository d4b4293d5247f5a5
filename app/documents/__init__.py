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
    "CylinderCard",
    "DayList",
    "FactoryLine",
    "FactoryOrder",
    "Heading",
    "KeyReceipt",
    "Kind",
    "MailText",
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
    "mail_text",
    "open_list",
    "owed_list",
    "owner_page",
    "owner_quote_pdf",
    "payment_receipt_pdf",
    "pick_list_pdf",
    "pin_stacks",
    "printing",
    "promised_list",
    "quote_message",
    "quote_page",
    "quote_pdf",
    "read_recipients",
    "schedule_csv",
    "schedule_page",
    "schedule_pdf",
    "schedule_xlsx",
    "show_cut",
    "stage_list",
    "system_sheet",
    "waiting_list",
    "ways_table",
    "week_chart",
    "whole_job",
    "won_list",
    "xlsx_bytes",
]

from app.documents.bench_papers import (
    BenchPage,
    CylinderCard,
    PickHead,
    SystemSheet,
    bench_page,
    bench_sheet_pdf,
    keys_list_pdf,
    pick_list_pdf,
    system_sheet,
)
from app.documents.bitting_list import BittingLine, BittingList, bitting_list_pdf
from app.documents.charts import ChartPoint, WeekBar, cost_chart, week_chart
from app.documents.day_lists import (
    DayList,
    Heading,
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
from app.documents.filters import show_cut
from app.documents.hardware_list import HARDWARE_HEADINGS, hardware_csv, hardware_list_pdf, hardware_xlsx
from app.documents.key_holders import HOLDER_HEADINGS, holders_csv, holders_pdf, holders_xlsx
from app.documents.labels import LABELS_A_SHEET, labels_pdf
from app.documents.owner_quote import (
    OwnerPage,
    WaysTable,
    WholeJob,
    lines_without_cost,
    owner_page,
    owner_quote_pdf,
    ways_table,
    whole_job,
)
from app.documents.quote import QuotePage, quote_page, quote_pdf
from app.documents.quote_mail import MailText, mail_text, quote_message, read_recipients
from app.documents.receipts import KeyReceipt, ReceiptKey, key_receipt_pdf, payment_receipt_pdf
from app.documents.render import PaperHead, PrintingBusy, printing
from app.documents.schedule import (
    SCHEDULE_HEADINGS,
    SchedulePage,
    keyset_schedule_pdf,
    schedule_csv,
    schedule_page,
    schedule_pdf,
    schedule_xlsx,
)
from app.documents.spreadsheet import books_csv, csv_bytes, xlsx_bytes
