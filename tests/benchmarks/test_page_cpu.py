"""CPU time of ``tsfit report`` and of the demonstration, as ratios to a Python that only loads matplotlib."""

import resource
import subprocess
import sys

import pytest

from tsfit.demo import DRIVERS, LOG, sample_data


def cpu_seconds(*arguments: str) -> float:
    """User and system time of one run and its children."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, *arguments], stdout=subprocess.DEVNULL, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


@pytest.fixture(scope="module")
def reference():
    return min(cpu_seconds("-c", "import matplotlib.figure") for _ in range(3))


@pytest.fixture(scope="module")
def played(tmp_path_factory):
    """The folder of a demonstration, and what it cost."""
    folder = tmp_path_factory.mktemp("demo") / "played"
    return folder, cpu_seconds("-m", "tsfit", "demo", "--folder", str(folder))


def test_cpu_of_the_demonstration(benchmark, played, reference):
    benchmark.extra_info.update(cpu_s=played[1], ratio_to_matplotlib=played[1] / reference)
    benchmark.pedantic(lambda: None, rounds=1)


def test_cpu_of_the_page_of_the_whole_demonstration(benchmark, played, reference):
    folder, _ = played
    files = [f"{stem}-{kind}.json" for kind in ("fit", "check") for stem in DRIVERS]
    parts = [*(folder / file for file in [*files, "compare.json"]), sample_data() / LOG]
    command = ["-m", "tsfit", "report", *map(str, parts)]
    seconds = min(cpu_seconds(*command, "-o", str(folder / f"page-{count}.html")) for count in range(3))
    benchmark.extra_info.update(cpu_s=seconds, ratio_to_matplotlib=seconds / reference)
    benchmark.pedantic(cpu_seconds, args=(*command, "-o", str(folder / "page-last.html")), rounds=1)
