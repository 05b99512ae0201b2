"""Write a figure to a file, whole or not at all."""

from __future__ import annotations

import io
from pathlib import Path

from matplotlib.figure import Figure

from tsfit.errors import TsfitError
from tsfit.files import write_new

KINDS = ("png", "svg", "pdf")


def save_figure(path: Path, figure: Figure, *, replace: bool = False) -> None:
    """Write `figure` in the format that the file name ends with.

    Raises
    ------
    TsfitError
        ``wrong_file_type`` unless the name ends in .png, .svg or .pdf; ``exists`` and ``cannot_write`` as for any file.
    """
    kind = path.suffix.lower().lstrip(".")
    if kind not in KINDS:
        raise TsfitError(
            f"{path}: a figure ends in .png, .svg or .pdf; choose one of them.", code="wrong_file_type", file=path
        )
    stream = io.BytesIO()
    figure.savefig(stream, format=kind, dpi=160)
    write_new(path, stream.getvalue(), replace=replace)
