"""``tsfit guide``: short advice on the choices at the bench."""

from __future__ import annotations

from pathlib import Path

import click

from tsfit.cli.output import json_option, print_json, print_rendered, say

FOLDER = Path(__file__).parents[1] / "guides"
TOPICS = ("resistor", "mass", "level", "wiring", "curve", "box-or-mass", "dual-coils", "uncertainty")


@click.command()
@click.argument("topic", type=click.Choice(TOPICS), required=False)
@json_option
def guide(topic: str | None, as_json: bool) -> None:
    """Read a short guide: which resistor, mass, level, wiring; how to read a curve; what uncertainty means for the box.

    \b
    Example:
      tsfit guide
      tsfit guide mass
    """  # noqa: D301
    texts = {name: (FOLDER / f"{name}.md").read_text(encoding="utf-8") for name in ([topic] if topic else TOPICS)}
    if as_json:
        print_json(texts)
        return
    if topic is None:
        say("Guides:")
        for name, text in texts.items():
            say(f"  tsfit guide {name:<12} {text.splitlines()[0].removeprefix('# ')}")
        return
    from rich.markdown import Markdown

    print_rendered(Markdown(texts[topic]), most_columns=88)
