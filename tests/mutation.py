"""Which small changes of the code no test notices: mutation testing, one forked process a mutant.

``python tests/mutation.py tsfit/fitting/model.py --sample 60 --seed 1 -- tests/fitting`` prints what survives and the
score; several modules may be given, ``--line 67`` takes only the mutants of that line.

The operators are the classic ones, made with Python's own ast: arithmetic, comparison and boolean operators swapped,
signs and ``not`` dropped, conditions negated, numbers one up or down, True and False, a return without its value, a
keyword argument left out, ``break`` and ``continue``, a call or ``raise`` on a line of its own left out. Annotations,
decorators and text stay, and so does ``strict`` of `zip`, a guard against what never happens.

All happens in a copy of the checkout. The tests run there once to tell which test runs which lines of the modules; so
everything foreign is loaded too. Then a process is forked for each mutant, which imports the changed tsfit and runs the
tests that touch the changed line, up to the first failure. Forks without a change must pass, before and after.
"""

import argparse
import ast
import contextlib
import copy
import importlib.util
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest

ROOT = Path(__file__).parents[1]
QUIET = ["-q", "-x", "--no-header", "--no-summary", "-p", "no:cacheprovider"]
SWAPS: dict[type[ast.AST], tuple[type[ast.AST], ...]] = {
    ast.Add: (ast.Sub,),
    ast.Sub: (ast.Add,),
    ast.Mult: (ast.Div,),
    ast.Div: (ast.Mult,),
    ast.FloorDiv: (ast.Mult,),
    ast.Mod: (ast.Mult,),
    ast.Pow: (ast.Mult,),
    ast.MatMult: (ast.Mult,),
    ast.BitAnd: (ast.BitOr,),
    ast.BitOr: (ast.BitAnd,),
    ast.And: (ast.Or,),
    ast.Or: (ast.And,),
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}


class Mutant(NamedTuple):
    """A change of one module: the lines of the statement it is in, and what stands there before and after."""

    module: Path
    lines: range
    before: str
    after: str
    text: str


def _variants(node: ast.AST, parent: ast.AST) -> Iterator[ast.AST | None]:
    """Yield what may stand in the place of a node; None for nothing."""
    for field in ("op", "ops"):
        operators = getattr(node, field, None)
        for place, operator in enumerate(operators if isinstance(operators, list) else [operators]):
            for other in SWAPS.get(type(operator), ()):
                changed: Any = copy.deepcopy(node)
                if isinstance(operators, list):
                    changed.ops[place] = other()
                else:
                    changed.op = other()
                yield changed
    match node:
        case ast.UnaryOp(ast.USub() | ast.Not(), operand):
            yield operand
        case ast.Constant(bool()):
            yield ast.Constant(not node.value)
        case ast.Constant(int() | float()):
            yield from (ast.Constant(node.value + 1), ast.Constant(node.value - 1))
        case ast.keyword():
            yield None
        case ast.Return(value) if value is not None and not (isinstance(value, ast.Constant) and value.value is None):
            yield ast.Return()
        case ast.Expr(ast.Call()) | ast.Raise():
            yield ast.Pass()
        case ast.Break():
            yield ast.Continue()
        case ast.Continue():
            yield ast.Break()
    condition = getattr(parent, "test", None) is node or (isinstance(parent, ast.comprehension) and node in parent.ifs)
    if condition and not isinstance(node, ast.Compare):
        yield ast.UnaryOp(ast.Not(), node)


def mutants(module: Path) -> Iterator[Mutant]:
    """Yield every mutant of a module."""
    tree = ast.parse(module.read_text(encoding="utf-8"))

    def visit(parent: Any, lines: range) -> Iterator[Mutant]:
        for field, held in ast.iter_fields(parent):
            if field in ("annotation", "returns", "decorator_list"):
                continue
            for place, node in enumerate(held if isinstance(held, list) else [held]):
                if not isinstance(node, ast.AST) or (isinstance(node, ast.keyword) and node.arg == "strict"):
                    continue
                inside = lines
                if isinstance(node, ast.stmt):
                    first = min([node.lineno, *(each.lineno for each in getattr(node, "decorator_list", []))])
                    body = getattr(node, "body", None)
                    inside = range(first, max(body[0].lineno, node.lineno + 1) if body else (node.end_lineno or first) + 1)
                for other in _variants(node, parent):
                    if isinstance(held, list):
                        held[place : place + 1] = [] if other is None else [other]
                    else:
                        setattr(parent, field, other)
                    text = ast.unparse(ast.fix_missing_locations(tree))
                    yield Mutant(module, inside, ast.unparse(node), "" if other is None else ast.unparse(other), text)
                    if isinstance(held, list):
                        held[place : place + (other is not None)] = [node]
                    else:
                        setattr(parent, field, node)
                yield from visit(node, inside)

    yield from visit(tree, range(0))


