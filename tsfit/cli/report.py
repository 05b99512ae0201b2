"""``tsfit report``: one page of whatever the other commands found."""

from pathlib import Path

import click

from tsfit.cli.output import PATH, Outputs, with_outputs
from tsfit.cli.printing import hint, say


@click.command()
@click.argument("files", nargs=-1, required=True, type=PATH)
@click.option(
    "-o",
    "--output",
    type=PATH,
    default=Path("report.html"),
    show_default=True,
    metavar="FILE.html",
    help="Name of the page.",
)
@click.option("--title", help="Title of the page.  [default: the drivers' names]")
@click.option("--replace", is_flag=True, help="Allow a page that is there to be replaced.")
@with_outputs("as_json")
def report(files: tuple[Path, ...], output: Path, title: str | None, replace: bool, outputs: Outputs) -> None:
    """Make one self-contained page of FILES: what fit, check, box and compare wrote, and drift logs, in any mix.

    The page opens from disk in any browser, prints well, and needs no network. For a PDF, print it into one.

    \b
    Example:
      tsfit report fit.json
      tsfit report old.json new.json check.json compare.json \\
          -o woofers.html
    """  # noqa: D301
    from tsfit.base.errors import TsfitError
    from tsfit.base.files import refuse_existing, refuse_read, write_new
    from tsfit.report.page import make_page

    refuse_existing(output, replace=replace)
    page = make_page(files, title)
    refuse_read(output)
    if output.suffix.lower() not in (".html", ".htm"):
        message = f"{output}: a page ends in .html; open that in a browser and print it for a PDF."
        raise TsfitError(message, code="wrong_file_type", file=output)
    write_new(output, page, replace=replace)

    def tables() -> None:
        say(f"{output}: one page of {', '.join(file.name for file in files)}; its first screen gives the answer.")
        hint("Open it in a browser; print it for a PDF.")

    outputs.show({"page": str(output), "files": [str(file) for file in files]}, tables)
