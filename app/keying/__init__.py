"""Bitting specs and rules, progression, levels and symbols, matrices, extension, lost keys, pinning, audit. Pure.

Depths are whole numbers, a bitting is a tuple of them bow to tip, inches are exact fractions. Nothing here
prints, stores or logs; what a bitting is stays with the caller.
"""

__all__ = [
    "ALL_ENTER",
    "COUNTED",
    "JUDGING_RULES",
    "LETTERS",
    "LIST_LEVELS",
    "MOST_CELLS",
    "MOST_KEYSETS",
    "MOST_LEVELS",
    "MOST_LISTED_ROWS",
    "MOST_SYMBOLS",
    "NOT_EXTENDED",
    "NO_ARRAY",
    "OPENING_MARKS",
    "PEOPLE",
    "ROLE_BELOW",
    "UPPER_LEVELS",
    "USUAL_TOLERANCE",
    "AccessException",
    "AccessMatrix",
    "AccessPlan",
    "AddedCylinder",
    "Bitting",
    "BittingChoice",
    "BittingPool",
    "BittingRules",
    "BittingSpec",
    "ChamberPins",
    "CrossCost",
    "CutOrder",
    "DecodedKey",
    "Demand",
    "Extension",
    "ExtensionSearch",
    "KeyStop",
    "KeySymbol",
    "KeyingError",
    "LevelArray",
    "LevelPlan",
    "LostKey",
    "MasterCandidates",
    "MatrixSolution",
    "NamedKey",
    "NearMiss",
    "NoBittingsLeft",
    "OldList",
    "PickList",
    "PinKit",
    "PinLength",
    "PinSize",
    "Pinning",
    "Planning",
    "PoolRun",
    "Progress",
    "Sections",
    "SelectiveMaster",
    "SentRow",
    "SharedBittings",
    "StackIndex",
    "SymbolLevel",
    "SystemKeyset",
    "SystemsBeside",
    "Tiers",
    "TimeLimit",
    "WantedKeysets",
    "add_cylinders",
    "audit",
    "ball_sizes",
    "bittings_read",
    "can_be_set_up",
    "change_symbol",
    "check_offset",
    "check_rules",
    "choose_bittings",
    "columns_in_service",
    "count_allowed",
    "count_bittings",
    "count_combinations",
    "count_refused",
    "cross_cost",
    "cut_as",
    "cut_list",
    "decode",
    "depths_as",
    "draw_control",
    "draw_master",
    "draw_single",
    "draw_system",
    "entering",
    "extend",
    "faults_meanwhile",
    "find_construction_key",
    "find_masters",
    "find_rotating_masters",
    "in_place_of",
    "inches_text",
    "is_ball",
    "is_control_symbol",
    "is_left_dead",
    "key_matrix",
    "level_of",
    "listed_rows",
    "lost_key",
    "make_symbols",
    "masters_below",
    "millimeters_text",
    "name_gains",
    "name_wanted",
    "near_misses",
    "next_bittings",
    "operated_by",
    "operating_chains",
    "parents_of_masters",
    "pick_list",
    "pin",
    "pin_depths",
    "pin_length",
    "plan_levels",
    "plan_system",
    "progress",
    "progression_under",
    "read_access_list",
    "read_bitting",
    "read_cuts",
    "read_inches",
    "read_key",
    "read_kit_sizes",
    "read_matrix",
    "read_old_list",
    "read_operators",
    "read_spec_inches",
    "read_symbol",
    "read_symbol_text",
    "relaxed",
    "room_for_balls",
    "root_depth",
    "rotate",
    "rule_costs",
    "search_extension",
    "selective_masters",
    "share_bittings",
    "share_words",
    "shearing_depths",
    "single_symbol",
    "spec_gains",
    "theoretical",
    "usable",
    "usable_bittings",
    "with_balls",
    "write_access_list",
    "write_bitting",
    "write_inches",
    "write_kit_sizes",
]

from app.keying.access import AccessException, AccessPlan, key_matrix
from app.keying.access_list import PEOPLE, listed_rows, read_access_list, write_access_list
from app.keying.additions import AddedCylinder, add_cylinders
from app.keying.arrays import LevelArray, progression_under, rotate
from app.keying.auditing import ALL_ENTER, NearMiss, Sections, StackIndex, audit, near_misses, operated_by
from app.keying.bitting_pool import BittingPool, PoolRun
from app.keying.comparing import cut_as, depths_as
from app.keying.construction import (
    ball_sizes,
    can_be_set_up,
    find_construction_key,
    is_ball,
    is_left_dead,
    room_for_balls,
    with_balls,
)
from app.keying.counting import (
    check_rules,
    count_allowed,
    count_bittings,
    count_refused,
    name_gains,
    spec_gains,
    theoretical,
    usable,
)
from app.keying.crosskeying import BittingChoice, CrossCost, choose_bittings, cross_cost
from app.keying.cuts import CutOrder, DecodedKey, cut_list, decode, read_key, root_depth
from app.keying.drawing import draw_system
from app.keying.errors import KeyingError, NoBittingsLeft
from app.keying.extending import (
    NO_ARRAY,
    NOT_EXTENDED,
    Extension,
    ExtensionSearch,
    WantedKeysets,
    extend,
    name_wanted,
    search_extension,
)
from app.keying.filling import plan_levels
from app.keying.inches import inches_text, millimeters_text, read_inches, read_spec_inches, write_inches
from app.keying.issuing import (
    check_offset,
    draw_control,
    draw_master,
    draw_single,
    next_bittings,
    usable_bittings,
)
from app.keying.levels import (
    COUNTED,
    MOST_KEYSETS,
    ROLE_BELOW,
    LevelPlan,
    SystemKeyset,
    operating_chains,
    parents_of_masters,
)
from app.keying.list_coding import (
    LIST_LEVELS,
    NamedKey,
    SentRow,
    is_control_symbol,
    level_of,
)
from app.keying.list_masters import MasterCandidates, find_masters, find_rotating_masters
from app.keying.listed_cuts import bittings_read, read_cuts
from app.keying.losing import LostKey, faults_meanwhile, lost_key
from app.keying.matrix import MOST_CELLS, OPENING_MARKS, AccessMatrix, read_matrix
from app.keying.old_list import MOST_LISTED_ROWS, OldList, read_old_list
from app.keying.pin_kit import USUAL_TOLERANCE, PinKit, PinLength, read_kit_sizes, write_kit_sizes
from app.keying.pinning import (
    ChamberPins,
    PickList,
    Pinning,
    PinSize,
    count_combinations,
    in_place_of,
    pick_list,
    pin,
    pin_depths,
    pin_length,
    shearing_depths,
)
from app.keying.planning import Demand, Planning, plan_system, rule_costs
from app.keying.progression import progress
from app.keying.relaxing import relaxed
from app.keying.replacing import SystemsBeside, columns_in_service
from app.keying.rules import JUDGING_RULES, BittingRules
from app.keying.selective import SelectiveMaster, selective_masters
from app.keying.shared_bittings import SharedBittings, share_bittings
from app.keying.solving import MatrixSolution, Progress
from app.keying.spec import Bitting, BittingSpec, KeyStop, entering, read_bitting, share_words, write_bitting
from app.keying.symbols import (
    LETTERS,
    MOST_LEVELS,
    MOST_SYMBOLS,
    UPPER_LEVELS,
    KeySymbol,
    SymbolLevel,
    change_symbol,
    make_symbols,
    masters_below,
    read_operators,
    read_symbol,
    read_symbol_text,
    single_symbol,
)
from app.keying.tiers import Tiers
from app.keying.time_limit import TimeLimit
