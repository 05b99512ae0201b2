"""The page's HTML and its style sheet, which is that of the report and a few lines more."""

from collections.abc import Sequence
from pathlib import Path

import jinja2
from markupsafe import Markup

from tsfit.base.files import STEERING

_FOLDER = Path(__file__).parent
_REPORT = _FOLDER.parent / "report"


def page_of(names: Sequence[str], setup: str) -> str:
    """Return the page for drivers of those `names`; `setup` is JSON for its script."""
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_FOLDER), autoescape=True, trim_blocks=True, undefined=jinja2.StrictUndefined
    )
    # Inside a script element only this character could end it.
    data = Markup(setup.replace("<", "\\u003c"))
    page = environment.get_template("page.html.j2").render(names=names, setup=data)
    return STEERING.sub(lambda found: found[0] if found[0] in "\t\n" else "\ufffd", page)


def style() -> str:
    """Return the style sheet."""
    return "\n".join((folder / "page.css").read_text(encoding="utf-8") for folder in (_REPORT, _FOLDER))