class Control:
    """The run without a change, as a plugin of pytest: seconds of each test, and which lines of the modules it runs."""

    def __init__(self, modules: list[Path]) -> None:
        self.files = {str(module) for module in modules}
        self.seconds: dict[str, float] = {}
        self.lines: dict[str, set[tuple[str, int]]] = {}
        self.fixtures: dict[str, set[tuple[str, int]]] = {}
        self.here: set[tuple[str, int]] = set()

    def _trace(self, frame: Any, event: str, argument: Any) -> Any:
        if frame.f_code.co_filename not in self.files:
            return None
        self.here.add((frame.f_code.co_filename, frame.f_lineno))
        return self._trace

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: Any) -> Any:
        """Keep apart what a fixture runs: every test that uses it depends on that, not only the first."""
        before, self.here = self.here, self.fixtures.setdefault(fixturedef.argname, set())
        try:
            return (yield)
        finally:
            self.here = before

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: Any) -> Any:
        """Trace one test."""
        self.here, began = set(), time.monotonic()
        sys.settrace(self._trace)
        try:
            return (yield)
        finally:
            sys.settrace(None)
            self.seconds[item.nodeid] = time.monotonic() - began
            self.lines[item.nodeid] = self.here.union(*(self.fixtures.get(name, set()) for name in item.fixturenames))

    def tests(self, mutant: Mutant) -> list[str]:
        """Return the tests that run a line of the mutant, or all for what runs at import: those of the module first."""
        touched = {(str(mutant.module), line) for line in mutant.lines}
        found = [test for test, lines in self.lines.items() if lines & touched] or list(self.lines)
        own = f"test_{mutant.module.stem}.py"
        spent: dict[str, float] = {}
        for test in found:
            spent[test.partition("::")[0]] = spent.get(test.partition("::")[0], 0.0) + self.seconds[test]
        return sorted(found, key=lambda test: (own not in test, spent[test.partition("::")[0]], self.seconds[test]))


class Chosen:
    """As a plugin of pytest: only these tests, in this order."""

    def __init__(self, tests: list[str]) -> None:
        self.tests = {test: place for place, test in enumerate(tests)}

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[Any]) -> None:
        """Choose and order."""
        items[:] = sorted((item for item in items if item.nodeid in self.tests), key=lambda item: self.tests[item.nodeid])


def forked(tests: list[str], seconds: float) -> str:
    """Run the tests in a process of its own and tell how it ended: passed, failed or timeout."""
    child = os.fork()
    if not child:
        os.setpgid(0, 0)
        signal.alarm(int(seconds))
        silence = os.open(os.devnull, os.O_WRONLY)
        os.dup2(silence, 1)
        os.dup2(silence, 2)
        code = 99
        try:
            code = int(
                pytest.main([*QUIET, *dict.fromkeys(test.partition("::")[0] for test in tests)], plugins=[Chosen(tests)])
            )
        finally:
            os._exit(code)
    _, status = os.waitpid(child, 0)
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)
    ended = os.waitstatus_to_exitcode(status)
    return {0: "passed", -signal.SIGALRM: "timeout"}.get(ended, "failed")


def main() -> int:
    """Copy, control, mutate, print."""
    arguments = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    arguments.add_argument("modules", nargs="+", help="modules of tsfit, as paths in the checkout")
    arguments.add_argument("--sample", type=int, default=60, help="mutants a module, drawn at random; 0 for all")
    arguments.add_argument("--seed", type=int, default=1)
    arguments.add_argument("--line", type=int, action="append", help="only mutants of the statement on that line")
    own, _, tests = " ".join(sys.argv[1:]).partition(" -- ")
    options = arguments.parse_args(own.split())
    paths = [str(Path(name).resolve().relative_to(ROOT)) for name in options.modules]
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder).resolve() / "checkout"
        shutil.copytree(ROOT, place, ignore=shutil.ignore_patterns(".git", ".venv", ".*_cache", "__pycache__"))
        os.chdir(place)
        sys.path.insert(0, str(place))
        os.environ.update(PYTHONPATH=str(place), OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")
        modules = [place / path for path in paths]
        control = Control(modules)
        if pytest.main([*QUIET, *(tests.split() or ["tests"])], plugins=[control]):
            print("the tests fail without a change")
            return 2
        for name, module in list(sys.modules.items()):
            if str(getattr(module, "__file__", None)).startswith(str(place)):
                del sys.modules[name]
        importlib.invalidate_caches()
        _unchanged(control)
        for path, module in zip(paths, modules, strict=True):
            _judge(path, module, control, options)
        _unchanged(control)
    return 0


def _unchanged(control: Control) -> None:
    if forked(list(control.lines), 60.0 + 5.0 * sum(control.seconds.values())) != "passed":
        raise SystemExit("a fork without a change fails: what follows or went before is worth nothing")


def _judge(path: str, module: Path, control: Control, options: argparse.Namespace) -> None:
    """Run the mutants of one module and print what survives."""
    original = module.read_text(encoding="utf-8")
    every = list(mutants(module))
    if options.line:
        every = [mutant for mutant in every if set(mutant.lines) & set(options.line)]
    if options.sample and options.sample < len(every):
        every = random.Random(options.seed).sample(every, options.sample)
    counts = {"failed": 0, "timeout": 0, "passed": 0}
    for mutant in sorted(every, key=lambda mutant: mutant.lines.start):
        module.write_text(mutant.text, encoding="utf-8")
        # Python knows a stale compiled file by time and size only, and mutants follow each other too quickly for that.
        Path(importlib.util.cache_from_source(str(module))).unlink(missing_ok=True)
        tests = control.tests(mutant)
        ended = forked(tests, 20.0 + 5.0 * sum(control.seconds[test] for test in tests))
        counts[ended] += 1
        if ended == "passed":
            print(f"{path}:{mutant.lines.start}: {mutant.before}  ->  {mutant.after or 'left out'}", flush=True)
    module.write_text(original, encoding="utf-8")
    Path(importlib.util.cache_from_source(str(module))).unlink(missing_ok=True)
    killed = counts["failed"] + counts["timeout"]
    share = 100.0 * killed / max(len(every), 1)
    print(f"{path}: {killed} of {len(every)} killed ({share:.1f} %), {counts['timeout']} of them by time", flush=True)


if __name__ == "__main__":
    sys.exit(main())
