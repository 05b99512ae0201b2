"""Fixtures that every wing's tests may use."""

import os

# Before NumPy is loaded, here and in every worker and process that a test starts: matrices as small as these are slower on
# several threads, and the workers already have a core each. Bytecode is kept whatever the environment says: every process
# that a test starts would compile the package anew, and every run all tests.
os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": ""}
os.environ["PYTHONUNBUFFERED"] = ""  # as for a user, whose output may wait for the end

import contextlib
import gc
import importlib.util
import pickle
import subprocess
import sys
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING

import pytest
from filelock import FileLock
from helpers.paths import SAMPLES
from helpers.wheel import install, tsfit_of

if TYPE_CHECKING:
    from tsfit.driver.fit_result import FitResult


LONGEST = (
    "test_readme", "test_house", "test_browser", "test_three_uses", "test_calibration", "test_sweep", "test_fit",
    "test_demo", "test_terminal", "test_disturbance", "test_wheel", "test_circumstances", "test_simulated", "test_break_in",
    "test_large_signal_steps", "test_ratio", "test_distortion", "test_impedance_refusals", "test_quality",
    "test_fit_statistics", "test_faults", "test_alignment", "test_playback", "test_damaged_files", "test_monte_carlo",
    "test_batch", "test_rig", "test_live_recording", "test_mutation", "test_scaling", "test_recordings_to_truth",
    "test_results_on_real_drivers", "test_start", "test_small_driver", "test_port", "test_first_lines", "test_ramp",
    "test_select", "test_scatter", "test_micro_speaker",
)  # fmt: skip
"""Files that take longest come first, so that no worker is left with one of them alone at the end."""


SOUND, LISTENER = "tests/audio/", "gw0"
"""Tests with live sound, and the worker that has them all: the others give way to it, for sound does not wait."""


def pytest_configure(config):
    """Let workers take the files in this order, not those with the most tests first, and give way to live sound.

    Nothing that is collected as tests goes again before they run, and looking for it takes a sixth of their collection.
    """
    gc.disable()
    config.option.loadscopereorder = False
    sys.dont_write_bytecode = False
    if getattr(config, "workerinput", {}).get("gives_way") and hasattr(os, "nice"):
        os.nice(10)


@pytest.hookimpl(optionalhook=True)
def pytest_configure_node(node):
    """Tell every worker whether it gives way to another, which none does where tests are dealt out otherwise."""
    node.workerinput["gives_way"] = node.gateway.id != LISTENER and node.config.getvalue("dist") == "loadfile"


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers():
    """Take one worker more than there are processors: live sound and the browser mostly wait."""
    return (os.cpu_count() or 1) + 1


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    """Deal the tests out by file, those with live sound to one worker and first of all."""
    if config.getvalue("dist") != "loadfile":
        return None
    from xdist.scheduler import LoadFileScheduling

    class SoundFirst(LoadFileScheduling):
        def _split_scope(self, nodeid):
            return SOUND if nodeid.startswith(SOUND) else super()._split_scope(nodeid)

        def _assign_work_unit(self, node):
            if SOUND in self.workqueue:
                self.workqueue.move_to_end(SOUND, last=node.gateway.id != LISTENER)
            super()._assign_work_unit(node)

    return SoundFirst(config, log)


def pytest_collection_modifyitems(items):
    """Bring the longest files to the front; all else in the order of its path, wherever a worker began to collect."""
    rank = {name: number for number, name in enumerate(LONGEST)}
    items.sort(key=lambda item: (rank.get(item.path.stem, len(rank)), item.path))


def pytest_collection_finish():
    """Let the collector come again, but seldom: it looks through thousands of tests and all modules, which stay anyway."""
    gc.enable()
    gc.set_threshold(50_000, 20, 50)


