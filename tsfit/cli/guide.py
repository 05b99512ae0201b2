"""``tsfit guide``: what README has no room for, topic by topic."""

import difflib
from collections.abc import Iterator
from pathlib import Path
from typing import ClassVar

import click

from tsfit.cli.output import Outputs, with_outputs
from tsfit.cli.printing import print_rendered, say

FOLDER = Path(__file__).parents[1] / "guides"
TOPICS = (
    "bench", "wiring", "resistor", "level", "mass", "box-or-mass", "dual-coils", "files", "curve", "elsewhere",
    "uncertainty", "travel", "heat", "datasheet", "boxes", "boards", "knobs", "hours", "python",
)  # fmt: skip
OF_COMMANDS = {"drift": "hours", "check": "datasheet", "live": "knobs"}
"""The guide that is meant by the name of a command."""


class _Topic(click.Choice[str]):
    """A guide's name; the nearest one is named for another."""

    def convert(self, value: str, param: click.Parameter | None, ctx: click.Context | None) -> str:
        if value in TOPICS:
            return value
        known = OF_COMMANDS.get(value.lower())
        near = [known] if known else difflib.get_close_matches(value.lower(), TOPICS, n=1, cutoff=0.5)
        remedy = f"did you mean {near[0]!r}?" if near else "tsfit guide lists them."
        raise click.UsageError(f"There is no guide {value!r}; {remedy}")


@click.command()
@click.argument("topic", type=_Topic(TOPICS), required=False)
@with_outputs("as_json")
def guide(topic: str | None, outputs: Outputs) -> None:
    """Read a guide: the bench and its choices, the files, datasheets, boxes, hours of use, uncertainty, Python.

    \b
    Example:
      tsfit guide
      tsfit guide boxes
    """  # noqa: D301
    texts = {name: (FOLDER / f"{name}.md").read_text(encoding="utf-8") for name in ([topic] if topic else TOPICS)}
    outputs.show(texts, lambda: _print(texts, topic))


def _print(texts: dict[str, str], topic: str | None) -> None:
    """Print one guide, or without a topic the first line of each."""
    if topic is None:
        say("Guides:")
        for name, text in texts.items():
            say(f"  tsfit guide {name:<12} {text.splitlines()[0].removeprefix('# ')}")
        return
    from rich.markdown import CodeBlock, Markdown
    from rich.text import Text

    class Code(CodeBlock):
        """Lines that stay whole, so that they can be pasted."""

        def __rich_console__(self, *_: object) -> Iterator[Text]:
            for line in str(self.text).rstrip().split("\n"):
                yield Text(line, no_wrap=True, overflow="ignore")

    class Guide(Markdown):
        elements: ClassVar = {**Markdown.elements, "fence": Code}

    print_rendered(Guide(texts[topic]), most_columns=88)
