"""Command lines of any command with any of its options and hostile words: done, judged, or one sentence."""

import importlib
import shutil

import click
import pytest
from helpers.damage import hold
from helpers.hostile import cases, finite, words
from hypothesis import given
from hypothesis import strategies as st

from tsfit.cli.commands import COMMANDS

SLOW = {("demo",), ("drift", "routine"), ("try",)}
"""Commands whose very job takes longer than a case may, or that serve until they are left."""
NOT_PLAYED = {"--help", "--verbose", "--template", "--replace", "--guided", "--json", "--version"}
"""Asked for in another way here, saying more than a sentence, waiting for a person, or allowed to change a file."""
BOUNDED = {"--seconds": ("1", "2"), "--repeats": ("1", "2"), "--periods": ("2", "3"), "--level-dbfs": ("-60", "-30")}
"""Options by which a command may rightly take minutes get these values, or such as are refused."""
FILES = (
    "saltwit-12-sheet.toml", "driver.toml", "fit.json", "curve.txt", "curve.s1p", "bench.toml", "box.toml", "log.drift",
    "rig.toml", "frequencies.txt", "sweep.wav", "missing.toml", "drivers",
)  # fmt: skip
MEANT = {
    "rig": "rig.toml", "benches": "curve.txt", "fit": "fit.json", "log": "log.drift", "plan": "box.toml",
    "curve": "curve.txt", "driver": "driver.toml",
    "drivers": "fit.json", "files": "saltwit-12-sheet.toml", "--box": "box.toml", "--log": "log.drift",
    "--sheet": "saltwit-12-sheet.toml", "--frequencies": "frequencies.txt",
}  # fmt: skip
"""What an argument or option is for; it mostly gets that."""
NEW = (
    "new.json",
    "new.png",
    "new.svg",
    "new.toml",
    "new.html",
    "new.csv",
    "new.cir",
    "new",
    "no/such/new.json",
    "..",
    ".",
    "sweep.wav",
)


def commands(group: click.Command, path: tuple[str, ...]):
    """Yield every command that is no group, with its path."""
    if isinstance(group, click.Group):
        for name in group.commands:
            yield from commands(group.commands[name], (*path, name))
    elif path not in SLOW:
        yield path, group


def loaded():
    for name, (place, _) in COMMANDS.items():
        module, _, attribute = place.partition(":")
        yield from commands(getattr(importlib.import_module(module), attribute), (name,))


ALL = {path: tuple(command.params) for path, command in loaded()}
# What a shell can hand over: no NUL; and what is no option, so that --json stays one.
said = words.map(lambda word: word.replace("\0", "")).filter(lambda word: not word.startswith(("-", "/", "~")))
plain = st.sampled_from(("0.5", "0.707", "1", "2", "4", "10", "30", "60", "200"))
wild = st.one_of(
    st.sampled_from(("0", "-1", "nan", "inf", "-inf", "1e-300", "1e300", "1e15", "1,5", "1_0", "٣", "0x10")),
    finite.map(repr),
)


@st.composite
def value(draw, option: str, kind: click.ParamType) -> str:
    """A value for an option or argument, mostly one that could be meant."""
    if draw(st.integers(0, 15)) == 0:
        return draw(said)
    if option in BOUNDED:
        return draw(st.sampled_from((*BOUNDED[option], "-1", "nan", "inf", "1e300")))
    if isinstance(kind, click.Choice):
        return draw(st.sampled_from([str(choice) for choice in kind.choices]))
    if isinstance(kind, click.Path):
        return draw(st.sampled_from((*FILES, *[MEANT.get(option, "driver.toml")] * 3 * len(FILES))))
    if kind.name.startswith(("float", "integer")):
        return draw(st.one_of(plain, plain, plain, wild))
    return draw(
        st.one_of(said, st.sampled_from(("simple", "ladder-2", "ideal", "1", "2", "0 h", "line-divider", "resistor")))
    )


@st.composite
def command_line(draw) -> list[str]:
    """One command with its arguments and up to four of its options."""
    path = draw(st.sampled_from(sorted(ALL)))
    line = list(path)
    for argument in (parameter for parameter in ALL[path] if isinstance(parameter, click.Argument)):
        count = draw(st.sampled_from((0, 1, 1, 2, 2, 3))) if argument.nargs < 0 else 1
        line += [draw(value(str(argument.name), argument.type)) for _ in range(count)]
    options = [p for p in ALL[path] if isinstance(p, click.Option) and not NOT_PLAYED & set(p.opts)]
    required = [option for option in options if option.required]
    chosen = draw(st.lists(st.sampled_from(options), max_size=4)) if options else []
    for option in [*required, *chosen]:
        name = option.opts[-1]
        if option.is_flag:
            line.append(name)
        elif isinstance(option.type, click.Path) and (
            "-o" in option.opts or "plot" in name or "save" in name or "spice" in name
        ):
            line += [name, draw(st.sampled_from(NEW))]
        else:
            line += [name, draw(value(name, option.type))]
    return [*line, "--json"] if draw(st.booleans()) else line


def test_command_lines(fold, good, tmp_path, monkeypatch):
    folder = tmp_path / "work"
    shutil.copytree(good, folder)
    monkeypatch.chdir(folder)
    there = {path.name for path in folder.iterdir()}
    answers = {0: 0, 1: 0, 2: 0}

    @cases(150, fold)
    @given(command_line())
    def play(line):
        answers[hold(line, folder, sentences=4 if line[0] == "fit" else 1)] += 1
        for path in folder.iterdir():
            if path.name not in there:
                shutil.rmtree(path) if path.is_dir() else path.unlink()
        assert [path.name for path in tmp_path.iterdir()] == ["work"]

    play()
    print(answers)
    assert answers[0] > 0
    assert answers[2] > 0


@pytest.mark.parametrize("path", [path for path in sorted(ALL) if any(p.required for p in ALL[path])], ids=" ".join)
def test_a_bare_command_names_what_it_needs(path, good, monkeypatch):
    monkeypatch.chdir(good)
    assert hold(list(path), good) == 2