@pytest.fixture(scope="session")
def bench_simulator() -> ModuleType:
    """sample_data/bench_simulator.py as a module: the bench from its differential equations, for recordings of known truth.

    ``simulate(driver, state, rig, excitation, rng)`` with `BenchDriver` (or a resistor in ohm), `BenchState`, `BenchRig`,
    and `exponential_sweep`, `multisine` or `white_noise` times a voltage gives the two channels, (n, 2), 1 = full scale.
    """
    spec = importlib.util.spec_from_file_location("bench_simulator", SAMPLES / "bench_simulator.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["bench_simulator"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def made_once(tmp_path_factory) -> Callable[[str, Callable[[Path], object]], Path]:
    """``made_once(name, make)``: a folder that ``make(folder)`` fills, once for all workers; tests read it, or copy it."""
    base = tmp_path_factory.getbasetemp()
    shared = base.parent if "PYTEST_XDIST_WORKER" in os.environ else base

    def once(name: str, make: Callable[[Path], object]) -> Path:
        folder, whole = shared / f"made-{name}", shared / f"made-{name}.whole"
        with FileLock(shared / f"made-{name}.lock"):
            if not whole.exists():
                folder.mkdir(exist_ok=True)
                make(folder)
                whole.touch()
        return folder

    return once


@pytest.fixture(scope="session")
def wheel(made_once) -> Path:
    """The built wheel in an environment of its own (`helpers.wheel`)."""
    return made_once("wheel", install)


@pytest.fixture(scope="session")
def demonstration(made_once, wheel) -> Path:
    """What `tsfit demo` of the wheel leaves, in the folder ``tsfit-demo``, and prints, in ``printed.txt``."""

    def play(folder: Path) -> None:
        (folder / "printed.txt").write_text(tsfit_of(wheel, ["demo"], folder))

    return made_once("demonstration", play)


@pytest.fixture(scope="session")
def sample_fit(made_once) -> Callable[[str], "FitResult"]:
    """``sample_fit("saltwit-12")``: the fit of that bench in sample_data, its circuit looked for; not to be changed."""

    def make(stem: str, folder: Path) -> None:
        from tsfit.bench.fit import fit_bench

        (folder / "fit.pickle").write_bytes(pickle.dumps(fit_bench(SAMPLES / f"{stem}-bench.toml")))

    return lambda stem: pickle.loads((made_once(f"fit-{stem}", partial(make, stem)) / "fit.pickle").read_bytes())


@pytest.fixture(scope="session")
def page_files(made_once) -> list[Path]:
    """One file of every kind that a page is made from; not to be changed."""
    from helpers.made_page import write_files

    folder = made_once("page", lambda folder: (folder / "order.txt").write_text("\n".join(map(str, write_files(folder)))))
    return [Path(line) for line in (folder / "order.txt").read_text().splitlines()]


@pytest.fixture(scope="session")
def whole_page(made_once, page_files) -> Path:
    """The page of `page_files`."""

    def make(folder: Path) -> None:
        from tsfit.report.page import make_page

        (folder / "page.html").write_text(make_page(page_files), "utf-8")

    return made_once("whole-page", make) / "page.html"


@pytest.fixture
def written(tmp_path):
    """Write text or bytes as curve.txt, or under another name, and tell where."""

    def write(content, name="curve.txt"):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write


@contextlib.contextmanager
def mounted(folder: Path, options: str) -> Iterator[Path]:
    """Mount a small file system in memory on `folder`, which only root may do."""
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", options, "tsfit-tests", str(folder)]
    if os.geteuid() != 0 or subprocess.run(command, capture_output=True, check=False).returncode:
        pytest.skip("no small disk to test with: only root may mount one")
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=True)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A folder on a disk of one megabyte."""
    with mounted(tmp_path / "small-disk", "size=1m") as folder:
        yield folder


@pytest.fixture
def read_only_folder(tmp_path: Path) -> Iterator[Path]:
    """A folder in which nobody may write, root neither."""
    with mounted(tmp_path / "read-only", "size=1m,ro") as folder:
        yield folder


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item, call):
    """See `_required`; this is for a test that skips."""
    return _required((yield))


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(collector):
    """See `_required`; this is for a module that skips as a whole.

    Every worker collects all tests, but begins elsewhere: in a new clone each compiles its share, which the others find.
    """
    report = _required((yield))
    told = getattr(collector.config, "workerinput", None)
    if told is not None and isinstance(collector, pytest.Directory) and report.result:
        share = len(report.result) * int(told["workerid"].removeprefix("gw")) // told["workercount"]
        report.result = [*report.result[share:], *report.result[:share]]
    return report


def _required(report):
    """Where references are required, a skip for want of a tool is a failure; other people's data, and what is said to be
    optional, may be absent."""
    if report.skipped and os.environ.get("TSFIT_REQUIRE_REFERENCES") and not hasattr(report, "wasxfail"):
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
        if "shared data" not in reason and "optional" not in reason:
            report.outcome = "failed"
            report.longrepr = f"{reason} (no skip passes with TSFIT_REQUIRE_REFERENCES)"
    return report
