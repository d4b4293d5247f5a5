"""What a person reads: the words of a page, the text of a paper."""

import io
import re
from functools import lru_cache
from html import unescape

import pypdf


@lru_cache(maxsize=100)
def pdf_text(paper: bytes) -> str:
    """A PDF's text, each run of white space made one space: what a search in the file finds."""
    return " ".join(" ".join(leaf.extract_text() for leaf in pypdf.PdfReader(io.BytesIO(paper)).pages).split())


def words_of(page: str) -> str:
    """A page's text without its tags, each run of white space made one space."""
    return " ".join(unescape(re.sub("<[^>]*>", " ", page)).split())
