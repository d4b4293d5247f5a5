"""Paper: quotes, keying schedules, bench sheets. View models in plain values, then HTML, then tagged PDF."""

__all__ = [
    "BittingLine",
    "BittingList",
    "CalendarEntry",
    "CylinderCard",
    "DayList",
    "FactoryOrder",
    "LoadBar",
    "MailText",
    "PaperTable",
    "PrintingBusy",
    "QuotePage",
    "SystemSheet",
    "WaysTable",
    "WholeJob",
    "account_receipt_pdf",
    "bench_sheet_pdf",
    "bitting_list_pdf",
    "books_csv",
    "calendar_file",
    "call_in_pdf",
    "day_list",
    "day_sheet_pdf",
    "factory_letter_pdf",
    "factory_order_pdf",
    "factory_order_table",
    "first_of",
    "hand_over_pdf",
    "hardware_list_pdf",
    "hardware_table",
    "holders_pdf",
    "holders_table",
    "invoice_pdf",
    "key_count_pdf",
    "key_receipt_pdf",
    "keys_list_pdf",
    "keyset_schedule_pdf",
    "labels_pdf",
    "lines_without_cost",
    "load_chart",
    "mail_text",
    "order_mail_text",
    "order_message",
    "owner_quote_pdf",
    "payment_receipt_pdf",
    "pick_list_pdf",
    "printing",
    "purchase_order_pdf",
    "purchase_order_table",
    "quote_message",
    "quote_page",
    "quote_pdf",
    "read_recipients",
    "return_slip_pdf",
    "sale_receipt_pdf",
    "schedule_pdf",
    "schedule_table",
    "show_cut",
    "statement_pdf",
    "stock_count_pdf",
    "system_sheet",
    "ways_table",
    "whole_job",
]

from app.documents.calendars import CalendarEntry, calendar_file
from app.documents.charts import LoadBar, load_chart
from app.documents.confidential import (
    BittingLine,
    BittingList,
    CylinderCard,
    SystemSheet,
    bench_sheet_pdf,
    bitting_list_pdf,
    day_sheet_pdf,
    keys_list_pdf,
    pick_list_pdf,
    system_sheet,
)
from app.documents.filters import first_of, show_cut
from app.documents.invoices import account_receipt_pdf, invoice_pdf, statement_pdf
from app.documents.labels import labels_pdf
from app.documents.owner_quote import WaysTable, WholeJob, lines_without_cost, owner_quote_pdf, ways_table, whole_job
from app.documents.purchasing import (
    FactoryOrder,
    factory_letter_pdf,
    factory_order_pdf,
    factory_order_table,
    hardware_list_pdf,
    hardware_table,
    order_mail_text,
    order_message,
    purchase_order_pdf,
    purchase_order_table,
)
from app.documents.quote import QuotePage, quote_page, quote_pdf
from app.documents.quote_mail import MailText, mail_text, quote_message, read_recipients
from app.documents.receipts import (
    call_in_pdf,
    hand_over_pdf,
    holders_pdf,
    holders_table,
    key_count_pdf,
    key_receipt_pdf,
    payment_receipt_pdf,
    return_slip_pdf,
    sale_receipt_pdf,
    stock_count_pdf,
)
from app.documents.render import PrintingBusy, printing
from app.documents.schedule import keyset_schedule_pdf, schedule_pdf, schedule_table
from app.documents.spreadsheet import DayList, PaperTable, books_csv, day_list
