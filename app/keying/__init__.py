"""Bitting specs, progression, levels and symbols, pinning, cutting, issuing and audit. Pure.

Depths are whole numbers, a bitting is a tuple of them bow to tip, inches are exact fractions. Nothing here
prints, stores or logs; what a bitting is stays with the caller.
"""

from __future__ import annotations

__all__ = [
    "AccessMatrix",
    "AccessPlan",
    "Alternative",
    "Array",
    "Audit",
    "Bitting",
    "BittingSpec",
    "ChamberPins",
    "Choice",
    "Clash",
    "CrossCost",
    "Cut",
    "CutState",
    "DecodedCut",
    "DecodedKey",
    "Demand",
    "DoorGroup",
    "Extension",
    "FixedAsk",
    "FixedFind",
    "KeyGroup",
    "KeySymbol",
    "KeyingError",
    "Level",
    "LevelArray",
    "LevelCapacity",
    "LevelPlan",
    "ListRow",
    "ListStudy",
    "LostKey",
    "MasterCandidates",
    "MatrixSolution",
    "NearMiss",
    "NoBittingsLeft",
    "Outcome",
    "PickList",
    "PinSize",
    "Pinning",
    "PlannedKeyset",
    "Planning",
    "Progress",
    "Progression",
    "RegisterFinding",
    "RotatingConstants",
    "Spread",
    "SystemPlan",
    "array_under",
    "ask_fixed",
    "audit",
    "audit_added",
    "check_offset",
    "check_register",
    "choose_bittings",
    "count_bittings",
    "count_columns",
    "cross_cost",
    "cut_list",
    "decode",
    "draw_bitting",
    "draw_control",
    "draw_master",
    "draw_single",
    "extend",
    "extend_fixed",
    "find_masters",
    "find_rotating_masters",
    "issue_changes",
    "key_hierarchy",
    "key_matrix",
    "lists_without_master",
    "lost_key",
    "make_columns",
    "make_symbols",
    "master_names",
    "near_misses",
    "nest",
    "next_bittings",
    "next_master",
    "operated_by",
    "operating_chains",
    "parity_pattern",
    "pick_list",
    "pin",
    "pin_cuts",
    "plan_levels",
    "plan_of_solution",
    "plan_system",
    "progress",
    "progression_under",
    "read_bitting",
    "read_inches",
    "read_list",
    "read_list_csv",
    "read_matrix",
    "read_symbol",
    "root_depth",
    "rotate",
    "shearing_depths",
    "single_symbol",
    "solve_matrix",
    "study_list",
    "theoretical",
    "usable",
    "write_bitting",
    "write_inches",
]

from app.keying.access import key_matrix, plan_of_solution
from app.keying.arrays import array_under
from app.keying.audit import Audit, NearMiss, audit, audit_added, near_misses, operated_by
from app.keying.bitting_list import Array, ListRow, ListStudy, read_list, read_list_csv, study_list
from app.keying.control import check_offset, draw_control
from app.keying.counting import count_bittings, count_columns, theoretical, usable
from app.keying.crosskeying import (
    Alternative,
    Choice,
    CrossCost,
    choose_bittings,
    cross_cost,
    lists_without_master,
)
from app.keying.cutting import Cut, cut_list, root_depth
from app.keying.decoding import CutState, DecodedCut, DecodedKey, decode
from app.keying.errors import KeyingError, NoBittingsLeft
from app.keying.extending import Extension, LevelArray, extend
from app.keying.fixed_keys import FixedAsk, FixedFind, ask_fixed, extend_fixed
from app.keying.hierarchy import AccessPlan, key_hierarchy
from app.keying.issuing import draw_bitting, draw_master, draw_single, issue_changes, next_bittings
from app.keying.levels import LevelPlan, PlannedKeyset, operating_chains, plan_levels, progression_under
from app.keying.losing import LostKey, lost_key
from app.keying.masters import MasterCandidates, find_masters, find_rotating_masters
from app.keying.matrix import AccessMatrix, Clash, DoorGroup, KeyGroup, nest, read_matrix
from app.keying.pick_list import PickList, PinSize, pick_list
from app.keying.pinning import ChamberPins, Pinning, pin, pin_cuts, shearing_depths
from app.keying.planning import Demand, LevelCapacity, Planning, SystemPlan, plan_system
from app.keying.progression import Progression, make_columns, progress
from app.keying.registers import RegisterFinding, check_register
from app.keying.rotating import RotatingConstants, rotate
from app.keying.solving import MatrixSolution, Outcome, Progress, solve_matrix
from app.keying.spec import (
    Bitting,
    BittingSpec,
    parity_pattern,
    read_bitting,
    read_inches,
    write_bitting,
    write_inches,
)
from app.keying.spreading import Spread
from app.keying.symbols import (
    KeySymbol,
    Level,
    make_symbols,
    master_names,
    next_master,
    read_symbol,
    single_symbol,
)
