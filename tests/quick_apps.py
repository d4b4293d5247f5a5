"""What every test's own house and application need not do: compile the same templates, addresses and SQL anew, print
the same paper again, and wait for the disk.

A house and an application for each test keep tests apart; making them took longer than most tests, nearly all of
it in these.
"""

import os
from collections.abc import Callable
from functools import lru_cache
from typing import Any

import sqlalchemy as sa
import weasyprint
from flask import Flask
from jinja2.bccache import Bucket, BytecodeCache
from sqlalchemy.engine.default import DefaultDialect
from sqlalchemy.util import LRUCache
from werkzeug.routing import Rule

from app.documents import render


class _CompiledTemplates(BytecodeCache):
    """Compiled templates, kept from one application to the next; a changed source is compiled anew."""

    def __init__(self) -> None:
        self._kept: dict[str, tuple[str, bytes]] = {}

    def load_bytecode(self, bucket: Bucket) -> None:
        checksum, code = self._kept.get(bucket.key, ("", b""))
        if checksum == bucket.checksum:
            bucket.bytecode_from_string(code)

    def dump_bytecode(self, bucket: Bucket) -> None:
        self._kept[bucket.key] = (bucket.checksum, bucket.bytecode_to_string())


def keep_compiled_templates() -> None:
    """Let every application of a process share its compiled templates."""
    Flask.jinja_options = {"bytecode_cache": _CompiledTemplates()}


def keep_compiled_rules() -> None:
    """Let Werkzeug compile the rule of an address once a process: some 340 take most of an application's making.

    What it makes of a rule depends on nothing but what the key here names; what builds addresses is given its rule.
    """
    compiled: dict[object, tuple[Any, ...]] = {}
    compile_anew: Callable[[Any], None] = Rule.compile

    def compile_once(rule: Any) -> None:
        where = rule.host if rule.map.host_matching else rule.subdomain
        key = (rule.rule, where, rule.merge_slashes, repr(rule.defaults), *rule.map.converters.values())
        if key not in compiled:
            compile_anew(rule)
            builders = rule._build.__func__, rule._build_unknown.__func__
            compiled[key] = rule._parts, rule._trace, rule._converters, frozenset(rule.arguments), builders
        rule._parts, rule._trace, rule._converters, arguments, builders = compiled[key]
        rule.arguments |= arguments
        rule._build, rule._build_unknown = (builder.__get__(rule) for builder in builders)

    Rule.compile = compile_once  # type: ignore[method-assign]


def keep_compiled_sql() -> None:
    """Let what SQLAlchemy compiled for one house's engine serve the next one's, as it serves a house all day.

    The key of a compiled statement holds the dialect, which compares by identity; all engines of a run are made
    alike and ask the same kind of server, so that one dialect of a class is as good as another.
    """
    compiled: Any = LRUCache(5000)  # more than all tests together need
    DefaultDialect.__eq__ = lambda self, other: type(self) is type(other)  # type: ignore[method-assign]
    DefaultDialect.__hash__ = lambda self: hash(type(self))  # type: ignore[method-assign]

    @sa.event.listens_for(sa.Engine, "engine_connect")
    def share(connection: sa.Connection) -> None:
        connection.engine._compiled_cache = compiled


PRINT_ANEW = render._printed
"""What prints a paper whether it was printed before or not: `prints_anew` of tests/conftest.py."""


def keep_printed_papers() -> None:
    """Let a text that was printed before on this size of paper be those bytes: the same text gives the same ones.

    tests/documents/test_render.py shows that it does. What a test has stand in for the press prints for itself alone.
    """

    @lru_cache(maxsize=300)
    def printed_by(press: object, html: str, size: str) -> bytes:
        return PRINT_ANEW(html, size)

    render._printed = lambda html, size: printed_by(weasyprint.HTML.write_pdf, html, size)


waits_for_disk = False
"""Whether what is written waits for the disk, as in a house that is served: a test may ask for it."""


def wait_for_no_disk() -> None:
    """Let SQLite and files hand over to the system and go on: a test's house need not outlive the machine."""
    wait: Callable[[Any], None] = os.fsync

    def wait_if_asked(file: Any) -> None:
        if waits_for_disk:
            wait(file)

    os.fsync = wait_if_asked

    @sa.event.listens_for(sa.Engine, "engine_connect")
    def hand_over(connection: sa.Connection) -> None:
        if connection.dialect.name == "sqlite" and not waits_for_disk and "hands over" not in connection.info:
            connection.connection.cursor().execute("PRAGMA synchronous=OFF")
            connection.info["hands over"] = True
