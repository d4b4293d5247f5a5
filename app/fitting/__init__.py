"""PURE. Inches, cylinder length, bores, cams, finishes, makers' part numbers and catalog rows."""

from __future__ import annotations

from app.fitting.bore import BoreFit, BoreQuestion, fit_bore
from app.fitting.bulk_decoding import BulkDecoder
from app.fitting.cams import Cam, CamAnswer, LockModel, cam_for, cams_for_lock
from app.fitting.catalog import CatalogItem, CatalogRows, catalog_table, read_catalog, read_item
from app.fitting.composing import combinations, compose, compose_any
from app.fitting.cylinder import (
    CYLINDER_TYPES,
    CylinderAttributes,
    FaceChange,
    differences,
    face_change,
    face_on_lock,
    from_json,
    to_json,
    words,
)
from app.fitting.finding import Match, find, find_by_blank, find_same_fit
from app.fitting.finishes import (
    Finish,
    all_finishes,
    finish,
    finish_words,
    finishes_by_us_code,
    mismatch,
    mismatch_among,
)
from app.fitting.free_text import read_free_text
from app.fitting.inches import read_inches, show_inches, write_inches
from app.fitting.keyways import (
    KeyAnswer,
    KeyBlank,
    KeywayFamily,
    MakerKeyway,
    can_take_key,
    find_blanks,
    find_keyways,
)
from app.fitting.length import LengthFit, LengthQuestion, fit_both_positions, fit_length, required_length
from app.fitting.makers import MakerFile, find_maker, load_makers, maker_problems, read_maker, repeated_rows
from app.fitting.part_numbers import (
    Breakdown,
    NumberReading,
    PartNumberError,
    breakdown,
    decode,
    decode_any,
)
from app.fitting.pattern_check import check_parts, check_pattern
from app.fitting.pattern_reading import pattern_from_json
from app.fitting.patterns import SEPARATORS, Pattern, PatternRule, without_separators
from app.fitting.reference import DoorPreparation, door_preparations, reference_folder, trade_fact
from app.fitting.tailpiece import TailpieceFit, TailpieceQuestion, fit_tailpiece
from app.fitting.thread_size import MortiseBody, ThreadFit, common_body, fit_thread

__all__ = [
    "CYLINDER_TYPES",
    "SEPARATORS",
    "BoreFit",
    "BoreQuestion",
    "Breakdown",
    "BulkDecoder",
    "Cam",
    "CamAnswer",
    "CatalogItem",
    "CatalogRows",
    "CylinderAttributes",
    "DoorPreparation",
    "FaceChange",
    "Finish",
    "KeyAnswer",
    "KeyBlank",
    "KeywayFamily",
    "LengthFit",
    "LengthQuestion",
    "LockModel",
    "MakerFile",
    "MakerKeyway",
    "Match",
    "MortiseBody",
    "NumberReading",
    "PartNumberError",
    "Pattern",
    "PatternRule",
    "TailpieceFit",
    "TailpieceQuestion",
    "ThreadFit",
    "all_finishes",
    "breakdown",
    "cam_for",
    "cams_for_lock",
    "can_take_key",
    "catalog_table",
    "check_parts",
    "check_pattern",
    "combinations",
    "common_body",
    "compose",
    "compose_any",
    "decode",
    "decode_any",
    "differences",
    "door_preparations",
    "face_change",
    "face_on_lock",
    "find",
    "find_blanks",
    "find_by_blank",
    "find_keyways",
    "find_maker",
    "find_same_fit",
    "finish",
    "finish_words",
    "finishes_by_us_code",
    "fit_bore",
    "fit_both_positions",
    "fit_length",
    "fit_tailpiece",
    "fit_thread",
    "from_json",
    "load_makers",
    "maker_problems",
    "mismatch",
    "mismatch_among",
    "pattern_from_json",
    "read_catalog",
    "read_free_text",
    "read_inches",
    "read_item",
    "read_maker",
    "reference_folder",
    "repeated_rows",
    "required_length",
    "show_inches",
    "to_json",
    "trade_fact",
    "without_separators",
    "words",
    "write_inches",
]
