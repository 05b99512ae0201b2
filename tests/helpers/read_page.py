"""A page as a reader sees it: its words, without tags."""

import html
import re

from tsfit.report.page import make_page


def words_of(*files):
    """Words of the page made of `files`."""
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", make_page(list(files)))).split())
