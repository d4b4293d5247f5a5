"""`bittern counter`: what the counter page makes of a clerk's words, on the house of the settings."""

import json

import click

from app.commands.jsonio import refuse
from app.commands.parts import example_of
from app.commands.refusals import house_work
from app.errors import BitternError
from app.ledger.quoting.quick_line import QuickWord, read_quick_line

group = click.Group("counter", help="The counter page's quick line.")


@group.command("read")
@click.argument("words")
@example_of("bittern counter read '2 mortise 1-1/8 626 KA 4 keys and a ring set'")
def read_line(words: str) -> None:
    """The lines that WORDS become at the counter, and the words that are not understood. Reads this house's words."""
    try:
        with house_work() as work:
            reading = read_quick_line(work, words)
    except click.exceptions.Exit as ended:
        if isinstance(ended.__cause__, BitternError):
            refuse(ended.__cause__)
        raise
    answer: dict[str, object] = {
        "lines": [line.to_json() for line in reading.lines],
        "not_understood": [word.text for word in reading.not_understood],
        "words": [_word(word) for word in reading.words],
    }
    if reading.urgency is not None:
        answer["urgency"] = reading.urgency.value
    click.echo(json.dumps(answer, ensure_ascii=False))


def _word(word: QuickWord) -> dict[str, str]:
    said = {"text": word.text, "means": word.means, "hint": word.hint}
    return {name: text for name, text in said.items() if text}
