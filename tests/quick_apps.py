"""What every test's own application need not do anew: compile the same templates, and the same addresses.

An application for each test keeps tests apart; making one took longer than most tests, nearly all of it in these.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from jinja2.bccache import Bucket, BytecodeCache
from werkzeug.routing import Rule


class CompiledTemplates(BytecodeCache):
    """Compiled templates, kept from one application to the next; a changed source is compiled anew."""

    def __init__(self) -> None:
        self._kept: dict[str, tuple[str, bytes]] = {}

    def load_bytecode(self, bucket: Bucket) -> None:
        checksum, code = self._kept.get(bucket.key, ("", b""))
        if checksum == bucket.checksum:
            bucket.bytecode_from_string(code)

    def dump_bytecode(self, bucket: Bucket) -> None:
        self._kept[bucket.key] = (bucket.checksum, bucket.bytecode_to_string())


def keep_address_builders() -> None:
    """Let Werkzeug compile what builds the addresses of one rule once a process.

    The function that it makes of a rule depends on nothing but what the key here names: it is given its rule.
    """
    compiled: dict[object, Callable[..., tuple[str, str]]] = {}
    compile_anew: Callable[[Any, bool], Callable[..., tuple[str, str]]] = Rule._compile_builder

    def compile_once(rule: Any, append_unknown: bool = True) -> Callable[..., tuple[str, str]]:
        key = (rule.rule, tuple(rule._trace), repr(rule.defaults), append_unknown)
        if key not in compiled:
            compiled[key] = compile_anew(rule, append_unknown)
        return compiled[key]

    Rule._compile_builder = compile_once  # type: ignore[method-assign,assignment]
