import json
import shlex

from app.config import Config
from tests.commands.conftest import Run
from tests.stocked import empty_house

__all__ = ["empty_house"]


def test_the_quick_line_is_read_in_the_words_of_the_house(run: Run) -> None:
    done = run("counter", "read", "2 mortise 1-1/8 AQ1 six pin 626 KA 4 keys and a purple ring set")
    assert done.exit_code == 0, done.output
    answer = json.loads(done.stdout)
    assert answer["lines"] == [
        {
            "kind": "cylinder",
            "quantity": 2,
            "type": "mortise",
            "length": "1-1/8",
            "chambers": 6,
            "drilled": 6,
            "keyway": "AQ1",
            "cam": "standard",
            "finish": "626",
            "maker": "ARD",
            "keying": "KA",
            "keys_in_all": 4,
            "completed": "A18M-Q1-66.SC",
        },
        {"kind": "hardware", "quantity": 1, "price_code": "RING-SET"},
    ]
    assert answer["not_understood"] == ["purple"]
    assert answer["words"][1] == {"text": "mortise", "means": "mortise cylinder"}


def test_its_example_can_be_read(run: Run) -> None:
    words = shlex.split(run("counter", "read", "--example").stdout)
    answer = json.loads(run(*words[1:]).stdout)
    assert [line["kind"] for line in answer["lines"]] == ["cylinder", "hardware"] and not answer["not_understood"]


def test_a_refusal_is_one_json_object(run: Run, config: Config) -> None:
    done = run("counter", "read", "2 mortise " * 60)
    assert done.exit_code == 2
    assert json.loads(done.stdout)["error"]["field"] == "quick"
    done = run("counter", "read", "trip", BITTERN_INSTANCE=str(config.instance / "nowhere"), BITTERN_DATABASE_URL="")
    assert done.exit_code == 2
    assert "There is no house here" in json.loads(done.stdout)["error"]["message"]
