"""Write a plot to a file, whole or not at all."""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import TYPE_CHECKING

from tsfit.base.errors import TsfitError
from tsfit.base.files import write_new

if TYPE_CHECKING:
    from matplotlib.figure import Figure

KINDS = ("png", "svg", "pdf")


def plot_kind(path: Path) -> str:
    """Format that the name of a plot asks for.

    Raises TsfitError ``wrong_file_type`` unless the name ends in .png, .svg or .pdf.
    """
    kind = path.suffix.lower().lstrip(".")
    if kind not in KINDS:
        message = f"{path}: a plot ends in .png, .svg or .pdf; choose one of them."
        raise TsfitError(message, code="wrong_file_type", file=path)
    return kind


def save_plot(path: Path, figure: Figure, *, replace: bool = False) -> None:
    """Write `figure` in the format that the file name ends with.

    Raises TsfitError ``wrong_file_type`` as `plot_kind`; ``exists`` and ``cannot_write`` as for any file.
    """
    kind = plot_kind(path)
    stream = io.BytesIO()
    figure.savefig(stream, format=kind, dpi=160)
    content = stream.getvalue()
    if kind == "svg":
        # XML has no place for them, not even escaped, and a name of a driver may hold them.
        content = re.sub(rb"[\x00-\x08\x0b\x0c\x0e-\x1f]", b"", content)
    write_new(path, content, replace=replace)
