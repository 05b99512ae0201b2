"""Records that show themselves in scripts and notebooks: drawn, as a page, as JSON.

A record lies lower than what draws it. What draws it is therefore registered here by `tsfit.api`, and looked up when asked.
"""

from collections.abc import Callable
from importlib import import_module
from typing import Any

Maker = Callable[[Any], Any]
_VIEWS: dict[tuple[type, str], Maker] = {}


def register(record: type, **views: Maker) -> None:
    """Say what makes the views of `record`, by name."""
    _VIEWS.update({(record, name): make for name, make in views.items()})


def view(record: object, name: str) -> Any:
    """Return the view `name` of `record`."""
    key = (type(record), name)
    if key not in _VIEWS:
        import_module("tsfit.api")
    return _VIEWS[key](record)


class Viewed:
    """A record that a notebook shows as the page does, and that has a fixed JSON form, SI units."""

    def to_dict(self) -> dict[str, object]:
        """Return the fixed JSON form as plain data."""
        from tsfit.base.forms import plain

        return plain(view(self, "form"))  # type: ignore[return-value]

    def _repr_html_(self) -> str:
        return str(view(self, "page"))
